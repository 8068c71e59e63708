"""Lengths counted in classes of a sensible width, and two surveys compared."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2_contingency, fisher_exact, ks_2samp

from fishery.answers import Refused
from fishery.arrays import Numbers, complete
from fishery.single import MM_PER_INCH

FISH_PER_CLASS = 10
"""Fish wanted in the sample for each length class (Gerritsen and McGrath 2007, Fishery Bulletin 105)."""
LEAST_EXPECTED = 5.0
"""Cells with fewer expected fish make the chi-square approximation doubtful (Cochran 1954, from memory)."""
LEAST_FISH = 10

CAVEATS = (
    "A difference between samples is one between waters or years only if gear, settings, season, time of day and places "
    "were the same.",
    "The test takes every fish as drawn by itself; fish of one run resemble one another, so p is too small.",
)

WIDTHS: tuple[tuple[float, float, float], ...] = ((300, 10, 0.5), (600, 20, 1.0), (1500, 50, 2.0))
"""(longest fish in mm, class in mm, class in inches): Anderson and Neumann (1996), as cited in open course notes."""


@dataclass(frozen=True, slots=True)
class LengthFrequency:
    """Fish in classes from `edges[i]` (included) to `edges[i + 1]` (not), both in `unit` ("mm" or "in")."""

    edges: tuple[float, ...]
    counts: tuple[int, ...]
    width: float
    unit: str
    n: int
    source: str
    cautions: tuple[str, ...]


def class_width(longest_mm: float, unit: str) -> float:
    """Class width in `unit`: 1 cm (0.5 in) for fish up to 30 cm, 2 cm (1 in) up to 60 cm, 5 cm (2 in) beyond
    (Anderson and Neumann 1996)."""
    for limit, mm, inch in WIDTHS:
        if longest_mm <= limit:
            return inch if unit == "in" else mm
    return WIDTHS[-1][2] if unit == "in" else WIDTHS[-1][1]


def length_frequency(
    lengths_mm: Numbers, unit: str = "mm", width: float | None = None
) -> LengthFrequency | Refused:
    """Counts by length class; classes begin at multiples of the width, so that surveys can be laid over one another.

    `width` in `unit`; None chooses by the longest fish (`class_width`). Raises ValueError for a width of 0 or below.
    """
    lengths = complete("lengths_mm", lengths_mm)
    if len(lengths) == 0:
        return Refused("No fish was measured.", "One measured fish or more.")
    step = class_width(float(lengths.max()), unit) if width is None else width
    if step <= 0:
        raise ValueError(f"A class width of {step} {unit} holds no fish: give one above 0.")
    # as stored mm, 12 in may be 11.999999999999998 in
    measured = np.round(lengths / MM_PER_INCH, 6) if unit == "in" else lengths
    number = np.floor(np.round(measured / step, 9)).astype(np.int64)
    first = int(number.min())
    counts = np.bincount(number - first)
    edges = tuple(float((first + i) * step) for i in range(len(counts) + 1))
    cautions = []
    wanted = FISH_PER_CLASS * int(np.count_nonzero(counts))
    if len(lengths) < wanted:
        cautions.append(
            f"{len(lengths)} fish in {np.count_nonzero(counts)} classes; {wanted} wanted for a shape to be believed "
            "(10 for each class, Gerritsen and McGrath 2007)."
        )
    return LengthFrequency(
        edges,
        tuple(int(c) for c in counts),
        step,
        unit,
        len(lengths),
        "Anderson and Neumann (1996)",
        tuple(cautions),
    )


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two (or more) samples under the hypothesis that they come from the same fish.

    statistic: chi-square, Kolmogorov-Smirnov D, or the odds ratio of the exact test. p: without unit. df: degrees of
    freedom, None where the test has none. effect: largest difference of two samples' shares, 0 to 1. pooled: categories
    that were thrown together for lack of fish.
    """

    test: Literal["chi-square", "exact (Fisher)", "Kolmogorov-Smirnov"]
    statistic: float
    df: int | None
    p: float
    n: tuple[int, ...]
    effect: float
    pooled: tuple[str, ...]
    source: str
    cautions: tuple[str, ...]


def compare_categories(counts: Sequence[Sequence[int]], names: Sequence[str]) -> Comparison | Refused:
    """Whether surveys differ in the shares of their categories: chi-square of homogeneity (Pearson 1900), with the
    continuity correction of Yates (1934) for two surveys and two categories.

    `counts[i]`: fish of survey i in each category of `names`, ascending. Of the categories above the first, the thinnest
    is thrown together with its neighbour until every expected count is `LEAST_EXPECTED` or more; if two categories of two
    surveys are still too thin, Fisher's exact test decides. The first category stays by itself, because its share is
    100 - PSD: thrown together with the next it would hide the very change that PSD shows. Refused if a survey is empty
    or all fish are in one category.

    Raises ValueError for ragged or negative counts.
    """
    table = np.array([list(row) for row in counts], dtype=np.int64)
    if table.ndim != 2 or table.shape[1] != len(names) or np.any(table < 0):
        raise ValueError(f"The counts must be rows of {len(names)} numbers of fish, none negative.")
    labels = [name for name, total in zip(names, table.sum(axis=0), strict=True) if total]
    table = table[:, table.sum(axis=0) > 0]
    sizes = tuple(int(size) for size in table.sum(axis=1))
    if len(sizes) < 2 or min(sizes) == 0 or len(labels) < 2:
        found = f"Surveys of {' and '.join(map(str, sizes))} fish in {len(labels)} categories."
        return Refused(found, "Two surveys with fish, in two categories or more.")
    while table.shape[1] > 2 and _least_expected(table) < LEAST_EXPECTED:
        left = max(int(np.argmin(table.sum(axis=0)[1:])), 1)
        table = np.column_stack([table[:, :left], table[:, left] + table[:, left + 1], table[:, left + 2 :]])
        labels[left : left + 2] = [f"{labels[left]}+{labels[left + 1]}"]
    pooled = [label for label in labels if "+" in label]
    shares = table / table.sum(axis=1, keepdims=True)
    effect = float(np.ptp(shares, axis=0).max())
    if table.shape == (2, 2) and _least_expected(table) < LEAST_EXPECTED:
        odds, p = fisher_exact(table)
        return Comparison(
            "exact (Fisher)",
            float(odds),
            None,
            float(p),
            sizes,
            effect,
            tuple(pooled),
            "Fisher (1935)",
            CAVEATS,
        )
    result = chi2_contingency(table)
    thin_words: tuple[str, ...] = ()
    if _least_expected(table) < LEAST_EXPECTED:
        thin_words = (f"The least expected count is {_least_expected(table):.1f}: p is rough.",)
    return Comparison(
        "chi-square",
        float(result.statistic),
        int(result.dof),
        float(result.pvalue),
        sizes,
        effect,
        tuple(pooled),
        "Pearson (1900); least expected count 5: Cochran (1954)",
        (*thin_words, *CAVEATS),
    )


def _least_expected(table: NDArray[np.int64]) -> float:
    return float(np.outer(table.sum(axis=1), table.sum(axis=0)).min() / table.sum())


def compare_lengths(one_mm: Numbers, other_mm: Numbers) -> Comparison | Refused:
    """Whether two samples of lengths differ anywhere in their distribution: two-sample Kolmogorov-Smirnov test.

    Whole millimetres make ties, with which the test is a little conservative (p too large). Leave substock fish out if
    the gear does not hold them. Refused below `LEAST_FISH` fish in either sample.
    """
    one, other = complete("one_mm", one_mm), complete("other_mm", other_mm)
    if min(len(one), len(other)) < LEAST_FISH:
        return Refused(f"Samples of {len(one)} and {len(other)} fish.", f"{LEAST_FISH} fish or more in each.")
    result = ks_2samp(one, other, method="auto")
    return Comparison(
        "Kolmogorov-Smirnov",
        float(result.statistic),
        None,
        float(result.pvalue),
        (len(one), len(other)),
        float(result.statistic),
        (),
        "Kolmogorov (1933), Smirnov (1939)",
        CAVEATS,
    )
