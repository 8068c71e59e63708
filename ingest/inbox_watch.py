"""Watches the folder where hand readers leave files, and hands over each file once it lies at rest.

A copy in progress, a file on a stick that is slow, a network folder that tells of nothing: an event only hastens the
next look, looks happen without any, and a file is complete when size and time of change stayed the same from one look
to another that is `quiet_s` later.
"""

import os
import time
from collections.abc import Callable
from pathlib import Path

from ingest.inbox import MOST_BYTES, ArrivedFile
from ingest.watch_shell import EventHandler, Look, Timer, WatchShell, look_of, thread_timer

_UNFINISHED = (".part", ".tmp", ".crdownload", "~")


class InboxWatch(WatchShell):
    """Watches from `start()` to `stop()`; `deliver` is called in a thread of the watch, one call at a time.

    quiet_s: how long a file must rest before it is read. poll_s: how often to look without an event. Files whose name
    begins with a dot or says that they are unfinished, empty files and folders are passed over.
    """

    def __init__(
        self,
        folder: Path,
        deliver: Callable[[ArrivedFile], None],
        *,
        quiet_s: float = 2.0,
        poll_s: float = 10.0,
        timer: Timer = thread_timer,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        super().__init__(timer)
        self._folder = folder
        self._deliver = deliver
        self._quiet_s = quiet_s
        self._poll_s = poll_s
        self._clock = clock
        self._since: dict[str, tuple[Look, float]] = {}  # how each file looks, and since when
        self._done: dict[str, Look] = {}
        self._watched: int | None = None  # the inode of the folder that the observer watches

    def start(self) -> None:
        self._observer.start()
        self._poll()

    def look(self) -> None:
        """Look at the folder now: what rests is handed over, what is new or changes is looked at again soon."""
        with self._lock:
            if self._stopped:
                return
            self._waiting = None
            now_s, there = self._clock(), self._signatures()
            self._since = {
                name: self._since[name]
                if self._since.get(name, (None,))[0] == signature
                else (signature, now_s)
                for name, signature in there.items()
            }
            self._done = {name: one for name, one in self._done.items() if there.get(name) == one}
            for name, (signature, since_s) in self._since.items():
                if name not in self._done and now_s - since_s >= self._quiet_s:
                    self._take(name, signature)
            if any(name not in self._done for name in self._since):
                self._soon()

    def _take(self, name: str, signature: Look) -> None:
        path = self._folder / name
        data: bytes | None = None
        try:
            if signature.size <= MOST_BYTES:
                data = path.read_bytes()
            if look_of(os.stat(path)) != signature:
                return  # it changed meanwhile: the next look begins anew
        except OSError:
            return  # gone again, or not readable yet
        self._done[name] = signature
        self._deliver(ArrivedFile(os.fsencode(name).decode("utf-8", "replace"), data))

    def _soon(self) -> None:
        if self._waiting is None and not self._stopped:
            self._waiting = self._timer(self._quiet_s, self.look)

    def _poll(self) -> None:
        with self._lock:
            if self._stopped:
                return
            self._watch_folder()
            if self._waiting is None:
                self.look()
            self._polling = self._timer(self._poll_s, self._poll)

    def _watch_folder(self) -> None:
        """The folder may come later than the station, or be another one after a stick was changed."""
        try:
            inode = os.stat(self._folder).st_ino
        except OSError:
            inode = None
        if inode == self._watched:
            return
        self._watched = inode
        self._observer.unschedule_all()
        if inode is not None:
            try:
                self._observer.schedule(EventHandler(lambda _: self._on_event()), str(self._folder))
            except OSError:
                self._watched = None  # no more watches to be had: the poll sees the files, only later

    def _on_event(self) -> None:
        with self._lock:
            self._soon()

    def _signatures(self) -> dict[str, Look]:
        found: dict[str, Look] = {}
        try:
            with os.scandir(self._folder) as entries:
                for entry in entries:
                    if entry.name.startswith(".") or entry.name.lower().endswith(_UNFINISHED):
                        continue
                    try:
                        if entry.is_file() and (signature := look_of(entry.stat())).size:
                            found[entry.name] = signature
                    except OSError:
                        continue
        except OSError:
            return {}
        return dict(sorted(found.items()))
