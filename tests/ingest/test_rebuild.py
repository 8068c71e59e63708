"""Rebuild compares every field, and says what differs in words."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from ingest.journal_reading import journal_files
from ingest.rebuild import RebuildError, rebuild
from ingest.store import DatabaseInUse
from tests.ingest.stations import Live, fish, length, weigh, write_station

FIRST, SECOND = "985120000000101", "985120000000102"


@pytest.fixture
def database(tmp_path: Path) -> Path:
    live = Live(write_station(tmp_path), 100.0)
    later_s = fish(live, 110.0, FIRST)
    later_s = fish(live, later_s + 30, SECOND, mm=320, grams=450.0)
    live.event(later_s + 5, "control", "command", command="fate removed")
    live.event(later_s + 6, "control", "command", command="run start area=bay, pass=1, conductivity=240")
    live.event(later_s + 7, "control", "command", command="crew tagger=AB")
    live.event(later_s + 8, "control", "command", command="treatment agent=example, withdrawal=2026-06-02")
    live.event(
        later_s + 9,
        "control",
        "command",
        command="batch count=40, container=850, weight=scale, lengths=board",
    )
    live.hear(later_s + 10, "board", length(120))
    later_s = weigh(live, later_s + 11, 2150.0)
    live.event(later_s + 1, "control", "command", command="count bluegill 12")
    live.event(later_s + 2, "control", "command", command="void")
    live.stop(later_s + 10)
    return live.station.database


def edit(database: Path, *statements: str) -> None:
    with closing(sqlite3.connect(database)) as somebody:
        for (name,) in somebody.execute("SELECT name FROM sqlite_schema WHERE type = 'trigger'").fetchall():
            somebody.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            somebody.execute(statement)
        somebody.commit()


def test_an_untouched_database_agrees(database: Path) -> None:
    report = rebuild(database)
    assert report.agrees
    assert (report.fish, report.journals) == (2, 1)
    assert report.lines()[0].endswith("the database agrees with its journal.")


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        (
            "UPDATE fish SET weight_g = 4120 WHERE tag = '985120000000101'",
            "weight_g is 4120.0, the journal says 412.0",
        ),
        (
            "UPDATE fish_tag SET tag = '985120000000999' WHERE tag = '985120000000102'",
            "tag is '985120000000999'",
        ),
        ("UPDATE reading SET value = 1 WHERE kind = 'length' AND value = 312", "value is 1.0"),
        ("DELETE FROM amendment", "is not in the database"),
        ("UPDATE survey SET name = 'June'", "name is 'June', the journal says 'May'"),
        (
            "UPDATE batch SET total_weight_g = 2150 WHERE kind = 'batch'",
            "total_weight_g is 2150.0, the journal says",
        ),
        (
            "UPDATE batch_reading SET value = 12 WHERE kind = 'length'",
            "value is 12.0, the journal says 120.0",
        ),
        ("DELETE FROM batch_amendment", "is not in the database"),
        ("UPDATE treatment SET withdrawal_until = NULL", "withdrawal_until is None"),
        ("UPDATE crew SET code = 'XY'", "code is 'XY'"),
        ("UPDATE run SET area = 'cove'", "area is 'cove'"),
        (
            "UPDATE run SET conductivity_us_per_cm = 24",
            "conductivity_us_per_cm is 24.0, the journal says 240",
        ),
        ("UPDATE run SET started_at = '2026-05-12T00:00:00.000Z'", "started_at is"),
        ("INSERT INTO sighting SELECT 'x', survey_id, '1', '', '', '', '', 1 FROM survey", "does not follow"),
    ],
)
def test_every_change_behind_the_journals_back_is_named(database: Path, statement: str, said: str) -> None:
    edit(database, statement)
    report = rebuild(database)
    assert not report.agrees
    assert any(said in line for line in report.lines()), report.lines()


def test_a_damaged_line_is_reported(database: Path) -> None:
    path = journal_files(database.parent / "journal")[0]
    lines = path.read_bytes().splitlines(keepends=True)
    lines[12] = lines[12].replace(b'"t":', b'"t":1')
    path.write_bytes(b"".join(lines))
    report = rebuild(database)
    assert not report.agrees
    assert "line 13: the checksum is" in str(report.set_aside[0])


def test_the_database_is_left_as_it_was(database: Path) -> None:
    with closing(sqlite3.connect(database)) as reader:
        before = list(reader.iterdump())
    rebuild(database)
    with closing(sqlite3.connect(database)) as reader:
        assert list(reader.iterdump()) == before


def test_a_day_that_was_carried_elsewhere_is_compared_with_the_journal_beside_it(database: Path) -> None:
    there = database.parent / "archive"
    there.mkdir()
    for one in (database, database.parent / "journal"):
        one.rename(there / one.name)
    report = rebuild(there / database.name)
    assert (report.agrees, report.journal) == (True, there / "journal")


def test_without_a_journal_there_is_nothing_to_compare_with(database: Path) -> None:
    for path in journal_files(database.parent / "journal"):
        path.unlink()
    with pytest.raises(RebuildError, match=r"no journal of work-up\.sqlite"):
        rebuild(database)


def test_a_name_without_a_file_makes_no_database(tmp_path: Path) -> None:
    with pytest.raises(RebuildError, match="no database"):
        rebuild(tmp_path / "none.sqlite")
    assert list(tmp_path.iterdir()) == []


def test_a_database_in_use_is_left_alone(tmp_path: Path) -> None:
    live = Live(write_station(tmp_path), 100.0)
    with pytest.raises(DatabaseInUse, match="process"):
        rebuild(live.station.database)
    live.kill()


def test_the_journals_of_another_database_in_the_same_folder_do_not_count(tmp_path: Path) -> None:
    one = Live(write_station(tmp_path, database="monday.sqlite"), 100.0)
    fish(one, 110.0, FIRST)
    one.kill()
    other = Live(write_station(tmp_path, database="tuesday.sqlite"), 20.0, "boot-2", 1_778_680_000.0)
    fish(other, 30.0, SECOND)
    other.kill()
    assert [rebuild(tmp_path / name).fish for name in ("monday.sqlite", "tuesday.sqlite")] == [1, 1]
    assert rebuild(tmp_path / "tuesday.sqlite").agrees
