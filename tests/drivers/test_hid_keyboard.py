"""USB keyboard instruments: usages become whole codes, lost reports never a shorter one."""

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.declaration import Declaration, load_declaration
from drivers.hid_reports import STALE_S, descriptor_piece
from drivers.instrument import Instrument
from drivers.outcomes import Damage, Damaged, KeySeen, Outcome, Piece, TagRefused, TagSeen
from tests.drivers.usb_memory import DESCRIPTORS

ROOT = Path(__file__).parents[2]
VECTORS = json.loads((Path(__file__).parent / "vectors" / "hid_keyboard.json").read_text())
RELEASE = bytes(8)
TAG = "999123456789012"
STEP_S = 0.004

ANY_TEXT = r"""
name = "any_text"
kind = "keys"
summary = "x"
decoder = "hid_keyboard"
patterns = ['(?P<key>[ -~]+)']
[line]
usb = "hid"
[frame]
end = "REPORT"
max_bytes = 64
"""


def shipped(name: str) -> Declaration:
    file = ROOT / "config" / "instruments" / f"{name}.toml"
    return load_declaration(file.read_text(encoding="utf-8"), file.name)


def keyboard(name: str | None = None, more: str = "") -> Instrument:
    made = shipped(name) if name else load_declaration(ANY_TEXT + more, "any_text.toml")
    return Instrument("reader", made)


def feed(
    instrument: Instrument, reports: list[bytes], start_s: float = 1.0, step_s: float = STEP_S
) -> list[Outcome]:
    """The reports one after the other, with the timers in between as the engine fires them."""
    outcomes: list[Outcome] = []
    for at, report in enumerate(reports):
        t_s = start_s + at * step_s
        outcomes += wait(instrument, t_s)
        for piece in instrument.cut(report, t_s):
            outcomes += instrument.decode(piece)
    return outcomes


def wait(instrument: Instrument, until_s: float) -> list[Outcome]:
    outcomes: list[Outcome] = []
    while (deadline_s := instrument.next_deadline_s()) is not None and deadline_s <= until_s:
        outcomes += instrument.settle_tick(deadline_s)
    return outcomes


def key(usage: int, modifiers: int = 0) -> bytes:
    return bytes([modifiers, 0, usage, 0, 0, 0, 0, 0])


def digits(code: str, *, enter: bool = True) -> list[bytes]:
    usages = [0x27 if digit == "0" else 0x1D + int(digit) for digit in code] + [0x28] * enter
    return [report for usage in usages for report in (key(usage), RELEASE)]


def reports_of(vector: dict[str, Any]) -> list[bytes]:
    return [bytes.fromhex(text) for text in vector["reports"]]


@pytest.mark.parametrize("vector", VECTORS["vectors"], ids=lambda one: one["text"].strip())
def test_a_scan_is_its_text_under_every_desktop_layout(vector: dict[str, Any]) -> None:
    (seen,) = feed(keyboard(), reports_of(vector))
    assert seen == KeySeen(vector["text"].strip("\n"), vector["text"].strip("\n").encode())


@pytest.mark.parametrize("vector", VECTORS["edge"], ids=lambda one: one["why"])
def test_each_edge_case_gives_the_text_beside_it(vector: dict[str, Any]) -> None:
    one = keyboard()
    heard = feed(one, reports_of(vector)) + wait(one, 60.0)
    assert [outcome.key for outcome in heard if isinstance(outcome, KeySeen)] == [vector["text"]] * bool(
        vector["text"]
    )
    assert len(heard) == bool(vector["text"])


def test_tags_come_as_digits_and_as_dotted_hex_from_one_reader() -> None:
    one = keyboard("usb_keyboard_tag")
    for at, vector in enumerate(VECTORS["vectors"][:2]):
        (seen,) = feed(one, reports_of(vector), start_s=1.0 + at)
        assert isinstance(seen, TagSeen)
        assert seen.tag == TAG


@pytest.mark.parametrize("end", [0x28, 0x2B, 0x58])
def test_enter_tab_and_keypad_enter_end_a_scan(end: int) -> None:
    (seen,) = feed(keyboard("usb_keyboard_tag"), [*digits(TAG, enter=False), key(end), RELEASE])
    assert isinstance(seen, TagSeen)


def test_silence_ends_a_scan_without_enter_at_its_time() -> None:
    one = keyboard("usb_keyboard_tag")
    reports = digits(TAG, enter=False)
    assert feed(one, reports) == []
    last_s = 1.0 + (len(reports) - 1) * STEP_S
    assert one.next_deadline_s() == pytest.approx(last_s + 0.1)
    assert wait(one, last_s + 0.099) == []
    (seen,) = wait(one, last_s + 0.101)
    assert isinstance(seen, TagSeen)
    assert one.next_deadline_s() is None


def test_the_next_scan_ends_the_last_one_even_if_no_timer_ran() -> None:
    one = keyboard("usb_keyboard_tag")
    feed(one, digits(TAG, enter=False))
    (piece,) = one.cut(key(0x26), 5.0)
    (seen,) = one.decode(piece)
    assert isinstance(seen, TagSeen)


def test_caps_lock_and_num_lock_type_nothing_and_change_nothing() -> None:
    reports = [key(0x39), RELEASE, key(0x04), RELEASE, key(0x53), RELEASE, key(0x59), RELEASE, key(0x28)]
    (seen,) = feed(keyboard(), reports)
    assert seen == KeySeen("a1", b"a1")


def test_either_shift_makes_capitals() -> None:
    assert feed(keyboard(), [key(0x04, 0x02), RELEASE, key(0x05, 0x20), RELEASE, key(0x28)]) == [
        KeySeen("AB", b"AB")
    ]


def test_a_rollover_report_in_the_middle_of_a_scan_loses_no_key() -> None:
    reports = digits(TAG)
    reports.insert(7, bytes([0, 0, 1, 1, 1, 1, 1, 1]))
    (seen,) = feed(keyboard("usb_keyboard_tag"), reports)
    assert isinstance(seen, TagSeen)


def test_keys_without_a_character_stand_in_the_text_and_spoil_a_code() -> None:
    one = keyboard("usb_keyboard_tag")
    reports = digits(TAG)
    for spoiler in (key(0x3A), key(0x26, 0x04), key(0x26, 0x01), key(0x28, 0x08)):
        (refused,) = feed(one, [*reports[:6], spoiler, RELEASE, *reports[6:]])
        assert isinstance(refused, TagRefused)
        assert b"<" in refused.raw


@given(st.data())
@settings(deadline=None, max_examples=150)
def test_a_scan_that_lost_reports_is_refused_or_whole(data: st.DataObject) -> None:
    reports = digits(TAG, enter=data.draw(st.booleans()))
    lost = data.draw(st.sets(st.integers(0, len(reports) - 1), min_size=1, max_size=20))
    one = keyboard("usb_keyboard_tag")
    kept = [report for at, report in enumerate(reports) if at not in lost]
    for outcome in feed(one, kept) + wait(one, 60.0):
        assert isinstance(outcome, TagRefused | TagSeen)
        if isinstance(outcome, TagSeen):
            assert outcome.tag == TAG


@given(st.integers(1, 29), st.booleans())
@settings(deadline=None, max_examples=60)
def test_the_two_parts_of_a_scan_with_a_pause_in_it_are_no_code(at: int, enter: bool) -> None:
    one = keyboard("usb_keyboard_tag")
    reports = digits(TAG, enter=enter)
    heard = feed(one, reports[:at]) + feed(one, reports[at:], start_s=5.0) + wait(one, 60.0)
    assert not [outcome for outcome in heard if isinstance(outcome, TagSeen) and at < 29]


def test_a_card_counts_only_with_its_enter_and_never_by_its_rest() -> None:
    one = keyboard("usb_keyboard_card")
    letters = [key(usage) for usage in (0x18, 0x11, 0x07, 0x12)]  # undo
    scan = [report for letter in letters for report in (letter, RELEASE)] + [key(0x28), RELEASE]
    assert feed(one, scan) == [KeySeen("undo", b"undo")]
    first, rest = feed(one, scan[:4], 5.0) + wait(one, 5.5), feed(one, scan[4:], 5.5)
    assert [type(outcome) for outcome in first + rest] == [Damaged, Damaged]
    assert feed(one, scan, 20.0) == [KeySeen("undo", b"undo")]
    feed(one, scan[:4], 30.0)
    assert [type(outcome) for outcome in feed(one, scan, 40.0)] == [
        Damaged,
        KeySeen,
    ]  # long after: another card


def test_a_card_keeps_its_symbology() -> None:
    reports = [key(0x30), RELEASE, key(0x14, 2), RELEASE, key(0x1E), RELEASE, key(0x18), RELEASE, key(0x28)]
    assert feed(keyboard("usb_keyboard_card"), reports) == [KeySeen("u", b"]Q1u", "]Q1")]


def test_each_key_of_a_pad_is_a_command_by_its_name() -> None:
    one = keyboard("usb_keypad")
    usages = {
        0x5F: "7",
        0x57: "+",
        0x58: "ENTER",
        0x28: "ENTER",
        0x4B: "PAGEUP",
        0x3A: "F1",
        0x2C: "SPACE",
        0x76: "KEY76",
    }
    for usage, name in usages.items():
        assert feed(one, [key(usage), RELEASE]) == [KeySeen(name, name.encode())]
    assert feed(one, [key(0x06, 0x01), RELEASE]) == [KeySeen("CTRL+c", b"CTRL+c")]
    assert feed(one, [key(0x53), RELEASE]) == []
    assert one.next_deadline_s() is None


def test_a_key_held_down_is_pressed_once() -> None:
    assert feed(keyboard("usb_keypad"), [key(0x5F)] * 20 + [RELEASE], step_s=0.2) == [KeySeen("7", b"7")]


def test_a_scan_that_began_right_after_the_opening_is_no_reading_and_the_next_one_is() -> None:
    one = keyboard("usb_keyboard_tag")
    one.opened(1.0)
    (old,) = feed(one, digits(TAG), start_s=1.0 + STALE_S - 0.01)
    assert isinstance(old, Damaged)
    assert (old.damage, old.raw) == (Damage.STALE, TAG.encode())
    (seen,) = feed(one, digits(TAG), start_s=3.0)
    assert isinstance(seen, TagSeen)
    one.opened(10.0)
    feed(one, [RELEASE], start_s=10.1)  # what a keyboard says when it is plugged in spoils nothing
    (seen,) = feed(one, digits(TAG), start_s=10.5)
    assert isinstance(seen, TagSeen)


@pytest.mark.parametrize("told", [True, False])
def test_a_lost_connection_breaks_the_scan_off_and_lets_go_of_the_keys(told: bool) -> None:
    one = keyboard("usb_keyboard_tag")
    feed(one, digits(TAG)[:9])
    if told:
        assert one.hang_up(1.5) == []
    one.opened(2.0)
    (broken,) = wait(one, 2.0)
    assert isinstance(broken, Damaged)
    assert (broken.damage, broken.raw) == (Damage.FRAGMENT, TAG[:5].encode())
    (seen,) = feed(one, digits(TAG), start_s=3.0)
    assert isinstance(seen, TagSeen)


def test_a_key_that_was_down_when_the_connection_went_is_pressed_anew_after_it() -> None:
    one = keyboard("usb_keyboard_tag")
    feed(one, [key(0x26)])
    one.hang_up(1.5)
    wait(one, 2.0)
    (seen,) = feed(one, digits(TAG), start_s=3.0)
    assert isinstance(seen, TagSeen)


def test_a_scan_without_end_is_too_long_and_the_next_one_is_read() -> None:
    one = keyboard(more="[keyboard]\nmax_chars = 20\n")
    (long,) = feed(one, digits("12" * 200))
    assert isinstance(long, Damaged)
    assert (long.damage, len(long.raw)) == (Damage.TOO_LONG, 21)
    assert feed(one, digits("12")) == [KeySeen("12", b"12")]


def test_the_descriptor_is_silent_for_a_keyboard_and_a_fault_for_anything_else() -> None:
    one = keyboard("usb_keyboard_tag")
    assert feed(one, [descriptor_piece(0, DESCRIPTORS["keyboard"]), descriptor_piece(0, b"\x05")]) == []
    (fault,) = feed(one, [descriptor_piece(0, DESCRIPTORS["scale"])])
    assert isinstance(fault, Damaged)


def test_reports_that_are_none_of_a_boot_keyboard_are_kept_as_damaged() -> None:
    one = keyboard()
    assert one.decode(Piece(b"", 1.0, ended=True)) == []
    for data, damage in ((bytes(7), Damage.FORM), (bytes(9), Damage.FORM), (bytes(65), Damage.TOO_LONG)):
        (fault,) = feed(keyboard(), [data])
        assert isinstance(fault, Damaged)
        assert (fault.damage, fault.raw) == (damage, data)


@given(st.lists(st.binary(min_size=8, max_size=8) | st.binary(max_size=12), max_size=20), st.integers(0, 20))
@settings(deadline=None, max_examples=150)
def test_no_bytes_raise_and_a_restart_changes_nothing(reports: list[bytes], at: int) -> None:
    for name in (None, "usb_keyboard_tag", "usb_keyboard_card", "usb_keypad"):
        one = keyboard(name)
        one.opened(0.9)
        feed(one, reports[:at])
        other = keyboard(name)
        other.restore(json.loads(json.dumps(one.state())))
        start_s = 1.0 + at * STEP_S
        assert feed(one, reports[at:], start_s) + wait(one, 60.0) == feed(
            other, reports[at:], start_s
        ) + wait(other, 60.0)
        assert one.state() == other.state()
