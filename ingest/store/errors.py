"""Why the store could not do what it was asked, each in one plain sentence.

Two families. `StoreTrouble`: the world is in the way (disk, lock, file); nothing is half done, and the same
call can be made again once it is cured. `RecordRefused`: what was handed over contradicts what is stored;
asking again does not help, and somebody has to look.
"""
# ruff: noqa: N818 -- the names say what happened to the store, and are read aloud by the station

import sqlite3
from pathlib import Path


class StoreTrouble(Exception):
    """The database cannot be used now; nothing was half done."""


class DatabaseInUse(StoreTrouble):
    """Another Tallywell process owns this database."""


class StoreBusy(StoreTrouble):
    """Another program holds a lock on the database."""


class StoreFull(StoreTrouble):
    """No space is left on the medium."""


class StoreBroken(StoreTrouble):
    """The medium or the file fails: an input/output error, damage, read-only, no permission."""


class StoreMoved(StoreTrouble):
    """The file under the path is no longer the one that was opened."""


class BatchLost(StoreTrouble):
    """Trouble inside a batch took back everything since `begin_batch`; hand it all over again."""


class NotOurDatabase(StoreTrouble):
    """The file is something else than a Tallywell database; it was left untouched."""


class DatabaseTooNew(StoreTrouble):
    """A newer Tallywell made this database; it was left untouched."""


class UnsafeSettings(StoreTrouble):
    """SQLite did not take a setting on which durability rests."""


class RecordRefused(Exception):
    """A change contradicts what is stored, or names something that is not there."""


class ConflictingFish(RecordRefused):
    """A fish that is closed was handed over again with different content."""


_BUSY = {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_PROTOCOL}
_DAMAGED = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}
_BROKEN = {sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM}


def translate(error: Exception, path: Path) -> Exception:
    """The plain exception for what SQLite or the system said about the database at `path`.

    Returns `error` itself where it is a defect of ours and must be seen as such.
    """
    if isinstance(error, OSError):
        return StoreBroken(f"The database {path} cannot be reached ({error.strerror}): check the medium.")
    if not isinstance(error, sqlite3.Error):
        return error
    code: int = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_OK)  # absent where Python itself complains
    primary = code & 0xFF
    if code == sqlite3.SQLITE_READONLY_DBMOVED:
        return StoreMoved(moved(path))
    if primary in _BUSY:
        return StoreBusy(
            f"Another program holds the database {path} ({error}): close it there, it is tried again."
        )
    if primary == sqlite3.SQLITE_FULL:
        return StoreFull(f"No space is left for the database {path}: free some, it is tried again.")
    if primary in _DAMAGED:
        return StoreBroken(
            f"The database {path} is damaged ({error}): keep the file, and rebuild it from the journal."
        )
    if primary in _BROKEN:
        return StoreBroken(f"The database {path} cannot be written or read ({error}): check the medium.")
    if primary == sqlite3.SQLITE_CONSTRAINT:
        return RecordRefused(f"The change was not stored, it contradicts the database {path}: {error}.")
    return error


def moved(path: Path) -> str:
    """The sentence for a file that was renamed, deleted or replaced under us."""
    return (
        f"The database {path} was moved, deleted or replaced while in use: nothing more is stored in it; "
        "put it back, or start again and rebuild from the journal."
    )
