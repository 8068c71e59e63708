"""Limits of single connections, below HTTP: how many, how long one may be silent, how long one may not read.

Whoever holds connections open without asking anything makes room for whoever asks.
"""

import asyncio
import socket
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

from uvicorn.protocols.http.h11_impl import H11Protocol

from station.peers import plain_address

_DEAD_MS: Final = 20_000  # until a peer that does not even acknowledge is given up (tcp(7), TCP_USER_TIMEOUT)


@dataclass(frozen=True, slots=True)
class Limits:
    """most: connections in all. most_each: of one address (a browser opens six, and a stream for each page).

    headers_s: until the head of a request is there, from its first byte or from the beginning of the connection.
    unread_s: until somebody who does not read is cut off.
    """

    most: int = 128
    most_each: int = 32
    headers_s: float = 5.0
    unread_s: float = 10.0


class Connections:
    """All open connections, oldest first, and whether there is room for one more."""

    def __init__(self, limits: Limits = Limits()) -> None:
        self.limits = limits
        self._open: dict[LimitedConnection, str] = {}

    def admit(self, one: "LimitedConnection", address: str) -> bool:
        """Take it in, where needed in place of an idle one; False if all that are open are at work."""
        same = [other for other, where in self._open.items() if where == address]
        if len(same) >= self.limits.most_each and not _evict(same):
            return False
        if len(self._open) >= self.limits.most and not _evict(list(self._open)):
            return False
        self._open[one] = address
        return True

    def leave(self, one: "LimitedConnection") -> None:
        self._open.pop(one, None)


def _evict(connections: list["LimitedConnection"]) -> bool:
    """End the oldest one that asks nothing; if there is none, the oldest one whose request is not there yet."""
    idle = next((one for one in connections if one.is_idle), None)
    chosen = idle or next((one for one in connections if one.is_half_asked), None)
    if chosen is None:
        return False
    chosen.hang_up(408, "You asked nothing, and somebody else needs the connection.")
    return True


class LimitedConnection(H11Protocol):
    """One connection of the server library, with limits. `connections` are those of one server."""

    def __init__(self, *arguments: Any, connections: Connections, **named: Any) -> None:
        super().__init__(*arguments, **named)
        self._all = connections
        self._was_asked = False
        self._patience = _Timer(self.loop)
        self._unread = _Timer(self.loop)

    @property
    def is_idle(self) -> bool:
        """Whether no request is being answered."""
        return self.cycle is None or self.cycle.response_complete

    @property
    def is_half_asked(self) -> bool:
        """Whether the rest of a request's body is awaited."""
        return self.cycle is not None and self.cycle.more_body and not self.cycle.response_started

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        door = transport.get_extra_info("socket")
        if door is not None:
            door.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, _DEAD_MS)
        address = plain_address(self.client[0]) if self.client else ""
        if not self._all.admit(self, address):
            self.hang_up(503, "Too many are connected to the station: close some of their pages.")
            return
        self._look()

    def connection_lost(self, exc: Exception | None) -> None:
        self._all.leave(self)
        self._patience.stop()
        self._unread.stop()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        if not self.transport.is_closing():
            super().data_received(data)
            self._look()

    def pause_writing(self) -> None:
        super().pause_writing()
        self._unread.start(self._all.limits.unread_s, self.transport.abort)

    def resume_writing(self) -> None:
        super().resume_writing()
        self._unread.stop()

    def hang_up(self, status: int, sentence: str) -> None:
        """Say why, and close; only while no request is being answered that is whole.

        Nothing is said after an earlier answer: it could be taken for that of a request on its way.
        """
        self._all.leave(self)
        if self.transport.is_closing():
            return
        if self._was_asked:
            self.transport.close()
            return
        body = sentence.encode()
        head = (
            f"HTTP/1.1 {status} {_PHRASES[status]}\r\ncontent-type: text/plain; charset=utf-8\r\n"
            f"content-length: {len(body)}\r\nconnection: close\r\n\r\n"
        )
        self.transport.write(head.encode() + body)
        self.transport.close()

    def _look(self) -> None:
        """A timer runs while the head of a request is awaited; more of its bytes do not prolong it."""
        if not self.is_idle or self.transport.is_closing():
            self._was_asked = self._was_asked or not self.is_idle
            self._patience.stop()
        else:
            self._patience.start(self._all.limits.headers_s, self._tired)

    def _tired(self) -> None:
        if self.is_idle:
            self.hang_up(408, f"No whole request came within {self._all.limits.headers_s:g} s.")


_PHRASES: Final = {408: "Request Timeout", 503: "Service Unavailable"}


class _Timer:
    """Fires once, unless it is stopped before."""

    def __init__(self, loop: asyncio.AbstractEventLoop) -> None:
        self._loop = loop
        self._handle: asyncio.TimerHandle | None = None

    def start(self, within_s: float, then: Callable[[], None]) -> None:
        """Begin, if it does not run already."""
        if self._handle is None:
            self._handle = self._loop.call_later(within_s, then)

    def stop(self) -> None:
        if self._handle is not None:
            self._handle.cancel()
            self._handle = None
