"""Files that are seen whole or not at all: written beside their place, made durable, then renamed into it."""

import ctypes
import errno
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from ingest.store.owner import sync_folder
from office.exports.errors import ExportRefusedError

_SQLITE = b"SQLite format 3\0"  # how a database begins (https://sqlite.org/fileformat.html, 1.3.1)
_AT_FDCWD = -100
_RENAME_EXCHANGE = 2
_NO_EXCHANGE = {errno.ENOSYS, errno.EINVAL, errno.ENOTSUP}


@contextmanager
def whole_file(target: Path) -> Iterator[Path]:
    """A name to write to; what was written there takes the place of `target` when the block ends without error.

    Raises ExportRefusedError if `target` is a folder or a database, OSError.
    """
    if target.is_dir():
        raise ExportRefusedError(f"{target} is a folder: name a file.")
    if target.is_file() and _is_database(target):
        raise ExportRefusedError(f"{target} is a database: give another name.")
    with _workshop(target.absolute().parent) as folder:
        part = folder / target.name
        yield part
        _sync_file(part)
        os.replace(part, target)
        sync_folder(target.absolute().parent)


@contextmanager
def whole_set(folder: Path) -> Iterator[Path]:
    """A folder to write files into; they replace those of the same names in `folder`, the last by name last.

    Nothing else in `folder` is touched. Raises ExportRefusedError if it is a file, OSError.
    """
    _make_folder(folder)
    with _workshop(folder) as staged:
        yield staged
        files = sorted(path for path in staged.rglob("*") if path.is_file())
        for path in files:
            _sync_file(path)
        for path in files:
            place = folder / path.relative_to(staged)
            place.parent.mkdir(parents=True, exist_ok=True)
            os.replace(path, place)
        for parent in {folder, *((folder / path.relative_to(staged)).parent for path in files)}:
            sync_folder(parent)


@contextmanager
def staging(folder: Path) -> Iterator[Path]:
    """A hidden folder within `folder`, gone when the block ends. Raises ExportRefusedError, OSError."""
    _make_folder(folder)
    with _workshop(folder) as staged:
        yield staged


def swap_folder(new: Path, place: Path) -> None:
    """Put the folder `new` at `place` in one step and remove what was there. Both on one file system."""
    for path in new.rglob("*"):
        if path.is_file():
            _sync_file(path)
        else:
            sync_folder(path)
    sync_folder(new)
    place.parent.mkdir(parents=True, exist_ok=True)
    if not place.exists():
        os.rename(new, place)
    elif _exchange(new, place):
        shutil.rmtree(new)
    else:  # a file system without the exchange: for a moment there is neither
        aside = new.with_name(f"{new.name}.old")
        os.rename(place, aside)
        os.rename(new, place)
        shutil.rmtree(aside)
    sync_folder(place.parent)


def _exchange(one: Path, other: Path) -> bool:
    """Swap two names at once (renameat2 of Linux); False where the file system cannot."""
    call = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None)
    if call is None:
        return False
    if call(_AT_FDCWD, os.fsencode(one), _AT_FDCWD, os.fsencode(other), _RENAME_EXCHANGE) == 0:
        return True
    code = ctypes.get_errno()
    if code in _NO_EXCHANGE:
        return False
    raise OSError(code, os.strerror(code), str(other))


@contextmanager
def _workshop(folder: Path) -> Iterator[Path]:
    if not folder.is_dir():
        raise ExportRefusedError(f"There is no folder {folder}: make it, or name another.")
    staged = Path(tempfile.mkdtemp(prefix=".tallywell-export-", dir=folder))
    try:
        yield staged
    finally:
        shutil.rmtree(staged, ignore_errors=True)


def _is_database(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(len(_SQLITE)) == _SQLITE


def _make_folder(folder: Path) -> None:
    if folder.exists() and not folder.is_dir():
        raise ExportRefusedError(f"{folder} is a file: name a folder with --out.")
    folder.mkdir(parents=True, exist_ok=True)


def _sync_file(path: Path) -> None:
    fd = os.open(path, os.O_RDWR)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)
