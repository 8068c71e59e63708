"""Tables that only an office keeps, beside those of a station, statement by statement."""

OFFICE_TABLES = (
    # Amendments made here carry office_id as their journal_id and a number that goes up from 1.
    """CREATE TABLE office (
        only INTEGER PRIMARY KEY CHECK (only = 1), office_id TEXT NOT NULL, made_at TEXT NOT NULL
    ) STRICT""",
)
