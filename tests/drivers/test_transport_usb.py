"""USB instruments of the HID class: found, taken from the kernel, drained, lost, found again, given back."""

import errno
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from drivers.hid_reports import descriptor_in
from drivers.transport import Bytes, PortCandidate, PortReader, PortSettings, PortState
from drivers.transport.usb import RULES_FILE, UsbLink, UsbOpenError, find_usb
from tests.drivers.pty_tools import PATIENCE_S, BriskWait, Inbox
from tests.drivers.usb_memory import (
    DESCRIPTORS,
    MemoryDevice,
    MemoryInterface,
    MemoryUsb,
    memory_keyboard,
    memory_scale,
)

ROOT = Path(__file__).parents[2]
OPENED, LOST, WAITING, STOPPED = PortState.OPENED, PortState.LOST, PortState.WAITING, PortState.STOPPED
REPORT = bytes.fromhex("03 04 02 FF D2 04")
ADDRESS = "usb:ffff:0001"


def settings(address: str = ADDRESS) -> PortSettings:
    return PortSettings(address=address, usb="hid")


@contextmanager
def reading(bus: MemoryUsb, inbox: Inbox, address: str = ADDRESS) -> Iterator[PortReader]:
    reader = PortReader(
        "scale", settings(address), inbox, wait=BriskWait(), chance=lambda: 0.0, find_hid=bus.find
    )
    reader.start()
    try:
        yield reader
    finally:
        assert reader.stop(PATIENCE_S), "the reader did not stop"


def link(bus: MemoryUsb, address: str = ADDRESS) -> UsbLink:
    return UsbLink(address, settings(address).where, bus.find)


def pieces(inbox: Inbox) -> list[bytes]:
    return [one.data for one in inbox.all if isinstance(one, Bytes)]


def refused(device: MemoryDevice | None, address: str = ADDRESS, *more: MemoryDevice) -> tuple[str, str]:
    bus = MemoryUsb(*([device] if device else []), *more)
    one = link(bus, address)
    with pytest.raises(UsbOpenError) as refusal:
        one.open()
    one.close()
    return refusal.value.hindrance.reason.value, refusal.value.hindrance.sentence


def test_each_report_arrives_as_one_delivery_after_the_descriptor() -> None:
    device = memory_scale()
    bus, inbox = MemoryUsb(device), Inbox()
    with reading(bus, inbox):
        inbox.wait_for_states(OPENED)
        bus.send(device, REPORT, REPORT, bytes.fromhex("03 02 02 FF 00 00"))
        inbox.wait_for(lambda: len(pieces(inbox)) == 4)
    assert descriptor_in(pieces(inbox)[0]) == DESCRIPTORS["scale"]
    assert pieces(inbox)[1:] == [REPORT, REPORT, bytes.fromhex("03 02 02 FF 00 00")]
    inbox.wait_for_states(OPENED, STOPPED)


def test_the_kernel_driver_is_detached_while_open_and_given_back_at_close() -> None:
    device = memory_scale()
    one = link(MemoryUsb(device))
    one.open()
    assert "attach 0" not in device.done
    assert one.device == "/dev/bus/usb/001/005"
    one.close()
    one.close()
    wanted = ("detach 0", "claim 0", "descriptor", "release 0", "attach 0", "close")
    assert [call for call in device.done if call in wanted] == list(wanted)


def test_a_driver_that_a_crash_left_off_is_given_back_at_the_next_close() -> None:
    device = memory_scale(kernel_driver=False)
    one = link(MemoryUsb(device))
    one.open()
    assert "detach 0" not in device.done
    one.close()
    assert device.kernel_driver


def test_the_end_of_the_program_gives_the_instrument_back(tmp_path: Path) -> None:
    said = tmp_path / "said"
    code = (
        f"import sys; sys.path.insert(0, {str(ROOT)!r})\n"
        "from pathlib import Path\n"
        "from drivers.transport import PortReader, PortSettings\n"
        "from tests.drivers.pty_tools import Inbox\n"
        "from tests.drivers.usb_memory import MemoryUsb, memory_scale\n"
        "class Told(list):\n"
        "    def append(self, call):\n"
        f"        super().append(call); Path({str(said)!r}).open('a').write(call + chr(10))\n"
        "device = memory_scale(done=Told())\n"
        "bus, inbox = MemoryUsb(device), Inbox()\n"
        "settings = PortSettings(address='usb:ffff:0001', usb='hid')\n"
        "PortReader('scale', settings, inbox, find_hid=bus.find).start()\n"
        "inbox.wait_for(lambda: device.reading)\n"
        "raise RuntimeError('a crash')\n"
    )
    crashed = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert "a crash" in crashed.stderr
    assert {"detach 0", "attach 0"} <= set(said.read_text().split("\n"))


def test_unplugged_at_any_moment_and_plugged_in_again_is_read_on() -> None:
    device = memory_scale()
    bus, inbox = MemoryUsb(device), Inbox()
    with reading(bus, inbox) as reader:
        inbox.wait_for(lambda: device.reading)
        bus.unplug(device)
        inbox.wait_for_states(OPENED, LOST)
        assert "unplugged" in inbox.events[-1].sentence
        bus.plug(device)
        inbox.wait_for_states(OPENED, LOST, OPENED)
        bus.send(device, REPORT)
        inbox.wait_for(lambda: pieces(inbox)[-1] == REPORT)
        assert (reader.health().opens, reader.health().losses) == (2, 1)
    assert device.kernel_driver


@pytest.mark.parametrize("call", ["open", "get_configuration", "detach", "claim", "descriptor"])
def test_gone_in_the_middle_of_opening_is_absent_and_leaves_nothing_open(call: str) -> None:
    device = memory_scale(refuses={call: errno.ENODEV})
    reason, sentence = refused(device)
    assert reason == "absent"
    assert "plug" in sentence
    assert device.done.count("close") == device.done.count("open") - (call == "open")
    assert not any(one.startswith("attach") for one in device.done) or call in (
        "detach",
        "claim",
        "descriptor",
    )


def test_an_instrument_that_is_not_there_is_waited_for() -> None:
    reason, sentence = refused(None)
    assert (reason, sentence) == (
        "absent",
        "usb:ffff:0001 is not there: plug it in and switch it on, and it is found by itself",
    )


@pytest.mark.parametrize("call", ["open", "get_configuration", "detach", "claim"])
def test_no_permission_names_the_udev_rule_that_ships(call: str) -> None:
    reason, sentence = refused(memory_scale(refuses={call: errno.EACCES}))
    assert reason == "denied"
    assert RULES_FILE in sentence
    assert (ROOT / "config" / "udev" / RULES_FILE).is_file()


def test_another_program_on_the_instrument_is_said_to_be_there() -> None:
    reason, sentence = refused(memory_scale(refuses={"claim": errno.EBUSY}))
    assert reason == "busy"
    assert "close that program" in sentence


def test_any_other_refusal_is_told_and_tried_again() -> None:
    reason, sentence = refused(memory_scale(refuses={"claim": errno.EPROTO}))
    assert reason == "other"
    assert "tried again" in sentence


def test_two_that_fit_must_be_told_apart_by_serial_number_or_place() -> None:
    left, right = memory_scale(serial="A1", ports=(1, 2)), memory_scale(serial="B2", ports=(1, 3))
    reason, sentence = refused(left, ADDRESS, right)
    assert reason == "ambiguous"
    assert "1-1.2, 1-1.3" in sentence
    for address in ("usb:ffff:0001:B2", "usb:ffff:0001@1-1.3", "usb:ffff:0001:B2@1-1.3:1.0"):
        left.done.clear()
        right.done.clear()
        one = link(MemoryUsb(left, right), address)
        one.open()
        assert "claim 0" in right.done
        assert "claim 0" not in left.done
        one.close()
    assert refused(left, "usb:ffff:0001:C3", right)[0] == "absent"
    assert refused(left, "usb:ffff:0001@2-1.3", right)[0] == "absent"


def test_a_serial_number_that_may_not_be_read_is_a_matter_of_permission() -> None:
    assert (
        refused(memory_scale(serial="A1", refuses={"open": errno.EACCES}), "usb:ffff:0001:A1")[0] == "denied"
    )


def test_a_device_path_is_no_address_of_a_usb_instrument() -> None:
    reason, sentence = refused(memory_scale(), "/dev/ttyUSB0")
    assert reason == "not_a_port"
    assert "usb:VID:PID" in sentence


def test_a_device_without_a_hid_interface_is_no_instrument() -> None:
    device = MemoryDevice(interfaces=[MemoryInterface(None, hid=False)])
    assert refused(device)[0] == "not_a_port"


def test_what_cannot_be_asked_is_tolerated() -> None:
    device = memory_keyboard(
        pid=1, kernel_driver=False, configured=False, refuses={"set_configuration": errno.EIO},
        unknown={"is_kernel_driver_active", "attach_kernel_driver", "set_idle", "set_protocol"},
    )  # fmt: skip
    device.refuses["get_configuration"] = errno.EIO
    one = link(MemoryUsb(device))
    one.open()
    assert descriptor_in(one.read()) == DESCRIPTORS["keyboard"]
    one.close()


def test_a_device_without_a_configuration_is_given_one() -> None:
    device = memory_scale(configured=False)
    bus = MemoryUsb(device)
    one = link(bus)
    one.open()
    one.read()
    bus.send(device, REPORT)
    assert one.read() == REPORT
    one.close()


def test_without_a_descriptor_reports_still_arrive_for_the_journal() -> None:
    device = MemoryDevice(interfaces=[MemoryInterface(None)])
    bus = MemoryUsb(device)
    one = link(bus)
    one.open()
    bus.send(device, REPORT)
    assert one.read() == REPORT
    one.close()


def test_a_boot_keyboard_is_asked_for_boot_reports_and_a_scale_is_left_as_it_is() -> None:
    keyboard, scale = memory_keyboard(pid=1), memory_scale()
    for device in (keyboard, scale):
        one = link(MemoryUsb(device))
        one.open()
        one.close()
    assert ("set_protocol" in keyboard.done, "set_protocol" in scale.done) == (True, False)


def test_of_several_interfaces_the_named_one_is_read_else_the_keyboard() -> None:
    interfaces = [
        MemoryInterface(None, hid=False),
        MemoryInterface(DESCRIPTORS["private"]),
        MemoryInterface(DESCRIPTORS["keyboard"], boot_keyboard=True),
    ]
    for address, claimed in ((ADDRESS, "claim 2"), ("usb:ffff:0001@1-2:1.1", "claim 1")):
        device = MemoryDevice(interfaces=interfaces)
        one = link(MemoryUsb(device), address)
        one.open()
        assert claimed in device.done
        one.close()
    assert refused(MemoryDevice(interfaces=interfaces), "usb:ffff:0001@1-2:1.0")[0] == "not_a_port"


def test_silence_and_empty_answers_end_no_report() -> None:
    device = memory_scale()
    bus, inbox = MemoryUsb(device), Inbox()
    with reading(bus, inbox) as reader:
        bus.send(device, b"", b"", REPORT, b"")
        inbox.wait_for(lambda: len(pieces(inbox)) == 2 and not device.reports)
        assert reader.health().state is OPENED
    assert pieces(inbox)[1:] == [REPORT]


def test_an_empty_answer_is_not_handed_on() -> None:
    device = memory_scale()
    bus = MemoryUsb(device)
    one = link(bus)
    one.open()
    one.read()
    bus.send(device, b"", REPORT)
    assert one.read() == REPORT
    one.close()
    with pytest.raises(OSError, match="closed"):
        one.read()


def test_a_descriptor_that_is_none_leaves_the_size_to_the_packet() -> None:
    device = MemoryDevice(interfaces=[MemoryInterface(b"\x05")])
    bus = MemoryUsb(device)
    one = link(bus)
    one.open()
    one.read()
    bus.send(device, REPORT)
    assert one.read() == REPORT
    one.close()


@pytest.mark.parametrize("call", ["is_kernel_driver_active", "descriptor"])
def test_a_call_that_is_not_there_is_done_without(call: str) -> None:
    device = memory_scale(unknown={call}, kernel_driver=call == "descriptor")
    bus = MemoryUsb(device)
    one = link(bus)
    one.open()
    bus.send(device, REPORT)
    assert REPORT in (one.read(), one.read() if call != "descriptor" else b"")
    one.close()


def test_a_report_longer_than_a_packet_is_read_whole() -> None:
    # Eleven bytes of report 3 in packets of eight: 88 bits after the id.
    descriptor = bytes.fromhex("05 8D 09 20 A1 01 85 03 09 32 15 00 26 FF 00 75 08 95 0A 81 02 C0")
    device = MemoryDevice(interfaces=[MemoryInterface(descriptor)])
    bus = MemoryUsb(device)
    one = link(bus)
    one.open()
    one.read()
    bus.send(device, report := bytes(range(11)))
    assert one.read() == report
    one.close()


def test_a_stop_ends_a_silent_read() -> None:
    device = memory_scale()
    one = link(MemoryUsb(device))
    one.open()
    one.read()
    one.cancel()
    assert one.read() == b""
    one.close()


def test_what_lay_in_the_device_is_handed_over_with_its_time_and_judged_by_the_decoder() -> None:
    device = memory_scale()
    device.reports.extend([REPORT] * 3)
    inbox = Inbox()
    with reading(MemoryUsb(device), inbox):
        inbox.wait_for(lambda: len(pieces(inbox)) == 4)
    opened = inbox.events[0].t_s
    assert all(one.t_s >= opened for one in inbox.all)


def test_a_reading_error_that_is_no_unplugging_also_ends_the_connection() -> None:
    device = memory_scale()
    bus, inbox = MemoryUsb(device), Inbox()
    with reading(bus, inbox):
        inbox.wait_for(lambda: device.reading)
        bus.send(device, bytes(100))  # more than was asked for
        inbox.wait_for(lambda: len(inbox.states) >= 3)
    assert inbox.states[:3] == [OPENED, LOST, OPENED]


def test_the_real_libusb_finds_nothing_where_nothing_is() -> None:
    assert list(find_usb(settings("usb:ffff:fffe").where)) == []  # type: ignore[arg-type]


def test_usb_addresses_of_serial_ports_are_still_serial_ports() -> None:
    asked: list[str] = []

    def no_ports() -> list[PortCandidate]:
        asked.append("ports")
        return []

    inbox = Inbox()
    reader = PortReader(
        "scale", PortSettings(address=ADDRESS), inbox, wait=BriskWait(), chance=lambda: 0.0,
        find_ports=no_ports, find_hid=lambda wanted: pytest.fail("not asked"),
    )  # fmt: skip
    reader.start()
    inbox.wait_for_states(WAITING)
    assert reader.stop(PATIENCE_S)
    assert asked


def test_the_shipped_rules_hold_to_the_grammar_of_udev() -> None:
    lines = (ROOT / "config" / "udev" / RULES_FILE).read_text(encoding="utf-8").splitlines()
    rules = [line for line in lines if line and not line.startswith("#")]
    assert rules
    for rule in rules:
        for term in rule.split(", "):
            key, _, value = term.partition('"')
            assert key.endswith(("==", "!=", "=")), term
            assert value.endswith('"'), term
            assert '"' not in value[:-1], term
    text = "\n".join(rules)
    for needed in ('ATTR{power/control}="on"', 'ENV{ID_MM_DEVICE_IGNORE}="1"', 'GROUP="dialout"'):
        assert needed in text
