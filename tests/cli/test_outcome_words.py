"""What a decoder said, in words."""

from dataclasses import dataclass
from typing import get_args

import pytest

from cli.outcome_words import words
from drivers.outcomes import (
    Damage,
    Damaged,
    KeySeen,
    LengthSeen,
    NotMine,
    Outcome,
    PanEmpty,
    ScaleTrouble,
    TagRefused,
    TagSeen,
    Trouble,
    WeightSeen,
    WeightSettled,
)
from ingest.commands import Command, Verb

SAID = {
    TagSeen(
        "985000000000001", b"", checked=True, antenna="A2"
    ): "tag 985000000000001 at antenna A2, checksum right",
    TagRefused("it is short.", b""): "refused: it is short.",
    LengthSeen(312.0, "mm", b""): "length 312 mm",
    LengthSeen(311.912, "in", b""): "length 311.912 mm (sent in in)",
    WeightSeen(412.0, "g", True, b""): "412 g, says stable",
    WeightSeen(412.0, "kg", False, b""): "412 g (sent in kg), moving",
    WeightSeen(412.0, "g", None, b""): "412 g, says nothing of rest",
    WeightSettled(412.0, "g", 3, b""): "WEIGHT 412 g at rest, load 3",
    PanEmpty(1.5, 3, b""): "pan empty at 1.5 g",
    ScaleTrouble(Trouble.OVERLOAD, 3, b""): "TROUBLE: overload: too heavy for this scale",
    KeySeen("07", b""): "key 07: this fish does not count",
    KeySeen("99", b""): "key 99, no command has it",
    NotMine(b""): "a line in no shape of this instrument",
    Damaged(Damage.FRAGMENT, "never ended", b""): "damaged: never ended",
}


@pytest.mark.parametrize(("outcome", "said"), SAID.items(), ids=lambda one: str(one)[:40])
def test_each_outcome_is_a_short_phrase(outcome: Outcome, said: str) -> None:
    assert words(outcome, {"07": Command(Verb.VOID)}) == said


@pytest.mark.parametrize("trouble", Trouble)
def test_every_trouble_of_a_scale_is_said(trouble: Trouble) -> None:
    said = words(ScaleTrouble(trouble, 1, b""), {})
    assert said.startswith("TROUBLE: ")
    assert len(said.split()) > 3, "a bare code is no word for a person"


def test_an_outcome_without_words_of_its_own_is_shown_all_the_same() -> None:
    @dataclass(frozen=True)
    class SaltSeen:
        psu: float
        raw: bytes

    assert words(SaltSeen(1.5, b""), {}) == "SaltSeen: psu 1.5"  # type: ignore[arg-type]


def test_the_outcomes_of_the_drivers_are_those_known_here() -> None:
    assert {type(one) for one in SAID} <= set(get_args(Outcome))
