"""A reviewed list of corrections: a CSV table, one line a record, read with suspicion. Pure.

`fish_id` (or `batch_id`, `id`) names the record, whole or by its beginning. Each `new_FIELD` that is filled in is a
correction, and needs the column `old_FIELD` with what stood there when somebody looked; `(empty)` empties a value.
`why` says why. All other columns are for people. The lists that `office review` writes have this form.
"""

import csv
import io
from collections import Counter
from dataclasses import dataclass

from office.amend import Wanted
from office.exports.csv_files import unguarded

EMPTY = "(empty)"
ID_COLUMNS = ("fish_id", "batch_id", "id")


@dataclass(frozen=True, slots=True)
class LineProblem:
    """A line of the list that cannot be used. `line` counts from 1, the heading included."""

    line: int
    text: str


def read_list(text: str, why: str) -> tuple[list[Wanted], list[LineProblem], int]:
    """What a list asks for, what in it cannot be used, and how many lines ask for nothing.

    `why` stands where a line gives no reason of its own. The separator is a comma, a semicolon or a tab, as in the
    heading; blank lines and lines that begin with # are skipped. Never raises.
    """
    wishes: list[Wanted] = []
    problems: list[LineProblem] = []
    untouched = 0
    heading: list[str] | None = None
    for line, cells in _lines(text.removeprefix("\ufeff"), problems):
        if heading is None:
            heading = [cell.lower().replace(" ", "_") for cell in cells]
            faults = _faults(heading)
            if faults:
                return [], [LineProblem(line, fault) for fault in faults], 0
            continue
        if any(cells[len(heading) :]):
            problems.append(
                LineProblem(line, "it has more cells than the heading; quote texts that hold commas.")
            )
            continue
        row = dict(zip(heading, cells, strict=False))
        record = next((row[name] for name in ID_COLUMNS if row.get(name)), "")
        new = {name[4:]: cell for name, cell in row.items() if name.startswith("new_") and cell}
        if not new:
            untouched += 1
        elif not record:
            problems.append(LineProblem(line, "it names no record: fill in its id."))
        else:
            wishes.append(
                Wanted(
                    record,
                    {name: "" if cell == EMPTY else cell for name, cell in new.items()},
                    row.get("why") or why,
                    {
                        name: "" if row.get(f"old_{name}") == EMPTY else row.get(f"old_{name}", "")
                        for name in new
                    },
                    line,
                )
            )
    if heading is None and not problems:
        problems.append(
            LineProblem(1, f"there is no heading; write one with {ID_COLUMNS[0]}, old_... and new_...")
        )
    return wishes, problems, untouched


def _faults(heading: list[str]) -> list[str]:
    """What is wrong with the heading as a whole."""
    twice = [name for name, count in Counter(heading).items() if name and count > 1]
    if twice:
        return [f"two columns are headed {twice[0]}; take one away."]
    if not any(name in heading for name in ID_COLUMNS):
        return [f"no column is headed {ID_COLUMNS[0]}; the list must name its records."]
    new = [name[4:] for name in heading if name.startswith("new_")]
    if not new:
        return ["no column is headed new_ and a field, such as new_length_mm: the list asks for nothing."]
    return [
        f"new_{name} needs the column old_{name} beside it: what stood there when somebody looked."
        for name in new
        if f"old_{name}" not in heading
    ]


def _lines(text: str, problems: list[LineProblem]) -> list[tuple[int, list[str]]]:
    """Stripped cells with the line on which they begin, up to the end or to where the text is no table."""
    first = next(
        (line for line in text.splitlines() if line.strip(',;"\t ') and not line.startswith("#")), ""
    )
    separator = max(",;\t", key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    found: list[tuple[int, list[str]]] = []
    line = 1
    while True:
        try:
            cells = next(reader)
        except StopIteration:
            return found
        except csv.Error as error:
            problems.append(
                LineProblem(line, f"from here on the text is no table ({error}); mend the quotes.")
            )
            return found
        shown = [unguarded(cell.strip()) for cell in cells]
        if any(shown) and not shown[0].startswith("#"):
            found.append((line, shown))
        line = reader.line_num + 1
