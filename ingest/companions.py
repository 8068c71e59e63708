"""What may run beside the ingest in the station's process: the page, the sounds, the watch for sticks.

A companion hears every announcement and may ask, as a client of the control door may. It never touches the records, and
whatever goes wrong with it costs the crew that companion, never a fish.
"""

from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from ingest.announce import Announcer, Tell, log
from ingest.control import Ask
from ingest.records import Sound
from ingest.station import Station


class Companion(Protocol):
    """Something that runs beside the ingest in threads or processes of its own."""

    def hear(self, announcement: Mapping[str, object]) -> None:
        """Take one announcement. Called on the ingest thread: must return at once, and is called after `close` too."""

    def close(self) -> None:
        """Stop, within two seconds."""


@dataclass(frozen=True, slots=True)
class Doors:
    """What a companion is given.

    station: as configured at the start, by the file of this path. deliver: puts a question (`Ask`) or something to
    announce (`Tell`) into the queue of the ingest thread; returns at once, from any thread. show: one line on the
    station's own terminal and nowhere else (not in the log); None if it has no terminal that a person looks at.
    """

    station: Station
    deliver: Callable[[Ask | Tell], None]
    show: Callable[[str], None] | None
    file: Path


StartCompanion = Callable[[Doors], Companion]


def start_companions(
    companions: Sequence[StartCompanion], doors: Doors, announcer: Announcer, closing: ExitStack
) -> None:
    """Start each one; `closing` closes it. One that cannot start is told to the crew and left out."""
    for start in companions:
        try:
            companion = start(doors)
        except Exception as fault:
            log.exception("a companion of the station did not start")
            doors.deliver(
                Tell("companion_failed", Sound.TROUBLE, f"A part of the station is missing: {fault}")
            )
            continue
        closing.callback(_close, companion)
        announcer.listeners.append(_Guarded(companion, doors.deliver))


class _Guarded:
    """Passes announcements on until the companion fails; that is told once."""

    def __init__(self, companion: Companion, deliver: Callable[[Tell], None]) -> None:
        self._companion: Companion | None = companion
        self._deliver = deliver

    def __call__(self, announcement: Mapping[str, object]) -> None:
        if self._companion is None:
            return
        try:
            self._companion.hear(announcement)
        except Exception as fault:
            self._companion = None
            log.exception("a companion of the station failed")
            self._deliver(Tell("companion_failed", Sound.TROUBLE, f"A part of the station failed: {fault}"))


def _close(companion: Companion) -> None:
    try:
        companion.close()
    except Exception:
        log.exception("a companion of the station did not stop well")
