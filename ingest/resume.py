"""A start: from the last checkpoint and the journal's tail to a recorder that goes on.

What the journal holds beyond the checkpoint is read through the same engine, and what is missing in the
database is stored; so a database that was killed, or put back from an older copy, becomes whole. Within one
boot of the computer the journal goes on, after another boot a new one begins.
"""

from dataclasses import dataclass
from uuid import uuid4

from ingest.assemble.context import Lookup
from ingest.checkpoints import Resumed, unpack
from ingest.commits import CommitQueue
from ingest.config_frames import (
    ConfigReader,
    LostConfigError,
    config_hash,
    keep_config,
    listed_body,
    load_tables,
)
from ingest.engine import Engine
from ingest.engine_state import EngineState
from ingest.frames import Frame, Header, parse_rfc3339, rfc3339
from ingest.journal import JournalWriter
from ingest.kept_content import content
from ingest.recorder import Recorder
from ingest.records import Announcement, Sound
from ingest.runs import JournalRun, SetAside, heal_copies, journal_runs, run_items, start_body
from ingest.station import Station
from ingest.store import Store

GRID = 1024  # journal times are multiples of 1/1024 s: their sums and differences are exact
GROUP = 500  # frames read again per transaction


@dataclass(frozen=True, slots=True)
class Now:
    """The clocks at the start: wall time (s since 1970), monotonic time (s), and the boot that it belongs to."""

    wall_s: float
    mono_s: float
    boot: str


@dataclass(slots=True)
class Started:
    """What a start gave: the recorder, ready for frames, and what is to be said first."""

    recorder: Recorder
    header: Header
    announcements: list[Announcement]
    set_aside: list[SetAside]
    last_wall_s: float | None  # the wall time of the last frame before this start


def on_grid(seconds: float) -> float:
    """Seconds of the monotonic clock as journals keep them."""
    return round(seconds * GRID) / GRID


class Start:
    """One start of a station on its open database."""

    def __init__(
        self, station: Station, store: Store, queue: CommitQueue, lookup: Lookup, **facts: object
    ) -> None:
        """`facts` stand in the event `start` (version of the program and of SQLite, process id)."""
        self._station = station
        self._store = store
        self._queue = queue
        self._lookup = lookup
        self._facts = facts
        self._said: list[Announcement] = []
        self._set_aside: list[SetAside] = []
        self._reader = ConfigReader(self._content, station.folder)

    def run(self, now: Now) -> Started:
        """Raises `StoreTrouble` if the station's tables cannot be loaded, `UnreadableStateError`, `OSError` if the
        journal cannot be read."""
        station = self._station
        heal_copies(station.journal, station.journal_mirror)
        checkpoint = self._store.lookup.checkpoint()
        resumed = None if checkpoint is None else unpack(checkpoint)
        runs = journal_runs(station.journal, station.database.name)
        recorder = self._recorder(resumed, runs)
        self._read_tail(recorder, resumed, runs)
        state = recorder.engine.state
        last_wall_s = parse_rfc3339(recorder.engine.at(state.t_s)) if state.journal_id else None
        header = self._goes_on(recorder, runs, now)
        if header is None:
            before = recorder.engine.state.journal_id or None
            header = Header(str(uuid4()), station.name, rfc3339(now.wall_s), now.boot, on_grid(now.mono_s))
            self._said += recorder.begin(header)
        else:
            before = None
        writer = JournalWriter(station.journal, header, station.name, station.journal_mirror)
        if writer.mirror_on_same_medium:
            self._tell(
                "mirror_on_same_medium",
                f"The mirror of the journal lies on the journal's own medium ({station.journal_mirror}): if that one "
                "dies both are lost; name a folder on another medium as journal_mirror.",
                Sound.REMINDER,
            )
        recorder.write_to(writer)
        body = start_body(station.database.name, before, **self._facts)
        t_s = on_grid(now.mono_s) - (header.mono or 0.0)
        self._said += recorder.feed(Frame(0, t_s, "", station.name, None, "start", body))
        self._said += take_config(recorder, self._store, station, t_s, loaded=recorder.config)
        self._said += recorder.save_checkpoint()
        return Started(recorder, header, self._said, self._set_aside, last_wall_s)

    def _recorder(self, resumed: Resumed | None, runs: list[JournalRun]) -> Recorder:
        state = EngineState() if resumed is None else resumed.state
        config = "" if resumed is None else resumed.config
        station = self._station
        if config:
            try:
                station = self._reader.station(listed_body(self._content(config)))
            except (LostConfigError, ValueError) as error:
                self._tell("config_lost", f"{error}: what the journal holds is read with the present one.")
        elif runs:
            station = first_config(runs[0], self._reader) or station
        engine = Engine(station, self._lookup, state)
        if state.survey is not None:
            self._queue.unstored.waters[state.survey.survey_id] = state.survey.water
        return Recorder(engine, self._queue, config=config, journal_folder=self._station.journal)

    def _read_tail(self, recorder: Recorder, resumed: Resumed | None, runs: list[JournalRun]) -> None:
        rest = runs
        if resumed is not None:
            ids = [run.header.journal_id for run in runs]
            if resumed.state.journal_id in ids:
                rest = runs[ids.index(resumed.state.journal_id) :]
            else:
                rest = []
                self._tell(
                    "journal_missing",
                    f"The journal of this database is not in {self._station.journal}: its records stay, but "
                    "nothing can be read again; put the journal back if you have it.",
                )
        reader = TailReader(recorder, self._store, self._reader)
        first = resumed.position if resumed is not None else None
        if rest and first is not None and not _reaches(rest[0], first.file, first.offset):
            self._tell(
                "journal_short",
                f"The journal ends before the place to which this database had read it ({first.file}, frame "
                f"{first.n}): the records stay, the frames are lost unless a copy of that file turns up.",
            )
        for run in rest:
            if run.header.journal_id != recorder.engine.state.journal_id:
                self._said += recorder.begin(run.header)
            for item in run_items(run, first):
                if isinstance(item, SetAside):
                    self._set_aside.append(item)
                else:
                    self._said += reader.take(item)
            first = None
        self._said += reader.finish()
        # What was announced before the fault is news to nobody now; what happened meanwhile is said in one line.
        changed = recorder.changed
        self._said = [one for one in self._said if one.name in _OWN]
        for lost in reader.lost:
            self._tell("config_lost", lost)
        if changed:
            self._tell(
                "read_from_journal",
                f"{changed} records were read back from the journal: they were not in the database yet.",
                Sound.NONE,
            )
        if self._set_aside:
            self._tell(
                "journal_damaged",
                f"{len(self._set_aside)} lines of the journal cannot be understood and were passed over, "
                f"first: {self._set_aside[0]}.",
            )

    def _goes_on(self, recorder: Recorder, runs: list[JournalRun], now: Now) -> Header | None:
        """The journal that goes on: the last one, if the computer was not started anew since."""
        state = recorder.engine.state
        for run in runs:
            header = run.header
            if header.journal_id == state.journal_id and header.boot == now.boot and header.mono is not None:
                return header
        return None

    def _content(self, sha256: str) -> bytes:
        try:
            return content(self._station.journal, sha256)
        except ValueError:
            mirror = self._station.journal_mirror
            if mirror is None:
                raise
            return content(mirror, sha256)

    def _tell(self, name: str, sentence: str, sound: Sound = Sound.TROUBLE) -> None:
        self._said.append(Announcement(name, sound, sentence, None, ""))


class TailReader:
    """Feeds frames that were read from a journal, with the configuration that was in force."""

    def __init__(self, recorder: Recorder, store: Store, reader: ConfigReader, group: int = GROUP) -> None:
        self.lost: list[str] = []
        self.frames = 0
        self._recorder = recorder
        self._store = store
        self._reader = reader
        self._group = group

    def take(self, frame: Frame) -> list[Announcement]:
        """One frame as the journal has it."""
        recorder = self._recorder
        said: list[Announcement] = []
        if self.frames % self._group == 0:
            said += recorder.end_group()
            recorder.queue.begin_group()
        self.frames += 1
        said += recorder.feed(frame)
        if frame.event == "config" and config_hash(frame.body) != recorder.config:
            try:
                station = self._reader.station(frame.body)
            except LostConfigError as lost:
                self.lost.append(f"{lost}: what follows is read with the configuration before it.")
                return said
            said += recorder.end_group()
            load_tables(self._store, station, recorder.engine.at(recorder.engine.state.t_s))
            recorder.queue.begin_group()
            said += recorder.reconfigure(station, config_hash(frame.body))
        return said

    def finish(self) -> list[Announcement]:
        """Everything read so far is durable on return, or waits in the queue."""
        return self._recorder.end_group()


def take_config(
    recorder: Recorder, store: Store, station: Station, t_s: float, *, loaded: str | None = None
) -> list[Announcement]:
    """Use this configuration from now on: texts kept, tables loaded, a frame `config` in the journal.

    `loaded` is the hash of the configuration whose tables the database holds already. To be called only
    while nothing waits for the database. Raises `StoreTrouble` if the tables cannot be loaded: then nothing
    was changed.
    """
    journal = recorder.journal
    assert journal is not None
    config, body = keep_config(station, journal.keep_content)
    at = recorder.engine.at(max(recorder.engine.state.time.t0_s + t_s, recorder.engine.state.t_s))
    if config != loaded:
        load_tables(store, station, at)
    said = recorder.feed(Frame(0, t_s, "", station.name, None, "config", body))
    return [*said, *recorder.reconfigure(station, config)]


def first_config(run: JournalRun, reader: ConfigReader) -> Station | None:
    """The station that the first frame `config` of a journal names; None if there is none to be had."""
    for item in run_items(run):
        if isinstance(item, Frame) and item.event == "config":
            try:
                return reader.station(item.body)
            except LostConfigError:
                return None
    return None


def _reaches(run: JournalRun, file: str, offset: int) -> bool:
    return any(path.name == file and path.stat().st_size >= offset for path in run.files)


_OWN = frozenset(
    {"record_refused", "database_trouble", "database_back", "config_lost", "journal_missing"}
) | {"journal_short"}
