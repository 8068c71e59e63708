"""Every shipped instrument file understands what the simulators say in its shape, and as what was meant."""

import tomllib
from math import isclose

import pytest

from drivers.declaration import Declaration
from drivers.instrument import Instrument
from drivers.outcomes import KeySeen, LengthSeen, Outcome, PanEmpty, TagSeen, WeightSeen, WeightSettled
from drivers.tags import TagForm
from drivers.telegrams import BitOrder
from ingest.shipped import shipped_config
from ingest.species import load_species
from simulators.crew import BASS, BLUEGILL, CRAPPIE, Stock
from simulators.day import Act, Day, Deed, render
from simulators.voices import BoardVoice, ScaleVoice, TagVoice

TAG = "999000001000123"
READERS = {
    "tag_plain": TagVoice(),
    "tag_fields": TagVoice("A2,2026-11-25T06:55:21Z,{tag}\r\n"),
    "tag_stx_hex": TagVoice("\x02{tag}\x03", TagForm.HEX_BIT1_FIRST),
    "tag_hex_transmission": TagVoice(form=TagForm.HEX_TRANSMISSION),
    "tag_id40": TagVoice(),
    "tag_telegram": TagVoice(telegram=BitOrder.MSB_FIRST),
}
BOARDS = {
    "board_mm": BoardVoice(),
    "board_cm": BoardVoice("{cm:.1f} cm\r\n"),
    "board_inch": BoardVoice("{inch:.2f} in\r\n"),
    "board_digits": BoardVoice("{mm:04.0f}\r\n"),
}
SCALES = {
    "scale_state_prefix": ScaleVoice(),
    "scale_state_letter": ScaleVoice("S {g:9.1f} g\r\n", "D {g:9.1f} g\r\n", "EEEEEE\r\n"),
    "scale_state_suffix": ScaleVoice("{sign}{size_g:8.1f} g  S\r\n", "{sign}{size_g:8.1f} g   \r\n"),
    "scale_motion_mark": ScaleVoice("{g:9.1f} g\r\n", "{g:9.1f} ?\r\n", "  ------ g\r\n"),
    "scale_plain": ScaleVoice("{g:9.1f} g\r\n", "{g:9.1f} g\r\n", "   EEEEEE\r\n"),
    "scale_comma": ScaleVoice("{g:.1f} g\r\n", "{g:.1f} g\r\n", decimal_comma=True),
    "scale_pounds": ScaleVoice("{lb:10.4f} lb\r\n", "{lb:10.4f} lb\r\n", division_g=0.0453592),
    "scale_pounds_ounces": ScaleVoice(
        "{whole_lb:2d} lb {rest_oz:4.1f} oz\r\n", "{whole_lb:2d} lb {rest_oz:4.1f} oz\r\n", division_g=2.83495
    ),
    "scale_print_key": ScaleVoice("{sign}{size_g:8.1f} g\r\n", lines_per_s=0),
    "scale_checked": ScaleVoice(
        "$S,{g:+.1f},g*hh\r\n", "$U,{g:+.1f},g*hh\r\n", "$O,{g:+.1f},g*hh\r\n", checked=True
    ),
}


def declaration(name: str) -> Declaration:
    path = shipped_config() / "instruments" / f"{name}.toml"
    return Declaration.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))


def outcomes(name: str, day: Day) -> list[tuple[float, Outcome]]:
    """What the instrument made of the day, with the times of the pieces."""
    instrument = Instrument("x", declaration(name))
    seen: list[tuple[float, Outcome]] = []
    for item in render(day):
        pieces = [*instrument.tick(item.t_s), *instrument.cut(item.data, item.t_s)]
        seen += [(piece.t_s, outcome) for piece in pieces for outcome in instrument.decode(piece)]
    seen += [
        (day.duration_s, outcome)
        for piece in instrument.tick(day.duration_s)
        for outcome in instrument.decode(piece)
    ]
    return seen


def test_every_shipped_reader_board_and_scale_has_a_voice_here() -> None:
    names = {path.stem for path in (shipped_config() / "instruments").glob("*.toml")}
    lines = {name for name in names if declaration(name).decoder == "lines"}
    assert lines - {"keys_barcode"} == READERS.keys() | BOARDS.keys() | SCALES.keys()


@pytest.mark.parametrize("name", READERS)
def test_a_tag_is_read_as_it_was_meant(name: str) -> None:
    tag = "06001259E3" if name == "tag_id40" else TAG
    day = Day({"x": READERS[name]}, (Act(1.0, Deed.SCAN, "x", text=tag, repeats=3),), 5.0)
    seen = [outcome for _, outcome in outcomes(name, day)]
    assert [outcome.tag for outcome in seen if isinstance(outcome, TagSeen)] == [tag] * 3
    assert len(seen) == 3


@pytest.mark.parametrize("name", BOARDS)
def test_a_length_is_read_as_it_was_meant(name: str) -> None:
    day = Day({"x": BOARDS[name]}, (Act(1.0, Deed.MEASURE, "x", 312.0),), 5.0)
    (seen,) = [outcome for _, outcome in outcomes(name, day)]
    assert isinstance(seen, LengthSeen)
    assert isclose(seen.length_mm, 312.0, abs_tol=0.13)


def test_a_key_is_read_as_it_was_meant() -> None:
    day = Day({"x": BOARDS["board_mm"]}, (Act(1.0, Deed.KEY, "x", text="7"),), 5.0)
    (seen,) = [outcome for _, outcome in outcomes("board_mm", day)]
    assert isinstance(seen, KeySeen)
    assert seen.key == "07"


@pytest.mark.parametrize("name", SCALES)
def test_each_load_gives_the_one_weight_that_was_meant(name: str) -> None:
    voice = SCALES[name]
    acts = (
        Act(0.1, Deed.TAKE_OFF, "x", 3.0),
        Act(4.0, Deed.PUT_ON, "x", 412.0),
        Act(9.0, Deed.TAKE_OFF, "x", 4.0),
        Act(13.0, Deed.PUT_ON, "x", 55.0, wriggle_s=1.6),
        Act(18.0, Deed.TAKE_OFF, "x", 2.0),
    )
    seen = outcomes(name, Day({"x": voice}, acts, 22.0))
    settled = [(t_s, one) for t_s, one in seen if isinstance(one, WeightSettled)]
    for (_, one), true_g in zip(settled, (415.0, 59.0), strict=True):
        assert isclose(one.weight_g, true_g, abs_tol=1.5 * voice.division_g + 0.06)
    assert settled[0][0] < 9.0
    assert 13.0 < settled[1][0] < 18.0
    assert {type(one) for _, one in seen} <= {WeightSeen, WeightSettled, PanEmpty}
    if voice.lines_per_s:
        assert sum(isinstance(one, PanEmpty) for _, one in seen) == 2


@pytest.mark.parametrize("stock", [BASS, BLUEGILL, CRAPPIE], ids=lambda stock: stock.species)
def test_the_simulated_species_have_the_shipped_standard_weights(stock: Stock) -> None:
    species = load_species(shipped_config() / "species").get(stock.species)
    assert species is not None
    equation = species.equation()
    assert equation is not None
    assert (equation.log10_a, equation.b, equation.c) == (stock.log10_a, stock.b, 0.0)
