"""One snapshot onto one stick. Whatever happens meanwhile, the stick holds whole copies and nothing that looks like one.

The order: a temporary file, synchronised; read back from the medium and compared with the SHA-256 of the snapshot; the
rename, and another synchronisation of the renamed file, without which FAT showed an empty file after the plug was pulled
in our trials; last the manifest, which is what makes a copy count. Older copies stay until the new one is whole.
"""

import contextlib
import errno
import hashlib
import json
import os
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ingest.disk import sync_folder, write_whole
from station.sticks.mounts import Mount

FOLDER = "tallywell"
KEEP = 5  # copies of one station
_CHUNK_BYTES = 1 << 20
_SPARE_BYTES = 1 << 18  # for the manifest and the folders
_FULL = (errno.ENOSPC, errno.EDQUOT)


class StickError(Exception):
    """The copy was not made. One sentence: why, and what to do. `again`: whether another try may end better."""

    again = False


class StickGoneError(StickError):
    """The stick is not the one that it was, or is there no more."""

    again = True


class StoppedError(Exception):
    """The station stops."""


@dataclass(frozen=True, slots=True)
class Copied:
    """A whole copy on a stick. `there_before`: it was there already and is whole."""

    file: str
    sha256: str
    size_bytes: int
    fish: int
    there_before: bool


@contextlib.contextmanager
def folder_of(mount: Mount) -> Iterator[Path]:
    """The folder `tallywell` of this very mounting, by a path that never leads elsewhere: if the stick goes, its mount
    point becomes a folder of the station's own card.

    Raises StickGoneError (also at the end, if the stick went or was exchanged meanwhile), OSError.
    """
    path = os.path.join(mount.path, FOLDER)
    try:
        fd = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW)
    except FileNotFoundError:
        raise StickGoneError(f"The stick {mount.name} is gone.") from None
    try:
        facts = Path(f"/proc/self/fdinfo/{fd}").read_text(encoding="ascii").split()
        if facts[facts.index("mnt_id:") + 1] != str(mount.number):
            raise StickGoneError(f"The stick {mount.name} is gone.")
        yield Path(f"/proc/self/fd/{fd}")
        if not os.path.exists(path) or not os.path.samestat(os.stat(path), os.fstat(fd)):
            raise StickGoneError(f"The stick {mount.name} was exchanged.")
    finally:
        os.close(fd)


def copy_snapshot(
    top: Path, mount: Mount, station: str, snapshot: Path, stopping: Callable[[], bool]
) -> Copied:
    """Copy a snapshot, with the manifest beside it, into the folder of this station; durable and verified on return.

    Raises StickError, StoppedError, OSError.
    """
    figures = snapshot.with_suffix(".json").read_bytes()
    manifest = json.loads(figures)
    folder = top / station
    if not folder.is_dir():
        folder.mkdir()
        sync_folder(top)
    target = folder / snapshot.name
    copied = Copied(
        snapshot.name, manifest["sha256"], manifest["size_bytes"], int(manifest["rows"].get("fish", 0)), False
    )
    if _is_there(target, figures, copied.sha256, stopping):
        return Copied(copied.file, copied.sha256, copied.size_bytes, copied.fish, True)
    for left_over in folder.glob(".*.part"):
        left_over.unlink()
    _room(folder, mount, copied.size_bytes)
    part = folder / f".{snapshot.name}.part"
    try:
        if _copied(snapshot, part, stopping) != copied.sha256:
            raise StickError(f"The snapshot {snapshot.name} is not as it was made: the next one may be.")
        if _read_back(part, stopping) != copied.sha256:
            raise StickError(
                f"The stick {mount.name} gives back other bytes than it was given: take another stick."
            )
        part.replace(target)
    except BaseException:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        raise
    _sync(target)
    sync_folder(folder)
    write_whole(target.with_suffix(".json"), figures)
    _forget_older(folder, target, manifest)
    return copied


def is_final(failure: "StickError | OSError") -> bool:
    """Whether another try with this stick would end the same way."""
    return failure.errno in _FULL if isinstance(failure, OSError) else not failure.again


def reason(error: OSError, mount: Mount) -> str:
    """What a failed copy means, in one sentence: what, and what to do."""
    name = mount.name
    if error.errno in _FULL:
        return f"The stick {name} is full: make room on it or take another one."
    if error.errno == errno.EROFS:
        return f"The stick {name} can only be read: look for its lock switch or take another one."
    if error.errno in (errno.EACCES, errno.EPERM):
        return f"The stick {name} may not be written by this user: mount it so that the station may."
    return (
        f"The stick {name} was pulled out or is failing ({error.strerror or error}): what it held before is as it was. "
        "Put it in again or take another one."
    )


def _room(folder: Path, mount: Mount, size_bytes: int) -> None:
    space = os.statvfs(folder)
    free = space.f_bavail * space.f_frsize
    if free < size_bytes + _SPARE_BYTES:
        need = f"{(size_bytes + _SPARE_BYTES) / 1e6:.1f} MB are needed, {free / 1e6:.1f} MB are free"
        raise StickError(f"The stick {mount.name} is full ({need}): make room on it or take another one.")


def _is_there(target: Path, figures: bytes, sha256: str, stopping: Callable[[], bool]) -> bool:
    try:
        return target.with_suffix(".json").read_bytes() == figures and _read_back(target, stopping) == sha256
    except OSError:
        return False


def _copied(source: Path, part: Path, stopping: Callable[[], bool]) -> str:
    """Copies, synchronises, and gives the SHA-256 of what was read."""
    digest = hashlib.sha256()
    with source.open("rb") as reading, part.open("xb") as writing:
        while chunk := reading.read(_CHUNK_BYTES):
            if stopping():
                raise StoppedError
            digest.update(chunk)
            writing.write(chunk)
        writing.flush()
        os.fsync(writing.fileno())
    return digest.hexdigest()


def _read_back(path: Path, stopping: Callable[[], bool]) -> str:
    """The SHA-256 of what the medium holds: what the memory of this computer still has of it is dropped first, as far as
    it can be."""
    digest = hashlib.sha256()
    with path.open("rb") as reading:
        os.posix_fadvise(reading.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
        while chunk := reading.read(_CHUNK_BYTES):
            if stopping():
                raise StoppedError
            digest.update(chunk)
    return digest.hexdigest()


def _sync(path: Path) -> None:
    with path.open("rb") as file:
        os.fsync(file.fileno())


def _forget_older(folder: Path, newest: Path, manifest: Mapping[str, Any]) -> None:
    """Remove copies beyond the KEEP newest, if the new one has their surveys and at least their rows in every table: a
    database that was begun anew, or of another station of this name, does not replace the one before it."""
    copies = sorted(path for path in folder.glob("*.json") if path.stem != newest.stem)
    for old in copies[: 1 - KEEP or None]:
        try:
            before = json.loads(old.read_bytes())
            known = set(before["surveys"]) <= set(manifest["surveys"])
            if known and all(
                count <= manifest["rows"].get(table, 0) for table, count in before["rows"].items()
            ):
                old.unlink()
                old.with_suffix(".sqlite").unlink(missing_ok=True)
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            continue  # no manifest of ours: left alone
