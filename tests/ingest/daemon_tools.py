"""A real station in a process of its own, on pseudo-terminals, and what tests need to wait for it."""

import contextlib
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from ingest.control import StationClient, StationError
from simulators.ptys import Pty
from tests.ingest.stations import INSTRUMENTS, length, tag, write_station

PATIENCE_S = 60.0
PROGRAM = (
    "import sys; from pathlib import Path; from ingest.daemon import run_station; "
    "sys.exit(run_station(Path(sys.argv[1]), force_network='--force' in sys.argv))"
)


def wait_for(condition: Callable[[], bool], what: str, alive: subprocess.Popen[str] | None = None) -> None:
    """Wait for a condition; with `alive`, fail as soon as that process has ended."""
    deadline = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < deadline, f"this never came: {what}"
        assert alive is None or alive.poll() is None, f"the station ended before: {what}"
        time.sleep(0.005)  # between two looks at the condition


def quick_station(folder: Path, database: str = "work-up.sqlite") -> Path:
    """A station for tests that do not wait: its scale sends one line for each weighing, and the bench takes
    two fish a few milliseconds apart for two."""
    swift = ("remeasure_s", "echo_s", "two_tags_s", "independent_s", "command_absent_s")
    return write_station(
        folder, scale="scale_print_key", bench=dict.fromkeys(swift, 0.001), database=database
    )


def weighing(grams: float) -> bytes:
    return b"+%8.1f g\r\n" % grams


class Child:
    """The station of one file, its ports, and everything that it printed."""

    def __init__(
        self,
        toml: Path,
        *,
        wrapper: tuple[str, ...] = (),
        database: str = "work-up.sqlite",
        broken: str = "",
        program: str = PROGRAM,
    ) -> None:
        """`wrapper` stands before the command, `broken` is Python that runs before the station does, `program` the
        Python that runs the station of the file that is its first argument."""
        self.folder = toml.parent
        self.database = self.folder / database
        self.printed = self.folder / "printed.txt"
        self._program = f"{broken}\n{program}"
        self._toml = toml
        self._grams = 412.0
        self.wrapper = wrapper
        (self.folder / "ports").mkdir(exist_ok=True)
        self.ports = {name: Pty(self.folder / "ports" / name) for name in INSTRUMENTS}
        self.process: subprocess.Popen[str] | None = None

    def start(self, *, ready: bool = True) -> subprocess.Popen[str]:
        for port in self.ports.values():
            if port.plugged:
                port.forget_reader()
        with open(self.printed, "a") as out:
            self.process = subprocess.Popen(
                [*self.wrapper, sys.executable, "-c", self._program, str(self._toml)],
                stdin=subprocess.DEVNULL,
                stdout=out,
                stderr=subprocess.STDOUT,
                text=True,
            )
        if ready:
            self.wait_until_ready()
        return self.process

    def wait_until_ready(self) -> None:
        """Every port is open and has given its first, cut line: what follows counts."""
        for port in self.ports.values():
            wait_for(lambda port=port: port.heard, "all ports open", self.process)  # type: ignore[misc]
        wait_for(self.answers, "an answer", self.process)
        with self.client() as client:

            def all_heard() -> bool:
                silent = [
                    name for name, one in client.ask("status")["instruments"].items() if not one["bytes"]
                ]
                for name in silent:  # opening a port throws away what was said just before
                    self.ports[name].send(b"\r\n")
                return not silent

            wait_for(all_heard, "first bytes", self.process)

    def answers(self) -> bool:
        """Whether the station can be asked."""
        with contextlib.suppress(StationError), self.client():
            return True
        return False

    def client(self) -> StationClient:
        return StationClient(self.database)

    def ask(self, what: str, **details: object) -> dict[str, Any]:
        with self.client() as client:
            return client.ask(what, **details)

    def fish(self) -> list[dict[str, Any]]:
        """The fish of the database, oldest first."""
        found: list[dict[str, Any]] = self.ask("fish", limit=1000)["fish"]
        return found[::-1]

    def said(self) -> str:
        return self.printed.read_text() if self.printed.exists() else ""

    def work_up(self, code: str, mm: int = 312) -> None:
        """One fish: its tag, its length and one weighing of a `scale_print_key`, each when the one before is in.

        Three ports have three threads: sent together, the length may overtake the tag. The weights differ:
        twice the same in a row would be one weighing printed twice. The first is 412 g.
        """
        grams, self._grams = self._grams, self._grams + 1.5
        self.send("reader", tag(code), "TagSeen")
        self.send("board", length(mm), "LengthSeen")
        self.send("scale", weighing(grams), "WeightSettled")

    def send(self, name: str, data: bytes, outcome: str) -> None:
        """Say something and wait until the station has understood it."""
        before = self._outcomes(name, outcome)
        self.ports[name].send(data)
        wait_for(lambda: self._outcomes(name, outcome) > before, f"{outcome} of the {name}", self.process)

    def _outcomes(self, name: str, outcome: str) -> int:
        count: int = self.ask("status")["instruments"][name]["outcomes"].get(outcome, 0)
        return count

    def signal(self, number: int = signal.SIGTERM) -> int:
        """Send a signal and wait for the end; the exit code."""
        assert self.process is not None
        self.process.send_signal(number)
        return self.process.wait(PATIENCE_S)

    def close(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.kill()
            self.process.wait(PATIENCE_S)
        for port in self.ports.values():
            port.unplug()


@contextlib.contextmanager
def station_on(toml: Path, **how: Any) -> Iterator[Child]:
    """A station that is ready; at the end it is gone, however the test ended."""
    child = Child(toml, **how)
    try:
        child.start()
        yield child
    finally:
        child.close()
