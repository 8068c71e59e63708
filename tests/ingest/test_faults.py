"""The station through faults of its media: nothing is lost, the crew is told once, and it heals by itself."""

import json
import shutil
import signal
import sqlite3
import subprocess
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from ingest.daemon import EXIT_BUG, EXIT_LATER
from ingest.journal_reading import journal_files, read_journal
from ingest.rebuild import rebuild
from tests.ingest.daemon_tools import Child, quick_station, station_on, wait_for
from tests.ingest.stations import length, tag

FIRST, SECOND, THIRD = "985120000000101", "985120000000102", "985120000000103"


@pytest.fixture
def toml(tmp_path: Path) -> Path:
    return quick_station(tmp_path)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 2 MB."""
    place = tmp_path / "small"
    place.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=2m", "none", str(place)], capture_output=True, check=False
    )
    if mounted.returncode != 0:
        pytest.skip("only root can mount a small file system")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


def fill(disk: Path) -> Path:
    """Take all the space there is."""
    filler = disk / "filler"
    with open(filler, "wb", buffering=0) as file:
        for size in (65536, 4096, 1):
            try:
                while True:
                    file.write(b"x" * size)
            except OSError:
                pass
    return filler


def tags_in(database: Path) -> list[str]:
    with closing(sqlite3.connect(f"file:{database}?mode=ro", uri=True)) as reader:
        return [one for (one,) in reader.execute("SELECT tag FROM worked_fish ORDER BY worked_up_at")]


def heard_once(station: Child, words: str) -> None:
    wait_for(lambda: words in station.said(), words, station.process)
    assert station.said().count(words) == 1


def test_a_full_disk_is_said_once_and_every_fish_is_saved_when_there_is_room(
    tmp_path: Path, small_disk: Path
) -> None:
    toml = quick_station(tmp_path, database="small/work-up.sqlite")
    with station_on(toml, database="small/work-up.sqlite") as station:
        station.work_up(FIRST)
        wait_for(lambda: "] Saved: " in station.said(), "the first fish")
        filler = fill(small_disk)
        station.work_up(SECOND)
        heard_once(station, "No space is left for the database")
        station.work_up(THIRD)
        wait_for(lambda: station.said().count("Kept in the journal, not yet saved") == 2, "both fish kept")
        assert station.said().count("No space is left for the database") == 1
        assert tags_in(station.database) == [FIRST]
        filler.unlink()
        heard_once(station, "The database is written again")
        wait_for(lambda: station.said().count("] Saved: ") == 3, "all three fish saved")
        assert station.signal() == 0
        assert tags_in(station.database) == [FIRST, SECOND, THIRD]
        report = rebuild(station.database)
        assert report.agrees, "\n".join(report.lines())


def test_a_station_stopped_with_a_full_disk_puts_its_fish_in_at_the_next_start(
    tmp_path: Path, small_disk: Path
) -> None:
    toml = quick_station(tmp_path, database="small/work-up.sqlite")
    with station_on(toml, database="small/work-up.sqlite") as station:
        station.work_up(FIRST)
        filler = fill(small_disk)
        station.work_up(SECOND)
        wait_for(lambda: "Kept in the journal" in station.said(), "the fish kept")
        assert station.signal() == 0
        assert "at the next start" in station.said()
        filler.unlink()
        station.start()
        assert [one["tag"] for one in station.fish()] == [FIRST, SECOND]
        assert station.signal() == 0
        assert rebuild(station.database).agrees


def test_what_the_full_disk_of_a_journal_did_not_take_is_kept_elsewhere_at_the_end(
    tmp_path: Path, small_disk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = tmp_path / "home"
    home.mkdir()
    monkeypatch.setenv("HOME", str(home))
    toml = quick_station(tmp_path, database="small/work-up.sqlite")
    (tmp_path / "journal").symlink_to(small_disk, target_is_directory=True)
    with station_on(toml, database="small/work-up.sqlite") as station:
        station.work_up(FIRST)
        filler = fill(small_disk)
        fish = 1
        while (
            "waits in memory" not in station.said()
        ):  # the block that the journal has begun has room for some
            assert fish < 200
            station.work_up(f"98512{fish:010d}")
            fish += 1
        station.work_up(SECOND)
        assert station.signal() == EXIT_LATER
        (rescued,) = home.iterdir()
        assert f"are in {rescued} only: make room" in station.said()
        filler.unlink()
        shutil.move(rescued, tmp_path / "journal")
        station.start()
        assert station.signal() == 0
        assert len(tags_in(station.database)) == fish + 1
        assert rebuild(station.database).agrees


def test_a_card_that_fails_for_a_while_costs_no_fish(toml: Path) -> None:
    if (
        shutil.which("strace") is None
        or subprocess.run(["strace", "-o", "/dev/null", "true"], check=False).returncode
    ):
        pytest.skip("strace makes the faults, and must be allowed to trace")
    child = Child(toml)
    try:
        child.start()
        assert child.signal() == 0
        fault = "inject=fdatasync,fsync:error=EIO:when=5..9"
        child.wrapper = (
            *("strace", "-D", "-f", "-q", "--seccomp-bpf", "-o", "/dev/null"),
            *("-e", "trace=fdatasync,fsync", "-P", str(child.database), "-e", fault),
        )
        child.start()
        for number in range(12):
            child.work_up(f"98512{number:010d}")
        wait_for(lambda: "The database cannot be written" in child.said(), "the fault", child.process)
        wait_for(lambda: "The database is written again" in child.said(), "the cure", child.process)
        wait_for(lambda: child.said().count("] Saved: ") == 12, "all fish", child.process)
        assert child.signal() == 0
        assert len(tags_in(child.database)) == 12
        assert rebuild(child.database).agrees
    finally:
        child.close()


def test_another_program_that_locks_the_database_holds_up_nothing_but_the_word_saved(toml: Path) -> None:
    with station_on(toml) as station:
        station.work_up(FIRST)
        with closing(sqlite3.connect(station.database, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            station.work_up(SECOND)
            heard_once(station, "Another program holds the database")
            station.work_up(THIRD)
            wait_for(lambda: station.said().count("Kept in the journal") == 2, "both fish kept")
            assert station.ask("status")["waiting_commits"] > 0
            other.execute("ROLLBACK")
        wait_for(lambda: station.said().count("] Saved: ") == 3, "all three fish saved")
        assert station.signal() == 0
        assert tags_in(station.database) == [FIRST, SECOND, THIRD]
        assert rebuild(station.database).agrees


def test_a_database_that_cannot_even_be_read_makes_the_bytes_wait(toml: Path) -> None:
    with station_on(toml) as station:
        station.work_up(FIRST)
        with closing(sqlite3.connect(station.database, isolation_level=None)) as other:
            other.execute("BEGIN EXCLUSIVE")
            station.ports["reader"].send(tag(SECOND))
            heard_once(station, "The database cannot be read")
            wait_for(lambda: not station.ports["reader"].unread, "the port drained")
            station.ports["board"].send(length(320))
            other.execute("ROLLBACK")
        wait_for(lambda: station.ask("status")["benches"]["main"]["in_hand"] is not None, "the fish in hand")
        assert station.signal() == 0
        assert rebuild(station.database).agrees


def test_told_to_stop_while_the_database_cannot_be_read_the_bytes_are_kept_unread(toml: Path) -> None:
    with station_on(toml) as station:
        station.work_up(FIRST)
        with closing(sqlite3.connect(station.database, isolation_level=None)) as other:
            other.execute("BEGIN EXCLUSIVE")
            station.ports["reader"].send(tag(SECOND))
            heard_once(station, "The database cannot be read")
            assert station.signal() == EXIT_LATER
        frames = [e.item for p in journal_files(station.folder / "journal") for e in read_journal(p)]
        unread = [one for one in frames if getattr(one, "event", None) == "unread"]
        assert json.dumps(dict(getattr(unread[0], "body", {}))).count(SECOND) == 1
        station.start()
        assert [one["tag"] for one in station.fish()] == [FIRST]
        assert station.signal() == 0


def test_a_journal_taken_away_is_said_and_fish_are_saved_all_the_same(toml: Path) -> None:
    with station_on(toml) as station:
        station.work_up(FIRST)
        away = station.folder / "away"
        (station.folder / "journal").rename(away)
        station.work_up(SECOND)
        wait_for(lambda: "The journal: " in station.said(), "the trouble", station.process)
        wait_for(lambda: station.said().count("] Saved: ") == 2, "both fish saved")
        away.rename(station.folder / "journal")
        wait_for(lambda: "The journal is whole" in station.said(), "the cure", station.process)
        station.work_up(THIRD)
        assert station.signal() == 0
        assert rebuild(station.database).agrees


def test_a_fault_of_the_program_stops_it_loudly(toml: Path) -> None:
    broken = (
        "import ingest.loop\n"
        "def fails(self, item): raise ZeroDivisionError('made by a test')\n"
        "ingest.loop.StationLoop._take_bytes = fails"
    )
    station = Child(toml, broken=broken)
    try:
        process = station.start(ready=False)

        def bytes_end_it() -> bool:
            station.ports["board"].send(length(300))  # what comes before the port is open is dropped
            return process.poll() is not None

        wait_for(bytes_end_it, "the end")
        assert process.returncode == EXIT_BUG
        assert "a fault of this program (ZeroDivisionError: made by a test)" in station.said()
        log = (station.folder / "tallywell.log").read_text()
        assert "Traceback" in log
        assert not (station.folder / "work-up.sqlite.lock").exists()
    finally:
        station.close()


def test_a_reader_that_died_is_said_and_started_again(toml: Path) -> None:
    broken = (
        "import drivers.transport.reader as reader\n"
        "real, failed = reader.PortReader._one_connection, []\n"
        "def once(self, stop):\n"
        "    if self.name == 'board' and not failed:\n"
        "        failed.append(1); raise ZeroDivisionError('made by a test')\n"
        "    real(self, stop)\n"
        "reader.PortReader._one_connection = once"
    )
    with station_on(toml, broken=broken) as station:
        heard_once(station, "its reader failed by a fault of this program")
        station.work_up(FIRST)
        wait_for(lambda: [one["tag"] for one in station.fish()] == [FIRST], "the fish")
        assert station.signal(signal.SIGTERM) == 0
