"""Recorded days through the same recorder as live: days written by hand, and journals of a station.

The records go into a database of their own, with a journal beside it (`<name>.journal`) that holds the same
frames, so that it can be rebuilt like any other.
"""

import json
import time
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from ingest.checkpoints import unpack
from ingest.commits import CommitQueue
from ingest.config_frames import ConfigReader, LostConfigError
from ingest.engine import Engine
from ingest.engine_state import EngineState
from ingest.frames import BadLine, Frame, Header
from ingest.journal import JournalWriter
from ingest.journal_reading import read_journal
from ingest.kept_content import content
from ingest.overlay import OverlayLookup
from ingest.recorder import Recorder
from ingest.records import Announcement
from ingest.resume import take_config
from ingest.runs import SetAside, journal_runs, start_body
from ingest.station import Station
from ingest.station_config import load_station
from ingest.store import Store

GROUP = 2000
_CACHE_KIB = 32_000  # ids are scattered: each fish of a long day touches pages all over the database
_ID = "replay"


class ReplayError(Exception):
    """The days cannot be replayed. One sentence."""


@dataclass(slots=True)
class ReplayReport:
    """What a replay gave. `skipped`: journals that the database had already."""

    database: Path
    frames: int = 0
    fish: int = 0
    seconds: float = 0.0
    skipped: list[str] = field(default_factory=list)
    set_aside: list[SetAside] = field(default_factory=list)

    def lines(self) -> list[str]:
        """The report in plain lines."""
        rate = f", {self.fish / self.seconds:.0f} fish/s" if self.seconds > 0 else ""
        return [
            f"{self.fish} fish from {self.frames} frames in {self.database} ({self.seconds:.2f} s{rate}).",
            *(f"skipped, in the database already: journal {one}" for one in self.skipped),
            *(f"set aside: {one}" for one in self.set_aside),
        ]


class Pace:
    """Waits for moments of a day that is played `speed` times as fast as it was."""

    def __init__(
        self,
        speed: float,
        wait: Callable[[float], object] = time.sleep,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._speed = speed
        self._wait = wait
        self._clock = clock
        self._begun_s: float | None = None
        self._first_s = 0.0

    def begin(self) -> None:
        """The next moment is that of a new day: it comes at once."""
        self._begun_s = None

    def until(self, t_s: float) -> None:
        if self._begun_s is None:
            self._begun_s, self._first_s = self._clock(), t_s
        left_s = self._begun_s + (t_s - self._first_s) / self._speed - self._clock()
        if left_s > 0:
            self._wait(left_s)


def replay(
    files: Sequence[Path],
    station_toml: Path | None,
    database: Path,
    speed: float | None = None,
    *,
    append: bool = False,
    say: Callable[[list[Announcement]], object] | None = None,
    wait: Callable[[float], object] = time.sleep,
    clock: Callable[[], float] = time.monotonic,
) -> ReplayReport:
    """Replay these files, in this order, into `database`; flat out without a speed.

    Without `station_toml` the configurations that the journals themselves name are used. `append` goes on
    with a database that exists; a journal that it has already is skipped.

    Raises:
        ReplayError: a file cannot be read, there is no configuration, the database exists.
        ConfigError: the station's file is not valid.
        StoreTrouble: the database cannot be written.
    """
    given = None if station_toml is None else load_station(station_toml)
    if database.exists() and not append:
        raise ReplayError(f"{database} exists already: name a new one, or go on with it: --append.")
    began_s = time.monotonic()
    report = ReplayReport(database)
    with Store.open(database) as store:
        store.connection.execute(f"PRAGMA cache_size=-{_CACHE_KIB}")
        player = _Player(
            store, files, given, report, None if speed is None else Pace(speed, wait, clock), say
        )
        try:
            for path in files:
                player.play(path)
            player.finish()
        except OSError as failure:
            raise ReplayError(f"{failure.filename} cannot be read: {failure.strerror}.") from None
        finally:
            player.close()
    report.seconds = time.monotonic() - began_s
    return report


class _Player:
    def __init__(
        self,
        store: Store,
        files: Sequence[Path],
        given: Station | None,
        report: ReplayReport,
        pace: Pace | None,
        say: Callable[[list[Announcement]], object] | None,
    ) -> None:
        self._store = store
        self._given = given
        self._report = report
        self._pace = pace
        self._say = say
        self._folder = store.path.with_suffix(".journal")
        self._sources = list(dict.fromkeys(path.parent for path in files))
        self._configs = ConfigReader(self._content, store.path.parent)
        checkpoint = store.lookup.checkpoint()
        resumed = None if checkpoint is None else unpack(checkpoint)
        self._known = {run.header.journal_id for run in journal_runs(self._folder)}
        station = given if given is not None else self._first_station(files)
        queue = CommitQueue(store, time.monotonic)
        lookup = OverlayLookup(store.lookup, queue.unstored)
        self._engine = Engine(station, lookup, EngineState() if resumed is None else resumed.state)
        self._recorder = Recorder(
            self._engine,
            queue,
            config="" if resumed is None else resumed.config,
            journal_folder=self._folder,
            marks_time=False,
        )
        self._header: Header | None = None
        self._skips = False
        self._stopped = True
        self._last_n = 0
        self._last_t_s = 0.0

    def play(self, path: Path) -> None:
        for entry in read_journal(path):
            item = entry.item
            if isinstance(item, BadLine):
                self._set_aside(SetAside(path, item))
            elif isinstance(item, Header):
                self._take_header(item)
            elif not self._skips and item.n > self._last_n:
                self._take_frame(item)

    def finish(self) -> None:
        """The last day ends here, whether it says so or not."""
        if not self._stopped:
            self._feed(Frame(0, self._last_t_s, "", _ID, None, "stop", {}))
            self._stopped = True
        self._tell(self._recorder.end_group())
        if self._recorder.journal is not None:
            self._tell(self._recorder.save_checkpoint())
        trouble = self._recorder.queue.trouble
        if trouble is not None:
            raise trouble
        count = self._store.connection.execute("SELECT count(*) FROM fish WHERE closed = 1")
        self._report.fish = count.fetchone()[0]

    def close(self) -> None:
        if self._recorder.journal is not None:
            self._recorder.journal.close()

    def _take_header(self, header: Header) -> None:
        if self._header is not None and header.journal_id == self._header.journal_id:
            return  # the next part of the same journal
        if self._header is not None and self._header.boot is None:
            self.finish()
        self._tell(self._recorder.end_group())
        before = self._engine.state.journal_id or None
        self._header, self._last_n, self._last_t_s = header, 0, 0.0
        self._skips = header.journal_id in self._known
        if self._skips:
            self._report.skipped.append(header.journal_id)
            return
        self.close()
        self._known.add(header.journal_id)
        self._tell(self._recorder.begin(header))
        at_once = self._pace is not None
        journal = JournalWriter(self._folder, header, header.station, ballast_bytes=0, at_once=at_once)
        self._recorder.write_to(journal)
        self._stopped = False
        self._start = start_body(self._store.path.name, before)
        if self._pace is not None:
            self._pace.begin()

    def _take_frame(self, frame: Frame) -> None:
        if self._last_n == 0:
            self._begin_day(frame)
        self._last_n, self._last_t_s = frame.n, frame.t_s
        if self._pace is not None:
            self._wait_for(frame.t_s)
        self._report.frames += 1
        if frame.event == "config":
            self._config(frame)
        elif frame.event == "start" and frame.n == 1:
            body = {**frame.body, **self._start}
            self._feed(Frame(frame.n, frame.t_s, frame.at, frame.source, None, "start", body))
        else:
            self._stopped = frame.event == "stop"
            self._feed(frame)

    def _begin_day(self, first: Frame) -> None:
        """A day written by hand has neither a start nor a configuration of its own."""
        if first.event == "start" and "after" in first.body:
            return
        self._feed(Frame(0, first.t_s, "", _ID, None, "start", self._start))
        self._take_config(self._engine.station, first.t_s)

    def _config(self, frame: Frame) -> None:
        if self._given is not None:
            self._take_config(self._given, frame.t_s)
            return
        try:
            self._take_config(self._configs.station(frame.body), frame.t_s)
        except LostConfigError as lost:
            raise ReplayError(f"{str(lost).capitalize()}: give the station's file.") from None

    def _take_config(self, station: Station, t_s: float) -> None:
        self._tell(self._recorder.end_group())
        self._tell(
            take_config(self._recorder, self._store, station, t_s, loaded=self._recorder.config or None)
        )
        self._begin_group()

    def _feed(self, frame: Frame) -> None:
        if self._report.frames % GROUP == 0:
            self._tell(self._recorder.end_group())
            self._begin_group()
        self._tell(self._recorder.feed(frame))

    def _begin_group(self) -> None:
        if self._pace is None:
            self._recorder.queue.begin_group()

    def _wait_for(self, t_s: float) -> None:
        """Let the day go on until `t_s`, with everything that time brings."""
        assert self._pace is not None
        while (deadline_s := self._engine.next_deadline_s()) is not None and deadline_s < t_s:
            self._pace.until(deadline_s)
            self._tell(self._recorder.advance(deadline_s))
        self._pace.until(t_s)

    def _tell(self, announcements: list[Announcement]) -> None:
        if announcements and self._say is not None:
            self._say(announcements)

    def _set_aside(self, line: SetAside) -> None:
        self._report.set_aside.append(line)
        fields = {"file": str(line.file), "line": line.bad.line_no, "why": line.bad.why}
        fields["raw"] = line.bad.raw.decode("latin-1")
        self._folder.mkdir(parents=True, exist_ok=True)
        with open(self._folder / "set-aside.txt", "a", encoding="utf-8") as kept:
            kept.write(json.dumps(fields) + "\n")

    def _first_station(self, files: Iterable[Path]) -> Station:
        for path in files:
            with suppress(OSError, LostConfigError):
                for entry in read_journal(path):
                    if isinstance(entry.item, Frame) and entry.item.event == "config":
                        return self._configs.station(entry.item.body)
        raise ReplayError("The files name no configuration that can be read: give the station's file.")

    def _content(self, sha256: str) -> bytes:
        failure: ValueError | None = None
        for folder in self._sources:
            try:
                return content(folder, sha256)
            except ValueError as error:
                failure = error
        raise failure or ValueError("no folder holds the texts of the configuration")
