"""What is told of a port, when, and in which words."""

import errno
import os
import socket
import termios
from pathlib import Path

import pytest
import serial
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.transport import PortState, Reason
from drivers.transport.backoff import FIRST_S, LONGEST_S, Backoff
from drivers.transport.hints import Hindrance, explain_loss, explain_open
from drivers.transport.state import PortBook

ABSENT = Hindrance(Reason.ABSENT, "not there")
DENIED = Hindrance(Reason.DENIED, "not allowed")
BUSY = Hindrance(Reason.BUSY, "in use")


def started() -> PortBook:
    book = PortBook("scale", 0.0)
    book.started(0.0)
    return book


def test_a_reason_is_told_once_and_again_only_when_another_one_stays() -> None:
    book = started()
    told = [book.could_not_open(why, 1.0) for why in (ABSENT, ABSENT, DENIED, DENIED, DENIED, ABSENT, ABSENT)]
    assert [event and event.sentence for event in told] == [
        "scale: not there", None, None, "scale: not allowed", None, None, "scale: not there"
    ]  # fmt: skip


def test_a_node_that_belongs_to_root_for_an_instant_is_no_news() -> None:
    book = started()
    book.opened("/dev/x", 1.0)
    book.lost(ABSENT, 2.0)
    assert [book.could_not_open(why, 3.0) for why in (ABSENT, DENIED)] == [None, None]
    assert book.opened("/dev/x", 5.0).sentence == "scale is back at /dev/x after 3 s"


def test_after_a_loss_a_reason_that_needs_a_hand_is_told() -> None:
    book = started()
    book.opened("/dev/x", 1.0)
    book.lost(ABSENT, 2.0)
    assert book.could_not_open(BUSY, 3.0) is None
    event = book.could_not_open(BUSY, 4.0)
    assert event is not None
    assert event.state is PortState.WAITING
    assert book.health(5.0).state is PortState.LOST
    assert book.health(5.0).last_error == "scale: in use"


def test_health_counts_and_measures_in_seconds() -> None:
    book = started()
    assert book.health(1.0).quiet_s is None
    book.opened("/dev/x", 2.0)
    book.received(7, 3.0)
    book.received(2, 4.5)
    health = book.health(6.0)
    assert (health.received, health.quiet_s) == (9, 1.5)


def test_an_opening_was_of_use_if_it_brought_bytes_or_lasted() -> None:
    book = started()
    book.opened("/dev/x", 10.0)
    assert not book.was_of_use(10.1)
    assert book.was_of_use(15.0)
    book.received(1, 10.1)
    assert book.was_of_use(10.1)


def test_tries_come_after_half_a_second_first_and_five_seconds_at_last() -> None:
    patience = Backoff(lambda: 0.0)
    assert [patience.next_s() for _ in range(6)] == [0.5, 1.0, 2.0, 4.0, 5.0, 5.0]
    patience.reset()
    assert patience.next_s() == 0.5


@given(st.lists(st.floats(0.0, 1.0), min_size=1, max_size=20))
@settings(deadline=None, max_examples=50)
def test_chance_shortens_a_wait_by_a_quarter_at_most(dice: list[float]) -> None:
    thrown = iter(dice)
    patience = Backoff(lambda: next(thrown))
    for _ in dice:
        assert 0.75 * FIRST_S <= patience.next_s() <= LONGEST_S


@pytest.mark.parametrize(
    ("number", "reason", "hint"),
    [
        (errno.ENOENT, Reason.ABSENT, "plug it in"),
        (errno.ENODEV, Reason.ABSENT, "plug it in"),
        (errno.ENXIO, Reason.ABSENT, "plug it in"),
        (errno.EIO, Reason.ABSENT, "unplugged or lost power"),
        (errno.EACCES, Reason.DENIED, "user"),
        (errno.EPERM, Reason.DENIED, "user"),
        (errno.EBUSY, Reason.BUSY, "close that program"),
        (errno.EAGAIN, Reason.BUSY, "close that program"),
        (errno.ENOTTY, Reason.NOT_A_PORT, "correct the config"),
        (errno.ECONNREFUSED, Reason.ABSENT, "start the serial server"),
        (errno.ETIMEDOUT, Reason.ABSENT, "check network"),
        (errno.EHOSTUNREACH, Reason.ABSENT, "check network"),
        (errno.EMFILE, Reason.OTHER, "tried again"),
    ],
)
def test_each_error_number_has_a_hint_also_when_a_library_wrapped_it(
    number: int, reason: Reason, hint: str
) -> None:
    for error in (OSError(number, os.strerror(number)), serial.SerialException(number, "x"), wrapped(number)):
        told = explain_open(error, "/dev/serial/by-id/scale", "/dev/ttyUSB7")
        assert told.reason is reason
        assert hint in told.sentence
        assert told.sentence.startswith("/dev/serial/by-id/scale (/dev/ttyUSB7) ")


def wrapped(number: int) -> Exception:
    """As pyserial raises it: the number only in the error that it handled."""
    try:
        try:
            raise OSError(number, "x")
        except OSError:
            raise serial.SerialException("could not open") from None
    except serial.SerialException as error:
        return error


def test_a_terminal_error_carries_its_number_too() -> None:
    assert explain_open(termios.error(errno.EIO, "x"), "/dev/x", None).reason is Reason.ABSENT


def test_an_unknown_host_is_told_as_such() -> None:
    assert "host name" in explain_open(socket.gaierror(-2, "x"), "socket://nowhere:1", None).sentence


def test_a_usb_address_that_fits_several_ports_is_told_with_the_cure() -> None:
    told = explain_open(OSError(errno.ENOTUNIQ, "fits 2 ports: add its @location"), "usb:1234:0001", None)
    assert told == Hindrance(Reason.AMBIGUOUS, "usb:1234:0001 fits 2 ports: add its @location")


def test_the_group_that_may_open_a_port_is_named(tmp_path: Path) -> None:
    node = tmp_path / "node"
    node.touch()
    if os.getuid() == 0:
        os.chown(node, 0, 20)  # "dialout" has group number 20 on Debian: base-passwd, group.master
    told = explain_open(PermissionError(errno.EACCES, "x"), "/dev/scale", str(node))
    assert "group" in told.sentence
    if os.getuid() == 0 and Path("/etc/debian_version").exists():
        assert "add the user to the group dialout" in told.sentence


def test_any_end_of_an_open_port_is_told_as_a_loss() -> None:
    assert "unplugged" in explain_loss(serial.SerialException("readiness to read"), "/dev/x").sentence
    assert "unplugged" in explain_loss(TypeError("NoneType"), "/dev/x").sentence
    assert "failed ([Errno 24]" in explain_loss(OSError(errno.EMFILE, "x"), "/dev/x").sentence
    assert "network" in explain_loss(ConnectionResetError(errno.ECONNRESET, "x"), "socket://a:1").sentence


def test_a_thread_that_works_says_for_how_long_and_one_that_waits_does_not() -> None:
    book = started()
    assert book.health(3.0).busy_s is None
    book.busy(4.0)
    assert book.health(65.0).busy_s == 61.0
    book.busy(None)
    assert book.health(66.0).busy_s is None
