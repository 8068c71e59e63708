"""Replay: hand-written days and journals into a database that can be rebuilt."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from ingest.journal_reading import journal_files
from ingest.rebuild import rebuild
from ingest.store import NotOurDatabase
from simulators.replay import ReplayError, replay
from tests.ingest.stations import Live, fish, said_on, worked, write_day, write_station

HEADER = '{"capture":1,"station":"bank","started":"2026-05-12T13:00:00Z"}\n'
LINES = [
    '{"t":10.0,"from":"reader","data":"985120000000101\\r\\n"}\n',
    '{"t":11.0,"from":"board","data":"312 mm\\r\\n"}\n',
    *(
        f'{{"t":{12 + step / 10},"from":"scale","data":"ST,+{0 if step < 8 else 412:06.1f} g\\r\\n"}}\n'
        for step in range(24)
    ),
]


def stored(database: Path) -> list[tuple[str, float | None, str]]:
    with closing(sqlite3.connect(database)) as reader:
        return reader.execute("SELECT tag, weight_g, rule FROM fish_all ORDER BY worked_up_at").fetchall()


@pytest.fixture
def toml(tmp_path: Path) -> Path:
    return write_station(tmp_path)


@pytest.fixture
def day(tmp_path: Path) -> Path:
    path = tmp_path / "day.jsonl"
    path.write_text(HEADER + "".join(LINES))
    return path


def test_a_day_becomes_records_with_a_journal_beside_them(toml: Path, day: Path, tmp_path: Path) -> None:
    report = replay([day], toml, tmp_path / "out.sqlite")
    assert (report.fish, report.frames, report.set_aside) == (1, 26, [])
    assert stored(tmp_path / "out.sqlite") == [("985120000000101", 412.0, "complete")]
    assert len(journal_files(tmp_path / "out.journal")) == 1
    assert rebuild(tmp_path / "out.sqlite").agrees
    assert not list(tmp_path.glob("out.sqlite-*"))


def test_the_tables_of_the_station_are_there_for_the_replayed_fish(tmp_path: Path) -> None:
    worked_day = worked(5, 20)
    toml = write_station(tmp_path, worked_day)
    replay([write_day(tmp_path / "day.jsonl", said_on(worked_day))], toml, tmp_path / "out.sqlite")
    with closing(sqlite3.connect(tmp_path / "out.sqlite")) as reader:
        statuses = dict(reader.execute("SELECT tag_status, count(*) FROM worked_fish GROUP BY 1").fetchall())
    assert statuses["recapture"] > 0
    assert statuses["new"] > 0


def test_a_day_without_an_end_is_stopped_at_its_last_time(toml: Path, day: Path, tmp_path: Path) -> None:
    day.write_text(HEADER + "".join(LINES[:2]))
    replay([day], toml, tmp_path / "out.sqlite")
    assert stored(tmp_path / "out.sqlite") == [("985120000000101", None, "stopped")]
    text = journal_files(tmp_path / "out.journal")[0].read_text()
    assert '"t":11.0,"w":"2026-05-12T13:00:11.000Z","from":"replay","event":"stop"' in text


def test_lines_that_cannot_be_understood_are_set_aside_and_counted(
    toml: Path, day: Path, tmp_path: Path
) -> None:
    day.write_text(
        HEADER + LINES[0] + '{"t":10.5,"from":"board","data":\n' + "".join(LINES[1:]) + '{"t":99.0,"fr'
    )
    report = replay([day], toml, tmp_path / "out.sqlite")
    assert report.fish == 1
    assert [line.bad.line_no for line in report.set_aside] == [3, 29]
    assert "the last line is cut" in report.set_aside[1].bad.why
    kept = (tmp_path / "out.journal" / "set-aside.txt").read_text().splitlines()
    assert len(kept) == 2


def test_the_second_replay_needs_a_word_and_changes_nothing(toml: Path, day: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.sqlite"
    replay([day], toml, out)
    with pytest.raises(ReplayError, match="exists already"):
        replay([day], toml, out)
    before = stored(out)
    report = replay([day], toml, out, append=True)
    assert len(report.skipped) == 1
    assert stored(out) == before
    assert rebuild(out).agrees


def test_a_further_day_can_be_appended(toml: Path, day: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.sqlite"
    replay([day], toml, out)
    later = tmp_path / "later.jsonl"
    later.write_text(HEADER.replace("05-12", "05-13") + "".join(LINES).replace("101", "102"))
    replay([later], toml, out, append=True)
    assert [code for code, *_ in stored(out)] == ["985120000000101", "985120000000102"]
    assert rebuild(out).agrees


def test_a_database_of_another_program_is_refused(toml: Path, day: Path, tmp_path: Path) -> None:
    with closing(sqlite3.connect(tmp_path / "other.sqlite")) as other:
        other.execute("CREATE TABLE mine (a)")
        other.commit()
    with pytest.raises(NotOurDatabase):
        replay([day], toml, tmp_path / "other.sqlite", append=True)


def test_a_day_without_any_configuration_asks_for_one(day: Path, tmp_path: Path) -> None:
    with pytest.raises(ReplayError, match="give the station's file"):
        replay([day], None, tmp_path / "out.sqlite")


def test_a_missing_file_is_one_sentence(toml: Path, tmp_path: Path) -> None:
    with pytest.raises(ReplayError, match="cannot be read: No such file"):
        replay([tmp_path / "none.jsonl"], toml, tmp_path / "out.sqlite")


def test_a_speed_is_kept_by_waiting(toml: Path, day: Path, tmp_path: Path) -> None:
    waits: list[float] = []
    replay([day], toml, tmp_path / "out.sqlite", speed=2.0, wait=waits.append, clock=lambda: 0.0)
    # The clock stands still, so each wait is the whole time since the day began: 4.3 s / 2 at the end.
    assert waits[0] == 0.5
    assert max(waits) == pytest.approx(2.15)
    fast = tmp_path / "fast.sqlite"
    replay([day], toml, fast)
    assert stored(fast) == stored(tmp_path / "out.sqlite")
    assert rebuild(tmp_path / "out.sqlite").agrees


def test_a_stations_own_journal_needs_no_configuration(tmp_path: Path) -> None:
    live = Live(write_station(tmp_path), 100.0)
    fish(live, 110.0, "985120000000101")
    live.stop(120.0)
    report = replay(journal_files(live.station.journal), None, tmp_path / "out.sqlite")
    assert report.fish == 1
    assert rebuild(tmp_path / "out.sqlite").agrees
