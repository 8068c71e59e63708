"""How often intervals hold the truth over simulated surveys; used by every test of an interval."""

import os
from collections.abc import Callable, Sequence

import numpy as np
import pytest
from numpy.random import Generator

from fishery.answers import Interval

_SLOW = (pytest.mark.long, pytest.mark.timeout(3600))
SURVEYS = pytest.mark.parametrize("surveys", [200, pytest.param(2000, marks=_SLOW)])

Held = Sequence[tuple[Interval | None, float]]


def coverage(surveys: int, seed: int, survey: Callable[[Generator], Held]) -> list[float]:
    """Share of simulated surveys whose intervals hold the truth, one share for each interval that a survey gives.

    An interval that was refused (None) is in no share, but may be missing in one survey of ten at the most.
    """
    drawn = [survey(np.random.default_rng((seed, number))) for number in range(surveys)]
    shares = []
    for answers in zip(*drawn, strict=True):
        held = [interval.holds(truth) for interval, truth in answers if interval is not None]
        assert len(held) >= 0.9 * surveys
        shares.append(sum(held) / len(held))
    return shares


def assert_nominal(shares: Sequence[float], surveys: int, level: float = 0.95) -> None:
    """Within 3 points of the level. 200 surveys have a standard error of 1.5 points of their own, which is allowed them;
    the long suite's 2,000 are held to the 3 points."""
    _show(shares, surveys, level)
    within = 0.03 if surveys >= 2000 else 0.045
    assert all(abs(share - level) <= within for share in shares), shares


def _show(shares: Sequence[float], surveys: int, level: float) -> None:
    """The measured coverage, which the slow suite prints."""
    test = os.environ["PYTEST_CURRENT_TEST"].split(" ")[0].rsplit("/", 1)[-1]
    print(
        f"\n{test}: {', '.join(f'{100 * one:.1f}' for one in shares)} of 100 at nominal {100 * level:g}, {surveys} surveys"
    )


def assert_no_less(shares: Sequence[float], surveys: int, level: float = 0.95) -> None:
    """For intervals that are built to hold the truth at least as often as they say."""
    _show(shares, surveys, level)
    within = 0.03 if surveys >= 2000 else 0.045
    assert all(share >= level - within for share in shares), shares
