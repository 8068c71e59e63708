"""Runs in the guest: a station whose records lie on the disk, and a crew that never rests; until the power is cut.

`python -m tests.guest.power_job BOOT work` for a run that is cut, `... BOOT judge` for the last one. Each saved fish
is reported the moment the station announces it, past the disk. The station is a process of its own, made by a fork:
an emulated computer takes long to load everything twice.
"""

import os
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

from ingest.control import StationClient, StationError
from ingest.daemon import run_station
from ingest.frames import Frame, Header
from ingest.journal_reading import journal_files, read_journal
from ingest.rebuild import rebuild
from simulators.ptys import Pty
from tests.guest.machine import DISK
from tests.guest.report import PATIENCE_S, Reporter

MOUNT = Path("/run/disk")
FOLDER = MOUNT / "station"
DATABASE = FOLDER / "work-up.sqlite"
FISH_AT_LAST = 5
INSTRUMENTS = {"reader": "tag_plain", "board": "board_mm", "scale": "scale_print_key"}
# The bench takes two fish a few milliseconds apart for two.
BENCH = """
[station]
name = "bank"
[survey]
water = "Reedmace Pond"
name = "May"
[bench.main]
species = "largemouth_bass"
remeasure_s = 0.001
echo_s = 0.001
two_tags_s = 0.001
independent_s = 0.001
command_absent_s = 0.001
"""


class Crew(threading.Thread):
    """Works up fish after fish as fast as the ports take it."""

    def __init__(self, ports: dict[str, Pty], boot: int) -> None:
        super().__init__(daemon=True)
        self._ports = ports
        self._number = boot * 100_000
        self._rest = threading.Event()

    def run(self) -> None:
        while not self._rest.is_set():
            number = self._number
            self._number += 1
            for name, data in (
                ("reader", f"98512{number:010d}\r\n".encode()),
                ("board", b"%d mm\r\n" % (250 + number % 150)),
                ("scale", b"+%8.1f g\r\n" % (300.0 + number % 97)),
            ):
                if not self._ports[name].unread:  # a wire keeps nothing for a station that is not there
                    self._ports[name].send(data)
                if self._rest.wait(0.01):  # the rhythm of a crew
                    return

    def stop(self) -> None:
        self._rest.set()
        self.join()


def main() -> None:
    boot, task = int(sys.argv[1]), sys.argv[2]
    report = Reporter()
    MOUNT.mkdir()
    subprocess.run(["mount", "-t", "ext4", DISK, str(MOUNT)], check=True)
    if boot % 2:
        _halve_the_last_line()
    files, torn = _torn()
    report.say(mounted=boot, files=files, torn=torn)
    toml = _written_station()
    station = os.fork()
    if not station:
        os._exit(run_station(toml, quiet=True))
    report.say(starting=boot)
    crew = Crew({name: Pty(FOLDER / "ports" / name) for name in INSTRUMENTS}, boot)
    crew.start()
    _wait_for("an answer", _answers)
    listener = threading.Thread(
        target=_pass_on, args=(StationClient(DATABASE).announcements(), report), daemon=True
    )
    listener.start()
    before = _stored()
    report.say(answers=boot, stored=before, torn=_torn()[1])
    if task == "work":
        listener.join()  # until the power is cut, or the station ends
        code = os.waitstatus_to_exitcode(os.waitpid(station, 0)[1])
        raise SystemExit(
            f"the station ended by itself ({code}):\n{(FOLDER / 'tallywell.log').read_text()[-3000:]}"
        )
    _wait_for("fish of the last run", lambda: len(_stored()) >= len(before) + FISH_AT_LAST)
    crew.stop()
    os.kill(station, signal.SIGTERM)
    code = os.waitstatus_to_exitcode(os.waitpid(station, 0)[1])
    listener.join()
    again = rebuild(DATABASE)
    report.say(
        stopped=code, stored=_stored(), integrity=_one("PRAGMA integrity_check"), twice=_one(_TWICE),
        rebuild=again.lines()[:20], differences=len(again.differences), refused=len(again.refused),
        lost_configs=len(again.lost_configs), set_aside=[str(one) for one in again.set_aside],
        dates=[_one("SELECT min(worked_up_at) FROM fish"), _one("SELECT max(worked_up_at) FROM fish")],
    )  # fmt: skip


def _written_station() -> Path:
    (FOLDER / "ports").mkdir(parents=True, exist_ok=True)
    tables = "".join(
        f'[[instrument]]\nname = "{name}"\nuse = "{use}"\nport = "{FOLDER / "ports" / name}"\n'
        for name, use in INSTRUMENTS.items()
    )
    path = FOLDER / "station.toml"
    if not path.exists() or path.read_text() != BENCH + tables:  # a cut may have emptied it
        path.write_text(BENCH + tables)
    return path


def _wait_for(what: str, condition: Callable[[], bool]) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while not condition():
        if time.monotonic() > deadline:
            raise TimeoutError(f"this never came: {what}")
        if os.waitpid(-1, os.WNOHANG)[0]:
            raise RuntimeError(
                f"the station ended before: {what}\n{(FOLDER / 'tallywell.log').read_text()[-3000:]}"
            )
        time.sleep(0.1)  # between two looks


def _answers() -> bool:
    try:
        with StationClient(DATABASE) as client:
            client.ask("status")
    except StationError:
        return False
    return True


def _pass_on(told: Iterator[dict[str, Any]], report: Reporter) -> None:
    for one in told:
        if one["name"] == "fish_saved":
            report.say(saved=one["fish_id"])


def _halve_the_last_line() -> None:
    """Leave at the newest journal's end what a cut seldom leaves here and a worse disk more often: half a line."""
    files = journal_files(FOLDER / "journal") if (FOLDER / "journal").is_dir() else []
    written = [path for path in files if path.stat().st_size]
    if written:
        last = max(written, key=lambda path: path.stat().st_mtime)
        line = last.read_bytes().splitlines()[-1]
        with open(last, "ab") as file:
            file.write(line[: len(line) // 2])


def _torn() -> tuple[int, list[str]]:
    """How many journal files there are, and those with a line that is no whole one, or without a last line end."""
    files = journal_files(FOLDER / "journal") if (FOLDER / "journal").is_dir() else []
    return len(files), [path.name for path in files if not _whole(path)]


def _whole(path: Path) -> bool:
    lines = path.read_bytes()
    return lines.endswith(b"\n") and all(isinstance(one.item, Header | Frame) for one in read_journal(path))


def _stored() -> list[str]:
    with closing(_reader()) as reader:
        return [one for (one,) in reader.execute("SELECT fish_id FROM fish")]


# Readings that two fish claim.
_TWICE = (
    "SELECT count(*) FROM (SELECT 1 FROM reading WHERE role = 'used' AND kind <> 'command' "
    "GROUP BY journal_id, n, kind HAVING count(DISTINCT fish_id) > 1)"
)


def _one(query: str) -> object:
    with closing(_reader()) as reader:
        return reader.execute(query).fetchone()[0]


def _reader() -> sqlite3.Connection:
    return sqlite3.connect(f"{DATABASE.as_uri()}?mode=ro", uri=True, timeout=30)


if __name__ == "__main__":
    main()
