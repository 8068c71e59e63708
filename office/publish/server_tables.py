"""Tables of the first published schema, statement by statement. Never edited once released: add a migration.

The same records as in an office's database. Text is compared byte by byte (collation "C"), as SQLite does, and times
are kept as they were written; beside them stands the instant (`..._time`), NULL where the text is none. Each table of
records says which office brought a row first and when.
"""

T = 'text COLLATE "C"'
# No reference to `office`: its row is there before any batch, and a check for every fish costs a tenth of the time.
_BROUGHT = f"office_id {T} NOT NULL, published_at timestamptz NOT NULL DEFAULT now()"

FIRST_TABLES = (
    # through_fish_id: the last fish of the last whole batch, where the next publication goes on, if the fish up to it
    # are still those of through_print.
    f"""CREATE TABLE office (
        office_id {T} PRIMARY KEY, first_at timestamptz NOT NULL DEFAULT now(), through_fish_id {T}, through_print {T},
        started_at timestamptz, completed_at timestamptz
    )""",
    f"CREATE TABLE water (water {T} PRIMARY KEY, note {T}, {_BROUGHT})",
    # told_s: how far the station had come when it said this (its own clock, which never runs back).
    f"""CREATE TABLE survey (
        survey_id {T} PRIMARY KEY, station {T} NOT NULL, name {T}, water {T} REFERENCES water, protocol {T} NOT NULL,
        opened_at {T} NOT NULL, closed_at {T}, provisional integer NOT NULL, opened_time timestamptz,
        closed_time timestamptz, told_s double precision NOT NULL, {_BROUGHT}
    )""",
    "CREATE INDEX survey_by_water ON survey (water)",
    f"""CREATE TABLE run (
        survey_id {T} NOT NULL REFERENCES survey, run_no bigint NOT NULL, started_at {T} NOT NULL, ended_at {T},
        current_on_s double precision, note {T}, start_lat_deg double precision, start_lon_deg double precision,
        end_lat_deg double precision, end_lon_deg double precision, water_c double precision,
        conductivity_us_per_cm double precision, area {T}, gear {T}, pass_no bigint, settings {T},
        started_time timestamptz, ended_time timestamptz, told_s double precision NOT NULL, {_BROUGHT},
        PRIMARY KEY (survey_id, run_no)
    )""",
    f"""CREATE TABLE treatment (
        treatment_id {T} PRIMARY KEY, survey_id {T} NOT NULL REFERENCES survey, run_no bigint, agent {T} NOT NULL,
        dose {T}, withdrawal_until {T}, started_at {T} NOT NULL, ended_at {T}, journal_id {T} NOT NULL, n bigint NOT NULL,
        told_s double precision NOT NULL, {_BROUGHT},
        FOREIGN KEY (survey_id, run_no) REFERENCES run
    )""",
    f"""CREATE TABLE local_relation (
        survey_id {T} NOT NULL REFERENCES survey, species {T} NOT NULL, a double precision NOT NULL,
        b double precision NOT NULL, c double precision NOT NULL, sd_log10 double precision NOT NULL,
        n bigint NOT NULL, {_BROUGHT}, PRIMARY KEY (survey_id, species)
    )""",
    f"""CREATE TABLE fish (
        fish_id {T} PRIMARY KEY, journal_id {T} NOT NULL, opened_n bigint NOT NULL, station {T} NOT NULL,
        bench {T} NOT NULL, survey_id {T} NOT NULL REFERENCES survey, run_no bigint, opened_at {T} NOT NULL,
        worked_up_at {T} NOT NULL, species {T}, species_from {T} NOT NULL, tag {T}, tag_status {T} NOT NULL,
        individual_id {T}, length_mm double precision, length_type {T}, length_unit {T}, weight_g double precision,
        weight_quality {T} NOT NULL, relative_weight double precision, fate {T} NOT NULL, status {T} NOT NULL,
        rule {T} NOT NULL, note {T}, withdrawal_until {T}, worked_up_time timestamptz, {_BROUGHT},
        FOREIGN KEY (survey_id, run_no) REFERENCES run
    )""",
    "CREATE INDEX fish_by_tag ON fish (tag) WHERE tag IS NOT NULL",
    "CREATE INDEX fish_by_run ON fish (survey_id, run_no)",
    # Fish come in the order of their days: a few kilobytes find a season among hundreds of millions.
    "CREATE INDEX fish_by_time ON fish USING brin (worked_up_time)",
    f"""CREATE TABLE fish_tag (
        fish_id {T} NOT NULL REFERENCES fish, seq bigint NOT NULL, tag {T} NOT NULL, role {T} NOT NULL,
        PRIMARY KEY (fish_id, seq)
    )""",
    "CREATE INDEX fish_tag_second ON fish_tag (tag) WHERE role <> 'primary'",
    # part: the place of a part that the fish was closed with, or a hash of what came later and is told by what it says.
    f"""CREATE TABLE reading (
        fish_id {T} NOT NULL REFERENCES fish, part {T} NOT NULL, kind {T} NOT NULL, role {T} NOT NULL,
        journal_id {T} NOT NULL, n bigint NOT NULL, at {T} NOT NULL, instrument {T} NOT NULL, raw bytea NOT NULL,
        value double precision, text {T}, unit {T}, division double precision, load bigint,
        empty_before_g double precision, empty_after_g double precision, later integer NOT NULL,
        PRIMARY KEY (fish_id, part)
    )""",
    f"""CREATE TABLE finding (
        fish_id {T} NOT NULL REFERENCES fish, part {T} NOT NULL, name {T} NOT NULL, severity {T} NOT NULL,
        sentence {T} NOT NULL, numbers {T} NOT NULL, suspects {T} NOT NULL, proposes {T} NOT NULL,
        settled integer NOT NULL, later integer NOT NULL, journal_id {T}, n bigint, PRIMARY KEY (fish_id, part)
    )""",
    f"""CREATE TABLE observation (
        fish_id {T} NOT NULL REFERENCES fish, seq bigint NOT NULL, kind {T} NOT NULL, text {T} NOT NULL, code {T},
        PRIMARY KEY (fish_id, seq)
    )""",
    # place: among the amendments of this record that come from the same origin, the station or one office.
    f"""CREATE TABLE amendment (
        amendment_id {T} PRIMARY KEY, fish_id {T} NOT NULL REFERENCES fish, at {T} NOT NULL, who {T} NOT NULL,
        why {T} NOT NULL, field {T} NOT NULL, old {T}, new {T}, journal_id {T} NOT NULL, n bigint NOT NULL,
        place bigint NOT NULL, {_BROUGHT}
    )""",
    "CREATE INDEX amendment_by_fish ON amendment (fish_id, field)",
    f"""CREATE TABLE batch (
        batch_id {T} PRIMARY KEY, journal_id {T} NOT NULL, opened_n bigint NOT NULL, bench {T} NOT NULL,
        survey_id {T} NOT NULL REFERENCES survey, run_no bigint, at {T} NOT NULL, kind {T} NOT NULL, species {T},
        n bigint NOT NULL, total_weight_g double precision, container_g double precision, fate {T} NOT NULL, note {T},
        at_time timestamptz, {_BROUGHT},
        FOREIGN KEY (survey_id, run_no) REFERENCES run
    )""",
    "CREATE INDEX batch_by_run ON batch (survey_id, run_no)",
    f"""CREATE TABLE batch_reading (
        batch_id {T} NOT NULL REFERENCES batch, seq bigint NOT NULL, kind {T} NOT NULL, value double precision NOT NULL,
        unit {T} NOT NULL, journal_id {T} NOT NULL, n bigint NOT NULL, at {T} NOT NULL, instrument {T} NOT NULL,
        raw bytea NOT NULL, PRIMARY KEY (batch_id, seq)
    )""",
    f"""CREATE TABLE batch_amendment (
        amendment_id {T} PRIMARY KEY, batch_id {T} NOT NULL REFERENCES batch, at {T} NOT NULL, who {T} NOT NULL,
        why {T} NOT NULL, field {T} NOT NULL, old {T}, new {T}, journal_id {T} NOT NULL, n bigint NOT NULL,
        place bigint NOT NULL, {_BROUGHT}
    )""",
    "CREATE INDEX batch_amendment_by_batch ON batch_amendment (batch_id, field)",
    f"""CREATE TABLE sighting (
        sighting_id {T} PRIMARY KEY, survey_id {T} NOT NULL REFERENCES survey, tag {T} NOT NULL, at {T} NOT NULL,
        instrument {T} NOT NULL, why {T} NOT NULL, journal_id {T} NOT NULL, n bigint NOT NULL, {_BROUGHT}
    )""",
    "CREATE INDEX sighting_by_tag ON sighting (tag)",
    f"""CREATE TABLE crew (
        crew_id {T} PRIMARY KEY, survey_id {T} NOT NULL REFERENCES survey, run_no bigint, post {T} NOT NULL,
        code {T} NOT NULL, at {T} NOT NULL, journal_id {T} NOT NULL, n bigint NOT NULL, {_BROUGHT}
    )""",
    f"""CREATE TABLE check_measurement (
        check_id {T} PRIMARY KEY, instrument {T} NOT NULL, at {T} NOT NULL, expected double precision NOT NULL,
        measured double precision NOT NULL, unit {T} NOT NULL, note {T}, journal_id {T} NOT NULL, n bigint NOT NULL,
        {_BROUGHT}
    )""",
    f"""CREATE TABLE stocking (
        stocking_id {T} PRIMARY KEY, water {T} NOT NULL REFERENCES water, species {T} NOT NULL, at {T} NOT NULL,
        n bigint NOT NULL, total_weight_g double precision, mean_length_mm double precision, source {T}, note {T},
        {_BROUGHT}
    )""",
    # What an office knows from elsewhere: replaced as a whole with each publication of that office.
    f"""CREATE TABLE prior_capture (
        prior_key bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY, tag {T} NOT NULL, at {T} NOT NULL, water {T},
        species {T}, length_mm double precision, weight_g double precision, fate {T} NOT NULL, individual_id {T},
        survey_id {T}, fish_id {T}, source {T} NOT NULL, withdrawal_until {T}, at_time timestamptz, {_BROUGHT}
    )""",
    "CREATE INDEX prior_by_tag ON prior_capture (tag)",
    # Two records under one id: the one that came first stands in its table, the other is kept here whole.
    f"""CREATE TABLE conflict (
        conflict_id {T} PRIMARY KEY, found_at timestamptz NOT NULL DEFAULT now(),
        office_id {T} NOT NULL REFERENCES office (office_id), "table" {T} NOT NULL, record_id {T} NOT NULL,
        here jsonb NOT NULL, theirs jsonb NOT NULL
    )""",
)
