"""The demo: `python -m simulators.demo`. Virtual instruments on real ports, the real daemon, an invented day.

Starts the player and the station as processes of their own, shows what the station says while the day runs, stops
the station as an operator would, and prints the day from its database.
"""

import argparse
import json
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, closing
from pathlib import Path
from typing import IO, Any

from ingest.control import StationClient, StationError, socket_path
from simulators.demo_day import SPEED, DemoDay, write_demo
from simulators.demo_office import CommandFailedError, Office
from simulators.demo_report import print_day, print_where
from simulators.demo_years import POND

START_WITHIN_S = 30.0
STOP_WITHIN_S = 20.0
_LOOK_S = 0.02
_SHOWN = {
    "survey_opened": "survey",
    "recapture": "recapture",
    "fish_held": "HELD",
    "settled": "settled",
    "instrument_lost": "LOST",
    "instrument_found": "back",
    "instrument_silent": "silent",
    "tag_not_read": "reminder",
    "scan_again": "reminder",
    "speed_or_cable": "garbage",
}


class DemoError(Exception):
    """The demo cannot go on. One sentence."""


def main(arguments: list[str] | None = None) -> int:
    """Exit code 0 if the day was worked up, 1 if it was not."""
    parser = argparse.ArgumentParser(
        prog="python -m simulators.demo", description="Work up an invented survey."
    )
    parser.add_argument("--folder", type=Path, default=Path("demo-out"), help="where the day is kept")
    parser.add_argument("--tcp", action="store_true", help="network serial instead of pseudo-terminals")
    parser.add_argument(
        "--speed", type=float, help=f"how many times as fast as a crew; {SPEED:g} if not told"
    )
    parser.add_argument(
        "--watch", action="store_true", help="at the pace of a crew, to look at the page and listen"
    )
    options = parser.parse_args(arguments)
    speed = options.speed or (1.0 if options.watch else SPEED)
    try:
        return run_demo(options.folder, tcp=options.tcp or not _has_ptys(), speed=speed, sounds=options.watch)
    except (DemoError, CommandFailedError, StationError, OSError) as error:
        print(f"The demo stopped: {error}", file=sys.stderr)
        return 1


def run_demo(folder: Path, *, tcp: bool, speed: float, sounds: bool) -> int:
    """Play the day into `folder` (emptied first) and print it."""
    _empty(folder)
    door = "network serial (socket://)" if tcp else "pseudo-terminals"
    print(f"Tallywell demo: an invented survey of {POND}, {_pace(speed)}.")
    print(
        f"Virtual tag reader, measuring board and streaming scale speak on {door}; the station is a process of its own."
    )
    print()
    office = Office(folder)
    with ExitStack() as stack:
        player = stack.enter_context(_player(folder, tcp, speed))
        ports = _next_line(player)["ports"]
        demo = write_demo(folder, ports, speed, sounds=sounds)
        station_file = folder / "STATION.toml"
        print("BEFORE THE DAY: what is known of the pond goes along")
        office.before_the_day(station_file)
        print("\nAT THE WATER")
        output = stack.enter_context(open(folder / "station.out", "wb"))
        station = stack.enter_context(_station(station_file, output))
        database = folder / "work-up.sqlite"
        with closing(_client(database, station, folder)) as client:
            told = threading.Thread(target=_tell, args=(client, demo), daemon=True)
            told.start()
            print(f"  {_page(folder / 'station.out')}  (look at it while the day runs)", flush=True)
            lost = _wait_for_end(player, station, folder)
            _wait_until_quiet(database)
            station.send_signal(signal.SIGTERM)
            code = _stopped(station)
            told.join(5)
        if code != 0:
            raise DemoError(f"the station ended with code {code}: see {folder / 'station.out'}")
    if lost:
        print(f"{lost} bytes were sent while no station listened.")
    print_day(database, demo)
    print("\nIN THE OFFICE: the day comes home")
    office.after_the_day(database)
    print_where(database, office.database, station_file)
    return 0


def _pace(speed: float) -> str:
    return "at the pace of a crew" if speed == 1 else f"{speed:g} times as fast as a crew works"


def _has_ptys() -> bool:
    try:
        ends = os.openpty()
    except OSError:
        return False
    for end in ends:
        os.close(end)
    return True


def _empty(folder: Path) -> None:
    """Remove an earlier demo; a folder that is none is left alone."""
    if folder.exists():
        if any(folder.iterdir()) and not (folder / "day.json").is_file():
            raise DemoError(
                f"{folder} holds something else than an earlier demo: name another folder with --folder."
            )
        shutil.rmtree(folder)
    folder.mkdir(parents=True)


class _Process:
    """A child process that never outlives the demo."""

    def __init__(self, process: subprocess.Popen[bytes]) -> None:
        self.process = process

    def __enter__(self) -> subprocess.Popen[bytes]:
        return self.process

    def __exit__(self, *_: object) -> None:
        for stream in (self.process.stdin, self.process.stdout):
            if stream is not None:
                stream.close()
        if self.process.poll() is None:
            self.process.terminate()
            try:
                self.process.wait(STOP_WITHIN_S)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()


def _player(folder: Path, tcp: bool, speed: float) -> _Process:
    """The virtual instruments. The day is written first: the ports are named in the station's file afterwards."""
    write_demo(folder, {}, speed)
    command = [sys.executable, "-m", "simulators.live", str(folder / "day.json")]
    command += [
        "--folder",
        str(folder.resolve() / "ports"),
        "--speed",
        str(speed),
        *(["--tcp"] if tcp else []),
    ]
    return _Process(subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE))


def _station(station_file: Path, output: IO[bytes]) -> _Process:
    command = [sys.executable, "-m", "cli", "station", "run", str(station_file)]
    return _Process(subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=output, stderr=output))


def _next_line(player: subprocess.Popen[bytes]) -> dict[str, Any]:
    assert player.stdout is not None
    line = player.stdout.readline()
    if not line:
        raise DemoError("the virtual instruments ended before the day did")
    fields: dict[str, Any] = json.loads(line)
    return fields


def _client(database: Path, station: subprocess.Popen[bytes], folder: Path) -> StationClient:
    for _ in _within(START_WITHIN_S):
        if station.poll() is not None:
            raise DemoError(f"the station did not start: see {folder / 'station.out'}")
        if socket_path(database).exists():
            try:
                return StationClient(database)
            except StationError:
                pass
    raise DemoError(f"the station did not start within {START_WITHIN_S:g} s: see {folder / 'station.out'}")


def _page(output: Path) -> str:
    """What the station said about its page."""
    for _ in _within(START_WITHIN_S):
        for line in output.read_text(encoding="utf-8", errors="replace").splitlines():
            if "The page is at" in line:
                return line[line.index("The page is at") :]
    return "There is no page: see station.out."


def _wait_for_end(player: subprocess.Popen[bytes], station: subprocess.Popen[bytes], folder: Path) -> int:
    while True:
        fields = _next_line(player)
        if station.poll() is not None:
            raise DemoError(f"the station ended in the middle of the day: see {folder / 'station.out'}")
        if fields.get("over"):
            return int(fields["lost_bytes"])


def _wait_until_quiet(database: Path) -> None:
    """Wait until no fish is in hand: the last one may still wait for a late tag."""
    for _ in _within(5.0):
        with StationClient(database) as client:
            benches = client.ask("status")["benches"]
        if all(bench.get("fish") is None for bench in benches.values()):
            return


def _stopped(station: subprocess.Popen[bytes]) -> int:
    try:
        return station.wait(STOP_WITHIN_S)
    except subprocess.TimeoutExpired:
        raise DemoError("the station did not stop on SIGTERM") from None


def _within(seconds: float) -> Iterator[None]:
    until_s = time.monotonic() + seconds
    while time.monotonic() < until_s:
        yield
        time.sleep(_LOOK_S)


def _tell(client: StationClient, demo: DemoDay) -> None:
    """Show what the station says, and the number of fish so far."""
    saved = 0
    in_all = len(demo.worked.fish)
    try:
        for said in client.announcements():
            if said["name"] == "fish_saved":
                saved += 1
                if saved % 8 == 0:
                    print(f"  {saved:3} of {in_all} fish  {'#' * (saved // 2)}", flush=True)
            elif said["name"] in _SHOWN:
                print(f"  {_SHOWN[said['name']]:>9} | {said['sentence']}", flush=True)
    except (StationError, OSError, ValueError):
        return


def main_or_interrupt() -> int:
    """Interrupted or told to end, the demo leaves no process behind."""
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        return main()
    except KeyboardInterrupt:
        print("Stopped.", file=sys.stderr)
        return 130


if __name__ == "__main__":
    sys.exit(main_or_interrupt())
