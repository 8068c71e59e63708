"""Tables that only an office keeps, beside those of a station, statement by statement."""

OFFICE_TABLES = (
    # Amendments made here carry office_id as their journal_id and a number that goes up from 1.
    """CREATE TABLE office (
        only INTEGER PRIMARY KEY CHECK (only = 1), office_id TEXT NOT NULL, made_at TEXT NOT NULL
    ) STRICT""",
    # Every pull, for people: nothing else rests on it. `added` are rows by table, `notices` sentences, both JSON.
    """CREATE TABLE pull (
        pull_id INTEGER PRIMARY KEY, at TEXT NOT NULL, source TEXT NOT NULL, station TEXT NOT NULL,
        sha256 TEXT NOT NULL, taken_at TEXT NOT NULL, clock_doubtful INTEGER NOT NULL CHECK (clock_doubtful IN (0, 1)),
        schema_version INTEGER NOT NULL, added TEXT NOT NULL, notices TEXT NOT NULL
    ) STRICT""",
    # A station writes its surveys, runs and treatments anew as they go on: how far it had come (engine time, which
    # never runs back) when it said what stands here.
    """CREATE TABLE survey_told (
        survey_id TEXT NOT NULL PRIMARY KEY REFERENCES survey (survey_id), told_s REAL NOT NULL
    ) STRICT, WITHOUT ROWID""",
    # Two records under one id, or two corrections of one value: ours is what stands in the tables, theirs is kept here
    # whole, both as JSON (bytes as {"hex": ...}).
    """CREATE TABLE conflict (
        conflict_id TEXT NOT NULL PRIMARY KEY, found_at TEXT NOT NULL, station TEXT NOT NULL, kind TEXT NOT NULL,
        record_id TEXT NOT NULL, fish_id TEXT, ours TEXT NOT NULL, theirs TEXT NOT NULL
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE decision (
        conflict_id TEXT NOT NULL PRIMARY KEY REFERENCES conflict (conflict_id), at TEXT NOT NULL,
        keep TEXT NOT NULL CHECK (keep IN ('ours', 'theirs')), who TEXT NOT NULL CHECK (who <> ''),
        why TEXT NOT NULL CHECK (why <> ''), did TEXT NOT NULL
    ) STRICT, WITHOUT ROWID""",
    # Files of fish from elsewhere that were taken in, and which fish each of their rows tells of: so a corrected file is
    # known again. `mapping` is the text of the mapping file; `journal_id` that of the fish that came from it.
    """CREATE TABLE imported_file (
        import_id INTEGER PRIMARY KEY, sha256 TEXT NOT NULL, file TEXT NOT NULL, journal_id TEXT NOT NULL,
        mapping_name TEXT NOT NULL, mapping TEXT NOT NULL, at TEXT NOT NULL, who TEXT NOT NULL CHECK (who <> ''),
        n_rows INTEGER NOT NULL, n_taken INTEGER NOT NULL
    ) STRICT""",
    """CREATE TABLE imported_row (
        import_id INTEGER NOT NULL REFERENCES imported_file (import_id), n INTEGER NOT NULL,
        fish_id TEXT NOT NULL REFERENCES fish (fish_id), row_key TEXT, PRIMARY KEY (import_id, n)
    ) STRICT, WITHOUT ROWID""",
)
