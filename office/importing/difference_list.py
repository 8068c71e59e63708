"""What a file has otherwise than the records, as a list for `office amend --from`: one line a fish. Pure."""

import csv
import io
from collections.abc import Sequence

from office.amend_list import EMPTY
from office.exports.csv_files import guarded
from office.importing.importing import RowVerdict

_FIELDS = (
    "species", "tag", "length_mm", "length_type", "weight_g", "fate", "note", "worked_up_at", "survey_id", "run_no",
)  # fmt: skip


def difference_csv(verdicts: Sequence[RowVerdict], file: str) -> str:
    """RFC 4180 with CRLF. A tag has an apostrophe in front, as has text that a spreadsheet would run: the reader of
    lists takes it off. What cannot be amended as it stands is left out of the list."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(
        ["fish_id", "row", *(f"{age}_{name}" for name in _FIELDS for age in ("old", "new")), "why"]
    )
    for verdict in verdicts:
        values = {one.field: (one.stored, one.file) for one in verdict.differences if one.amendable}
        if values:
            cells = [_cell(name, value) for name in _FIELDS for value in values.get(name, ("", ""))]
            why = guarded(f"row {verdict.number} of {file}")
            writer.writerow([verdict.fish_id, verdict.number, *cells, why])
    return out.getvalue()


def _cell(name: str, value: str | None) -> str:
    if value is None:
        return EMPTY
    return f"'{value}" if name == "tag" and value else guarded(value)
