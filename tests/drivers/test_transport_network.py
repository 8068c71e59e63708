"""Serial servers on real TCP connections of this computer."""

import os
import select
import socket
import stat
import struct
import threading
from collections.abc import Iterator
from types import TracebackType
from typing import Self, cast

import pytest
import serial
from serial import rfc2217

from drivers.transport import Keepalive, PortReader, PortSettings, PortState
from drivers.transport.network import SocketLink
from drivers.transport.settings import RawTcp
from tests.drivers.pty_tools import PATIENCE_S, BriskWait, Held, Inbox, reading
from tests.ports import reserved_port

OPENED, LOST, WAITING, STOPPED = PortState.OPENED, PortState.LOST, PortState.WAITING, PortState.STOPPED


@pytest.fixture
def listener() -> Iterator[socket.socket]:
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(PATIENCE_S)
        yield server


def port_of(server: socket.socket) -> int:
    return cast("tuple[str, int]", server.getsockname())[1]


def settings(server: socket.socket | int, scheme: str = "socket", **more: object) -> PortSettings:
    port = server if isinstance(server, int) else port_of(server)
    return PortSettings.model_validate({"address": f"{scheme}://127.0.0.1:{port}", **more})


def test_bytes_arrive_whole_and_in_order(listener: socket.socket) -> None:
    inbox = Inbox()
    sent = b"".join(b"%06d\xff\x00\r\n" % n for n in range(50_000))
    with reading(settings(listener), inbox) as reader, listener.accept()[0] as far:
        far.sendall(sent)
        inbox.wait_for_data(sent)
        assert reader.stop(PATIENCE_S)
    assert inbox.states == [OPENED, STOPPED]


def test_bytes_before_the_hang_up_are_not_lost_and_the_connection_is_made_anew(
    listener: socket.socket,
) -> None:
    inbox = Inbox()
    with reading(settings(listener), inbox):
        with listener.accept()[0] as far:
            far.sendall(b"whole\r\npart")
        inbox.wait_for_states(OPENED, LOST, OPENED)
        assert inbox.data == b"whole\r\npart"
        with listener.accept()[0] as far:
            far.sendall(b"again\r\n")
            inbox.wait_for_data(b"whole\r\npartagain\r\n")
    assert "broke off: check network and power" in inbox.events[1].sentence


def test_a_reset_connection_is_a_lost_port(listener: socket.socket) -> None:
    inbox = Inbox()
    with reading(settings(listener), inbox):
        far = listener.accept()[0]
        inbox.wait_for_states(OPENED)
        far.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, RESET_AT_CLOSE)
        far.close()
        inbox.wait_for_states(OPENED, LOST, OPENED)


def test_refused_then_accepted_is_told_once_each() -> None:
    inbox = Inbox()
    with reserved_port() as port, reading(settings(port), inbox, wait := BriskWait()):
        inbox.wait_for(lambda: len(wait.delays_s) >= 5)
        inbox.wait_for_states(WAITING)
        assert "refuses the connection" in inbox.events[0].sentence
        with socket.create_server(("127.0.0.1", port)) as server:
            server.settimeout(PATIENCE_S)
            with server.accept()[0]:
                inbox.wait_for_states(WAITING, OPENED)


def test_a_host_that_nobody_knows_is_told_so() -> None:
    inbox = Inbox()
    # The name can never exist: RFC 6761, section 6.4.
    with reading(PortSettings(address="socket://scale.invalid:4001"), inbox):
        inbox.wait_for_states(WAITING)
        assert "host name that nobody knows" in inbox.events[0].sentence


def vigilance_towards(port: int) -> list[tuple[int, ...]]:
    """SO_KEEPALIVE, idle, interval, count and user timeout of every socket of ours connected to the port."""
    found = []
    for fd in [int(name) for name in os.listdir("/proc/self/fd")]:
        try:
            if not stat.S_ISSOCK(os.fstat(fd).st_mode):
                continue
            twin = os.dup(fd)
        except OSError:  # the descriptor of the listing itself
            continue
        with socket.socket(fileno=twin) as sock:
            try:
                peer = sock.getpeername()
            except OSError:
                continue
            if peer[1:2] == (port,):
                tcp = (socket.TCP_KEEPIDLE, socket.TCP_KEEPINTVL, socket.TCP_KEEPCNT, socket.TCP_USER_TIMEOUT)
                alive = sock.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE)
                found.append((alive, *(sock.getsockopt(socket.IPPROTO_TCP, option) for option in tcp)))
    return found


RESET_AT_CLOSE = struct.pack("ii", 1, 0)  # for SO_LINGER: linger no second, socket(7)
FIGURES = Keepalive(idle_s=7, interval_s=3, count=4)
VIGILANT = [(1, 7, 3, 4, 19_000)]  # user timeout in milliseconds: tcp(7)


def test_the_kernel_is_told_to_notice_a_peer_that_vanished(listener: socket.socket) -> None:
    inbox = Inbox()
    with reading(settings(listener, keepalive=FIGURES), inbox), listener.accept()[0]:
        inbox.wait_for_states(OPENED)
        assert vigilance_towards(port_of(listener)) == VIGILANT


def test_stop_while_blocked_in_a_read_closes_the_connection(listener: socket.socket) -> None:
    inbox = Inbox()
    reader = PortReader("scale", settings(listener), inbox)
    reader.start()
    with listener.accept()[0] as far:
        inbox.wait_for_states(OPENED)
        assert reader.stop(PATIENCE_S)
        assert far.recv(1) == b""
    inbox.wait_for_states(OPENED, STOPPED)


def test_stop_while_blocked_in_a_connect_does_not_wait_for_its_end() -> None:
    inbox = Inbox()
    with socket.create_server(("127.0.0.1", 0), backlog=0) as full:
        # A full queue of a listener that accepts nobody drops further handshakes: listen(2).
        fillers = [socket.socket() for _ in range(4)]
        try:
            for filler in fillers:
                filler.setblocking(False)
                filler.connect_ex(full.getsockname())
            reader = PortReader("scale", settings(full), inbox)
            reader.start()
            assert reader.stop(within_s=4.0)  # below the 5 s that a connect may take
        finally:
            for filler in fillers:
                filler.close()
    inbox.wait_for_states(STOPPED)


def test_a_link_cancelled_before_it_was_opened_does_not_open(listener: socket.socket) -> None:
    link = SocketLink(settings(listener), RawTcp("127.0.0.1", port_of(listener)))
    link.cancel()
    with pytest.raises(InterruptedError):
        link.open()
    link.close()


def test_fifty_connections_leave_descriptors_and_threads_as_they_were(listener: socket.socket) -> None:
    inbox = Inbox()
    with reading(settings(listener), inbox) as reader:
        far = listener.accept()[0]
        inbox.wait_for_states(OPENED)
        before = Held()
        for cycle in range(50):
            far.sendall(b"x")
            far.close()
            far = listener.accept()[0]
            inbox.wait_for(lambda cycle=cycle: reader.health().opens == cycle + 2)  # type: ignore[misc]
        before.assert_no_more_now()
        far.close()
    assert inbox.data == b"x" * 50


class Rfc2217Server:
    """One client at a time on a looped-back port: what the instrument says goes through it to the client."""

    def __init__(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = port_of(self._listener)
        self.instrument = serial.serial_for_url("loop://", timeout=0)
        self._client: socket.socket | None = None
        self._wake_read, self._wake_write = os.pipe()
        self._hang_up = threading.Event()
        self._thread = threading.Thread(target=self._serve)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, tb: TracebackType | None
    ) -> None:
        os.write(self._wake_write, b"q")
        self._thread.join()
        self._listener.close()
        self.instrument.close()
        os.close(self._wake_read)
        os.close(self._wake_write)

    def say(self, data: bytes) -> None:
        self.instrument.write(data)
        os.write(self._wake_write, b"d")

    def hang_up(self, *, rudely: bool = False) -> None:
        os.write(self._wake_write, b"r" if rudely else b"h")

    def write(self, data: bytes) -> None:
        """What pyserial's manager calls to answer the client."""
        assert self._client is not None
        self._client.sendall(data)

    def _serve(self) -> None:
        order = b""
        while order != b"q":
            order = self._wait_for(self._listener)
            if not order:
                self._client = self._listener.accept()[0]
                with self._client:
                    order = self._one_client(self._client)

    def _one_client(self, client: socket.socket) -> bytes:
        manager = rfc2217.PortManager(cast("rfc2217.Serial", self.instrument), cast("rfc2217.Serial", self))
        while True:
            order = self._wait_for(client)
            if order == b"d":
                client.sendall(b"".join(manager.escape(self.instrument.read(self.instrument.in_waiting))))
            elif order:
                if order == b"r":
                    client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, RESET_AT_CLOSE)
                return order
            elif data := client.recv(1024):
                list(manager.filter(data))
            else:
                return b""

    def _wait_for(self, sock: socket.socket) -> bytes:
        ready = select.select([sock.fileno(), self._wake_read], [], [])[0]
        return os.read(self._wake_read, 1) if self._wake_read in ready else b""


@pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")  # pyserial 3.5
def test_rfc2217_sets_the_line_reads_all_bytes_and_comes_back_after_a_hang_up() -> None:
    inbox = Inbox()
    said = bytes(range(256)) * 4
    with Rfc2217Server() as server:
        line_settings = {"baud": 19200, "data_bits": 7, "parity": "even", "stop_bits": 2}
        asked = settings(server.port, "rfc2217", keepalive=FIGURES, **line_settings)
        with reading(asked, inbox):
            inbox.wait_for_states(OPENED)
            line = server.instrument
            assert (line.baudrate, line.bytesize, line.parity, line.stopbits) == (19200, 7, "E", 2)
            assert vigilance_towards(server.port) == VIGILANT
            server.say(said)
            server.say(b"last words\r\n")
            server.hang_up()
            inbox.wait_for_states(OPENED, LOST, OPENED)
            assert inbox.data == said + b"last words\r\n"
            server.say(b"again\r\n")
            inbox.wait_for_data(said + b"last words\r\n" + b"again\r\n")
    assert inbox.states == [OPENED, LOST, OPENED, STOPPED]


@pytest.mark.parametrize("rudely", [False, True])
@pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")
def test_rfc2217_leaves_no_descriptor_and_no_thread_behind(rudely: bool) -> None:
    before = Held()
    inbox = Inbox()
    with Rfc2217Server() as server, reading(settings(server.port, "rfc2217"), inbox):
        inbox.wait_for_states(OPENED)
        server.hang_up(rudely=rudely)
        inbox.wait_for_states(OPENED, LOST, OPENED)
    before.assert_no_more_now()


def test_rfc2217_refused_is_told_like_any_other_refusal() -> None:
    inbox = Inbox()
    with reserved_port() as port, reading(settings(port, "rfc2217"), inbox):
        inbox.wait_for_states(WAITING)
        assert "refuses the connection" in inbox.events[0].sentence
