"""Serial ports behind a network: raw TCP on our own socket, RFC 2217 through pyserial."""

import contextlib
import errno
import os
import queue
import select
import socket
import threading

from serial import rfc2217

from drivers.transport.settings import Keepalive, PortSettings, RawTcp

_CONNECT_S = 5.0
_CHUNK = 4096


def keep_alive(sock: socket.socket, figures: Keepalive) -> None:
    """Make the kernel notice a peer that vanished without a word; without this a read waits for ever."""
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPIDLE, figures.idle_s)
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPINTVL, figures.interval_s)
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPCNT, figures.count)
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, figures.give_up_s * 1000)


class SocketLink:
    """A `Link` over raw TCP (`socket://host:port`)."""

    def __init__(self, settings: PortSettings, where: RawTcp) -> None:
        self._settings = settings
        self._where = where
        self._sock: socket.socket | None = None
        self._wake: tuple[int, int] | None = None
        self._cancelled = False
        self.device: str | None = None

    def open(self) -> None:
        self._wake = os.pipe()
        if self._cancelled:  # before there was a pipe to say so
            raise InterruptedError(errno.EINTR, "cancelled")
        failure: OSError = OSError(errno.EHOSTUNREACH, "the host has no address")
        where = self._where
        for family, kind, protocol, _, address in socket.getaddrinfo(
            where.host, where.port, type=socket.SOCK_STREAM
        ):
            sock = socket.socket(family, kind, protocol)
            try:
                self._connect(sock, address)
            except OSError as error:
                sock.close()
                failure = error
            else:
                self._sock = sock
                return
        raise failure

    def _connect(self, sock: socket.socket, address: object) -> None:
        keep_alive(sock, self._settings.keepalive)
        sock.setblocking(False)
        code = sock.connect_ex(address)  # type: ignore[arg-type]  # as getaddrinfo gave it
        if code == errno.EINPROGRESS:
            if not self._wait_for(sock, select.POLLOUT, _CONNECT_S):
                raise TimeoutError(errno.ETIMEDOUT, os.strerror(errno.ETIMEDOUT))
            code = sock.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
        if code:
            raise OSError(code, os.strerror(code))
        if sock.getsockname() == sock.getpeername():
            # Retrying on a local port where nobody listens can, by chance, connect a socket to itself.
            raise ConnectionRefusedError(errno.ECONNREFUSED, os.strerror(errno.ECONNREFUSED))

    def read(self) -> bytes:
        sock = self._sock
        assert sock is not None
        if not self._wait_for(sock, select.POLLIN, None):
            return b""
        data = sock.recv(_CHUNK)
        if not data:
            raise ConnectionResetError(errno.ECONNRESET, "the far end hung up")
        return data

    def cancel(self) -> None:
        self._cancelled = True
        if self._wake is not None:
            os.write(self._wake[1], b"x")

    def close(self) -> None:
        sock, self._sock = self._sock, None
        wake, self._wake = self._wake, None
        if sock is not None:
            sock.close()
        for end in wake or ():
            os.close(end)

    def _wait_for(self, sock: socket.socket, event: int, within_s: float | None) -> bool:
        """Whether the socket is ready; False when cancelled or, with a limit, late."""
        assert self._wake is not None
        poll = select.poll()
        poll.register(sock, event)
        poll.register(self._wake[0], select.POLLIN)
        ready = {fd for fd, _ in poll.poll(None if within_s is None else within_s * 1000)}
        return bool(ready) and self._wake[0] not in ready


class _Rfc2217Port(rfc2217.Serial):
    """pyserial's RFC 2217 client, with its reader queue emptied in one go.

    The original `read` asks whether the connection lives before it looks into the queue, so the last bytes
    before a hang-up are lost; and its `close` leaves the socket open if the far end was first.
    """

    _read_buffer: "queue.Queue[bytes | None] | None"
    _socket: socket.socket | None
    _thread: threading.Thread | None

    def keep_alive(self, figures: Keepalive) -> None:
        if self._socket is not None:
            keep_alive(self._socket, figures)

    def read_all_waiting(self) -> bytes:
        """Block until bytes are there; b"" when the connection ended or `wake` was called."""
        waiting = self._read_buffer
        assert waiting is not None
        first: bytes | None = b""
        while not first:
            try:
                first = waiting.get(timeout=1.0)
            except queue.Empty:
                if self._thread is None or not self._thread.is_alive():
                    waiting.put(None)  # it died without leaving the mark of the end
                continue
            if first is None:
                return b""
        taken = bytearray(first)
        while first is not None:
            try:
                first = waiting.get_nowait()
            except queue.Empty:
                break
            if first is None:
                waiting.put(None)  # the end is told by the next call, after these bytes
            else:
                taken += first
        return bytes(taken)

    def wake(self) -> None:
        if self._read_buffer is not None:
            self._read_buffer.put(None)

    def close(self) -> None:
        sock = self._socket
        super().close()
        if sock is not None:
            sock.close()


class Rfc2217Link:
    """A `Link` over RFC 2217 (`rfc2217://host:port`); opening takes half a second of negotiation or more."""

    def __init__(self, settings: PortSettings, url: str) -> None:
        self._settings = settings
        self._url = url
        self._port: _Rfc2217Port | None = None
        self._cancelled = False
        self.device: str | None = None

    def open(self) -> None:
        settings = self._settings
        port = _Rfc2217Port()
        port.port = self._url
        port.baudrate = settings.baud
        port.bytesize = settings.data_bits
        port.parity = settings.parity[0].upper()
        port.stopbits = settings.stop_bits
        port.dtr, port.rts = settings.dtr, settings.rts
        self._port = port
        port.open()
        port.keep_alive(settings.keepalive)

    def read(self) -> bytes:
        port = self._port
        assert port is not None
        data = port.read_all_waiting()
        if not data and not self._cancelled:
            raise ConnectionResetError(errno.ECONNRESET, "the far end hung up")
        return data

    def cancel(self) -> None:
        self._cancelled = True
        if self._port is not None:
            self._port.wake()

    def close(self) -> None:
        port, self._port = self._port, None
        if port is not None:
            with contextlib.suppress(OSError):
                port.close()
