"""Commits stay in order through trouble, one by one and in groups."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from ingest.commits import Commit, CommitQueue, TooManyWaitingError
from ingest.records import SaveFish
from ingest.store import BatchLost, Store
from tests.ingest.builders import amend, fish, ready


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    made = ready(tmp_path / "work-up.sqlite")
    yield made
    made.close()


def saved(store: Store) -> list[int]:
    return [n // 10 for (n,) in store.connection.execute("SELECT opened_n FROM fish ORDER BY opened_n")]


def commit(number: int) -> Commit:
    return Commit((SaveFish(fish(number, tag=f"98512{number:010d}")),))


def test_a_group_that_fails_at_its_end_is_stored_one_by_one_later(store: Store) -> None:
    queue = CommitQueue(store, lambda: 0.0)
    queue.begin_group()
    for number in (1, 2, 3):
        queue.put(commit(number))
    assert saved(store) == [1, 2, 3]
    with closing(sqlite3.connect(store.path, isolation_level=None)) as reader:
        # A reader that is in the middle of its answer lets nobody finish a commit.
        reader.execute("BEGIN")
        reader.execute("SELECT * FROM fish").fetchall()
        assert queue.end_group().stored == []
        assert isinstance(queue.trouble, BatchLost)
        assert queue.waiting == 3
        queue.put(commit(4))
        assert queue.waiting == 4
        reader.execute("ROLLBACK")
    outcome = queue.retry(at_once=True)
    assert len(outcome.stored) == 4
    assert (queue.waiting, queue.unstored.empty) == (0, True)
    assert saved(store) == [1, 2, 3, 4]


def test_only_so_many_commits_wait(store: Store) -> None:
    queue = CommitQueue(store, lambda: 0.0, most_waiting=2)
    with closing(sqlite3.connect(store.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        queue.put(commit(1))
        queue.put(commit(2))
        with pytest.raises(TooManyWaitingError, match="for 2 records"):
            queue.put(commit(3))
        other.execute("ROLLBACK")
    queue.retry(at_once=True)
    assert saved(store) == [1, 2]


def test_a_change_that_is_refused_keeps_no_other_out(store: Store) -> None:
    queue = CommitQueue(store, lambda: 0.0)
    never_stored = fish(9)
    mixed = Commit((SaveFish(fish(1)), amend(never_stored, "fate", "removed"), SaveFish(fish(2, tag=None))))
    outcome = queue.put(mixed)
    assert [getattr(change, "field", None) for change, _ in outcome.refused] == ["fate"]
    assert outcome.stored == [mixed]
    assert saved(store) == [1, 2]
