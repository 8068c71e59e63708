"""Questions beside published ranges."""

import pytest

from fishery.single import standard_weight_g
from tests.office.asking import BOOK, SPRING, asked
from tests.office.ponds import Pond


def test_cues_are_questions_with_the_range_cited_and_never_orders(pond: Pond) -> None:
    survey = pond.survey(SPRING)
    for place in range(60):
        pond.fish(survey, length_mm=220.0 if place < 54 else 320.0)
    made = asked(pond, "cues")
    low = made.answer("largemouth_bass.cue.psd")
    assert "It lies below the range." in low.sentence
    assert "Gabelhouse 1984" in low.source
    assert low.n == 60
    assert len(low.fish_ids) == 60
    for one in made.answers:
        assert "?" in one.sentence
        assert one.cautions[0].startswith("Local regulation")
        assert not {"must", "should", "remove", "harvest"} & set(one.sentence.lower().split())


@pytest.mark.parametrize(
    ("relative_weight", "says"),
    [(70, "severely thin by the range cited"), (79.5, "near severely thin"), (95, "as in normal populations"),
     (103, "above most populations"), (115, "fat.")],
)  # fmt: skip
def test_condition_is_laid_beside_the_range_cited(pond: Pond, relative_weight: float, says: str) -> None:
    known = BOOK.by_slug["largemouth_bass"].recommended
    assert known is not None
    ws_g = standard_weight_g(known, 300.0)
    assert ws_g is not None
    survey = pond.survey(SPRING)
    for place in range(30):
        pond.fish(survey, length_mm=300.0, weight_g=ws_g * (relative_weight + 4 * (place % 2) - 2) / 100)
    told = asked(pond, "cues").answer("largemouth_bass.cue.wr")
    assert says in told.sentence
    assert "Wright 2000" in told.source


def test_small_bass_and_large_bluegill_together_are_asked_about(pond: Pond) -> None:
    survey = pond.survey(SPRING)
    for place in range(60):
        pond.fish(survey, length_mm=220.0 if place < 52 else 320.0)
        pond.fish(survey, length_mm=120.0 if place < 8 else 170.0, species="bluegill")
    told = asked(pond, "cues").answer("cue.bass_and_bluegill")
    assert "Are bass so many that they are short of food" in told.sentence
    assert len(told.fish_ids) == 120


def test_a_range_that_the_limits_reach_is_not_left(pond: Pond) -> None:
    survey = pond.survey(SPRING)
    for place in range(12):
        pond.fish(survey, length_mm=220.0 if place < 8 else 320.0)
    told = asked(pond, "cues").answer("largemouth_bass.cue.psd").sentence
    assert "The limits reach into the range" in told
