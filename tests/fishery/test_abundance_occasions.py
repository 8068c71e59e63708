"""Schnabel, Schumacher and Eschmeyer: against the printed redear sunfish of Gordy Lake and simulated surveys."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.random import Generator
from scipy import stats

from fishery.abundance import Abundance
from fishery.answers import Refused
from fishery.schnabel import schnabel, schumacher_eschmeyer
from tests.fishery.covering import SURVEYS, Held, assert_nominal, coverage
from tests.fishery.tables import table

ROWS = table("abundance_schnabel_gerking1953.csv")
C, R, M = ([int(row[name]) for row in ROWS] for name in ("C_caught", "R_recaptured", "M_at_large"))


def got(answer: Abundance | Refused) -> Abundance:
    assert isinstance(answer, Abundance)
    return answer


def limits(answer: Abundance) -> tuple[int, int]:
    return round(answer.interval.low), round(answer.interval.high)


def test_schnabel_as_printed_with_both_authors_limits() -> None:
    # Gerking 1953: Krebs 1989 p. 32: 448, Poisson limits of Crow and Gardner 310 to 720;
    # Ricker 1975 p. 99: normal 320 to 746.
    krebs = got(schnabel(C, R, M, plus_one=False, kind="poisson", limits="shortest"))
    assert krebs.estimate == pytest.approx(447.5)
    assert limits(krebs) == (310, 720)
    assert limits(got(schnabel(C, R, M, plus_one=False, kind="normal"))) == (320, 746)


def test_schnabel_with_one_added_as_printed() -> None:
    # Ricker 1975 Table 4.4: 430.
    assert round(got(schnabel(C, R, M)).estimate) == 430


def test_schumacher_and_eschmeyer_as_printed_with_both_authors_limits() -> None:
    # Gerking 1953: 423; Krebs 1989 p. 33: 300 to 719; Ricker 1975 p. 99: 304 to 696.
    krebs = got(schumacher_eschmeyer(C, R, M, kind="krebs"))
    assert round(krebs.estimate) == 423
    assert limits(krebs) == (300, 719)
    assert limits(got(schumacher_eschmeyer(C, R, M, kind="ricker"))) == (304, 696)
    assert any("89 to 93" in one for one in krebs.cautions)


def test_the_data_are_asked_about_the_assumptions() -> None:
    fine = got(schnabel(C, R, M))
    assert [one.doubtful for one in fine.assumptions] == [False, False, None, None]
    # marks that get lost: many recaptures early, none late
    leaking = got(schnabel([40] * 6, [0, 6, 9, 3, 1, 0], [0, 40, 74, 105, 142, 181]))
    assert leaking.assumptions[1].doubtful is True
    assert any("too narrow" in one for one in leaking.cautions)


def test_small_samples_take_poisson_limits_and_large_ones_the_finite_correction() -> None:
    small = got(schnabel([40, 40, 40], [0, 2, 3], [0, 40, 78]))
    assert small.interval.method.startswith("Poisson")
    assert got(schnabel(C, R, M)).interval.method.startswith("normal on 1 / N, finite")


def test_the_finite_interval_rests_on_the_hypergeometric_variance() -> None:
    # 50 marked, 60 examined, 15 recaptured: 200 fish; scipy's variance has N - 1 for N.
    answer = got(schnabel([50, 60], [0, 15], [0, 50], plus_one=False))
    assert answer.estimate == 200
    variance = stats.hypergeom.var(200, 50, 60) * 199 / 200
    assert answer.se == pytest.approx(200**2 * math.sqrt(variance) / 3000)
    width = 1 / answer.interval.low - 1 / answer.interval.high
    assert width == pytest.approx(2 * (1.959964 * math.sqrt(variance) + 0.5) / 3000)


def test_too_few_recaptures_or_occasions_are_refused() -> None:
    assert isinstance(schnabel([10, 10, 10], [0, 1, 1], [0, 10, 19]), Refused)
    assert isinstance(schumacher_eschmeyer([10, 10], [0, 5], [0, 10]), Refused)
    assert isinstance(schnabel([10], [0], [0]), Refused)
    assert isinstance(schnabel([], [], []), Refused)


def test_an_upper_limit_that_the_data_do_not_set_is_infinite_and_said() -> None:
    answer = got(schumacher_eschmeyer([10, 10, 10], [0, 3, 0], [0, 10, 17], kind="krebs"))
    assert answer.interval.high == math.inf
    assert any("no upper limit" in one for one in answer.cautions)


@pytest.mark.parametrize("bad", [([5], [6], [10]), ([5], [3], [2]), ([5, 5], [1], [3])])
def test_recaptures_that_cannot_be_are_errors(bad: tuple[list[int], list[int], list[int]]) -> None:
    with pytest.raises(ValueError, match=r"for every occasion|do not fit together"):
        schnabel(*bad)


def surveyed(
    rng: Generator, fish: int, catch: float, occasions: int
) -> tuple[list[int], list[int], list[int]]:
    examined: list[int] = []
    recaptured: list[int] = []
    new: list[int] = []
    at_large: list[int] = []
    for _ in range(occasions):
        marked = sum(new)
        at_large.append(marked)
        caught = int(rng.binomial(fish, catch / fish))
        again = int(rng.hypergeometric(marked, fish - marked, caught))
        examined.append(caught)
        recaptured.append(again)
        new.append(caught - again)
    return examined, recaptured, at_large


@settings(deadline=None, max_examples=50)
@given(st.integers(0, 10_000), st.integers(30, 2000), st.integers(2, 12), st.sampled_from(["s", "e"]))
def test_any_survey_gives_a_refusal_or_a_number_within_its_interval(
    seed: int, fish: int, occasions: int, which: str
) -> None:
    data = surveyed(np.random.default_rng(seed), fish, 15, occasions)
    answer = schnabel(*data) if which == "s" else schumacher_eschmeyer(*data)
    if isinstance(answer, Abundance):
        assert math.isfinite(answer.estimate)
        assert math.isfinite(answer.se)
        assert not math.isnan(answer.interval.high)
        assert answer.interval.high >= answer.interval.low


@SURVEYS
@pytest.mark.parametrize(
    ("fish", "catch", "occasions"), [(450, 16, 12), (1000, 40, 8), (5000, 150, 8), (20_000, 300, 5)]
)
def test_both_intervals_keep_their_level(surveys: int, fish: int, catch: float, occasions: int) -> None:
    def survey(rng: Generator) -> Held:
        data = surveyed(rng, fish, catch, occasions)
        answers = schnabel(*data), schumacher_eschmeyer(*data)
        return [(None if isinstance(one, Refused) else one.interval, float(fish)) for one in answers]

    assert_nominal(coverage(surveys, 31, survey), surveys)


def test_the_number_is_never_below_the_fish_that_were_there() -> None:
    # sum(C M) / (sum(R) + 1) = 6 / 4: the formula would say 1.5 fish, of which 2 or more are known
    answer = schnabel([2, 2, 2], [0, 2, 1], [0, 2, 1])
    assert not isinstance(answer, Refused)
    assert answer.estimate == 2
    assert answer.interval.low <= answer.estimate <= answer.interval.high
    assert any("fewer than the 2 fish" in one for one in answer.cautions)
