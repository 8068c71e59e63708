"""What is read from an office's database and how it is stored on the server, table by table. Pure: names and SQL.

A source query gives the columns of the server's table in their order. In those of fish and their parts `:after` and
`:through` are the rowids between which a batch of fish lies.
"""

from dataclasses import dataclass

from ingest.store.amendment_order import ORIGIN


@dataclass(frozen=True, slots=True)
class Shape:
    """One table. `keys` identify a row on every side."""

    table: str
    keys: tuple[str, ...]
    columns: tuple[str, ...]
    source: str
    ignored: tuple[str, ...] = ()  # columns that may differ without a conflict

    @property
    def stage(self) -> str:
        return f"stage_{self.table}"

    @property
    def compared(self) -> tuple[str, ...]:
        return tuple(column for column in self.columns if column not in (*self.keys, *self.ignored))


def _instant(column: str) -> str:
    """The text if both SQLite and PostgreSQL read it as an instant (or a day), else NULL."""
    return (
        f"CASE WHEN {column} >= '0001' AND julianday({column}) IS NOT NULL "
        f"AND date(substr({column}, 1, 10), '+0 days') = substr({column}, 1, 10) THEN {column} END"
    )


def _shape(
    table: str,
    keys: str,
    columns: str,
    *,
    row: str = "t",
    more: tuple[tuple[str, str], ...] = (),
    of: str = "",
    ignored: tuple[str, ...] = (),
) -> Shape:
    """`columns` are alike on both sides; `more` are columns of the server alone, each with the expression for it."""
    alike = tuple(columns.split())
    parts = [f"{row}.{column}" for column in alike] + [expression for _, expression in more]
    names = alike + tuple(name for name, _ in more)
    source = f"SELECT {', '.join(parts)} FROM {of or f'{table} AS {row}'}"
    return Shape(table, tuple(keys.split()), names, source, ignored)


_TOLD = "coalesce((SELECT o.told_s FROM survey_told AS o WHERE o.survey_id = t.survey_id), 0.0)"
_FISH = "f.rowid > :after AND f.rowid <= :through AND f.closed = 1"


def _of_fish(table: str) -> str:
    return f"fish AS f CROSS JOIN {table} AS t ON t.fish_id = f.fish_id WHERE {_FISH}"


WATER = _shape("water", "water", "water note")
# A station tells these anew as they go on: what it told last counts.
SURVEY = _shape(
    "survey",
    "survey_id",
    "survey_id station name water protocol opened_at closed_at provisional",
    more=(
        ("opened_time", _instant("t.opened_at")),
        ("closed_time", _instant("t.closed_at")),
        ("told_s", _TOLD),
    ),
    ignored=("told_s",),
)
RUN = _shape(
    "run",
    "survey_id run_no",
    "survey_id run_no started_at ended_at current_on_s note start_lat_deg start_lon_deg end_lat_deg end_lon_deg water_c "
    "conductivity_us_per_cm area gear pass_no settings",
    more=(
        ("started_time", _instant("t.started_at")),
        ("ended_time", _instant("t.ended_at")),
        ("told_s", _TOLD),
    ),
    ignored=("told_s",),
)
TREATMENT = _shape(
    "treatment",
    "treatment_id",
    "treatment_id survey_id run_no agent dose withdrawal_until started_at ended_at journal_id n",
    more=(("told_s", _TOLD),),
    ignored=("told_s",),
)
MUTABLE = (SURVEY, RUN, TREATMENT)
LOCAL_RELATION = _shape("local_relation", "survey_id species", "survey_id species a b c sd_log10 n")

FISH = _shape(
    "fish",
    "fish_id",
    "fish_id journal_id opened_n station bench survey_id run_no opened_at worked_up_at species species_from tag tag_status "
    "individual_id length_mm length_type length_unit weight_g weight_quality relative_weight fate status rule note "
    "withdrawal_until",
    row="f",
    more=(("worked_up_time", _instant("f.worked_up_at")),),
    of=f"fish AS f WHERE {_FISH}",
)
FISH_TAG = _shape("fish_tag", "fish_id seq", "fish_id seq tag role", of=_of_fish("fish_tag"))
_READING = "kind role journal_id n at instrument raw value text unit division load empty_before_g empty_after_g later"
_FINDING = "name severity sentence numbers suspects proposes settled later journal_id n"
READING = _shape(
    "reading",
    "fish_id part",
    f"fish_id {_READING}",
    more=(("part", "CAST(t.seq AS TEXT)"),),
    of=f"{_of_fish('reading')} AND t.later = 0",
)
FINDING = _shape(
    "finding",
    "fish_id part",
    f"fish_id {_FINDING}",
    more=(("part", "CAST(t.seq AS TEXT)"),),
    of=f"{_of_fish('finding')} AND t.later = 0",
)
OBSERVATION = _shape("observation", "fish_id seq", "fish_id seq kind text code", of=_of_fish("observation"))
FISH_PARTS = (FISH_TAG, READING, FINDING, OBSERVATION)
# What came to a fish after it was closed; the part is a hash of what it says, put in while reading.
LATER_READING = _shape(
    "reading",
    "fish_id part",
    f"fish_id {_READING}",
    more=(("part", "''"),),
    of="reading AS t WHERE t.later = 1",
)
LATER_FINDING = _shape(
    "finding",
    "fish_id part",
    f"fish_id {_FINDING}",
    more=(("part", "''"),),
    of="finding AS t WHERE t.later = 1",
)
LATER_PARTS = (LATER_READING, LATER_FINDING)

_AMENDED = "at who why field old new journal_id n"


def _place(record: str) -> tuple[tuple[str, str], ...]:
    return (("place", f"row_number() OVER (PARTITION BY {record}, {ORIGIN} ORDER BY seq)"),)


AMENDMENT = _shape("amendment", "amendment_id", f"amendment_id fish_id {_AMENDED}", more=_place("fish_id"))
BATCH = _shape(
    "batch",
    "batch_id",
    "batch_id journal_id opened_n bench survey_id run_no at kind species n total_weight_g container_g fate note",
    more=(("at_time", _instant("t.at")),),
    of="batch AS t WHERE t.closed = 1",
)
BATCH_READING = _shape(
    "batch_reading",
    "batch_id seq",
    "batch_id seq kind value unit journal_id n at instrument raw",
    of="batch_reading AS t JOIN batch AS b ON b.batch_id = t.batch_id AND b.closed = 1",
)
BATCH_AMENDMENT = _shape(
    "batch_amendment", "amendment_id", f"amendment_id batch_id {_AMENDED}", more=_place("batch_id")
)
SIGHTING = _shape("sighting", "sighting_id", "sighting_id survey_id tag at instrument why journal_id n")
CREW = _shape("crew", "crew_id", "crew_id survey_id run_no post code at journal_id n")
CHECK_MEASUREMENT = _shape(
    "check_measurement", "check_id", "check_id instrument at expected measured unit note journal_id n"
)
STOCKING = _shape(
    "stocking", "stocking_id", "stocking_id water species at n total_weight_g mean_length_mm source note"
)
LAST = (AMENDMENT, BATCH_AMENDMENT, SIGHTING, CREW, CHECK_MEASUREMENT, STOCKING)
PRIOR_CAPTURE = _shape(
    "prior_capture",
    "",
    "tag at water species length_mm weight_g fate individual_id survey_id fish_id source withdrawal_until",
    more=(("at_time", _instant("t.at")),),
)
SHAPES = (
    WATER, *MUTABLE, LOCAL_RELATION, FISH, *FISH_PARTS, AMENDMENT, BATCH, BATCH_READING, BATCH_AMENDMENT, SIGHTING, CREW,
    CHECK_MEASUREMENT, STOCKING, PRIOR_CAPTURE,
)  # fmt: skip
