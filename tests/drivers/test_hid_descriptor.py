"""Report descriptors: fields where the standard's own examples have them, and no bytes that raise anything else."""

import contextlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.hid_descriptor import DescriptorError, ReportDescriptor, parse_report_descriptor
from drivers.hid_reports import ReportCutter, descriptor_in, descriptor_piece
from drivers.outcomes import Piece
from tests.drivers.usb_memory import DESCRIPTORS


def test_the_keyboard_of_the_standard_has_the_boot_report() -> None:
    # HID 1.11, appendix B.1: byte 0 modifiers, byte 1 reserved, bytes 2 to 7 key codes.
    keyboard = parse_report_descriptor(DESCRIPTORS["keyboard"])
    assert [(one.bit, one.size_bits, one.count, one.constant, one.variable) for one in keyboard.inputs] == [
        (0, 1, 8, False, True),
        (8, 8, 1, True, False),
        (16, 8, 6, False, False),
    ]
    assert keyboard.inputs[0].usages == tuple(0x70000 + usage for usage in range(0xE0, 0xE8))
    assert keyboard.inputs[2].usages[0x26] == 0x70026
    assert (keyboard.numbered, keyboard.input_bytes(0), keyboard.input_bytes(1)) == (False, 8, 0)
    assert keyboard.pages == {0x01, 0x07, 0x08}


def test_the_mouse_of_the_standard_has_buttons_then_two_signed_axes() -> None:
    # HID 1.11, appendix E.10 and B.2: byte 0 buttons, byte 1 x, byte 2 y.
    mouse = parse_report_descriptor(DESCRIPTORS["mouse"])
    buttons, padding, axes = mouse.inputs
    assert (buttons.bit, buttons.count, padding.bit, padding.constant) == (0, 3, 3, True)
    assert (axes.bit, axes.size_bits, axes.count, axes.logical_min) == (8, 8, 2, -127)
    assert axes.usages == (0x10030, 0x10031)
    assert axes.within == (0x10002, 0x10001)
    assert mouse.input_bytes(0) == mouse.longest_input_bytes == 3


def test_global_items_are_put_aside_and_taken_back() -> None:
    text = "05 01 75 08 95 01 A4 05 09 75 10 95 02 B4 09 30 81 02"
    (field,) = parse_report_descriptor(bytes.fromhex(text)).inputs
    assert (field.usages, field.size_bits, field.count) == ((0x10030,), 8, 1)


def test_a_usage_of_four_bytes_brings_its_own_page_and_long_items_are_passed_over() -> None:
    text = "FE 02 00 AA BB 05 02 0B 40 00 8D 00 75 08 95 01 81 02"
    (field,) = parse_report_descriptor(bytes.fromhex(text)).inputs
    assert field.usages == (0x8D0040,)


def test_a_field_of_no_bits_is_none() -> None:
    assert parse_report_descriptor(bytes.fromhex("75 08 95 00 81 02")).inputs == ()


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("05", "breaks off"), ("27 00 00", "breaks off"), ("FE 02", "breaks off"), ("A1 01", "never closed"),
        ("C0", "never opened"), ("B4", "never put aside"), ("85 00", "ids are 1 to 255"),
        ("86 00 01", "ids are 1 to 255"), ("77 FF FF FF FF 95 01 81 02", "a field of"),
        ("19 05 29 01", "usage range"), ("19 00 2A FF FF", "usage range"), ("A4" * 40, "too deeply"),
        ("A1 01" * 40, "too deeply"), ("09 01" * 2000, "too many usages"), ("75 01 95 01" + "81 02" * 600, "a field"),
        ("00" * 5000, "longer than any"),
    ],
)  # fmt: skip
def test_what_is_no_descriptor_is_refused_with_a_reason(text: str, why: str) -> None:
    with pytest.raises(DescriptorError, match=why):
        parse_report_descriptor(bytes.fromhex(text))


@given(st.binary(max_size=200) | st.sampled_from(sorted(DESCRIPTORS.values())), st.integers(0, 200))
@settings(deadline=None, max_examples=200)
def test_any_bytes_are_a_descriptor_or_refused(data: bytes, cut: int) -> None:
    for part in (data, data[:cut], data[cut:]):
        with contextlib.suppress(DescriptorError):
            found = parse_report_descriptor(part)
            assert isinstance(found, ReportDescriptor)
            assert found.longest_input_bytes <= 4097


@given(st.binary(min_size=1, max_size=300), st.integers(0, 255))
@settings(deadline=None, max_examples=100)
def test_a_descriptor_piece_gives_its_descriptor_back_and_no_part_of_it_does(
    data: bytes, number: int
) -> None:
    piece = descriptor_piece(number, data)
    assert descriptor_in(piece) == data
    assert descriptor_in(piece[:-1]) is None
    assert descriptor_in(piece + b"\0") is None


@given(st.binary(max_size=80))
@settings(deadline=None, max_examples=100)
def test_each_call_of_the_cutter_is_one_piece_of_the_same_bytes(data: bytes) -> None:
    cutter = ReportCutter(max_bytes=64)
    pieces = cutter.cut(data, 1.5)
    assert b"".join(piece.data for piece in pieces) == data
    assert len(pieces) == bool(data)
    again = [piece for one in pieces for piece in cutter.cut(one.data, one.t_s)]
    assert again == pieces
    assert cutter.tick(9.0) == cutter.hang_up(9.0) == []
    assert cutter.next_deadline_s() is None


def test_a_descriptor_may_be_longer_than_any_report_and_a_report_may_not() -> None:
    long = descriptor_piece(0, bytes(500))
    cutter = ReportCutter(max_bytes=8)
    assert cutter.cut(long, 1.0) == [Piece(long, 1.0, ended=True)]
    assert cutter.cut(bytes(9), 1.0) == [Piece(bytes(9), 1.0, ended=False, too_long=True)]
