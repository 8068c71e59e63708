"""How many fish there are, from one marking and one recapture survey of a closed water (Petersen, Chapman).

The recapture sample is the fish that were scanned for tags; a fish that nobody scanned is no sample. A fish handled
twice counts once per survey. Fish that died or were removed after marking are not among the marked.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from scipy.special import ndtri

from fishery.answers import Interval, Refused
from fishery.assumptions import Assumption, ChiSquare, judged, tested, unseen
from fishery.count_limits import poisson_limits
from fishery.intervals import exact_share, wilson_share

CLOSED = "No fish came in, left, died or grew into the size between the surveys."
KEPT = "No fish lost its mark."
"""Assumptions of which the times of the surveys, or marks lost, may say something."""

IntervalKind = Literal["poisson", "binomial", "normal", "chapman_normal", "wilson"]

LEAST_RECAPTURES = 3
"""Refused below (proposal): with 2 the upper limit is some ten times the lower one."""
UNBIASED_RECAPTURES = 7
"""With 7 or more recaptures the estimate is unlikely to be biased for want of them (Robson and Regier 1964)."""
NORMAL_RECAPTURES = 50
BINOMIAL_SHARE = 0.10

SOURCE = "Chapman 1951; variance Seber 1970; Seber 1982 p. 60"
FORMULA = "N = (M + 1)(C + 1) / (R + 1) - 1; V = (M + 1)(C + 1)(M - R)(C - R) / ((R + 1)^2 (R + 2))"
INTERVAL_SOURCE = "Krebs 1989 p. 18 (choice of the distribution, from a secondary listing)"


@dataclass(frozen=True, slots=True)
class Abundance:
    """Number of fish at the time of marking, with standard error and interval.

    `marked` M, `examined` C, `recaptured` R (sums of R over occasions for several occasions). `interval.method` names
    the distribution, `interval_rule` says why it was taken. interval.high may be infinite: the data set no upper limit.
    """

    estimate: float
    se: float
    interval: Interval
    interval_rule: str
    marked: int
    examined: int
    recaptured: int
    method: str
    formula: str
    source: str
    assumptions: tuple[Assumption, ...]
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SizeClass:
    """One length group of the recapture survey: how many were examined, how many of them bore a mark."""

    name: str
    examined: int
    recaptured: int


def chapman(
    marked: int,
    examined: int,
    recaptured: int,
    *,
    kind: IntervalKind | None = None,
    level: float = 0.95,
    classes: Sequence[SizeClass] = (),
) -> Abundance | Refused:
    """Chapman's estimate from M marked, C examined for marks, R of these marked.

    N = (M + 1)(C + 1) / (R + 1) - 1, V(N) = (M + 1)(C + 1)(M - R)(C - R) / ((R + 1)^2 (R + 2)) (Chapman 1951; Seber
    1982 p. 60; unbiased where M + C >= N).

    The interval by number of recaptures (Krebs 1989 p. 18): binomial where R / C > 0.10; else normal where R > 50; else
    Poisson. All three are drawn in by the finite correction sqrt(1 - R / M), R / M being the share of the fish that the
    second sample took (Cochran 1977, from memory; for Poisson also sqrt(1 - R / C)): uncorrected, Poisson and binomial
    limits held the truth in up to 100 of 100 enumerated samples. `kind` overrules the choice; "chapman_normal" is N +- z
    SE, "wilson" the score limits of (R + 1) / (C + 1), both as printed by others, without correction.

    `classes` split C and R by length, for a test of equal catchability.

    Refused with fewer than `LEAST_RECAPTURES` recaptures. Raises ValueError for impossible counts.
    """
    _check_counts(marked, examined, recaptured)
    if recaptured < LEAST_RECAPTURES:
        return Refused(
            f"{recaptured} of {examined} examined fish bore a mark ({marked} were marked); a number of fish from so few "
            f"recaptures would be a guess.",
            _more_fish(marked, examined, recaptured),
        )
    m, c, r = float(marked), float(examined), float(recaptured)
    n = (m + 1) * (c + 1) / (r + 1) - 1
    se = math.sqrt((m + 1) * (c + 1) * (m - r) * (c - r) / ((r + 1) ** 2 * (r + 2)))
    chosen, rule = (kind, "asked for") if kind is not None else _choice(marked, examined, recaptured)
    interval = _interval(chosen, marked, examined, recaptured, level)
    return Abundance(
        estimate=n,
        se=se,
        interval=interval,
        interval_rule=rule,
        marked=marked,
        examined=examined,
        recaptured=recaptured,
        method="Chapman, two samples",
        formula=FORMULA,
        source=f"{SOURCE}; interval: {INTERVAL_SOURCE}",
        assumptions=_assumptions(classes),
        cautions=_cautions(marked, examined, recaptured, n, interval),
    )


def equal_catchability(classes: Sequence[SizeClass]) -> ChiSquare:
    """Is the marked share the same in every length group? Pearson's chi-square of marked and unmarked by group, groups
    pooled with their neighbour until each expects two marked and two unmarked fish (Seber 1982 ch. 3.4, from memory)."""
    total, marked = sum(one.examined for one in classes), sum(one.recaptured for one in classes)
    name = "marked share by length group"
    if total == 0 or marked in (0, total):
        return tested(name, 0.0, 0)
    share = marked / total
    pooled: list[tuple[int, int]] = []
    seen, hits = 0, 0
    for one in classes:
        seen, hits = seen + one.examined, hits + one.recaptured
        if seen * min(share, 1 - share) >= 2:
            pooled.append((seen, hits))
            seen, hits = 0, 0
    if seen and pooled:
        pooled[-1] = (pooled[-1][0] + seen, pooled[-1][1] + hits)
    if len(pooled) < 2:
        return tested(name, 0.0, 0)
    return tested(
        name, sum((h - s * share) ** 2 / (s * share * (1 - share)) for s, h in pooled), len(pooled) - 1
    )


def _choice(marked: int, examined: int, recaptured: int) -> tuple[IntervalKind, str]:
    if recaptured > BINOMIAL_SHARE * examined:
        return "binomial", f"{recaptured} of {examined} examined fish were marked, more than a tenth"
    if recaptured > NORMAL_RECAPTURES:
        return "normal", f"{recaptured} recaptures, more than {NORMAL_RECAPTURES}"
    return (
        "poisson",
        f"{recaptured} recaptures, {NORMAL_RECAPTURES} or fewer, a tenth or less of the examined",
    )


def _interval(kind: IntervalKind, marked: int, examined: int, recaptured: int, level: float) -> Interval:
    m, c, r = float(marked), float(examined), float(recaptured)
    z = float(ndtri((1 + level) / 2))
    least = float(marked + examined - recaptured)  # fish seen
    finite = math.sqrt(1 - r / m)
    if kind == "poisson":
        few, many = poisson_limits(recaptured, level)
        drawn = finite * math.sqrt(1 - r / c)
        low = (m + 1) * (c + 1) / (r + (many - r) * drawn + 1) - 1
        high = (m + 1) * (c + 1) / (r - (r - few) * drawn + 1) - 1
        method = "Poisson limits of R (Garwood 1936) in Chapman's formula, finite correction"
    elif kind == "binomial":
        share, p = exact_share(recaptured + 1, examined + 1, level), (r + 1) / (c + 1)
        low = (m + 1) / (p + (share.high - p) * finite) - 1
        high = (m + 1) / (p - (p - share.low) * finite) - 1
        method = "exact binomial limits of (R + 1) / (C + 1), finite correction"
    elif kind == "wilson":
        share = wilson_share(recaptured + 1, examined + 1, level)
        low, high = (m + 1) / share.high - 1, (m + 1) / share.low - 1
        method = "binomial score limits of (R + 1) / (C + 1)"
    elif kind == "normal":
        p = r / c
        half = z * finite * math.sqrt(p * (1 - p) / max(c - 1, 1)) + 1 / (2 * c)
        low, high = m / (p + half), m / (p - half) if p > half else math.inf
        method = "normal limits of R / C with finite and continuity correction (Krebs 1989 Box 2.1)"
    else:
        n = (m + 1) * (c + 1) / (r + 1) - 1
        half = z * math.sqrt((m + 1) * (c + 1) * (m - r) * (c - r) / ((r + 1) ** 2 * (r + 2)))
        low, high = n - half, n + half
        return Interval(low, high, level, "N +- z SE (Seber 1982)")
    return Interval(max(low, least), max(high, least), level, method)


def _cautions(marked: int, examined: int, recaptured: int, n: float, interval: Interval) -> tuple[str, ...]:
    said = []
    if recaptured < UNBIASED_RECAPTURES:
        said.append(
            f"{recaptured} recaptures: below 7 the estimate may be biased low (Robson and Regier 1964)."
        )
    if marked * examined <= 4 * n:
        said.append("Marked times examined is not above four times the estimate (Robson and Regier 1964).")
    if "z SE" in interval.method and recaptured < NORMAL_RECAPTURES:
        said.append(
            f"N +- z SE with {recaptured} recaptures: it held the truth in 84 to 94 of 100 enumerated samples with "
            f"fewer than 50, nominal 95."
        )
    if interval.high == math.inf:
        said.append("The data set no upper limit.")
    return tuple(said)


def _assumptions(classes: Sequence[SizeClass]) -> tuple[Assumption, ...]:
    equal = "Every fish is as likely to be caught in the second survey, marked or not, small or large."
    return (
        judged(equal, equal_catchability(classes))
        if classes
        else unseen(equal, "the counts by length group"),
        unseen(CLOSED, "a third survey"),
        unseen(KEPT, "a second mark on some of the fish"),
        unseen(
            "Every mark was noticed on the fish that were scanned.", "a second scan of some unmarked fish"
        ),
        unseen(
            "Marked fish mixed with the others, or the second survey covered the whole water.", "the places"
        ),
    )


def _more_fish(marked: int, examined: int, recaptured: int) -> str:
    if marked == 0:
        return f"Marked fish: mark some, then examine as many as bring {UNBIASED_RECAPTURES} recaptures."
    factor = (UNBIASED_RECAPTURES + 1) / (recaptured + 1)
    wanted = max(math.ceil(factor * (examined + 1)) - 1, examined + 1)
    return (
        f"At least {UNBIASED_RECAPTURES} recaptures (Robson and Regier 1964): with {marked} marked fish about {wanted} "
        f"examined fish, if these shares hold; or more marked fish."
    )


def _check_counts(marked: int, examined: int, recaptured: int) -> None:
    if min(marked, examined, recaptured) < 0:
        raise ValueError(f"Counts of {marked}, {examined}, {recaptured}: give 0 or more fish.")
    if recaptured > min(marked, examined):
        raise ValueError(
            f"{recaptured} recaptures of {marked} marked among {examined} examined fish: count each fish once per survey."
        )
