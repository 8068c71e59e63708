"""The length-weight relation of a water: published fits come out, wrong pairs do not bend it."""

import csv
import math
import random
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fishery.single import (
    LEAST_SCATTER_SD,
    Relation,
    StandardWeight,
    expected_weight_g,
    fit_length_weight,
    log_likelihood_pair,
    prior_relation,
    residual_log10,
    residual_sd,
)

DATA = Path(__file__).parent / "data"
LARGEMOUTH = StandardWeight(-5.528, 3.273, 0, 150, None, "TL", "Henson (1991)")


def cutthroat(population: str) -> tuple[list[float], list[float]]:
    lines = (DATA / "wr_cutthroat_box10_1.csv").read_text(encoding="utf-8").splitlines()
    table = csv.DictReader(line for line in lines if not line.startswith("#"))
    fish = [row for row in table if row["population"] == population]
    return [float(f["tl_mm"]) for f in fish], [float(f["weight_g"]) for f in fish]


def water(n: int, seed: int, wr: float = 85, sd: float = 0.04) -> tuple[list[float], list[float]]:
    """An invented water: fish about the line of largemouth bass at relative weight `wr`."""
    chance = random.Random(seed)
    lengths = [chance.uniform(160, 480) for _ in range(n)]
    middle = LARGEMOUTH.log10_a + math.log10(wr / 100)
    weights = [10 ** (middle + LARGEMOUTH.b * math.log10(mm) + chance.gauss(0, sd)) for mm in lengths]
    return lengths, weights


def fitted(lengths: list[float], weights: list[float], prior: StandardWeight | None = None) -> Relation:
    relation = fit_length_weight(lengths, weights, prior)
    assert relation is not None
    return relation


# Box 10.1 of Guy and Brown, editors (2007), as worked in open course notes: least squares lines of log10
# weight on log10 length, their residual SD, and the weights (g) that they give at 250, 300 and 450 mm.
BOX_A = Relation(-5.14432, 3.06874, 0, 0.04335, 50, 0, 0, 0)
BOX_B = Relation(-5.3694, 3.1431, 0, 0.04263, 50, 0, 0, 0)


@pytest.mark.parametrize(
    ("line", "printed_g"), [(BOX_A, (163.80, 286.62, 994.69)), (BOX_B, (147.07, 260.85, 932.95))]
)
def test_expected_weights_of_the_worked_cutthroat_box(
    line: Relation, printed_g: tuple[float, float, float]
) -> None:
    for length_mm, weight_g in zip((250, 300, 450), printed_g, strict=True):
        # the box computes with more digits of the coefficients than it prints
        assert expected_weight_g(line, length_mm) == pytest.approx(weight_g, rel=2e-4)


def test_robust_fit_agrees_with_the_published_least_squares_fit() -> None:
    relation = fitted(*cutthroat("A"))
    assert relation.b == pytest.approx(BOX_A.b, abs=0.01)
    assert relation.sd == pytest.approx(BOX_A.sd, abs=0.001)
    for length_mm in (130, 250, 300, 360):
        assert expected_weight_g(relation, length_mm) == pytest.approx(
            expected_weight_g(BOX_A, length_mm), rel=0.01
        )


def test_two_thin_fish_tilt_the_published_line_but_not_the_robust_one() -> None:
    lengths, weights = cutthroat("B")
    thin = [
        i
        for i, (mm, g) in enumerate(zip(lengths, weights, strict=True))
        if residual_log10(BOX_B, mm, g) < -0.1
    ]
    assert len(thin) == 2
    kept = [i for i in range(len(lengths)) if i not in thin]
    without = fitted([lengths[i] for i in kept], [weights[i] for i in kept])
    with_them = fitted(lengths, weights)
    assert with_them.b == pytest.approx(without.b, abs=0.01)
    assert with_them.sd == pytest.approx(without.sd, abs=0.002)
    assert BOX_B.b - with_them.b > 0.2


def test_a_fifth_of_wrong_weights_does_not_move_the_line() -> None:
    lengths, weights = water(100, seed=1)
    clean = fitted(lengths, weights)
    spoilt = [g * 10 if i % 5 == 0 else g for i, g in enumerate(weights)]
    robust = fitted(lengths, spoilt)
    for length_mm in (200, 300, 450):
        assert expected_weight_g(robust, length_mm) == pytest.approx(
            expected_weight_g(clean, length_mm), rel=0.03
        )
    assert robust.sd < 1.6 * clean.sd


def test_fitting_again_to_fish_that_passed_does_not_narrow_the_line_step_by_step() -> None:
    lengths, weights = water(400, seed=2)
    first = last = fitted(lengths, weights)
    for _ in range(10):
        passed = [
            (mm, g)
            for mm, g in zip(lengths, weights, strict=True)
            if abs(residual_log10(last, mm, g)) < 3 * residual_sd(last, mm)
        ]
        last = fitted([mm for mm, _ in passed], [g for _, g in passed])
    assert last.sd > 0.95 * first.sd


def test_too_few_fish_or_one_length_alone_give_no_line() -> None:
    lengths, weights = water(20, seed=3)
    assert fit_length_weight(lengths[:19], weights[:19]) is None
    assert fit_length_weight(lengths, weights) is not None
    assert fit_length_weight([300.0] * 30, weights + weights[:10]) is None


def test_a_pair_that_is_no_measure_is_left_out() -> None:
    lengths, weights = water(20, seed=3)
    assert fitted([*lengths, 0.0, 300.0], [*weights, 100.0, 0.0]).n == 20


def test_with_the_published_line_fish_of_one_length_shift_the_level_and_keep_the_slope() -> None:
    relation = fitted([300.0] * 40, [0.8 * 10 ** (-5.528 + 3.273 * math.log10(300))] * 40, LARGEMOUTH)
    assert relation.b == LARGEMOUTH.b
    assert expected_weight_g(relation, 300) == pytest.approx(
        0.8 * 10 ** (-5.528 + 3.273 * math.log10(300)), rel=0.01
    )
    assert residual_sd(relation, 600) > residual_sd(relation, 300)
    assert relation.sd == LEAST_SCATTER_SD


def test_the_published_line_steadies_a_small_sample_and_gives_way_to_a_large_one() -> None:
    few, many = water(20, seed=4, wr=80), water(500, seed=4, wr=80)
    prior = prior_relation(LARGEMOUTH)
    for sample, least, greatest in ((few, 0.80, 1.0), (many, 0.98, 1.0)):
        pulled, free = fitted(*sample, LARGEMOUTH), fitted(*sample)
        at = 10**pulled.centre_x
        moved = math.log10(expected_weight_g(pulled, at) / expected_weight_g(prior, at))
        wanted = math.log10(expected_weight_g(free, at) / expected_weight_g(prior, at))
        assert least < moved / wanted < greatest


def test_before_any_fish_is_known_an_average_fish_is_below_the_75th_percentile() -> None:
    prior = prior_relation(LARGEMOUTH)
    # Geometric mean Wr of 96 walleye populations 92.6 (data of Gerow et al. 2005).
    assert residual_log10(prior, 300, 0.926 * 10 ** (-5.528 + 3.273 * math.log10(300))) == pytest.approx(
        0, abs=1e-9
    )
    assert residual_sd(prior, 300) == residual_sd(prior, 600) == 0.058


def test_the_true_pairing_is_likelier_than_one_shifted_by_a_fish() -> None:
    lengths, weights = water(9, seed=5)
    relation = fitted(*water(100, seed=6), LARGEMOUTH)
    as_is = sum(log_likelihood_pair(relation, mm, g) for mm, g in zip(lengths[1:], weights[1:], strict=True))
    shifted = sum(
        log_likelihood_pair(relation, mm, g) for mm, g in zip(lengths[1:], weights[:-1], strict=True)
    )
    assert as_is - shifted > 7


def test_one_wrong_pair_costs_only_so_much() -> None:
    relation = prior_relation(LARGEMOUTH)
    good = log_likelihood_pair(relation, 300, expected_weight_g(relation, 300))
    absurd = log_likelihood_pair(relation, 300, 1e9)
    assert absurd == pytest.approx(math.log(0.01 * 0.5))
    assert 5 < good - absurd < 10


@settings(deadline=None, max_examples=60)
@given(
    st.lists(st.tuples(st.floats(1e-3, 1e5), st.floats(1e-3, 1e6)), min_size=20, max_size=40),
    st.booleans(),
)
def test_any_measures_give_a_finite_line_or_none(pairs: list[tuple[float, float]], with_prior: bool) -> None:
    relation = fit_length_weight(
        [p[0] for p in pairs], [p[1] for p in pairs], LARGEMOUTH if with_prior else None
    )
    if relation is not None:
        assert all(math.isfinite(v) for v in (relation.log10_a, relation.b, relation.sd, relation.level_sd))
        assert relation.sd >= LEAST_SCATTER_SD
        assert math.isfinite(log_likelihood_pair(relation, 300, 400))


@settings(deadline=None, max_examples=30)
@given(st.floats(0.05, 20))
def test_weighing_in_another_unit_only_moves_the_level(factor: float) -> None:
    lengths, weights = water(40, seed=7)
    plain, scaled = fitted(lengths, weights), fitted(lengths, [factor * g for g in weights])
    assert scaled.b == pytest.approx(plain.b, abs=1e-6)
    assert expected_weight_g(scaled, 300) == pytest.approx(factor * expected_weight_g(plain, 300), rel=1e-6)
