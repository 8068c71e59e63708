"""The station's program as a child process on pseudo-terminals, with real signals."""

import json
import os
import signal
import sqlite3
import stat
from contextlib import closing
from pathlib import Path

import pytest

from ingest.daemon import EXIT_CONFIG, EXIT_DATABASE, EXIT_IN_USE
from ingest.rebuild import rebuild
from tests.ingest.daemon_tools import PATIENCE_S, Child, quick_station, station_on, wait_for, weighing
from tests.ingest.test_watch import put

FIRST, SECOND = "985120000000101", "985120000000102"


@pytest.fixture
def toml(tmp_path: Path) -> Path:
    return quick_station(tmp_path)


def log_lines(folder: Path) -> list[dict[str, object]]:
    return [json.loads(line) for line in (folder / "tallywell.log").read_text().splitlines()]


def test_a_fish_is_recorded_from_three_ports_and_a_clean_stop_leaves_one_file(toml: Path) -> None:
    with station_on(toml) as station:
        assert stat.S_IMODE(os.stat(f"{station.database}.sock").st_mode) == 0o600
        station.work_up(FIRST)
        wait_for(lambda: len(station.fish()) == 1, "the fish")
        assert station.fish()[0]["tag"] == FIRST
        wait_for(lambda: "Saved: largemouth bass 312 mm, 412 g" in station.said(), "the line on the terminal")
        assert station.signal(signal.SIGTERM) == 0
        assert sorted(path.name for path in station.folder.glob("work-up*")) == ["work-up.sqlite"]
    report = rebuild(station.database)
    assert report.agrees, "\n".join(report.lines())
    log = log_lines(station.folder)
    assert any(f"SQLite {sqlite3.sqlite_version}, journal mode truncate" in str(line["text"]) for line in log)
    assert any(
        isinstance(said := line.get("said"), dict) and said.get("name") == "fish_saved" for line in log
    )


def test_what_has_arrived_is_taken_in_before_the_stop(toml: Path) -> None:
    with station_on(toml) as station:
        for number in range(200):
            station.ports["board"].send(b"%d mm\r\n" % (200 + number))
        wait_for(lambda: not station.ports["board"].unread, "the port drained")
        assert station.signal(signal.SIGINT) == 0
    text = b"".join(path.read_bytes() for path in (station.folder / "journal").glob("*.jsonl"))
    assert text.count(b' mm\\r"') == 200
    assert text.count(b'"event":"stop"') == 1


@pytest.mark.parametrize("hangup", ["SIG_DFL", "SIG_IGN"])
def test_a_closed_terminal_stops_the_station_cleanly_unless_it_was_told_to_ignore_that(
    toml: Path, hangup: str
) -> None:
    station = Child(toml, broken=f"import signal; signal.signal(signal.SIGHUP, signal.{hangup})")
    try:
        process = station.start()
        process.send_signal(signal.SIGHUP)
        if hangup == "SIG_IGN":
            station.work_up(FIRST)
            wait_for(lambda: len(station.fish()) == 1, "the fish after the terminal was closed", process)
            process.terminate()
        assert process.wait(PATIENCE_S) == 0
        assert sorted(path.name for path in station.folder.glob("work-up*")) == ["work-up.sqlite"]
    finally:
        station.close()


def test_a_second_station_on_the_same_database_is_refused_with_the_process_id(toml: Path) -> None:
    with station_on(toml) as station:
        second = Child(toml)
        second.ports.clear()  # the links are the first one's
        process = second.start(ready=False)
        assert process.wait(PATIENCE_S) == EXIT_IN_USE
        assert station.process is not None
        assert f"in use by process {station.process.pid}" in station.said()
        station.work_up(FIRST)
        wait_for(lambda: len(station.fish()) == 1, "the fish of the first station")


def test_every_fault_of_the_configuration_is_a_sentence(tmp_path: Path) -> None:
    toml = quick_station(tmp_path)
    toml.write_text(
        toml.read_text().replace("board_mm", "board_mmm").replace('name = "bank"', 'nam = "bank"')
    )
    child = Child(toml)
    try:
        assert child.start(ready=False).wait(PATIENCE_S) == EXIT_CONFIG
        assert "Traceback" not in child.said()
        assert "nam" in child.said()
    finally:
        child.close()


def test_a_file_that_is_no_database_of_ours_is_left_untouched(toml: Path) -> None:
    path = toml.parent / "work-up.sqlite"
    path.write_bytes(b"not a database" * 100)
    child = Child(toml)
    try:
        assert child.start(ready=False).wait(PATIENCE_S) == EXIT_DATABASE
        assert "Traceback" not in child.said()
        assert path.read_bytes() == b"not a database" * 100
    finally:
        child.close()


def test_an_unplugged_instrument_is_said_and_found_again(toml: Path) -> None:
    with station_on(toml) as station:
        station.ports["board"].unplug()
        wait_for(lambda: "The board is lost" in station.said(), "the loss")
        station.ports["board"].plug()
        wait_for(lambda: "The board is back." in station.said(), "the return")
        assert station.ask("status")["instruments"]["board"]["losses"] == 1


def test_a_fish_in_hand_survives_a_kill_and_goes_on(toml: Path) -> None:
    with station_on(toml) as station:
        station.send("reader", FIRST.encode() + b"\r\n", "TagSeen")
        assert station.signal(signal.SIGKILL) == -signal.SIGKILL
        station.start()
        in_hand = station.ask("status")["benches"]["main"]["in_hand"]
        assert in_hand["tag"] == FIRST
        assert in_hand["missing"] == ["length", "weight"]
        station.send("board", b"312 mm\r\n", "LengthSeen")
        station.send("scale", weighing(412.0), "WeightSettled")
        wait_for(lambda: len(station.fish()) == 1, "the fish")
        assert station.fish()[0]["tag"] == FIRST
        assert station.signal() == 0
    assert rebuild(station.database).agrees


def test_new_settings_are_taken_while_the_station_runs_and_stand_in_the_journal(toml: Path) -> None:
    (toml.parent / "inventory").mkdir()  # a folder that comes later is seen too, but only by the slow poll
    with station_on(toml) as station:
        put(station.folder / "inventory" / "box.csv", f"tag\n{FIRST}\n")
        wait_for(lambda: "New settings are in use (inventory)." in station.said(), "the new inventory")
        station.work_up(FIRST)
        wait_for(lambda: len(station.fish()) == 1, "the fish")
        assert station.fish()[0]["tag_status"] == "new"
        put(toml, toml.read_text().replace('"bank"', '"other-bank"'))
        wait_for(lambda: "A new name needs a restart of the station" in station.said(), "the refusal")
        put(toml, "[station\n")
        wait_for(lambda: "the settings read before stay in use" in station.said(), "the second refusal")
        station.work_up(SECOND)
        wait_for(lambda: len(station.fish()) == 2, "the fish after the refusals")
        assert station.signal() == 0
    report = rebuild(station.database)
    assert report.agrees, "\n".join(report.lines())


def test_a_snapshot_is_taken_on_request_and_when_the_survey_is_closed(toml: Path) -> None:
    with station_on(toml) as station:
        station.work_up(FIRST)
        wait_for(lambda: len(station.fish()) == 1, "the fish")
        asked = station.ask("snapshot")
        assert asked["rows"]["fish"] == 1
        with station.client() as client:
            client.command("survey close")
        folder = station.folder / "snapshots"
        wait_for(lambda: len(list(folder.glob("*.json"))) >= 1, "the snapshot after the survey")
        wait_for(lambda: not list(folder.glob(".*.part")), "a finished snapshot")
        with closing(sqlite3.connect(Path(asked["path"]))) as copy:
            assert copy.execute("SELECT tag FROM worked_fish").fetchall() == [(FIRST,)]
        figures = json.loads(Path(asked["path"]).with_suffix(".json").read_text())
        assert figures["sha256"]
        assert station.signal() == 0


def test_a_terminal_that_nobody_reads_does_not_stop_the_station(toml: Path) -> None:
    reading, writing = os.pipe()
    station = Child(toml)
    try:
        os.set_blocking(writing, False)
        try:
            while True:
                os.write(writing, b"x" * 4096)
        except BlockingIOError:
            os.set_blocking(writing, True)
        station.printed = Path(f"/proc/{os.getpid()}/fd/{writing}")
        station.start()
        station.work_up(FIRST)
        wait_for(lambda: len(station.fish()) == 1, "the fish")
        assert station.signal() == 0
    finally:
        station.close()
        os.close(reading)
        os.close(writing)
