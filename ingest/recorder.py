"""From frames to durable records, in the one right order: journal, then database, then the announcement.

Nothing is announced as saved that is not in the database. When a medium fails the work goes on: frames stay in
the journal or in memory, records wait, the crew is told once in plain words, and again when it is cured.
"""

import json
from collections.abc import Iterable, Sequence
from pathlib import Path

from ingest.catch_records import AddCrew, AmendBatch, BatchReading, SaveBatch, SaveTreatment
from ingest.checkpoints import pack
from ingest.commits import Commit, CommitQueue, Outcome
from ingest.engine import Engine, Step
from ingest.frames import Frame, Header
from ingest.journal import JournalWriter
from ingest.records import (
    AddFinding,
    AddSighting,
    Amend,
    Announcement,
    AttachReading,
    Change,
    ReadingRecord,
    SaveFish,
    SaveInboxFile,
    Sound,
)
from ingest.station import Station
from ingest.store import Checkpoint, FrameRow, RecordRefused, StoreTrouble

# Announcements that say that something is stored.
_CLAIMS = frozenset(
    {"fish_saved", "fish_amended", "fish_void", "fish_counted", "batch_saved", "batch_amended", "batch_void"}
)
TIMER = "timer"


class Recorder:
    """The engine, its journal and its database as one. One thread only; every method gives what to announce.

    Without a journal (what is fed was read from one) only the database is written. `marks_time`: write down
    in the journal that a timer fired, so that reading it again needs no clock.
    """

    def __init__(
        self,
        engine: Engine,
        queue: CommitQueue,
        *,
        config: str,
        journal_folder: Path,
        marks_time: bool = True,
        checkpoints: bool = True,
    ) -> None:
        self.engine = engine
        self.queue = queue
        self.config = config
        self.changed = 0  # changes handed to the database so far
        self.refused: list[tuple[Change | None, RecordRefused]] = []
        self._journal: JournalWriter | None = None
        self._journal_folder = journal_folder
        self._marks_time = marks_time
        self._checkpoints = checkpoints
        self._store_told: type[StoreTrouble] | None = None
        self._journal_told: str | None = None
        self._unflushed = False
        self._uncut: dict[str, bytes] = {}  # bytes taken that no frame holds yet

    @property
    def journal(self) -> JournalWriter | None:
        return self._journal

    def begin(self, header: Header) -> list[Announcement]:
        """Frames from now on belong to this journal."""
        return self._take(self.engine.begin_journal(header))

    def reconfigure(self, station: Station, config: str) -> list[Announcement]:
        """Use these settings from the next frame on; `config` is the hash of the list of their sources."""
        step = self.engine.reconfigure(station)
        self.config = config
        return self._take(step)

    def write_to(self, journal: JournalWriter | None) -> None:
        """Frames from now on go into this journal."""
        self._journal = journal

    def feed(self, frame: Frame) -> list[Announcement]:
        """One frame: bytes of an instrument, or an event."""
        if frame.data is None:
            return self._take(self.engine.feed(frame))
        source, uncut = frame.source, self._uncut
        uncut[source] = uncut.get(source, b"") + frame.data
        step = self.engine.feed(frame)
        cut = sum(_size(one) for one in step.frames if one.source == source)
        uncut[source] = uncut[source][cut:]
        return self._take(step)

    def advance(self, t_s: float) -> list[Announcement]:
        """Time passed (journal time) and nothing arrived."""
        step = self.engine.advance(t_s)
        if self._marks_time and (step.changes or step.announcements):
            mark = self.engine.feed(Frame(0, t_s, "", TIMER, None, TIMER, {}))
            step.frames += mark.frames
            step.changes += mark.changes
            step.announcements += mark.announcements
        return self._take(step)

    def retry(self, *, at_once: bool = False) -> list[Announcement]:
        """Try again what waits for a medium. To be called when `queue.retry_s` has come, and now and then."""
        if self._journal is not None and (self._unflushed or self._journal.trouble):
            self._flush()
        return [*self._journal_news(), *self._told(self.queue.retry(at_once=at_once))]

    def keep_unread(self, source: str, t_s: float, data: bytes = b"") -> None:
        """Keep in the journal as they are (event `unread`) the bytes of this source that no frame holds, and
        `data` behind them: nothing reads them by itself."""
        if self._journal is not None:
            n, t_s = self._journal.next_n, max(t_s, self._journal.last_t_s)
            at = self.engine.at(self.engine.state.time.t0_s + t_s)
            body = {"data": (self._uncut.pop(source, b"") + data).decode("latin-1")}
            self._journal.append(Frame(n, t_s, at, source, None, "unread", body))

    def save_checkpoint(self) -> list[Announcement]:
        """Store how far the journal was read, though nothing changed."""
        if self._journal is not None:
            self._flush()
        return self._told(self.queue.put(Commit(checkpoint=self._checkpoint())))

    def say(self, name: str, sound: Sound, sentence: str, **facts: object) -> Announcement:
        """An announcement of the station itself, now."""
        at = self.engine.at(self.engine.state.t_s)
        return Announcement(name, sound, sentence, None, at, None, facts)

    def end_group(self) -> list[Announcement]:
        """Make a group of commits durable, the journal first."""
        if self._journal is not None:
            self._flush()
        return self._told(self.queue.end_group())

    # --- one step -------------------------------------------------------------------------------------------

    def _take(self, step: Step) -> list[Announcement]:
        if self._journal is not None:
            for frame in step.frames:
                self._journal.append(frame)
            self._unflushed = self._unflushed or bool(step.frames)
        if not step.changes and not step.announcements:
            return self._journal_news() if step.frames else []
        kept = True
        if self._journal is not None and not self.queue.in_group:
            kept = self._flush()
        rows = tuple(_rows(step, self.engine.state.journal_id))
        if not step.changes and not rows:
            return [*self._journal_news(), *step.announcements]
        self.changed += len(step.changes)
        checkpoint = self._checkpoint() if self._checkpoints and not self.queue.in_group else None
        commit = Commit(tuple(step.changes), rows, checkpoint, step.announcements)
        outcome = self.queue.put(commit)
        said = [*self._journal_news(), *self._told(outcome)]
        if self.queue.waiting and commit not in outcome.stored:
            said += _what_cannot_wait(commit, kept)
        return said

    def _flush(self) -> bool:
        assert self._journal is not None
        safe = self._journal.flush().safe
        self._unflushed = not safe
        return safe

    def _checkpoint(self) -> Checkpoint | None:
        if self._journal is None:
            return None
        return pack(self.engine.checkpoint(), self.config, self._journal_folder, self._journal.position)

    # --- what the crew must know of the media ---------------------------------------------------------------

    def _told(self, outcome: Outcome) -> list[Announcement]:
        said: list[Announcement] = []
        for change, refused in outcome.refused:
            self.refused.append((change, refused))
            said.append(self.say("record_refused", Sound.TROUBLE, str(refused)))
        late = [one for commit in outcome.stored for one in commit.announcements]
        trouble = self.queue.trouble
        if trouble is None and self._store_told is not None:
            self._store_told = None
            said.append(
                self.say(
                    "database_back",
                    Sound.NONE,
                    f"The database is written again: {len(outcome.stored)} records that waited are saved now.",
                )
            )
        said += late
        if trouble is not None and self._store_told is not type(trouble):
            self._store_told = type(trouble)
            said.append(
                self.say(
                    "database_trouble",
                    Sound.TROUBLE,
                    f"The database cannot be written: {trouble} Fish are kept in the journal; work goes on.",
                )
            )
        return said

    def _journal_news(self) -> list[Announcement]:
        trouble = None if self._journal is None else self._journal.trouble
        if trouble == self._journal_told:
            return []
        self._journal_told = trouble
        if trouble is None:
            return [self.say("journal_back", Sound.NONE, "The journal is whole on all its media again.")]
        return [self.say("journal_trouble", Sound.TROUBLE, f"The journal: {trouble}")]


def _what_cannot_wait(commit: Commit, kept: bool) -> list[Announcement]:
    """While the database is in trouble a question to the crew is asked at once; only a save must wait."""
    said: list[Announcement] = []
    waits: list[Announcement] = []
    for one in commit.announcements:
        if one.name not in _CLAIMS:
            said.append(one)
            continue
        waits.append(one)
        if kept:
            facts = {**one.facts, "waits": "database"}
            sentence = f"Kept in the journal, not yet saved: {one.sentence}"
            said.append(
                Announcement("fish_kept", Sound.PART, sentence, one.bench, one.at, one.fish_id, facts)
            )
    commit.announcements = waits
    return said


def _size(frame: Frame) -> int:
    """How many bytes of its instrument a frame holds."""
    if frame.data is not None:
        return len(frame.data)
    piece = frame.body.get("data")
    return len(piece) if frame.event == "piece" and isinstance(piece, str) else 0


def _rows(step: Step, journal_id: str) -> Iterable[FrameRow]:
    """The frames that the changes of a step rest on, and every command."""
    rows: dict[tuple[str, int], FrameRow] = {}
    named: set[tuple[str, int]] = set()
    for change in step.changes:
        for reading in _readings(change):
            if reading.raw:  # typed values have none: the command's own frame says them
                row = FrameRow(reading.journal_id, reading.n, reading.at, reading.instrument, reading.raw)
                rows[reading.journal_id, reading.n] = row
        if isinstance(change, SaveBatch):
            named.add((change.batch.journal_id, change.batch.opened_n))
        elif isinstance(
            change, Amend | AddFinding | AddSighting | SaveInboxFile | AmendBatch | SaveTreatment | AddCrew
        ):
            named.add((change.journal_id, change.n))
    for frame in step.frames:
        if (journal_id, frame.n) in named or frame.event == "command":
            rows.setdefault((journal_id, frame.n), _row(journal_id, frame))
    return rows.values()


def _readings(change: Change) -> Sequence[ReadingRecord | BatchReading]:
    if isinstance(change, SaveFish):
        return change.fish.readings
    if isinstance(change, SaveBatch):
        return change.batch.readings
    return (change.reading,) if isinstance(change, AttachReading) else ()


def _row(journal_id: str, frame: Frame) -> FrameRow:
    if frame.data is not None:
        return FrameRow(journal_id, frame.n, frame.at, frame.source, frame.data)
    piece = frame.body.get("data")
    if frame.event == "piece" and isinstance(piece, str):
        return FrameRow(journal_id, frame.n, frame.at, frame.source, piece.encode("latin-1"))
    body = json.dumps(dict(frame.body), sort_keys=True).encode()
    return FrameRow(journal_id, frame.n, frame.at, frame.source, body, frame.event)
