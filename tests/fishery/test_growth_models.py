"""Von Bertalanffy curves: against printed fits, an independent optimiser and simulated fish."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.random import Generator
from numpy.typing import NDArray
from scipy.optimize import curve_fit

from fishery.answers import Interval, Refused
from fishery.growth_expected import Expected, expected_at_age, expected_at_recapture
from fishery.growth_models import Curve, fit_at_age, fit_fabens, von_bertalanffy
from fishery.growth_published import CURVES, LENGTHS
from tests.fishery.covering import SURVEYS, Held, assert_nominal, coverage
from tests.fishery.tables import column, table


def fitted(answer: Curve | Refused) -> Curve:
    assert isinstance(answer, Curve), answer
    return answer


def expected(answer: Expected | Refused) -> Expected:
    assert isinstance(answer, Expected), answer
    return answer


def ends(interval: Interval | None) -> tuple[float, float]:
    assert interval is not None
    return interval.low, interval.high


def errors(curve: Curve) -> list[float]:
    return [math.sqrt(curve.covariance[i][i]) for i in range(len(curve.covariance))]


def test_fabens_fit_of_the_turtle_box_to_its_printed_digits() -> None:
    # Box 5.6 of Isely and Grabowski in Guy and Brown, editors (2007), years of 365 days: Linf 88.04809 (3.519198),
    # K 0.084548 (0.008202), residual error 1.388 on 15 degrees of freedom, t intervals and correlation as below. Lengths in
    # cm, as there: the fit knows no unit.
    turtles = table("growth_turtle_box5_6.csv")
    curve = fitted(
        fit_fabens(
            column(turtles, "length_mark_cm"),
            column(turtles, "length_recapture_cm"),
            column(turtles, "days_at_large") / 365,
        )
    )
    assert curve.linf.value == pytest.approx(88.04809, abs=5e-6)
    assert curve.k.value == pytest.approx(0.084548, abs=5e-7)
    assert errors(curve) == pytest.approx([3.519198, 0.008202], abs=5e-7)
    assert curve.residual_sd == pytest.approx(1.388, abs=5e-4)
    assert curve.residual_sd**2 * curve.df == pytest.approx(28.9, abs=0.05)
    assert curve.df == 15
    assert ends(curve.linf.interval) == pytest.approx((80.547, 95.549), abs=5e-4)
    assert ends(curve.k.interval) == pytest.approx((0.067066, 0.102030), abs=5e-7)
    assert curve.correlation == pytest.approx(-0.90798, abs=5e-6)


def test_fabens_fit_of_the_kenai_trout_as_an_independent_optimiser_has_it() -> None:
    # Data: Quinn and Deriso (1999), Table 4.10. Its estimates were not seen; the numbers are those of our separate script.
    trout = table("growth_rainbow_trout_kenai.csv")
    marked, seen = column(trout, "length_mark_mm"), column(trout, "length_recapture_mm")
    years = column(trout, "years_at_large")
    curve = fitted(fit_fabens(marked, seen, years))
    assert (curve.linf.value, curve.k.value, curve.residual_sd) == pytest.approx(
        (659.06, 0.29544, 29.286), rel=1e-4
    )
    assert errors(curve) == pytest.approx([43.42, 0.04726], rel=1e-3)

    def grown(_: NDArray[np.float64], linf: float, k: float) -> NDArray[np.float64]:
        return np.asarray(marked + (linf - marked) * (1 - np.exp(-k * years)))

    best, covariance = curve_fit(grown, marked, seen, p0=(700, 0.2))
    assert (curve.linf.value, curve.k.value) == pytest.approx(tuple(best), rel=1e-5)
    assert np.array(curve.covariance) == pytest.approx(covariance, rel=1e-3)


def test_black_crappie_of_lake_dora() -> None:
    # Allen and Hightower (2010), Box 2.5: Linf 350, K 0.41, t0 -0.49, found by a spreadsheet, and the predictions from its
    # digits that are not printed. The least squares lie a little beside.
    crappie = table("growth_black_crappie_lake_dora.csv")
    ages, means = column(crappie, "age_y"), column(crappie, "mean_tl_mm")
    printed = column(crappie, "published_prediction_mm")
    curve = fitted(fit_at_age(ages, means))
    assert curve.t0 is not None
    assert (curve.linf.value, curve.k.value, curve.t0.value) == pytest.approx((350, 0.41, -0.49), rel=0.05)
    assert np.array([curve.length_at(age) for age in ages]) == pytest.approx(printed, abs=1)
    squares = curve.residual_sd**2 * curve.df
    assert squares < sum((means - np.array([von_bertalanffy(350, 0.41, -0.49, age) for age in ages])) ** 2)
    assert squares == pytest.approx(
        291.95, abs=0.005
    )  # by our separate script too; the box adds up rounded squares to 289
    best, _ = curve_fit(
        lambda t, linf, k, t0: linf * (1 - np.exp(-k * (t - t0))), ages, means, p0=(350, 0.4, -0.5)
    )
    assert (curve.linf.value, curve.k.value, curve.t0.value) == pytest.approx(tuple(best), rel=1e-5)


@pytest.mark.parametrize(
    ("place", "lengths_mm"),
    [(0, (216.5, 296.2, 361.1, 413.9, 456.9)), (1, (200.5, 262.2, 307.1, 339.8, 363.7))],
)
def test_published_lines_of_florida_bass(place: int, lengths_mm: tuple[float, ...]) -> None:
    # Bonvechio, Allen and Cailteux (2005), abstract: the lines; lengths at ages 1 to 5 calculated beforehand from them.
    assert [CURVES[place].length_at(age) for age in range(1, 6)] == pytest.approx(lengths_mm, abs=0.051)


def test_published_tables_know_their_ages() -> None:
    bass, flathead, _ = LENGTHS
    assert bass.length_at(1) == 78.8
    assert bass.length_at(8) is None
    assert bass.length_at(0) is None
    assert flathead.length_at(2) == pytest.approx(9.7 * 25.4, abs=0.05)
    assert all(sorted(one.lengths_mm) == list(one.lengths_mm) for one in LENGTHS)


LINF, K, T0, SD = 600.0, 0.3, -0.6, 10.0


@SURVEYS
@pytest.mark.parametrize("n", [25, 80])
def test_fabens_intervals_hold_the_truth_where_its_assumptions_do(surveys: int, n: int) -> None:
    def survey(rng: Generator) -> Held:
        marked, years = rng.uniform(150, 500, n), rng.uniform(0.3, 3, n)
        seen = marked + (LINF - marked) * (1 - np.exp(-K * years)) + rng.normal(0, SD, n)
        curve = fitted(fit_fabens(marked, seen, years))
        one_more = 250 + (LINF - 250) * (1 - math.exp(-K * 1.5)) + rng.normal(0, SD)
        prediction = expected(expected_at_recapture(curve, 250, 2024.3, 2025.8))
        return [(curve.linf.interval, LINF), (curve.k.interval, K), (prediction.interval, one_more)]

    assert_nominal(coverage(surveys, 61, survey), surveys)


@SURVEYS
def test_intervals_of_the_curve_at_age_hold_the_truth(surveys: int) -> None:
    def survey(rng: Generator) -> Held:
        ages = rng.integers(1, 10, 60).astype(float)
        lengths = LINF * (1 - np.exp(-K * (ages - T0))) + rng.normal(0, 2 * SD, 60)
        curve = fitted(fit_at_age(ages, lengths))
        assert curve.t0 is not None
        one_more = von_bertalanffy(LINF, K, T0, 4.0) + rng.normal(0, 2 * SD)
        prediction = expected(expected_at_age(curve, 4.0))
        return [
            (curve.linf.interval, LINF),
            (curve.k.interval, K),
            (curve.t0.interval, T0),
            (prediction.interval, one_more),
        ]

    assert_nominal(coverage(surveys, 62, survey), surveys)


def test_where_fish_differ_fabens_goes_astray_as_its_caution_says() -> None:
    rng = np.random.default_rng(63)
    linf = rng.normal(LINF, 80, 3000)
    marked = linf * rng.uniform(0.3, 0.9, 3000)
    years = rng.uniform(0.3, 3, 3000)
    curve = fitted(fit_fabens(marked, marked + (linf - marked) * (1 - np.exp(-K * years)), years))
    assert curve.linf.value > 1.03 * LINF
    assert curve.k.value < 0.97 * K
    assert "Linf comes out too large" in curve.linf.cautions[0]


@settings(deadline=None, max_examples=20)
@given(st.integers(0, 1000), st.floats(0.05, 20), st.floats(0.2, 5))
def test_units_of_length_and_time_carry_through_and_order_does_not_matter(
    seed: int, size: float, slow: float
) -> None:
    rng = np.random.default_rng(seed)
    marked, years = rng.uniform(150, 500, 40), rng.uniform(0.3, 3, 40)
    seen = marked + (LINF - marked) * (1 - np.exp(-K * years)) + rng.normal(0, 5, 40)
    plain = fitted(fit_fabens(marked, seen, years))
    order = rng.permutation(40)
    other = fitted(fit_fabens(size * marked[order], size * seen[order], slow * years[order]))
    assert other.linf.value == pytest.approx(size * plain.linf.value, rel=1e-6)
    assert other.k.value == pytest.approx(plain.k.value / slow, rel=1e-6)
    assert other.residual_sd == pytest.approx(size * plain.residual_sd, rel=1e-6)


def test_fish_that_show_no_bend_have_no_curve() -> None:
    marked, years = np.linspace(150, 250, 30), np.full(30, 1.0)
    straight = fit_fabens(marked, marked + 80, years)
    assert isinstance(straight, Refused)
    assert straight.why == "The lengths of 30 fish show no slowing of growth: no Linf and K can be told."
    rng = np.random.default_rng(64)
    vague = fit_fabens(marked, marked + 80 - 0.1 * marked + rng.normal(0, 40, 30), years)
    assert isinstance(vague, Refused)
    assert "cannot be told from 0" in vague.why or "no slowing" in vague.why
    few = fit_fabens(marked[:9], marked[:9] + 50, years[:9])
    assert isinstance(few, Refused)
    assert few.why == "9 recaptured fish."
    assert isinstance(fit_at_age([1, 2, 3, 3], [100, 180, 240, 250]), Refused)
    assert isinstance(fit_at_age([1, 2, 3, 4, 5, 6], [100, 200, 300, 400, 500, 600]), Refused)
    assert isinstance(fit_fabens([], [], []), Refused)
    shrinking = [500.0, 420.0, 380.0, 360.0, 350.0, 345.0]
    assert isinstance(fit_at_age([1, 2, 3, 4, 5, 6], shrinking), Refused)
    rng = np.random.default_rng(66)
    noisy = [
        isinstance(fit_at_age(np.arange(1.0, 7.0), 300 + rng.normal(0, 60, 6)), Refused) for _ in range(20)
    ]
    assert sum(noisy) > 10


def test_mean_lengths_weigh_by_their_fish() -> None:
    ages = [1.0, 2.0, 3.0, 4.0, 5.0, 6.0]
    lengths = [220.0, 310.0, 385.0, 430.0, 470.0, 505.0]
    many = fitted(fit_at_age(ages, lengths, [10, 10, 10, 10, 10, 10]))
    alike = fitted(fit_at_age(ages, lengths))
    assert (many.linf.value, many.k.value) == pytest.approx((alike.linf.value, alike.k.value))
    repeated = fitted(fit_at_age([*ages, 6.0, 6.0], [*lengths, 505.0, 505.0]))
    weighted = fitted(fit_at_age(ages, lengths, [1, 1, 1, 1, 1, 3]))
    assert weighted.linf.value == pytest.approx(repeated.linf.value, rel=1e-6)


def test_one_fish_against_the_curve() -> None:
    rng = np.random.default_rng(65)
    marked, years = rng.uniform(150, 500, 60), rng.uniform(0.3, 3, 60)
    curve = fitted(
        fit_fabens(marked, marked + (LINF - marked) * (1 - np.exp(-K * years)) + rng.normal(0, SD, 60), years)
    )
    plain = expected(expected_at_recapture(curve, 300, 2024.0, 2025.0))
    assert plain.verdict is None
    low, high = ends(plain.interval)
    verdicts = [
        expected(expected_at_recapture(curve, 300, 2024.0, 2025.0, seen)).verdict
        for seen in (low - 1, plain.expected_mm, high + 1)
    ]
    assert verdicts == ["shorter", "as expected", "longer"]
    assert plain.cautions == ()
    assert (
        "outside the fish behind the curve"
        in expected(expected_at_recapture(curve, 90, 2024.0, 2025.0)).cautions[0]
    )
    # no time, no growth: only the spread about the curve is left
    assert expected(expected_at_recapture(curve, 300, 2024.0, 2024.0)).expected_mm == 300
    assert isinstance(expected_at_age(curve, 3), Refused)
    with pytest.raises(ValueError, match="knows growth from a length"):
        curve.length_at(3)
    with pytest.raises(ValueError, match="no recapture"):
        expected_at_recapture(curve, 300, 2024.0, 2023.0)
    at_age = fitted(fit_at_age(*known_age(rng)))
    assert isinstance(expected_at_recapture(at_age, 300, 2024.0, 2025.0), Refused)
    assert at_age.length_at(4) == expected(expected_at_age(at_age, 4)).expected_mm
    with pytest.raises(ValueError, match="age of -1"):
        expected_at_age(at_age, -1)


def known_age(rng: Generator) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    ages = np.repeat(np.arange(1.0, 9.0), 6)
    return ages, LINF * (1 - np.exp(-K * (ages - T0))) + rng.normal(0, SD, len(ages))


def test_times_and_ages_that_cannot_be_are_errors() -> None:
    with pytest.raises(ValueError, match="after the marking"):
        fit_fabens([200.0] * 12, [250.0] * 12, [0.0] * 12)
    with pytest.raises(ValueError, match="no age below 0"):
        fit_at_age([-1.0, 1, 2, 3, 4], [1.0, 2, 3, 4, 5])
    with pytest.raises(ValueError, match="leave missing values out"):
        fit_fabens([math.nan] * 12, [250.0] * 12, [1.0] * 12)
