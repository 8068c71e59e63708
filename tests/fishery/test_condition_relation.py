"""The length-weight relation of a water: against printed fits, against an independent library, against simulation."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.random import Generator
from numpy.typing import NDArray
from scipy import stats

from fishery.answers import Refused
from fishery.length_weight import LengthWeight, expected_weight, fit_relation, robust_line
from tests.fishery.covering import SURVEYS, Held, assert_no_less, assert_nominal, coverage
from tests.fishery.tables import column, table


def fitted(answer: LengthWeight | Refused) -> LengthWeight:
    assert isinstance(answer, LengthWeight), answer
    return answer


@pytest.mark.parametrize(
    ("population", "a", "b", "digits", "sd", "weights_g"),
    [
        ("A", -5.14432, 3.06874, 5e-6, 0.04335, (163.80, 286.62, 994.69)),
        ("B", -5.3694, 3.1431, 5e-5, 0.04263, (147.07, 260.85, 932.95)),
    ],
)
def test_fit_of_the_worked_cutthroat_box(
    population: str, a: float, b: float, digits: float, sd: float, weights_g: tuple[float, ...]
) -> None:
    # Box 10.1 of Guy and Brown, editors (2007), as worked in open course notes; weights at 250, 300, 450 mm.
    fish = [row for row in table("wr_cutthroat_box10_1.csv") if row["population"] == population]
    relation = fitted(fit_relation(column(fish, "tl_mm"), column(fish, "weight_g"), "TL"))
    assert relation.log10_a.value == pytest.approx(a, abs=digits)
    assert relation.b.value == pytest.approx(b, abs=digits)
    assert relation.sd == pytest.approx(sd, abs=5e-6)
    for length_mm, weight_g in zip((250, 300, 450), weights_g, strict=True):
        # the box computed these from its rounded coefficients
        assert expected_weight(relation, length_mm, "median").value == pytest.approx(weight_g, rel=2e-4)
    if population == "A":
        assert relation.r2 == pytest.approx(0.9896, abs=5e-5)


def test_fit_and_its_errors_as_an_independent_library_has_them() -> None:
    fish = table("wr_cutthroat_box10_1.csv")
    x, y = np.log10(column(fish, "tl_mm")), np.log10(column(fish, "weight_g"))
    relation = fitted(fit_relation(10**x, 10**y, "TL"))
    other = stats.linregress(x, y)
    t = stats.t.ppf(0.975, len(x) - 2)
    assert relation.b.value == pytest.approx(other.slope, rel=1e-10)
    assert relation.log10_a.value == pytest.approx(other.intercept, rel=1e-10)
    assert relation.b.interval is not None
    assert relation.log10_a.interval is not None
    assert relation.b.interval.width / 2 == pytest.approx(t * other.stderr, rel=1e-9)
    assert relation.log10_a.interval.width / 2 == pytest.approx(t * other.intercept_stderr, rel=1e-9)


def test_robust_line_of_the_belgian_telephone_calls() -> None:
    # International calls from Belgium 1950-73, six years of them recorded in another unit (Rousseeuw and Leroy 1987);
    # biweight regression printed by Venables and Ripley (2002), 6.5: -52.3025 (2.7530) + 1.0980 (0.0445) year, scale 1.654
    # (from memory; least squares gives a slope of 5.04). Its iteration stopped at 4 digits, hence the tolerance.
    calls = [4.4, 4.7, 4.7, 5.9, 6.6, 7.3, 8.1, 8.8, 10.6, 12.0, 13.5, 14.9, 16.1, 21.2,
             119.0, 124.0, 142.0, 159.0, 182.0, 212.0, 43.0, 24.0, 27.0, 29.0]  # fmt: skip
    line = robust_line(np.arange(50.0, 74.0), np.array(calls))
    assert line is not None
    assert line.level - line.slope * line.centre == pytest.approx(-52.3025, rel=1e-3)
    assert line.slope == pytest.approx(1.0980, rel=1e-3)
    assert line.sd == pytest.approx(1.654, rel=2e-3)
    # the book's errors are of a form that lets outlying x count; ours does not, and may be a little larger
    assert line.slope_se == pytest.approx(0.0445, rel=0.1)
    assert line.doubted == 8


LOG_A, B, SD = -5.2, 3.1, 0.045  # scatter as in single waters


def drawn(rng: Generator, n: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    lengths = np.exp(rng.normal(math.log(300), 0.3, n))
    return lengths, 10 ** (LOG_A + B * np.log10(lengths) + rng.normal(0, SD, n))


@SURVEYS
@pytest.mark.parametrize(("n", "robust"), [(20, False), (60, False), (60, True)])
def test_intervals_of_line_and_weights_hold_the_truth(surveys: int, n: int, robust: bool) -> None:
    median_g = 10 ** (LOG_A + B * math.log10(350))
    mean_g = median_g * math.exp((math.log(10) * SD) ** 2 / 2)

    def survey(rng: Generator) -> Held:
        relation = fitted(fit_relation(*drawn(rng, n), "TL", robust))
        one_more_g = median_g * 10 ** rng.normal(0, SD)
        return [
            (relation.b.interval, B),
            (relation.log10_a.interval, LOG_A),
            (expected_weight(relation, 350, "median").interval, median_g),
            (expected_weight(relation, 350, "mean").interval, mean_g),
            (expected_weight(relation, 350, "one fish").interval, one_more_g),
        ]

    assert_nominal(coverage(surveys, 21, survey), surveys)


@SURVEYS
def test_robust_intervals_hold_the_truth_among_slips_where_plain_ones_do_not(surveys: int) -> None:
    def survey(rng: Generator) -> Held:
        lengths, weights = drawn(rng, 60)
        lengths[:4] /= 10  # typed in cm
        robust, plain = (fitted(fit_relation(lengths, weights, "TL", kind)) for kind in (True, False))
        assert robust.doubted >= 4
        return [(robust.b.interval, B), (robust.log10_a.interval, LOG_A), (plain.b.interval, B)]

    *robust, plain = coverage(surveys, 22, survey)
    assert_no_less(robust, surveys)
    assert plain < 0.1


def test_the_correction_brings_the_mean_weight_which_the_bare_line_misses() -> None:
    # Sprugel (1983): the line gives the median; the mean lies higher by exp(s^2 / 2), 1.9 % at this scatter.
    rng = np.random.default_rng(23)
    lengths = np.full(200_000, 350.0) * np.exp(rng.normal(0, 0.1, 200_000))
    weights = 10 ** (LOG_A + B * np.log10(lengths) + rng.normal(0, 0.085, len(lengths)))
    relation = fitted(fit_relation(lengths, weights, "TL"))
    mean_g = np.array([expected_weight(relation, mm, "mean").value for mm in lengths[:2000]]).mean()
    median_g = np.array([expected_weight(relation, mm, "median").value for mm in lengths[:2000]]).mean()
    truth = (10 ** (LOG_A + B * np.log10(lengths[:2000]))).mean() * math.exp((math.log(10) * 0.085) ** 2 / 2)
    assert mean_g == pytest.approx(truth, rel=0.001)
    assert median_g == pytest.approx(truth / 1.0193, rel=0.001)
    assert relation.correction == pytest.approx(1.0193, abs=2e-4)


@settings(deadline=None, max_examples=25)
@given(st.integers(0, 10_000), st.floats(0.1, 50), st.booleans())
def test_a_change_of_unit_changes_the_level_alone_and_the_order_of_fish_nothing(
    seed: int, factor: float, robust: bool
) -> None:
    rng = np.random.default_rng(seed)
    lengths, weights = drawn(rng, 30)
    plain = fitted(fit_relation(lengths, weights, "TL", robust))
    heavier = fitted(fit_relation(lengths, factor * weights, "TL", robust))
    order = rng.permutation(30)
    shuffled = fitted(fit_relation(lengths[order], weights[order], "TL", robust))
    assert heavier.b.value == pytest.approx(plain.b.value, abs=1e-6)
    assert heavier.log10_a.value == pytest.approx(plain.log10_a.value + math.log10(factor), abs=1e-5)
    assert shuffled.b.value == pytest.approx(plain.b.value, abs=1e-9)


def test_too_few_or_too_alike_fish_are_refused_and_odd_lines_remarked() -> None:
    refused = fit_relation([200.0] * 9, [100.0] * 9, "TL")
    assert isinstance(refused, Refused)
    assert refused.why == "9 fish of 200-200 mm, measured and weighed."
    assert isinstance(fit_relation(np.linspace(200, 230, 50), np.linspace(90, 120, 50), "TL"), Refused)
    assert isinstance(fit_relation([], [], "TL"), Refused)
    lengths = np.linspace(100, 400, 30)
    odd = fitted(fit_relation(lengths, 1e-3 * lengths**2, "TL"))
    assert "outside 2.5-3.5" in odd.b.cautions[0]
    assert expected_weight(odd, 401).cautions == (
        "401 mm lies outside the fish behind the line (100-400 mm).",
    )
    with pytest.raises(ValueError, match="above 0"):
        fit_relation([0.0] * 10, [1.0] * 10, "TL")


def test_fish_of_one_length_and_a_few_others_make_no_relation() -> None:
    # The biweight would listen to the eight alone, which lie on any line.
    lengths, weights = [250.0] * 8 + [320.0, 320.0], [200.0 + one for one in range(8)] + [400.0, 500.0]
    answer = fit_relation(lengths, weights, "TL", robust=True)
    assert isinstance(answer, Refused)
    assert "all of one length" in answer.why
