"""The workbook read back by openpyxl and, for what a reader of plain XML sees, by the standard library."""

import sqlite3
import zipfile
from pathlib import Path
from sqlite3 import Connection
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from openpyxl import load_workbook
from openpyxl.utils.escape import unescape

from ingest.records import SaveFish
from office.exports import xlsx_book
from office.exports.errors import ExportRefusedError
from office.exports.public_views import Selection, public_views, rows
from office.exports.xlsx_book import MOST_CHARACTERS, write_xlsx, xml_text
from tests.ingest.builders import OTHER_TAG, TAG, fish
from tests.office.full_records import HEX_TAG, everything


@pytest.fixture(scope="module")
def book(full_database: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    target = tmp_path_factory.mktemp("book") / "fish.xlsx"
    connection = sqlite3.connect(full_database, isolation_level=None)
    write_xlsx(connection, target, Selection())
    connection.close()
    return target


def read_sheet(book: Path, name: str) -> list[tuple[Any, ...]]:
    workbook = load_workbook(book, read_only=True)
    try:
        return list(workbook[name].iter_rows(values_only=True))
    finally:
        workbook.close()


def test_every_sheet_equals_its_view(records: Connection, book: Path) -> None:
    for view in public_views(records):
        header, *cells = read_sheet(book, view.name)
        assert header == tuple(column.name for column in view.columns)
        got = [
            tuple(unescape(value) if isinstance(value, str) else value for value in row)
            + (None,) * (len(header) - len(row))  # empty cells at the end of a row are not in the file
            for row in cells
        ]
        # A sheet does not know an empty text from no text.
        expected = [
            tuple(None if value == "" else value for value in row) for row in rows(records, view, Selection())
        ]
        assert got == expected


def test_tags_of_15_digits_come_back_as_text_in_cells_that_stay_text(book: Path) -> None:
    workbook = load_workbook(book)
    sheet = workbook["worked_fish"]
    place = next(cell.column for cell in sheet[1] if cell.value == "tag")
    cells = [sheet.cell(row, place) for row in range(2, sheet.max_row + 1)]
    assert {TAG, OTHER_TAG, HEX_TAG} <= {cell.value for cell in cells}
    for cell in cells:
        if cell.value is not None:
            assert (cell.data_type, cell.number_format) == ("s", "@")


def test_no_cell_is_a_formula_or_an_error(book: Path) -> None:
    for sheet in load_workbook(book):
        for row in sheet.iter_rows():
            assert {cell.data_type for cell in row} <= {"s", "n"}, sheet.title


def test_the_header_is_frozen_and_explains_each_column(records: Connection, book: Path) -> None:
    workbook = load_workbook(book)
    for view in public_views(records):
        sheet = workbook[view.name]
        assert sheet.freeze_panes == "A2"
        comments = [cell.comment.text for cell in sheet[1] if cell.comment is not None]
        assert comments == [column.explained for column in view.columns]
    explained = {row[:3] for row in workbook["columns"].iter_rows(min_row=2, values_only=True)}
    assert ("worked_fish", "length_mm", "mm") in explained


def test_numbers_are_written_with_all_their_digits(book: Path) -> None:
    with zipfile.ZipFile(book) as archive:
        sheet = archive.read("xl/worksheets/sheet1.xml")
    assert b"<v>33.333333333333336</v>" in sheet


@given(st.text())
def test_any_text_is_carried_by_xml_and_comes_back(text: str) -> None:
    written = xml_text(text)
    assert unescape(written) == text
    assert all(
        one in "\t\n" or "\x20" <= one <= "\ud7ff" or "\ue000" <= one <= "\ufffd" or one > "\uffff"
        for one in written
    )


def test_a_text_that_no_cell_takes_is_refused_and_the_old_book_stays(tmp_path: Path) -> None:
    target = tmp_path / "fish.xlsx"
    target.write_text("old")
    with everything(tmp_path / "a.sqlite") as store:
        store.commit([SaveFish(fish(900, note="x" * (MOST_CHARACTERS + 1)))])
        with pytest.raises(
            ExportRefusedError, match=r"note of worked_fish \(.*longer than the 32767 characters"
        ):
            write_xlsx(store.connection, target, Selection())
    assert target.read_text() == "old"
    assert not list(tmp_path.glob(".tallywell-export-*"))


def test_more_rows_than_a_sheet_takes_are_refused(
    records: Connection, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(xlsx_book, "MOST_ROWS", 20)
    with pytest.raises(ExportRefusedError, match="worked_fish has more rows than the 20 of a sheet"):
        write_xlsx(records, tmp_path / "fish.xlsx", Selection())
