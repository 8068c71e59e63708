"""The whole chain of one instrument: any bytes in any chunks, journal replay, restart."""

import json
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.declaration import load_declaration
from drivers.instrument import Instrument
from drivers.outcomes import Damage, Damaged, LengthSeen, Outcome, Piece, TagSeen, WeightSeen, WeightSettled

INSTRUMENTS = Path(__file__).parents[2] / "config" / "instruments"
GOOD = {
    "tag_plain": b"999123456789012\r\n",
    "tag_stx_hex": b"\x028000F9DCBE991A14\x03",
    "scale_state_prefix": b"ST,+0412.0 g\r\n",
    "scale_plain": b"    412.0 g\r\n",
    "scale_checked": b"$S,+412.0,g*36\r\n",
    "board_mm": b"312 mm\r\n",
    "board_digits": b"0312\r\n",
}
READINGS = (TagSeen, WeightSeen, LengthSeen)
names = st.sampled_from(sorted(GOOD))
junk = st.binary(max_size=80) | st.lists(
    st.sampled_from(
        [*GOOD.values(), b"ST,+04", b"41", b"\x02", b"\r", b"\n", b"\x00", b"2.3 g", b"\xff" * 70]
    ),
    max_size=10,
).map(b"".join)


def shipped(name: str) -> Instrument:
    return Instrument(
        name, load_declaration((INSTRUMENTS / f"{name}.toml").read_text(encoding="utf-8"), name)
    )


def decoded(instrument: Instrument, pieces: list[Piece]) -> list[Outcome]:
    return [outcome for piece in pieces for outcome in instrument.decode(piece)]


@settings(deadline=None, max_examples=150)
@given(names, junk, st.data())
def test_any_bytes_in_any_chunks_give_the_same_outcomes(
    name: str, stream: bytes, data: st.DataObject
) -> None:
    bounds = [0, *sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=8))), len(stream)]
    whole, parts = shipped(name), shipped(name)
    expected = decoded(whole, whole.cut(stream, 1.0) + whole.hang_up(1.0))
    chunked = [
        outcome for a, b in pairwise(bounds) for outcome in decoded(parts, parts.cut(stream[a:b], 1.0))
    ]
    assert chunked + decoded(parts, parts.hang_up(1.0)) == expected


@settings(deadline=None, max_examples=150)
@given(names, junk)
def test_a_good_line_after_junk_and_a_line_end_is_always_read(name: str, before: bytes) -> None:
    instrument = shipped(name)
    instrument.opened(0.0)
    end = b"\x03" if name == "tag_stx_hex" else b"\r\n"
    outcomes = decoded(instrument, instrument.cut(before + end + GOOD[name], 1.0))
    # The settled weight may be older than this line; the line itself must be there.
    assert any(
        isinstance(outcome, READINGS) and outcome.raw.lstrip(b"\n") in GOOD[name] + end
        for outcome in outcomes[-2:]
    )


@settings(deadline=None, max_examples=100)
@given(names, junk)
def test_no_value_comes_from_an_unterminated_line(name: str, before: bytes) -> None:
    instrument = shipped(name)
    instrument.cut(before + b"\r\n\x03", 1.0)
    end = b"\x03" if name == "tag_stx_hex" else b"\r\n"
    pieces = instrument.cut(GOOD[name].removesuffix(end), 1.5)
    pieces += instrument.tick(60.0) + instrument.hang_up(60.0)
    assert pieces
    assert not any(isinstance(outcome, (*READINGS, WeightSettled)) for outcome in decoded(instrument, pieces))


@pytest.mark.parametrize("at", range(1, 12))
def test_a_weight_drip_fed_with_long_pauses_is_never_another_weight(at: int) -> None:
    # One pause at every place in the line. 412 from 2412 must be impossible.
    for name, line in (("scale_plain", b"  2412.0 g\r\n"), ("scale_state_prefix", b"ST,+2412.0 g\r\n")):
        instrument = shipped(name)
        outcomes = decoded(instrument, instrument.cut(line[:at], 1.0))
        outcomes += decoded(instrument, instrument.cut(line[at:], 9.0))
        seen = [outcome.weight_g for outcome in outcomes if isinstance(outcome, WeightSeen)]
        assert all(weight_g == 2412.0 for weight_g in seen)
        if at < len(line) - 2:
            assert seen == []


def test_the_first_line_after_opening_is_refused_and_the_next_one_read() -> None:
    instrument = shipped("scale_plain")
    instrument.opened(5.0)
    first, second = decoded(instrument, instrument.cut(b"2.0 g\r\n  412.0 g\r\n", 5.02))
    assert isinstance(first, Damaged)
    assert first.damage is Damage.FRAGMENT
    assert isinstance(second, WeightSeen)


def test_a_slow_line_still_counts_as_tuned_into() -> None:
    slow = (
        (INSTRUMENTS / "scale_plain.toml").read_text(encoding="utf-8").replace("baud = 9600", "baud = 1200")
    )
    instrument = Instrument("scale", load_declaration(slow, "scale_plain.toml"))
    instrument.opened(5.0)
    (piece,) = instrument.cut(b"2.0 g\r", 5.4)  # 64 characters at 1200 baud take more than half a second
    assert piece.tuned_in


def test_the_deadline_is_the_earlier_of_line_and_load() -> None:
    instrument = shipped("scale_state_prefix")
    decoded(instrument, instrument.cut(b"ST,+0000.0 g\r\nUS,+0300.0 g\r\n", 1.0))
    assert instrument.next_deadline_s() == 9.0
    instrument.cut(b"US,+03", 2.0)
    assert instrument.next_deadline_s() == 4.0
    decoded(instrument, instrument.tick(4.0))
    assert len(instrument.settle_tick(9.0)) == 1
    assert instrument.next_deadline_s() is None
    assert shipped("board_mm").settle_tick(1.0) == []


@settings(deadline=None, max_examples=60)
@given(names, junk, junk)
def test_a_restored_instrument_goes_on_as_the_first_would(name: str, before: bytes, after: bytes) -> None:
    first, second = shipped(name), shipped(name)
    decoded(first, first.cut(before, 1.0))
    second.restore(json.loads(json.dumps(first.state())))
    assert decoded(second, second.cut(after, 1.5)) == decoded(first, first.cut(after, 1.5))
    assert second.state() == first.state()


def test_the_state_of_another_kind_of_instrument_is_refused() -> None:
    with pytest.raises(ValueError, match="scale_plain"):
        shipped("scale_plain").restore(shipped("board_mm").state())
