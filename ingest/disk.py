"""Files that outlive faults: a full disk, a failing card, a stick pulled out, a power cut.

An error of a medium never leaves `AppendFile` as a traceback: it becomes a sentence, the bytes wait in
memory, and the next call tries again.
"""

import errno
import os
import re
from collections.abc import Callable
from pathlib import Path

NETWORK_FILESYSTEMS = frozenset(
    {"nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "afs", "ceph", "glusterfs", "davfs"}
    | {"fuse.sshfs", "fuse.rclone", "fuse.glusterfs", "fuse.davfs", "fuse.smbnetfs"}
)
_COPY_BYTES = 1 << 20
_BATCH_LINES = 256
_FULL = frozenset({errno.ENOSPC, errno.EDQUOT})
_GONE = frozenset({errno.ENOENT, errno.ENODEV, errno.ENXIO, errno.ESTALE, errno.ENOTDIR})


def filesystem_type(path: Path, mounts: str) -> str:
    """The type of the file system that `path` (absolute) lies on, by the text of `/proc/mounts`; else "".

    Lines are `device mountpoint type options 0 0`, with blanks in names as octal (fstab(5)); of two mounts
    on the same place the later one covers the earlier.
    """
    best, found = -1, ""
    for line in mounts.splitlines():
        words = line.split(" ")
        if len(words) < 3:
            continue
        place = Path(re.sub(r"\\([0-7]{3})", lambda octal: chr(int(octal[1], 8)), words[1]))
        if path.is_relative_to(place) and len(place.parts) >= best:
            best, found = len(place.parts), words[2]
    return found


def is_network_filesystem(path: Path) -> bool:
    """Whether `path` lies on a share, where locks and syncs are not sure; False if nobody can tell."""
    try:
        mounts = Path("/proc/mounts").read_text(encoding="utf-8", errors="surrogateescape")
    except OSError:
        return False
    return filesystem_type(path.resolve(), mounts) in NETWORK_FILESYSTEMS


def sync_folder(folder: Path) -> None:
    """Make names that were created, renamed or removed in `folder` durable.

    Raises:
        OSError: the medium failed.
    """
    fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(fd)
    except OSError as error:
        if error.errno != errno.EINVAL:  # a file system without folder syncs says EINVAL
            raise
    finally:
        os.close(fd)


def write_whole(path: Path, data: bytes, *, private: bool = False) -> None:
    """Write a file that is there with all of `data` or not at all, and is on the disk when this returns.

    private: nobody but the owner may read it, from its first byte on.

    Raises:
        OSError: the medium failed; `path` is as it was.
    """
    part = path.with_name(path.name + ".part")
    try:
        part.unlink(missing_ok=True)
        with open(part, "xb", opener=_private if private else None) as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except OSError:
        part.unlink(missing_ok=True)
        raise
    # On FAT a renamed file that was not synced again under its new name was empty in power-cut trials.
    with open(path, "rb") as file:
        os.fsync(file.fileno())
    sync_folder(path.parent)


def _private(path: str, flags: int) -> int:
    return os.open(path, flags, 0o600)


def unused_name(path: Path) -> Path:
    """`path`, or the first of `path.1`, `path.2`, ... that does not exist."""
    candidate, number = path, 0
    while candidate.exists():
        number += 1
        candidate = path.with_name(f"{path.name}.{number}")
    return candidate


def catch_up(source: Path, target: Path) -> Path | None:
    """Make `target` equal to `source` by appending what it lacks, durable on return.

    A target that is not the beginning of the source is renamed to `*.differs`, never overwritten; its new
    name is returned.

    Raises:
        OSError: a medium failed; call again later.
    """
    aside = None
    with open(source, "rb") as full:
        try:
            same = _is_beginning(target, source)
        except FileNotFoundError:
            same = True
        if not same:
            aside = unused_name(target.with_name(target.name + ".differs"))
            target.rename(aside)
        with open(target, "ab") as copy:
            full.seek(copy.tell())
            while chunk := full.read(_COPY_BYTES):
                copy.write(chunk)
            copy.flush()
            os.fsync(copy.fileno())
    sync_folder(target.parent)
    return aside


def _is_beginning(short: Path, long: Path) -> bool:
    with open(short, "rb") as one, open(long, "rb") as other:
        while chunk := one.read(_COPY_BYTES):
            if other.read(len(chunk)) != chunk:
                return False
    return True


class AppendFile:
    """One growing file of whole lines on one medium.

    `append` hands a line to the operating system at once (a killed process loses nothing) and `sync` makes
    all of them durable. Lines not yet durable stay in memory: after a failed sync the kernel may count
    pages as clean that never reached the disk, so they are written again in place, not merely synced again.
    A line is never torn: a short write is taken back, or overwritten with the same bytes.

    A file that has vanished or shrunk, or whose waiting lines outgrew the memory, is *behind*: only
    `refilled` (after `catch_up` from another copy) or a new file helps.
    """

    def __init__(
        self,
        path: Path,
        size: int,
        *,
        memory_bytes: int,
        not_on_device: int | None = None,
        release: Callable[[], bool] | None = None,
        at_once: bool = True,
    ) -> None:
        """`size` is the length of the file's whole lines, 0 for a new file.

        `not_on_device` is a st_dev on which this file must not come to lie (an unmounted stick leaves its
        empty mount point on the first medium). `release` is asked once for room when the disk is full.
        Without `at_once` lines wait in memory for the next `sync`.
        """
        self.path = path
        self.trouble: str | None = None
        self.behind = False
        self._durable = size  # up to here the disk has it
        self._offset = size  # up to here the operating system has it
        self._end = size
        self._waiting: list[bytes] = []  # the lines from _durable to _end
        self._written = 0  # how many of them lie before _offset
        self._memory_bytes = memory_bytes
        self._not_on_device = not_on_device
        self._release = release
        self._at_once = at_once
        self._exists = size > 0
        self._ours = False  # nothing but our own lines can lie beyond _durable
        self._fd: int | None = None

    @property
    def end(self) -> int:
        """The length of the file once everything appended is in it."""
        return self._end

    @property
    def durable(self) -> bool:
        """Whether the disk has everything appended."""
        return not self._waiting and not self.behind and self._fd is not None

    @property
    def full(self) -> bool:
        """Whether no further line can wait in memory."""
        return self.behind or self._end - self._durable >= self._memory_bytes

    @property
    def waiting(self) -> list[bytes]:
        """The lines that are not known to be durable here."""
        return self._waiting

    def append(self, line: bytes) -> None:
        """Take one whole line, line end included; never raises OSError."""
        if self.full:
            self.fall_behind("waited so long that its part of the memory is full")
        self._end += len(line)
        if not self.behind:
            self._waiting.append(line)
            if self._at_once:
                self._try(self._write)

    def sync(self) -> bool:
        """Make everything durable; False (see `trouble`) if that failed."""
        return not self.behind and self._try(self._sync)

    def refilled(self) -> None:
        """The file on the disk was completed from another copy up to `end`."""
        self.close()
        self._waiting.clear()
        self._durable = self._end
        self._exists = True
        self._ours = False
        self.behind = False
        self.trouble = None

    def close(self) -> None:
        """Let go of the file; the next call opens it again."""
        if self._fd is not None:
            try:
                os.close(self._fd)
            except OSError:
                pass  # what a late error of the medium cost is written again at the next opening
            self._fd = None

    def _try(self, step: Callable[[], None]) -> bool:
        try:
            try:
                step()
            except OSError as error:
                if error.errno not in _FULL or self._release is None or not self._release():
                    raise
                step()
        except OSError as error:
            if error.errno not in _FULL:
                self.close()
            if not self.behind:
                self.trouble = trouble_sentence(error, self.path)
            return False
        self.trouble = None
        return True

    def _write(self) -> None:
        fd = self._opened()
        while self._written < len(self._waiting):
            lines = self._waiting[self._written : self._written + _BATCH_LINES]
            data = b"".join(lines)
            try:
                _write_at(fd, data, self._offset)
            except OSError:
                try:
                    os.ftruncate(fd, self._offset)
                except OSError:
                    pass  # the same bytes are written over the torn line at the next try
                raise
            self._offset += len(data)
            self._written += len(lines)

    def _sync(self) -> None:
        full: OSError | None = None
        try:
            self._write()
        except OSError as error:
            if error.errno not in _FULL or self._fd is None:
                raise
            full = error
        fd = self._opened()
        os.fdatasync(fd)
        self._check_place(os.fstat(fd))
        del self._waiting[: self._written]
        self._written = 0
        self._durable = self._offset
        if full is not None:
            raise full

    def _check_place(self, opened: os.stat_result) -> None:
        """Refuse a file that the path no longer leads to: writes into a deleted file succeed and are lost."""
        self.check_medium()
        try:
            here = os.stat(self.path)
        except FileNotFoundError:
            self._name_missing_file()
            raise
        if (here.st_dev, here.st_ino) != (opened.st_dev, opened.st_ino):
            self.fall_behind("was replaced by another file")
            raise OSError(errno.ESTALE, os.strerror(errno.ESTALE), str(self.path))

    def check_medium(self) -> None:
        """Refuse to write onto the medium that only carries the mount point.

        Raises:
            OSError: the file's own medium is not there.
        """
        if self._not_on_device is not None and os.stat(self.path.parent).st_dev == self._not_on_device:
            raise OSError(errno.ENODEV, os.strerror(errno.ENODEV), str(self.path))

    def _name_missing_file(self) -> None:
        if self._exists and self.path.parent.is_dir():
            self.fall_behind("was moved or deleted")

    def _opened(self) -> int:
        if self._fd is not None:
            return self._fd
        self.check_medium()
        self._written = 0
        self._offset = self._durable
        new = not self._exists
        try:
            fd = os.open(self.path, os.O_RDWR | os.O_CLOEXEC | (os.O_CREAT | os.O_EXCL if new else 0), 0o644)
        except FileExistsError:
            self.fall_behind("is already there with other contents")
            raise
        except FileNotFoundError:
            self._name_missing_file()
            raise
        try:
            size = os.fstat(fd).st_size
            if size < self._durable or (size != self._durable and not self._ours):
                self.fall_behind("is not as it was left")
                raise OSError(errno.ESTALE, os.strerror(errno.ESTALE), str(self.path))
            if size > self._end:
                os.ftruncate(fd, self._end)
            self._exists = self._ours = True
            if new:
                sync_folder(self.path.parent)
        except OSError:
            os.close(fd)
            raise
        self._fd = fd
        return fd

    def fall_behind(self, why: str) -> None:
        """Give up writing this file as it is; `why` follows its name in `trouble`."""
        if not self.behind:
            self.behind = True
            self.trouble = f"{self.path} {why}: what comes now goes into another copy or a new file."


def trouble_sentence(error: OSError, path: Path) -> str:
    """What a failed write means, in one sentence: what, where, and what to do."""
    if error.errno in _FULL:
        return (
            f"The disk is full, {path} cannot grow: delete or move other files; what arrives waits in memory."
        )
    if error.errno in _GONE:
        return f"{path} is gone: if its medium was pulled out, put it back; what arrives waits in memory."
    if error.errno == errno.EROFS:
        return f"{path} can only be read: look for a lock switch or a fault; what arrives waits in memory."
    if error.errno in (errno.EACCES, errno.EPERM):
        return f"{path} may not be written: give this user the right to; what arrives waits in memory."
    reason = error.strerror or str(error)
    return f"Writing {path} failed ({reason}): the medium may be dying; what arrives waits in memory."


def _write_at(fd: int, data: bytes, offset: int) -> None:
    view = memoryview(data)
    while view:
        count = os.pwrite(fd, view, offset)
        view = view[count:]
        offset += count
