"""Confidence intervals that several answers share: of a mean, of a share, of a ratio over runs."""

import math

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaincinv, chdtri, ndtr, ndtri, stdtrit

from fishery.answers import Interval
from fishery.arrays import Numbers, complete

LEVEL = 0.95


def t_quantile(df: float, level: float) -> float:
    """Two-sided quantile of Student's t."""
    return float(stdtrit(df, (1 + level) / 2))


def mean_interval(values: Numbers, level: float = LEVEL) -> Interval:
    """Student's t interval of a mean: mean +- t s / sqrt(n), n - 1 degrees of freedom, unit of the values.

    Raises ValueError for fewer than two values.
    """
    array = complete("values", values)
    n = len(array)
    if n < 2:
        raise ValueError(f"{n} value has no spread: give two or more.")
    mean = float(array.mean())
    half = t_quantile(n - 1, level) * float(array.std(ddof=1)) / math.sqrt(n)
    return Interval(mean - half, mean + half, level, f"t interval, {n - 1} degrees of freedom")


def exact_share(count: int, n: int, level: float = LEVEL) -> Interval:
    """Exact interval of a share (Clopper and Pearson 1934, Biometrika 26:404): never holds the truth less often than
    `level`, and for small n more often.

    Raises ValueError unless 0 <= count <= n and n > 0.
    """
    _check_share(count, n)
    tail = (1 - level) / 2
    low = 0.0 if count == 0 else float(betaincinv(count, n - count + 1, tail))
    high = 1.0 if count == n else float(betaincinv(count + 1, n - count, 1 - tail))
    return Interval(low, high, level, "exact binomial (Clopper and Pearson 1934)")


def wilson_share(count: int, n: int, level: float = LEVEL) -> Interval:
    """Score interval of a share (Wilson 1927, J. Am. Stat. Assoc. 22:209): holds the truth as often as `level` says on
    average over shares, sometimes a little less.

    Raises ValueError unless 0 <= count <= n and n > 0.
    """
    _check_share(count, n)
    z2 = float(ndtri((1 + level) / 2)) ** 2
    share = count / n
    middle = (share + z2 / (2 * n)) / (1 + z2 / n)
    half = math.sqrt(z2) / (1 + z2 / n) * math.sqrt(share * (1 - share) / n + z2 / (4 * n * n))
    low = 0.0 if count == 0 else max(0.0, middle - half)
    high = 1.0 if count == n else min(1.0, middle + half)
    return Interval(low, high, level, "score interval (Wilson 1927)")


def simultaneous_share(count: int, n: int, df: int, level: float = LEVEL) -> Interval:
    """One of several intervals that hold together: p +- sqrt(chi2(level; df)) sqrt(p (1 - p) / n), cut at 0 and 1.

    For any set of sums of the shares of a multinomial sample with df + 1 classes (Gold 1963, Ann. Math. Stat. 34:56,
    from memory), as used for size structure by Brenden, Wagner and Murphy (2008), whose Table 2 it reproduces. It is an
    approximation for large n: with n p or n (1 - p) below 5 it is not to be trusted, at 0 or n it has no width.

    Raises ValueError unless 0 <= count <= n, n > 0 and df > 0.
    """
    _check_share(count, n)
    if df < 1:
        raise ValueError(f"{df} degrees of freedom: at least two classes are needed.")
    share = count / n
    half = math.sqrt(float(chdtri(df, 1 - level)) * share * (1 - share) / n)
    method = f"simultaneous, chi-square with {df} degrees of freedom (Brenden et al. 2008)"
    return Interval(max(0.0, share - half), min(1.0, share + half), level, method)


def ratio_by_runs(
    numerators: NDArray[np.int64],
    denominators: NDArray[np.int64],
    seed: int,
    level: float = LEVEL,
    draws: int = 4000,
) -> Interval:
    """Bootstrap interval of sum(numerators) / sum(denominators), drawing whole runs with replacement.

    Fish of one run resemble one another (same bank, same cover), so runs and not fish are the sample. Percentile
    interval with its level widened for the number of runs (expanded percentile interval; Hesterberg 2015, Am. Stat.
    69:371): the plain one is too narrow by sqrt((runs - 1) / runs) and takes no account of the t distribution. Draws in
    which the denominator is 0 have no ratio and are left out. The same seed gives the same interval.

    Raises ValueError for fewer than two runs or a denominator of 0 throughout.
    """
    runs = len(denominators)
    if runs < 2 or not denominators.any():
        raise ValueError(f"{runs} runs with {int(denominators.sum())} fish: give two or more runs with fish.")
    # sorted, so that the order in which the runs are given does not change the draws
    order = np.lexsort((numerators, denominators))
    times = np.random.default_rng(seed).multinomial(runs, np.full(runs, 1 / runs), size=draws)
    above, below = times @ numerators[order], times @ denominators[order]
    ratios = above[below > 0] / below[below > 0]
    tail = float(ndtr(-math.sqrt(runs / (runs - 1)) * t_quantile(runs - 1, level)))
    low, high = np.quantile(ratios, [tail, 1 - tail])
    return Interval(float(low), float(high), level, f"bootstrap of {runs} runs (Hesterberg 2015)")


def _check_share(count: int, n: int) -> None:
    if not 0 <= count <= n or n == 0:
        raise ValueError(f"{count} of {n} is no share: the count must lie between 0 and n, and n above 0.")
