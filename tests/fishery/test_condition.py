"""Relative weight of many fish: against worked examples, against the one-fish functions, against simulated surveys."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.random import Generator
from scipy import stats

from fishery.answers import Estimate, Refused
from fishery.categories import categories_of
from fishery.condition import (
    LEAST_DIVISIONS,
    Why,
    condition_by_group,
    condition_trend,
    mean_condition,
    paired_change,
    relative_weights,
    slope_with_length,
)
from fishery.length_types import (
    BLUEGILL_FROM_FORK,
    LAKE_TROUT_FROM_FORK,
    LAKE_TROUT_TO_FORK,
    LengthConversion,
    convert,
)
from fishery.single import CategoryBound, StandardWeight, relative_weight, standard_weight_g
from tests.fishery.covering import SURVEYS, Held, assert_nominal, coverage
from tests.fishery.tables import column, table

LOTIC = StandardWeight(-5.189, 3.099, 0, None, None, "TL", "Kruse and Hubert (1997)")
LENTIC = StandardWeight(-5.192, 3.086, 0, None, None, "TL", "Kruse and Hubert (1997)")
BLUEGILL = StandardWeight(-5.374, 3.316, 0, 80, None, "TL", "Hillman (1982)")
RUFFE = StandardWeight(-2.58, 0.621, 0.6073, 55, 205, "TL", "Ogle and Winfield (2009)")


def given_answer(answer: Estimate | Refused) -> Estimate:
    assert isinstance(answer, Estimate), answer
    return answer


@pytest.mark.parametrize(
    ("population", "line", "average", "spread"),
    [("A", LOTIC, 94.67, 9.47), ("B", LENTIC, 93.29, 8.46), ("C", LENTIC, 91.36, 8.70)],
)
def test_mean_and_spread_of_the_three_cutthroat_populations(
    population: str, line: StandardWeight, average: float, spread: float
) -> None:
    # Box 10.3 of Guy and Brown, editors (2007), as worked in open course notes (it uses the lines below their least length).
    fish = [row for row in table("wr_cutthroat_box10_1.csv") if row["population"] == population]
    wr = relative_weights(line, column(fish, "tl_mm"), column(fish, "weight_g"), "TL")
    answer = given_answer(mean_condition(wr.wr))
    assert answer.value == pytest.approx(average, abs=0.0051)
    assert float(wr.wr.std(ddof=1)) == pytest.approx(spread, abs=0.0051)
    # the interval against an independent library
    expected = stats.ttest_1samp(wr.wr, 0).confidence_interval(0.95)
    assert answer.interval is not None
    assert (answer.interval.low, answer.interval.high) == pytest.approx(
        (expected.low, expected.high), rel=1e-12
    )


@settings(deadline=None, max_examples=60)
@given(
    st.lists(
        st.tuples(
            st.floats(-10, 1500).filter(lambda mm: not 0 < mm < 1),
            st.floats(-1, 30_000).filter(lambda g: not 0 < g < 1e-3),
        ),
        min_size=1,
        max_size=20,
    ),
    st.sampled_from([LOTIC, BLUEGILL, RUFFE]),
)
def test_each_fish_gets_what_the_one_fish_functions_give_or_a_reason(
    fish: list[tuple[float, float]], line: StandardWeight
) -> None:
    result = relative_weights(line, [mm for mm, _ in fish], [g for _, g in fish], "TL")
    for (length_mm, weight_g), wr, why in zip(fish, result.wr, result.why, strict=True):
        ws_g = standard_weight_g(line, length_mm) if weight_g > 0 else None
        if ws_g is None:
            assert why != Why.GIVEN
            assert math.isnan(wr)
        else:
            assert why == Why.GIVEN
            assert wr == pytest.approx(relative_weight(weight_g, ws_g), rel=1e-9)
    assert sum(result.left_out.values()) + int(result.given.sum()) == len(fish)


def test_a_fish_without_relative_weight_says_why() -> None:
    lengths = [79.9, 80.0, math.nan, 150.0, 0.0, 150.0]
    weights = [12.0, 12.0, 60.0, math.nan, 60.0, 60.0]
    types = ["TL", "TL", "TL", "TL", "TL", "FL"]
    result = relative_weights(BLUEGILL, lengths, weights, types)
    assert [Why(why) for why in result.why] == [
        Why.TOO_SHORT, Why.GIVEN, Why.MISSING, Why.MISSING, Why.MISSING, Why.OTHER_LENGTH_TYPE,
    ]  # fmt: skip
    assert relative_weights(RUFFE, [205.0, 205.1], [100.0, 100.0], "TL").left_out == {Why.TOO_LONG: 1}


def test_lengths_of_another_type_are_used_only_through_a_published_relation() -> None:
    lengths, weights = [150.0, 150.0], [60.0, 60.0]
    assert relative_weights(BLUEGILL, lengths, weights, "FL").left_out == {Why.OTHER_LENGTH_TYPE: 2}
    both = relative_weights(BLUEGILL, lengths, weights, ["TL", "FL"], conversions={"FL": BLUEGILL_FROM_FORK})
    assert both.converted == 1
    assert both.lengths_mm.tolist() == pytest.approx([150.0, 1.67 + 1.0334 * 150])
    with pytest.raises(ValueError, match="leads from TL to FL"):
        relative_weights(BLUEGILL, lengths, weights, "FL", conversions={"FL": LAKE_TROUT_TO_FORK})
    with pytest.raises(ValueError, match="has no source"):
        LengthConversion("bluegill", "FL", "TL", 1.03, 0, None, " ")
    with pytest.raises(ValueError, match="no conversion"):
        LengthConversion("bluegill", "TL", "TL", 1.0, 0, None, "Somebody (2000)")


def test_the_two_published_relations_of_lake_trout_undo_one_another() -> None:
    # Hansen et al. (abstract): FL = 0.91 TL - 8.28 and TL = 1.09 FL + 9.05, one functional regression rounded twice.
    lengths = np.arange(300.0, 900.0, 50)
    there_and_back = convert(LAKE_TROUT_FROM_FORK, convert(LAKE_TROUT_TO_FORK, lengths))
    assert there_and_back == pytest.approx(lengths, rel=0.01)


def test_too_coarse_a_scale_is_judged_by_length_so_that_light_fish_are_not_left_out() -> None:
    rng = np.random.default_rng(3)
    lengths = rng.uniform(80, 200, 20_000)
    ws = 10 ** (BLUEGILL.log10_a + BLUEGILL.b * np.log10(lengths))
    weights = ws * np.exp(rng.normal(0, 0.12, len(ws)))
    fine = relative_weights(BLUEGILL, lengths, weights, "TL")
    coarse = relative_weights(BLUEGILL, lengths, weights, "TL", scale_divisions_g=2.0)
    each = relative_weights(BLUEGILL, lengths, weights, "TL", scale_divisions_g=np.full(len(lengths), 2.0))
    assert (coarse.why == each.why).all()
    assert 0 < coarse.left_out[Why.TOO_COARSE] < len(lengths)
    assert ws[coarse.given].min() >= LEAST_DIVISIONS * 2.0
    least_mm = lengths[coarse.given].min()
    same_lengths = fine.wr[lengths >= least_mm].mean()
    assert coarse.wr[coarse.given].mean() == pytest.approx(same_lengths, abs=1e-9)


@SURVEYS
@pytest.mark.parametrize("n", [10, 40])
def test_interval_of_mean_condition_holds_the_truth(surveys: int, n: int) -> None:
    def survey(rng: Generator) -> Held:
        wr = 92 * np.exp(rng.normal(0, 0.12, n))  # scatter as in single waters: log10 SD 0.05
        return [(given_answer(mean_condition(wr)).interval, 92 * math.exp(0.12**2 / 2))]

    assert_nominal(coverage(surveys, 11, survey), surveys)


def test_condition_by_category_counts_each_fish_once_and_refuses_the_thin_by_name() -> None:
    bounds = [
        CategoryBound("stock", 80, 3),
        CategoryBound("quality", 150, 6),
        CategoryBound("preferred", 200, 8),
    ]
    lengths = [70.0, 90.0, 100.0, 149.0, 150.0, 180.0, 201.0]
    wr = [80.0, 90.0, 95.0, 100.0, 101.0, 103.0, 120.0]
    groups = categories_of(bounds, lengths, "mm")
    stock, quality, preferred = condition_by_group(wr, groups, ["stock", "quality", "preferred"])
    assert given_answer(stock.mean).n == 3
    assert given_answer(stock.mean).value == pytest.approx(95.0)
    assert stock.sd == pytest.approx(5.0)
    assert stock.median == 95.0
    assert given_answer(quality.mean).value == pytest.approx(102.0)
    assert isinstance(preferred.mean, Refused)
    assert preferred.mean.why.startswith("1 fish")
    assert preferred.sd is None


def test_slope_of_a_straight_line_as_printed_by_anscombe() -> None:
    # Anscombe (1973), The American Statistician 27:17-21, first data set: y = 3 + 0.5 x, standard error of the slope 0.118.
    x = [10, 8, 13, 9, 11, 14, 6, 4, 12, 7, 5]
    y = [8.04, 6.95, 7.58, 8.81, 8.33, 9.96, 7.24, 4.26, 10.84, 4.82, 5.68]
    trend = given_answer(condition_trend([2000.4 + i for i in x], y, [30] * 11))
    assert trend.value == pytest.approx(0.5, abs=5e-4)
    assert trend.interval is not None
    assert trend.interval.width / 2 / stats.t.ppf(0.975, 9) == pytest.approx(0.118, abs=5e-4)
    assert trend.interval.width / 2 / stats.t.ppf(0.975, 9) == pytest.approx(
        stats.linregress(x, y).stderr, rel=1e-9
    )
    assert not trend.cautions
    by_length = given_answer(slope_with_length(y, [100.0 * i for i in x]))
    assert by_length.value == pytest.approx(trend.value)


def test_a_trend_needs_three_surveys_and_tells_of_seasons_and_sizes() -> None:
    assert isinstance(condition_trend([2020.4, 2021.4], [90, 92], [30, 30]), Refused)
    assert isinstance(condition_trend([2020.4] * 3, [90, 92, 91], [30] * 3), Refused)
    seasons = given_answer(condition_trend([2020.3, 2021.8, 2022.3], [90, 92, 91], [30, 30, 400]))
    assert any("season" in caution for caution in seasons.cautions)
    assert any("400 fish" in caution for caution in seasons.cautions)
    # new year's day and the last of December are neighbours
    assert not given_answer(condition_trend([2020.99, 2022.01, 2022.98], [90, 92, 91], [30] * 3)).cautions


@SURVEYS
def test_interval_of_a_trend_holds_the_truth_though_the_fish_of_a_survey_share_its_weather(
    surveys: int,
) -> None:
    def survey(rng: Generator) -> Held:
        years = np.arange(2016.4, 2024.4)
        shared = rng.normal(0, 3, len(years))
        means = [
            90 + 0.8 * (t - 2016) + w + rng.normal(0, 10, 60).mean()
            for t, w in zip(years, shared, strict=True)
        ]
        return [(given_answer(condition_trend(years, means, [60] * len(years))).interval, 0.8)]

    assert_nominal(coverage(surveys, 12, survey), surveys)


def test_change_within_the_same_subjects_as_student_printed_it() -> None:
    # Student (1908), Biometrika 6:1-25, hours of sleep under two drugs: mean difference 1.58; with t = 4.06 and 9 degrees
    # of freedom, and the interval 0.70 to 2.46 as statistics programs print it (from memory).
    one = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
    other = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]
    change = given_answer(paired_change([str(i) for i in range(10)], one, other))
    assert change.value == pytest.approx(1.58)
    assert change.interval is not None
    assert change.interval.low == pytest.approx(0.7001142, abs=5e-7)
    assert change.interval.high == pytest.approx(2.4598858, abs=5e-7)


def test_a_fish_is_one_pair() -> None:
    refused = paired_change(["a", "a", "b"], [90, 91, 92], [91, 92, 93])
    assert isinstance(refused, Refused)
    assert refused.why == "3 pairs of 2 fish."
    assert isinstance(paired_change(["a"], [90], [91]), Refused)


@SURVEYS
def test_interval_of_change_within_fish_holds_the_truth_where_fish_differ_much(surveys: int) -> None:
    def survey(rng: Generator) -> Held:
        own = rng.normal(92, 12, 15)
        before, after = own + rng.normal(0, 4, 15), own - 3 + rng.normal(0, 4, 15)
        return [(given_answer(paired_change([str(i) for i in range(15)], before, after)).interval, -3.0)]

    assert_nominal(coverage(surveys, 13, survey), surveys)


@settings(deadline=None, max_examples=40)
@given(st.lists(st.floats(20, 200), min_size=3, max_size=30))
def test_the_order_of_the_fish_does_not_matter(wr: list[float]) -> None:
    shuffled = list(reversed(wr))
    assert given_answer(mean_condition(wr)).value == pytest.approx(
        given_answer(mean_condition(shuffled)).value
    )


def test_a_missing_value_is_an_error_not_a_nan() -> None:
    with pytest.raises(ValueError, match=r"wr\[1\] is nan"):
        mean_condition([90.0, math.nan, 95.0])
    # a length that is none must not become an infinite Wr
    assert relative_weights(LOTIC, [1e-139, math.inf], [10.0, 10.0], "TL").left_out == {Why.MISSING: 2}
    with pytest.raises(ValueError, match="wr has 2 dimensions"):
        mean_condition(np.ones((2, 2)))
    with pytest.raises(ValueError, match="differ in length"):
        relative_weights(LOTIC, [100.0, 200.0], [10.0], "TL")
    assert isinstance(mean_condition([]), Refused)
