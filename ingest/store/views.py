"""The public reading surface: views, and what each of their columns means.

Views show amended values and leave void fish out (`fish_all` keeps them). They are made anew by every
migration that touches them, together with the table `column_doc`.
"""

# Both arms can be searched by index, so a tag is found at once however many fish there are.
_FISH_ALL = """
SELECT f.fish_id, f.station, f.bench, s.water, f.survey_id, f.run_no, f.worked_up_at, f.species, f.tag,
    f.tag_status, f.length_mm, f.length_type, f.weight_g, f.weight_quality, f.fate, f.status,
    f.relative_weight, f.individual_id, 0 AS amended, f.note, f.status = 'void' AS void, f.closed, f.rule
FROM fish AS f JOIN survey AS s ON s.survey_id = f.survey_id
WHERE f.fish_id NOT IN (SELECT fish_id FROM amended)
UNION ALL
SELECT a.fish_id, f.station, a.bench, s.water, a.survey_id, a.run_no, a.worked_up_at, a.species, a.tag,
    a.tag_status, a.length_mm, a.length_type, a.weight_g, a.weight_quality, a.fate,
    CASE WHEN a.void THEN 'void' WHEN a.status = 'void' THEN 'queried' ELSE a.status END,
    a.relative_weight, a.individual_id, 1, a.note, a.void, f.closed, f.rule
FROM amended AS a JOIN fish AS f ON f.fish_id = a.fish_id JOIN survey AS s ON s.survey_id = a.survey_id
"""

_WORKED_FISH = """
SELECT fish_id, station, bench, water, survey_id, run_no, worked_up_at, species, tag, tag_status, length_mm,
    length_type, weight_g, weight_quality, fate, status, relative_weight, individual_id, amended, note
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
    FROM prior_capture AS p WHERE p.fish_id IS NULL OR p.fish_id NOT IN (SELECT fish_id FROM fish)
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

# The small addition keeps a length such as 4.7 in * 25.4, a hair below its class in binary, in its class.
_CATCH = """
WITH part AS (
    SELECT w.survey_id, w.run_no, w.species,
        CAST((w.length_mm + 1e-6) / 10 AS INTEGER) * 10 AS length_class_mm,
        w.length_mm IS NOT NULL AS measured, w.weight_g IS NOT NULL AS weighed,
        w.length_mm IS NULL AS counted, 0 AS batched, w.weight_g AS weight_g,
        w.length_mm IS NOT NULL AND w.weight_g IS NULL AS to_estimate,
        CASE WHEN w.weight_g IS NULL AND w.length_mm > 0
            THEN pow(10, r.a + r.b * log10(w.length_mm)) END AS estimate_g
    FROM worked_fish AS w LEFT JOIN local_relation AS r ON r.survey_id = w.survey_id AND r.species = w.species
    UNION ALL
    SELECT survey_id, run_no, species, NULL, 0, 0, iif(kind = 'count', n, 0), iif(kind = 'batch', n, 0),
        total_weight_g, 0, NULL
    FROM batch
    UNION ALL
    SELECT r.survey_id, r.run_no, NULL, NULL, 0, 0, 0, 0, NULL, 0, NULL
    FROM run AS r
    WHERE NOT EXISTS (SELECT 1 FROM worked_fish AS w WHERE w.survey_id = r.survey_id AND w.run_no = r.run_no)
        AND NOT EXISTS (SELECT 1 FROM batch AS b WHERE b.survey_id = r.survey_id AND b.run_no = r.run_no)
)
SELECT survey_id, run_no, species, length_class_mm, SUM(measured) AS n_measured,
    SUM(weighed) AS n_weighed, SUM(counted) AS n_counted, SUM(batched) AS n_in_batches,
    COALESCE(SUM(weight_g), 0.0) AS weight_measured_g,
    CASE WHEN SUM(to_estimate) = COUNT(estimate_g) THEN COALESCE(SUM(estimate_g), 0.0) END
        AS weight_estimated_g
FROM part GROUP BY survey_id, run_no, species, length_class_mm
"""

_FINDING_LIST = """
SELECT w.fish_id, w.survey_id, w.run_no, w.station, w.bench, w.worked_up_at, w.species, w.tag, w.status,
    i.name, i.severity, i.sentence, i.settled, i.later, i.numbers, i.suspects, i.proposes
FROM finding AS i JOIN worked_fish AS w ON w.fish_id = i.fish_id
"""

_OBSERVATION_LIST = """
SELECT o.fish_id, o.kind, o.text, 0 AS amended
FROM observation AS o JOIN worked_fish AS w ON w.fish_id = o.fish_id
WHERE NOT EXISTS (SELECT 1 FROM amendment AS m WHERE m.fish_id = o.fish_id AND m.field = o.kind)
UNION ALL
SELECT m.fish_id, m.field, m.new, 1
FROM amendment AS m JOIN worked_fish AS w ON w.fish_id = m.fish_id
WHERE m.field IN ('sex', 'mark', 'maturity', 'anomaly', 'sample', 'note') AND m.new IS NOT NULL
    AND m.seq = (SELECT max(seq) FROM amendment AS l WHERE l.fish_id = m.fish_id AND l.field = m.field)
"""

VIEWS = {
    "fish_all": _FISH_ALL,
    "worked_fish": _WORKED_FISH,
    "tag_history": _TAG_HISTORY,
    "catch": _CATCH,
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
            "fish counted one by one without a length; measured + counted + in batches is the catch",
        ),
        ("n_in_batches", "fish", "fish weighed or counted as a batch"),
        ("weight_measured_g", "g", "sum of the weights taken, of single fish and of batches"),
        (
            "weight_estimated_g",
            "g",
            "sum of weights estimated, by the survey's own length-weight relation, "
            "of fish with a length and no weight; empty if there are such fish and no relation",
        ),
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
        ("text", None, "what was observed"),
        ("amended", "0 or 1", "1: the amended text, in place of all that was observed of this kind"),
    ),
}
