"""Tables and triggers of the first release, statement by statement.

Never edited once released: a change is a migration of its own (`schema.py`).

STRICT everywhere: in a loosely typed column a tag such as 000012345678901 loses its zeros and 12E4567890
becomes a number. Times are RFC 3339 UTC text, lengths mm, weights g, unless a column says otherwise.
"""

from ingest.store.amendment_order import LAST_FIRST, placed

FIRST_TABLES = (
    """CREATE TABLE water (
        water TEXT NOT NULL PRIMARY KEY CHECK (water <> ''), note TEXT
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE survey (
        survey_id TEXT NOT NULL PRIMARY KEY, station TEXT NOT NULL, name TEXT,
        water TEXT REFERENCES water (water), protocol TEXT NOT NULL, opened_at TEXT NOT NULL, closed_at TEXT,
        provisional INTEGER NOT NULL CHECK (provisional IN (0, 1))
    ) STRICT, WITHOUT ROWID""",
    "CREATE INDEX survey_by_water ON survey (water)",
    """CREATE TABLE run (
        survey_id TEXT NOT NULL REFERENCES survey (survey_id), run_no INTEGER NOT NULL,
        started_at TEXT NOT NULL, ended_at TEXT, current_on_s REAL, note TEXT,
        start_lat_deg REAL, start_lon_deg REAL, end_lat_deg REAL, end_lon_deg REAL, water_c REAL,
        conductivity_us_per_cm REAL,
        area TEXT, gear TEXT, pass_no INTEGER, settings TEXT,
        PRIMARY KEY (survey_id, run_no)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE fish (
        fish_id TEXT NOT NULL PRIMARY KEY, journal_id TEXT NOT NULL, opened_n INTEGER NOT NULL,
        station TEXT NOT NULL, bench TEXT NOT NULL,
        survey_id TEXT NOT NULL REFERENCES survey (survey_id), run_no INTEGER,
        opened_at TEXT NOT NULL, worked_up_at TEXT NOT NULL,
        species TEXT, species_from TEXT NOT NULL,
        tag TEXT CHECK (tag <> ''), tag_status TEXT NOT NULL, individual_id TEXT,
        length_mm REAL, length_type TEXT, length_unit TEXT,
        weight_g REAL, weight_quality TEXT NOT NULL, relative_weight REAL,
        fate TEXT NOT NULL, status TEXT NOT NULL,
        closed INTEGER NOT NULL CHECK (closed IN (0, 1)), rule TEXT NOT NULL, note TEXT, withdrawal_until TEXT,
        FOREIGN KEY (survey_id, run_no) REFERENCES run (survey_id, run_no)
    ) STRICT""",
    "CREATE INDEX fish_by_tag ON fish (tag)",
    "CREATE INDEX fish_by_individual ON fish (individual_id)",
    "CREATE INDEX fish_by_run ON fish (survey_id, run_no)",
    "CREATE INDEX fish_open ON fish (survey_id) WHERE closed = 0",
    # The parts of a fish go in before the fish itself (see the triggers), so their reference waits
    # for the commit.
    """CREATE TABLE fish_tag (
        fish_id TEXT NOT NULL REFERENCES fish (fish_id) DEFERRABLE INITIALLY DEFERRED, seq INTEGER NOT NULL,
        tag TEXT NOT NULL CHECK (tag <> ''), role TEXT NOT NULL, PRIMARY KEY (fish_id, seq)
    ) STRICT""",
    "CREATE INDEX fish_tag_by_tag ON fish_tag (tag)",
    """CREATE TABLE reading (
        fish_id TEXT NOT NULL REFERENCES fish (fish_id) DEFERRABLE INITIALLY DEFERRED, seq INTEGER NOT NULL,
        kind TEXT NOT NULL, role TEXT NOT NULL,
        journal_id TEXT NOT NULL, n INTEGER NOT NULL, at TEXT NOT NULL, instrument TEXT NOT NULL,
        raw BLOB NOT NULL, value REAL, text TEXT, unit TEXT, division REAL,
        load INTEGER, empty_before_g REAL, empty_after_g REAL,
        later INTEGER NOT NULL CHECK (later IN (0, 1)), PRIMARY KEY (fish_id, seq)
    ) STRICT""",
    """CREATE TABLE frame (
        journal_id TEXT NOT NULL, n INTEGER NOT NULL, at TEXT NOT NULL, source TEXT NOT NULL,
        data BLOB NOT NULL, event TEXT, PRIMARY KEY (journal_id, n)
    ) STRICT""",
    """CREATE TABLE finding (
        fish_id TEXT NOT NULL REFERENCES fish (fish_id) DEFERRABLE INITIALLY DEFERRED, seq INTEGER NOT NULL,
        name TEXT NOT NULL, severity TEXT NOT NULL, sentence TEXT NOT NULL, numbers TEXT NOT NULL,
        suspects TEXT NOT NULL, proposes TEXT NOT NULL, settled INTEGER NOT NULL CHECK (settled IN (0, 1)),
        later INTEGER NOT NULL CHECK (later IN (0, 1)), journal_id TEXT, n INTEGER, PRIMARY KEY (fish_id, seq)
    ) STRICT""",
    """CREATE TABLE observation (
        fish_id TEXT NOT NULL REFERENCES fish (fish_id) DEFERRABLE INITIALLY DEFERRED, seq INTEGER NOT NULL,
        kind TEXT NOT NULL, text TEXT NOT NULL, code TEXT, PRIMARY KEY (fish_id, seq)
    ) STRICT""",
    """CREATE TABLE amendment (
        seq INTEGER PRIMARY KEY, amendment_id TEXT NOT NULL UNIQUE,
        fish_id TEXT NOT NULL REFERENCES fish (fish_id), at TEXT NOT NULL,
        who TEXT NOT NULL, why TEXT NOT NULL, field TEXT NOT NULL, old TEXT, new TEXT,
        journal_id TEXT NOT NULL, n INTEGER NOT NULL
    ) STRICT""",
    "CREATE INDEX amendment_by_fish ON amendment (fish_id, field)",
    # What an amended fish looks like now: derived from fish and amendment by the trigger below, and by
    # nothing else, so that views and lookups find the amended value by an index.
    """CREATE TABLE amended (
        fish_id TEXT NOT NULL PRIMARY KEY REFERENCES fish (fish_id), bench TEXT NOT NULL,
        survey_id TEXT NOT NULL REFERENCES survey (survey_id), run_no INTEGER, worked_up_at TEXT NOT NULL,
        species TEXT, tag TEXT CHECK (tag <> ''), tag_status TEXT NOT NULL,
        length_mm REAL, length_type TEXT, weight_g REAL, weight_quality TEXT NOT NULL,
        fate TEXT NOT NULL, status TEXT NOT NULL, relative_weight REAL, individual_id TEXT, note TEXT,
        void INTEGER NOT NULL CHECK (void IN (0, 1)),
        FOREIGN KEY (survey_id, run_no) REFERENCES run (survey_id, run_no)
    ) STRICT""",
    "CREATE INDEX amended_by_tag ON amended (tag)",
    "CREATE INDEX amended_by_individual ON amended (individual_id)",
    "CREATE INDEX amended_by_run ON amended (survey_id, run_no)",
    """CREATE TABLE batch (
        batch_id TEXT NOT NULL PRIMARY KEY, journal_id TEXT NOT NULL, opened_n INTEGER NOT NULL, bench TEXT NOT NULL,
        survey_id TEXT NOT NULL REFERENCES survey (survey_id), run_no INTEGER, at TEXT NOT NULL,
        kind TEXT NOT NULL CHECK (kind IN ('batch', 'count')), species TEXT, n INTEGER NOT NULL CHECK (n > 0),
        total_weight_g REAL, container_g REAL, fate TEXT NOT NULL, note TEXT,
        closed INTEGER NOT NULL CHECK (closed IN (0, 1)),
        FOREIGN KEY (survey_id, run_no) REFERENCES run (survey_id, run_no)
    ) STRICT, WITHOUT ROWID""",
    "CREATE INDEX batch_by_run ON batch (survey_id, run_no)",
    """CREATE TABLE batch_reading (
        batch_id TEXT NOT NULL REFERENCES batch (batch_id) DEFERRABLE INITIALLY DEFERRED, seq INTEGER NOT NULL,
        kind TEXT NOT NULL CHECK (kind IN ('length', 'gross', 'container')), value REAL NOT NULL, unit TEXT NOT NULL,
        journal_id TEXT NOT NULL, n INTEGER NOT NULL, at TEXT NOT NULL, instrument TEXT NOT NULL, raw BLOB NOT NULL,
        PRIMARY KEY (batch_id, seq)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE batch_amendment (
        seq INTEGER PRIMARY KEY, amendment_id TEXT NOT NULL UNIQUE,
        batch_id TEXT NOT NULL REFERENCES batch (batch_id), at TEXT NOT NULL, who TEXT NOT NULL, why TEXT NOT NULL,
        field TEXT NOT NULL CHECK (field IN ('species', 'fate', 'note', 'void')), old TEXT, new TEXT,
        journal_id TEXT NOT NULL, n INTEGER NOT NULL
    ) STRICT""",
    "CREATE INDEX batch_amendment_by_batch ON batch_amendment (batch_id, field)",
    """CREATE TABLE treatment (
        treatment_id TEXT NOT NULL PRIMARY KEY, survey_id TEXT NOT NULL REFERENCES survey (survey_id), run_no INTEGER,
        agent TEXT NOT NULL, dose TEXT, withdrawal_until TEXT, started_at TEXT NOT NULL, ended_at TEXT,
        journal_id TEXT NOT NULL, n INTEGER NOT NULL,
        FOREIGN KEY (survey_id, run_no) REFERENCES run (survey_id, run_no)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE crew (
        crew_id TEXT NOT NULL PRIMARY KEY, survey_id TEXT NOT NULL REFERENCES survey (survey_id), run_no INTEGER,
        post TEXT NOT NULL, code TEXT NOT NULL, at TEXT NOT NULL, journal_id TEXT NOT NULL, n INTEGER NOT NULL,
        FOREIGN KEY (survey_id, run_no) REFERENCES run (survey_id, run_no)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE tag_inventory (
        tag TEXT NOT NULL CHECK (tag <> ''), source TEXT NOT NULL, added_at TEXT NOT NULL,
        PRIMARY KEY (tag, source)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE stocking (
        stocking_id TEXT NOT NULL PRIMARY KEY, water TEXT NOT NULL REFERENCES water (water),
        species TEXT NOT NULL, at TEXT NOT NULL, n INTEGER NOT NULL,
        total_weight_g REAL, mean_length_mm REAL, source TEXT, note TEXT
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE sighting (
        sighting_id TEXT NOT NULL PRIMARY KEY, survey_id TEXT NOT NULL REFERENCES survey (survey_id),
        tag TEXT NOT NULL CHECK (tag <> ''), at TEXT NOT NULL, instrument TEXT NOT NULL, why TEXT NOT NULL,
        journal_id TEXT NOT NULL, n INTEGER NOT NULL
    ) STRICT, WITHOUT ROWID""",
    "CREATE INDEX sighting_by_tag ON sighting (tag)",
    """CREATE TABLE inbox_file (
        sha256 TEXT NOT NULL PRIMARY KEY, file TEXT NOT NULL, at TEXT NOT NULL, n_seen INTEGER NOT NULL,
        refused TEXT NOT NULL, journal_id TEXT NOT NULL, n INTEGER NOT NULL
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE instrument (
        instrument TEXT NOT NULL PRIMARY KEY, kind TEXT NOT NULL, bench TEXT, content_sha256 TEXT,
        first_seen_at TEXT NOT NULL, last_seen_at TEXT NOT NULL
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE check_measurement (
        check_id TEXT NOT NULL PRIMARY KEY, instrument TEXT NOT NULL, at TEXT NOT NULL,
        expected REAL NOT NULL, measured REAL NOT NULL, unit TEXT NOT NULL, note TEXT,
        journal_id TEXT NOT NULL, n INTEGER NOT NULL
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE prior_capture (
        prior_id INTEGER PRIMARY KEY, tag TEXT NOT NULL CHECK (tag <> ''), at TEXT NOT NULL, water TEXT,
        species TEXT, length_mm REAL, weight_g REAL, fate TEXT NOT NULL, individual_id TEXT, survey_id TEXT,
        fish_id TEXT, source TEXT NOT NULL, withdrawal_until TEXT
    ) STRICT""",
    "CREATE INDEX prior_by_tag ON prior_capture (tag)",
    "CREATE INDEX prior_by_fish ON prior_capture (fish_id)",
    "CREATE INDEX prior_by_individual ON prior_capture (individual_id)",
    "CREATE INDEX prior_by_water ON prior_capture (water, species)",
    """CREATE TABLE content (
        sha256 TEXT NOT NULL, name TEXT NOT NULL, kind TEXT NOT NULL, first_used_at TEXT NOT NULL,
        PRIMARY KEY (sha256, name, kind)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE local_relation (
        survey_id TEXT NOT NULL REFERENCES survey (survey_id), species TEXT NOT NULL, a REAL NOT NULL,
        b REAL NOT NULL, c REAL NOT NULL, sd_log10 REAL NOT NULL, n INTEGER NOT NULL, PRIMARY KEY (survey_id, species)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE checkpoint (
        only INTEGER PRIMARY KEY CHECK (only = 1), state TEXT NOT NULL, journal_file TEXT NOT NULL,
        "offset" INTEGER NOT NULL, n INTEGER NOT NULL
    ) STRICT""",
    """CREATE TABLE column_doc (
        view TEXT NOT NULL, "column" TEXT NOT NULL, unit TEXT, meaning TEXT NOT NULL,
        PRIMARY KEY (view, "column")
    ) STRICT, WITHOUT ROWID""",
)

_BATCH_IS_CLOSED = "EXISTS (SELECT 1 FROM batch WHERE batch_id = {row}.batch_id AND closed = 1)"
_IS_CLOSED = "EXISTS (SELECT 1 FROM fish WHERE fish_id = {row}.fish_id AND closed = 1)"


def _never(table: str, deed: str, why: str, when: str = "1") -> str:
    return (
        f"CREATE TRIGGER {table}_no_{deed.lower()} BEFORE {deed} ON {table} WHEN {when} "
        f"BEGIN SELECT RAISE(ABORT, '{why}'); END"
    )


def _parts_of_closed_fish(table: str) -> tuple[str, str]:
    stays = f"a closed fish keeps its {table} rows: amend the fish"
    closed = _IS_CLOSED.format(row="OLD")
    return _never(table, "UPDATE", stays, closed), _never(table, "DELETE", stays, closed)


# INSERT OR REPLACE removes rows without firing DELETE triggers unless the connection asked for it
# (recursive_triggers), so the INSERT triggers watch for it too: other programs open this file as well.
FIRST_TRIGGERS = (
    _never("fish", "UPDATE", "a closed fish is never changed: amend it", "OLD.closed = 1"),
    _never("fish", "DELETE", "a closed fish is never deleted: void it by an amendment", "OLD.closed = 1"),
    _never("fish", "INSERT", "a closed fish is never replaced: amend it", _IS_CLOSED.format(row="NEW")),
    *(
        trigger
        for table in ("fish_tag", "reading", "finding", "observation")
        for trigger in _parts_of_closed_fish(table)
    ),
    *(
        _never(
            table,
            "INSERT",
            f"a closed fish gets no more {table} rows: amend it",
            _IS_CLOSED.format(row="NEW"),
        )
        for table in ("fish_tag", "observation")
    ),
    *(
        _never(
            table,
            "INSERT",
            f"only a closed fish gets a later {table} row, and it replaces none",
            f"NEW.later <> {_IS_CLOSED.format(row='NEW')} OR (NEW.later AND EXISTS "
            f"(SELECT 1 FROM {table} WHERE fish_id = NEW.fish_id AND seq = NEW.seq))",
        )
        for table in ("reading", "finding")
    ),
    _never("batch", "UPDATE", "a closed batch is never changed: amend it", "OLD.closed = 1"),
    _never("batch", "DELETE", "a closed batch is never deleted: void it by an amendment", "OLD.closed = 1"),
    _never(
        "batch", "INSERT", "a closed batch is never replaced: amend it", _BATCH_IS_CLOSED.format(row="NEW")
    ),
    *(
        _never(
            "batch_reading",
            deed,
            "a closed batch keeps its batch_reading rows: amend it",
            _BATCH_IS_CLOSED.format(row=row),
        )
        for deed, row in (("UPDATE", "OLD"), ("DELETE", "OLD"), ("INSERT", "NEW"))
    ),
    _never("batch_amendment", "UPDATE", "an amendment is never changed: amend again"),
    _never("batch_amendment", "DELETE", "an amendment is never deleted: amend again"),
    _never(
        "batch_amendment",
        "INSERT",
        "only a closed batch is amended, and no amendment is replaced",
        f"NOT {_BATCH_IS_CLOSED.format(row='NEW')} OR EXISTS (SELECT 1 FROM batch_amendment "
        "WHERE amendment_id = NEW.amendment_id OR seq = NEW.seq)",
    ),
    _never("frame", "UPDATE", "a frame is never changed: two journals with one id?"),
    _never("frame", "DELETE", "a frame is never deleted: records rest on it"),
    _never("amendment", "UPDATE", "an amendment is never changed: amend again"),
    _never("amendment", "DELETE", "an amendment is never deleted: amend again"),
    _never(
        "amendment",
        "INSERT",
        "only a closed fish is amended, and no amendment is replaced",
        f"NOT {_IS_CLOSED.format(row='NEW')} OR EXISTS (SELECT 1 FROM amendment "
        "WHERE amendment_id = NEW.amendment_id OR seq = NEW.seq)",
    ),
    _never("amended", "DELETE", "the amended state follows from the amendments: amend again"),
)

_TEXT_FIELDS = (
    "bench", "survey_id", "worked_up_at", "species", "tag", "tag_status", "length_type", "weight_quality",
    "fate", "status", "note",
)  # fmt: skip

_PLACED = f"SELECT * FROM ({placed('amendment', 'fish_id')}) WHERE fish_id = NEW.fish_id AND field"
_LAST = f"ORDER BY {LAST_FIRST} LIMIT 1"


def _own(column: str, value: str) -> str:
    latest = f"SELECT {value} FROM ({_PLACED} = '{column}') {_LAST}"
    return f"{column} = CASE NEW.field WHEN '{column}' THEN ({latest}) ELSE {column} END"


# A relative weight belongs to one length, weight and species, an individual to one tag: when what they rest
# on is amended they are gone, unless the same journal frame (one correction) amends them too.
def _dependent(column: str, cast: str, fields: str) -> str:
    same_frame = (
        f"SELECT k.new FROM amendment AS k WHERE k.fish_id = NEW.fish_id AND k.field = '{column}' "
        "AND k.journal_id = l.journal_id AND k.n = l.n ORDER BY k.seq DESC LIMIT 1"
    )
    latest = f"SELECT CAST(({same_frame}) AS {cast}) FROM ({_PLACED} IN ('{column}', {fields}) {_LAST}) AS l"
    return f"{column} = CASE WHEN NEW.field IN ('{column}', {fields}) THEN ({latest}) ELSE {column} END"


# A run belongs to its survey: where one person moved the fish to another survey and another one, who did not know of it,
# gave a run that this survey has not, there is no run. It comes back with the survey.
_RUN = (
    f"run_no = CASE WHEN NEW.field IN ('run_no', 'survey_id') THEN iif(EXISTS (SELECT 1 FROM ({_PLACED} = 'run_no')), "
    f"(SELECT CAST(new AS INTEGER) FROM ({_PLACED} = 'run_no') {_LAST}), "
    "(SELECT f.run_no FROM fish AS f WHERE f.fish_id = NEW.fish_id)) ELSE run_no END"
)

_SET = ",\n".join(
    (
        *(_own(field, "new") for field in _TEXT_FIELDS),
        *(_own(field, "CAST(new AS REAL)") for field in ("length_mm", "weight_g")),
        _RUN,
        _own("void", "new = '1'"),
        _dependent("relative_weight", "REAL", "'length_mm', 'length_type', 'weight_g', 'species'"),
        _dependent("individual_id", "TEXT", "'tag'"),
    )
)

FIRST_TRIGGERS += (
    f"""CREATE TRIGGER amendment_counts AFTER INSERT ON amendment BEGIN
        INSERT INTO amended
        SELECT fish_id, bench, survey_id, run_no, worked_up_at, species, tag, tag_status, length_mm,
            length_type, weight_g, weight_quality, fate, status, relative_weight, individual_id, note,
            status = 'void'
        FROM fish
        WHERE fish_id = NEW.fish_id AND NOT EXISTS (SELECT 1 FROM amended WHERE fish_id = NEW.fish_id);
        UPDATE amended SET {_SET}
        WHERE fish_id = NEW.fish_id;
        UPDATE amended SET run_no = NULL WHERE fish_id = NEW.fish_id AND NEW.field IN ('run_no', 'survey_id')
            AND run_no IS NOT NULL AND NOT EXISTS (
                SELECT 1 FROM run AS r WHERE r.survey_id = amended.survey_id AND r.run_no = amended.run_no
            );
    END""",
)
