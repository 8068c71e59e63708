"""The instrument's end of a port, as the player of a day sees it: a pseudo-terminal or a TCP server."""

import contextlib
import select
import socket
import time
from pathlib import Path
from typing import Protocol

from simulators.ptys import Pty

ROOM_S = 5.0  # how long a station that listens may keep a line waiting before it is lost
_LOOK_AGAIN_S = 0.05  # looking for the station's lock reads a file: not for every line


class Port(Protocol):
    """One instrument's port. Only one thread may use it."""

    @property
    def address(self) -> str:
        """What a station's config names: the same after the port was unplugged and plugged in again."""
        ...

    def listening(self) -> bool:
        """Whether a station has the port open."""
        ...

    def send(self, data: bytes) -> int:
        """Say bytes; returns how many were lost because nobody listened, as on a wire."""
        ...

    def taken(self, within_s: float) -> None:
        """Wait until the station has taken what was said, where that can be seen; at most `within_s`."""
        ...

    def unplug(self, within_s: float) -> None:
        """Pull the plug, when the station has taken what was said or after `within_s`."""
        ...

    def replug(self) -> None: ...

    def close(self) -> None: ...


class PtyPort:
    """A pseudo-terminal behind a stable link. A station counts as listening while it locks the port."""

    def __init__(self, path: Path) -> None:
        self._pty = Pty(path)
        self._heard = False
        self._looked_s = float("-inf")

    @property
    def address(self) -> str:
        return str(self._pty.path)

    def listening(self) -> bool:
        if not self._pty.plugged:
            return False
        now_s = time.monotonic()
        if now_s - self._looked_s >= _LOOK_AGAIN_S:
            self._looked_s = now_s
            heard = self._pty.heard
            if self._heard and not heard:
                self._pty.forget_reader()
            self._heard = heard
        return self._heard

    def send(self, data: bytes) -> int:
        if not self.listening():
            return len(data)
        return len(data) - self._pty.send(data, ROOM_S)

    def taken(self, within_s: float) -> None:
        deadline = time.monotonic() + within_s
        while self.listening() and not self._pty.drain(_LOOK_AGAIN_S) and time.monotonic() < deadline:
            pass  # a station that leaves takes no more

    def unplug(self, within_s: float) -> None:
        if self._pty.plugged:
            self.taken(within_s)  # the kernel throws away what was not read yet
            self._pty.unplug()
        self._heard, self._looked_s = False, float("-inf")

    def replug(self) -> None:
        if not self._pty.plugged:
            self._pty.plug()

    def close(self) -> None:
        self._pty.unplug()


class TcpPort:
    """A serial device server: listens on 127.0.0.1, one station at a time; a newer one takes the place."""

    def __init__(self) -> None:
        self._server: socket.socket | None = None
        self._client: socket.socket | None = None
        self._number = 0
        self.replug()

    @property
    def address(self) -> str:
        return f"socket://127.0.0.1:{self._number}"

    def listening(self) -> bool:
        if self._server is not None and select.select([self._server], [], [], 0)[0]:
            self._hang_up()
            self._client = self._server.accept()[0]
            self._client.settimeout(ROOM_S)
        if self._client is not None and select.select([self._client], [], [], 0)[0]:
            try:
                gone = self._client.recv(4096) == b""
            except OSError:
                gone = True
            if gone:
                self._hang_up()
        return self._client is not None

    def send(self, data: bytes) -> int:
        if not self.listening() or self._client is None:
            return len(data)
        try:
            self._client.sendall(data)
        except OSError:  # gone, or it took nothing for ROOM_S: how much of it arrived cannot be known
            self._hang_up()
            return len(data)
        return 0

    def taken(self, within_s: float) -> None:
        """What the other end has not read cannot be seen."""

    def unplug(self, within_s: float) -> None:
        """TCP delivers what was said before the end, so there is nothing to wait for."""
        self._hang_up()
        if self._server is not None:
            self._server.close()
            self._server = None

    def replug(self) -> None:
        if self._server is None:
            self._server = socket.create_server(("127.0.0.1", self._number))
            self._number = self._server.getsockname()[1]

    def close(self) -> None:
        self.unplug(0.0)

    def _hang_up(self) -> None:
        if self._client is not None:
            with contextlib.suppress(OSError):
                self._client.shutdown(socket.SHUT_WR)
            self._client.close()
            self._client = None
