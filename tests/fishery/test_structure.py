"""Size structure and its intervals: against published tables, an independent library and simulated surveys."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.random import Generator
from scipy import stats

from fishery.answers import Refused
from fishery.categories import BELOW, categories_of
from fishery.intervals import exact_share, mean_interval, ratio_by_runs, simultaneous_share, wilson_share
from fishery.single import CategoryBound, length_category
from fishery.structure import (
    LEAST_RUNS,
    SizeStructure,
    fish_for_share,
    fish_to_tell_apart,
    size_structure,
)
from tests.fishery.covering import SURVEYS, Held, assert_no_less, assert_nominal, coverage

NAMES = ("stock", "quality", "preferred", "memorable", "trophy")
LARGEMOUTH = [
    CategoryBound(name, mm, inch)
    for name, mm, inch in zip(NAMES, (200, 300, 380, 510, 630), (8, 12, 15, 20, 25), strict=True)
]


def structure(answer: SizeStructure | Refused) -> SizeStructure:
    assert isinstance(answer, SizeStructure), answer
    return answer


def of_counts(*counts: int, substock: int = 0) -> SizeStructure:
    categories = np.repeat(np.arange(-1, len(counts)), (substock, *counts))
    return structure(size_structure(categories, NAMES[: len(counts)]))


@pytest.mark.parametrize(
    ("quality", "shorter", "psd"), [(85, 77, 52.5), (44, 124, 26.2), (34, 251, 11.9), (13, 19, 40.6)]
)
def test_psd_of_the_worked_examples(quality: int, shorter: int, psd: float) -> None:
    # Counts: Box 9.5 of Guy and Brown, editors (2007), 1996-1998; last: an exercise of Penn State Extension (Clark 2014).
    answer = of_counts(shorter, quality, substock=7)
    assert answer.indices["PSD"].value == pytest.approx(psd, abs=0.05)
    assert answer.indices["PSD"].n == answer.n_stock == quality + shorter
    assert answer.substock == 7


@pytest.mark.parametrize(
    ("share", "printed"),
    [
        (0.130, (13, 9, 17)),  # S-Q
        (0.491, (49, 42, 56)),  # Q-P
        (0.253, (25, 20, 31)),  # P-M
        (0.123, (12, 8, 17)),  # M-T
        (0.491 + 0.253 + 0.123, (87, 82, 91)),  # PSD
        (0.253 + 0.123, (38, 31, 44)),  # PSD-P
    ],
)
def test_simultaneous_intervals_of_brenden_and_others(share: float, printed: tuple[int, int, int]) -> None:
    # Brenden, Wagner and Murphy (2008), Table 2, as seen second hand: 445 fish, shares to three digits, four classes.
    count = round(share * 445)
    together = simultaneous_share(count, 445, 3).times(100)
    assert (100 * count / 445, together.low, together.high) == pytest.approx(printed, abs=0.5)


@pytest.mark.parametrize(
    ("count", "n", "wilson", "exact"),
    [
        (85, 162, (44.8, 60.0), (44.5, 60.4)),
        (34, 285, (8.7, 16.2), (8.4, 16.3)),
        (13, 32, (25.5, 57.7), (23.7, 59.4)),
        (50, 100, (40.4, 59.6), (39.8, 60.2)),
    ],
)
def test_intervals_of_a_share_in_percent(
    count: int, n: int, wilson: tuple[float, float], exact: tuple[float, float]
) -> None:
    # Calculated beforehand by a separate script; the last exact pair is the entry of any table of the binomial.
    for interval, printed in ((wilson_share(count, n), wilson), (exact_share(count, n), exact)):
        assert (interval.times(100).low, interval.times(100).high) == pytest.approx(printed, abs=0.051)


@settings(deadline=None, max_examples=80)
@given(
    st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))),
    st.sampled_from([0.8, 0.95, 0.99]),
)
def test_intervals_of_a_share_as_an_independent_library_has_them(
    sample: tuple[int, int], level: float
) -> None:
    count, n = sample
    test = stats.binomtest(count, n)
    exact, wilson = test.proportion_ci(level, "exact"), test.proportion_ci(level, "wilson")
    for interval, other in ((exact_share(count, n, level), exact), (wilson_share(count, n, level), wilson)):
        assert (interval.low, interval.high) == pytest.approx((other.low, other.high), abs=1e-9)
        assert interval.low <= count / n <= interval.high


@SURVEYS
@pytest.mark.parametrize("psd", [0.12, 0.45, 0.7])
def test_exact_interval_never_holds_less_and_wilson_about_as_often_as_it_says(
    surveys: int, psd: float
) -> None:
    def survey(rng: Generator) -> Held:
        # sizes vary from survey to survey, which averages over the steps of the binomial
        n = int(rng.integers(60, 200))
        count = int(rng.binomial(n, psd))
        return [(exact_share(count, n), psd), (wilson_share(count, n), psd)]

    exact, wilson = coverage(surveys, 31, survey)
    assert_no_less([exact], surveys)
    assert_nominal([wilson], surveys)


@SURVEYS
def test_simultaneous_intervals_hold_all_at_once(surveys: int) -> None:
    shares = np.array([0.13, 0.49, 0.25, 0.13])
    truths = {"PSD S-Q": 13, "PSD Q-P": 49, "PSD P-M": 25, "PSD": 87, "PSD-P": 38, "PSD-M": 13}
    held = 0
    for number in range(surveys):
        counts = np.random.default_rng((32, number)).multinomial(300, shares)
        together = of_counts(*counts).together
        held += all(together[name].holds(truth) for name, truth in truths.items())
    assert_no_less([held / surveys], surveys)


@SURVEYS
@pytest.mark.parametrize("runs", [LEAST_RUNS, 20])
def test_drawing_runs_holds_the_truth_where_fish_of_a_run_resemble_one_another(
    surveys: int, runs: int
) -> None:
    psd, alike = 0.45, 1 / 0.1 - 1  # intraclass correlation 0.1

    def survey(rng: Generator) -> Held:
        stock = rng.poisson(8, runs)
        quality = rng.binomial(stock, rng.beta(psd * alike, (1 - psd) * alike, runs))
        fish = np.concatenate([np.repeat([1, 0], (q, n - q)) for q, n in zip(quality, stock, strict=True)])
        answer = structure(size_structure(fish, NAMES[:2], np.repeat(np.arange(runs), stock)))
        singly = structure(size_structure(fish, NAMES[:2]))
        return [(answer.indices["PSD"].interval, 100 * psd), (singly.indices["PSD"].interval, 100 * psd)]

    by_runs, singly = coverage(surveys, 33, survey)
    assert_nominal([by_runs], surveys)
    assert singly < 0.93  # why runs are drawn


def test_drawing_runs_gives_the_same_interval_again_and_for_runs_in_any_order() -> None:
    above, below = np.array([1, 0, 4, 2, 3, 5, 0, 2]), np.array([3, 2, 9, 2, 7, 9, 0, 6])
    one = ratio_by_runs(above, below, 7)
    assert ratio_by_runs(above[::-1], below[::-1], 7) == one
    assert ratio_by_runs(above, below, 8) != one


@pytest.mark.parametrize(
    ("length_mm", "unit", "reached"),
    # 300 mm is 11.8 in: quality by millimetres, not by inches; 12 in as stored in mm is quality either way
    [
        (199.9, "mm", None),
        (300, "mm", "quality"),
        (300, "in", "stock"),
        (12 * 25.4, "in", "quality"),
        (640, "in", "trophy"),
    ],
)
def test_categories_are_judged_in_the_unit_measured(length_mm: float, unit: str, reached: str | None) -> None:
    index = int(categories_of(LARGEMOUTH, [length_mm], unit)[0])
    assert (None if index == BELOW else NAMES[index]) == reached


@settings(deadline=None, max_examples=60)
@given(st.lists(st.tuples(st.floats(1, 900), st.sampled_from(["mm", "in"])), min_size=1, max_size=30))
def test_categories_agree_with_the_one_fish_function_for_mixed_units(fish: list[tuple[float, str]]) -> None:
    found = categories_of(LARGEMOUTH, [mm for mm, _ in fish], [unit for _, unit in fish])
    names = [None if index == BELOW else NAMES[index] for index in found]
    assert names == [length_category(LARGEMOUTH, mm, unit) for mm, unit in fish]


@settings(deadline=None, max_examples=60)
@given(st.lists(st.integers(-1, 4), min_size=1, max_size=60), st.integers(0, 100))
def test_increments_add_up_and_order_does_not_matter(categories: list[int], seed: int) -> None:
    fish = np.array(categories)
    answer = size_structure(fish, NAMES)
    if not np.any(fish != BELOW):
        assert isinstance(answer, Refused)
        return
    whole = structure(answer)
    assert whole == size_structure(np.random.default_rng(seed).permutation(fish), NAMES)
    trophy = whole.indices["PSD-T"].value
    assert sum(index.value for index in whole.increments.values()) + trophy == pytest.approx(100)
    assert sum(whole.counts.values()) + whole.substock == len(fish)
    values = [index.value for index in whole.indices.values()]
    assert values == sorted(values, reverse=True)
    for index in (*whole.indices.values(), *whole.increments.values()):
        assert index.interval is not None
        assert 0 <= index.interval.low <= index.value <= index.interval.high <= 100


def test_without_stock_length_fish_there_is_no_psd_and_with_few_a_word() -> None:
    refused = size_structure(np.array([BELOW, BELOW]), NAMES)
    assert isinstance(refused, Refused)
    assert refused.why == "2 fish, none of stock length or longer."
    few = of_counts(12, 11)
    assert (
        "Few stock-length fish: n = 23; 97 or more wanted for a PSD within 10 points."
        in few.indices["PSD"].cautions
    )
    assert not any("Few" in caution for caution in of_counts(60, 60).indices["PSD"].cautions)


def test_all_or_none_of_quality_length_still_has_an_honest_interval() -> None:
    runs = np.repeat(np.arange(10), 2)
    answer = structure(size_structure(np.zeros(20, dtype=np.int64), NAMES, runs))
    interval = answer.indices["PSD"].interval
    assert interval is not None
    # the rule of three: 3 / n for none seen
    assert interval.low == 0
    assert interval.high == pytest.approx(100 * (1 - 0.025 ** (1 / 20)))


def test_sample_sizes_of_the_textbooks() -> None:
    # Cochran (1977), 4.4: p 0.5 within 0.05 at t = 2 takes 400 (from memory); 385 and 97 at 1.96 are in every text.
    assert fish_for_share(0.5, 0.05, level=math.erf(2 / math.sqrt(2))) == 400
    assert fish_for_share(0.5, 0.05) == 385
    assert fish_for_share(0.5, 0.10) == 97
    # The standard example of a power calculation (from memory): shares 0.50 and 0.75, power 0.90 take 76.7 in each group.
    assert fish_to_tell_apart(0.50, 0.75, power=0.90) == 77
    with pytest.raises(ValueError, match="must differ"):
        fish_to_tell_apart(0.5, 0.5)
    with pytest.raises(ValueError, match="between 0 and 1"):
        fish_for_share(1.0)


def test_that_many_fish_do_find_the_difference() -> None:
    n = fish_to_tell_apart(0.4, 0.6, power=0.8)
    rng = np.random.default_rng(34)
    one, other = rng.binomial(n, 0.4, 4000) / n, rng.binomial(n, 0.6, 4000) / n
    mean = (one + other) / 2
    z = (other - one) / np.sqrt(2 * mean * (1 - mean) / n)
    assert float(np.mean(np.abs(z) > 1.96)) == pytest.approx(0.8, abs=0.03)


def test_shares_that_are_none_are_errors() -> None:
    for wrong in ((3, 2), (-1, 2), (0, 0)):
        for interval in (exact_share, wilson_share):
            with pytest.raises(ValueError, match="is no share"):
                interval(*wrong)
    with pytest.raises(ValueError, match="two classes"):
        simultaneous_share(1, 2, 0)
    with pytest.raises(ValueError, match="two or more"):
        mean_interval([1.0])
    with pytest.raises(ValueError, match="two or more runs"):
        ratio_by_runs(np.array([0, 0]), np.array([0, 0]), 1)
    with pytest.raises(ValueError, match="do not ascend"):
        categories_of(list(reversed(LARGEMOUTH)), [250.0], "mm")
