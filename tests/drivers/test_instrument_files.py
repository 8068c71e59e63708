"""Every shipped instrument file reads its capture as written beside it, and nobody else's."""

import json
import re
from pathlib import Path

import pytest

from drivers.declaration import Declaration, load_declaration
from drivers.instrument import Instrument
from drivers.outcomes import (
    Damaged,
    KeySeen,
    LengthSeen,
    NotMine,
    Outcome,
    PanEmpty,
    PositionSeen,
    ScaleTrouble,
    TagRefused,
    TagSeen,
    TemperatureSeen,
    WeightSeen,
    WeightSettled,
)

ROOT = Path(__file__).parents[2]
CAPTURES = Path(__file__).parent / "captures"
FILES = sorted((ROOT / "config" / "instruments").glob("*.toml"))
NAMES = [file.stem for file in FILES]
READINGS = {
    "tag_reader": (TagSeen,),
    "scale": (WeightSeen, WeightSettled, PanEmpty, ScaleTrouble),
    "board": (LengthSeen, KeySeen),
    "keys": (KeySeen,),
    "navigation": (PositionSeen, TemperatureSeen),
}


def declaration(name: str) -> Declaration:
    file = ROOT / "config" / "instruments" / f"{name}.toml"
    return load_declaration(file.read_text(encoding="utf-8"), file.name)


def capture(name: str) -> list[tuple[float, bytes]]:
    _header, *frames = (CAPTURES / f"{name}.jsonl").read_text(encoding="ascii").splitlines()
    parsed = [json.loads(frame) for frame in frames]
    return [(float(frame["t"]), frame["data"].encode("latin-1")) for frame in parsed]


def heard(
    name: str, frames: list[tuple[float, bytes]], chunk: int | None = None
) -> list[tuple[float, Outcome]]:
    """The outcomes with the time of their piece; timers fire at their own time, as the engine does it."""
    instrument = Instrument(name, declaration(name))
    outcomes: list[tuple[float, Outcome]] = []

    def run_timers(until_s: float) -> None:
        while (deadline_s := instrument.next_deadline_s()) is not None and deadline_s <= until_s:
            for piece in instrument.tick(deadline_s):
                outcomes.extend((piece.t_s, outcome) for outcome in instrument.decode(piece))
            outcomes.extend((deadline_s, outcome) for outcome in instrument.settle_tick(deadline_s))

    for t_s, data in frames:
        run_timers(t_s)
        size = chunk or max(len(data), 1)
        for start in range(0, len(data), size):
            for piece in instrument.cut(data[start : start + size], t_s):
                outcomes.extend((piece.t_s, outcome) for outcome in instrument.decode(piece))
    run_timers(frames[-1][0] + 60.0)
    return outcomes


def in_words(outcome: Outcome) -> str:
    match outcome:
        case TagSeen(tag, _, checked, antenna):
            return f"tag {tag}" + (" checked" if checked else "") + (f" antenna {antenna}" if antenna else "")
        case TagRefused():
            return "tag refused"
        case LengthSeen(length_mm, unit, _, division_mm):
            return f"length {length_mm:g} mm, sent in {unit}, division {division_mm:g} mm"
        case WeightSeen(weight_g, unit, stable, _, division_g):
            rest = {True: "stable", False: "unstable", None: "unknown"}[stable]
            return f"weight {weight_g:.7g} g, {rest}, sent in {unit}, division {division_g:.7g} g"
        case WeightSettled(weight_g, _, load, _, _, empty_g):
            return f"load {load} settled at {weight_g:.7g} g, empty before {empty_g}"
        case PanEmpty(empty_g, load):
            return f"empty at {empty_g:.7g} g after load {load}"
        case ScaleTrouble(trouble, load):
            return f"load {load}: {trouble}"
        case KeySeen(key, _, symbology):
            return f"key {key}" + (f" after {symbology}" if symbology else "")
        case PositionSeen(lat_deg, lon_deg, _, fix_utc, hdop):
            return f"position {lat_deg:.6f} {lon_deg:.6f}, fix at {fix_utc}, hdop {hdop}"
        case TemperatureSeen(temperature_c):
            return f"temperature {temperature_c:g} C"
        case NotMine():
            return "not mine"
        case Damaged(damage):
            return f"damaged: {damage}"


def test_every_instrument_file_has_a_capture_and_every_capture_a_file() -> None:
    assert NAMES
    assert sorted(path.stem for path in CAPTURES.glob("*.jsonl")) == NAMES
    assert sorted(path.name.removesuffix(".expected.json") for path in CAPTURES.glob("*.json")) == NAMES


def test_the_table_of_shapes_has_a_row_for_every_file() -> None:
    readme = (ROOT / "config" / "instruments" / "README.md").read_text(encoding="utf-8")
    table = readme.split("\n## Options", maxsplit=1)[0]
    assert sorted(re.findall(r"^\| `(\w+)` \|", table, re.MULTILINE)) == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_the_file_is_named_after_the_instrument(name: str) -> None:
    assert declaration(name).name == name


@pytest.mark.parametrize("name", NAMES)
def test_a_capture_reads_as_written_beside_it(name: str) -> None:
    expected = json.loads((CAPTURES / f"{name}.expected.json").read_text(encoding="utf-8"))
    assert [f"{t_s:g} s: {in_words(outcome)}" for t_s, outcome in heard(name, capture(name))] == expected


@pytest.mark.parametrize("name", [name for name in NAMES if declaration(name).frame.end != "REPORT"])
@pytest.mark.parametrize("chunk", [1, 2, 7])
def test_the_chunks_in_which_bytes_arrive_change_nothing(name: str, chunk: int) -> None:
    if declaration(name).frame.end == "IDLE":  # two telegrams without a pause: the cut depends on the chunks
        frames = [
            (t_s, data) for t_s, data in capture(name) if len(data) <= declaration(name).frame.max_bytes
        ]
    else:
        frames = capture(name)
    assert heard(name, frames, chunk) == heard(name, frames)


@pytest.mark.parametrize("name", NAMES)
def test_no_instrument_of_another_kind_claims_a_reading(name: str) -> None:
    kind = declaration(name).kind
    # A card reader takes any text for the name of a command: the station maps only the names that it knows.
    others = [other for other in NAMES if declaration(other).kind not in (kind, "keys")]
    for other in others:
        claimed = [
            outcome
            for _, outcome in heard(other, capture(name))
            if isinstance(outcome, READINGS[declaration(other).kind])
        ]
        assert claimed == [], f"{other} claims lines of {name}"
