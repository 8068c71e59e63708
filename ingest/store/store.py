"""The one writer of the database: opens it safely, commits durably, and says plainly what is in the way."""

import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Self

from ingest.records import Change
from ingest.store.errors import BatchLost, RecordRefused, StoreBroken, StoreMoved, StoreTrouble, translate
from ingest.store.lookup import Lookup
from ingest.store.owner import FileWatch, OwnerLock, sync_folder
from ingest.store.pragmas import JournalMode, settle_pragmas
from ingest.store.rows import Checkpoint, FrameRow
from ingest.store.schema import check_identity, check_tables, migrate, migrations
from ingest.store.writer import Writer


class Store:
    """The database of a station, owned by this process. Use it from the thread that opened it.

    `lookup` answers questions through the same connection. `pragmas` and `schema_version` are what the open
    file really runs with; `sqlite_version` is the library linked in.
    """

    sqlite_version = sqlite3.sqlite_version

    def __init__(
        self,
        path: Path,
        lock: OwnerLock,
        connection: sqlite3.Connection,
        pragmas: dict[str, int | str],
        schema_version: int,
    ) -> None:
        self.path = path
        self.pragmas = pragmas
        self.schema_version = schema_version
        self.connection = connection
        self.lookup = Lookup(connection, path)
        self._lock = lock
        self._writer = Writer(connection)
        self._watch = FileWatch(path)
        self._in_batch = False
        self._batch_lost = False

    @classmethod
    def open(
        cls, path: Path, *, journal_mode: JournalMode = JournalMode.TRUNCATE, busy_timeout_ms: int = 1000
    ) -> Self:
        """Open or make the database, and bring its schema up to date.

        Waits up to `busy_timeout_ms` for another program's lock, here and in every commit. Raises
        `StoreTrouble`: `DatabaseInUse`, `StoreBusy`, `StoreBroken` (also for a damaged file),
        `NotOurDatabase`, `DatabaseTooNew`, `UnsafeSettings`.
        """
        lock = OwnerLock(path)
        connection: sqlite3.Connection | None = None
        try:
            connection = sqlite3.connect(path, timeout=busy_timeout_ms / 1000, isolation_level=None)
            lock.hold_file()
            check_identity(connection, path)
            check_tables(connection, path)
            pragmas = settle_pragmas(connection, journal_mode)
            damage = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
            if damage != "ok":
                raise StoreBroken(
                    f"The database {path} is damaged ({damage}): keep the file, and rebuild it from the "
                    f"journal."
                )
            version = migrate(connection, migrations())
            sync_folder(path.absolute().parent)
            return cls(path, lock, connection, pragmas, version)
        except BaseException as error:
            if connection is not None:
                connection.close()
            lock.release()
            explained = translate(error, path) if isinstance(error, Exception) else error
            if explained is error:
                raise
            raise explained from error

    def commit(
        self,
        changes: Sequence[Change],
        frames: Sequence[FrameRow] = (),
        checkpoint: Checkpoint | None = None,
    ) -> None:
        """Store all of it in one transaction: durable on return, or nothing of it stored and an exception.

        After `StoreTrouble` the same call can be made again; what is stored already is not stored twice.
        Within a batch the rows are visible to `lookup` at once and durable after `end_batch`. Raises
        `RecordRefused` (`ConflictingFish`) where asking again would not help.
        """
        if self._batch_lost:
            raise BatchLost(_LOST)
        if self._in_batch:
            self._step(changes, frames, checkpoint)
            return
        with self._transaction():
            self._writer.apply(changes, frames, checkpoint)

    def write(self, work: Callable[[sqlite3.Connection], None]) -> None:
        """Do `work` in one durable transaction, outside a batch: for loading tables of reference."""
        if self._in_batch:
            raise ValueError("a transaction of its own is not to be had within a batch")
        with self._transaction():
            work(self.connection)

    def begin_batch(self) -> None:
        """Group the commits that follow into one transaction, for replay at full speed."""
        if self._in_batch:
            raise ValueError("a batch is open already")
        self._batch_lost = False
        try:
            self.connection.execute("BEGIN IMMEDIATE")
        except sqlite3.Error as error:
            raise self._explained(error) from error
        self._in_batch = True

    def end_batch(self) -> None:
        """Make the batch durable. Raises `BatchLost` if trouble took it back: begin again from its start."""
        if self._batch_lost:
            raise BatchLost(_LOST)
        if not self._in_batch:
            raise ValueError("no batch is open")
        try:
            self._finish()
        except Exception as error:
            self._lose_batch(error)
        self._in_batch = False

    def close(self) -> None:
        """Stop cleanly: one file is left. A batch that was not ended is taken back. Twice does nothing."""
        try:
            self._roll_back()
            # Leaving the mode removes the side file; if another program reads just now, the file stays,
            # whole.
            self.connection.execute("PRAGMA journal_mode=DELETE")
        except sqlite3.Error:
            pass
        finally:
            self.connection.close()
            self._lock.release()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        try:
            self.connection.execute("BEGIN IMMEDIATE")
            yield
            self._finish()
        except Exception as error:
            self._roll_back()
            explained = self._explained(error)
            if explained is error:
                raise
            raise explained from error
        except BaseException:
            self._roll_back()
            raise

    def _step(
        self, changes: Sequence[Change], frames: Sequence[FrameRow], checkpoint: Checkpoint | None
    ) -> None:
        try:
            self.connection.execute("SAVEPOINT step")
            self._writer.apply(changes, frames, checkpoint)
            self.connection.execute("RELEASE step")
        except Exception as error:
            explained = self._explained(error)
            if not isinstance(explained, RecordRefused):
                self._lose_batch(error)
            self.connection.execute("ROLLBACK TO step")
            self.connection.execute("RELEASE step")
            if explained is error:
                raise
            raise explained from error

    def _explained(self, error: Exception) -> Exception:
        explained = translate(error, self.path)
        if isinstance(explained, StoreTrouble):
            # A file that is gone shows itself as all sorts of input/output errors.
            try:
                self._watch.check()
            except StoreMoved as moved:
                return moved
        return explained

    def _finish(self) -> None:
        self._watch.check()
        self.connection.execute("COMMIT")

    def _lose_batch(self, error: Exception) -> None:
        self._roll_back()
        self._in_batch = False
        self._batch_lost = True
        explained = self._explained(error)
        if isinstance(explained, StoreTrouble):
            raise BatchLost(f"{explained} {_LOST}") from error
        raise explained from error

    def _roll_back(self) -> None:
        # Serious trouble makes SQLite roll back by itself; whatever it could not undo on the medium, it
        # undoes from its journal before the next read.
        if self.connection.in_transaction:
            with suppress(sqlite3.Error):
                self.connection.execute("ROLLBACK")


_LOST = "Everything since the batch began was taken back: hand it over again from there."
