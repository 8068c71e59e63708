"""The review as a table to be filled in: one line a fish, in the form that `office amend --from` takes. Pure."""

import csv
import io
from collections.abc import Sequence

from office.corrections import number_text
from office.exports.csv_files import guarded
from office.review.questions import Doubtful, Evidence, Value

TO_CORRECT = ("species", "tag", "length_mm", "weight_g", "fate", "status", "void")
COLUMNS = (
    "fish_id", "questions", "sentences", "water", "survey", "run_no", "bench", "worked_up_at",
    *(f"{age}_{name}" for name in TO_CORRECT for age in ("old", "new")), "why",
    "tag_bytes", "length_bytes", "weight_bytes",
)  # fmt: skip


def review_csv(doubtful: Sequence[Doubtful]) -> str:
    """RFC 4180 with CRLF. Text that a spreadsheet would take for a formula, and every tag, has an apostrophe in front,
    which the reader of lists takes off again."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(COLUMNS)
    for each in doubtful:
        writer.writerow(_cells(each))
    return out.getvalue()


def _cells(each: Doubtful) -> list[str]:
    fish = each.fish
    now = {
        "species": guarded(fish.species or ""),
        "tag": f"'{fish.tag}" if fish.tag else "",
        "length_mm": number_text(fish.length_mm) or "",
        "weight_g": number_text(fish.weight_g) or "",
        "fate": guarded(fish.fate),
        "status": fish.status,
        "void": "no",
    }
    return [
        fish.fish_id,
        " ".join(dict.fromkeys(one.name for one in each.questions)),
        guarded(" ".join(dict.fromkeys(one.sentence for one in each.questions))),
        guarded(fish.water or ""),
        guarded(fish.survey or ""),
        "" if fish.run_no is None else str(fish.run_no),
        guarded(fish.bench),
        fish.worked_up_at,
        *(cell for name in TO_CORRECT for cell in (now[name], "")),
        "",
        *(guarded(behind(each.evidence, value)) for value in ("tag", "length", "weight")),
    ]


def behind(evidence: Sequence[Evidence], value: Value) -> str:
    """What stands behind a value, in one line: `board 412 mm "412 mm\\r" (used)`."""
    return "; ".join(
        f"amended to {one.shown} by {one.source}"
        if one.role == "amended"
        else f'{one.source} {one.shown} "{escaped(one.raw)}" ({one.role})'
        for one in evidence
        if one.value == value
    )


def escaped(raw: bytes) -> str:
    """Bytes as a person reads them on a wire: printable ASCII as it is, the rest as \\r, \\n, \\x02."""
    return raw.decode("latin-1").encode("unicode_escape").decode("ascii")
