"""One owner per database, and an eye on the file itself."""

import errno
import fcntl
import os
import socket
from contextlib import suppress
from pathlib import Path

from ingest.store.errors import DatabaseInUse, StoreBroken, StoreMoved, moved


class OwnerLock:
    """The lock file `<database>.lock`: held as long as the process lives, removed by a clean stop.

    It holds the owner's process id, for people; what counts is the lock, which ends with the process.
    A hard link is another name in perhaps another folder: `hold_file` takes the file itself.
    """

    def __init__(self, database: Path) -> None:
        self._database = database
        real = Path(os.path.realpath(database))  # a link to a database must not give a second lock
        self._path = real.with_name(real.name + ".lock")
        self._fd = self._acquire()
        self._file_fd = -1

    def hold_file(self) -> None:
        """Take the file, once it is there, under all its names. Raises DatabaseInUse.

        A name of this computer's own that holds device and inode, gone with the process. Not a lock on the file: over a
        network such a lock can be one that keeps SQLite itself out. A file that has a second name and no second owner is
        nobody's trouble (backups make such names), and where there is no second name, whoever took ours is no owner.
        """
        file = os.stat(self._database)
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as held:
            try:
                held.bind(f"\0tallywell-database-{file.st_dev}-{file.st_ino}")
            except OSError as error:
                if error.errno == errno.EADDRINUSE and file.st_nlink > 1:
                    raise DatabaseInUse(
                        f"The database {self._database} is in use under another of its names (it has hard links): stop "
                        "that one first, and put copies in place of the links."
                    ) from error
                return
            self._file_fd = held.detach()

    def _acquire(self) -> int:
        while True:
            try:
                fd = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
            except OSError as error:
                raise StoreBroken(
                    f"The lock file {self._path} cannot be made ({error.strerror}): check the folder."
                ) from error
            try:
                fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
                if self._is_current(fd):
                    self._sign(fd)
                    return fd
            except OSError as error:
                holder = os.pread(fd, 20, 0).decode("ascii", "replace").strip() or "unknown"
                os.close(fd)
                raise self._explained(error, holder) from error
            # The previous owner removed the file between our open and our lock: that lock guards nothing.
            os.close(fd)

    def _sign(self, fd: int) -> None:
        os.ftruncate(fd, 0)
        with suppress(OSError):  # on a full disk the lock still holds, only unsigned
            os.pwrite(fd, f"{os.getpid()}\n".encode(), 0)

    def _is_current(self, fd: int) -> bool:
        try:
            return os.path.samestat(os.fstat(fd), os.stat(self._path))
        except FileNotFoundError:
            return False

    def _explained(self, error: OSError, holder: str) -> Exception:
        if error.errno in (errno.EWOULDBLOCK, errno.EACCES):
            return DatabaseInUse(
                f"The database {self._database} is in use by process {holder} (a station that runs, or another command): "
                "stop that one first."
            )
        return StoreBroken(
            f"The lock file {self._path} cannot be locked ({error.strerror}): "
            "keep the database on a local disk."
        )

    def release(self) -> None:
        """Remove the lock file and let go. Calling it twice does nothing."""
        if self._fd < 0:
            return
        if self._is_current(self._fd):
            self._path.unlink(missing_ok=True)
        if self._file_fd >= 0:
            os.close(self._file_fd)
        os.close(self._fd)
        self._fd = self._file_fd = -1


class FileWatch:
    """Remembers which file was opened; SQLite in WAL mode would go on writing into a deleted one."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._opened = os.stat(path)

    def check(self) -> None:
        """Raise `StoreMoved` if the path now names another file, or none."""
        try:
            now = os.stat(self._path)
        except OSError as error:
            raise StoreMoved(moved(self._path)) from error
        if not os.path.samestat(self._opened, now):
            raise StoreMoved(moved(self._path))


def sync_folder(folder: Path) -> None:
    """Make names created in or renamed within `folder` durable."""
    fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)
