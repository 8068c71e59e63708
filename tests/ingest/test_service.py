"""What a service manager hears: ready, alive only while every part is, stopping; on a real socket as systemd gives it.

The protocol is that of sd_notify(3) and sd_watchdog_enabled(3).
"""

import os
import signal
import socket
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from ingest.service import Heartbeat, notify, watchdog_s
from tests.ingest.daemon_tools import PATIENCE_S, Child, quick_station, station_on, wait_for

# A driver that hangs in the operating system, and a station that notices it soon.
HANGING = (
    "import threading, ingest.loop, drivers.transport.serial_port as ports\n"
    "ingest.loop.HUNG_S = 0.2\n"
    "ports.SerialLink.open = lambda self: threading.Event().wait()\n"
)


class Manager:
    """The service manager's end of the socket."""

    def __init__(self, address: str) -> None:
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(address)
        self.socket.settimeout(PATIENCE_S)
        self.heard: list[str] = []

    def hear(self) -> str:
        """The next datagram."""
        self.heard.append(self.socket.recv(4096).decode())
        return self.heard[-1]

    def hear_rest(self) -> list[str]:
        """What has arrived meanwhile."""
        self.socket.setblocking(False)
        try:
            while True:
                self.hear()
        except BlockingIOError:
            return self.heard

    def until(self, beginning: str) -> str:
        while not self.hear().startswith(beginning):
            pass
        return self.heard[-1]


@pytest.fixture
def manager(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Manager]:
    manager = Manager(str(tmp_path / "notify"))
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
    monkeypatch.setenv("WATCHDOG_USEC", "300000")
    yield manager
    manager.socket.close()


def test_a_station_is_ready_then_alive_then_stopping(tmp_path: Path, manager: Manager) -> None:
    with station_on(quick_station(tmp_path)) as station:
        assert manager.hear() == "READY=1\nSTATUS=The station bank is ready."
        assert [manager.hear() for _ in range(3)] == ["WATCHDOG=1"] * 3
        assert station.signal(signal.SIGTERM) == 0
    assert manager.hear_rest()[-1] == "STOPPING=1"


def test_no_word_of_life_comes_while_a_reader_hangs(tmp_path: Path, manager: Manager) -> None:
    child = Child(quick_station(tmp_path), broken=HANGING)
    try:
        child.start(ready=False)
        # They are found to hang one after the other, so the first word may name fewer.
        assert manager.until("STATUS=The reader of reader, board, scale hangs.")
        hung_at = len(manager.heard)
        wait_for(child.answers, "an answer", child.process)
        assert child.signal(signal.SIGTERM) == 0  # readers that hang are left behind
        assert manager.hear_rest()[hung_at:] == ["STOPPING=1"]
    finally:
        child.close()


def test_no_word_of_life_comes_while_the_ingest_thread_hangs(tmp_path: Path, manager: Manager) -> None:
    hanging = (
        "import threading, ingest.daemon, ingest.loop\n"
        "ingest.daemon._ALIVE_S = 0.2\n"
        "ingest.loop.StationLoop.run = lambda self: self._stop.wait()\n"
    )
    child = Child(quick_station(tmp_path), broken=hanging)
    try:
        child.start(ready=False)
        said = manager.until("STATUS=The station does")
        assert said.startswith("STATUS=The station does not answer at its own door: ")
        assert "WATCHDOG=1" not in manager.heard
        assert child.signal(signal.SIGTERM) == 0
    finally:
        child.close()


def test_the_word_comes_again_when_what_hung_goes_on_and_each_change_is_said_once() -> None:
    said: list[str] = []
    troubles = iter([None, "The reader of scale hangs.", "The reader of scale hangs.", None, None])
    heart = Heartbeat(lambda: next(troubles), threading.Event(), None, said.append)
    for _ in range(5):
        heart.beat()
    assert said == [
        "WATCHDOG=1",
        "STATUS=The reader of scale hangs.",
        "WATCHDOG=1",
        "STATUS=All parts are alive again.",
        "WATCHDOG=1",
    ]


@pytest.mark.parametrize(
    ("environ", "limit_s"),
    [
        ({}, None),
        ({"WATCHDOG_USEC": "120000000"}, 120.0),
        ({"WATCHDOG_USEC": "120000000", "WATCHDOG_PID": "77"}, 120.0),
        ({"WATCHDOG_USEC": "120000000", "WATCHDOG_PID": "78"}, None),  # meant for another process
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
    ],
)
def test_a_watchdog_counts_only_for_the_process_that_it_is_meant_for(
    environ: dict[str, str], limit_s: float | None
) -> None:
    assert watchdog_s(environ, pid=77) == limit_s


def test_an_abstract_address_is_reached() -> None:
    address = f"\0tallywell-test-{os.getpid()}"
    manager = Manager(address)
    notify("READY=1", "STATUS=x", environ={"NOTIFY_SOCKET": address.replace("\0", "@")})
    assert manager.hear() == "READY=1\nSTATUS=x"
    manager.socket.close()


def test_without_a_service_manager_or_with_one_that_is_gone_nothing_happens(tmp_path: Path) -> None:
    notify("READY=1", environ={})
    notify("READY=1", environ={"NOTIFY_SOCKET": str(tmp_path / "gone")})
