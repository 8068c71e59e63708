"""What every watch of files shares: the observer, the timers, how a file looks, and an end that holds."""

import os
import threading
from collections.abc import Callable
from typing import NamedTuple, Protocol

from watchdog.events import FileSystemEvent, FileSystemEventHandler
from watchdog.observers import Observer


class Cancellable(Protocol):
    def cancel(self) -> None: ...


Timer = Callable[[float, Callable[[], None]], Cancellable]


def thread_timer(delay_s: float, call: Callable[[], None]) -> Cancellable:
    """Calls after a delay, in a thread of its own."""
    timer = threading.Timer(delay_s, call)
    timer.daemon = True
    timer.start()
    return timer


class Look(NamedTuple):
    """How a file looks without reading it: unchanged for a while, it lies at rest."""

    mtime_ns: int
    size: int
    inode: int


def look_of(status: os.stat_result) -> Look:
    return Look(status.st_mtime_ns, status.st_size, status.st_ino)


class EventHandler(FileSystemEventHandler):
    """Hands every event of the observer to one function."""

    def __init__(self, on_event: Callable[[FileSystemEvent], None]) -> None:
        self._on_event = on_event

    def on_any_event(self, event: FileSystemEvent) -> None:
        self._on_event(event)


class WatchShell:
    """The threads of a watch. `_waiting` waits for files to rest, `_polling` for the next look without an event.

    What its threads do is done under `_lock`, and nothing once `_stopped` is set.
    """

    def __init__(self, timer: Timer) -> None:
        self._timer = timer
        self._lock = threading.RLock()
        self._waiting: Cancellable | None = None
        self._polling: Cancellable | None = None
        self._stopped = False
        self._observer = Observer()

    def stop(self) -> None:
        """No delivery begins after this has returned."""
        with self._lock:
            self._stopped = True
            for timer in (self._waiting, self._polling):
                if timer is not None:
                    timer.cancel()
        self._observer.stop()
        self._observer.join()
