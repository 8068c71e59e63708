"""CSV files and workbooks as they really come: encodings, separators, merged cells, formulas, hidden and empty rows."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from openpyxl.worksheet.formula import ArrayFormula

from ingest.toml_file import ConfigError
from office.importing.tables import TableRefusedError, TableRow, read_rows
from tests.office.tables_of_fish import HEADING, PLAIN, TAG, csv_of, mapping, saved, sheet_of, workbook_of

ROW = ("2025-06-14", "bluegill", TAG, "142", "57", "released")
WITH_FILE = PLAIN.replace("[columns]", "[file]\n{}\n[columns]")


def rows_of(data: bytes, text: str = PLAIN, name: str = "fish.csv") -> list[TableRow]:
    return read_rows(data, name, mapping(text))


def refusal(data: bytes, text: str = PLAIN, name: str = "fish.csv") -> str:
    with pytest.raises(TableRefusedError) as refused:
        rows_of(data, text, name)
    return str(refused.value)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_encoding_separator_and_line_ends_make_no_difference(encoding: str, separator: str, end: str) -> None:
    text = "".join(separator.join(cells) + end for cells in (HEADING, ROW))
    (row,) = rows_of(text.encode(encoding))
    assert row.number == 2
    assert list(row.cells.values()) == list(ROW)
    assert row.raw == separator.join(ROW).encode()


def test_another_encoding_is_named_by_the_mapping_and_asked_for_without() -> None:
    data = (
        csv_of(("2025-06-14", "Forellenbarsch", TAG, "1", "2", "zurückgesetzt"))
        .decode()
        .encode("windows-1252")
    )
    assert "windows-1252" in refusal(data)
    (row,) = rows_of(data, WITH_FILE.format('encoding = "windows-1252"'))
    assert row.cells["fate"] == "zurückgesetzt"


def test_zero_bytes_are_no_text() -> None:
    assert "zero bytes" in refusal(csv_of(ROW).decode().encode("utf-16-le"))


def test_empty_rows_are_passed_over_and_keep_their_numbers() -> None:
    assert [row.number for row in rows_of(csv_of(ROW, (" ", "", "", "", "", ""), ROW))] == [2, 4]


def test_rows_above_the_heading_are_not_read() -> None:
    data = b"Sheet 3, invented\r\n\r\n" + csv_of(ROW)
    (row,) = rows_of(data, WITH_FILE.format("heading_row = 3"))
    assert row.number == 4


def test_a_cell_of_several_lines_is_one_row_and_kept_as_it_stood() -> None:
    data = csv_of(("2025-06-14", '"blue\r\ngill"', TAG, "1", "2", "x"), ROW)
    first, second = rows_of(data)
    assert first.raw == b'2025-06-14,"blue\r\ngill",' + TAG.encode() + b",1,2,x"
    assert (second.number, second.raw) == (3, ",".join(ROW).encode())


def test_a_row_with_too_many_cells_is_in_doubt_as_a_whole() -> None:
    (row,) = rows_of(csv_of((*ROW, "more")))
    assert "more cells than the heading" in row.troubles[""]


def test_a_short_row_lacks_its_last_cells() -> None:
    (row,) = rows_of(csv_of(ROW[:3]))
    assert row.cells["weight"] == ""


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (b"", "no heading in row 1"),
        (csv_of(ROW, heading=("day", "species", "tag", "mm", "kg", "fate")), 'no column headed "g"'),
        (csv_of(ROW, heading=(*HEADING, "mm")), 'two columns headed "mm"'),
        (csv_of(ROW) + b'"never closed', "mend the quotes"),
    ],
)
def test_a_file_that_is_no_such_table_is_refused_as_a_whole(data: bytes, reason: str) -> None:
    assert reason in refusal(data)


def test_two_headings_alike_do_no_harm_where_nobody_reads_them() -> None:
    assert len(rows_of(csv_of((*ROW, "a", "b"), heading=(*HEADING, "x", "x")))) == 1


def test_only_tables_are_read() -> None:
    assert "neither .csv nor .xlsx" in refusal(b"", name="fish.pdf")
    assert "no workbook" in refusal(b"PK\3\4 no workbook", name="fish.xlsx")


@given(st.binary(max_size=300))
def test_any_bytes_are_rows_or_one_refusal(data: bytes) -> None:
    for name in ("fish.csv", "fish.xlsx"):
        said = "."
        try:
            rows_of(csv_of(ROW) + data if name == "fish.csv" else data, name=name)
        except TableRefusedError as refused:
            said = str(refused)
        assert said.endswith(".")


# --- workbooks -----------------------------------------------------------------------------------------------


def book_rows(book: Any, text: str = PLAIN) -> list[TableRow]:
    return rows_of(saved(book), text, "fish.xlsx")


def test_cells_of_a_workbook_keep_what_they_are() -> None:
    (row,) = book_rows(workbook_of(("2025-06-14", "bluegill", int(TAG), 142.5, None, "released")))
    assert row.cells["tag"] == int(TAG)
    assert row.cells["length"] == 142.5
    assert row.cells["weight"] is None
    assert row.raw == f"2025-06-14\tbluegill\t{TAG}\t142.5\t\treleased".encode()


def test_a_merged_cell_is_nobodys_value() -> None:
    book = workbook_of(ROW, ROW)
    sheet_of(book).merge_cells("A2:A3")
    rows = book_rows(book)
    assert ["merged" in row.troubles["date"] for row in rows] == [True, True]


def test_a_formula_without_its_value_is_in_doubt() -> None:
    book = workbook_of(("2025-06-14", "bluegill", TAG, "=10*14", None, "released"))
    sheet_of(book)["E2"] = ArrayFormula("E2", "=SUM(D2:D2)")
    (row,) = book_rows(book)
    assert "never worked out" in row.troubles["length"]
    assert "never worked out" in row.troubles["weight"]


def test_a_hidden_row_is_read_and_said() -> None:
    book = workbook_of(ROW, ROW)
    sheet_of(book).row_dimensions[3].hidden = True
    assert [bool(row.notices) for row in book_rows(book)] == [False, True]


def test_of_several_sheets_the_mapping_names_one() -> None:
    book = workbook_of(ROW)
    book.create_sheet("notes")
    assert "say the sheet in [file]" in refusal(saved(book), name="fish.xlsx")
    assert len(book_rows(book, WITH_FILE.format('sheet = "Sheet"'))) == 1
    assert 'no sheet "2026"' in refusal(saved(book), WITH_FILE.format('sheet = "2026"'), "fish.xlsx")


# --- mappings ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "reason"),
    [
        ('water = "Mill Pond"', "", "the water in [constants]"),
        ('species = "species"', "", "name the column of the species"),
        ('[units]\nlength = "mm"', "[units]", "unit of the length"),
        ('tag = "tag"', 'tag = "mm"', "two meanings"),
        ('timezone = "America/Chicago"', 'timezone = "Here/There"', "IANA time zone"),
        ("[dates]", '[dates]\nformat = "%d.%m."', "year, month and day"),
        ("[dates]", '[dates]\nformat = "%q"', "year, month and day"),
        ("[columns]", '[file]\nencoding = "utf-99"\n[columns]', "no encoding"),
        ("[dates]", '[fates]\n"gone" = "eaten"\n[dates]', "no fate"),
        ('kind = "survey"', 'kind = "other"', "kind"),
        ("[columns]", '[columns]\nlenght = "mm"', "did you mean `length`"),
    ],
)
def test_a_mapping_that_does_not_say_enough_is_refused_by_its_line(old: str, new: str, reason: str) -> None:
    assert old in PLAIN
    with pytest.raises(ConfigError) as refused:
        mapping(PLAIN.replace(old, new))
    assert reason in str(refused.value)
    assert "map.toml, line" in str(refused.value)
