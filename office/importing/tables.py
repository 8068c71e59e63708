"""A CSV file or a workbook as rows of cells: nothing guessed, everything odd named."""

import csv
import io
import warnings
import zipfile
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import PurePath
from typing import Any

from openpyxl import load_workbook
from openpyxl.utils.exceptions import InvalidFileException

from office.importing.cells import Cell, is_empty, shown
from office.importing.mapping import ImportMapping

_BOMS = ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"))


class TableRefusedError(Exception):
    """The file as a whole cannot be read. One sentence."""


@dataclass(frozen=True, slots=True)
class TableRow:
    """One row. `number` counts from 1 as a spreadsheet does; `cells` by what they are (see `ColumnsTable`).

    troubles: what is wrong with single cells already, by what they are. notices: what a person should know.
    raw: the row as it stood, for the record.
    """

    number: int
    cells: Mapping[str, Cell]
    troubles: Mapping[str, str]
    notices: tuple[str, ...]
    raw: bytes


def read_rows(data: bytes, name: str, mapping: ImportMapping) -> list[TableRow]:
    """The rows below the heading that hold anything. Raises TableRefusedError."""
    kind = PurePath(name).suffix.lower()
    if kind in (".xlsx", ".xlsm"):
        return list(_workbook_rows(data, name, mapping))
    if kind in (".csv", ".txt", ".tsv"):
        return list(_csv_rows(data, name, mapping))
    raise TableRefusedError(f"{name} is neither .csv nor .xlsx: save it as one of them.")


def _csv_rows(data: bytes, name: str, mapping: ImportMapping) -> Iterator[TableRow]:
    text = _decoded(data, name, mapping.file.encoding)
    separator = mapping.file.separator or _separator(text, mapping)
    lines = list(io.StringIO(text, newline=""))
    reader = csv.reader(lines, delimiter=separator, strict=True)
    heading: dict[str, int] | None = None
    number, line, next_line = 0, 1, 1
    while True:
        try:
            cells = next(reader)
        except StopIteration:
            break
        except csv.Error as error:
            raise TableRefusedError(
                f"{name}, from line {next_line} on, is no table ({error}): mend the quotes."
            ) from None
        number, line, next_line = number + 1, next_line, reader.line_num + 1
        if number < mapping.file.heading_row:
            continue
        if heading is None:
            heading, width = _heading(cells, name, mapping), len(cells)
            continue
        if not any(cell.strip() for cell in cells):
            continue
        extra = [cell for cell in cells[width:] if cell.strip()]
        trouble = (
            {
                "": f'it has more cells than the heading, from "{extra[0]}" on: quote texts that hold the separator.'
            }
            if extra
            else {}
        )
        found = {what: cells[place] if place < len(cells) else "" for what, place in heading.items()}
        raw = "".join(lines[line - 1 : next_line - 1]).rstrip("\r\n")
        yield TableRow(number, found, trouble, (), _bytes(raw))
    if heading is None:
        raise TableRefusedError(f"{name} has no heading in row {mapping.file.heading_row}.")


def _decoded(data: bytes, name: str, encoding: str) -> str:
    bom = next((known for mark, known in _BOMS if data.startswith(mark)), None)
    try:
        text = data.decode(bom or encoding)
    except UnicodeError as error:
        where = f", byte {error.start}," if isinstance(error, UnicodeDecodeError) else ""
        raise TableRefusedError(
            f'{name}{where} is not {bom or encoding} text: say its encoding in [file], such as "windows-1252".'
        ) from None
    if "\0" in text:
        raise TableRefusedError(f"{name} holds zero bytes: it is no text, or its encoding is another.")
    return text


def _separator(text: str, mapping: ImportMapping) -> str:
    lines = text.splitlines()
    heading = lines[mapping.file.heading_row - 1] if len(lines) >= mapping.file.heading_row else ""
    return max(",;\t", key=heading.count)


def _heading(cells: list[str], name: str, mapping: ImportMapping) -> dict[str, int]:
    """Where each column of the mapping stands."""
    written = [" ".join(cell.split()) for cell in cells]
    counts = Counter(written)
    places = {}
    for what, heading in mapping.columns.used().items():
        if counts[heading] > 1:
            raise TableRefusedError(f'{name} has two columns headed "{heading}": rename one.')
        if heading not in counts:
            known = ", ".join(f'"{one}"' for one in written if one)
            raise TableRefusedError(
                f'{name} has no column headed "{heading}" in row {mapping.file.heading_row}; it has {known or "none"}.'
            )
        places[what] = written.index(heading)
    return places


def _workbook_rows(data: bytes, name: str, mapping: ImportMapping) -> Iterator[TableRow]:
    values, formulas = (
        _sheet(data, name, mapping, data_only=True),
        _sheet(data, name, mapping, data_only=False),
    )
    merged = {
        (row, column)
        for area in formulas.merged_cells.ranges
        for row in range(area.min_row, area.max_row + 1)
        for column in range(area.min_col, area.max_col + 1)
    }
    hidden = {number for number, one in formulas.row_dimensions.items() if one.hidden}
    rows = zip(values.iter_rows(values_only=True), formulas.iter_rows(values_only=True), strict=True)
    heading: dict[str, int] | None = None
    for number, (cells, written) in enumerate(rows, start=1):
        if number < mapping.file.heading_row:
            continue
        if heading is None:
            heading = _heading([shown(cell) for cell in cells], name, mapping)
            continue
        if all(is_empty(cell) for cell in (*cells, *written)):
            continue
        found: dict[str, Cell] = {}
        troubles: dict[str, str] = {}
        for what, place in heading.items():
            cell, formula = cells[place], written[place]
            found[what] = cell
            if (number, place + 1) in merged:
                troubles[what] = (
                    "the cell is merged with others: whose value it is cannot be told; unmerge it."
                )
            elif formula is not None and cell is None:
                said = f'"{formula}" is a formula' if isinstance(formula, str) else "a formula stands there"
                troubles[what] = (
                    f"{said} that was never worked out: open the file in the program that made it, and save it."
                )
        notices = ("The row is hidden in the workbook.",) if number in hidden else ()
        yield TableRow(number, found, troubles, notices, _bytes("\t".join(map(shown, cells))))
    if heading is None:
        raise TableRefusedError(f"{name} has no heading in row {mapping.file.heading_row}.")


def _sheet(data: bytes, name: str, mapping: ImportMapping, *, data_only: bool) -> Any:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of looks and rules for entering that openpyxl does not keep
            book = load_workbook(io.BytesIO(data), data_only=data_only)
    except (InvalidFileException, zipfile.BadZipFile, KeyError, ValueError, OSError, SyntaxError) as error:
        raise TableRefusedError(f"{name} is no workbook that can be read ({error}).") from None
    sheet = mapping.file.sheet
    sheets = {one.title: one for one in book.worksheets}  # a sheet that is a chart is none of them
    if sheet is None and len(sheets) == 1:
        return next(iter(sheets.values()))
    if sheet is None or sheet not in sheets:
        known = ", ".join(f'"{one}"' for one in sheets)
        asked = "say the sheet in [file]" if sheet is None else f'there is no sheet "{sheet}"'
        raise TableRefusedError(f"{name}: {asked}; it has {known}.")
    return sheets[sheet]


def _bytes(text: str) -> bytes:
    return text.encode(errors="backslashreplace")  # an odd encoding may give half characters
