"""The likelihood of growth increments after Francis (1988), its search and its curvature; `growth_francis` tells the answer.

New Zealand Journal of Marine and Freshwater Research 22:42-51; formulas from memory, they reproduce the published
estimates for rig (see the tests). Growth is described by the mean yearly increments g_a and g_b of fish of two lengths
alpha and beta, which the data hold, instead of Linf and K, which they often do not.

    mu = [(beta g_a - alpha g_b) / (g_a - g_b) - L1] [1 - (1 + (g_a - g_b) / (alpha - beta))^(dT + phi2 - phi1)]
    phi_i = u sin(2 pi (T_i - w)) / (2 pi)
    likelihood of one increment = (1 - p) N(dL; mu + m, s^2 + (nu mu)^2) + p / R

s: SD of the error of measuring an increment; m its mean; nu: coefficient of variation of growth between fish; u, w: height
(0 none, 1 growth stops at its slowest) and time of year of fastest growth; p: share of records that are plain wrong,
spread over the range R of the increments.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

GONE = 0.02
"""One of the two spreads, in units of the other, below which it adds less than 0.04 % to the variance."""
STEEP = 0.01
"""Slope of -lnL per unit of a scaled parameter above which a search has not arrived."""


@dataclass(frozen=True, slots=True)
class Options:
    """Which parts of the model are estimated besides growth, s and nu; all others are 0."""

    season: bool = False
    bias: bool = False
    outliers: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Recaptures:
    """One row for each fish: lengths at marking and at recapture (mm), their times (decimal years), group number."""

    marked: NDArray[np.float64]
    increment: NDArray[np.float64]
    t1: NDArray[np.float64]
    t2: NDArray[np.float64]
    group: NDArray[np.int64]
    alpha: float
    beta: float
    spread: float


@dataclass(frozen=True, slots=True)
class Layout:
    """Where the parameters lie in the vector: growth by group, ln s, ln nu, then season (2), m, logit p."""

    groups: int
    options: Options

    @property
    def size(self) -> int:
        return 2 * self.groups + 2 + 2 * self.options.season + self.options.bias + self.options.outliers

    @property
    def spreads(self) -> int:
        return 2 * self.groups

    @property
    def season(self) -> int:
        return self.spreads + 2

    @property
    def bias(self) -> int:
        return self.season + 2 * self.options.season

    @property
    def outliers(self) -> int:
        return self.bias + self.options.bias


def season_of(theta: NDArray[np.float64], layout: Layout) -> tuple[float, float]:
    """(u cos 2 pi w, u sin 2 pi w) from the two free numbers, which map the plane onto the disk u < 1."""
    if not layout.options.season:
        return 0.0, 0.0
    one, other = theta[layout.season : layout.season + 2]
    root = math.sqrt(1 + one * one + other * other)
    return one / root, other / root


def mean_increment(
    theta: NDArray[np.float64],
    layout: Layout,
    marked: NDArray[np.float64],
    t1: NDArray[np.float64],
    t2: NDArray[np.float64],
    group: NDArray[np.int64],
    alpha: float,
    beta: float,
) -> NDArray[np.float64] | None:
    """mu for each fish, mm; None where the rates describe no curve (fish twice as far apart after a year, say)."""
    growth = theta[: layout.spreads].reshape(-1, 2)
    apart = growth[:, 0] - growth[:, 1]
    base = 1 + apart / (alpha - beta)
    if np.any(base <= 0) or np.any(base >= 1):
        return None
    linf = ((beta * growth[:, 0] - alpha * growth[:, 1]) / apart)[group]
    a, b = season_of(theta, layout)
    turn = 2 * math.pi
    shift = a * (np.sin(turn * t2) - np.sin(turn * t1)) - b * (np.cos(turn * t2) - np.cos(turn * t1))
    time = t2 - t1 + shift / turn
    return np.asarray((linf - marked) * -np.expm1(np.log(base)[group] * time), dtype=np.float64)


def negative_log_likelihood(theta: NDArray[np.float64], data: Recaptures, layout: Layout) -> float:
    mu = mean_increment(theta, layout, data.marked, data.t1, data.t2, data.group, data.alpha, data.beta)
    if mu is None or np.any(np.abs(theta[layout.spreads : layout.spreads + 2]) > 30):
        return 1e10
    s, nu = np.exp(theta[layout.spreads : layout.spreads + 2])
    bias = theta[layout.bias] if layout.options.bias else 0.0
    variance = s**2 + (nu * mu) ** 2
    z2 = (data.increment - mu - bias) ** 2 / variance
    if not layout.options.outliers:
        return float(np.sum(z2 + np.log(2 * np.pi * variance)) / 2)
    wrong = 1 / (1 + math.exp(-min(max(theta[layout.outliers], -40.0), 40.0)))
    density = (1 - wrong) * np.exp(-z2 / 2) / np.sqrt(2 * np.pi * variance) + wrong / data.spread
    return -float(np.sum(np.log(np.maximum(density, 1e-300))))


def search(data: Recaptures, layout: Layout) -> tuple[NDArray[np.float64], float]:
    """Best of several starts: rates by a straight line through the yearly increments, four seasons."""
    time = data.t2 - data.t1
    # increments weighted by time: a short time says little about a year's growth
    columns = np.column_stack([time, time * (data.marked - data.marked.mean())])
    middle, tilt = np.linalg.lstsq(columns, data.increment, rcond=None)[0]
    tilt = min(float(tilt), -1e-3)
    tilt = max(tilt, -0.9)
    rates = [max(float(middle), 1e-3) + tilt * (at - data.marked.mean()) for at in (data.alpha, data.beta)]
    rest = float(np.std(data.increment - columns @ [middle, tilt])) or 1.0
    corners = [(0.5, 0.0), (0.0, 0.5), (-0.5, 0.0), (0.0, -0.5)] if layout.options.season else [(0.0, 0.0)]
    starts = []
    for share, nu in ((0.7, 0.2), (0.3, 0.5)):
        for one, other in corners:
            start = np.zeros(layout.size)
            start[: layout.spreads] = rates * layout.groups
            start[layout.spreads : layout.spreads + 2] = math.log(share * rest), math.log(nu)
            if layout.options.season:
                start[layout.season : layout.season + 2] = one, other
            if layout.options.outliers:
                start[layout.outliers] = -4.0
            starts.append(start)
    # of eight starts with a season the two best: the others lead to the same optimum or to a worse one
    starts.sort(key=lambda start: negative_log_likelihood(start, data, layout))
    return min((_descend(start, data, layout) for start in starts[:2]), key=lambda found: found[1])


def _descend(
    start: NDArray[np.float64], data: Recaptures, layout: Layout
) -> tuple[NDArray[np.float64], float]:
    # in units of about 1 each: mm parameters are divided by their size
    size = _sizes(start, layout)

    def cost(free: NDArray[np.float64]) -> float:
        return negative_log_likelihood(free * size, data, layout)

    found = minimize(cost, start / size, method="BFGS", jac="3-point", options={"gtol": 1e-4})
    if np.abs(found.jac).max() > STEEP:
        slow = minimize(
            cost, found.x, method="Nelder-Mead", options={"xatol": 1e-6, "fatol": 1e-8, "maxiter": 4000}
        )
        again = minimize(cost, slow.x, method="BFGS", jac="3-point", options={"gtol": 1e-4})
        found = again if again.fun <= found.fun else found
    return np.asarray(found.x * size, dtype=np.float64), float(found.fun)


def _sizes(theta: NDArray[np.float64], layout: Layout) -> NDArray[np.float64]:
    size = np.ones(layout.size)
    size[: layout.spreads] = np.maximum(np.abs(theta[: layout.spreads]).max() / 3, 1e-6)
    if layout.options.bias:
        size[layout.bias] = math.exp(theta[layout.spreads])
    return size


def free_directions(theta: NDArray[np.float64], data: Recaptures, layout: Layout) -> NDArray[np.float64]:
    """Columns: the directions, each about one unit long, in which the likelihood is no plane.

    Left out is a parameter so near to the end of its range that nothing depends on it any more: it gets no interval. Of a
    season whose u is 1 the time of year w stays.
    """
    s, nu = np.exp(theta[layout.spreads : layout.spreads + 2])
    mu = mean_increment(theta, layout, data.marked, data.t1, data.t2, data.group, data.alpha, data.beta)
    between = nu * float(np.median(np.abs(mu))) if mu is not None else nu
    gone = set()
    if s < GONE * between:
        gone.add(layout.spreads)
    if between < GONE * s:
        gone.add(layout.spreads + 1)
    if layout.options.outliers and theta[layout.outliers] < -9:
        gone.add(layout.outliers)
    columns = np.diag(_sizes(theta, layout))
    if layout.options.season and math.hypot(*season_of(theta, layout)) > 1 - 1e-3:
        one, other = theta[layout.season : layout.season + 2]
        columns[layout.season, layout.season], columns[layout.season + 1, layout.season] = -other, one
        gone.add(layout.season + 1)
    return columns[:, [i for i in range(layout.size) if i not in gone]]


def covariance_of(theta: NDArray[np.float64], data: Recaptures, layout: Layout) -> NDArray[np.float64] | None:
    """Inverse of the second derivatives of -lnL (central differences); 0 in the directions that are not free; None if
    the likelihood has no peak here."""
    directions = free_directions(theta, data, layout)
    moves = 1e-3 * directions.T

    def at(move: NDArray[np.float64]) -> float:
        return negative_log_likelihood(theta + move, data, layout)

    count = len(moves)
    bend = np.zeros((count, count))
    here = negative_log_likelihood(theta, data, layout)
    for i, one in enumerate(moves):
        bend[i, i] = at(one) - 2 * here + at(-one)
        for j, other in enumerate(moves[:i]):
            bend[i, j] = bend[j, i] = (
                at(one + other) - at(one - other) - at(other - one) + at(-one - other)
            ) / 4
    bend /= 1e-6
    if not np.all(np.isfinite(bend)) or np.min(np.linalg.eigvalsh(bend)) <= 0:
        return None
    return np.asarray(directions @ np.linalg.inv(bend) @ directions.T, dtype=np.float64)


def linf_and_k(g_alpha: float, g_beta: float, alpha: float, beta: float) -> tuple[float, float]:
    """Linf (mm) and K (per year) of the curve with these yearly increments at alpha and beta."""
    apart = g_alpha - g_beta
    return (beta * g_alpha - alpha * g_beta) / apart, -math.log1p(apart / (alpha - beta))


def gradient(
    function: Callable[[NDArray[np.float64]], float], theta: NDArray[np.float64]
) -> NDArray[np.float64]:
    """First derivatives by central differences."""
    steps = 1e-5 * np.maximum(np.abs(theta), 1.0)
    moves = np.diag(steps)
    return np.array(
        [(function(theta + m) - function(theta - m)) / (2 * h) for m, h in zip(moves, steps, strict=True)]
    )
