"""Replay and rebuild: the same bytes, the same records."""

import json
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from ingest.store import Store
from tests.cli.command_line import call, call_json
from tests.cli.invented_day import write_day, write_station
from tests.ingest.builders import survey


def _copy(replayed: Path, folder: Path) -> Path:
    for name in ("work-up.sqlite", "STATION.toml"):
        shutil.copy(replayed / name, folder / name)
    shutil.copytree(replayed / "work-up.journal", folder / "work-up.journal")
    return folder


def test_a_rebuild_of_a_replayed_day_agrees(replayed: Path, tmp_path: Path) -> None:
    folder = _copy(replayed, tmp_path)
    found = call_json("rebuild", "work-up.sqlite", "--journal", "work-up.journal", folder=folder)
    assert found["agrees"] is True
    assert found["fish"] == 4
    done = call("rebuild", "work-up.sqlite", "--journal", "work-up.journal", folder=folder)
    assert "agrees with its journal" in done.stdout


def test_a_changed_value_is_found_and_named(replayed: Path, tmp_path: Path) -> None:
    folder = _copy(replayed, tmp_path)
    with closing(sqlite3.connect(folder / "work-up.sqlite")) as connection:
        for (trigger,) in connection.execute(
            "SELECT name FROM sqlite_schema WHERE type = 'trigger'"
        ).fetchall():
            connection.execute(f'DROP TRIGGER "{trigger}"')
        connection.execute("UPDATE fish SET length_mm = 999 WHERE length_mm = 345")
        connection.commit()
    words = ("rebuild", "work-up.sqlite", "--journal", "work-up.journal")
    found = call_json(*words, folder=folder, expect=1)
    assert [(one["column"], one["stored"], one["rebuilt"]) for one in found["differences"]] == [
        ("length_mm", 999.0, 345.0)
    ]
    done = call(*words, folder=folder, expect=1)
    assert "length_mm is 999.0" in done.stdout


def test_a_station_s_journal_replays_without_its_file(replayed: Path, tmp_path: Path) -> None:
    journal = sorted((replayed / "work-up.journal").glob("*.jsonl"))
    found = call_json("replay", *journal, "--db", "again.sqlite", folder=tmp_path)
    assert found["fish"] == 4
    names = ("fish_id", "tag", "length_mm", "weight_g", "fate")
    first, again = (
        [
            [one[name] for name in names]
            for one in call_json("fish", "list", "--db", database, folder=tmp_path)["fish"]
        ]
        for database in (replayed / "work-up.sqlite", tmp_path / "again.sqlite")
    )
    assert first == again


def test_a_damaged_line_is_set_aside_and_said(station: Path) -> None:
    day = write_day(station.parent)
    day.write_text(day.read_text() + '{"t":61,"from":"board","da\n')
    words = ("replay", "day.jsonl", "--config", "STATION.toml", "--db")
    assert len(call_json(*words, "one.sqlite", folder=station.parent)["set_aside"]) == 1
    assert "set aside" in call(*words, "two.sqlite", folder=station.parent).stdout


def test_with_a_speed_the_announcements_are_printed(station: Path) -> None:
    write_day(station.parent)
    words = ("replay", "day.jsonl", "--config", "STATION.toml", "--db", "out.sqlite", "--speed", "100000")
    assert "Saved: largemouth bass 345 mm" in call(*words, folder=station.parent).stdout


def test_an_existing_database_is_not_touched(replayed: Path) -> None:
    before = (replayed / "work-up.sqlite").read_bytes()
    words = ("replay", "day.jsonl", "--config", "STATION.toml", "--db", "work-up.sqlite")
    assert "exists" in call(*words, folder=replayed, expect=2).stderr
    assert (replayed / "work-up.sqlite").read_bytes() == before


@pytest.mark.parametrize("speed", ["0", "-1", "fast", "nan", "inf"])
def test_a_speed_that_is_none_is_refused(tmp_path: Path, speed: str) -> None:
    write_day(tmp_path)
    done = call("replay", "day.jsonl", "--db", "out.sqlite", f"--speed={speed}", folder=tmp_path, expect=2)
    assert "number above 0" in done.stderr


def test_a_snapshot_is_the_whole_database(replayed: Path, tmp_path: Path) -> None:
    made = call_json("station", "snapshot", tmp_path / "copy.sqlite", folder=replayed)
    assert made["rows"]["fish"] == 4
    assert made["size_bytes"] == (tmp_path / "copy.sqlite").stat().st_size
    first, copy = (
        json.loads(call("fish", "list", "--json", "--db", database, folder=tmp_path).stdout)
        for database in (replayed / "work-up.sqlite", tmp_path / "copy.sqlite")
    )
    assert first == copy
    call(
        "station", "snapshot", tmp_path / "copy.sqlite", folder=replayed
    )  # an older snapshot may be replaced


def test_a_snapshot_replaces_no_other_file(replayed: Path, tmp_path: Path) -> None:
    other = tmp_path / "thesis.txt"
    other.write_text("years of work")
    call("station", "snapshot", other, folder=replayed, expect=2)
    assert other.read_text() == "years of work"
    own = call("station", "snapshot", "work-up.sqlite", folder=replayed, expect=2)
    assert "the database itself" in own.stderr
    call("office", "pull", replayed / "work-up.sqlite", folder=tmp_path)
    with Store.open(tmp_path / "north.sqlite") as north:
        north.commit([survey(survey_id="survey-of-north")])
    for name in ("office.sqlite", "north.sqlite"):
        done = call("station", "snapshot", tmp_path / name, folder=replayed, expect=2)
        assert f"{name} is no older snapshot of work-up.sqlite" in done.stderr
    write_station(tmp_path)
    assert "no database" in call("station", "snapshot", "x.sqlite", folder=tmp_path, expect=2).stderr
