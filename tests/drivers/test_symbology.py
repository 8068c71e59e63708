"""The prefix of ISO/IEC 15424 comes off once, and is kept."""

import json
import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.declaration import load_declaration
from drivers.instrument import Instrument
from drivers.outcomes import KeySeen, NotMine, Outcome, TagSeen
from drivers.symbology import split_symbology

VECTORS = json.loads((Path(__file__).parent / "vectors" / "symbology.json").read_text())

CARDS = r"""
name = "cards"
kind = "keys"
summary = "x"
symbology = true
patterns = ['(?P<key>[A-Z][A-Z0-9]*)']
[frame]
end = "ANY"
max_bytes = 80
"""
TAGS = CARDS.replace('"keys"', '"tag_reader"').replace("(?P<key>[A-Z][A-Z0-9]*)", "(?P<tag>[0-9]{15})") + (
    '[tags]\nforms = ["decimal"]\n'
)


def said(text: str, data: bytes) -> list[Outcome]:
    one = Instrument("cards", load_declaration(text, "cards.toml"))
    return [outcome for piece in one.cut(data, 1.0) for outcome in one.decode(piece)]


@pytest.mark.parametrize("vector", VECTORS["vectors"], ids=lambda one: one["is_"])
def test_each_prefix_is_taken_off_and_kept(vector: dict[str, str]) -> None:
    prefix = vector["prefix"]
    assert split_symbology(f"{prefix}UNDO".encode()) == (prefix, b"UNDO")
    line = f"{prefix}UNDO\r\n".encode()
    assert said(CARDS, line) == [KeySeen("UNDO", line[:-1], prefix)]


def test_a_tag_on_a_label_keeps_it_too() -> None:
    (seen,) = said(TAGS, b"]C0999123456789012\r")
    assert isinstance(seen, TagSeen)
    assert (seen.tag, seen.symbology, seen.raw) == ("999123456789012", "]C0", b"]C0999123456789012\r")


def test_it_comes_off_once_only() -> None:
    assert split_symbology(b"]Q1]C0UNDO") == ("]Q1", b"]C0UNDO")
    assert said(CARDS, b"]Q1]C0UNDO\r") == [NotMine(b"]Q1]C0UNDO\r")]


@pytest.mark.parametrize(
    "data", [b"UNDO", b"]", b"]Q", b"]Q1", b"]1Q", b"]QQ ", b"x]Q1UNDO", b"\n]Q1UNDO", b""]
)
def test_only_at_the_beginning_and_only_before_something(data: bytes) -> None:
    symbology, rest = split_symbology(data)
    assert (symbology, rest) in ((None, data), ("]QQ", b" "), ("]Q1", b"\nUNDO"))


def test_a_line_without_it_is_read_as_ever() -> None:
    assert said(CARDS, b"UNDO\r") == [KeySeen("UNDO", b"UNDO\r")]


@given(st.binary(max_size=20) | st.text("]Q1AC0\r\n", max_size=8).map(str.encode))
@settings(deadline=None, max_examples=200)
def test_nothing_is_lost_and_the_rest_follows_the_pattern(data: bytes) -> None:
    symbology, rest = split_symbology(data)
    prefix = (symbology or "").encode()
    lead = len(rest) - len(rest.lstrip(b"\r\n\x00\x02\x03\x11\x13"))
    assert rest[:lead] + prefix + rest[lead:] == data or (symbology and data.count(prefix))
    assert len(rest) + len(prefix) == len(data)
    assert symbology is None or re.fullmatch(VECTORS["strip"].lstrip("^"), symbology)
