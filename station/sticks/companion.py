"""The watch for sticks as a part of the running station: in a thread of its own, which may hang in a stick and then
hangs alone."""

import os
import select
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from queue import SimpleQueue

from ingest.announce import Tell, log
from ingest.companions import Companion, Doors
from ingest.control import Ask
from ingest.pack_taking import find_pack_for, take_pack
from ingest.packs import NAME, STICK_FOLDER, PackError
from ingest.records import Sound
from ingest.toml_file import ConfigError
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


@dataclass(slots=True)
class _Known:
    """A stick that is in: whether it was served, its pack was looked for, the day is on it, and what was said of a
    failure."""

    served: bool = False
    pack_seen: bool = False
    written: bool = False
    failure: str | None = None


class Sticks:
    """Watches from its making until `close`: each stick that comes gets the day, and again when a survey is closed."""

    def __init__(self, doors: Doors) -> None:
        self._station = doors.station
        self._doors = doors
        self._roots = tuple(doors.station.file.stick.roots)
        self._stopping = threading.Event()
        self._news = threading.Event()
        self._again = False
        self._known: dict[int, _Known] = {}
        self._gone: SimpleQueue[Mount] = SimpleQueue()
        self._bell = os.eventfd(0, os.EFD_NONBLOCK)
        self._threads = [
            threading.Thread(target=self._guarded, args=(work,), name=name, daemon=True)
            for name, work in (("sticks", self._work), ("stick lookout", self._look_out))
        ]
        for thread in self._threads:
            thread.start()

    def hear(self, announcement: Mapping[str, object]) -> None:
        if announcement["name"] == "survey_closed":
            self._again = True
            self._news.set()

    def close(self) -> None:
        self._stopping.set()
        self._news.set()
        os.eventfd_write(self._bell, 1)
        for thread in self._threads:
            thread.join(1.0)
        if not self._threads[1].is_alive():
            os.close(self._bell)

    def _guarded(self, work: Callable[[], None]) -> None:
        try:
            work()
        except Exception as fault:
            log.exception("the watch for sticks failed")
            self._tell(
                "stick_failed", Sound.TROUBLE, f"Sticks are not noticed any more, by a fault ({fault})."
            )

    # --- the lookout ----------------------------------------------------------------------------------------

    def _look_out(self) -> None:
        """Notice at once that a stick is out, also while another one is written: the kernel gives the same number to
        the next one."""
        there: dict[int, Mount] = {}
        with open(MOUNT_TABLE, encoding="utf-8", errors="surrogateescape") as table:
            poll = select.poll()
            poll.register(table, select.POLLPRI | select.POLLERR)  # when the table changes (proc(5))
            poll.register(self._bell, select.POLLIN)
            while not self._stopping.is_set():
                table.seek(0)
                now = {one.number: one for one in mounts_below(self._roots, table.read())}
                for mount in there.values():
                    if now.get(mount.number) != mount:
                        self._gone.put(mount)
                there = now
                self._news.set()
                poll.poll()

    # --- the work -------------------------------------------------------------------------------------------

    def _work(self) -> None:
        while not self._stopping.is_set():
            self._news.clear()
            self._look()
            self._news.wait(POLL_S)

    def _look(self) -> None:
        while not self._gone.empty():
            mount = self._gone.get()
            known = self._known.pop(mount.number, None)
            if known is not None and known.written:
                self._tell("stick_out", Sound.NONE, f"The stick {mount.name} was pulled out.", mount)
        if self._again:
            self._again = False
            for known in self._known.values():
                known.served, known.failure = False, None
        for stick in self._mounted():
            if _has_folder(stick) and not self._stopping.is_set():
                known = self._known.setdefault(stick.number, _Known())
                if not known.served:
                    self._serve(stick, known)

    def _mounted(self) -> tuple[Mount, ...]:
        table = Path(MOUNT_TABLE).read_text(encoding="utf-8", errors="surrogateescape")
        return mounts_below(self._roots, table)

    def _serve(self, stick: Mount, known: _Known) -> None:
        """Write the day onto this stick, and tell how it went. What may be cured by another try is tried again."""
        known.served, known.written = True, False
        if known.failure is None:
            said = f"The day is being written on the stick {stick.name}: leave it in."
            self._tell("stick_found", Sound.PART, said, stick)
        if not known.pack_seen:
            known.pack_seen = True
            self._take_pack(stick)
        try:
            copied = self._copy(stick)
        except StoppedError:
            return
        except (StickError, OSError) as failure:
            self._tell_failed(stick, known, failure)
        else:
            known.failure, known.written = None, True
            self._tell_done(stick, copied)

    def _take_pack(self, stick: Mount) -> None:
        """Take the newest history pack from it, if it brings one; the day is written whatever comes of it."""
        shown = f"The history pack on the stick {stick.name}"
        try:
            with folder_of(stick) as top:
                if not any((top / STICK_FOLDER.name).glob(NAME)):
                    return
                try:
                    data = find_pack_for(top, self._doors.file)[1]
                except PackError as refused:
                    raise PackError(str(refused).replace(str(top), f"{stick.name}/{FOLDER}")) from None
            taken = take_pack(data, self._doors.file, shown=shown)
        except (PackError, ConfigError, StickError) as refused:
            self._tell("pack_refused", Sound.REMINDER, str(refused), stick)
        except OSError as error:
            self._tell("pack_refused", Sound.REMINDER, f"{shown} was not taken: {error.strerror}.", stick)
        else:
            if taken.changed:
                self._tell("pack_taken", Sound.PART, taken.sentence, stick)

    def _tell_failed(self, stick: Mount, known: _Known, failure: StickError | OSError) -> None:
        name = "stick_failed"
        if isinstance(failure, StickGoneError) or stick not in self._mounted():
            name = "stick_pulled_early"
            said = (
                f"The stick {stick.name} was pulled out before the day was on it: what it held before is as it was. "
                "Put it in again."
            )
        else:
            said = str(failure) if isinstance(failure, StickError) else reason(failure, stick)
        known.served = is_final(failure)
        if known.failure != said:
            known.failure = said
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
