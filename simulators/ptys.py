"""A virtual serial port: a pseudo-terminal behind a stable link, to be unplugged and plugged in again."""

import contextlib
import fcntl
import os
import select
import termios
import time
import tty
from pathlib import Path
from types import TracebackType
from typing import Final, Self

_TIOCGEXCL: Final = 0x80045440  # asm-generic/ioctls.h of Linux: _IOR('T', 0x40, int)


class Pty:
    """The instrument's end of a virtual serial port. `path` is what a station's config names.

    What a pseudo-terminal does not do: it has no baud rate (bytes arrive at once), no parity, no 7-bit
    characters, no modem lines. It keeps some 20 kB that nobody reads, where a wire loses them: see
    `forget_reader`.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._master: int | None = None
        self._slave: int | None = None
        self.plug()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, tb: TracebackType | None
    ) -> None:
        self.unplug()

    @property
    def plugged(self) -> bool:
        return self._master is not None

    @property
    def device(self) -> str:
        """The node behind the link at the moment."""
        return os.ttyname(self._ends()[1])

    def plug(self) -> None:
        """Make a new node, raw, and let the link point to it."""
        if self.plugged:
            raise RuntimeError(f"{self.path} is plugged in already")
        self._master, self._slave = os.openpty()
        # The slave stays open here too: so it can be seen what was not read yet, and a reader that leaves
        # hangs nobody up.
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        os.set_blocking(self._slave, False)
        fresh = self.path.with_name(f".{self.path.name}.new")
        fresh.symlink_to(os.ttyname(self._slave))
        fresh.replace(self.path)

    def unplug(self) -> None:
        """Pull the plug: readers get an error, and bytes that they have not taken are gone (see `drain`)."""
        if self._master is None or self._slave is None:
            return
        master, slave, self._master, self._slave = self._master, self._slave, None, None
        self.path.unlink(missing_ok=True)
        os.close(slave)
        os.close(master)

    def send(self, data: bytes, within_s: float = 0.0) -> int:
        """Say bytes. Waits so long for room, then drops the rest as a wire would; returns how many went."""
        master = self._ends()[0]
        deadline = time.monotonic() + within_s
        said = 0
        while said < len(data):
            try:
                said += os.write(master, data[said:])
            except BlockingIOError:
                left_s = deadline - time.monotonic()
                if left_s <= 0:
                    break
                _poll(master, select.POLLOUT, left_s)
        return said

    def receive(self) -> bytes:
        """What the station wrote, b"" if nothing."""
        try:
            return os.read(self._ends()[0], 4096)
        except BlockingIOError:
            return b""

    @property
    def unread(self) -> bool:
        """Whether the station has not yet taken everything that was sent."""
        return _poll(self._ends()[1], select.POLLIN, 0.0)

    def drain(self, within_s: float) -> bool:
        """Wait until the station has taken everything; False if it did not in this time."""
        deadline = time.monotonic() + within_s
        while self.unread:
            if time.monotonic() >= deadline:
                return False
            time.sleep(0.001)
        return True

    @property
    def heard(self) -> bool:
        """Whether a station has opened this port to the end, as `PortReader` does unless told otherwise: it locks the
        port, throws away what was said before, and then marks the port as its own."""
        slave = self._ends()[1]
        if fcntl.ioctl(slave, _TIOCGEXCL, bytes(4)) == bytes(4):
            return False
        node = os.fstat(slave)
        wanted = f"{os.major(node.st_dev):02x}:{os.minor(node.st_dev):02x}:{node.st_ino}"
        locks = Path("/proc/locks").read_text(encoding="ascii").splitlines()
        return any(" FLOCK " in line and wanted in line.split() for line in locks)

    def forget_reader(self) -> None:
        """Undo what a killed station left: the mark that refuses other users' opens, and unread bytes."""
        slave = self._ends()[1]
        fcntl.ioctl(slave, termios.TIOCNXCL)
        while self.unread:
            with contextlib.suppress(BlockingIOError):
                os.read(slave, 65536)

    def _ends(self) -> tuple[int, int]:
        if self._master is None or self._slave is None:
            raise RuntimeError(f"{self.path} is not plugged in")
        return self._master, self._slave


def _poll(fd: int, event: int, within_s: float) -> bool:
    poll = select.poll()
    poll.register(fd, event)
    return any(seen & event for _, seen in poll.poll(within_s * 1000))
