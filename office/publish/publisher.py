"""Publishing an office's database: batch by batch, each whole or not at all, and going on where it was cut off."""

import hashlib
import sqlite3
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from typing import Any

from psycopg import Connection, DataError, errors

from office.publish.errors import PublishRefusedError
from office.publish.migrations import LOCK, MIGRATIONS, Migration, grant_roles, migrate
from office.publish.server import connected, server_name
from office.publish.shapes import (
    BATCH,
    BATCH_READING,
    FISH,
    FISH_PARTS,
    LAST,
    LATER_PARTS,
    LOCAL_RELATION,
    MUTABLE,
    PRIOR_CAPTURE,
    WATER,
    Shape,
)
from office.publish.staging import Staging

FISH_AT_ONCE = 50_000
_WAIT_FOR_OFFICE = "10s"
Row = tuple[Any, ...]
Progress = Callable[[int, int], None]


@dataclass(slots=True)
class Published:
    """What a publication did. `added`: rows by table, of surveys and runs also those told anew."""

    server: str
    migrated: list[str] = field(default_factory=list)
    roles: bool = True
    added: Counter[str] = field(default_factory=Counter)
    conflicts: int = 0  # those that were not listed before


def publish(
    office: sqlite3.Connection,
    office_id: str,
    address: str,
    *,
    again: bool = False,
    progress: Progress = lambda done, of: None,
    migrations: Sequence[Migration] = MIGRATIONS,
    fish_at_once: int = FISH_AT_ONCE,
) -> Published:
    """Bring every final record of the office's database to the server at `address` (a PostgreSQL URI or keywords).

    Fish that this office has brought are passed over; `again` compares them anew. `progress` is told how many of how
    many fish are through. Each batch is one transaction on the server; the office's records are read as they are at one
    instant. Raises PublishRefusedError, ServerLostError, sqlite3.Error.
    """
    done = Published(server_name(address))
    with connected(address) as server:
        with server.transaction():
            done.migrated = migrate(server, migrations)
            if done.migrated:
                done.roles = grant_roles(server)
        with _one_at_a_time(server, office_id), _one_instant(office):
            _Publication(office, office_id, server, done, fish_at_once).run(again, progress)
    return done


class _Publication:
    def __init__(
        self,
        office: sqlite3.Connection,
        office_id: str,
        server: Connection,
        done: Published,
        fish_at_once: int,
    ) -> None:
        self._office = office
        self._office_id = office_id
        self._server = server
        self._done = done
        self._fish_at_once = fish_at_once

    def run(self, again: bool, progress: Progress) -> None:
        with self._server.transaction():
            self._server.execute(
                "INSERT INTO office (office_id) VALUES (%s) ON CONFLICT DO NOTHING", (self._office_id,)
            )
            self._server.execute(
                "UPDATE office SET started_at = now(), completed_at = NULL WHERE office_id = %s",
                (self._office_id,),
            )
            self._staging = Staging(self._server, self._office_id)
        self._batch(self._reference)
        mark = _Mark() if again else self._published_through()
        (of,) = self._office.execute("SELECT count(*) FROM fish WHERE closed = 1").fetchone()
        progress(mark.count, of)
        while mark.count < of:
            following = self._end_of_batch(mark)
            self._batch(partial(self._fish, mark.rowid, following))
            mark = following
            progress(mark.count, of)
        self._batch(self._rest)

    def _batch(self, work: Callable[[bool], Counter[str]]) -> None:
        """One transaction, when it is our turn. `work` is told whether to clean texts."""
        try:
            counted = self._transaction(work, False)
        except DataError as error:
            # PostgreSQL's text cannot hold a zero byte; only then every text is looked at.
            if "NUL" not in str(error):
                raise
            counted = self._transaction(work, True)
        self._done.conflicts += counted.pop("", 0)
        self._done.added += counted

    def _transaction(self, work: Callable[[bool], Counter[str]], clean: bool) -> Counter[str]:
        with self._server.transaction():
            self._staging.wait_for_turn()
            return work(clean)

    def _reference(self, clean: bool) -> Counter[str]:
        counted: Counter[str] = Counter()
        for shape in (WATER, *MUTABLE, LOCAL_RELATION):
            staged = self._staging.copy(shape, self._rows(shape, clean))
            add = self._staging.add_newer if shape in MUTABLE else self._staging.add_once
            _note(counted, shape, add(shape, staged))
        return counted

    def _fish(self, after: int, through: "_Mark", clean: bool) -> Counter[str]:
        counted: Counter[str] = Counter()
        self._records(counted, FISH, FISH_PARTS, clean, {"after": after, "through": through.rowid})
        (fish_id,) = self._office.execute(
            "SELECT fish_id FROM fish WHERE rowid = ?", (through.rowid,)
        ).fetchone()
        self._server.execute(
            "UPDATE office SET through_fish_id = %s, through_print = %s WHERE office_id = %s",
            (fish_id, through.print, self._office_id),
        )
        return counted

    def _rest(self, clean: bool) -> Counter[str]:
        counted: Counter[str] = Counter()
        for shape in LATER_PARTS:
            staged = self._staging.copy(shape, _told_by_content(self._rows(shape, clean)))
            _note(counted, shape, self._staging.add_once(shape, staged))
        self._records(counted, BATCH, (BATCH_READING,), clean, {})
        for shape in LAST:
            staged = self._staging.copy(shape, self._rows(shape, clean))
            _note(counted, shape, self._staging.add_once(shape, staged))
        self._staging.copy(PRIOR_CAPTURE, self._rows(PRIOR_CAPTURE, clean))
        _note(counted, PRIOR_CAPTURE, (self._staging.replace_all(PRIOR_CAPTURE), 0))
        self._server.execute(
            "UPDATE office SET completed_at = now() WHERE office_id = %s", (self._office_id,)
        )
        return counted

    def _records(
        self,
        counted: Counter[str],
        record: Shape,
        parts: Sequence[Shape],
        clean: bool,
        between: Mapping[str, int],
    ) -> None:
        """Records with their parts: all of them at once where the server knows none of these records."""
        keys = self._office.execute(f"SELECT {record.keys[0]} FROM ({record.source})", between)
        shapes = (record, *parts)
        if self._staging.known(record, keys):
            for shape in shapes:
                self._staging.copy(shape, self._rows(shape, clean, between))
            _note(counted, record, self._staging.add_records(record, parts))
        else:
            added = [self._staging.add_new(shape, self._rows(shape, clean, between)) for shape in shapes]
            _note(counted, record, (added[0], 0))

    def _rows(self, shape: Shape, clean: bool, between: Mapping[str, int] | None = None) -> Iterable[Row]:
        cursor = self._office.execute(shape.source, between or {})
        return map(_without_zero_bytes, cursor) if clean else cursor

    def _published_through(self) -> "_Mark":
        """Where the last publication of this office ended; the beginning, if the server or this database does not know.

        By the id of a fish: rowids may change when SQLite vacuums. And by a print of all fish up to it: another copy of
        this office's database may have published, with fish that are not those here.
        """
        found = self._server.execute(
            "SELECT through_fish_id, through_print FROM office WHERE office_id = %s", (self._office_id,)
        ).fetchone()
        fish_id, fingerprint = found or (None, None)
        row = self._office.execute("SELECT rowid FROM fish WHERE fish_id = ?", (fish_id,)).fetchone()
        mark = self._advanced(_Mark(), row[0]) if row else _Mark()
        return mark if mark.print == fingerprint else _Mark()

    def _end_of_batch(self, mark: "_Mark") -> "_Mark":
        (through,) = self._office.execute(
            "SELECT max(rowid) FROM (SELECT rowid FROM fish WHERE rowid > ? AND closed = 1 ORDER BY rowid LIMIT ?)",
            (mark.rowid, self._fish_at_once),
        ).fetchone()
        return self._advanced(mark, through)

    def _advanced(self, mark: "_Mark", through: int) -> "_Mark":
        count, total = self._office.execute(
            "SELECT count(*), coalesce(sum(opened_n), 0) FROM fish WHERE rowid > ? AND rowid <= ? AND closed = 1",
            (mark.rowid, through),
        ).fetchone()
        return _Mark(through, mark.count + count, mark.total + total)


@dataclass(frozen=True, slots=True)
class _Mark:
    """A place among the fish in the order of their rows: how many closed ones lie up to it, and the sum of the frames
    that opened them."""

    rowid: int = 0
    count: int = 0
    total: int = 0

    @property
    def print(self) -> str:
        return f"{self.count}:{self.total}"


def _note(counted: Counter[str], shape: Shape, result: tuple[int, int]) -> None:
    """Conflicts are counted under no name."""
    added, conflicts = result
    counted[shape.table] += added
    counted[""] += conflicts


def _told_by_content(rows: Iterable[Row]) -> Iterator[Row]:
    """Rows whose last value, the part, is a hash of the others but the fish: two offices may number them differently."""
    for row in rows:
        fish_id, *said, _ = row
        yield fish_id, *said, "later " + hashlib.sha256(repr(said).encode()).hexdigest()[:32]


def _without_zero_bytes(row: Row) -> Row:
    return tuple(value.replace("\0", "\u2400") if isinstance(value, str) else value for value in row)


@contextmanager
def _one_at_a_time(server: Connection, office_id: str) -> Iterator[None]:
    """Two publications of one office at once would only repeat each other."""
    try:
        with server.transaction():
            server.execute(f"SET LOCAL lock_timeout = '{_WAIT_FOR_OFFICE}'")
            server.execute("SELECT pg_advisory_lock(%s, hashtext(%s))", (LOCK, office_id))
    except errors.LockNotAvailable:
        raise PublishRefusedError(
            "This office is being published already, from elsewhere: wait until that is done."
        ) from None
    yield  # the lock goes with the connection


@contextmanager
def _one_instant(office: sqlite3.Connection) -> Iterator[None]:
    office.execute("BEGIN")
    try:
        yield
    finally:
        office.execute("ROLLBACK")
