"""Removal over passes: against printed examples, a general library and simulated shores."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.random import Generator
from scipy import stats

from fishery.answers import Interval, Refused
from fishery.removal import (
    Method,
    Removal,
    carle_strub,
    equal_catchability,
    falls,
    passes_needed,
    removal,
    zippin,
)
from tests.fishery.covering import SURVEYS, Held, assert_nominal, coverage
from tests.fishery.tables import table

ROWS = {row["id"]: row for row in table("removal_examples.csv")}
CATCHES = st.lists(st.integers(0, 200), min_size=2, max_size=7)


def catches(name: str) -> list[int]:
    return [int(one) for one in ROWS[name]["catches"].split()]


def got(c: list[int], method: Method = "carle_strub") -> Removal:
    answer = removal(c, method=method)
    assert isinstance(answer, Removal)
    return answer


@pytest.mark.parametrize("name", ["cs1", "cs2", "cowx1", "cowx2", "pritchard"])
def test_carle_and_strub_as_printed(name: str) -> None:
    # Carle and Strub 1978 examples 1 and 2; Cowx 1983 p. 77; Pritchard et al. 2021.
    c = catches(name)
    n = carle_strub(c)
    k, total = len(c), sum(c)
    p = total / (k * n - sum((k - 1 - i) * one for i, one in enumerate(c)))
    assert n == int(ROWS[name]["pub_N"])
    assert p == pytest.approx(float(ROWS[name]["pub_p"]), abs=5.1e-4)


def test_standard_errors_and_limits_of_carle_and_strub_as_printed() -> None:
    # Carle and Strub 1978 example 1: SE 9.7; Pritchard et al. 2021: 287 (255-319), which is N +- 1.96 SE.
    assert got(catches("cs1")).se == pytest.approx(9.7, abs=0.05)
    bullhead = got(catches("pritchard"))
    assert round(bullhead.estimate - 1.96 * bullhead.se) == 255
    assert round(bullhead.estimate + 1.96 * bullhead.se) == 319


@pytest.mark.parametrize("name", ["cowx3", "cowx4", "seber7.4", "bohlin2"])
def test_two_and_three_passes_of_zippin_as_printed(name: str) -> None:
    # Cowx 1983 p. 75; Seber 2002 Example 7.4; Bohlin et al. 1989 Example 2 (its SE differs by .019: p was rounded).
    row = ROWS[name]
    answer = got(catches(name), "zippin")
    digits = len(row["pub_N"].partition(".")[2])
    assert round(answer.estimate, digits) == float(row["pub_N"])
    if row["pub_p"]:
        assert answer.catchability == pytest.approx(float(row["pub_p"]), abs=0.0051)
    if row["pub_N_se"] and name != "bohlin2":
        assert round(answer.se, len(row["pub_N_se"].partition(".")[2])) == float(row["pub_N_se"])


def test_the_corrected_box_8_5() -> None:
    # Hayes et al. 2007 Boxes 8.2 and 8.5: N 62, q .40. Its printed variance 10.55 is a slip; the formula gives 109.96.
    answer = got(catches("hayes8.5"), "zippin")
    assert int(answer.estimate) == 62
    assert answer.catchability == pytest.approx(0.40, abs=0.005)
    assert answer.se == pytest.approx(math.sqrt(109.96), abs=0.01)


def test_the_report_of_1989_as_printed() -> None:
    # USDA Forest Service General Technical Report INT-254 (1989) p. 13: N 249, SE 6.164, p .501, SE .035.
    answer = got(catches("gtr254"))
    assert answer.estimate == 249
    assert answer.se == pytest.approx(6.164, abs=5e-4)
    assert answer.catchability == pytest.approx(0.501, abs=5e-4)
    assert answer.catchability_se == pytest.approx(0.035, abs=5e-4)


@pytest.mark.parametrize(
    ("fish", "passes", "p", "cv"),
    [
        (50, 3, 0.4, 19), (100, 3, 0.4, 13), (200, 3, 0.4, 9), (400, 3, 0.4, 7), (100, 2, 0.4, 30), (400, 2, 0.4, 15),
        (100, 2, 0.6, 10), (400, 3, 0.6, 2), (50, 4, 0.4, 10), (50, 2, 0.8, 4),
    ],
)  # fmt: skip
def test_coefficients_of_variation_of_bohlin_s_table_2(fish: int, passes: int, p: float, cv: float) -> None:
    # Bohlin et al. 1989 Table 2, percent; catches are set to what N fish are expected to give, scaled to be whole.
    expected = [1e6 * p * (1 - p) ** i for i in range(passes)]
    answer = got([round(one) for one in expected], "zippin")
    assert 100 * answer.se / answer.estimate * math.sqrt(1e6 / fish) == pytest.approx(cv, abs=0.56)


def test_the_first_pass_of_the_bullheads_was_another_one_as_printed() -> None:
    # Pritchard et al. 2021: P .0217 for equal catchability (chi-square calculated 5.272).
    test = equal_catchability(catches("pritchard"))
    assert test.statistic == pytest.approx(5.272, abs=5e-4)
    assert test.p == pytest.approx(0.0217, abs=5e-5)
    assert any("first pass" in one for one in got(catches("pritchard")).cautions)


@settings(deadline=None, max_examples=40)
@given(CATCHES.filter(lambda c: sum(c) >= 10 and falls(c) and c[0] < sum(c)))
def test_zippin_is_the_peak_of_a_general_library_s_multinomial(c: list[int]) -> None:
    # Given the catch in all, passes share it as p q^(i - 1) / (1 - q^k): scipy's multinomial has its maximum there.
    _, p = zippin(c)

    def height(q: float) -> float:
        shares = q ** np.arange(len(c))
        return float(stats.multinomial.logpmf(c, sum(c), shares / shares.sum()))

    best = height(1 - p)
    for near in (1 - p - 1e-3, 1 - p + 1e-3):
        if 0 < near < 1:
            assert height(near) <= best + 1e-9


def test_the_fit_agrees_with_a_general_library() -> None:
    c = [120, 70, 45, 20]
    answer = got(c, "zippin")
    expected = [answer.estimate * answer.catchability * (1 - answer.catchability) ** i for i in range(4)]
    test = stats.chisquare(c, expected, ddof=1)
    assert (answer.fit.statistic, answer.fit.p, answer.fit.df) == pytest.approx(
        (test.statistic, test.pvalue, 2)
    )


@pytest.mark.parametrize("c", [[5, 7, 8], [30, 30], [10, 20], [20, 20, 20, 20]])
def test_catches_that_do_not_fall_are_refused(c: list[int]) -> None:
    answer = removal(c)
    assert isinstance(answer, Refused)
    assert "do not fall" in answer.why
    with pytest.raises(ValueError, match="do not fall"):
        zippin(c)


def test_one_pass_and_few_fish_are_refused_and_no_fish_at_all() -> None:
    assert isinstance(removal([50]), Refused)
    assert isinstance(removal([4, 1]), Refused)
    assert isinstance(removal([0, 0, 0]), Refused)
    assert isinstance(removal([]), Refused)


@pytest.mark.parametrize("c", [[5, -1], [5.5, 2]])
def test_catches_that_cannot_be_are_errors(c: list[int]) -> None:
    with pytest.raises(ValueError, match="whole numbers"):
        removal(c)


def test_all_fish_in_the_first_pass_leaves_none() -> None:
    answer = got([40, 0, 0])
    assert answer.left == 0
    assert answer.left_interval.low == 0
    assert got([40, 0], "zippin").catchability == 1


def test_flat_catches_have_no_upper_limit_and_say_so() -> None:
    answer = got([72, 56])
    assert answer.interval.high == math.inf
    assert any("no upper limit" in one for one in answer.cautions)
    assert passes_needed(answer, 10).high == math.inf


@settings(deadline=None, max_examples=80)
@given(CATCHES, st.sampled_from(["carle_strub", "zippin"]))
def test_any_catches_give_a_refusal_or_a_number_within_its_interval(c: list[int], method: Method) -> None:
    answer = removal(c, method=method)
    if isinstance(answer, Refused):
        return
    assert math.isfinite(answer.estimate)
    assert math.isfinite(answer.se)
    assert math.isfinite(answer.catchability_se)
    assert sum(c) <= answer.interval.low + 1e-9
    assert answer.interval.holds(answer.estimate)
    assert answer.left_interval.holds(answer.left)
    needed = passes_needed(answer, 2)
    assert needed.low <= needed.passes <= needed.high


def test_passes_needed_bring_what_is_left_below_the_wanted_number() -> None:
    answer = got([138, 55, 48])
    needed = passes_needed(answer, 5)
    q = 1 - answer.catchability
    assert answer.left * q**needed.passes <= 5 < answer.left * q ** (needed.passes - 1)
    assert passes_needed(answer, 1000).passes == 0
    with pytest.raises(ValueError, match="above 0"):
        passes_needed(answer, 0)


@SURVEYS
@pytest.mark.parametrize(
    ("fish", "p", "passes"), [(300, 0.4, 3), (300, 0.6, 2), (100, 0.4, 3), (300, 0.25, 4), (1000, 0.3, 3)]
)
def test_number_left_keeps_its_level(surveys: int, fish: int, p: float, passes: int) -> None:
    # Range of Bohlin et al. 1989: 200 fish and more for two passes, 50 and more for three.
    def survey(rng: Generator) -> Held:
        left, c = fish, []
        for _ in range(passes):
            c.append(int(rng.binomial(left, p)))
            left -= c[-1]
        answer = removal(c)
        interval: Interval | None = None if isinstance(answer, Refused) else answer.left_interval
        return [(interval, float(left))]

    assert_nominal(coverage(surveys, 71, survey), surveys)


@SURVEYS
def test_passes_needed_hold_the_true_number_of_passes(surveys: int) -> None:
    # Steps of whole passes: the interval may hold the truth more often than it says, not less.
    held = 0
    for number in range(surveys):
        rng = np.random.default_rng((72, number))
        left, c = 300, []
        for _ in range(3):
            c.append(int(rng.binomial(left, 0.4)))
            left -= c[-1]
        needed = passes_needed(got(c), 5)
        truth = max(0, math.ceil(math.log(5 / left) / math.log(0.6)))
        held += needed.low <= truth <= needed.high
    assert held / surveys >= 0.92
