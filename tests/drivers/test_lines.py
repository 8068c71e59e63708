"""Lines become readings only by their declared shape; everything else is named damage or nobody's line."""

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.declaration import Declaration, load_declaration
from drivers.lines import LineDecoder
from drivers.outcomes import (
    Damage,
    Damaged,
    KeySeen,
    LengthSeen,
    NotMine,
    Outcome,
    Piece,
    ScaleTrouble,
    TagRefused,
    TagSeen,
    WeightSeen,
)

INSTRUMENTS = Path(__file__).parents[2] / "config" / "instruments"
SHAPES = json.loads((Path(__file__).parent / "vectors" / "line_shapes.json").read_text(encoding="utf-8"))
READINGS = (TagSeen, LengthSeen, WeightSeen, KeySeen)


def shipped(name: str) -> Declaration:
    return load_declaration((INSTRUMENTS / f"{name}.toml").read_text(encoding="utf-8"), name)


def changed(name: str, **changes: Any) -> Declaration:
    return Declaration.model_validate(shipped(name).model_dump(exclude_unset=True) | changes)


ALL = [made for path in sorted(INSTRUMENTS.glob("*.toml")) if (made := shipped(path.stem)).decoder == "lines"]


def decode(declaration: Declaration | str, data: bytes, **piece: Any) -> Outcome | None:
    chosen = shipped(declaration) if isinstance(declaration, str) else declaration
    outcomes = LineDecoder(chosen).decode(Piece(data, 1.0, **({"ended": True} | piece)))
    assert len(outcomes) <= 1
    return outcomes[0] if outcomes else None


def damage(outcome: Outcome | None) -> Damage | None:
    return outcome.damage if isinstance(outcome, Damaged) else None


@pytest.mark.parametrize("shape", SHAPES["lines"], ids=lambda shape: repr(shape["line"]))
def test_the_generic_shapes_read_as_computed(shape: dict[str, Any]) -> None:
    outcome = decode(shape["instrument"], shape["line"].encode("latin-1"))
    match outcome:
        case TagSeen(tag, _, _, antenna):
            assert (tag, antenna) == (shape["tag"], shape.get("antenna"))
        case LengthSeen(length_mm):
            assert length_mm == shape["length_mm"]
        case WeightSeen(weight_g, _, stable):
            assert weight_g == pytest.approx(shape["weight_g"], abs=5e-6)  # the vector has 5 decimals
            assert stable is shape["stable"]
        case ScaleTrouble(trouble):
            assert trouble == shape["trouble"]
        case KeySeen(key):
            assert key == shape["key"]
        case _:
            assert isinstance(outcome, TagRefused | Damaged)
            assert shape.get("tag", shape.get("length_mm")) is None


def test_conversions_are_exact() -> None:
    # 1 in = 25.4 mm, 1 lb = 453.59237 g, 1 oz = 28.349523125 g: yard and pound agreement of 1959, exact.
    # 1 lb 13 oz = 29 oz = 822.14 g.
    outcome = decode("scale_pounds_ounces", b" 1 lb 13.0 oz\r\n")
    assert isinstance(outcome, WeightSeen)
    assert outcome.weight_g == 822.136170625
    assert outcome.division_g == pytest.approx(2.8349523125)
    outcome = decode("board_inch", b"12.00 in\r\n")
    assert isinstance(outcome, LengthSeen)
    assert (outcome.length_mm, outcome.division_mm, outcome.unit) == (304.8, 0.254, "in")
    outcome = decode("scale_plain", b"1.2345 kg\r\n")
    assert isinstance(outcome, WeightSeen)
    assert (outcome.weight_g, outcome.division_g, outcome.unit) == (1234.5, 0.1, "kg")


def test_factor_and_step_scale_value_and_division() -> None:
    board = changed("board_digits", measure={"unit": "mm", "factor": 0.5, "step": 5, "ruler_max_mm": 800})
    outcome = decode(board, b"0625\r\n")
    assert isinstance(outcome, LengthSeen)
    assert (outcome.length_mm, outcome.division_mm) == (312.5, 2.5)


@pytest.mark.parametrize(
    "number", ["inf", "nan", "1e3", "12345678", "1.234567", "--5", "1.2.3", "0x12", "1_0", "", " ", "١٢"]
)
def test_a_loose_pattern_does_not_make_a_number_of_anything(number: str) -> None:
    loose = changed("scale_plain", patterns=["(?P<value>.*) (?P<unit>g)"])
    outcome = decode(loose, f"{number} g\r\n".encode())
    assert isinstance(outcome, Damaged | ScaleTrouble)


def test_a_comma_is_a_decimal_sign_only_where_configured() -> None:
    assert isinstance(decode("scale_plain", b"123,4 g\r\n"), NotMine)
    loose = {"patterns": ["(?P<value>[0-9.,]+) (?P<unit>g)"]}
    assert damage(decode(changed("scale_plain", **loose), b"123,4 g\r\n")) is Damage.FORM
    comma = changed("scale_comma", **loose)
    assert isinstance(decode(comma, b"123,4 g\r\n"), WeightSeen)
    assert damage(decode(comma, b"1.234,5 g\r\n")) is Damage.FORM
    assert damage(decode(comma, b"123.4 g\r\n")) is Damage.FORM


def test_unknown_units_signs_and_states_are_damage() -> None:
    loose = changed("scale_plain", patterns=["(?P<state>[A-Z]*)(?P<sign>.)(?P<value>[0-9.]+) (?P<unit>.*)"])
    assert damage(decode(loose, b"E+1.0 stone\r\n")) is None  # E: no value
    for line in (b"Q+1.0 g\r\n", b"+1.0 g\r\n"):
        assert damage(decode(loose, line)) is Damage.FORM
    loose = changed("scale_plain", states={}, patterns=["(?P<sign>.)(?P<value>[0-9.]+) (?P<unit>.*)"])
    assert damage(decode(loose, b"+1.0 stone\r\n")) is Damage.FORM
    assert damage(decode(loose, b"x1.0 g\r\n")) is Damage.FORM
    assert isinstance(decode(loose, b"-1.0 G\r\n"), WeightSeen)


def test_a_board_never_makes_a_fish_of_what_is_off_the_ruler() -> None:
    assert decode("board_digits", b"0845\r\n") == KeySeen("2", b"0845\r\n")
    assert damage(decode("board_digits", b"0801\r\n")) is Damage.FORM
    assert isinstance(decode("board_digits", b"0800\r\n"), LengthSeen)
    assert isinstance(decode("board_digits", b"0000\r\n"), NotMine)
    signed = changed("board_mm", patterns=["(?P<sign>-?)(?P<value>[0-9]*)", "(?P<key> *)"])
    assert damage(decode(signed, b"-12\r\n")) is Damage.FORM
    assert isinstance(decode(signed, b"-\r\n"), NotMine)
    unitless = changed("board_mm", patterns=["(?P<value>[0-9]+) (?P<unit>[a-z]+)"])
    assert damage(decode(unitless, b"12 ells\r\n")) is Damage.FORM
    assert isinstance(decode(signed, b"  \r\n"), NotMine)


def test_bad_bytes_in_a_good_shape_are_damage_and_a_banner_is_nobodys() -> None:
    assert damage(decode("scale_plain", b"  12\xb13.4 g\r\n")) is Damage.FORM
    assert damage(decode("scale_plain", b"  12\xb13.\x844 g\r\n")) is Damage.FORM
    assert isinstance(decode("scale_plain", b"WEIGHING SCALE 1.0\r\n"), NotMine)
    assert decode("scale_plain", b"\r\n") is None
    assert isinstance(decode("scale_plain", b"\x00\x11 123.4 g\x13\r\n"), WeightSeen)


def test_an_unended_or_overlong_line_is_never_a_value() -> None:
    assert damage(decode("scale_plain", b"123.4 g", ended=False)) is Damage.FRAGMENT
    assert damage(decode("scale_plain", b"2.3 g\r\n", too_long=True)) is Damage.TOO_LONG
    assert decode("scale_plain", b"\r\n", ended=False) is None


@pytest.mark.parametrize(
    ("head", "tail"),
    [
        (b"41", b"2.3 g\r\n"),  # both match: 412.3 must never become 2.3
        (b"  4", b"12.3 g\r\n"),
        (b"\x80junk 41", b"2.3 g\r\n"),  # the beginning may begin anywhere in what came before
        (b"412.", b"3 g\r\n"),
        (b"412.3", b" g\r\n"),  # only the two together match
    ],
)
def test_the_tail_of_a_line_broken_by_a_pause_is_damage(head: bytes, tail: bytes) -> None:
    outcome = decode("scale_plain", tail, head=head)
    assert damage(outcome) is Damage.FRAGMENT
    assert isinstance(outcome, Damaged)
    assert "pause" in outcome.detail


def test_a_whole_line_after_an_old_fragment_is_taken_when_they_cannot_belong_together() -> None:
    assert isinstance(decode("scale_state_prefix", b"ST,+0412.0 g\r\n", head=b"ST,+04"), WeightSeen)
    assert isinstance(decode("scale_state_prefix", b"HELLO\r\n", head=b"ST,+04"), NotMine)
    assert isinstance(decode("scale_plain", b"\x022.3 g\x03", head=b"41"), WeightSeen)
    assert isinstance(decode("scale_checked", b"$S,+412.0,g*36\r\n", head=b"$S"), WeightSeen)


def test_a_line_tuned_into_counts_only_if_it_proves_its_beginning() -> None:
    assert damage(decode("scale_plain", b"2.3 g\r\n", tuned_in=True)) is Damage.FRAGMENT
    assert damage(decode("scale_checked", b"S,+412.0,g*36\r\n", tuned_in=True)) is Damage.CHECKSUM
    assert isinstance(decode("scale_checked", b"$S,+412.0,g*36\r\n", tuned_in=True), WeightSeen)
    assert isinstance(decode("tag_stx_hex", b"\x028000F9DCBE991A14\x03", tuned_in=True), TagSeen)
    assert damage(decode("tag_stx_hex", b"8000F9DCBE991A14\x03")) is Damage.FRAGMENT


def test_a_wrong_checksum_is_damage_and_a_right_one_vouches_for_a_tag() -> None:
    checked = changed("tag_plain", checksum={"form": "sum8", "separator": "*"})
    code = b"999123456789012"
    good = code + b"*%02X\r\n" % (sum(code) & 0xFF)
    assert decode(checked, good) == TagSeen("999123456789012", good, checked=True)
    assert damage(decode(checked, good.replace(b"012*", b"013*"))) is Damage.CHECKSUM
    assert damage(decode(checked, code + b"\r\n")) is Damage.CHECKSUM
    assert isinstance(decode(checked, b"READER OK\r\n"), NotMine)


def test_a_raw_checksum_may_look_like_a_line_end() -> None:
    raw = changed(
        "board_digits",
        frame={"end": "IDLE", "idle_s": 0.05, "max_bytes": 8},
        checksum={"form": "xor8", "written": "raw"},
    )
    assert 0x30 ^ 0x33 ^ 0x31 ^ 0x32 == 0x00
    assert isinstance(decode(raw, b"0312\x00"), LengthSeen)
    assert damage(decode(raw, b"0312\x01")) is Damage.CHECKSUM


def resampled(data: bytes, sent_baud: int, read_baud: int) -> bytes:
    """What a receiver at `read_baud` makes of 8N1 characters sent back to back at `sent_baud`; framing
    faults ignored.

    Like the probe behind the 60 % rule: sample the middle of each bit, a start bit is the next low level.
    """
    bits = [level for byte in data for level in (0, *(byte >> bit & 1 for bit in range(8)), 1)] + [1] * 40
    ratio = sent_baud / read_baud  # sent bits in one read bit

    def level(at: float) -> int:
        return bits[int(at)] if int(at) < len(bits) else 1

    result, at = bytearray(), 0.0
    while at < len(bits):
        if level(at) == 1:
            at += ratio / 16
            continue
        result.append(sum(level(at + (1.5 + bit) * ratio) << bit for bit in range(8)))
        at += 9.5 * ratio
    return bytes(result)


def test_the_resampler_reads_the_right_speed_right() -> None:
    assert resampled(b"999123456789012\r\n", 9600, 9600) == b"999123456789012\r\n"


@pytest.mark.parametrize("read_baud", [1200, 2400, 4800, 19200, 38400, 57600])
@pytest.mark.parametrize(
    ("name", "line"),
    [("tag_plain", b"999123456789012\r\n"), ("scale_plain", b"    412.3 g\r\n"), ("board_mm", b"312 mm\r\n")],
)
def test_the_wrong_speed_is_never_a_reading_and_is_named(read_baud: int, name: str, line: bytes) -> None:
    garbage = resampled(line * 8, 9600, read_baud)
    outcome = decode(name, garbage, ended=False, too_long=len(garbage) > 128)
    assert isinstance(outcome, Damaged)
    assert outcome.damage in (Damage.SPEED, Damage.TOO_LONG, Damage.FRAGMENT)
    if read_baud > 9600:
        assert outcome.damage is Damage.SPEED
    if outcome.damage is not Damage.FRAGMENT:
        assert "speed or cable?" in outcome.detail


lines = st.binary(max_size=40) | st.text("0123456789.,+-gkmnlboz STUOLE\r\n\x02\x03*$KA\0", max_size=30).map(
    str.encode
)


@settings(deadline=None, max_examples=400)
@given(st.sampled_from(ALL), lines, st.booleans(), st.booleans(), st.booleans(), lines)
def test_any_bytes_give_at_most_one_outcome_and_keep_their_raw_bytes(
    declaration: Declaration, data: bytes, ended: bool, too_long: bool, tuned_in: bool, head: bytes
) -> None:
    outcome = decode(declaration, data, ended=ended, too_long=too_long, tuned_in=tuned_in, head=head)
    if outcome is not None:
        assert outcome.raw == data
    if too_long or not ended:
        assert outcome is None or isinstance(outcome, Damaged)
