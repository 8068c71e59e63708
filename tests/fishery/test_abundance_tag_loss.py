"""Lost marks: against the kokanee of Hyun et al. and simulation."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.random import Generator

from fishery.abundance import Abundance, chapman
from fishery.answers import Refused
from fishery.tag_loss import (
    TagLoss,
    chapman_with_loss,
    double_tag_loss,
)
from tests.fishery.covering import SURVEYS, Held, assert_nominal, coverage


def lost(one_left: int, both_left: int) -> TagLoss:
    answer = double_tag_loss(one_left, both_left)
    assert isinstance(answer, TagLoss)
    return answer


def test_loss_per_tag_as_printed() -> None:
    # Hyun et al. 2012, Trans. Am. Fish. Soc. 141, Table 7: 24 fish with one, 35 with both tags: .26 (calculated .2553).
    assert round(lost(24, 35).loss, 2) == 0.26
    assert lost(24, 35).interval.holds(0.2553)


def test_loss_adjusted_number_and_standard_error_as_printed() -> None:
    # Hyun et al. 2012 Table 7: nA 2807, nBB 491, n2 11,444, 277 seen again: 97,306, SE 5,405.
    answer = chapman_with_loss(2807, 491, 11444, 277, lost(24, 35), one_of_two_is_known=False)
    assert isinstance(answer, Abundance)
    assert (round(answer.estimate), round(answer.se)) == (97306, 5405)


def test_a_fish_with_one_tag_left_is_still_a_marked_fish() -> None:
    # Own arithmetic on the same data: nA (1 - loss) + nBB (1 - loss^2) = 2549.3 marks, N 104,993.
    answer = chapman_with_loss(2807, 491, 11444, 277, lost(24, 35))
    assert isinstance(answer, Abundance)
    assert round(answer.estimate) == 104993


def test_the_interval_is_wider_than_with_a_known_loss() -> None:
    answer = chapman_with_loss(2807, 491, 11444, 277, lost(24, 35))
    known = chapman(round(2549.3), 11444, 277)
    assert isinstance(answer, Abundance)
    assert isinstance(known, Abundance)
    assert answer.interval.width > 1.2 * known.interval.width


def test_too_few_fish_are_refused_and_impossible_ones_are_errors() -> None:
    assert isinstance(double_tag_loss(2, 2), Refused)
    assert isinstance(chapman_with_loss(100, 0, 50, 1, lost(2, 20)), Refused)
    with pytest.raises(ValueError, match="0 or more"):
        double_tag_loss(-1, 3)


@settings(deadline=None, max_examples=50)
@given(st.integers(0, 200), st.integers(0, 200))
def test_any_double_tagged_fish_give_a_share_within_its_interval(one_left: int, both_left: int) -> None:
    answer = double_tag_loss(one_left, both_left)
    if isinstance(answer, TagLoss):
        assert 0 <= answer.interval.low <= answer.loss + 1e-12
        assert answer.loss - 1e-12 <= answer.interval.high <= 1


@SURVEYS
def test_loss_and_number_keep_their_level(surveys: int) -> None:
    def survey(rng: Generator) -> Held:
        fish, single, double, loss = 6000, 500, 250, 0.15
        left = rng.binomial(2, 1 - loss, double)
        known = int(rng.binomial(single, 1 - loss) + (left > 0).sum())
        recaptured = int(rng.hypergeometric(known, fish - known, 900))
        one, both = int(rng.binomial((left == 1).sum(), 0.5)), int(rng.binomial((left == 2).sum(), 0.5))
        tags = double_tag_loss(one, both)
        assert isinstance(tags, TagLoss)
        number = chapman_with_loss(single, double, 900, recaptured, tags)
        return [
            (tags.interval, loss),
            (None if isinstance(number, Refused) else number.interval, float(fish)),
        ]

    assert_nominal(coverage(surveys, 41, survey), surveys)
