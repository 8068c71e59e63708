"""CSV by RFC 4180: UTF-8, CRLF, one header line, a file a view.

Text is always quoted, numbers never: a tag stays text. A missing value is nothing at all between its commas, an
empty text is a pair of quotes. Text that a spreadsheet would take for a formula gets an apostrophe in front, and so
does text that begins with one: to have it back exactly, take one leading apostrophe off.

The characters that begin a formula are those of the OWASP page "CSV Injection"
(https://owasp.org/www-community/attacks/CSV_Injection): = + - @ tab, carriage return, line feed and their full-width
forms; leading blanks do not hide them.
"""

from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from sqlite3 import Connection

from office.exports.public_views import Column, Row, Selection, one_state, public_views, rows
from office.exports.whole_files import whole_set
from office.exports.written import Written

_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
_GUARD = "'"


def write_csv(connection: Connection, folder: Path, selection: Selection) -> Written:
    """One file `<view>.csv` for each public view in `folder`. Raises ExportRefusedError, OSError, sqlite3.Error."""
    counts = {}
    with one_state(connection), whole_set(folder) as staged:
        for view in public_views(connection):
            lines = csv_lines(view.columns, rows(connection, view, selection), guarded)
            counts[view.name] = write_lines(staged / f"{view.name}.csv", lines)
    return Written(folder, counts)


def csv_lines(columns: Iterable[Column], data: Iterable[Row], guard: Callable[[str], str]) -> Iterator[str]:
    """The header and a line for each row, each with its CRLF; `guard` is what becomes of each text."""
    columns = tuple(columns)
    is_text = tuple(column.kind == "text" for column in columns)
    yield ",".join(_quoted(column.name) for column in columns) + "\r\n"
    for row in data:
        cells = (
            "" if value is None else _quoted(guard(value)) if text else repr(value)
            for value, text in zip(row, is_text, strict=True)
        )
        yield ",".join(cells) + "\r\n"


def write_lines(path: Path, lines: Iterable[str]) -> int:
    """Write the lines and return how many rows followed the header."""
    count = -1
    with path.open("w", encoding="utf-8", newline="") as file:
        for count, line in enumerate(lines):  # noqa: B007 -- the last number is what we want
            file.write(line)
    return count


def guarded(text: str) -> str:
    """`text` as a cell that no spreadsheet runs; `unguarded` gives it back."""
    return _GUARD + text if text.startswith(_GUARD) or text.lstrip(" ").startswith(_FORMULA) else text


def unguarded(cell: str) -> str:
    """The text that `guarded` made this cell of."""
    return cell.removeprefix(_GUARD)


def as_it_is(text: str) -> str:
    return text


def _quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"'
