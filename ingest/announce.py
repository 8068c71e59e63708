"""What the station says: into the log, onto the terminal, to everybody who listens. None of them can stop it."""

import json
import logging
import queue
import sys
import threading
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from logging.handlers import RotatingFileHandler
from pathlib import Path
from typing import TextIO

from ingest.records import Announcement, Sound

LOG_BYTES = 4 << 20
LOG_FILES = 4
_MOST_LINES = 1000
BELLS: Mapping[Sound, str] = {
    Sound.NONE: "",
    Sound.PART: "",
    Sound.SAVED: "\a",
    Sound.RECAPTURE: "\a\a",
    Sound.HELD: "\a\a\a",
    Sound.REMINDER: "\a\a",
    Sound.STICK: "\a",
    Sound.TROUBLE: "\a\a\a\a",
}

_OURS = ("tallywell", "drivers", "ingest")  # libraries speak of their own troubles, not of the station's

log = logging.getLogger("tallywell")


@dataclass(frozen=True, slots=True)
class Tell:
    """What a companion of the station (its page, its sounds, its watch for sticks) wants the crew to know.

    Put into the inbox of the ingest thread, which announces it like any word of its own. Never journaled: it changes
    no record.
    """

    name: str
    sound: Sound
    sentence: str
    facts: Mapping[str, object] = field(default_factory=dict)


class JsonLines(logging.Formatter):
    """A log record as one JSON line: when (UTC), how grave, what; `said` holds an announcement."""

    def format(self, record: logging.LogRecord) -> str:
        at = datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds")
        fields: dict[str, object] = {
            "at": at.replace("+00:00", "Z"),
            "level": record.levelname.lower(),
            "text": record.getMessage(),
        }
        said = getattr(record, "said", None)
        if said is not None:
            fields["said"] = said
        if record.exc_info:
            fields["traceback"] = self.formatException(record.exc_info)
        return json.dumps(fields, ensure_ascii=False, default=str)


class _LogFile(RotatingFileHandler):
    """A size-capped log; a full or missing medium costs lines, never the day."""

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802 -- the library's name
        pass


def log_to(path: Path) -> logging.Handler:
    """Log into this file from now on; `stop_logging` ends it. A file that cannot be written is no error."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handler = _LogFile(path, maxBytes=LOG_BYTES, backupCount=LOG_FILES - 1, encoding="utf-8", delay=True)
    handler.setFormatter(JsonLines())
    for name in _OURS:
        logging.getLogger(name).addHandler(handler)
    log.setLevel(logging.INFO)
    return handler


def stop_logging(handler: logging.Handler) -> None:
    for name in _OURS:
        logging.getLogger(name).removeHandler(handler)
    handler.close()


class Terminal:
    """One line for each announcement, with the terminal's bell where it is one.

    Written by a thread of its own: a terminal that was stopped (Ctrl-S), or a pipe that nobody reads, must
    not hold up the station. Lines that find no room are counted and left out.
    """

    def __init__(self, out: TextIO | None = None) -> None:
        self._out = sys.stdout if out is None else out
        self._rings = self._out.isatty()
        self._lines: queue.Queue[str | None] = queue.Queue(_MOST_LINES)
        self._thread = threading.Thread(target=self._run, name="terminal", daemon=True)
        self._thread.start()

    @property
    def is_a_screen(self) -> bool:
        """Whether a person may look at it: no file, no pipe, no service manager."""
        return self._rings

    def show(self, announcement: Announcement) -> None:
        bells = BELLS[announcement.sound] if self._rings else ""
        bench = f"[{announcement.bench}] " if announcement.bench else ""
        self.line(f"{announcement.at[11:19]} {bench}{announcement.sentence}{bells}")

    def line(self, text: str) -> None:
        try:
            self._lines.put_nowait(text)
        except queue.Full:
            pass  # every announcement is in the log too

    def close(self, within_s: float = 1.0) -> None:
        try:
            self._lines.put_nowait(None)
        except queue.Full:
            return
        self._thread.join(within_s)

    def _run(self) -> None:
        while (text := self._lines.get()) is not None:
            try:
                self._out.write(text + "\n")
                self._out.flush()
            except (OSError, ValueError):  # the terminal is gone
                return


class Announcer:
    """Passes announcements on to the log, the terminal and `listeners` (each returns at once)."""

    def __init__(self, terminal: Terminal | None) -> None:
        self.listeners: list[Callable[[dict[str, object]], None]] = []
        self._terminal = terminal

    def say(self, announcements: list[Announcement]) -> None:
        """The crew first: pages and terminal hear it before the log file is written."""
        told = [(one, plain(one)) for one in announcements]
        for _, fields in told:
            for listener in self.listeners:
                listener(fields)
        for one, fields in told:
            if self._terminal is not None:
                self._terminal.show(one)
            grave = logging.WARNING if one.sound is Sound.TROUBLE else logging.INFO
            log.log(grave, one.sentence, extra={"said": fields})


def plain(announcement: Announcement) -> dict[str, object]:
    """An announcement as values that JSON knows."""
    fields = asdict(announcement)
    fields["sound"] = announcement.sound.value
    fields["facts"] = dict(announcement.facts)
    return fields
