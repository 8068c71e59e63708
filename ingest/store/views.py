"""The public reading surface: views, and what each of their columns means.

Views show amended values and leave void fish out (`fish_all` keeps them). They are made anew by every
migration that touches them, together with the table `column_doc`.
"""

from ingest.store.amendment_order import ranked

# Both arms can be searched by index, so a tag is found at once however many fish there are.
_FISH_ALL = """
SELECT f.fish_id, f.station, f.bench, s.water, f.survey_id, f.run_no, f.worked_up_at, f.species, f.tag,
    f.tag_status, f.length_mm, f.length_type, f.weight_g, f.weight_quality, f.fate, f.status,
    f.relative_weight, f.individual_id, 0 AS amended, f.note, f.withdrawal_until, f.status = 'void' AS void,
    f.closed, f.rule
FROM fish AS f JOIN survey AS s ON s.survey_id = f.survey_id
WHERE f.fish_id NOT IN (SELECT fish_id FROM amended)
UNION ALL
SELECT a.fish_id, f.station, a.bench, s.water, a.survey_id, a.run_no, a.worked_up_at, a.species, a.tag,
    a.tag_status, a.length_mm, a.length_type, a.weight_g, a.weight_quality, a.fate,
    CASE WHEN a.void THEN 'void' WHEN a.status = 'void' THEN 'queried' ELSE a.status END,
    a.relative_weight, a.individual_id, 1, a.note, f.withdrawal_until, a.void, f.closed, f.rule
FROM amended AS a JOIN fish AS f ON f.fish_id = a.fish_id JOIN survey AS s ON s.survey_id = a.survey_id
"""

_WORKED_FISH = """
SELECT fish_id, station, bench, water, survey_id, run_no, worked_up_at, species, tag, tag_status, length_mm,
    length_type, weight_g, weight_quality, fate, status, relative_weight, individual_id, amended, note,
    withdrawal_until
FROM fish_all WHERE void = 0
"""

# Times compare as text once the Z is off: 13:00:00 sorts before 13:00:00.250, a bare date before its day.
_TAG_HISTORY = """
WITH capture AS (
    SELECT tag, individual_id, worked_up_at AS at, water, survey_id, species, length_mm, weight_g,
        relative_weight, fate, fish_id
    FROM fish_all WHERE void = 0 AND closed = 1 AND tag IS NOT NULL
    UNION ALL
    SELECT p.tag, p.individual_id, p.at, p.water, p.survey_id, p.species, p.length_mm, p.weight_g, NULL,
        p.fate, p.fish_id
    FROM prior_capture AS p
    WHERE p.fate <> 'void' AND (p.fish_id IS NULL OR p.fish_id NOT IN (SELECT fish_id FROM fish))
),
keyed AS (
    SELECT capture.*, COALESCE(
        individual_id,
        (SELECT f.individual_id FROM fish AS f
            WHERE f.tag = capture.tag AND f.individual_id IS NOT NULL LIMIT 1),
        (SELECT p.individual_id FROM prior_capture AS p
            WHERE p.tag = capture.tag AND p.individual_id IS NOT NULL LIMIT 1),
        tag
    ) AS animal
    FROM capture
),
stepped AS (
    SELECT keyed.*, julianday(at) - julianday(LAG(at) OVER step) AS days_since,
        length_mm - LAG(length_mm) OVER step AS mm_since, weight_g - LAG(weight_g) OVER step AS g_since
    FROM keyed WINDOW step AS (PARTITION BY animal ORDER BY rtrim(at, 'Z'), fish_id)
)
SELECT tag, individual_id, at, water, survey_id, species, length_mm, weight_g, days_since, mm_since, g_since,
    relative_weight, fate, fish_id
FROM stepped
UNION ALL
SELECT t.tag, s.individual_id, s.at, s.water, s.survey_id, s.species, s.length_mm, s.weight_g, s.days_since,
    s.mm_since, s.g_since, s.relative_weight, s.fate, s.fish_id
FROM stepped AS s JOIN fish_tag AS t ON t.fish_id = s.fish_id AND t.role = 'second' AND t.tag <> s.tag
"""

# The amendment of each field that counts (see `amendment_order`).
_BATCH_LIST = f"""
SELECT b.batch_id, s.water, b.survey_id, b.run_no, b.bench, b.at, b.kind,
    CASE WHEN m.species IS NULL THEN b.species ELSE
        (SELECT new FROM batch_amendment WHERE seq = m.species) END AS species,
    b.n, b.total_weight_g, b.container_g,
    (SELECT count(*) FROM batch_reading AS r WHERE r.batch_id = b.batch_id AND r.kind = 'length') AS n_subsampled,
    CASE WHEN m.fate IS NULL THEN b.fate ELSE (SELECT new FROM batch_amendment WHERE seq = m.fate) END AS fate,
    CASE WHEN m.note IS NULL THEN b.note ELSE (SELECT new FROM batch_amendment WHERE seq = m.note) END AS note,
    m.batch_id IS NOT NULL AS amended, b.closed
FROM batch AS b JOIN survey AS s ON s.survey_id = b.survey_id
LEFT JOIN (
    SELECT batch_id, max(iif(field = 'species', seq, NULL)) AS species, max(iif(field = 'fate', seq, NULL)) AS fate,
        max(iif(field = 'note', seq, NULL)) AS note, max(iif(field = 'void', seq, NULL)) AS void
    FROM ({ranked("batch_amendment", "batch_id")}) WHERE rank = 1 GROUP BY batch_id
) AS m ON m.batch_id = b.batch_id
WHERE m.void IS NULL OR (SELECT new FROM batch_amendment WHERE seq = m.void) <> '1'
"""

# The mean weight at a length: the line in logarithms with the correction of Sprugel (1983, Ecology 64:209) for what
# taking it back to grams would lose, 1.151292546497023 = ln(10) / 2.
_ESTIMATE = (
    "pow(10, r.a + (r.b + r.c * log10({0})) * log10({0}) + 1.151292546497023 * r.sd_log10 * r.sd_log10)"
)

# The small addition keeps a length such as 4.7 in * 25.4, a hair below its class in binary, in its class.
_CATCH = f"""
WITH part AS (
    SELECT w.survey_id, w.run_no, w.species,
        CAST((w.length_mm + 1e-6) / 10 AS INTEGER) * 10 AS length_class_mm,
        w.length_mm IS NOT NULL AS measured, w.weight_g IS NOT NULL AS weighed,
        w.length_mm IS NULL AS counted, 0 AS batched, 0 AS subsampled, w.weight_g AS weight_g,
        w.length_mm IS NOT NULL AND w.weight_g IS NULL AS to_estimate,
        CASE WHEN w.weight_g IS NULL AND w.length_mm > 0
            THEN {_ESTIMATE.format("w.length_mm")} END AS estimate_g
    FROM worked_fish AS w LEFT JOIN local_relation AS r ON r.survey_id = w.survey_id AND r.species = w.species
    UNION ALL
    SELECT b.survey_id, b.run_no, b.species, NULL, 0, 0, iif(b.kind = 'count', b.n, 0), iif(b.kind = 'batch', b.n, 0),
        0, b.total_weight_g, b.total_weight_g IS NULL AND b.n_subsampled > 0,
        CASE WHEN b.total_weight_g IS NULL THEN b.n * (
            SELECT avg({_ESTIMATE.format("l.value")}) FROM batch_reading AS l
            WHERE l.batch_id = b.batch_id AND l.kind = 'length'
        ) END
    FROM batch_list AS b LEFT JOIN local_relation AS r ON r.survey_id = b.survey_id AND r.species = b.species
    UNION ALL
    SELECT b.survey_id, b.run_no, b.species, CAST((l.value + 1e-6) / 10 AS INTEGER) * 10, 0, 0, 0, 0, 1, NULL, 0, NULL
    FROM batch_list AS b JOIN batch_reading AS l ON l.batch_id = b.batch_id AND l.kind = 'length'
    UNION ALL
    SELECT r.survey_id, r.run_no, NULL, NULL, 0, 0, 0, 0, 0, NULL, 0, NULL
    FROM run AS r
    WHERE NOT EXISTS (SELECT 1 FROM worked_fish AS w WHERE w.survey_id = r.survey_id AND w.run_no = r.run_no)
        AND NOT EXISTS (SELECT 1 FROM batch_list AS b WHERE b.survey_id = r.survey_id AND b.run_no = r.run_no)
)
SELECT survey_id, run_no, species, length_class_mm, SUM(measured) AS n_measured,
    SUM(weighed) AS n_weighed, SUM(counted) AS n_counted, SUM(batched) AS n_in_batches,
    SUM(subsampled) AS n_subsampled,
    COALESCE(SUM(weight_g), 0.0) AS weight_measured_g,
    CASE WHEN SUM(to_estimate) = COUNT(estimate_g) THEN COALESCE(SUM(estimate_g), 0.0) END
        AS weight_estimated_g
FROM part GROUP BY survey_id, run_no, species, length_class_mm
"""

_RUN_LIST = """
SELECT s.water, r.survey_id, r.run_no, r.area, r.gear, r.pass_no, r.settings, r.started_at, r.ended_at, r.current_on_s,
    r.start_lat_deg, r.start_lon_deg, r.end_lat_deg, r.end_lon_deg, r.water_c,
    r.conductivity_us_per_cm, r.note,
    (SELECT sum(c.n_measured + c.n_counted + c.n_in_batches) FROM catch AS c
        WHERE c.survey_id = r.survey_id AND c.run_no = r.run_no) AS n_caught
FROM run AS r JOIN survey AS s ON s.survey_id = r.survey_id
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
FROM ({ranked("amendment", "fish_id")}) AS m JOIN worked_fish AS w ON w.fish_id = m.fish_id
WHERE m.field IN ('sex', 'mark', 'maturity', 'anomaly', 'sample', 'note') AND m.new IS NOT NULL AND m.rank = 1
"""

VIEWS = {
    "fish_all": _FISH_ALL,
    "worked_fish": _WORKED_FISH,
    "tag_history": _TAG_HISTORY,
    "batch_list": _BATCH_LIST,
    "catch": _CATCH,
    "run_list": _RUN_LIST,
    "finding_list": _FINDING_LIST,
    "observation_list": _OBSERVATION_LIST,
}

Doc = tuple[str, str | None, str]  # column, unit, meaning

_TIME = "RFC 3339, UTC"

_WORKED_FISH_DOC: tuple[Doc, ...] = (
    ("fish_id", None, "identity of the fish record, the same live, replayed and rebuilt"),
    ("station", None, "work-up station"),
    ("bench", None, "bench of the station at which the fish was worked up"),
    ("water", None, "water of the survey; empty while the survey is provisional"),
    ("survey_id", None, "identity of the survey"),
    ("run_no", None, "run (transect) within the survey that caught it; empty if none was named"),
    ("worked_up_at", _TIME, "when the fish was worked up"),
    ("species", None, "code of the species; empty if nobody said"),
    ("tag", None, "tag code as text: 15 decimal digits (ISO 11784) or 10 hexadecimal digits"),
    ("tag_status", None, "new, recapture, repeat (earlier in this survey), unknown, none_found, not_scanned"),
    ("length_mm", "mm", "length"),
    ("length_type", None, "how the length was taken, such as total or fork"),
    ("weight_g", "g", "weight"),
    ("weight_quality", None, "measured, too_coarse (below the useful minimum of the scale), not_weighed"),
    ("fate", None, "what became of the fish: released, removed, kept, died, escaped ..."),
    ("status", None, "saved, confirmed, queried, incomplete, held, parked; void in fish_all only"),
    (
        "relative_weight",
        "%",
        "weight as a percentage of the standard weight at this length; "
        "empty after an amendment of what it rests on, unless it was amended too",
    ),
    (
        "individual_id",
        None,
        "joins captures of one animal over a re-tagging; "
        "empty after an amendment of the tag, unless it was amended too",
    ),
    ("amended", "0 or 1", "1: at least one amendment; the columns show the amended values"),
    ("note", None, "note of the crew"),
    (
        "withdrawal_until",
        "ISO 8601 day",
        "the fish was drugged and may not be eaten before this day; empty if no treatment with such a day was in force",
    ),
)

_SHARED: dict[str, Doc] = {doc[0]: doc for doc in _WORKED_FISH_DOC}

COLUMN_DOCS: dict[str, tuple[Doc, ...]] = {
    "worked_fish": _WORKED_FISH_DOC,
    "fish_all": (
        *_WORKED_FISH_DOC,
        ("void", "0 or 1", "1: the record is void, left out of every other view"),
        (
            "closed",
            "0 or 1",
            "1: the record is final, only amendments change what is shown; 0: held or parked",
        ),
        ("rule", None, "named rule of assembly that closed, held or parked the fish"),
    ),
    "tag_history": (
        _SHARED["tag"],
        _SHARED["individual_id"],
        ("at", _TIME, "when this capture was worked up; a date alone where no more is known"),
        ("water", None, "water of this capture"),
        _SHARED["survey_id"],
        _SHARED["species"],
        _SHARED["length_mm"],
        _SHARED["weight_g"],
        ("days_since", "days", "time since the animal's capture before this one"),
        ("mm_since", "mm", "change of length since the capture before"),
        ("g_since", "g", "change of weight since the capture before"),
        _SHARED["relative_weight"],
        _SHARED["fate"],
        ("fish_id", None, "fish record of this capture; empty for a capture known from elsewhere"),
    ),
    "catch": (
        _SHARED["survey_id"],
        _SHARED["run_no"],
        ("species", None, "code of the species; a run without catch has one row without species, all zero"),
        ("length_class_mm", "mm", "lower end of the 10 mm length class; empty for fish without a length"),
        ("n_measured", "fish", "fish records with a length"),
        ("n_weighed", "fish", "fish records with a weight"),
        (
            "n_counted",
            "fish",
            "fish that were counted only; measured + counted + in batches is the catch",
        ),
        ("n_in_batches", "fish", "fish of batches"),
        (
            "n_subsampled",
            "fish",
            "fish of a batch's subsample whose length falls in this class; they are among n_in_batches already",
        ),
        ("weight_measured_g", "g", "sum of the weights taken, of single fish and of batches"),
        (
            "weight_estimated_g",
            "g",
            "sum of weights estimated, by the survey's own length-weight relation, "
            "of fish with a length and no weight, and of batches with a subsample and no weight (their number times "
            "the subsample's mean); empty if there are such fish and no relation",
        ),
    ),
    "batch_list": (
        ("batch_id", None, "identity of the batch or count, the same live, replayed and rebuilt"),
        _SHARED["water"],
        _SHARED["survey_id"],
        _SHARED["run_no"],
        _SHARED["bench"],
        ("at", _TIME, "when it was given"),
        ("kind", None, "batch: fish weighed together or put aside together; count: fish only counted"),
        _SHARED["species"],
        ("n", "fish", "how many"),
        ("total_weight_g", "g", "weight of all of them without the container; empty if not known"),
        ("container_g", "g", "weight of the container that was taken off"),
        ("n_subsampled", "fish", "how many of them were measured"),
        ("fate", None, "what became of them"),
        _SHARED["note"],
        ("amended", "0 or 1", "1: at least one amendment; the columns show the amended values"),
        ("closed", "0 or 1", "0: still in hand, readings may come"),
    ),
    "run_list": (
        _SHARED["water"],
        _SHARED["survey_id"],
        ("run_no", None, "number of the run within its survey"),
        ("area", None, "area, station or stratum, as the crew said"),
        ("gear", None, "gear, as the crew said"),
        ("pass_no", None, "number of the pass where one area is fished several times over"),
        ("settings", None, "settings of the gear, as the crew said"),
        ("started_at", _TIME, "when the run began"),
        ("ended_at", _TIME, "when it ended; empty while it is open"),
        ("current_on_s", "s", "seconds of effort (with the current on), as the crew said"),
        ("start_lat_deg", "degrees", "latitude at the start, WGS 84, north positive"),
        ("start_lon_deg", "degrees", "longitude at the start, east positive"),
        ("end_lat_deg", "degrees", "latitude at the end"),
        ("end_lon_deg", "degrees", "longitude at the end"),
        (
            "water_c",
            "degrees Celsius",
            "temperature of the water: as the crew read it by hand, else as an instrument said",
        ),
        (
            "conductivity_us_per_cm",
            "microsiemens per cm",
            "conductivity of the water, ambient (not referred to 25 C), as the crew read it",
        ),
        ("note", None, "note on the run"),
        ("n_caught", "fish", "all fish of the run; 0: a zero catch, which counts"),
    ),
    "finding_list": (
        _SHARED["fish_id"],
        _SHARED["survey_id"],
        _SHARED["run_no"],
        _SHARED["station"],
        _SHARED["bench"],
        _SHARED["worked_up_at"],
        _SHARED["species"],
        _SHARED["tag"],
        _SHARED["status"],
        ("name", None, "stable name of the check, such as weight_slip"),
        ("severity", None, "serious (held the fish) or notice"),
        ("sentence", None, "what the check says, in plain words"),
        ("settled", "0 or 1", "1: somebody settled it"),
        ("later", "0 or 1", "1: came to light after the fish was closed"),
        ("numbers", "JSON", "the figures behind the finding, by name"),
        ("suspects", "JSON", "list of the parts to measure again"),
        ("proposes", "JSON", "the value that would mend it, per part"),
    ),
    "observation_list": (
        _SHARED["fish_id"],
        ("kind", None, "sex, mark, maturity, anomaly, sample, note"),
        ("code", None, "code of the station's list; empty for free words and for amended text"),
        ("text", None, "what was observed"),
        ("amended", "0 or 1", "1: the amended text, in place of all that was observed of this kind"),
    ),
}
