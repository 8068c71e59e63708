"""One fish against the others: the length that a fitted curve expects, and the length that was seen."""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from fishery.answers import Interval, Refused
from fishery.francis_likelihood import Layout, gradient, mean_increment
from fishery.growth_francis import FrancisFit
from fishery.growth_models import Curve, von_bertalanffy
from fishery.intervals import LEVEL, t_quantile

Verdict = Literal["as expected", "shorter", "longer"]


@dataclass(frozen=True, slots=True)
class Expected:
    """interval: where 95 of 100 such fish are measured (spread between fish, error of measuring and uncertainty of the
    curve together). seen_mm, verdict: None where no length was given; one fish in twenty falls outside by chance."""

    expected_mm: float
    interval: Interval
    seen_mm: float | None
    verdict: Verdict | None
    source: str
    cautions: tuple[str, ...]


def expected_at_recapture(
    fit: Curve | FrancisFit,
    marked_mm: float,
    marked_year: float,
    recaptured_year: float,
    seen_mm: float | None = None,
    group: str = "all",
    level: float = LEVEL,
) -> Expected | Refused:
    """Length at recapture, mm, of a fish marked at `marked_mm`; times in decimal years, as the fit was made with.

    Fabens: Lm + (Linf - Lm)(1 - exp(-K t)), t distribution. Francis: marked_mm + mu + m, normal with variance s^2 +
    (nu mu)^2. Both with the variance of the curve by the delta method. Refused if the curve is one at age, or the group was
    not in the fit.

    Raises ValueError for a recapture before the marking or a length of 0 or below.
    """
    if recaptured_year < marked_year or marked_mm <= 0:
        raise ValueError(f"{marked_mm} mm marked at {marked_year}, seen at {recaptured_year}: no recapture.")
    cautions = _outside(marked_mm, fit.shortest_mm, fit.longest_mm, "at marking")
    if isinstance(fit, Curve):
        if fit.t0 is not None:
            return Refused(
                "The curve is one of length at age.", "A curve fitted to recaptures, or the age of the fish."
            )
        linf, k, time = fit.linf.value, fit.k.value, recaptured_year - marked_year
        left = math.exp(-k * time)
        slope = np.array([1 - left, (linf - marked_mm) * time * left])
        expected = marked_mm + (linf - marked_mm) * (1 - left)
        half = _half_of_curve(fit, slope, level)
        return _told(expected, half, seen_mm, level, "Fabens (1965)", cautions)
    if group not in fit.groups:
        return Refused(f"No fish of group {group!r} is behind the fit.", f"One of {', '.join(fit.groups)}.")
    return _by_francis(fit, marked_mm, marked_year, recaptured_year, seen_mm, group, level, cautions)


def expected_at_age(
    curve: Curve, age_years: float, seen_mm: float | None = None, level: float = LEVEL
) -> Expected | Refused:
    """Length at age, mm: Linf (1 - exp(-K (t - t0))), t distribution, for a fish whose age is known from its stocking.

    Only from a fit to single fish: one to means knows nothing of the spread between fish. Raises ValueError for an age
    below 0.
    """
    if age_years < 0:
        raise ValueError(f"An age of {age_years} years is none.")
    if curve.t0 is None:
        return Refused(
            "The curve comes from recaptures and knows no ages.", "Fish of known age, or a recaptured fish."
        )
    linf, k, t0 = curve.linf.value, curve.k.value, curve.t0.value
    left = math.exp(-k * (age_years - t0))
    slope = np.array([1 - left, linf * (age_years - t0) * left, -linf * k * left])
    expected = von_bertalanffy(linf, k, t0, age_years)
    cautions = _outside(expected, curve.shortest_mm, curve.longest_mm, "at this age")
    return _told(
        expected, _half_of_curve(curve, slope, level), seen_mm, level, "von Bertalanffy (1938)", cautions
    )


def _half_of_curve(curve: Curve, slope: NDArray[np.float64], level: float) -> float:
    variance = float(slope @ np.array(curve.covariance) @ slope) + curve.residual_sd**2
    return t_quantile(curve.df, level) * math.sqrt(variance)


def _by_francis(
    fit: FrancisFit,
    marked_mm: float,
    marked_year: float,
    recaptured_year: float,
    seen_mm: float | None,
    group: str,
    level: float,
    cautions: tuple[str, ...],
) -> Expected | Refused:
    layout = Layout(len(fit.groups), fit.options)
    number = np.array([fit.groups.index(group)])
    rows = np.array([marked_mm]), np.array([marked_year]), np.array([recaptured_year])

    def gain(theta: NDArray[np.float64]) -> float:
        mu = mean_increment(theta, layout, *rows, number, fit.alpha_mm, fit.beta_mm)
        return math.nan if mu is None else float(mu[0])

    mu, slope = gain(fit.theta), gradient(gain, fit.theta)
    if not np.all(np.isfinite(slope)):
        return Refused("The fitted curve lies at the edge of what the data allow.", "More recaptures.")
    bias = 0.0
    if fit.m is not None:
        bias = fit.m.value
        slope[layout.bias] += 1
    variance = fit.s.value**2 + (fit.nu.value * mu) ** 2 + float(slope @ fit.covariance @ slope)
    half = float(ndtri((1 + level) / 2)) * math.sqrt(variance)
    return _told(marked_mm + mu + bias, half, seen_mm, level, "Francis (1988)", cautions)


def _told(
    expected: float, half: float, seen: float | None, level: float, source: str, cautions: tuple[str, ...]
) -> Expected:
    interval = Interval(expected - half, expected + half, level, "prediction interval for one fish")
    verdict: Verdict | None = None
    if seen is not None:
        verdict = "shorter" if seen < interval.low else "longer" if seen > interval.high else "as expected"
    return Expected(expected, interval, seen, verdict, source, cautions)


def _outside(length_mm: float, shortest: float, longest: float, when: str) -> tuple[str, ...]:
    if shortest <= length_mm <= longest:
        return ()
    return (
        f"{length_mm:.0f} mm {when} lies outside the fish behind the curve ({shortest:.0f}-{longest:.0f} mm).",
    )
