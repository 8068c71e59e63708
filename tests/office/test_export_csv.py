"""CSV read back by the standard library, DuckDB and, for the data package, frictionless."""

import csv
import hashlib
import io
import json
from pathlib import Path
from sqlite3 import Connection
from typing import Any

import duckdb
import pytest
from frictionless import Package
from hypothesis import given
from hypothesis import strategies as st

from office.exports.csv_files import csv_lines, guarded, unguarded, write_csv
from office.exports.data_package import write_data_package
from office.exports.public_views import Column, PublicView, Selection, public_views, rows
from tests.office.full_records import HEX_TAG, HOSTILE

DANGEROUS = tuple("=+-@\t\r")


def wanted(records: Connection, view: PublicView) -> list[tuple[Any, ...]]:
    return list(rows(records, view, Selection()))


@pytest.fixture
def folder(records: Connection, tmp_path: Path) -> Path:
    return write_csv(records, tmp_path / "out", Selection()).path


def read_plainly(path: Path) -> list[list[str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.reader(file, strict=True))


def value_of(cell: str, column: Column) -> Any:
    if column.kind == "text":
        return unguarded(cell)
    return None if cell == "" else int(cell) if column.kind == "integer" else float(cell)


def test_the_standard_library_reads_back_what_the_views_hold(records: Connection, folder: Path) -> None:
    for view in public_views(records):
        header, *cells = read_plainly(folder / f"{view.name}.csv")
        assert header == [column.name for column in view.columns]
        got = [
            tuple(value_of(cell, column) for cell, column in zip(row, view.columns, strict=True))
            for row in cells
        ]
        # This reader cannot tell a missing text from an empty one; the next test does.
        blank = [
            tuple(
                "" if value is None and column.kind == "text" else value
                for value, column in zip(row, view.columns, strict=True)
            )
            for row in wanted(records, view)
        ]
        assert got == blank


def test_duckdb_reads_back_missing_and_empty_texts_apart(records: Connection, folder: Path) -> None:
    types = {"text": "VARCHAR", "integer": "BIGINT", "number": "DOUBLE"}
    for view in public_views(records):
        named = {column.name: types[column.kind] for column in view.columns}
        relation = duckdb.read_csv(
            str(folder / f"{view.name}.csv"), columns=named, header=True, all_varchar=False, quotechar='"',
            escapechar='"', delimiter=",", na_values="", auto_detect=False,
            allow_quoted_nulls=False, strict_mode=False,
        )  # fmt: skip
        got = [
            tuple(unguarded(value) if isinstance(value, str) else value for value in row)
            for row in relation.fetchall()
        ]
        assert got == wanted(records, view)


def test_lines_end_as_rfc_4180_has_it_and_tags_are_quoted(folder: Path) -> None:
    data = (folder / "worked_fish.csv").read_bytes()
    assert data.startswith(b'"fish_id","station"')
    assert data.endswith(b"\r\n")
    assert f'"{HEX_TAG}"'.encode() in data
    assert b'"000012345678901"' in data
    assert b",1020.5," in data


def test_no_cell_begins_like_a_formula_and_numbers_stay_numbers(folder: Path) -> None:
    for path in folder.glob("*.csv"):
        for row in read_plainly(path):
            for cell in row:
                if cell.lstrip(" ").startswith(DANGEROUS):
                    float(cell)  # a negative number is one


@given(st.text())
def test_guarding_is_undone_exactly(text: str) -> None:
    assert unguarded(guarded(text)) == text
    assert not guarded(text).lstrip(" ").startswith(DANGEROUS)


@given(
    st.lists(st.tuples(st.none() | st.text(), st.none() | st.floats(allow_nan=False, allow_infinity=False)))
)
def test_any_text_and_any_number_survive(data: list[tuple[str | None, float | None]]) -> None:
    columns = (Column("text", "text", None, ""), Column("number", "number", "g", ""))
    text = "".join(csv_lines(columns, data, guarded))
    got = list(csv.reader(io.StringIO(text, newline=""), strict=True))[1:]
    assert [(unguarded(one), None if two == "" else float(two)) for one, two in got] == [
        (one or "", two) for one, two in data
    ]


def test_the_same_records_give_the_same_bytes(records: Connection, tmp_path: Path) -> None:
    for name in ("one", "two"):
        write_csv(records, tmp_path / name, Selection())
        write_data_package(records, tmp_path / f"{name}-package", Selection())
    for path in (tmp_path / "one").rglob("*.csv"):
        assert path.read_bytes() == (tmp_path / "two" / path.name).read_bytes()
    one, two = (tmp_path / f"{name}-package" / "datapackage.json" for name in ("one", "two"))
    assert one.read_bytes() == two.read_bytes()


def test_what_was_written_is_said(records: Connection, tmp_path: Path) -> None:
    written = write_csv(records, tmp_path / "out", Selection(water="Mill Pond"))
    assert written.rows["worked_fish"] == len(read_plainly(tmp_path / "out" / "worked_fish.csv")) - 1
    assert 0 < written.rows["worked_fish"] < records.execute("SELECT count(*) FROM worked_fish").fetchone()[0]


def test_a_data_package_is_valid_and_equals_the_views(records: Connection, tmp_path: Path) -> None:
    write_data_package(records, tmp_path, Selection())
    package = Package(tmp_path / "datapackage.json")
    report = package.validate()
    assert report.valid, report.flatten(["resourceName", "rowNumber", "type", "note"])
    for view in public_views(records):
        resource = package.get_table_resource(view.name)
        got = [tuple(row.to_dict().values()) for row in resource.read_rows()]
        got = [tuple(float(v) if type(v).__name__ == "Decimal" else v for v in row) for row in got]
        assert got == [
            tuple(None if value == "" else value for value in row) for row in wanted(records, view)
        ]


def test_a_data_package_says_units_meanings_and_keys(records: Connection, tmp_path: Path) -> None:
    write_data_package(records, tmp_path, Selection())
    descriptor = json.loads((tmp_path / "datapackage.json").read_text(encoding="utf-8"))
    resources = {one["name"]: one for one in descriptor["resources"]}
    for view in public_views(records):
        fields = resources[view.name]["schema"]["fields"]
        assert [(one["name"], one.get("unit")) for one in fields] == [
            (column.name, column.unit) for column in view.columns
        ]
        assert all(
            column.meaning in one["description"] for one, column in zip(fields, view.columns, strict=True)
        )
        data = (tmp_path / resources[view.name]["path"]).read_bytes()
        assert resources[view.name]["hash"] == "sha256:" + hashlib.sha256(data).hexdigest()
        assert resources[view.name]["bytes"] == len(data)
    assert resources["worked_fish"]["schema"]["primaryKey"] == ["fish_id"]
    assert resources["finding_list"]["schema"]["foreignKeys"][0]["reference"]["resource"] == "worked_fish"


def test_frictionless_would_find_a_finding_without_its_fish(records: Connection, tmp_path: Path) -> None:
    write_data_package(records, tmp_path, Selection())
    path = tmp_path / "data" / "finding_list.csv"
    fish_id = records.execute("SELECT fish_id FROM finding_list").fetchone()[0]
    path.write_text(path.read_text(encoding="utf-8").replace(fish_id, "nobody"), encoding="utf-8", newline="")
    report = Package(tmp_path / "datapackage.json").validate()
    assert "foreign-key" in {kind for (kind,) in report.flatten(["type"])}


def test_a_selected_package_is_valid_too(records: Connection, tmp_path: Path) -> None:
    write_data_package(records, tmp_path, Selection(survey_id="odd-0"))
    assert Package(tmp_path / "datapackage.json").validate().valid


def test_hostile_texts_are_all_in_the_records(records: Connection) -> None:
    notes = {note for (note,) in records.execute("SELECT note FROM worked_fish")}
    assert set(HOSTILE) <= notes
