"""What a service manager is told: ready, alive, stopping (the protocol of sd_notify(3): datagrams of NAME=VALUE lines).

Alive means all parts: a station whose control door answers, whose ingest thread works and whose readers are where they
should be. If one of them hangs the word is not given, and the service manager starts the station anew. Without a
service manager nothing of this happens.
"""

import os
import socket
import threading
from collections.abc import Callable, Mapping
from typing import Final

from ingest.announce import log

_BEATS: Final = 3  # words of life within the time that the service manager waits for one


def notify(*lines: str, environ: Mapping[str, str] = os.environ) -> None:
    """Tell the service manager; whoever started this program without one is not asked."""
    address = environ.get("NOTIFY_SOCKET", "")
    if address:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as door:
            try:
                door.sendto(
                    "\n".join(lines).encode(), address.replace("@", "\0", 1) if address[0] == "@" else address
                )
            except OSError as error:
                log.warning("the service manager could not be told %s: %s", lines, error)


def watchdog_s(environ: Mapping[str, str] = os.environ, pid: int | None = None) -> float | None:
    """How long the service manager waits for a word of life, in seconds; None if it waits for none."""
    wanted, meant = environ.get("WATCHDOG_USEC", ""), environ.get("WATCHDOG_PID", "")
    if not wanted.isdecimal() or int(wanted) == 0:
        return None
    return int(wanted) / 1e6 if meant in ("", str(pid or os.getpid())) else None


class Heartbeat:
    """Gives the word of life from `start()` on while `trouble` has nothing to say.

    trouble: called in the heartbeat's own thread; None if every part is alive, else what hangs in one sentence.
    stopping: set when the station was told to stop, after which nothing is said. limit_s: as `watchdog_s` gives it;
    None: no word is wanted. tell: `notify`.
    """

    def __init__(
        self,
        trouble: Callable[[], str | None],
        stopping: threading.Event,
        limit_s: float | None,
        tell: Callable[[str], None] = notify,
    ) -> None:
        self._trouble = trouble
        self._limit_s = limit_s
        self._tell = tell
        self._stop = stopping
        self._hung: str | None = None
        self._thread = threading.Thread(target=self._run, name="heartbeat", daemon=True)

    def start(self) -> None:
        if self._limit_s is not None:
            self._thread.start()

    def close(self) -> None:
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(2.0)

    def beat(self) -> None:
        """Look once and give the word, or say what hangs (once)."""
        hung = self._trouble()
        if self._stop.is_set():
            return  # what a station that stops does not answer is no trouble
        if hung is None:
            self._tell("WATCHDOG=1")
        if hung != self._hung:
            self._hung = hung
            self._tell(f"STATUS={hung or 'All parts are alive again.'}")
            log.warning("%s", hung or "all parts are alive again")

    def _run(self) -> None:
        assert self._limit_s is not None
        while not self._stop.wait(self._limit_s / _BEATS):
            self.beat()
