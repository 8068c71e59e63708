"""Fish per hour of current-on time: against printed ratios, a general library and simulated surveys."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.random import Generator
from scipy import stats

from fishery.answers import Interval, Refused
from fishery.catch import (
    CatchRate,
    Estimator,
    catch_rate,
    fish_per_hour,
    runs_needed,
)
from tests.fishery.covering import SURVEYS, assert_nominal, coverage
from tests.fishery.tables import column, table

RUNS = st.lists(
    st.tuples(st.integers(0, 200), st.integers(60, 3600)),
    min_size=2,
    max_size=12,
)


def rated(
    catch: list[int], on_s: list[int], estimator: Estimator = "ratio", of_runs: int | None = None
) -> CatchRate:
    rate = catch_rate(catch, on_s, estimator=estimator, of_runs=of_runs)
    assert isinstance(rate, CatchRate)
    return rate


def test_a_run_s_rate_is_fish_per_hour_of_current_on_time() -> None:
    assert list(fish_per_hour([12, 0], [600, 900])) == [72.0, 0.0]


def test_ratio_of_totals_and_its_standard_error_are_those_printed_for_fifteen_clusters() -> None:
    # Lumley (2010), vignette of the R package for survey samples: ratio 0.8497087, SE 0.008386297, 757 clusters in all.
    rows = table("catch_ratio_15_clusters.csv")
    # x in hours: the rate per hour is then the printed ratio
    rate = catch_rate(column(rows, "y_numerator"), 3600 * column(rows, "x_denominator"), of_runs=757)
    assert isinstance(rate, CatchRate)
    assert rate.per_hour == pytest.approx(0.8497087, abs=5e-8)
    assert rate.se == pytest.approx(0.008386297, abs=5e-10)


def test_ratio_rounds_to_the_printed_catch_per_ten_minutes() -> None:
    # Worked key of open course notes: 146 fish in 7 + 6 + 6 minutes are 76.8 per 10 minutes, a ratio of totals.
    rate = rated([50, 48, 48], [420, 360, 360])
    assert rate.per_hour / 6 == pytest.approx(76.8, abs=0.05)


@pytest.mark.parametrize("row", table("catch_net_nights_hubert2012.csv"), ids=lambda row: row["species_gear"])
def test_mean_of_nets_and_its_standard_error_as_in_box_6_1(row: dict[str, str]) -> None:
    # Hubert, Pope and Dettmers (2012), Box 6.1, printed to one digit (walleye two). An outside check for the row with
    # one fish only; see the head of the table.
    catch = [int(one) for one in row["unique_split"].split()]
    rate = rated(catch, [3600] * 4, "mean")
    digits = len(row["pub_se"].split(".")[1])
    assert rate.per_hour == pytest.approx(float(row["pub_mean"]), abs=0.0501)
    assert rate.se == pytest.approx(float(row["pub_se"]), abs=0.5000001 * 10**-digits)


def test_one_fish_in_n_runs_has_a_relative_standard_error_of_100_percent_and_says_so() -> None:
    rate = rated([0, 0, 1, 0, 0], [600] * 5)
    assert rate.rse_percent == pytest.approx(100)
    assert any("100 %" in one for one in rate.cautions)


@settings(deadline=None, max_examples=40)
@given(st.lists(st.integers(0, 200), min_size=3, max_size=12).filter(lambda c: sum(c) > 0))
def test_for_runs_of_one_length_both_estimators_are_one_and_agree_with_a_general_library(
    catch: list[int],
) -> None:
    on_s = [900] * len(catch)
    ratio, mean = rated(catch, on_s), rated(catch, on_s, "mean")
    per_run = np.array(catch) * 4.0
    assert ratio.per_hour == pytest.approx(mean.per_hour) == pytest.approx(per_run.mean())
    assert ratio.se == pytest.approx(mean.se) == pytest.approx(stats.sem(per_run), abs=1e-9)
    if ratio.se:
        low, high = stats.t.interval(0.95, len(catch) - 1, loc=per_run.mean(), scale=stats.sem(per_run))
        assert ratio.t_interval is not None
        assert ratio.t_interval.low == pytest.approx(max(0.0, low))
        assert ratio.t_interval.high == pytest.approx(high)


@settings(deadline=None, max_examples=40)
@given(RUNS.flatmap(lambda runs: st.tuples(st.just(runs), st.permutations(runs))))
def test_the_order_of_runs_changes_nothing(both: tuple[list[tuple[int, int]], list[tuple[int, int]]]) -> None:
    runs, mixed = both
    first, second = (catch_rate([c for c, _ in some], [s for _, s in some]) for some in (runs, mixed))
    assert isinstance(first, CatchRate)
    assert isinstance(second, CatchRate)
    assert first.per_hour == pytest.approx(second.per_hour)
    for one, other in ((first.interval, second.interval), (first.bootstrap, second.bootstrap)):
        assert (one is None) == (other is None)
        if one is not None and other is not None:
            assert (one.low, one.high) == pytest.approx((other.low, other.high))


@settings(deadline=None, max_examples=40)
@given(RUNS, st.sampled_from([0.5, 2.0, 60.0]))
def test_time_in_another_unit_scales_rate_error_and_limits_alike(
    runs: list[tuple[int, int]], factor: float
) -> None:
    catch, on_s = [c for c, _ in runs], np.array([float(s) for _, s in runs])
    first, second = catch_rate(catch, on_s), catch_rate(catch, factor * on_s)
    assert isinstance(first, CatchRate)
    assert isinstance(second, CatchRate)
    assert first.per_hour == pytest.approx(factor * second.per_hour)
    assert first.rse_percent == pytest.approx(second.rse_percent)
    if first.interval is not None and second.interval is not None:
        assert first.interval.high == pytest.approx(factor * second.interval.high)


@settings(deadline=None, max_examples=60)
@given(RUNS)
def test_no_number_is_ever_nan_and_intervals_hold_the_rate(runs: list[tuple[int, int]]) -> None:
    rate = rated([c for c, _ in runs], [s for _, s in runs])
    for value in (rate.per_hour, rate.se, rate.rse_percent):
        assert value is None or math.isfinite(value)
    for interval in (rate.interval, rate.t_interval):
        assert interval is None or (interval.holds(rate.per_hour) and interval.low >= 0)


def test_no_fish_at_all_gives_the_exact_upper_limit_instead_of_a_standard_error_of_zero() -> None:
    rate = rated([0, 0, 0], [1200, 1200, 1200])
    assert rate.se is None
    assert rate.interval is not None
    assert rate.interval.low == 0
    # Garwood 1936: 0 fish, upper 95 % limit 3.689, here in one hour
    assert rate.interval.high == pytest.approx(3.689, abs=5e-4)


def test_one_run_gives_its_rate_and_no_standard_error() -> None:
    rate = rated([20], [1800])
    assert (rate.per_hour, rate.se, rate.interval) == (40.0, None, None)
    assert "One run" in rate.cautions[0]


def test_a_run_without_time_is_refused_by_its_number() -> None:
    answer = catch_rate([3, 4], [600, math.nan])
    assert isinstance(answer, Refused)
    assert "Run 2 of 2" in answer.why
    assert isinstance(catch_rate([], []), Refused)


@pytest.mark.parametrize(
    ("catch", "on_s"), [([1, -1], [60, 60]), ([math.nan], [60]), ([1], [60, 60]), ([1], [-5])]
)
def test_impossible_runs_are_told_in_one_sentence(catch: list[float], on_s: list[float]) -> None:
    with pytest.raises(ValueError, match="give"):
        catch_rate(catch, on_s)


def test_fishing_the_whole_shore_leaves_no_sampling_error() -> None:
    rate = rated([3, 5, 9], [600, 600, 600], of_runs=3)
    assert rate.se == 0
    assert isinstance(runs_needed(rate), Refused)


def test_runs_needed_is_the_square_of_cv_over_rse() -> None:
    rate = rated([10, 20, 30, 20], [600] * 4)
    cv = np.std([10, 20, 30, 20], ddof=1) / 20
    needed = runs_needed(rate, 10)
    assert not isinstance(needed, Refused)
    assert needed.runs == math.ceil((cv / 0.1) ** 2)
    assert needed.interval.low <= needed.runs <= needed.interval.high
    fewer = runs_needed(rated([10, 20, 30, 20], [600] * 4, of_runs=20), 10)
    assert not isinstance(fewer, Refused)
    assert fewer.runs < needed.runs  # 20 runs are the whole shore


def test_the_runs_asked_for_bring_the_wanted_precision() -> None:
    rng = np.random.default_rng(3)

    def survey(runs: int) -> tuple[list[int], list[int]]:
        on_s = rng.integers(500, 1100, runs)
        return rng.poisson(rng.gamma(2, 20, runs) * on_s / 3600).tolist(), on_s.tolist()

    needed = runs_needed(rated(*survey(4000)), 12.5)
    assert not isinstance(needed, Refused)
    surveys = [survey(needed.runs) for _ in range(1000)]
    rates = [sum(catch) / sum(on_s) for catch, on_s in surveys]
    assert 100 * np.std(rates) / np.mean(rates) == pytest.approx(12.5, rel=0.06)


def test_too_little_to_tell_how_runs_differ_is_refused() -> None:
    few = runs_needed(rated([5], [600]))
    assert isinstance(few, Refused)
    assert few.why == "1 run with 5 fish does not tell how runs differ."
    assert isinstance(runs_needed(rated([0, 0], [600, 600])), Refused)
    with pytest.raises(ValueError, match="percent"):
        runs_needed(rated([5, 6], [600, 600]), 0)


@SURVEYS
@pytest.mark.parametrize(
    ("runs", "mean", "shape"), [(5, 60.0, 3.0), (8, 20.0, 1.0), (12, 40.0, 2.0), (20, 5.0, 1.0)]
)
def test_the_log_t_interval_keeps_its_level_for_clumped_fish(
    surveys: int, runs: int, mean: float, shape: float
) -> None:
    def survey(rng: Generator) -> list[tuple[Interval | None, float]]:
        on_s = rng.uniform(400, 1100, runs)
        rate = catch_rate(rng.poisson(rng.gamma(shape, mean / shape, runs) * on_s / 3600).tolist(), on_s)
        assert isinstance(rate, CatchRate)
        return [(rate.interval, mean)]

    assert_nominal(coverage(surveys, 11, survey), surveys)


def test_the_bootstrap_is_lop_sided_where_the_catches_are() -> None:
    rate = rated([10, 11, 10, 12, 11, 13, 11, 15, 19, 12], [900] * 10)
    assert rate.bootstrap is not None
    assert rate.bootstrap.high - rate.per_hour > 1.3 * (rate.per_hour - rate.bootstrap.low)
    assert rated([3] * 7, [900] * 7).bootstrap is None


@SURVEYS
@pytest.mark.parametrize(("runs", "mean", "shape"), [(12, 40.0, 2.0), (20, 20.0, 1.0)])
def test_the_bootstrap_over_runs_keeps_its_level_from_twelve_runs(
    surveys: int, runs: int, mean: float, shape: float
) -> None:
    def survey(rng: Generator) -> list[tuple[Interval | None, float]]:
        on_s = rng.uniform(400, 1100, runs)
        rate = catch_rate(rng.poisson(rng.gamma(shape, mean / shape, runs) * on_s / 3600).tolist(), on_s)
        assert isinstance(rate, CatchRate)
        return [(rate.bootstrap, mean)]

    assert_nominal(coverage(surveys, 12, survey), surveys)
