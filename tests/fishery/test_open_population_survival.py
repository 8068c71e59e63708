"""Histories and Cormack-Jolly-Seber: against the dipper as published, a general minimizer, and simulated fish."""

import math
from typing import Literal

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.random import Generator
from scipy.optimize import minimize
from scipy.special import expit

from fishery.answers import Refused
from fishery.histories import from_sums, goodness_of_fit, summarize
from fishery.survival import SurvivalModel, aicc, cormack_jolly_seber, rank
from fishery.survival_fit import Rate
from tests.fishery.covering import SURVEYS, Held, assert_nominal, coverage
from tests.fishery.tables import table

ROWS = table("open_dipper_histories.csv")
HISTORIES = np.array([[int(one) for one in row["history"]] for row in ROWS])
MALES, FEMALES = (np.array([int(row[name]) for row in ROWS]) for name in ("n_male", "n_female"))
DIPPER = summarize(HISTORIES, MALES + FEMALES)
PUBLISHED = {row["model"]: row for row in table("open_dipper_published.csv")}


def fitted(answer: SurvivalModel | Refused) -> SurvivalModel:
    assert isinstance(answer, SurvivalModel)
    return answer


def printed(name: str) -> SurvivalModel:
    structures = {
        "phi(.)p(.)": cormack_jolly_seber(DIPPER),
        "phi(flood)p(.)": cormack_jolly_seber(DIPPER, (0, 1, 1, 0, 0, 0)),
        "phi(t)p(.)": cormack_jolly_seber(DIPPER, "time"),
        "phi(.)p(t)": cormack_jolly_seber(DIPPER, "constant", "time"),
        "phi(t)p(t)": cormack_jolly_seber(DIPPER, "time", "time"),
    }
    return fitted(structures[name])


def test_the_m_array_of_the_dipper_as_published() -> None:
    # Lebreton et al. 1992: R 22 60 78 80 88 98; m 11 2 | 24 1 | 34 2 | 45 1 2 | 51 | 52.
    assert DIPPER.released[:-1].tolist() == [22, 60, 78, 80, 88, 98]
    flows = {
        (i, j): int(DIPPER.next_capture[i, j]) for i, j in zip(*np.nonzero(DIPPER.next_capture), strict=True)
    }
    assert flows == {
        (0, 1): 11, (0, 2): 2, (1, 2): 24, (1, 3): 1, (2, 3): 34, (2, 4): 2, (3, 4): 45, (3, 5): 1, (3, 6): 2, (4, 5): 51,
        (5, 6): 52,
    }  # fmt: skip


@pytest.mark.parametrize("name", list(PUBLISHED))
def test_the_five_dipper_models_as_published(name: str) -> None:
    # Teaching notes of January 2022, output of a standard program; AICc there counts k as in the table.
    row, model = PUBLISHED[name], printed(name)
    assert model.neg2loglik == pytest.approx(float(row["neg2lnL"]), abs=5e-5)
    assert aicc(model.neg2loglik, int(row["k"]), model.releases) == pytest.approx(
        float(row["AICc"]), abs=6e-5
    )
    # against the model in which every history has a probability of its own within the birds first caught with it
    birds, first = MALES + FEMALES, HISTORIES.argmax(axis=1)
    share = birds / np.bincount(first, weights=birds)[first]
    saturated = -2 * float(birds @ np.log(np.where(birds, share, 1)))
    assert model.neg2loglik - saturated == pytest.approx(float(row["deviance"]), abs=6e-5)


def estimates(rates: tuple[Rate, ...]) -> list[float]:
    return [one.estimate for one in rates if one.estimate is not None and not one.product]


@pytest.mark.parametrize("name", ["phi(.)p(.)", "phi(t)p(.)", "phi(.)p(t)", "phi(t)p(t)"])
def test_the_dipper_s_rates_as_published(name: str) -> None:
    model, row = printed(name), PUBLISHED[name]
    for rates, text in ((model.survival, row["phi"]), (model.recapture, row["p"])):
        numbers = [float(one) for one in text.split("(")[0].split()]
        assert estimates(rates) == pytest.approx(numbers, abs=1e-6)


def test_the_flood_model_s_rates_as_published() -> None:
    # non-flood .6070958, flood .4688272, p .8997889
    model = printed("phi(flood)p(.)")
    assert estimates(model.survival) == pytest.approx([0.6070958, 0.4688272], abs=1e-6)
    assert estimates(model.recapture) == pytest.approx([0.8997889], abs=1e-6)
    assert [one.holds_for for one in model.survival] == [(0, 3, 4, 5), (1, 2)]


def test_standard_errors_and_limits_of_the_constant_model_as_published() -> None:
    # phi SE .0251330 (.5105493-.6087577), p SE .0285857 (.8304826-.9460113)
    model = printed("phi(.)p(.)")
    for rate, se, low, high in (
        (model.survival[0], 0.0251330, 0.5105493, 0.6087577),
        (model.recapture[0], 0.0285857, 0.8304826, 0.9460113),
    ):
        assert rate.interval is not None
        assert rate.se == pytest.approx(se, abs=1e-6)
        # printed with z = 1.96 in short, hence 2e-6
        assert (rate.interval.low, rate.interval.high) == pytest.approx((low, high), abs=3e-6)


def test_what_cannot_be_told_apart_is_given_as_a_product_and_counted_once() -> None:
    # Published: only phi6 p7 = .5306 can be estimated, 11 of 12 parameters.
    model = printed("phi(t)p(t)")
    assert model.parameters == 11
    last = model.survival[-1]
    assert last.product
    assert last.estimate == pytest.approx(0.5306, abs=5e-5)
    assert model.recapture[-1].estimate is None
    assert any("told apart" in one for one in model.cautions)


def test_goodness_of_fit_of_the_dipper_as_published() -> None:
    # Open listing: females TEST 3.SR 4.985 (5 df), 2.CT 3.250 (4 df); males 3.SR 6.778 (5 df).
    females, males = (goodness_of_fit(summarize(HISTORIES, count)) for count in (FEMALES, MALES))
    assert (females.new_against_old.df, males.new_against_old.df) == (5, 5)
    assert females.new_against_old.statistic == pytest.approx(4.985, abs=0.00052)
    assert males.new_against_old.statistic == pytest.approx(6.778, abs=0.0005)
    assert females.just_caught_against_missed.statistic == pytest.approx(3.250, abs=0.0005)
    assert females.just_caught_against_missed.df == 4


def test_ranking_puts_the_flood_first() -> None:
    names = ["phi(.)p(.)", "phi(flood)p(.)", "phi(t)p(.)", "phi(.)p(t)", "phi(t)p(t)"]
    ranked = rank([printed(name) for name in names])
    assert ranked[0].model.name == "phi(groups) p(.)"
    assert ranked[0].delta == 0
    assert ranked[1].delta == pytest.approx(670.8660 - 666.1596, abs=1e-4)
    assert sum(one.weight for one in ranked) == pytest.approx(1)


def naive_neg2loglik(histories: npt.NDArray[np.bool_], phi: float, p: float) -> float:
    """History by history, without the sums: a second way to the same likelihood."""
    k = histories.shape[1]
    chi = [1.0]
    for _ in range(k - 1):
        chi.append(1 - phi * (1 - (1 - p) * chi[-1]))
    total = 0.0
    for row in histories:
        places = np.flatnonzero(row)
        if len(places) == 0:
            continue
        first, last = int(places[0]), int(places[-1])
        total += (last - first) * math.log(phi) + math.log(chi[k - 1 - last])
        for j in range(first + 1, last + 1):
            total += math.log(p if row[j] else 1 - p)
    return -2 * total


def followed(rng: Generator, fish: int, phi: float, p: float, occasions: int) -> npt.NDArray[np.bool_]:
    """Histories of fish that are first caught on any occasion but the last."""
    first = rng.integers(0, occasions - 1, fish)
    alive = np.zeros(fish, dtype=np.bool_)
    seen = np.zeros((fish, occasions), dtype=np.bool_)
    for j in range(occasions):
        alive &= rng.random(fish) < phi
        seen[:, j] = (alive & (rng.random(fish) < p)) | (first == j)
        alive |= first == j
    return seen


@settings(deadline=None, max_examples=15)
@given(st.integers(0, 1000), st.floats(0.3, 0.9), st.floats(0.2, 0.8), st.integers(3, 7))
def test_the_sums_give_the_maximum_that_a_general_minimizer_finds_on_the_histories(
    seed: int, phi: float, p: float, occasions: int
) -> None:
    seen = followed(np.random.default_rng(seed), 120, phi, p, occasions)
    answer = cormack_jolly_seber(summarize(seen))
    if isinstance(answer, Refused):
        return
    rates = [one.estimate for one in (answer.survival[0], answer.recapture[0]) if one.estimate is not None]
    if len(rates) < 2:
        return

    def height(x: npt.NDArray[np.float64]) -> float:
        return naive_neg2loglik(seen, float(expit(x[0])), float(expit(x[1])))

    start = np.array([0.3, -0.2], dtype=np.float64)
    found = minimize(height, start, method="Nelder-Mead", bounds=[(-12.0, 12.0), (-12.0, 12.0)], tol=1e-8)
    assert answer.neg2loglik <= float(found.fun) + 1e-3
    inside = [min(max(one, 1e-12), 1 - 1e-12) for one in rates]
    assert naive_neg2loglik(seen, inside[0], inside[1]) == pytest.approx(answer.neg2loglik, abs=1e-3)


def test_survival_is_annual_where_the_years_between_are_told() -> None:
    seen = followed(np.random.default_rng(8), 4000, 0.64, 0.5, 6)
    yearly = fitted(cormack_jolly_seber(summarize(seen)))
    in_two_years = fitted(cormack_jolly_seber(summarize(seen), years=[2.0] * 5))
    assert yearly.survival[0].estimate == pytest.approx(0.64, abs=0.03)
    assert in_two_years.survival[0].estimate == pytest.approx(
        (yearly.survival[0].estimate or 0) ** 0.5, abs=1e-5
    )
    assert in_two_years.neg2loglik == pytest.approx(yearly.neg2loglik, abs=1e-6)


def test_fish_that_were_not_put_back_say_nothing_about_survival() -> None:
    seen = followed(np.random.default_rng(9), 3000, 0.8, 0.5, 6)
    removed = np.random.default_rng(10).random(3000) < 0.3
    last = 5 - np.argmax(seen[:, ::-1], axis=1)
    cut = seen.copy()
    for fish in np.flatnonzero(removed):  # taken out at its first recapture, or when first caught
        places = np.flatnonzero(seen[fish])
        cut[fish, places[min(1, len(places) - 1)] + 1 :] = False
    taken = removed & ((seen.sum(axis=1) > 1) | (last == 5))
    model = fitted(cormack_jolly_seber(summarize(cut, released=~taken)))
    assert model.survival[0].interval is not None
    assert model.survival[0].interval.holds(0.8)
    blind = fitted(cormack_jolly_seber(summarize(cut)))
    assert (blind.survival[0].estimate or 1) < 0.78


def test_a_rate_at_its_bound_has_a_profile_interval() -> None:
    # every fish is seen on every occasion until it is gone: recapture 1
    seen = np.array([[True] * i + [False] * (6 - i) for i in (1, 2, 3, 4, 5, 6) for _ in range(10)])
    model = fitted(cormack_jolly_seber(summarize(seen)))
    (rate,) = model.recapture
    assert rate.estimate == 1
    assert rate.se is None
    assert rate.interval is not None
    # there -2 ln L, at the best survival for it, lies 3.84 (chi-square, 1 df, 95 %) above its minimum
    best = min(naive_neg2loglik(seen, phi, rate.interval.low) for phi in np.linspace(0.5, 0.99, 491))
    assert best - model.neg2loglik == pytest.approx(3.8415, abs=0.06)
    assert rate.interval.high == 1


def test_an_occasion_without_fish_is_not_told() -> None:
    seen = followed(np.random.default_rng(11), 400, 0.7, 0.5, 7)
    seen[:, 3] = False
    model = fitted(cormack_jolly_seber(summarize(seen), "constant", "time"))
    assert model.recapture[2].estimate == 0
    both = fitted(cormack_jolly_seber(summarize(seen), "time", "time"))
    assert all(
        one.estimate is None or math.isfinite(one.estimate) for one in (*both.survival, *both.recapture)
    )


def test_too_few_recaptures_are_refused_and_ill_fitting_structures_are_errors() -> None:
    assert isinstance(cormack_jolly_seber(summarize([[1, 1, 0], [1, 0, 1]])), Refused)
    assert isinstance(cormack_jolly_seber(summarize([[1, 1]] * 30)), Refused)
    with pytest.raises(ValueError, match="give one for each"):
        cormack_jolly_seber(DIPPER, (0, 1))
    with pytest.raises(ValueError, match="years"):
        cormack_jolly_seber(DIPPER, years=[1.0, 1, 1, 1, 1, 0])


@pytest.mark.parametrize("bad", [[[0, 2, 1]], [1, 0, 1], [[1]]])
def test_histories_of_another_shape_or_value_are_errors(bad: list[object]) -> None:
    with pytest.raises(ValueError, match=r"Histories|history"):
        summarize(np.array(bad))


def test_sums_that_cannot_be_are_errors() -> None:
    with pytest.raises(ValueError, match="come back"):
        from_sums(np.array([5, 5]), np.array([2, 5]), np.array([[0, 3], [0, 0]]))
    with pytest.raises(ValueError, match="square"):
        from_sums(np.array([5, 5]), np.array([5, 5]), np.array([[0, 0], [3, 0]]))
    with pytest.raises(ValueError, match="counts"):
        summarize([[1, 0]], [-1])


@settings(deadline=None, max_examples=30)
@given(st.integers(0, 10_000), st.integers(3, 60), st.integers(3, 7), st.sampled_from(["constant", "time"]))
def test_any_histories_give_a_refusal_or_rates_within_their_limits(
    seed: int, fish: int, occasions: int, which: Literal["constant", "time"]
) -> None:
    seen = np.random.default_rng(seed).random((fish, occasions)) < 0.3
    answer = cormack_jolly_seber(summarize(seen), which, which)
    if isinstance(answer, Refused):
        return
    assert math.isfinite(answer.neg2loglik)
    for one in (*answer.survival, *answer.recapture):
        if one.estimate is not None:
            assert 0 <= one.estimate <= 1
            assert one.interval is not None
            assert 0 <= one.interval.low <= one.estimate + 1e-9
            assert one.estimate - 1e-9 <= one.interval.high <= 1


@SURVEYS
def test_survival_by_time_keeps_its_level(surveys: int) -> None:
    # Lebreton et al. 1992 ask for a good deal of marked fish per occasion: 150 here, recaptured at .5.
    def survey(rng: Generator) -> Held:
        model = fitted(cormack_jolly_seber(summarize(followed(rng, 750, 0.6, 0.5, 6)), "time", "time"))
        return [(one.interval, 0.6) for one in model.survival[:-1]]

    assert_nominal([float(np.mean(coverage(surveys, 61, survey)))], surveys)
