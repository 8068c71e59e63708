"""The watch for sticks as a part of the running station: in a thread of its own, which may hang in a stick and then
hangs alone."""

import contextlib
import select
import socket
import threading
import time
from collections.abc import Mapping
from pathlib import Path

from ingest.announce import Tell, log
from ingest.companions import Companion, Doors
from ingest.control import Ask
from ingest.records import Sound
from station.sticks.copying import (
    FOLDER,
    Copied,
    StickError,
    StickGoneError,
    StoppedError,
    copy_snapshot,
    folder_of,
    is_final,
    reason,
)
from station.sticks.mounts import MOUNT_TABLE, Mount, mounts_below

POLL_S = 2.0  # a stick whose folder was made while it was in
BUSY_S = 1.0
MOST_BUSY_S = 120.0  # a fish that lies longer is not in anybody's hand
_ANSWER_S = 300.0  # a long day's snapshot on a slow card


class _NoSnapshotError(StickError):
    again = True


class Sticks:
    """Watches from its making until `close`: each stick that comes gets the day, and again when a survey is closed."""

    def __init__(self, doors: Doors) -> None:
        self._station = doors.station
        self._doors = doors
        self._roots = tuple(doors.station.file.stick.roots)
        self._stopping = threading.Event()
        self._again = False
        self._served: set[int] = set()
        self._failed: dict[int, str] = {}  # what was said of each stick that failed
        self._ear, self._knock = socket.socketpair()
        for end in (self._ear, self._knock):
            end.setblocking(False)
        self._thread = threading.Thread(target=self._run, name="sticks", daemon=True)
        self._thread.start()

    def hear(self, announcement: Mapping[str, object]) -> None:
        if announcement["name"] == "survey_closed":
            self._again = True
            self._wake()

    def close(self) -> None:
        self._stopping.set()
        self._wake()
        self._thread.join(2.0)
        for end in (self._ear, self._knock):
            end.close()

    def _wake(self) -> None:
        with contextlib.suppress(OSError):
            self._knock.send(b"\0")

    # --- the thread -----------------------------------------------------------------------------------------

    def _run(self) -> None:
        try:
            with open(MOUNT_TABLE, encoding="utf-8", errors="surrogateescape") as table:
                while not self._stopping.is_set():
                    self._look(_text(table))
                    self._wait(table)
        except Exception as fault:
            log.exception("the watch for sticks failed")
            self._tell(
                "stick_failed", Sound.TROUBLE, f"Sticks are not noticed any more, by a fault ({fault})."
            )

    def _wait(self, table: object) -> None:
        """Until the table of mounts changes (proc(5)), somebody calls, or it is time to look."""
        poll = select.poll()
        poll.register(table, select.POLLPRI | select.POLLERR)  # type: ignore[arg-type]
        poll.register(self._ear, select.POLLIN)
        poll.poll(POLL_S * 1000)
        with contextlib.suppress(OSError):
            while self._ear.recv(4096):
                pass

    def _look(self, table: str) -> None:
        sticks = {one.number: one for one in mounts_below(self._roots, table) if _has_folder(one)}
        self._served &= sticks.keys()
        self._failed = {number: said for number, said in self._failed.items() if number in sticks}
        if self._again:
            self._again = False
            self._served.clear()
            self._failed.clear()
        for number, stick in sticks.items():
            if number not in self._served and not self._stopping.is_set():
                self._served.add(number)
                self._serve(stick)

    def _serve(self, stick: Mount) -> None:
        """Write the day onto this stick, and tell how it went. What may be cured by another try is tried again."""
        if stick.number not in self._failed:
            said = f"The day is being written on the stick {stick.name}: leave it in."
            self._tell("stick_found", Sound.PART, said, stick)
        try:
            copied = self._copy(stick)
        except StoppedError:
            return
        except (StickError, OSError) as failure:
            self._tell_failed(stick, failure)
        else:
            self._failed.pop(stick.number, None)
            self._tell_done(stick, copied)

    def _tell_failed(self, stick: Mount, failure: StickError | OSError) -> None:
        name = "stick_failed"
        if isinstance(failure, StickGoneError) or not self._is_in(stick):
            name = "stick_pulled_early"
            said = (
                f"The stick {stick.name} was pulled out before the day was on it: what it held before is as it was. "
                "Put it in again."
            )
        else:
            said = str(failure) if isinstance(failure, StickError) else reason(failure, stick)
        if not is_final(failure):
            self._served.discard(stick.number)
        if self._failed.get(stick.number) != said:
            self._failed[stick.number] = said
            self._tell(name, Sound.TROUBLE, said, stick)

    def _copy(self, stick: Mount) -> Copied:
        snapshot = self._snapshot()
        with folder_of(stick) as top:
            return copy_snapshot(top, stick, self._station.name, snapshot, self._stopping.is_set)

    def _snapshot(self) -> Path:
        """A snapshot of now. While a fish is in hand the station has better things to do.

        Raises StickError, StoppedError.
        """
        waited_until_s = time.monotonic() + MOST_BUSY_S
        while time.monotonic() < waited_until_s:
            benches = self._ask({"ask": "status"}).get("benches")
            if not isinstance(benches, dict) or all(one["in_hand"] is None for one in benches.values()):
                break
            if self._stopping.wait(BUSY_S):
                raise StoppedError
        answer = self._ask({"ask": "snapshot", "unless_fresh": True})
        if not answer["ok"]:
            raise _NoSnapshotError(f"The day is not on the stick: {answer['error']}")
        return Path(str(answer["path"]))

    def _ask(self, request: Mapping[str, object]) -> dict[str, object]:
        ask = Ask(request)
        self._doors.deliver(ask)
        answer = ask.wait(_ANSWER_S)
        if self._stopping.is_set():
            raise StoppedError
        return answer

    def _is_in(self, stick: Mount) -> bool:
        with open(MOUNT_TABLE, encoding="utf-8", errors="surrogateescape") as table:
            return any(one.number == stick.number for one in mounts_below(self._roots, _text(table)))

    def _tell_done(self, stick: Mount, copied: Copied) -> None:
        fish = f"{copied.fish} fish, read back and compared"
        if self._is_used(stick):
            said = f"The day is on the stick {stick.name} ({fish}). The station works on this stick: leave it in."
            self._tell("stick_written", Sound.PART, said, stick, copied)
            return
        said = f"The day is on the stick {stick.name} ({fish}): it is safe to pull out."
        self._tell("stick_written", Sound.STICK, said, stick, copied)

    def _is_used(self, stick: Mount) -> bool:
        """Whether the station keeps its own files on it, such as the mirror of the journal."""
        station = self._station
        places = [station.database, station.journal, station.log]
        places += [place for place in (station.journal_mirror, station.inbox) if place is not None]
        return any(place.resolve().is_relative_to(stick.path) for place in places)

    def _tell(
        self, name: str, sound: Sound, sentence: str, stick: Mount | None = None, copied: Copied | None = None
    ) -> None:
        facts: dict[str, object] = {} if stick is None else {"stick": stick.name}
        if copied is not None:
            facts |= {
                "file": copied.file,
                "sha256": copied.sha256,
                "size_bytes": copied.size_bytes,
                "fish": copied.fish,
                "there_before": copied.there_before,
            }
        self._doors.deliver(Tell(name, sound, sentence, facts))


class _NoSticks:
    """The station's file says that sticks are not watched for."""

    def hear(self, announcement: Mapping[str, object]) -> None:
        pass

    def close(self) -> None:
        pass


def start_sticks(doors: Doors) -> Companion:
    """For `ingest.daemon.run_station(companions=...)`."""
    return Sticks(doors) if doors.station.file.stick.on else _NoSticks()


def _has_folder(mount: Mount) -> bool:
    try:
        return (Path(mount.path) / FOLDER).is_dir()
    except OSError:  # it can be seen but not read
        return False


def _text(table: object) -> str:
    table.seek(0)  # type: ignore[attr-defined]
    return table.read()  # type: ignore[attr-defined, no-any-return]
