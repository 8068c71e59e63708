"""Limits of the mean of a count: what a number of recaptures says about its expectation."""

import math
from typing import Literal

import numpy as np
from scipy.special import gammaincinv, pdtr

LimitsKind = Literal["exact", "shortest"]


def poisson_limits(count: int, level: float = 0.95, kind: LimitsKind = "exact") -> tuple[float, float]:
    """Limits of the mean of a Poisson count; (0, ...) for a count of 0.

    "exact": equal tails, chi2(alpha/2; 2 c) / 2 and chi2(1 - alpha/2; 2 c + 2) / 2 (Garwood 1936, Biometrika 28:437).
    "shortest": the table of Crow and Gardner 1959 (Biometrika 46:441), built again: for each mean the shortest set of
    counts with probability `level` or more, of equally short ones that with the larger counts (tie rule inferred from
    the printed entry for 24). Good to 0.001. Raises ValueError for a negative count.
    """
    if count < 0:
        raise ValueError(f"A count of {count} is none: give 0 or more.")
    if kind == "exact":
        low = float(gammaincinv(count, (1 - level) / 2)) if count else 0.0
        return low, float(gammaincinv(count + 1, (1 + level) / 2))
    low, high = poisson_limits(count, level)
    return _edge(count, level, low - 2, low + 2, rising=True), _edge(
        count, level, high + 2, high - 2, rising=False
    )


def _edge(count: int, level: float, outside: float, inside: float, *, rising: bool) -> float:
    """Where `count` enters (leaves) the acceptance set: the outermost such mean, searched from outside in."""
    if rising and count == 0:
        return 0.0
    step = 0.02 if rising else -0.02
    mean = max(outside, 1e-6)
    while (mean < inside) == rising and count not in _acceptance(mean, level):
        mean += step
    bad, good = mean - step, mean
    while abs(good - bad) > 1e-5:
        middle = (bad + good) / 2
        if middle > 0 and count in _acceptance(middle, level):
            good = middle
        else:
            bad = middle
    return good


def _acceptance(mean: float, level: float) -> range:
    """The shortest run of counts with at least `level` of the Poisson probability; the larger counts at a tie."""
    top = int(mean + 10 * math.sqrt(mean) + 20)
    below = [0.0, *(float(one) for one in pdtr(np.arange(top), mean))]
    best = range(top)
    end = 0
    for start in range(top):
        while end < top and below[end] - below[start] < level:
            end += 1
        if below[end] - below[start] < level:
            break
        if end - start <= len(best):
            best = range(start, end)
    return best
