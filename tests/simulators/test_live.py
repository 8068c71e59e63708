import fcntl
import json
import os
import selectors
import signal
import subprocess
import sys
import termios
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest
import serial

from drivers.transport import PortReader, PortSettings, PortState
from simulators.capture import capture_lines
from simulators.crew import Crew, instruments, work
from simulators.day import Act, Day, Deed, TimedBytes, day_to_json, render
from simulators.live import HELD_UP_S, load, open_ports, play, wait_for_listeners
from simulators.ports import Port, PtyPort, TcpPort
from tests.drivers.pty_tools import PATIENCE_S, BriskWait, Inbox

_TIOCGEXCL = 0x80045440  # asm-generic/ioctls.h of Linux: _IOR('T', 0x40, int)


def until(condition: Callable[[], bool]) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < deadline, "waited too long"
        time.sleep(0.002)


class Station:
    """A station's reader at a port; it keeps what it hears."""

    def __init__(self, address: str) -> None:
        self._inbox = Inbox()
        self._reader = PortReader("port", PortSettings(address=address), self._inbox, wait=BriskWait())
        self._reader.start()

    @property
    def heard(self) -> bytes:
        return self._inbox.data

    @property
    def openings(self) -> int:
        return self._inbox.states.count(PortState.OPENED)

    def leave(self) -> None:
        assert self._reader.stop(PATIENCE_S)


@contextmanager
def stations(ports: dict[str, Port]) -> Iterator[dict[str, Station]]:
    """A station at each port; ports and stations are closed at the end."""
    all_of_them = {name: Station(port.address) for name, port in ports.items()}
    try:
        yield all_of_them
    finally:
        for station in all_of_them.values():
            station.leave()
        for port in ports.values():
            port.close()


def whole(said: list[TimedBytes], instrument: str) -> bytes:
    return b"".join(item.data for item in said if item.instrument == instrument)


@pytest.mark.parametrize("tcp", [False, True])
def test_a_day_comes_out_byte_for_byte_at_the_readers(tmp_path: Path, tcp: bool) -> None:
    day = work(Crew(), 6, 10).day
    said = render(day)
    ports = open_ports(day.instruments, tmp_path / "ports", tcp=tcp)
    stop = threading.Event()
    lines: list[dict[str, object]] = []
    with stations(ports) as hearing:
        assert wait_for_listeners(ports.values(), stop, PATIENCE_S)
        assert play(said, ports, 0, stop, lines.append) == 0
        for name, station in hearing.items():
            until(lambda name=name, station=station: len(station.heard) >= len(whole(said, name)))  # type: ignore[misc]
            assert station.heard == whole(said, name)
    assert lines == [{"over": True, "lost_bytes": 0}]


@pytest.mark.parametrize("tcp", [False, True])
def test_no_byte_is_lost_when_a_scale_is_unplugged_and_plugged_in_again(tmp_path: Path, tcp: bool) -> None:
    acts = (Act(3.0, Deed.UNPLUG, "scale"), Act(4.0, Deed.REPLUG, "scale"))
    said = [item for item in render(Day(instruments(), acts, 8.0)) if item.instrument == "scale"]
    ports = open_ports(["scale"], tmp_path, tcp=tcp)
    address = ports["scale"].address
    stop = threading.Event()
    with stations(ports) as hearing:
        assert wait_for_listeners(ports.values(), stop, PATIENCE_S)
        play(said, ports, 0, stop, lambda line: None)
        until(lambda: len(hearing["scale"].heard) >= len(whole(said, "scale")))
        assert hearing["scale"].heard == whole(said, "scale")
        assert hearing["scale"].openings == 2
        assert ports["scale"].address == address


def test_a_day_stands_still_while_a_station_is_slow_and_does_not_hurry_afterwards(tmp_path: Path) -> None:
    said = [TimedBytes(0.0, "reader", b"a"), TimedBytes(0.3, "board", b"b")]
    ports = open_ports(["reader", "board"], tmp_path)
    with ExitStack() as closing:
        slow = {
            name: closing.enter_context(serial.Serial(ports[name].address, exclusive=True)) for name in ports
        }
        for name, port in ports.items():
            closing.callback(port.close)
            fcntl.ioctl(slow[name].fileno(), termios.TIOCEXCL)
        assert wait_for_listeners(ports.values(), threading.Event(), PATIENCE_S)
        playing = threading.Thread(target=play, args=(said, ports, 1.0, threading.Event(), lambda line: None))
        playing.start()
        until(lambda: slow["reader"].in_waiting == 1)
        slow["board"].timeout = 0.6
        assert slow["board"].read() == b""
        taken_s = time.monotonic()
        assert slow["reader"].read() == b"a"
        slow["board"].timeout = PATIENCE_S
        assert slow["board"].read() == b"b"
        assert time.monotonic() - taken_s >= 0.3 - HELD_UP_S
        playing.join(PATIENCE_S)


def test_an_unplugged_serial_port_is_gone_and_comes_back_under_its_name(tmp_path: Path) -> None:
    port = PtyPort(tmp_path / "scale")
    try:
        port.unplug(0.0)
        assert not (tmp_path / "scale").exists()
        assert not port.listening()
        port.replug()
        station = Station(port.address)
        assert wait_for_listeners([port], threading.Event(), PATIENCE_S)
        port.send(b"ST\r\n")
        until(lambda: station.heard == b"ST\r\n")
        station.leave()
    finally:
        port.close()


@pytest.mark.parametrize("make", [lambda folder: PtyPort(folder / "x"), lambda folder: TcpPort()])
def test_bytes_to_nobody_are_lost_and_block_nobody(make: Callable[[Path], Port], tmp_path: Path) -> None:
    port = make(tmp_path)
    try:
        assert sum(port.send(b"x" * 1000) for _ in range(100)) == 100_000
        station = Station(port.address)
        until(port.listening)
        assert port.send(b"now\r\n") == 0
        until(lambda: station.heard == b"now\r\n")
        station.leave()
        until(lambda: not port.listening())
        assert port.send(b"gone\r\n") == 6
        again = Station(port.address)
        until(port.listening)
        assert port.send(b"back\r\n") == 0
        until(lambda: again.heard == b"back\r\n")
        again.leave()
    finally:
        port.close()


def test_a_port_whose_station_died_lets_every_user_open_it_again(tmp_path: Path) -> None:
    port = PtyPort(tmp_path / "x")
    try:
        with serial.Serial(port.address, exclusive=True) as station:
            fcntl.ioctl(
                station.fileno(), termios.TIOCEXCL
            )  # it outlives the station while the master is open
            until(port.listening)
        until(lambda: not port.listening())
        with serial.Serial(port.address) as station:
            assert fcntl.ioctl(station.fileno(), _TIOCGEXCL, bytes(4)) == bytes(4)
    finally:
        port.close()


def test_a_recorded_day_plays_like_a_described_one(tmp_path: Path) -> None:
    day = work(Crew(), 6, 2).day
    (tmp_path / "day.json").write_text(day_to_json(day))
    (tmp_path / "day.jsonl").write_text("".join(capture_lines(render(day), "bank", "2026-05-12T13:00:00Z")))
    names, described, over_s = load(tmp_path / "day.json")
    recorded_names, recorded, _ = load(tmp_path / "day.jsonl")
    assert sorted(recorded_names) == sorted(names)
    assert list(recorded) == [item for item, _ in zip(described, render(day), strict=False)]
    assert over_s == day.duration_s


@contextmanager
def player(*arguments: str) -> Iterator[subprocess.Popen[str]]:
    command = [sys.executable, "-m", "simulators.live", *arguments]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as child:
        try:
            yield child
        finally:
            child.kill()


def line_of(child: subprocess.Popen[str]) -> dict[str, object]:
    assert child.stdout is not None
    with selectors.DefaultSelector() as ready:
        ready.register(child.stdout, selectors.EVENT_READ)
        assert ready.select(PATIENCE_S), "the player says nothing"
    line: dict[str, object] = json.loads(child.stdout.readline())
    return line


@pytest.mark.parametrize("ending", ["input", "signal"])
def test_the_player_says_when_it_is_ready_and_over_and_leaves_nothing_behind(
    tmp_path: Path, ending: str
) -> None:
    acts = (Act(1.0, Deed.SCAN, "reader", text="999000001000001"), Act(2.0, Deed.RESTART))
    (tmp_path / "day.json").write_text(day_to_json(Day(instruments(), acts, 5.0)))
    folder = tmp_path / "ports"
    with player(str(tmp_path / "day.json"), "--folder", str(folder), "--speed", "20") as child:
        ports = line_of(child)["ports"]
        assert ports == {name: str(folder / name) for name in ("reader", "board", "scale")}
        hearing = {name: Station(address) for name, address in ports.items()}
        try:
            assert line_of(child) == {"event": "restart", "t_s": 2.0}
            assert line_of(child) == {"over": True, "lost_bytes": 0}
            heard = len(hearing["scale"].heard)
            until(lambda: len(hearing["scale"].heard) > heard + 500)  # it streams on after the day
            assert child.stdin is not None
            if ending == "input":
                child.stdin.close()
            else:
                os.kill(child.pid, signal.SIGTERM)
            assert child.wait(PATIENCE_S) == 0
        finally:
            for station in hearing.values():
                station.leave()
    assert hearing["reader"].heard == b"999000001000001\r\n"
    assert list(folder.iterdir()) == []


def test_the_player_refuses_what_is_no_day_with_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "day.json").write_text("{}")
    with player(str(tmp_path / "day.json"), "--folder", str(tmp_path)) as child:
        assert child.wait(PATIENCE_S) == 2
        assert child.stderr is not None
        assert child.stderr.read().startswith("this is no description of a day: ")
