"""An XLSX workbook (ISO/IEC 29500), a sheet a view: tags and ids are text cells and stay text when edited.

A number is written with all its digits. A character that XML cannot carry is written as `_xHHHH_`, as the standard's
ST_Xstring has it (ISO/IEC 29500-1, 22.9.2.19). A missing value and an empty text are both an empty cell.
"""

import re
from collections.abc import Iterator
from pathlib import Path
from sqlite3 import Connection
from typing import Any

from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell
from openpyxl.comments import Comment
from openpyxl.styles import Font
from openpyxl.utils import get_column_letter

from office.exports.errors import ExportRefusedError
from office.exports.public_views import PublicView, Row, Selection, one_state, public_views, rows
from office.exports.whole_files import whole_file
from office.exports.written import Written

MOST_ROWS = 1_048_576  # of a sheet, and characters of a cell: limits of the programs that read it
MOST_CHARACTERS = 32_767
_TEXT_FORMAT = "@"
_NOT_IN_XML = re.compile("[\x00-\x08\x0b-\x1f\ud800-\udfff\ufffe\uffff]|_(?=x[0-9A-Fa-f]{4}_)")
_WIDTHS = {"fish_id": 38, "individual_id": 38, "survey_id": 38, "batch_id": 38, "worked_up_at": 26, "at": 26,
           "tag": 18, "sentence": 60, "text": 40, "note": 30}  # fmt: skip


def write_xlsx(connection: Connection, target: Path, selection: Selection) -> Written:
    """One workbook with a sheet for each public view and a sheet that explains every column.

    Raises ExportRefusedError (more rows or a longer text than a sheet takes), OSError, sqlite3.Error.
    """
    counts = {}
    book = Workbook(write_only=True)
    with one_state(connection), whole_file(target) as part:
        views = public_views(connection)
        try:
            for view in views:
                counts[view.name] = _write_sheet(book, view, rows(connection, view, selection))
            _explain(book, views)
        except BaseException:
            for sheet in book.worksheets:  # their temporary files go when the program ends
                sheet.close()
            raise
        book.save(part)
    return Written(target, counts)


def _write_sheet(book: Any, view: PublicView, data: Iterator[Row]) -> int:
    sheet = book.create_sheet(view.name)
    sheet.freeze_panes = "A2"
    for number, column in enumerate(view.columns, 1):
        sheet.column_dimensions[get_column_letter(number)].width = _WIDTHS.get(column.name, 15)
    sheet.append([_heading(sheet, column.name, column.explained) for column in view.columns])
    number_cell, text_cell = WriteOnlyCell(sheet), WriteOnlyCell(sheet)
    text_cell.number_format = _TEXT_FORMAT
    is_text = tuple(column.kind == "text" for column in view.columns)
    count = 0
    for count, row in enumerate(data, 1):
        if count >= MOST_ROWS:
            raise ExportRefusedError(
                f"{view.name} has more rows than the {MOST_ROWS} of a sheet: choose --water or --year, or CSV or Parquet."
            )
        sheet.append(_cells(_written(row, is_text, view), is_text, number_cell, text_cell))
    last = get_column_letter(len(view.columns))
    sheet.auto_filter.ref = f"A1:{last}{count + 1}"
    return count


def _written(row: Row, is_text: tuple[bool, ...], view: PublicView) -> list[str | None]:
    """What stands in each cell. A number as text with all its digits: the library itself would cut it to 16."""
    cells = [
        None if value in (None, "") else xml_text(value) if text else repr(value)
        for value, text in zip(row, is_text, strict=True)
    ]
    for column, cell in zip(view.columns, cells, strict=True):
        if cell is not None and len(cell) > MOST_CHARACTERS:
            raise ExportRefusedError(
                f"A text in {column.name} of {view.name} ({row[0]}) is longer than the {MOST_CHARACTERS} characters "
                "of a cell: choose CSV or Parquet."
            )
    return cells


def _cells(
    written: list[str | None], is_text: tuple[bool, ...], number_cell: Any, text_cell: Any
) -> Iterator[Any]:
    # The library writes each cell before it asks for the next, so two cells do for a whole sheet.
    for value, text in zip(written, is_text, strict=True):
        if value is None:
            yield None
            continue
        cell = text_cell if text else number_cell
        cell.value = value
        cell.data_type = "s" if text else "n"  # also where a text looks like a formula or an error
        yield cell


def _heading(sheet: Any, text: str, explained: str | None = None) -> Any:
    cell = WriteOnlyCell(sheet, text)
    cell.font = Font(bold=True)
    if explained is not None:
        cell.comment = Comment(explained, "Tallywell", height=120, width=320)
    return cell


def _explain(book: Any, views: tuple[PublicView, ...]) -> None:
    sheet = book.create_sheet("columns")
    sheet.freeze_panes = "A2"
    for letter, width in zip("ABCD", (18, 20, 18, 100), strict=True):
        sheet.column_dimensions[letter].width = width
    sheet.append([_heading(sheet, text) for text in ("view", "column", "unit", "meaning")])
    for view in views:
        for column in view.columns:
            sheet.append([view.name, column.name, column.unit, column.meaning])


def xml_text(text: str) -> str:
    """`text` with what XML cannot carry as `_xHHHH_`; an underscore that would be read so is `_x005F_`."""
    return _NOT_IN_XML.sub(lambda found: f"_x{ord(found[0]):04X}_", text)
