"""Processes that turn lines on three ports into durable fish: the daemon, and the bare loop in two forms."""

import os
import select
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

from drivers.framing import TUNED_IN_S
from ingest.control import socket_path
from simulators.ptys import Pty
from tests.bench.bare_loop import SOURCES
from tests.ingest.desk import write_station

START_S = 30.0  # how long a process may take to open its ports, on a loaded machine
SAVED_S = 20.0  # how long a fish may take, before the measurement is given up
COMMAND = Path(sys.executable).with_name("tallywell")
# Rules that tell fish apart by time would refuse fish that follow each other in milliseconds.
HASTY_RULES = "\n".join(
    f"{name} = 0.001" for name in ("two_tags_s", "echo_s", "independent_s", "remeasure_s")
)


class BenchFailedError(Exception):
    """A measurement could not be made. One sentence."""


@dataclass(slots=True)
class LineSocket:
    """Lines of a stream socket, each with the monotonic time at which its last byte was here."""

    socket: socket.socket
    _rest: bytes = b""
    _arrived_s: float = 0.0

    def next_line(self, deadline_s: float) -> tuple[bytes, float]:
        """The next line. Raises BenchFailedError if none comes until the deadline."""
        while b"\n" not in self._rest:
            wait_s = max(0.0, deadline_s - time.monotonic())
            if not select.select([self.socket], [], [], wait_s)[0]:
                raise BenchFailedError(
                    "a process said nothing in time: look at its output in the bench folder"
                )
            data = self.socket.recv(65536)
            self._arrived_s = time.monotonic()
            if not data:
                raise BenchFailedError("a process ended early: look at its output in the bench folder")
            self._rest += data
        line, _, self._rest = self._rest.partition(b"\n")
        return line, self._arrived_s


@dataclass(slots=True)
class Contestant:
    """A running process with its own three ports, which says a line for each durable fish.

    That line holds `news` and the fish's tag.
    """

    name: str
    database: Path
    process: subprocess.Popen[bytes]
    ports: Mapping[str, Pty]
    said: LineSocket
    news: bytes

    def send(self, source: str, data: bytes) -> None:
        if self.ports[source].send(data, within_s=1.0) < len(data):
            raise BenchFailedError(f"{self.name} no longer reads its {source}")

    def wait_saved(self, tag: str) -> float:
        """The monotonic time at which the news of this durable fish was here."""
        deadline_s = time.monotonic() + SAVED_S
        while True:
            line, arrived_s = self.said.next_line(deadline_s)
            if self.news in line and tag.encode() in line:
                return arrived_s

    def fish(self) -> set[tuple[str, float, float]]:
        """Tag, mm and g of every fish in the database."""
        with closing(sqlite3.connect(f"file:{self.database}?mode=ro", uri=True)) as connection:
            return set(connection.execute("SELECT tag, length_mm, weight_g FROM fish"))


@contextmanager
def plugged(folder: Path) -> Iterator[dict[str, Pty]]:
    """Three ports behind links in `folder`."""
    folder.mkdir(parents=True)
    ports = {source: Pty(folder / source) for source in SOURCES}
    try:
        yield ports
    finally:
        for port in ports.values():
            port.unplug()


@contextmanager
def bare_loop(folder: Path, *, journal: bool) -> Iterator[Contestant]:
    """The bare loop as its own process, with its database (and journal) in `folder`."""
    ours, theirs = socket.socketpair()
    with plugged(folder) as ports, ours, theirs:
        database = folder / "bare.sqlite"
        command = [sys.executable, "-m", "tests.bench.bare_loop", "live", str(database)]
        command += [str(port.path) for port in ports.values()]
        if journal:
            command += ["--journal", str(folder / "journal.jsonl")]
        with running(command, folder, stdout=theirs.fileno()) as process:
            theirs.close()
            wait_until_heard(ports)
            name = "bare loop + journal" if journal else "bare loop"
            yield Contestant(name, database, process, ports, LineSocket(ours), b"")


@contextmanager
def daemon(folder: Path, *, scale: str, more: str = "", history: str = "") -> Iterator[Contestant]:
    """The station's own process; what it says on its control socket is heard as any client hears it.

    `more` are further tables of its file, `history` a CSV of earlier captures.
    """
    with plugged(folder) as ports:
        path = write_station(folder, rules=HASTY_RULES, scale=scale, inventory=False, more=more)
        if history:
            (folder / "history" / "earlier.csv").write_text(history)
        path.write_text(path.read_text().replace("/dev/serial/by-id", str(folder.absolute())))
        database = folder / "work-up.sqlite"
        with running([str(COMMAND), "station", "run", str(path)], folder) as process:
            wait_until_heard(ports)
            with socket.socket(socket.AF_UNIX) as ear:
                _connect(ear, socket_path(database))
                said = LineSocket(ear)
                ear.sendall(b'{"ask":"subscribe"}\n')
                said.next_line(time.monotonic() + START_S)
                yield Contestant("daemon", database, process, ports, said, b'"fish_saved"')


def _connect(ear: socket.socket, path: Path) -> None:
    """Connect by a short name: a socket's own may have 108 bytes only (unix(7))."""
    folder = os.open(path.parent, os.O_PATH | os.O_DIRECTORY)
    try:
        ear.connect(f"/proc/self/fd/{folder}/{path.name}")
    finally:
        os.close(folder)


@contextmanager
def running(command: list[str], folder: Path, stdout: int | None = None) -> Iterator[subprocess.Popen[bytes]]:
    """A process that is told to stop at the end, and killed if it does not."""
    with (folder / "output").open("wb") as output:
        process = subprocess.Popen(command, stdout=output if stdout is None else stdout, stderr=output)
        try:
            yield process
        finally:
            process.send_signal(signal.SIGTERM)
            try:
                process.wait(10)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


def wait_until_heard(ports: Mapping[str, Pty]) -> None:
    """Wait until a process holds all ports, and until the next line cannot have begun before that."""
    deadline_s = time.monotonic() + START_S
    while not all(port.heard for port in ports.values()):
        if time.monotonic() > deadline_s:
            raise BenchFailedError("a process did not open its ports: look at its output in the bench folder")
        time.sleep(0.01)
    time.sleep(3 * TUNED_IN_S)
