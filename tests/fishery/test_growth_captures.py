"""Growth between captures and mean length at age: against a worked box, known arithmetic and simulated fish."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.random import Generator

from fishery.answers import Estimate, Refused
from fishery.growth import (
    LENGTH_SD_MM,
    NoRate,
    change_between,
    mean_length_at_age,
    mean_rate,
    time_for_error,
)
from fishery.single import growth_between
from tests.fishery.covering import SURVEYS, Held, assert_nominal, coverage
from tests.fishery.tables import column, table


def given_answer(answer: Estimate | Refused) -> Estimate:
    assert isinstance(answer, Estimate), answer
    return answer


def test_mean_instantaneous_rate_of_the_turtle_box() -> None:
    # Box 5.6 of Isely and Grabowski in Guy and Brown, editors (2007): mean of ln(Lr / Lm) / dt, 0.05174481 per year of 365
    # days, the starting value for K: the mean rate of the logarithms.
    turtles = table("growth_turtle_box5_6.csv")
    rate = given_answer(
        mean_rate(
            column(turtles, "days_at_large"),
            np.log(column(turtles, "length_mark_cm")),
            np.log(column(turtles, "length_recapture_cm")),
            "ln cm",
            365,
        )
    )
    assert rate.value == pytest.approx(0.05174481, abs=5e-9)
    assert rate.n == 17


@settings(deadline=None, max_examples=50)
@given(st.floats(14, 2000), st.floats(100, 500), st.floats(40, 300))
def test_a_rate_is_what_the_one_fish_function_gives(days: float, earlier: float, gain: float) -> None:
    change = change_between([days], [earlier], [earlier + gain], LENGTH_SD_MM)
    one = growth_between(days, earlier, earlier + gain, None, None)
    assert one.mm_per_30_days == pytest.approx(change.per_30_days[0])
    assert change.per_year[0] == pytest.approx(change.per_30_days[0] * 365.25 / 30)
    assert change.gain_se[0] == pytest.approx(math.sqrt(2) * LENGTH_SD_MM)


def test_a_fish_without_a_rate_says_why_and_keeps_its_gain() -> None:
    change = change_between(
        [400, 400, 13, 400, 400], [200, 200, 200, math.nan, 200], [260, 205, 260, 260, 180], 5.0
    )
    assert [NoRate(why) for why in change.why] == [
        NoRate.GIVEN, NoRate.WITHIN_ERROR, NoRate.TOO_SOON, NoRate.MISSING, NoRate.GIVEN,
    ]  # fmt: skip
    assert change.gain.tolist()[:3] == [60, 5, 60]
    assert [math.isnan(rate) for rate in change.per_year] == [False, True, True, True, False]
    assert change.per_year[4] < 0
    assert change.rate_se_per_year[0] == pytest.approx(365.25 * math.sqrt(2) * 5 / 400)


def test_the_error_of_measuring_comes_out_of_fish_at_large_for_days() -> None:
    # Campbell and Collins (1975), bonito recaptured within 36 days: 69 fish; the SD of their increments is sqrt(2) times
    # that of one measurement.
    bonito = table("growth_bonito_campbell1975.csv")
    years = column(bonito, "t_recapture_y") - column(bonito, "t_release_y")
    gain_mm = 10 * (column(bonito, "length_recapture_cm") - column(bonito, "length_release_cm"))
    soon = gain_mm[years < 0.1]
    assert len(soon) == 69
    assert soon.std(ddof=1) / math.sqrt(2) == pytest.approx(LENGTH_SD_MM, abs=0.1)


@SURVEYS
def test_mean_rate_holds_the_truth_and_the_mean_of_clear_rates_does_not(surveys: int) -> None:
    def survey(rng: Generator) -> Held:
        days = rng.uniform(60, 500, 30)
        before = rng.uniform(200, 400, 30)
        truth = rng.normal(0.03, 0.015, 30)  # mm per day
        after = before + truth * days + rng.normal(0, math.sqrt(2) * LENGTH_SD_MM, 30)
        clear = change_between(days, before, after, LENGTH_SD_MM).per_year
        all_fish = given_answer(mean_rate(days, before, after, "mm"))
        chosen.append(float(np.nanmean(clear)) if np.isfinite(clear).any() else math.nan)
        return [(all_fish.interval, 0.03 * 365.25)]

    chosen: list[float] = []
    assert_nominal(coverage(surveys, 51, survey), surveys)
    assert float(np.nanmean(chosen)) > 1.1 * 0.03 * 365.25  # the fast ones


def test_the_error_of_a_gain_is_as_large_as_said() -> None:
    rng = np.random.default_rng(52)
    true = rng.uniform(200, 400, 20_000)
    change = change_between(
        np.full(20_000, 100.0), true + rng.normal(0, 4, 20_000), true + rng.normal(0, 4, 20_000), 4.0
    )
    assert float(change.gain.std()) == pytest.approx(float(change.gain_se[0]), rel=0.02)
    # fish that did not grow: one in twenty seems to
    assert float((change.why == NoRate.GIVEN).mean()) == pytest.approx(0.05, abs=0.01)


@SURVEYS
def test_intervals_of_mean_length_at_age_hold_the_truth(surveys: int) -> None:
    def survey(rng: Generator) -> Held:
        ages = np.repeat([1.0, 2.0, 3.0], (8, 15, 40))
        found = mean_length_at_age(ages, 100 * ages + rng.normal(0, 18, len(ages)))
        return [(given_answer(one.mean).interval, 100 * one.age_years) for one in found]

    assert_nominal(coverage(surveys, 53, survey), surveys)


def test_an_age_of_one_fish_has_no_mean_worth_the_name() -> None:
    one, two = mean_length_at_age([2, 1, 2, 2], [200, 110, 210, 190])
    assert isinstance(one.mean, Refused)
    assert one.sd is None
    assert given_answer(two.mean).value == 200
    assert two.sd == pytest.approx(10)
    assert mean_length_at_age([], []) == ()


def test_time_after_which_growth_shows() -> None:
    days = time_for_error(0.1)
    assert days == pytest.approx(1.96 * math.sqrt(2) * 5.8 / 0.1, rel=1e-4)
    just = change_between([days + 1], [200.0], [200.0 + 0.1 * (days + 1)], LENGTH_SD_MM)
    assert just.why[0] == NoRate.GIVEN
    with pytest.raises(ValueError, match="never exceeds"):
        time_for_error(0)


def test_data_that_cannot_be_are_errors_and_too_few_are_refused() -> None:
    with pytest.raises(ValueError, match="must not run back"):
        change_between([-1], [200], [210], 5.0)
    refused = mean_rate([5, 100], [200, 200], [210, 210], "mm")
    assert isinstance(refused, Refused)
    assert refused.why == "1 fish at large for 14 days or more."
    season = given_answer(mean_rate([100, 120], [200, 200], [210, 212], "mm"))
    assert any("this season" in caution for caution in season.cautions)
