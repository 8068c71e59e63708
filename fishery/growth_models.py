"""Von Bertalanffy growth by least squares: from recaptures (Fabens) and from fish of known age.

The curve: L(t) = Linf (1 - exp(-K (t - t0))). For a given K it is linear in the rest, so K alone is searched, over its
whole range: no starting values, no local optimum.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar

from fishery.answers import Estimate, Interval, Refused
from fishery.arrays import Numbers, complete, same_length
from fishery.intervals import LEVEL, t_quantile

LEAST_RECAPTURES = 10
LEAST_AGES = 4
K_RANGE = (1e-3, 10.0)
"""Per year. A best K at either end is none: the fish grew in a straight line, or were all grown out."""

BIASED = (
    "Fabens takes all fish to share one Linf and K and lengths at marking to be exact; where individuals differ, Linf comes "
    "out too large and K too small (Can. J. Fish. Aquat. Sci. 1995, f95-025, abstract). Francis' method allows for it."
)
TAGGED = "Tagged fish may grow less than others: it was so in one study of largemouth bass (SEAFWA 1981) and not in another."


@dataclass(frozen=True, slots=True)
class Curve:
    """Fitted curve. `t0` only from ages. `covariance`: of (Linf, K) or (Linf, K, t0), in mm and years.

    residual_sd: of one fish about the curve, mm. shortest_mm, longest_mm: lengths (at marking, or at age) behind it.
    """

    linf: Estimate
    k: Estimate
    t0: Estimate | None
    covariance: tuple[tuple[float, ...], ...]
    residual_sd: float
    df: int
    n: int
    shortest_mm: float
    longest_mm: float
    method: str

    @property
    def correlation(self) -> float:
        """Between Linf and K."""
        (a, ab), (_, b) = self.covariance[0][:2], self.covariance[1][:2]
        return ab / math.sqrt(a * b)

    def length_at(self, age_years: float) -> float:
        """Length at age, mm. Raises ValueError for a curve from recaptures, which knows no ages."""
        if self.t0 is None:
            raise ValueError(
                "A curve from recaptures has no t0: it knows growth from a length, not length at age."
            )
        return von_bertalanffy(self.linf.value, self.k.value, self.t0.value, age_years)


def von_bertalanffy(linf_mm: float, k_per_year: float, t0_years: float, age_years: float) -> float:
    """L(t) = Linf (1 - exp(-K (t - t0))), mm (von Bertalanffy 1938; Beverton and Holt 1957; from memory)."""
    return linf_mm * -math.expm1(-k_per_year * (age_years - t0_years))


def fit_fabens(
    marked_mm: Numbers, recaptured_mm: Numbers, years: Numbers, level: float = LEVEL
) -> Curve | Refused:
    """Lr = Lm + (Linf - Lm)(1 - exp(-K t)) by least squares (Fabens 1965, Growth 29:265, from memory).

    `years` at large, one row for each fish. Intervals: t with n - 2 degrees of freedom from the linearised covariance.
    Refused below `LEAST_RECAPTURES` fish, or if the data show no bend (K at an end of `K_RANGE`, or its interval not
    clear of 0).

    Raises ValueError for missing values or times that are not above 0.
    """
    marked, seen = complete("marked_mm", marked_mm), complete("recaptured_mm", recaptured_mm)
    time = complete("years", years)
    n = same_length(marked_mm=marked, recaptured_mm=seen, years=time)
    if n and time.min() <= 0:
        raise ValueError(f"Least time {time.min()} years: a recapture must lie after the marking.")
    if n < LEAST_RECAPTURES:
        return Refused(
            f"{n} recaptured fish.", f"{LEAST_RECAPTURES} recaptured fish or more, short and long ones."
        )

    def linf_for(k: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        grown = -np.expm1(-k * time)
        best = float(grown @ (seen - marked * (1 - grown))) / float(grown @ grown)
        return np.array([best]), seen - marked - (best - marked) * grown

    def gradient(k: float, rest: NDArray[np.float64]) -> NDArray[np.float64]:
        left = np.exp(-k * time)
        return np.column_stack([1 - left, (rest[0] - marked) * time * left])

    span = (float(marked.min()), float(marked.max()))
    return _fit(
        linf_for,
        gradient,
        n,
        span,
        "Fabens (1965)",
        "Fabens: least squares on length at recapture",
        (BIASED, TAGGED),
        np.ones(n),
        level,
    )


def fit_at_age(
    ages_years: Numbers, lengths_mm: Numbers, n_fish: Numbers | None = None, level: float = LEVEL
) -> Curve | Refused:
    """L(t) = Linf (1 - exp(-K (t - t0))) by least squares on length at age, of fish whose age is known.

    One row for each fish, or mean lengths with `n_fish` as weights. Intervals: t with n - 3 degrees of freedom from the
    linearised covariance. Refused below `LEAST_AGES` different ages, or if the data show no bend.

    Raises ValueError for missing values or negative ages.
    """
    ages, lengths = complete("ages_years", ages_years), complete("lengths_mm", lengths_mm)
    weights = np.ones(len(ages)) if n_fish is None else complete("n_fish", n_fish)
    n = same_length(ages_years=ages, lengths_mm=lengths, n_fish=weights)
    if n and (ages.min() < 0 or weights.min() <= 0):
        raise ValueError(f"Least age {ages.min()} years, least n {weights.min()}: no age below 0, no n of 0.")
    different = len(np.unique(ages))
    if different < LEAST_AGES or n < LEAST_AGES + 1:
        found = f"{n} lengths at {different} different ages."
        return Refused(
            found, f"{LEAST_AGES + 1} lengths at {LEAST_AGES} ages or more, of young and old fish."
        )

    def rest_for(k: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        # L = Linf - B exp(-K t), B = Linf exp(K t0): linear in Linf and B
        columns = np.column_stack([np.ones(n), -np.exp(-k * ages)])
        root = np.sqrt(weights)
        (linf, b), *_ = np.linalg.lstsq(columns * root[:, None], lengths * root, rcond=None)
        t0 = math.log(b / linf) / k if b > 0 and linf > 0 else math.nan
        return np.array([linf, t0]), (lengths - columns @ [linf, b]) * root

    def gradient(k: float, rest: NDArray[np.float64]) -> NDArray[np.float64]:
        linf, t0 = rest
        left = np.exp(-k * (ages - t0))
        columns = np.column_stack([1 - left, linf * (ages - t0) * left, -linf * k * left])
        return np.asarray(columns * np.sqrt(weights)[:, None], dtype=np.float64)

    span = (float(lengths.min()), float(lengths.max()))
    return _fit(
        rest_for,
        gradient,
        n,
        span,
        "von Bertalanffy (1938)",
        "least squares on length at age",
        (),
        weights,
        level,
    )


Inner = Callable[[float], tuple[NDArray[np.float64], NDArray[np.float64]]]
Gradient = Callable[[float, NDArray[np.float64]], NDArray[np.float64]]


def _fit(
    inner: Inner,
    gradient: Gradient,
    n: int,
    span: tuple[float, float],
    source: str,
    method: str,
    cautions: tuple[str, ...],
    weights: NDArray[np.float64],
    level: float,
) -> Curve | Refused:
    """Search K, then the covariance s^2 (J'J)^-1 of (Linf, K, and t0 where the inner fit has one)."""

    def squares(log_k: float) -> float:
        rest = inner(math.exp(log_k))[1]
        return float(rest @ rest)

    grid = np.linspace(math.log(K_RANGE[0]), math.log(K_RANGE[1]), 60)
    costs = [squares(float(log_k)) for log_k in grid]
    best = int(np.argmin(costs))
    bent = "Recaptures (or ages) of short and of long fish, over years: the slowing of growth must be seen."
    if best in (0, len(grid) - 1):
        return Refused(f"The lengths of {n} fish show no slowing of growth: no Linf and K can be told.", bent)
    found = minimize_scalar(
        squares,
        bounds=(float(grid[best - 1]), float(grid[best + 1])),
        method="bounded",
        options={"xatol": 1e-10},
    )
    k = math.exp(float(found.x))
    rest, residuals = inner(k)
    df = n - 1 - len(rest)
    variance = float(residuals @ residuals) / df
    if not np.all(np.isfinite(rest)):
        return Refused(f"The lengths of {n} fish fit no growing curve.", bent)
    columns = gradient(k, rest)
    # columns differ in size by orders: scaled before inverting
    size = np.linalg.norm(columns, axis=0)
    scaled = columns / size
    covariance = variance * np.linalg.pinv(scaled.T @ scaled) / np.outer(size, size)
    errors = np.sqrt(np.diag(covariance))
    t = t_quantile(df, level)
    if k - t * errors[1] <= 0:
        return Refused(
            f"K = {k:.3f} per year of {n} fish cannot be told from 0 (standard error {errors[1]:.3f}).", bent
        )

    def estimate(value: float, error: float, unit: str) -> Estimate:
        interval = Interval(
            value - t * error, value + t * error, level, f"t interval, {df} degrees of freedom, linearised"
        )
        return Estimate(value, unit, n, interval, method, source, cautions)

    linf = float(rest[0])
    t0 = estimate(float(rest[1]), float(errors[2]), "y") if len(rest) > 1 else None
    return Curve(
        estimate(linf, float(errors[0]), "mm"),
        estimate(k, float(errors[1]), "per year"),
        t0,
        tuple(tuple(float(value) for value in row) for row in covariance),
        math.sqrt(variance),
        df,
        n,
        *span,
        method,
    )
