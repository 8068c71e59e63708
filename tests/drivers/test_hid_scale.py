"""USB weighing instruments: the status decides, the descriptor says where, and nothing else is ever a weight."""

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from drivers.declaration import Declaration, load_declaration
from drivers.hid_descriptor import parse_report_descriptor
from drivers.hid_reports import STALE_S, descriptor_piece
from drivers.hid_scale import scale_layout
from drivers.instrument import Instrument
from drivers.outcomes import (
    Damage,
    Damaged,
    NotMine,
    Outcome,
    PanEmpty,
    Piece,
    ScaleTrouble,
    Trouble,
    WeightSeen,
    WeightSettled,
)
from tests.drivers.usb_memory import DESCRIPTORS

ROOT = Path(__file__).parents[2]
VECTORS = json.loads((Path(__file__).parent / "vectors" / "hid_scale.json").read_text())


def declaration() -> Declaration:
    file = ROOT / "config" / "instruments" / "usb_scale.toml"
    return load_declaration(file.read_text(encoding="utf-8"), file.name)


def scale(descriptor: str | bytes | None = "scale") -> Instrument:
    one = Instrument("scale", declaration())
    if descriptor is not None:
        given = DESCRIPTORS[descriptor] if isinstance(descriptor, str) else descriptor
        said(one, descriptor_piece(0, given), 0.0)
    return one


def said(instrument: Instrument, data: bytes, t_s: float) -> list[Outcome]:
    return [outcome for piece in instrument.cut(data, t_s) for outcome in instrument.decode(piece)]


def first(data: str, descriptor: str | bytes | None = "scale") -> Outcome:
    return said(scale(descriptor), bytes.fromhex(data), 1.0)[0]


@pytest.mark.parametrize("vector", VECTORS["vectors"], ids=lambda one: one["report"])
@pytest.mark.parametrize("descriptor", ["scale", "scale_opaque", "scale_codes"])
def test_each_report_means_what_its_source_says(vector: dict[str, Any], descriptor: str) -> None:
    outcome = first(vector["report"], descriptor)
    if vector["accept_as_weight"]:
        assert isinstance(outcome, WeightSeen)
        assert outcome.weight_g == pytest.approx(vector["grams"], rel=1e-8)
        assert outcome.stable is True
    elif vector["status"] in (2, 3, 5):
        assert isinstance(outcome, WeightSeen)
        assert outcome.weight_g == pytest.approx(vector["grams"])
        assert outcome.stable is {2: True, 3: False, 5: None}[vector["status"]]
    elif vector["status"] in (1, 6, 7, 8):
        assert isinstance(outcome, ScaleTrouble)
        assert outcome.trouble is (Trouble.OVERLOAD if vector["status"] == 6 else Trouble.NO_VALUE)
    else:
        assert isinstance(outcome, Damaged)
        assert outcome.damage is Damage.FORM
    assert outcome.raw == bytes.fromhex(vector["report"])


@pytest.mark.parametrize(("code", "grams"), VECTORS["grams_per_unit"].items())
def test_each_unit_has_its_grams(code: str, grams: float) -> None:
    outcome = first(f"03 04 {int(code):02X} 00 01 00")
    assert isinstance(outcome, WeightSeen)
    assert outcome.weight_g == outcome.division_g == pytest.approx(grams, rel=1e-12)


def test_the_fields_are_found_where_the_descriptor_has_them() -> None:
    # Report 7: weight of 24 bits, power of ten, 4 bits of padding, unit 0 g or 1 kg, status 1 to 3.
    stable = bytes.fromhex("07 D2 04 00 FF 00 01")
    assert first(stable.hex(), "scale_shuffled") == WeightSeen(123.4, "g", True, stable, 0.1)
    moving_kg = bytes.fromhex("07 E8 03 00 FD 10 02")
    assert first(moving_kg.hex(), "scale_shuffled") == WeightSeen(1000.0, "kg", False, moving_kg, 1.0)
    assert isinstance(first("07 00 00 00 FF 00 03", "scale_shuffled"), WeightSeen)
    assert isinstance(
        first("07 D2 04 00 FF 00 04", "scale_shuffled"), Damaged
    )  # a fourth status is not named
    assert isinstance(first("07 D2 04 00 FF 20 01", "scale_shuffled"), Damaged)  # nor a third unit
    # The weight limit (report 5) has the same fields and is no weight.
    assert isinstance(first("05 D2 04 FF 04 02", "scale_shuffled"), NotMine)
    assert isinstance(first("03 04 02 FF D2 04", "scale_shuffled"), NotMine)


@pytest.mark.parametrize("name", ["keyboard", "mouse", "private", "scale_switches", "scale_longer"])
def test_what_is_no_page_8d_or_contradicts_the_custom_is_never_guessed(name: str) -> None:
    assert scale_layout(parse_report_descriptor(DESCRIPTORS[name])) is None
    one = Instrument("scale", declaration())
    (told,) = said(one, descriptor_piece(0, DESCRIPTORS[name]), 0.5)
    assert isinstance(told, Damaged)
    for report in ("03 04 02 FF D2 04", "03 04 02 FF D2 04 00 00"):
        assert isinstance(said(one, bytes.fromhex(report), 1.0)[0], Damaged)


def test_without_a_descriptor_there_is_no_weight() -> None:
    for descriptor in (None, b"\x05", b"\xa1\x01"):
        outcome = first("03 04 02 FF D2 04", descriptor)
        assert isinstance(outcome, Damaged)
        assert "descriptor" in outcome.detail


@pytest.mark.parametrize("report", ["03", "03 04 02 FF D2", "03 04 02 FF D2 04 01", "03 02 02 00 01 00", "03 04 02 0A 01 00",
                                    "03 04 02 F6 01 00", "03 00 02 00 01 00", "03 04 00 00 01 00"])  # fmt: skip
def test_a_report_that_is_not_whole_and_sound_is_no_reading(report: str) -> None:
    assert isinstance(first(report), Damaged)


def test_zeros_that_fill_up_a_packet_change_nothing() -> None:
    outcome = first("03 04 02 FF D2 04 00 00")
    assert isinstance(outcome, WeightSeen)
    assert outcome.weight_g == 123.4


def test_a_weight_limit_is_no_weight_even_where_nothing_else_is_described() -> None:
    only_limit = DESCRIPTORS["scale"].replace(bytes.fromhex("09 32"), bytes.fromhex("09 34"))
    other_number = only_limit.replace(bytes.fromhex("85 03"), bytes.fromhex("85 05"))
    assert scale_layout(parse_report_descriptor(other_number)) is None


def test_fields_that_share_a_list_are_found_and_those_that_repeat_are_not() -> None:
    # Weight of 16 bits as two values of one byte under one name: not one field, and not the custom.
    two = "05 8D 09 20 A1 01 85 03 09 70 09 50 09 41 15 00 26 FF 00 75 08 95 03 81 02 09 40 95 02 81 02 C0"
    assert scale_layout(parse_report_descriptor(bytes.fromhex(two))) is None


def test_a_lost_connection_is_no_rest_and_an_empty_piece_says_nothing() -> None:
    one = scale()
    assert one.hang_up(5.0) == []
    assert one.decode(Piece(b"", 6.0, ended=True)) == []
    assert one.settle_tick(7.0) == []
    fresh = scale(None)
    fresh.restore(scale(None).state())
    assert fresh.state() == scale(None).state()


def test_other_reports_of_the_instrument_are_not_mine() -> None:
    assert isinstance(first("04 01"), NotMine)


def test_a_report_longer_than_the_file_allows_is_too_long() -> None:
    outcome = first("03" * 65)
    assert isinstance(outcome, Damaged)
    assert outcome.damage is Damage.TOO_LONG


def test_reports_right_after_the_opening_are_kept_but_are_no_reading() -> None:
    one = scale()
    one.opened(10.0)
    report = bytes.fromhex("03 04 02 FF D2 04")
    (old,) = said(one, report, 10.0 + STALE_S / 2)
    assert isinstance(old, Damaged)
    assert (old.damage, old.raw) == (Damage.STALE, report)
    assert isinstance(said(one, report, 10.001 + STALE_S)[0], WeightSeen)


def test_a_day_on_the_scale_gives_each_load_once_and_no_weight_under_zero() -> None:
    one = scale()

    def report(status: int, number: int) -> bytes:
        return bytes([3, status, 2, 0xFF]) + number.to_bytes(2, "little")

    reports = [report(2, 0), report(3, 2500), report(4, 4120), report(4, 4120), report(2, 0)]
    reports += [report(5, 3500)] * 5 + [report(2, 0), report(4, 4120), report(6, 0), report(2, 0)]
    heard = [
        outcome for at, one_report in enumerate(reports) for outcome in said(one, one_report, 1 + at / 4)
    ]
    settled = [outcome for outcome in heard if not isinstance(outcome, WeightSeen)]
    assert [type(outcome) for outcome in settled] == [
        WeightSettled, PanEmpty, WeightSettled, ScaleTrouble, PanEmpty,
    ]  # fmt: skip
    assert [outcome.weight_g for outcome in settled if isinstance(outcome, WeightSettled)] == [412.0, 412.0]


def test_the_state_survives_a_restart() -> None:
    one = scale("scale_shuffled")
    one.opened(10.0)
    other = Instrument("scale", declaration())
    other.restore(json.loads(json.dumps(one.state())))
    for t_s in (10.1, 11.0):
        report = bytes.fromhex("07 D2 04 00 FF 00 01")
        assert said(other, report, t_s) == said(one, report, t_s)
    assert other.state() == one.state()
    with pytest.raises(ValueError, match="start it anew"):
        other.restore({"framer": {}, "settler": one.state()["settler"]})


@given(
    st.sampled_from([*sorted(DESCRIPTORS), ""]), st.lists(st.binary(max_size=12), max_size=6), st.booleans()
)
@example("scale", [bytes.fromhex("03 04 02 FF D2 04")], True)
@settings(deadline=None, max_examples=200)
def test_no_bytes_raise_and_no_weight_comes_without_status_4(
    name: str, reports: list[bytes], customary: bool
) -> None:
    one = scale(name or None)
    for at, body in enumerate(reports):
        report = (b"\x03" + body)[:6] if customary else body
        for outcome in said(one, report, 1 + at / 10):
            assert outcome.raw == report
            if isinstance(outcome, WeightSettled) or (
                isinstance(outcome, WeightSeen) and outcome.stable and outcome.weight_g
            ):
                if name == "scale_shuffled":
                    assert (report[0], report[6]) == (7, 1)
                else:
                    assert (report[0], report[1]) == (3, 4)
                    assert name in ("scale", "scale_codes", "scale_opaque")
            if isinstance(outcome, WeightSeen) and outcome.weight_g < 0:
                assert report[1] == 5


@given(st.integers(0, 255), st.integers(0, 255), st.integers(0, 255), st.integers(0, 0xFFFF))
@settings(deadline=None, max_examples=300)
def test_every_status_unit_exponent_and_number_gives_one_outcome(
    status: int, unit: int, exponent: int, number: int
) -> None:
    report = bytes([3, status, unit, exponent]) + number.to_bytes(2, "little")
    outcome = said(scale(), report, 1.0)[0]
    if status == 4 and unit in (2, 3) and number <= 0x7FFF and (exponent <= 9 or exponent >= 247):
        assert isinstance(outcome, WeightSeen)
        power = exponent - 256 if exponent > 127 else exponent
        assert outcome.weight_g == pytest.approx(number * 10.0**power * (1000 if unit == 3 else 1))
    elif status not in range(1, 9):
        assert isinstance(outcome, Damaged)
