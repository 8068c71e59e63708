"""Commits in order, through every fault of the database: what cannot be stored now waits and is tried again."""

from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from ingest.overlay import Unstored
from ingest.records import Announcement, Change
from ingest.store import BatchLost, Checkpoint, FrameRow, RecordRefused, Store, StoreTrouble

FIRST_RETRY_S = 0.2
LONGEST_RETRY_S = 2.0
MOST_WAITING = 20_000


class TooManyWaitingError(Exception):
    """The database could not be written for so long that the memory set aside for it is full. One sentence."""


@dataclass(slots=True)
class Commit:
    """What one step asks to store, and the announcements that may be made only once it is stored."""

    changes: tuple[Change, ...] = ()
    rows: tuple[FrameRow, ...] = ()
    checkpoint: Checkpoint | None = None
    announcements: list[Announcement] = field(default_factory=list)


@dataclass(slots=True)
class Outcome:
    """What one call of the queue did. `refused`: changes that contradict what is stored, with the reason."""

    stored: list[Commit] = field(default_factory=list)
    refused: list[tuple[Change | None, RecordRefused]] = field(default_factory=list)


class CommitQueue:
    """Commits one after the other; the first that fails makes all later ones wait behind it.

    `trouble` is what is in the way at the moment. Within a group commits are visible at once and durable
    when the group ends.
    """

    def __init__(self, store: Store, clock: Callable[[], float], most_waiting: int = MOST_WAITING) -> None:
        self.unstored = Unstored()
        self.trouble: StoreTrouble | None = None
        self._store = store
        self._clock = clock
        self._most_waiting = most_waiting
        self._waiting: deque[Commit] = deque()
        self._group: list[Commit] | None = None
        self._group_lost = False
        self._delay_s = FIRST_RETRY_S
        self._retry_s: float | None = None

    @property
    def waiting(self) -> int:
        """How many commits wait."""
        return len(self._waiting)

    @property
    def in_group(self) -> bool:
        return self._group is not None

    @property
    def retry_s(self) -> float | None:
        """When (on the clock) to call `retry`; None while nothing waits."""
        return self._retry_s

    def put(self, commit: Commit) -> Outcome:
        """Store it now if nothing waits, else behind the others.

        Raises:
            TooManyWaitingError: it was not taken.
        """
        self.unstored.note_surveys(commit.changes)
        if self._group is not None and not self._waiting:
            return self._put_in_group(commit)
        if len(self._waiting) >= self._most_waiting:
            raise TooManyWaitingError(
                f"The database could not be written for {len(self._waiting)} records ({self.trouble}). "
                "The journal has them all: cure the fault and start again."
            )
        self._waiting.append(commit)
        if len(self._waiting) == 1:
            return self._store_waiting()
        self.unstored.add(commit.changes)
        return Outcome()

    def retry(self, *, at_once: bool = False) -> Outcome:
        """Try again if it is time for it (or `at_once`)."""
        if self._waiting and (at_once or self._retry_s is None or self._clock() >= self._retry_s):
            return self._store_waiting()
        return Outcome()

    def begin_group(self) -> None:
        """Commits from now on become durable together. Does nothing while some wait."""
        if self._waiting or self._group is not None:
            return
        try:
            self._store.begin_batch()
        except StoreTrouble as trouble:
            self._failed(trouble)
            return
        self._group = []

    def end_group(self) -> Outcome:
        """Make the group durable; if that fails, its commits wait one by one."""
        group, self._group = self._group, None
        if group is None:
            return Outcome()
        try:
            self._store.end_batch()
        except StoreTrouble as trouble:
            self._take_back(group, trouble)
            return Outcome()
        return Outcome(stored=group)

    def _put_in_group(self, commit: Commit) -> Outcome:
        assert self._group is not None
        outcome = Outcome()
        try:
            self._store_one(commit, outcome)
        except StoreTrouble as trouble:
            group, self._group = self._group, None
            self._take_back([*group, commit], trouble)
            return outcome
        self._group.append(commit)
        return outcome

    def _take_back(self, group: Iterable[Commit], trouble: StoreTrouble) -> None:
        for commit in group:
            self._waiting.append(commit)
            self.unstored.add(commit.changes)
        self._group_lost = True
        self._failed(trouble)

    def _store_waiting(self) -> Outcome:
        outcome = Outcome()
        while self._waiting:
            commit = self._waiting[0]
            try:
                self._forget_lost_group()
                self._store_one(commit, outcome)
            except StoreTrouble as trouble:
                if self.unstored.empty:
                    self.unstored.add(commit.changes)
                self._failed(trouble)
                return outcome
            outcome.stored.append(self._waiting.popleft())
        self.unstored.clear()
        self.trouble, self._retry_s, self._delay_s = None, None, FIRST_RETRY_S
        return outcome

    def _forget_lost_group(self) -> None:
        """The store takes nothing more until somebody has seen that a group was lost: all of it waits here."""
        if self._group_lost:
            self._store.begin_batch()
            self._store.end_batch()
            self._group_lost = False

    def _store_one(self, commit: Commit, outcome: Outcome) -> None:
        try:
            self._store.commit(commit.changes, commit.rows, commit.checkpoint)
        except BatchLost:
            raise
        except RecordRefused as refused:
            if len(commit.changes) + len(commit.rows) <= 1 and commit.checkpoint is None:
                outcome.refused.append((commit.changes[0] if commit.changes else None, refused))
                return
            # One change that contradicts the database must not keep the others out of it.
            for row in commit.rows:
                self._store_one(Commit(rows=(row,)), outcome)
            for change in commit.changes:
                self._store_one(Commit((change,)), outcome)
            self._store_one(Commit(checkpoint=commit.checkpoint), outcome)

    def _failed(self, trouble: StoreTrouble) -> None:
        self.trouble = trouble
        self._retry_s = self._clock() + self._delay_s
        self._delay_s = min(LONGEST_RETRY_S, 2 * self._delay_s)
