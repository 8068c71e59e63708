"""Watches the files of a station while the daemon runs; hands over what they say once they are quiet.

Editors write a file in pieces, or a new one beside it that they rename; spreadsheets delete and write anew;
network folders tell nothing. So an event only starts a wait: the files are read when nothing about them
changed for a while, and all are looked at now and then without any event. What cannot be used changes
nothing.
"""

import glob
import os
from collections.abc import Callable
from dataclasses import dataclass
from fnmatch import fnmatch
from pathlib import Path

from watchdog.events import (
    FileClosedEvent,
    FileCreatedEvent,
    FileDeletedEvent,
    FileModifiedEvent,
    FileMovedEvent,
    FileSystemEvent,
)

from ingest.station import Station
from ingest.station_config import load_station
from ingest.station_sources import SourceKind, source_patterns
from ingest.toml_file import ConfigError
from ingest.watch_shell import EventHandler, Look, Timer, WatchShell, look_of, thread_timer

KEPT = "the settings read before stay in use."
_CHANGES = (FileClosedEvent, FileCreatedEvent, FileDeletedEvent, FileModifiedEvent, FileMovedEvent)


@dataclass(frozen=True, slots=True)
class Reloaded:
    """The files say something new and all of it can be used. `changed`: the kinds of files that differ.

    Ports, benches and paths come from the station's own file (kind `station`): whether a change of those
    can be used without a restart is for the receiver to say.
    """

    station: Station
    changed: frozenset[SourceKind]


@dataclass(frozen=True, slots=True)
class KeptLast:
    """What the files say now cannot be used: `sentence` says what and where. The last good one stays."""

    sentence: str


_Signature = dict[str, Look]


class StationWatch(WatchShell):
    """Watches from `start()` to `stop()`; `deliver` is called in a thread of the watch, one call at a time.

    quiet_s: how long the files must rest before they are read. poll_s: how often to look without an event.
    """

    def __init__(
        self,
        path: Path,
        station: Station,
        deliver: Callable[[Reloaded | KeptLast], None],
        *,
        quiet_s: float = 0.5,
        poll_s: float = 10.0,
        timer: Timer = thread_timer,
    ) -> None:
        super().__init__(timer)
        self._path = path
        self._station = station
        self._deliver = deliver
        self._quiet_s = quiet_s
        self._poll_s = poll_s
        self._patterns = source_patterns(path)
        self._read: _Signature = {}  # not as it is now: it may have changed since the station was loaded
        self._seen: _Signature = {}
        self._folders: dict[str, int] = {}

    def start(self) -> None:
        self._observer.start()
        with self._lock:
            self._look_at_folders()
            self._polling = self._timer(self._poll_s, self._poll)

    def on_event(self, event: FileSystemEvent) -> None:
        """For every event that the observer sees in a watched folder, also of files that are none of ours."""
        if isinstance(event, _CHANGES):
            names = (os.fsdecode(event.src_path), os.fsdecode(event.dest_path))
            if any(fnmatch(name, pattern) for name in names if name for pattern in self._patterns):
                with self._lock:
                    self._wait()

    def _poll(self) -> None:
        with self._lock:
            if self._stopped:
                return
            self._look_at_folders()
            if self._waiting is None and self._signature() != self._read:
                self._wait()
            self._polling = self._timer(self._poll_s, self._poll)

    def _wait(self) -> None:
        if self._stopped:
            return
        if self._waiting is not None:
            self._waiting.cancel()
        self._seen = self._signature()
        self._waiting = self._timer(self._quiet_s, self._quiet)

    def _quiet(self) -> None:
        with self._lock:
            if self._stopped:
                return
            self._waiting = None
            now = self._signature()
            if now != self._seen:
                self._wait()
            elif now != self._read:
                self._read = now
                news = self._news()
                if isinstance(news, Reloaded):
                    self._station = news.station
                    self._patterns = source_patterns(self._path)
                if news is not None:
                    self._deliver(news)

    def _news(self) -> Reloaded | KeptLast | None:
        try:
            station = load_station(self._path)
        except ConfigError as error:
            return KeptLast(f"{error}\n{KEPT.capitalize()}")
        gone = _gone(self._station, station)
        if gone:
            return KeptLast(f"{', '.join(gone)} is gone; {KEPT} Put it back, or start anew without it.")
        refused = _newly_refused(self._station, station)
        if refused:
            return KeptLast("\n".join((*refused, KEPT.capitalize())))
        changed = frozenset(source.kind for source in {*station.sources} ^ {*self._station.sources})
        return Reloaded(station, changed) if changed else None

    def _signature(self) -> _Signature:
        signature: _Signature = {}
        for pattern in self._patterns:
            for name in glob.glob(pattern):
                try:
                    status = os.stat(name)
                except OSError:
                    continue
                signature[name] = look_of(status)
        return signature

    def _look_at_folders(self) -> None:
        """Watch the folders as they are now: one may have come, gone, or been replaced by its namesake."""
        folders: dict[str, int] = {}
        for pattern in self._patterns:
            for name in glob.glob(os.path.dirname(pattern)):
                if os.path.isdir(name):
                    folders[name] = os.stat(name).st_ino
        if folders == self._folders:
            return
        self._folders = folders
        self._observer.unschedule_all()
        for name in folders:
            try:
                self._observer.schedule(EventHandler(self.on_event), name)
            except OSError:
                continue  # no more watches to be had (or just gone): the poll sees the changes, only later


def _gone(old: Station, new: Station) -> list[str]:
    """Files that the old station rests on and the new one lacks; a renamed file is not gone."""
    there = {(source.kind, source.name) for source in new.sources}
    contents = {(source.kind, source.data) for source in new.sources}
    named = {source for source in old.sources if source.kind in ("species", "inventory", "history")}
    return sorted(
        source.name
        for source in named
        if (source.kind, source.name) not in there and (source.kind, source.data) not in contents
    )


def _newly_refused(old: Station, new: Station) -> list[str]:
    known = {(problem.file, problem.column, problem.value) for problem in old.problems}
    return [
        str(problem)
        for problem in new.problems
        if problem.left_out == "row" and (problem.file, problem.column, problem.value) not in known
    ]
