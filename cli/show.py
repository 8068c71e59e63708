"""What people see: aligned columns, units in the headings, no colour, the station's own time. Pure but for `say`."""

import json
import shutil
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from typing import Any, Literal

import typer

_GAP = "  "
_UNDER = " " * 10
_NARROWEST = 12  # a wrapped column below this is worse than a long line
_WRAPPED = 24  # a last column of text is readable from this width on
_NO_TERMINAL = 100_000  # into a file or a pipe: one line a row


@dataclass(frozen=True, slots=True)
class Column:
    """One column: `key` in the row, `heading` with its unit. `decimals` makes it a number, aligned right.

    `wraps`: as the last column it is wrapped at blanks; bytes and names of files are not, so that they can be copied.
    A column that may go `below` stands on a line of its own under its row where there is no room beside it.
    A `spare` column is left out, and named below the table, where the terminal is too narrow for all.
    """

    key: str
    heading: str
    decimals: int | None = None
    sign: bool = False
    align: Literal["left", "right"] = "left"
    spare: bool = False
    wraps: bool = True
    below: bool = False

    def text(self, row: Mapping[str, Any]) -> str:
        value = row.get(self.key)
        if value is None:
            return "-"
        if self.decimals is not None and isinstance(value, int | float):
            return f"{value:{'+' if self.sign else ''}.{self.decimals}f}"
        return printable(str(value))

    @property
    def right(self) -> bool:
        return self.decimals is not None or self.align == "right"

    @property
    def wrapped(self) -> bool:
        return self.wraps and not self.right


def table(rows: Sequence[Mapping[str, Any]], columns: Sequence[Column], width: int | None = None) -> str:
    """Rows as aligned text, no wider than `width` (default: the terminal) where that can be done.

    A column that is empty in every row is left out. The last column is wrapped if it is text.
    """
    limit = width or terminal_width()
    used = [one for one in columns if any(row.get(one.key) is not None for row in rows)]
    below = [one for one in used if one.below and _least_width(rows, used) > limit]
    used = [one for one in used if one not in below]
    left_out: list[str] = []
    while _least_width(rows, used) > limit and any(one.spare for one in used):
        widest = max((one for one in used if one.spare), key=lambda one: _width(rows, one))
        used.remove(widest)
        left_out.append(widest.heading)
    lines = _lines(rows, used, limit, below)
    if left_out:
        lines.append(f"(No room for: {', '.join(left_out)}. A wider terminal or --json shows them.)")
    return "\n".join(lines)


def _lines(
    rows: Sequence[Mapping[str, Any]], columns: Sequence[Column], limit: int, below: Sequence[Column]
) -> list[str]:
    widths = [_width(rows, one) for one in columns]
    indent = sum(widths[:-1]) + len(_GAP) * (len(columns) - 1)
    room = max(limit - indent, _NARROWEST) if columns[-1].wrapped else widths[-1]
    lines: list[str] = []
    headings = [one.heading for one in columns]
    for row, cells in (({}, headings), *((row, [one.text(row) for one in columns]) for row in rows)):
        first, *rest = _wrapped(cells[-1], room)
        lines.append(_aligned([*cells[:-1], first], widths, columns))
        lines += [" " * indent + one for one in rest]
        for column in below:
            if row.get(column.key) is not None:
                lines += textwrap.wrap(
                    column.text(row), limit, initial_indent=_UNDER, subsequent_indent=_UNDER
                )
    return lines


def _width(rows: Sequence[Mapping[str, Any]], column: Column) -> int:
    return max(len(column.heading), *(len(column.text(row)) for row in rows))


def _least_width(rows: Sequence[Mapping[str, Any]], columns: Sequence[Column]) -> int:
    *first, last = columns
    least = min(_width(rows, last), _WRAPPED) if last.wrapped else _width(rows, last)
    return sum(_width(rows, one) for one in first) + len(_GAP) * len(first) + least


def _wrapped(text: str, room: int) -> list[str]:
    return textwrap.wrap(text, room, break_long_words=False, break_on_hyphens=False) or [""]


def _aligned(cells: Sequence[str], widths: Sequence[int], columns: Sequence[Column]) -> str:
    padded = (
        cell.rjust(width) if column.right else cell.ljust(width)
        for cell, width, column in zip(cells, widths, columns, strict=True)
    )
    return _GAP.join(padded).rstrip()


def pairs(items: Iterable[tuple[str, str]], width: int | None = None) -> str:
    """Names and what is to be said of them, in two aligned columns; the second is wrapped."""
    known = [(name, said) for name, said in items if said]
    first = max((len(name) for name, _ in known), default=0)
    room = max((width or terminal_width()) - first - len(_GAP), _NARROWEST)
    lines: list[str] = []
    for name, said in known:
        for number, part in enumerate(_wrapped(printable(said), room)):
            lines.append(f"{name if number == 0 else '':<{first}}{_GAP}{part}".rstrip())
    return "\n".join(lines)


def terminal_width() -> int:
    return shutil.get_terminal_size((_NO_TERMINAL, 24)).columns


def local_time(at: str | None, zone: tzinfo, form: str = "%Y-%m-%d %H:%M:%S") -> str | None:
    """An RFC 3339 time of the records in the zone of the station; a bare date, or no time at all, stays as it is."""
    if at is None or len(at) <= 10:
        return at
    try:
        return datetime.fromisoformat(at).astimezone(zone).strftime(form)
    except ValueError:
        return at


def escaped(data: bytes) -> str:
    """Bytes as a person reads them on a wire: printable ASCII as it is, the rest as \\r, \\n, \\x02."""
    return data.decode("latin-1").encode("unicode_escape").decode("ascii")


def spaced_hex(data: bytes) -> str:
    return data.hex(" ").upper()


def printable(text: str) -> str:
    """`text` with everything that could steer a terminal made visible."""
    return "".join(one if one.isprintable() else one.encode("unicode_escape").decode("ascii") for one in text)


def blanks(name: str | None) -> str | None:
    """A name of the records (largemouth_bass, none_found) as people write it."""
    return None if name is None else name.replace("_", " ")


def counted(number: int, one: str, many: str = "") -> str:
    """`1 tag`, `2 tags`."""
    return f"{number} {one if number == 1 else many or one + 's'}"


def seconds(value: float | None) -> str:
    """A duration for a glance: 0.4 s, 12 s, 3 min, 5 h."""
    if value is None:
        return "never"
    if value < 10:
        return f"{value:.1f} s"
    if value < 120:
        return f"{value:.0f} s"
    return f"{value / 60:.0f} min" if value < 7200 else f"{value / 3600:.0f} h"


def say(text: str) -> None:
    typer.echo(text)


def say_json(document: object) -> None:
    """One JSON document on standard output; keys stay as given, nothing is escaped that UTF-8 can carry."""
    typer.echo(json.dumps(document, indent=2, ensure_ascii=False, default=str))
