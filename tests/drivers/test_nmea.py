"""NMEA 0183: positions and temperatures with a sound check and a valid fix, nothing else."""

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pynmeagps import NMEAReader  # type: ignore[import-untyped]

from drivers.checksums import compute
from drivers.declaration import load_declaration
from drivers.instrument import Instrument
from drivers.outcomes import Damage, Damaged, NotMine, Outcome, PositionSeen, TemperatureSeen

ROOT = Path(__file__).parents[2]
VECTORS = json.loads((Path(__file__).parent / "vectors" / "nmea.json").read_text())


def receiver() -> Instrument:
    file = ROOT / "config" / "instruments" / "gps_nmea.toml"
    return Instrument("gps", load_declaration(file.read_text(encoding="utf-8"), file.name))


def said(data: bytes, chunk: int = 1000) -> list[Outcome]:
    one = receiver()
    parts = [data[start : start + chunk] for start in range(0, len(data), chunk)]
    return [outcome for part in parts for piece in one.cut(part, 1.0) for outcome in one.decode(piece)]


def sentence(body: str) -> bytes:
    check = compute("xor8", body.encode("latin-1"))
    return f"${body}*{check:02X}\r\n".encode("latin-1")


@pytest.mark.parametrize("vector", VECTORS["vectors"], ids=lambda one: one["sentence"][:6])
def test_each_sentence_means_what_its_source_says(vector: dict[str, Any]) -> None:
    line = vector["sentence"].encode() + b"\r\n"
    (outcome,) = said(line)
    if "lat" in vector:
        assert isinstance(outcome, PositionSeen)
        assert (outcome.lat_deg, outcome.lon_deg) == pytest.approx((vector["lat"], vector["lon"]), abs=1e-9)
    elif "temp_c" in vector:
        assert outcome == TemperatureSeen(vector["temp_c"], line)
    else:
        assert outcome == NotMine(line)
    assert outcome.raw == line


@pytest.mark.parametrize("vector", VECTORS["refuse"], ids=lambda one: one["why"][:20])
def test_what_must_be_refused_is_no_reading(vector: dict[str, Any]) -> None:
    (outcome,) = said(vector["sentence"].encode() + b"\r\n")
    if "checksum:" in vector["why"] or vector["why"].startswith("no checksum"):
        assert isinstance(outcome, Damaged)
        assert outcome.damage is Damage.CHECKSUM
    else:
        assert isinstance(outcome, NotMine)


@given(
    st.floats(-90, 90), st.floats(-180, 180), st.integers(2, 7), st.sampled_from(["GGA", "RMC", "GLL"]),
    st.sampled_from(["GP", "GN", "GL", "II"]),
)  # fmt: skip
@settings(deadline=None, max_examples=100)
def test_positions_agree_with_a_library_of_others(
    lat: float, lon: float, digits: int, kind: str, talker: str
) -> None:
    def written(value: float, width: int) -> str:
        minutes = round(abs(value) * 60, digits)
        degrees = int(minutes // 60)
        return f"{degrees:0{width}d}{minutes - degrees * 60:0{digits + 3}.{digits}f}"

    where = f"{written(lat, 2)},{'N' if lat >= 0 else 'S'},{written(lon, 3)},{'E' if lon >= 0 else 'W'}"
    if "60." in where:
        return
    line = sentence(
        {
            "GGA": f"{talker}GGA,120000.00,{where},1,08,1.0,100.0,M,,M,,",
            "RMC": f"{talker}RMC,120000.00,A,{where},0.1,10.0,120526,,,A",
            "GLL": f"{talker}GLL,{where},120000.00,A,A",
        }[kind]
    )
    (outcome,) = said(line)
    theirs: Any = NMEAReader.parse(line)
    assert isinstance(outcome, PositionSeen)
    assert (outcome.lat_deg, outcome.lon_deg) == pytest.approx((theirs.lat, theirs.lon), abs=2e-8)
    assert (outcome.fix_utc == "2026-05-12T12:00:00.00Z") == (kind == "RMC")


@pytest.mark.parametrize(
    "body",
    [
        "GPGGA,120000,0000.000,N,00000.000,E,0,00,99.9,,M,,M,,",  # a void fix written as zeros
        "GPGGA,120000,4530.25,N,09315.75,W,6,08,1.0,,M,,M,,",  # 93 degrees with two digits, and dead reckoning
        "GPGGA,120000,4530.25,N,09315.75,W,1,08,1.0,,M,,M,,".replace("09315", "9315"),
        "GPGGA,120000,4530.25,N,09315.75,W,8,08,1.0,,M,,M,,",
        "GPGGA,120000,4560.00,N,09315.75,W,1,08,1.0,,M,,M,,",
        "GPGGA,120000,9000.01,N,09315.75,W,1,08,1.0,,M,,M,,",
        "GPGGA,120000,4530.25,N,18000.01,W,1,08,1.0,,M,,M,,",
        "GPGGA,120000,4530.25,X,09315.75,W,1,08,1.0,,M,,M,,",
        "GPGGA,120000,4530.25,N,09315.75,,1,08,1.0,,M,,M,,",
        "GPGGA,120000,4530.25,N",
        "GPRMC,120000,A,4530.25,N,09315.75,W,0,0,120526,,,N",
        "GPRMC,120000,A,4530.25,N,09315.75,W,0,0,120526,,,E",
        "GPRMC,120000,A,4530.25,N,09315.75,W,0,0,120526,,,S",
        "GPRMC,120000,V,4530.25,N,09315.75,W,0,0,120526,,,A",
        "GPRMC,120000,A",
        "GPGLL,4530.25,N,09315.75,W,120000,V,A",
        "GPGLL,4530.25,N,09315.75,W,120000,A,N",
        "YXMTW,,C", "YXMTW,64.0,F", "YXMTW,nan,C", "YXMTW,123.4,C", "YXMTW,17.8",
        "SDDPT,3.7,0.2,", "GPGSV,1,1,00", "PGRME,15.0,M,,M,15.0,M", "GPTXT,01,01,02,*", "",
    ],
)  # fmt: skip
def test_a_clean_sentence_without_a_valid_value_is_not_mine(body: str) -> None:
    (outcome,) = said(sentence(body))
    assert isinstance(outcome, NotMine)


def test_a_date_that_is_none_leaves_the_position() -> None:
    for date, time in (("310226", "120000"), ("", "120000"), ("120526", ""), ("120526", "256000")):
        (outcome,) = said(sentence(f"GPRMC,{time},A,4530.25,N,09315.75,W,0,0,{date},,"))
        assert isinstance(outcome, PositionSeen)
        assert outcome.fix_utc is None


def test_dilution_of_precision_comes_with_gga() -> None:
    (outcome,) = said(sentence("GPGGA,120000,4530.25,N,09315.75,W,2,08,1.1,,M,,M,,"))
    assert isinstance(outcome, PositionSeen)
    assert outcome.hdop == 1.1


def test_a_temperature_may_be_below_zero_and_the_check_in_small_letters() -> None:
    line = sentence("YXMTW,-0.4,C")
    assert said(line) == [TemperatureSeen(-0.4, line)]
    small = line[:-5] + line[-5:].lower()
    assert said(small) == [TemperatureSeen(-0.4, small)]


def test_a_part_of_a_sentence_is_no_reading() -> None:
    line = VECTORS["vectors"][0]["sentence"].encode() + b"\r\n"
    for start in range(1, len(line) - 2):
        assert not [one for one in said(line[start:]) if isinstance(one, PositionSeen | TemperatureSeen)]


@given(st.integers(1, 60), st.integers(0, 255))
@settings(deadline=None, max_examples=150)
def test_one_wrong_byte_is_no_reading(at: int, byte: int) -> None:
    line = VECTORS["vectors"][0]["sentence"].encode() + b"\r\n"
    spoiled = line[:at] + bytes([byte]) + line[at + 1 :]
    readings = [one for one in said(spoiled) if isinstance(one, PositionSeen)]
    assert bool(readings) == (spoiled == line)


@given(st.binary(max_size=120) | st.text("$GPRMCTW,.*0123456789ANSEWV\r\n", max_size=120).map(str.encode))
@settings(deadline=None, max_examples=200)
def test_no_bytes_raise_and_chunks_change_nothing(data: bytes) -> None:
    assert said(data, 1) == said(data, 7) == said(data)


@given(
    st.lists(st.text("0123456789.NSEWAVC-+ ", max_size=8), max_size=14),
    st.sampled_from(["GGA", "RMC", "GLL", "MTW"]),
)
@settings(deadline=None, max_examples=200)
def test_any_fields_give_one_outcome(fields: list[str], kind: str) -> None:
    assert len(said(sentence(",".join([f"GP{kind}", *fields])))) == 1
