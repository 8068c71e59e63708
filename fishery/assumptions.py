"""What a mark-recapture estimate takes for granted, and what the data say about it."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import chdtrc, chdtri, gammaln

DOUBT = 0.05
LEAST_EXPECTED = 2.0
"""Classes are pooled until each expects so many fish; below it the chi-square distribution is no guide (proposal)."""


@dataclass(frozen=True, slots=True)
class Assumption:
    """needs: what must be true. data: what the data say. doubtful: True where they speak against it, None where they
    say nothing."""

    needs: str
    data: str
    doubtful: bool | None


@dataclass(frozen=True, slots=True)
class ChiSquare:
    """A chi-square test: statistic, degrees of freedom, P; df 0 and P 1 where the data allow no test."""

    name: str
    statistic: float
    df: int
    p: float

    def __str__(self) -> str:
        return (
            f"{self.name}: chi-square {self.statistic:.2f}, {self.df} df, P {self.p:.3g}"
            if self.df
            else (f"{self.name}: too few fish for a test")
        )


def tested(name: str, statistic: float, df: int) -> ChiSquare:
    """The test with its P from the chi-square distribution."""
    return ChiSquare(name, statistic, df, float(chdtrc(df, statistic)) if df > 0 else 1.0)


def two_by_two(name: str, table: tuple[tuple[int, int], tuple[int, int]]) -> ChiSquare:
    """Pearson's chi-square of a 2 x 2 table without continuity correction; no test where a margin is empty.

    Where a cell expects fewer than `LEAST_EXPECTED`, Fisher's exact P stands in, turned into the chi-square that has it.
    """
    (a, b), (c, d) = table
    rows, columns, n = (a + b, c + d), (a + c, b + d), a + b + c + d
    if min(*rows, *columns) == 0:
        return tested(name, 0.0, 0)
    if min(rows) * min(columns) >= LEAST_EXPECTED * n:
        return tested(name, n * (a * d - b * c) ** 2 / (rows[0] * rows[1] * columns[0] * columns[1]), 1)
    p = _fisher_p(a, rows[0], columns[0], n)
    return ChiSquare(name, float(chdtri(1, p)), 1, p)


def _fisher_p(first: int, row: int, column: int, n: int) -> float:
    """Two-sided exact P of a 2 x 2 table with fixed margins: all tables no likelier than this one (Fisher 1935)."""
    counts = np.arange(max(0, row + column - n), min(row, column) + 1)

    def log_choose(total: int, part: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
        return np.asarray(
            gammaln(total + 1) - gammaln(part + 1) - gammaln(total - part + 1), dtype=np.float64
        )

    logs = log_choose(column, counts) + log_choose(n - column, row - counts)
    shares = np.exp(logs - logs.max())
    here = shares[first - counts[0]]
    return min(1.0, float(shares[shares <= here * (1 + 1e-9)].sum() / shares.sum()))


def summed(name: str, tests: Sequence[ChiSquare]) -> ChiSquare:
    """Independent tests added up: statistics and degrees of freedom."""
    return tested(name, math.fsum(one.statistic for one in tests), sum(one.df for one in tests))


def scatter(name: str, seen: Sequence[float], expected: Sequence[float], fitted: int) -> ChiSquare:
    """Do counts scatter about their expectations as chance does? Pearson's chi-square, neighbours pooled until each
    class expects `LEAST_EXPECTED`; `fitted` degrees of freedom are lost to estimated parameters."""
    pooled: list[tuple[float, float]] = []
    count, mean = 0.0, 0.0
    for one, about in zip(seen, expected, strict=True):
        count, mean = count + one, mean + about
        if mean >= LEAST_EXPECTED:
            pooled.append((count, mean))
            count, mean = 0.0, 0.0
    if mean > 0 and pooled:
        pooled[-1] = (pooled[-1][0] + count, pooled[-1][1] + mean)
    df = len(pooled) - fitted
    if df < 1:
        return tested(name, 0.0, 0)
    return tested(name, sum((one - about) ** 2 / about for one, about in pooled), df)


def judged(needs: str, test: ChiSquare) -> Assumption:
    """The assumption with what its test says."""
    return Assumption(needs, str(test), None if test.df == 0 else test.p < DOUBT)


def unseen(needs: str, wanted: str) -> Assumption:
    """An assumption about which these data say nothing; `wanted` would."""
    return Assumption(needs, f"These data do not tell; {wanted} would.", None)
