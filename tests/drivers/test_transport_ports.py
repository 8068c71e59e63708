"""Which port an address means, and which ports cannot be told apart."""

import errno
import os
from dataclasses import replace
from pathlib import Path

import pytest

from drivers.transport import PortCandidate, list_ports
from drivers.transport.ports import choose, warn_of_shared_names
from drivers.transport.settings import UsbPort, parse_address

LEFT = PortCandidate("/dev/ttyUSB0", "adapter", vid=0x1234, pid=0x0001, location="1-1.1")
RIGHT = replace(LEFT, device="/dev/ttyUSB1", location="1-1.2")
NUMBERED = replace(LEFT, device="/dev/ttyUSB2", location="1-1.3", serial_number="A7")
OTHER = PortCandidate("/dev/ttyACM0", "reader", vid=0x1234, pid=0x0002, location="1-1.4:1.0")
BUILT_IN = PortCandidate("/dev/ttyS0", "n/a")


def test_twins_without_a_number_are_warned_of_and_how_to_address_them() -> None:
    marked = warn_of_shared_names([LEFT, RIGHT, NUMBERED, OTHER, BUILT_IN])
    assert [port.warning is not None for port in marked] == [True, True, False, False, False]
    assert marked[0].warning == (
        "/dev/ttyUSB0 and the port at 1-1.2 share one by-id name: "
        "address each by its by-path link or as usb:1234:0001@1-1.1"
    )


def test_several_ports_of_one_adapter_are_no_twins() -> None:
    # udev adds the interface number (-if00) or the port number (-port0) to the name: rules.d/60-serial.rules
    first, second = (
        replace(OTHER, location="1-1.4:1.0"),
        replace(OTHER, device="/dev/ttyACM1", location="1-1.4:1.2"),
    )
    same_interface = replace(first, device="/dev/ttyACM2")
    assert not [port for port in warn_of_shared_names([first, second, same_interface]) if port.warning]


@pytest.mark.parametrize("wanted", [LEFT, RIGHT, NUMBERED, OTHER])
def test_the_narrowest_address_of_a_port_finds_it_among_its_likes(wanted: PortCandidate) -> None:
    address = parse_address(wanted.usb or "")
    assert isinstance(address, UsbPort)
    assert choose(address, [LEFT, RIGHT, NUMBERED, OTHER, BUILT_IN]) == wanted.device


def test_no_fit_and_too_many_fits_are_told_apart() -> None:
    with pytest.raises(OSError, match="no such") as missing:
        choose(UsbPort(0x9999, 1), [LEFT, BUILT_IN])
    assert missing.value.errno == errno.ENODEV
    with pytest.raises(
        OSError, match=r"fits 2 ports \(/dev/ttyUSB0 at 1-1.1, /dev/ttyUSB1 at 1-1.2\)"
    ) as several:
        choose(UsbPort(0x1234, 1), [LEFT, RIGHT])
    assert several.value.errno == errno.ENOTUNIQ


def test_ports_of_this_computer_are_listed_with_their_links(tmp_path: Path) -> None:
    for port in list_ports():
        assert os.path.exists(port.device)
    assert BUILT_IN.usb is None
    devices = [port.device for port in list_ports()]
    (tmp_path / "by-id").mkdir()
    for number, device in enumerate(devices):
        (tmp_path / "by-id" / f"port-{number}").symlink_to(device)
    linked = [port.by_id for port in list_ports(tmp_path)]
    assert linked == [str(tmp_path / "by-id" / f"port-{number}") for number in range(len(devices))]
    assert {port.by_path for port in list_ports(tmp_path)} <= {None}
