"""The read views of the first published schema: the public views of an office's database, in PostgreSQL's words.

Same names, same columns, same values; times are `timestamptz` (but for `tag_history.at`, which may be a bare day).
Only final records are published, so `closed` is always 1. Nothing derived is stored: what an amendment means is
worked out when a view is read, so it cannot depend on who published first. The order of amendments is that of
`ingest.store.amendment_order`.
"""

_WEIGHT_RESTS_ON = "('relative_weight', 'length_mm', 'length_type', 'weight_g', 'species')"
_ANIMAL_RESTS_ON = "('individual_id', 'tag')"
_LAST_FIRST = "counts_at DESC, origin DESC, place DESC"
_TEXT_FIELDS = (
    "bench", "survey_id", "species", "tag", "tag_status", "length_type", "weight_quality", "fate", "status", "note",
)  # fmt: skip

FUNCTIONS = (
    # A text as an instant, NULL if it is none; a bare day begins at midnight UTC, as in SQLite.
    """CREATE FUNCTION instant(said text) RETURNS timestamptz LANGUAGE plpgsql IMMUTABLE PARALLEL SAFE
    SET timezone = 'UTC' AS $$
    BEGIN
        IF said !~ '^\\d{4}-\\d\\d-\\d\\d([T ]\\d\\d:\\d\\d|$)' THEN RETURN NULL; END IF;
        RETURN said::timestamptz;
    EXCEPTION WHEN OTHERS THEN RETURN NULL;
    END $$""",
)


def _placed(table: str, key: str) -> str:
    origin = "CASE WHEN starts_with(journal_id, 'office-') THEN journal_id ELSE '' END"
    return (
        f"SELECT *, {origin} AS origin, "
        f"max(rtrim(at, 'Z')) OVER (PARTITION BY {key}, {origin} ORDER BY place) AS counts_at FROM {table}"
    )


def _has(field: str) -> str:
    return f"bool_or(field = '{field}') AS has_{field}"


def _value(field: str, alias: str = "") -> str:
    return f"max(new) FILTER (WHERE field = '{field}' AND rank = 1) AS {alias or field}"


def _rank_among(fields: str) -> str:
    return (
        f"CASE WHEN field IN {fields} THEN row_number() OVER "
        f"(PARTITION BY fish_id, field IN {fields} ORDER BY {_LAST_FIRST}) END"
    )


def _same_frame(field: str) -> str:
    return (
        f"(SELECT k.new FROM amendment AS k WHERE k.fish_id = r.fish_id AND k.field = '{field}' "
        "AND k.journal_id = r.journal_id AND k.n = r.n ORDER BY k.place DESC LIMIT 1)"
    )


_AMENDED = f"""
WITH ranked AS (
    SELECT *, row_number() OVER (PARTITION BY fish_id, field ORDER BY {_LAST_FIRST}) AS rank,
        {_rank_among(_WEIGHT_RESTS_ON)} AS weight_rank, {_rank_among(_ANIMAL_RESTS_ON)} AS animal_rank
    FROM ({_placed("amendment", "fish_id")}) AS placed
)
SELECT fish_id,
    {", ".join(f"{_has(field)}, {_value(field)}" for field in _TEXT_FIELDS)},
    {_has("worked_up_at")}, {_value("worked_up_at")},
    {
    ", ".join(
        f"{_has(field)}, ({_value(field).removesuffix(f' AS {field}')})::double precision AS {field}"
        for field in ("length_mm", "weight_g")
    )
},
    {_has("run_no")}, ({_value("run_no").removesuffix(" AS run_no")})::bigint AS run_no,
    {_has("void")}, coalesce({_value("void").removesuffix(" AS void")} = '1', false) AS void,
    bool_or(field IN {_WEIGHT_RESTS_ON}) AS has_relative_weight,
    max(CASE WHEN weight_rank = 1 THEN {
    _same_frame("relative_weight")
} END)::double precision AS relative_weight,
    bool_or(field IN {_ANIMAL_RESTS_ON}) AS has_individual_id,
    max(CASE WHEN animal_rank = 1 THEN {_same_frame("individual_id")} END) AS individual_id
FROM ranked AS r GROUP BY fish_id
"""


def _now(field: str) -> str:
    return f"CASE WHEN a.has_{field} THEN a.{field} ELSE f.{field} END"


def _shown(field: str) -> str:
    if field != "run_no":
        return f"{_now(field)} AS {field}"
    # A run that the survey has not is none, as in `ingest.store.tables`.
    of_survey = f"r.survey_id = {_now('survey_id')} AND r.run_no = {_now('run_no')}"
    return f"(SELECT r.run_no FROM run AS r WHERE {of_survey}) AS run_no"


_STATE_FIELDS = (
    *_TEXT_FIELDS,
    "run_no",
    "length_mm",
    "weight_g",
    "relative_weight",
    "individual_id",
    "worked_up_at",
)
# Two arms, as in SQLite, so that a tag is found by the index of the fish that nobody amended.
_FISH_STATE = f"""
SELECT f.fish_id, f.station, {", ".join(f"f.{field}" for field in _STATE_FIELDS)}, f.worked_up_time,
    f.status = 'void' AS void, false AS amended, f.withdrawal_until, f.rule
FROM fish AS f WHERE NOT EXISTS (SELECT 1 FROM amendment AS m WHERE m.fish_id = f.fish_id)
UNION ALL
SELECT f.fish_id, f.station, {", ".join(_shown(field) for field in _STATE_FIELDS)},
    CASE WHEN a.has_worked_up_at THEN instant(a.worked_up_at) ELSE f.worked_up_time END,
    CASE WHEN a.has_void THEN a.void ELSE f.status = 'void' END, true, f.withdrawal_until, f.rule
FROM amended AS a JOIN fish AS f ON f.fish_id = a.fish_id
"""

_FISH_ALL = """
SELECT x.fish_id, x.station, x.bench, s.water, x.survey_id, x.run_no, x.worked_up_time AS worked_up_at, x.species, x.tag,
    x.tag_status, x.length_mm, x.length_type, x.weight_g, x.weight_quality, x.fate,
    CASE WHEN NOT x.amended THEN x.status WHEN x.void THEN 'void' WHEN x.status = 'void' THEN 'queried'
        ELSE x.status END AS status,
    x.relative_weight, x.individual_id, x.amended::integer AS amended, x.note, x.withdrawal_until,
    x.void::integer AS void, 1 AS closed, x.rule
FROM fish_state AS x JOIN survey AS s ON s.survey_id = x.survey_id
"""

_WORKED_FISH = """
SELECT fish_id, station, bench, water, survey_id, run_no, worked_up_at, species, tag, tag_status, length_mm,
    length_type, weight_g, weight_quality, fate, status, relative_weight, individual_id, amended, note,
    withdrawal_until
FROM fish_all WHERE void = 0
"""

# Two offices may have loaded the same history: its captures are shown once.
_TAG_HISTORY = """
WITH capture AS (
    SELECT x.tag, x.individual_id, x.worked_up_at AS at, x.worked_up_time AS at_time, s.water, x.survey_id, x.species,
        x.length_mm, x.weight_g, x.relative_weight, x.fate, x.fish_id
    FROM fish_state AS x JOIN survey AS s ON s.survey_id = x.survey_id WHERE NOT x.void AND x.tag IS NOT NULL
    UNION ALL
    SELECT p.tag, p.individual_id, p.at, p.at_time, p.water, p.survey_id, p.species, p.length_mm, p.weight_g, NULL,
        p.fate, p.fish_id
    FROM (SELECT DISTINCT tag, individual_id, at, at_time, water, survey_id, species, length_mm, weight_g, fate, fish_id,
        source FROM prior_capture) AS p
    WHERE p.fate <> 'void' AND NOT EXISTS (SELECT 1 FROM fish AS f WHERE f.fish_id = p.fish_id)
),
keyed AS (
    SELECT capture.*, coalesce(
        individual_id,
        (SELECT min(f.individual_id) FROM fish AS f WHERE f.tag = capture.tag),
        (SELECT min(p.individual_id) FROM prior_capture AS p WHERE p.tag = capture.tag),
        tag
    ) AS animal
    FROM capture
),
stepped AS (
    SELECT keyed.*, extract(epoch FROM at_time - lag(at_time) OVER step)::double precision / 86400 AS days_since,
        length_mm - lag(length_mm) OVER step AS mm_since, weight_g - lag(weight_g) OVER step AS g_since
    FROM keyed WINDOW step AS (PARTITION BY animal ORDER BY rtrim(at, 'Z'), fish_id NULLS FIRST)
)
SELECT tag, individual_id, at, water, survey_id, species, length_mm, weight_g, days_since, mm_since, g_since,
    relative_weight, fate, fish_id
FROM stepped
UNION ALL
SELECT t.tag, s.individual_id, s.at, s.water, s.survey_id, s.species, s.length_mm, s.weight_g, s.days_since,
    s.mm_since, s.g_since, s.relative_weight, s.fate, s.fish_id
FROM stepped AS s JOIN fish_tag AS t ON t.fish_id = s.fish_id AND t.role = 'second' AND t.tag <> s.tag
"""

_BATCH_LIST = f"""
WITH amended AS (
    SELECT batch_id, {", ".join(f"{_has(field)}, {_value(field)}" for field in ("species", "fate", "note", "void"))}
    FROM (SELECT *, row_number() OVER (PARTITION BY batch_id, field ORDER BY {_LAST_FIRST}) AS rank
        FROM ({_placed("batch_amendment", "batch_id")}) AS placed) AS ranked GROUP BY batch_id
)
SELECT f.batch_id, s.water, f.survey_id, f.run_no, f.bench, f.at_time AS at, f.kind, {_shown("species")}, f.n,
    f.total_weight_g, f.container_g,
    (SELECT count(*) FROM batch_reading AS r WHERE r.batch_id = f.batch_id AND r.kind = 'length') AS n_subsampled,
    {_shown("fate")}, {_shown("note")}, (a.batch_id IS NOT NULL)::integer AS amended, 1 AS closed
FROM batch AS f JOIN survey AS s ON s.survey_id = f.survey_id LEFT JOIN amended AS a ON a.batch_id = f.batch_id
WHERE NOT coalesce(a.has_void, false) OR a.void <> '1'
"""

_ESTIMATE = """power(10::double precision,
    r.a + (r.b + r.c * log({0})) * log({0}) + 1.151292546497023 * r.sd_log10 * r.sd_log10)"""

_CATCH = f"""
WITH part AS (
    SELECT w.survey_id, w.run_no, w.species,
        trunc((w.length_mm + 1e-6) / 10)::bigint * 10 AS length_class_mm,
        (w.length_mm IS NOT NULL)::integer AS measured, (w.weight_g IS NOT NULL)::integer AS weighed,
        (w.length_mm IS NULL)::integer AS counted, 0 AS batched, 0 AS subsampled, w.weight_g AS weight_g,
        (w.length_mm IS NOT NULL AND w.weight_g IS NULL)::integer AS to_estimate,
        CASE WHEN w.weight_g IS NULL AND w.length_mm > 0
            THEN {_ESTIMATE.format("w.length_mm")} END AS estimate_g
    FROM worked_fish AS w LEFT JOIN local_relation AS r ON r.survey_id = w.survey_id AND r.species = w.species
    UNION ALL
    SELECT b.survey_id, b.run_no, b.species, NULL, 0, 0, CASE b.kind WHEN 'count' THEN b.n ELSE 0 END,
        CASE b.kind WHEN 'batch' THEN b.n ELSE 0 END, 0, b.total_weight_g,
        (b.total_weight_g IS NULL AND b.n_subsampled > 0)::integer,
        CASE WHEN b.total_weight_g IS NULL THEN b.n * (
            SELECT avg({_ESTIMATE.format("l.value")}) FROM batch_reading AS l
            WHERE l.batch_id = b.batch_id AND l.kind = 'length'
        ) END
    FROM batch_list AS b LEFT JOIN local_relation AS r ON r.survey_id = b.survey_id AND r.species = b.species
    UNION ALL
    SELECT b.survey_id, b.run_no, b.species, trunc((l.value + 1e-6) / 10)::bigint * 10, 0, 0, 0, 0, 1, NULL, 0, NULL
    FROM batch_list AS b JOIN batch_reading AS l ON l.batch_id = b.batch_id AND l.kind = 'length'
    UNION ALL
    SELECT r.survey_id, r.run_no, NULL, NULL, 0, 0, 0, 0, 0, NULL, 0, NULL
    FROM run AS r
    WHERE NOT EXISTS (SELECT 1 FROM worked_fish AS w WHERE w.survey_id = r.survey_id AND w.run_no = r.run_no)
        AND NOT EXISTS (SELECT 1 FROM batch_list AS b WHERE b.survey_id = r.survey_id AND b.run_no = r.run_no)
)
SELECT survey_id, run_no, species, length_class_mm, sum(measured)::bigint AS n_measured,
    sum(weighed)::bigint AS n_weighed, sum(counted)::bigint AS n_counted, sum(batched)::bigint AS n_in_batches,
    sum(subsampled)::bigint AS n_subsampled,
    coalesce(sum(weight_g), 0) AS weight_measured_g,
    CASE WHEN sum(to_estimate) = count(estimate_g) THEN coalesce(sum(estimate_g), 0) END AS weight_estimated_g
FROM part GROUP BY survey_id, run_no, species, length_class_mm
"""

_RUN_LIST = """
SELECT s.water, r.survey_id, r.run_no, r.area, r.gear, r.pass_no, r.settings, r.started_time AS started_at,
    r.ended_time AS ended_at, r.current_on_s, r.start_lat_deg, r.start_lon_deg, r.end_lat_deg, r.end_lon_deg, r.water_c,
    r.conductivity_us_per_cm, r.note, c.n_caught
FROM run AS r JOIN survey AS s ON s.survey_id = r.survey_id
LEFT JOIN (SELECT survey_id, run_no, sum(n_measured + n_counted + n_in_batches)::bigint AS n_caught FROM catch
    GROUP BY survey_id, run_no) AS c ON c.survey_id = r.survey_id AND c.run_no = r.run_no
"""

_FINDING_LIST = """
SELECT w.fish_id, w.survey_id, w.run_no, w.station, w.bench, w.worked_up_at, w.species, w.tag, w.status,
    i.name, i.severity, i.sentence, i.settled, i.later, i.numbers, i.suspects, i.proposes
FROM finding AS i JOIN worked_fish AS w ON w.fish_id = i.fish_id
"""

_OBSERVATION_LIST = f"""
SELECT o.fish_id, o.kind, o.code, o.text, 0 AS amended
FROM observation AS o JOIN worked_fish AS w ON w.fish_id = o.fish_id
WHERE NOT EXISTS (SELECT 1 FROM amendment AS m WHERE m.fish_id = o.fish_id AND m.field = o.kind)
UNION ALL
SELECT m.fish_id, m.field, NULL, m.new, 1
FROM (SELECT *, row_number() OVER (PARTITION BY fish_id, field ORDER BY {_LAST_FIRST}) AS rank
    FROM ({_placed("amendment", "fish_id")}) AS placed) AS m JOIN worked_fish AS w ON w.fish_id = m.fish_id
WHERE m.field IN ('sex', 'mark', 'maturity', 'anomaly', 'sample', 'note') AND m.new IS NOT NULL AND m.rank = 1
"""

_CONFLICT_LIST = """
SELECT found_at, office_id, "table", record_id, here, theirs, conflict_id FROM conflict
"""

FIRST_VIEWS = {
    "amended": _AMENDED,
    "fish_state": _FISH_STATE,
    "fish_all": _FISH_ALL,
    "worked_fish": _WORKED_FISH,
    "tag_history": _TAG_HISTORY,
    "batch_list": _BATCH_LIST,
    "catch": _CATCH,
    "run_list": _RUN_LIST,
    "finding_list": _FINDING_LIST,
    "observation_list": _OBSERVATION_LIST,
    "conflict_list": _CONFLICT_LIST,
}
