"""Addresses and settings of ports: values only."""

import contextlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from drivers.transport import Keepalive, PortSettings
from drivers.transport.settings import DevicePath, RawTcp, TelnetTcp, UsbPort, parse_address


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("/dev/serial/by-id/usb-abc-if00", DevicePath("/dev/serial/by-id/usb-abc-if00")),
        ("socket://10.0.0.7:4001", RawTcp("10.0.0.7", 4001)),
        ("socket://[::1]:4001", RawTcp("::1", 4001)),
        ("rfc2217://box:2217", TelnetTcp("rfc2217://box:2217")),
        ("rfc2217://box:2217?ign_set_control", TelnetTcp("rfc2217://box:2217?ign_set_control")),
        ("usb:0403:6001", UsbPort(0x0403, 0x6001)),
        ("USB:0403:6001:A1:B2", UsbPort(0x0403, 0x6001, "A1:B2")),
        ("usb:0403:6001@1-1.2:1.0", UsbPort(0x0403, 0x6001, None, "1-1.2:1.0")),
        ("usb:0403:6001:77@1-1.2", UsbPort(0x0403, 0x6001, "77", "1-1.2")),
    ],
)
def test_each_form_of_an_address_is_understood(text: str, meant: object) -> None:
    assert parse_address(text) == meant
    assert PortSettings(address=text).where == meant


@pytest.mark.parametrize(
    "text",
    ["", "scale", "COM3", "dev/ttyS0", "socket://host", "socket://:4001", "socket://host:0", "socket://host:x",
     "socket://host:99999", "socket://[", "rfc2217://", "loop://", "usb:403:6001", "usb:0403",
     "usb:0403:6001:"],
)  # fmt: skip
def test_what_is_no_address_is_refused_with_the_value_and_what_to_write(text: str) -> None:
    with pytest.raises(ValueError, match=r"the address .*(write|use)") as refusal:
        parse_address(text)
    assert repr(text) in str(refusal.value)
    with pytest.raises(ValidationError):
        PortSettings(address=text)


@given(st.text() | st.from_regex(r"(socket|rfc2217|usb):.{0,20}", fullmatch=True))
@settings(deadline=None, max_examples=200)
def test_no_text_does_worse_than_a_refusal(text: str) -> None:
    with contextlib.suppress(ValueError):
        assert PortSettings(address=text).where == parse_address(text)


def test_settings_do_not_change_and_unknown_ones_are_refused() -> None:
    one = PortSettings(address="/dev/ttyS0")
    with pytest.raises(ValidationError):
        one.baud = 1200
    with pytest.raises(ValidationError):
        PortSettings.model_validate({"address": "/dev/ttyS0", "bauds": 9600})


def test_a_silent_peer_is_given_up_after_idle_time_and_all_probes() -> None:
    assert Keepalive(idle_s=5, interval_s=2, count=3).give_up_s == 11
