"""The station's file, and a station that really runs on pseudo-terminals."""

import os
import signal
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from ingest.control import StationClient, StationError
from simulators.ptys import Pty
from tests.cli.command_line import PATIENCE_S, PROGRAM, call, call_json, call_program, environment
from tests.cli.invented_day import RECAPTURED, STOCK, write_station


class Bank:
    """A running station with its three instruments."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.ports = {name: Pty(folder / name) for name in ("reader", "board", "scale")}
        write_station(folder, {name: str(port.path) for name, port in self.ports.items()})
        self._pause = threading.Event()
        self.log = folder / "terminal.txt"
        with self.log.open("wb") as out:
            self.process = subprocess.Popen(
                [PROGRAM, "station", "run", "STATION.toml"],
                cwd=folder,
                env=environment(),
                stdout=out,
                stderr=subprocess.STDOUT,
            )
        self.until(lambda: all(port.heard for port in self.ports.values()))
        self.until(self.status)
        for port in self.ports.values():
            port.send(b"\r\n")  # a line that ends right after the port was opened never counts
        self.until(lambda: all(one["bytes"] for one in self.status()["instruments"].values()))

    def until(self, condition: Callable[[], Any]) -> None:
        """Wait for a condition while the station lives."""
        deadline_s = time.monotonic() + PATIENCE_S
        while not condition():
            assert self.process.poll() is None, self.log.read_text()
            assert time.monotonic() < deadline_s, f"this never came: {self.log.read_text()}"
            self._pause.wait(0.02)

    def ask(self, *words: object) -> Any:
        return call_json(*words, folder=self.folder)

    def status(self) -> Any:
        """What the station says through its own door; None while there is none."""
        try:
            with StationClient(self.folder / "work-up.sqlite") as client:
                return client.ask("status")
        except StationError:
            return None

    def say(self, instrument: str, text: str, condition: Callable[[], Any]) -> None:
        """Say a line, and wait until it was taken."""
        self.ports[instrument].send(text.encode(), PATIENCE_S)
        self.until(condition)

    def work_up(self, tag: str, length_mm: int, weight_g: float, number: int) -> None:
        """Work a fish up; returns when it is fish number `number` of the list."""
        self.say("reader", f"{tag}\r", lambda: (self.in_hand() or {}).get("tag") == tag)
        self.say("board", f"{length_mm} mm\r", lambda: self.in_hand()["length_mm"] == length_mm)
        line = f"+{weight_g:8.1f} g  \r\n"
        self.say("scale", line, lambda: len(self.ask("fish", "list")["fish"]) == number)

    def in_hand(self) -> Any:
        return self.status()["benches"]["main"]["in_hand"]

    def end(self) -> None:
        self.process.kill()
        self.process.wait()
        for port in self.ports.values():
            port.unplug()


@pytest.fixture(scope="module")
def bank(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bank]:
    """One station for all questions of this file; it has worked up two fish."""
    station = Bank(tmp_path_factory.mktemp("bank"))
    try:
        station.work_up(RECAPTURED, 345, 560.0, 1)
        station.work_up(STOCK[0], 300, 385.0, 2)
        yield station
    finally:
        station.end()


def test_the_check_lists_what_was_read(station: Path) -> None:
    found = call_json("station", "check", "STATION.toml", folder=station.parent)
    assert found["ok"] is True
    assert (found["n_inventory_tags"], found["n_history_captures"]) == (6, 1)
    assert {"station", "protocol", "instrument", "inventory", "history"} <= {
        one["kind"] for one in found["sources"]
    }
    text = call("station", "check", "STATION.toml", folder=station.parent).stdout
    assert "inventory/stock.csv" in text
    assert text.endswith("The station can start.\n")


def test_the_check_names_every_problem_with_file_line_and_key(station: Path) -> None:
    text = (
        station.read_text()
        .replace('use = "board_mm"', 'use = "bord_mm"')
        .replace("fate removed", "fate gone")
    )
    station.write_text(text.replace('"board_mm"', '"bord_mm"'))
    found = call_json("station", "check", "STATION.toml", folder=station.parent, expect=2)
    assert found["ok"] is False
    first = found["problems"][0]
    assert first["file"] == "STATION.toml"
    assert first["key"] == "instrument[1].use"
    assert text.splitlines()[first["line"] - 1] == 'use = "bord_mm"'
    done = call("station", "check", "STATION.toml", folder=station.parent, expect=2)
    assert f"STATION.toml, line {first['line']}" in done.stderr
    assert "cannot start" in done.stderr


def test_rows_that_are_not_used_are_shown_and_stop_nothing(station: Path) -> None:
    (station.parent / "inventory" / "bad.csv").write_text("tag\n9.85E+14\n")
    done = call("station", "check", "STATION.toml", folder=station.parent)
    assert "inventory/bad.csv, line 2" in done.stdout


def test_without_a_station_the_database_speaks_with_exit_code_3(replayed: Path) -> None:
    found = call_json("station", "status", folder=replayed, expect=3)
    assert found["running"] is False
    assert found["survey"]["n_fish"] == 3
    assert "not running" in call("station", "status", folder=replayed, expect=3).stdout


@pytest.mark.parametrize(
    "words",
    [("command", "next"), ("survey", "open"), ("survey", "close"), ("survey", "name", "x"), ("run", "start"),
     ("run", "end", "--seconds", "3")],
)  # fmt: skip
def test_what_needs_a_running_station_says_how_to_start_one(station: Path, words: tuple[str, ...]) -> None:
    assert "tallywell station run" in call(*words, folder=station.parent, expect=3).stderr


def test_the_running_station_shows_who_is_in_hand_and_how_its_instruments_are(bank: Bank) -> None:
    bank.say("board", "222 mm\r", bank.in_hand)
    status = bank.ask("station", "status")
    assert status["running"] is True
    assert status["station"] == "test-bank"
    assert bank.in_hand()["length_mm"] == 222.0
    assert "weight" in bank.in_hand()["missing"]
    assert {name: one["port"] for name, one in status["instruments"].items()} == dict.fromkeys(
        bank.ports, "opened"
    )
    text = call("station", "status", folder=bank.folder).stdout
    for shown in ("222 mm", "missing:", "Alder Pond, Spring", "lengths", "s ago"):
        assert shown in text
    said = bank.ask("command", "void")["said"]
    assert said
    bank.until(lambda: bank.in_hand() is None)


def test_records_are_read_while_the_station_runs(bank: Bank) -> None:
    fish = [one for one in bank.ask("fish", "list")["fish"] if one["tag"]]
    assert [one["tag"] for one in fish] == [RECAPTURED, STOCK[0]]
    assert len(bank.ask("fish", "history", RECAPTURED)["captures"]) == 2
    assert bank.ask("fish", "trace", fish[0]["fish_id"])["readings"]
    assert bank.ask("survey", "list")["surveys"][0]["name"] == "Spring"


def test_a_command_is_carried_out_and_what_it_caused_is_printed(bank: Bank) -> None:
    done = call("command", "species", "bluegill", "--bench", "main", folder=bank.folder)
    assert "luegill" in done.stdout
    assert bank.status()["benches"]["main"]["species"] == "bluegill"
    call("command", "species largemouth_bass", folder=bank.folder)
    assert bank.status()["benches"]["main"]["species"] == "largemouth_bass"


def test_a_command_that_is_none_and_a_bench_that_is_not_there_are_refused(bank: Bank) -> None:
    assert 'meant "void"' in call("command", "voit", folder=bank.folder, expect=2).stderr
    assert "it has main" in call("command", "next", "--bench", "deck", folder=bank.folder, expect=2).stderr


def test_what_the_station_does_not_do_is_exit_code_1(bank: Bank) -> None:
    found = call_json("survey", "open", "--water", "Mill Pond", folder=bank.folder, expect=1)
    assert found["said"][0]["name"] == "command_refused"
    assert "No run is open" in call("run", "end", folder=bank.folder, expect=1).stdout


def test_runs_are_started_and_ended_with_their_seconds(bank: Bank) -> None:
    call("run", "start", "--conductivity", "240", "--temperature", "-0.5", folder=bank.folder)
    assert bank.status()["survey"]["run_open"] is True
    ended = call("run", "end", "--seconds", "640.5", "--temperature", "14.5", folder=bank.folder).stdout
    assert "640.5 s of current, water 14.5 C instead of -0.5 C" in ended
    (run,) = bank.ask("survey", "status")["runs"]
    assert (run["current_on_s"], run["water_c"], run["conductivity_us_per_cm"]) == (640.5, 14.5, 240.0)
    shown = call("survey", "status", folder=bank.folder).stdout
    assert "water C" in shown
    assert "uS/cm" in shown


@pytest.mark.parametrize("verb", ["start", "end"])
def test_a_water_that_is_none_is_refused_by_the_command_line_as_by_every_door(
    station: Path, verb: str
) -> None:
    for option, value, said in (
        ("--temperature", "58", "temperature=58 is not that of a water: give -2 to 45 degrees Celsius."),
        ("--conductivity", "0.24", "give 1 to 60000 uS/cm (0.24 mS/cm are 240 uS/cm)."),
        ("--conductivity", "240 uS", "conductivity=240 uS is not a conductivity in uS/cm;"),
    ):
        assert said in call("run", verb, option, value, folder=station.parent, expect=2).stderr


def test_a_snapshot_of_the_running_station_is_whole(bank: Bank, tmp_path: Path) -> None:
    database = bank.folder / "work-up.sqlite"
    made = call_json("station", "snapshot", "copy.sqlite", "--db", database, folder=tmp_path)
    listed = call_json("fish", "list", "--db", tmp_path / "copy.sqlite", folder=tmp_path)["fish"]
    assert len(listed) >= 2
    assert made["size_bytes"] == (tmp_path / "copy.sqlite").stat().st_size


def test_the_port_of_a_running_station_is_left_to_it(bank: Bank) -> None:
    done = call("instruments", "watch", "STATION.toml", "board", folder=bank.folder, expect=3)
    assert "The station runs and reads the board itself" in done.stderr
    assert "opened" in done.stdout
    found = call_json("instruments", "watch", "STATION.toml", "board", folder=bank.folder, expect=3)
    assert found["station"]["board"]["outcomes"]["LengthSeen"] >= 2
    call("instruments", "check", "STATION.toml", "board", "--length", "300", folder=bank.folder, expect=3)


def test_a_second_station_and_a_rebuild_are_told_who_has_the_database(bank: Bank) -> None:
    pid = str(bank.process.pid)
    done = call_program("station", "run", "STATION.toml", folder=bank.folder, expect=3)
    assert pid in done.stdout + done.stderr
    assert pid in call("rebuild", "work-up.sqlite", folder=bank.folder, expect=3).stderr


def test_a_provisional_survey_is_named_and_closed_and_the_station_stops_cleanly(tmp_path: Path) -> None:
    bank = Bank(tmp_path)
    try:
        call("survey", "open", "--water", "Mill Pond", "--name", "Autumn", folder=tmp_path)
        call("survey", "name", "Late autumn", folder=tmp_path)
        assert bank.status()["survey"]["name"] == "Late autumn"
        assert "Survey closed" in call("survey", "close", folder=tmp_path).stdout
        os.kill(bank.process.pid, signal.SIGTERM)
        assert bank.process.wait(PATIENCE_S) == 0
    finally:
        bank.end()
    left = {path.name for path in tmp_path.iterdir()}
    assert not {
        name for name in left if name.startswith("work-up.sqlite-") or name.endswith((".sock", ".lock"))
    }
    assert call_json("rebuild", "work-up.sqlite", folder=tmp_path)["agrees"] is True


def test_a_socket_that_a_killed_station_left_behind_stops_nobody(tmp_path: Path) -> None:
    bank = Bank(tmp_path)
    bank.end()
    assert (tmp_path / "work-up.sqlite.sock").exists()
    assert call_json("station", "status", folder=tmp_path, expect=3)["running"] is False
    call("fish", "list", folder=tmp_path)
    call("command", "next", folder=tmp_path, expect=3)
