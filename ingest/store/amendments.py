"""What an amendment may say.

`field` is a column of `worked_fish`, `void`, or the kind of an observation, whose amended text then stands
for all observations of that kind. `new` is text whatever the field: numbers are written out (`412.5`), `void`
is `1` or `0` (void no more).
"""

import math
from collections.abc import Mapping

from ingest.records import Amend, Status, TagStatus
from ingest.store.errors import RecordRefused

# What an amendment may say, by field: None for any text.
_TEXT_FIELDS: Mapping[str, frozenset[str] | None] = {
    "species": None,
    "tag": None,
    "length_type": None,
    "note": None,
    "individual_id": None,
    "bench": None,
    "survey_id": None,
    "worked_up_at": None,
    "fate": None,
    "tag_status": frozenset(status.value for status in TagStatus),
    "status": frozenset(status.value for status in Status if status is not Status.VOID),
    "weight_quality": frozenset(("measured", "too_coarse", "not_weighed")),
    "void": frozenset(("0", "1")),
    # kinds of observations; a note is both
    "sex": None,
    "mark": None,
    "maturity": None,
    "anomaly": None,
    "sample": None,
}
_NUMBER_FIELDS = frozenset(("length_mm", "weight_g", "relative_weight"))
NEVER_EMPTY = frozenset(
    ("bench", "survey_id", "worked_up_at", "fate", "tag_status", "status", "weight_quality", "void")
)


def check_amendment(change: Amend) -> None:
    """Raise `RecordRefused`, in one sentence, for an amendment that would leave nonsense in the views."""
    what = f"The amendment of {change.field} to {change.new!r} for fish {change.fish_id} was not stored"
    if change.field not in _TEXT_FIELDS and change.field not in _NUMBER_FIELDS and change.field != "run_no":
        raise RecordRefused(f"{what}: no such field can be amended.")
    if change.new is None:
        if change.field in NEVER_EMPTY:
            raise RecordRefused(f"{what}: {change.field} cannot be empty.")
        return
    if change.field in _NUMBER_FIELDS:
        if not _is_number(change.new):
            raise RecordRefused(f"{what}: give a number.")
    elif change.field == "run_no":
        if not (change.new.isascii() and change.new.isdigit()):
            raise RecordRefused(f"{what}: give the number of a run.")
    else:
        words = _TEXT_FIELDS[change.field]
        if words is not None and change.new not in words:
            raise RecordRefused(f"{what}: give one of {', '.join(sorted(words))}.")


def _is_number(text: str) -> bool:
    try:
        # SQLite's CAST reads less than float() does: let in only what both read alike.
        return math.isfinite(float(text)) and text.isascii() and "_" not in text and text == text.strip()
    except ValueError:
        return False
