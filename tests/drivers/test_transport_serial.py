"""Serial ports on real pseudo-terminals."""

import contextlib
import os
import stat
import subprocess
import sys
import termios
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial

from drivers.transport import Delivery, PortCandidate, PortReader, PortSettings, PortState
from simulators.ptys import Pty
from tests.drivers.pty_tools import PATIENCE_S, BriskWait, Held, Inbox, reading

OPENED, LOST, WAITING, STOPPED = PortState.OPENED, PortState.LOST, PortState.WAITING, PortState.STOPPED


@pytest.fixture
def pty(tmp_path: Path) -> Iterator[Pty]:
    with Pty(tmp_path / "scale") as port:
        yield port


def settings(pty: Pty | Path, **more: object) -> PortSettings:
    path = pty.path if isinstance(pty, Pty) else pty
    return PortSettings.model_validate({"address": str(path), **more})


def test_bytes_arrive_whole_and_in_order(pty: Pty) -> None:
    inbox = Inbox()
    sent = b"".join(b"%06d ST,+0412.0 g\r\n\x00\x11\x13\xff" % n for n in range(3000))
    with reading(settings(pty), inbox) as reader:
        inbox.wait_for_states(OPENED)
        assert pty.send(sent, within_s=PATIENCE_S) == len(sent)
        inbox.wait_for_data(sent)
        health = reader.health()
    assert health.state is OPENED
    assert (health.opens, health.losses, health.received, health.last_error) == (1, 0, len(sent), None)
    assert health.quiet_s is not None
    inbox.wait_for_states(OPENED, STOPPED)


def test_a_byte_is_delivered_with_the_time_of_its_arrival(pty: Pty) -> None:
    inbox = Inbox()
    reader = PortReader("scale", settings(pty), inbox, clock=lambda: 42.5)
    reader.start()
    inbox.wait_for_states(OPENED)
    pty.send(b"1")
    inbox.wait_for_data(b"1")
    assert reader.stop(PATIENCE_S)
    assert {one.t_s for one in inbox.all} == {42.5}
    assert {one.name for one in inbox.all} == {"scale"}


def test_unplugged_and_plugged_in_elsewhere_is_told_once_each_and_read_on(pty: Pty) -> None:
    inbox = Inbox()
    with reading(settings(pty), inbox, wait := BriskWait()) as reader:
        inbox.wait_for_states(OPENED)
        first_device = pty.device
        pty.send(b"before\r\n")
        assert pty.drain(PATIENCE_S)
        pty.unplug()
        inbox.wait_for_states(OPENED, LOST)
        inbox.wait_for(lambda: len(wait.delays_s) >= 6)  # many tries, not one more word
        assert reader.health().state is LOST
        keepers: list[int] = []
        while not os.path.exists(
            first_device
        ):  # until somebody has the old number, so that the new plug gets another
            keepers += os.openpty()
        try:
            pty.plug()
            assert pty.device != first_device
            inbox.wait_for_states(OPENED, LOST, OPENED)
            pty.send(b"after\r\n")
            inbox.wait_for_data(b"before\r\nafter\r\n")
        finally:
            for end in keepers:
                os.close(end)
        assert (reader.health().opens, reader.health().losses) == (2, 1)
    _, lost, back, _ = inbox.events
    assert "unplugged or lost power" in lost.sentence
    assert str(pty.path) in lost.sentence
    assert "scale is back" in back.sentence
    assert wait.delays_s[:6] == [0.5, 1.0, 2.0, 4.0, 5.0, 5.0]


def test_a_dangling_link_is_a_port_that_is_not_there(pty: Pty, tmp_path: Path) -> None:
    inbox = Inbox()
    pty.unplug()
    pty.path.symlink_to(tmp_path / "gone")  # no old number of a terminal: somebody else may get it
    with reading(settings(pty), inbox):
        inbox.wait_for_states(WAITING)
        assert "is not there" in inbox.events[0].sentence
        assert "plug it in" in inbox.events[0].sentence
        pty.plug()
        inbox.wait_for_states(WAITING, OPENED)


def test_fifty_plug_cycles_leave_descriptors_and_threads_as_they_were(pty: Pty) -> None:
    inbox = Inbox()
    with reading(settings(pty), inbox, wait := BriskWait()) as reader:
        inbox.wait_for_states(OPENED)
        before = Held()
        expected = b""
        for cycle in range(50):
            line = b"%d\r\n" % cycle
            expected += line
            pty.send(line)
            inbox.wait_for_data(expected)
            pty.unplug()
            pty.plug()
            inbox.wait_for(lambda cycle=cycle: inbox.states.count(OPENED) == cycle + 2)  # type: ignore[misc]
        before.assert_no_more_now()
        assert (reader.health().opens, reader.health().losses) == (51, 50)
    assert inbox.states == [OPENED, *[LOST, OPENED] * 50, STOPPED]
    assert wait.delays_s.count(0.5) == 50  # each opening brought bytes, so each search begins afresh


def test_stop_while_blocked_in_a_read_closes_at_once(pty: Pty) -> None:
    inbox = Inbox()
    reader = PortReader("scale", settings(pty), inbox)
    before = Held()
    reader.start()
    inbox.wait_for_states(OPENED)
    assert reader.stop(PATIENCE_S)
    inbox.wait_for_states(OPENED, STOPPED)
    assert reader.health().state is STOPPED
    before.assert_no_more_now()


def test_stop_while_waiting_for_a_port_does_not_wait_for_the_next_try(tmp_path: Path) -> None:
    inbox = Inbox()
    waits = threading.Event()

    def for_ever(stop: threading.Event, seconds: float) -> None:
        waits.set()
        stop.wait()

    reader = PortReader("scale", settings(tmp_path / "none"), inbox, wait=for_ever)
    reader.start()
    assert waits.wait(PATIENCE_S)
    assert reader.stop(PATIENCE_S)
    inbox.wait_for_states(WAITING, STOPPED)


def test_a_stopped_reader_can_be_started_again_and_a_running_one_cannot(pty: Pty) -> None:
    inbox = Inbox()
    with reading(settings(pty), inbox) as reader:
        inbox.wait_for_states(OPENED)
        with pytest.raises(RuntimeError, match="runs already"):
            reader.start()
        assert reader.stop(PATIENCE_S)
        reader.start()
        inbox.wait_for_states(OPENED, STOPPED, OPENED)


def test_stop_before_start_is_nothing(pty: Pty) -> None:
    reader = PortReader("scale", settings(pty), Inbox())
    assert reader.health().state is STOPPED
    assert reader.stop()


def test_the_second_reader_is_refused_until_the_first_lets_go(pty: Pty) -> None:
    first, second = Inbox(), Inbox()
    with reading(settings(pty), first) as holder:
        first.wait_for_states(OPENED)
        with reading(settings(pty), second):
            second.wait_for_states(WAITING)
            assert "in use by another program: close that program" in second.events[0].sentence
            assert holder.stop(PATIENCE_S)
            second.wait_for_states(WAITING, OPENED)


AS_NOBODY = """
import os, sys, threading
from drivers.transport import PortReader, PortSettings
import serial
if os.getuid() == 0:
    os.setgroups([]); os.setgid(65534); os.setuid(65534)
def deliver(delivery):
    print(delivery.sentence, flush=True)
    done.set()
done = threading.Event()
reader = PortReader("scale", PortSettings(address=sys.argv[1]), deliver)
reader.start()
told = done.wait(20)
sys.exit(0 if reader.stop(20) and told else 1)
"""


def what_nobody_is_told(path: str) -> str:
    """The first sentence of a reader that runs as an ordinary user."""
    done = subprocess.run(
        [sys.executable, "-c", AS_NOBODY, path], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.splitlines()[0]


@pytest.fixture
def nobodys_way(tmp_path: Path) -> None:
    for folder in (tmp_path, *tmp_path.parents):
        if folder.owner() == tmp_path.owner() and str(folder) not in ("/", "/tmp"):
            folder.chmod(folder.stat().st_mode | stat.S_IXOTH)


@pytest.mark.usefixtures("nobodys_way")
def test_a_port_of_somebody_else_comes_with_the_hint_how_to_get_it(pty: Pty) -> None:
    os.chmod(pty.device, 0)
    sentence = what_nobody_is_told(str(pty.path))
    assert "may not be opened by this user" in sentence
    assert "group" in sentence


@pytest.mark.usefixtures("nobodys_way")
@pytest.mark.skipif(os.getuid() != 0, reason="needs two users")
def test_an_open_port_refuses_openers_that_ask_for_no_lock(pty: Pty) -> None:
    inbox = Inbox()
    os.chmod(pty.device, 0o666)
    with reading(settings(pty), inbox):
        inbox.wait_for_states(OPENED)
        assert "in use by another program" in what_nobody_is_told(str(pty.path))
        plain = subprocess.run(
            [
                sys.executable,
                "-c",
                "import os,sys; os.setgroups([]); os.setgid(65534); os.setuid(65534)\n"
                "try: os.open(sys.argv[1], os.O_RDWR)\n"
                "except OSError as e: print(e.errno)",
                pty.device,
            ],
            capture_output=True,
            text=True,
            timeout=60,
            check=True,
        )
        assert plain.stdout.strip() == "16"  # EBUSY, see errno(3)
    assert "scale is open" in what_nobody_is_told(str(pty.path))  # the mark went with the reader


def test_a_file_is_no_port(tmp_path: Path) -> None:
    inbox = Inbox()
    (tmp_path / "notes.txt").write_text("no port", encoding="ascii")
    with reading(settings(tmp_path / "notes.txt"), inbox):
        inbox.wait_for_states(WAITING)
        assert "not a serial port" in inbox.events[0].sentence


def test_line_settings_reach_the_port_and_flow_control_is_off(pty: Pty) -> None:
    inbox = Inbox()
    asked = settings(pty, baud=19200, stop_bits=2, dtr=False, rts=False, exclusive=False)
    with reading(asked, inbox):
        inbox.wait_for_states(OPENED)
        node = os.open(pty.device, os.O_RDWR | os.O_NOCTTY)
        try:
            iflag, _, cflag, _, speed, _, _ = termios.tcgetattr(node)
        finally:
            os.close(node)
    assert speed == termios.B19200
    assert cflag & termios.CSTOPB
    assert not cflag & termios.CRTSCTS
    assert not iflag & (termios.IXON | termios.IXOFF)


def test_a_shared_port_may_be_opened_twice(pty: Pty) -> None:
    inbox = Inbox()
    with reading(settings(pty, exclusive=False), inbox):
        inbox.wait_for_states(OPENED)
        serial.Serial(str(pty.path), exclusive=True).close()
        assert inbox.states == [OPENED]


def test_a_usb_address_is_looked_up_anew_at_each_open(pty: Pty) -> None:
    inbox = Inbox()

    def find() -> list[PortCandidate]:
        if not pty.plugged:
            return []
        return [
            PortCandidate(pty.device, "adapter", vid=0x1234, pid=0xABCD, serial_number="7", location="1-2")
        ]

    asked = PortSettings(address="usb:1234:abcd:7@1-2")
    reader = PortReader("scale", asked, inbox, wait=BriskWait(), find_ports=find)
    pty.unplug()
    reader.start()
    inbox.wait_for_states(WAITING)
    assert "usb:1234:abcd:7@1-2 is not there" in inbox.events[0].sentence
    pty.plug()
    inbox.wait_for_states(WAITING, OPENED)
    assert pty.device in inbox.events[1].sentence
    assert reader.stop(PATIENCE_S)


def test_a_descriptor_closed_under_a_read_is_a_lost_port_not_a_dead_thread(pty: Pty) -> None:
    inbox = Inbox()
    before = _open_on(pty.device)
    with reading(settings(pty), inbox):
        inbox.wait_for_states(OPENED)
        (readers,) = _open_on(pty.device) - before
        null = os.open("/dev/null", os.O_RDONLY)
        os.dup2(null, readers)
        os.close(null)
        pty.send(b"x")
        inbox.wait_for(lambda: LOST in inbox.states or inbox.data == b"x")
        pty.unplug()
        pty.plug()
        inbox.wait_for(lambda: inbox.states.count(OPENED) >= 2)


def _open_on(device: str) -> set[int]:
    found = set()
    for fd in os.listdir("/proc/self/fd"):
        with contextlib.suppress(OSError):  # the descriptor of the listing itself
            if os.readlink(f"/proc/self/fd/{fd}") == device:
                found.add(int(fd))
    return found


def test_a_reader_that_dies_of_a_bug_says_so_and_can_be_started_again(
    pty: Pty, caplog: pytest.LogCaptureFixture
) -> None:
    inbox = Inbox()
    faults = [ZeroDivisionError("a bug")]

    def deliver(delivery: Delivery) -> None:
        if faults and getattr(delivery, "data", None):
            raise faults.pop()
        inbox(delivery)

    reader = PortReader("scale", settings(pty), deliver, wait=BriskWait())
    reader.start()
    inbox.wait_for_states(OPENED)
    pty.send(b"x")
    inbox.wait_for_states(OPENED, PortState.BROKEN)
    health = reader.health()
    assert health.state is PortState.BROKEN
    assert "fault of this program (ZeroDivisionError: a bug)" in (health.last_error or "")
    assert "the reader of scale failed" in caplog.text
    assert reader.stop(PATIENCE_S)
    reader.start()
    inbox.wait_for_states(OPENED, PortState.BROKEN, OPENED)
    assert reader.stop(PATIENCE_S)


def test_a_bug_that_swallows_even_its_own_news_shows_in_the_health(
    pty: Pty, caplog: pytest.LogCaptureFixture
) -> None:
    ended = threading.Event()

    def deliver(delivery: Delivery) -> None:
        if getattr(delivery, "state", None) is PortState.BROKEN:
            ended.set()
        raise SystemExit("a bug")

    reader = PortReader("scale", settings(pty), deliver)
    reader.start()
    assert ended.wait(PATIENCE_S)
    assert reader.stop(PATIENCE_S)
    assert reader.health().state is PortState.BROKEN
    assert "nobody could be told" in caplog.text


def test_a_port_that_flaps_is_one_pair_per_change_and_waits_longer_each_time(pty: Pty) -> None:
    inbox = Inbox()
    with reading(settings(pty), inbox, wait := BriskWait()):
        for times in range(1, 5):
            inbox.wait_for(lambda times=times: inbox.states.count(OPENED) == times)  # type: ignore[misc]
            pty.unplug()
            inbox.wait_for(lambda times=times: inbox.states.count(LOST) == times)  # type: ignore[misc]
            pty.plug()
        inbox.wait_for(lambda: inbox.states.count(OPENED) == 5)
    assert inbox.states == [OPENED, *[LOST, OPENED] * 4, STOPPED]
    assert wait.delays_s[:4] == [0.5, 1.0, 2.0, 4.0]
    losses = [event.sentence for event in inbox.events if event.state is LOST]
    assert [("comes and goes" in sentence) for sentence in losses] == [False, False, True, True]


def look(pty: Pty) -> tuple[bool, bool]:
    return pty.heard, pty.unread


def test_virtual_port_knows_what_was_not_read_and_whether_anybody_listens(pty: Pty) -> None:
    assert look(pty) == (False, False)
    flood = b"z" * 100_000
    assert 0 < pty.send(flood) < len(flood)  # nobody listens: dropped, not blocked
    assert look(pty)[1]
    assert not pty.drain(0.0)
    pty.forget_reader()
    assert not look(pty)[1]
    inbox = Inbox()
    with reading(settings(pty), inbox):
        inbox.wait_for_states(OPENED)
        assert look(pty)[0]
        assert pty.send(flood, within_s=PATIENCE_S) == len(flood)
        assert pty.drain(PATIENCE_S)
        inbox.wait_for_data(flood)
    assert not look(pty)[0]
