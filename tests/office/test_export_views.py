"""What goes out: every public view with its columns and types, the selection, whole files or none."""

from pathlib import Path
from sqlite3 import Connection

import pytest

from office.exports import whole_files
from office.exports.csv_files import write_csv
from office.exports.errors import ExportRefusedError
from office.exports.public_views import (
    VIEW_NAMES,
    Selection,
    checked,
    one_state,
    parted_rows,
    public_views,
    rows,
)
from office.exports.whole_files import swap_folder, whole_file, whole_set
from tests.office.full_records import ODD_WATERS

TYPES = {"text": str, "integer": int, "number": float}


def test_all_public_views_go_out_but_the_one_with_void_fish(records: Connection) -> None:
    there = {name for (name,) in records.execute("SELECT name FROM sqlite_schema WHERE type = 'view'")}
    assert set(VIEW_NAMES) == there - {"fish_all"}


def test_each_column_has_the_type_of_its_values(records: Connection) -> None:
    for view in public_views(records):
        seen: dict[str, set[type]] = {column.name: set() for column in view.columns}
        for row in rows(records, view, Selection()):
            for column, value in zip(view.columns, row, strict=True):
                seen[column.name].add(type(value))
        for column in view.columns:
            assert seen[column.name] - {type(None)} <= {TYPES[column.kind]}, (view.name, column)


def test_every_column_held_a_value_so_that_its_type_was_seen(records: Connection) -> None:
    for view in public_views(records):
        for place, column in enumerate(view.columns):
            values = {row[place] for row in rows(records, view, Selection())}
            assert values != {None}, (view.name, column.name)


def test_without_a_limit_every_row_of_every_view_goes_out_once(records: Connection) -> None:
    for view in public_views(records):
        expected = sorted(records.execute(f'SELECT * FROM "{view.name}"'), key=repr)
        assert sorted(rows(records, view, Selection()), key=repr) == expected
        assert sorted((row for *_, row in parted_rows(records, view, Selection())), key=repr) == expected


@pytest.mark.parametrize(
    "selection",
    [
        Selection(survey_id="odd-3"),
        Selection(water=ODD_WATERS[0]),
        Selection(year=2022),
        Selection(water="Mill Pond", year=2026),
    ],
)
def test_a_selection_takes_the_same_surveys_out_of_every_view(
    records: Connection, selection: Selection
) -> None:
    water, year = "s.water", "substr(s.opened_at, 1, 4)"
    where, values = selection.where
    query = f"SELECT s.survey_id FROM survey AS s {where.format(water=water, year=year)}"
    surveys = {survey for (survey,) in records.execute(query, values)}
    assert surveys
    views = {view.name: view for view in public_views(records)}
    for name, view in views.items():
        names = [column.name for column in view.columns]
        got = [dict(zip(names, row, strict=True)) for row in rows(records, view, selection)]
        if name == "observation_list":
            fish = {row[0] for row in rows(records, views["worked_fish"], selection)}
            assert all(row["fish_id"] in fish for row in got)
        else:
            held = records.execute(f'SELECT count(*) FROM "{name}" WHERE survey_id IN ({query})', values)
            assert len([row for row in got if row["survey_id"] is not None]) == held.fetchone()[0]
            assert {row["survey_id"] for row in got} <= surveys | {None}


def test_captures_from_elsewhere_follow_their_own_water_and_date(records: Connection) -> None:
    history = next(view for view in public_views(records) if view.name == "tag_history")
    got = list(rows(records, history, Selection(water="Mill Pond", year=2019)))
    assert [row[2] for row in got] == ["2019-05-12"]


def test_a_water_is_known_in_any_case_of_its_letters_unless_two_are_meant(records: Connection) -> None:
    for written in ("Mill Pond", "mill pond"):
        assert checked(records, Selection(water=written)).water == written
    with pytest.raises(ExportRefusedError, match="MILL POND"):
        checked(records, Selection(water="MILL POND"))
    assert checked(records, Selection(water="W" * 199 + "w")).water == "W" * 200


@pytest.mark.parametrize(
    ("selection", "sentence"),
    [
        (Selection(water="Milk Pond"), r'no survey of the water "Milk Pond".*Mill Pond'),
        (Selection(year=1999), r"no survey of the year 1999; the years here: 2020, "),
    ],
)
def test_a_water_or_year_that_is_not_there_is_refused(
    records: Connection, selection: Selection, sentence: str
) -> None:
    with pytest.raises(ExportRefusedError, match=sentence):
        checked(records, selection)


def test_an_export_that_fails_leaves_the_old_file_and_nothing_else(tmp_path: Path) -> None:
    target = tmp_path / "fish.csv"
    target.write_text("old")
    with pytest.raises(UnicodeEncodeError), whole_file(target) as part:
        part.write_text("half \ud800", encoding="utf-8")
    assert [path.name for path in tmp_path.iterdir()] == ["fish.csv"]
    assert target.read_text() == "old"
    with whole_file(target) as part:
        part.write_text("new")
        assert target.read_text() == "old"
    assert target.read_text() == "new"


def test_a_set_of_files_touches_no_others_and_keeps_the_old_ones_if_it_fails(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine")
    (tmp_path / "a.csv").write_text("old")
    with pytest.raises(UnicodeEncodeError), whole_set(tmp_path) as staged:
        (staged / "a.csv").write_text("new \ud800", encoding="utf-8")
    assert (tmp_path / "a.csv").read_text() == "old"
    with whole_set(tmp_path) as staged:
        (staged / "data").mkdir()
        (staged / "data" / "b.csv").write_text("new")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.csv", "data", "mine.txt"]


@pytest.mark.parametrize("at_once", [True, False])
def test_a_folder_is_swapped_as_a_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at_once: bool
) -> None:
    if not at_once:  # as on a file system that cannot exchange two names
        monkeypatch.setattr(whole_files, "_exchange", lambda one, other: False)
    new, place = tmp_path / "new", tmp_path / "deep" / "place"
    for text in ("first", "second"):
        new.mkdir()
        (new / text).write_text(text)
        swap_folder(new, place)
        assert [path.name for path in place.iterdir()] == [text]
    assert not new.exists()
    assert sorted(path.name for path in tmp_path.rglob("*")) == ["deep", "place", "second"]


def test_places_that_cannot_be_written_to_are_named(records: Connection, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(ExportRefusedError, match="is a file: name a folder"):
        write_csv(records, tmp_path / "file", Selection())
    with pytest.raises(ExportRefusedError, match="is a folder: name a file"), whole_file(tmp_path):
        pass
    with (
        pytest.raises(ExportRefusedError, match="There is no folder"),
        whole_file(tmp_path / "no" / "a.zip"),
    ):
        pass


def test_an_export_sees_one_instant(full_database: Path, records: Connection) -> None:
    with one_state(records):
        assert records.in_transaction
        with pytest.raises(Exception, match="readonly"):
            records.execute("DELETE FROM crew")
    assert not records.in_transaction
