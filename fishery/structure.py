"""Size structure: proportional size distribution (PSD) with its intervals, and how many fish it takes."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from fishery.answers import Estimate, Interval, Refused
from fishery.arrays import same_length
from fishery.categories import BELOW
from fishery.intervals import LEVEL, exact_share, ratio_by_runs, simultaneous_share, wilson_share

LEAST_RUNS = 8
"""Runs from which on the bootstrap over runs held its level in our simulations."""
WANTED_HALF_WIDTH = 0.10
"""A PSD good to 10 points either way is the common wish (proposal)."""

SOURCE = "Guy, Neumann, Willis and Anderson (2007); categories: Gabelhouse (1984)"
GEAR = "PSD describes the fish that this gear caught at this season, not the water: gears and seasons select sizes."

ShareMethod = Literal["exact", "wilson"]


@dataclass(frozen=True, slots=True)
class SizeStructure:
    """`counts`: fish by category name in ascending order, `substock` apart: it is in no index.

    indices: PSD ("PSD", "PSD-P", ...) = 100 (fish of the category's length or longer) / (fish of stock length or longer).
    increments: "PSD S-Q", ... = 100 (fish within one category) / (fish of stock length or longer); they add up to 100.
    together: for each index and increment the interval that holds simultaneously with all the others. wanted: fish of stock
    length for a PSD within 10 points, whatever its limits leave open.
    """

    counts: dict[str, int]
    substock: int
    n_stock: int
    wanted: int
    indices: dict[str, Estimate]
    increments: dict[str, Estimate]
    together: dict[str, Interval]


def size_structure(
    categories: NDArray[np.int64],
    names: Sequence[str],
    runs: NDArray[np.int64] | None = None,
    method: ShareMethod = "exact",
    level: float = LEVEL,
    seed: int = 1,
) -> SizeStructure | Refused:
    """PSD and its increments of one species in one survey, percent.

    `categories` from `fishery.categories.categories_of`; `names` of the categories from stock length up. `runs`: number of
    the run in which each fish was caught; with `LEAST_RUNS` runs or more the intervals of the indices come from drawing
    whole runs, because the fish of one run resemble one another; otherwise each is a binomial share (`method`).
    Refused without a fish of stock length.
    """
    stock = categories[categories != BELOW]
    n = len(stock)
    if n == 0:
        found = f"{len(categories)} fish, none of stock length or longer."
        return Refused(
            found, f"{fish_for_share(0.5)} fish of stock length or longer for a PSD within 10 points."
        )
    found_in = np.bincount(stock, minlength=len(names))
    reached = found_in[::-1].cumsum()[::-1]
    letters = [name[0].upper() for name in names]
    together, indices, increments = {}, {}, {}
    wanted = fish_for_share(
        worst_share(_of_fish(int(reached[1]), n, method, level)) if len(names) > 1 else 0.5
    )
    cautions = _cautions(n, wanted, runs)
    for place, letter in enumerate(letters):
        if place > 0:
            name = "PSD" if place == 1 else f"PSD-{letter}"
            interval = _of_runs(categories, place, runs, seed, level)
            interval = interval or _of_fish(int(reached[place]), n, method, level)
            indices[name] = _index(int(reached[place]), n, interval, "fish of the length or longer", cautions)
            together[name] = simultaneous_share(int(reached[place]), n, len(names) - 1, level).times(100)
        name = f"PSD {letter}-{letters[place + 1]}" if place + 1 < len(letters) else f"PSD-{letter}"
        within = int(found_in[place])
        if place + 1 < len(letters):
            interval = _of_fish(within, n, method, level)
            increments[name] = _index(within, n, interval, "fish within the category", cautions)
            together[name] = simultaneous_share(within, n, len(names) - 1, level).times(100)
    counts = {name: int(count) for name, count in zip(names, found_in, strict=True)}
    return SizeStructure(counts, len(categories) - n, n, wanted, indices, increments, together)


def _index(count: int, n: int, interval: Interval, what: str, cautions: tuple[str, ...]) -> Estimate:
    method = f"100 x ({what}: {count}) / (fish of stock length or longer: {n})"
    return Estimate(100 * count / n, "", n, interval, method, SOURCE, cautions)


def _of_fish(count: int, n: int, method: ShareMethod, level: float) -> Interval:
    share = exact_share(count, n, level) if method == "exact" else wilson_share(count, n, level)
    return share.times(100)


def _of_runs(
    categories: NDArray[np.int64], place: int, runs: NDArray[np.int64] | None, seed: int, level: float
) -> Interval | None:
    if runs is None:
        return None
    same_length(categories=categories, runs=runs)
    _, number = np.unique(runs, return_inverse=True)
    stock = np.bincount(number, weights=categories != BELOW).astype(np.int64)
    above = np.bincount(number, weights=categories >= place).astype(np.int64)
    # without any, or with all, every draw gives the same ratio: no width, which says more than is known
    if len(stock) < LEAST_RUNS or above.sum() in (0, stock.sum()):
        return None
    return ratio_by_runs(above, stock, seed, level).times(100)


def worst_share(percent: Interval) -> float:
    """Of the shares that an interval in percent leaves open the one nearest to a half, which takes the most fish."""
    return min(max(0.5, percent.low / 100), percent.high / 100)


def _cautions(n: int, wanted: int, runs: NDArray[np.int64] | None) -> tuple[str, ...]:
    said = [GEAR]
    if n < wanted:
        said.append(f"Few stock-length fish: n = {n}; {wanted} or more wanted for a PSD within 10 points.")
    if runs is None or len(np.unique(runs)) < LEAST_RUNS:
        said.append(
            "The interval takes every fish as caught by itself; fish of one run resemble one another."
        )
    return tuple(said)


# --- how many fish --------------------------------------------------------------------------------------------------


def fish_for_share(share: float, half_width: float = WANTED_HALF_WIDTH, level: float = LEVEL) -> int:
    """Stock-length fish for a PSD near `share` (0.5 for 50, the worst case) good to `half_width` (0.10: 10 points).

    n = z^2 p (1 - p) / d^2 (Cochran 1977, Sampling techniques, 4.4), rounded up. For fish caught singly; fish that come in
    runs need as many times more as the variance among runs exceeds that of a random draw (design effect).

    Raises ValueError unless 0 < share < 1 and half_width > 0.
    """
    if not 0 < share < 1 or half_width <= 0:
        raise ValueError(
            f"Share {share}, half width {half_width}: the share must lie between 0 and 1, the width above 0."
        )
    z = float(ndtri((1 + level) / 2))
    return math.ceil(round(z * z * share * (1 - share) / half_width**2, 9))


def fish_to_tell_apart(one: float, other: float, power: float = 0.8, level: float = LEVEL) -> int:
    """Stock-length fish in *each* of two surveys to find a change of PSD from `one` to `other` (shares) with `power`.

    n = [z_a sqrt(2 p q) + z_b sqrt(p1 q1 + p2 q2)]^2 / (p1 - p2)^2, p the mean share, two-sided, without continuity
    correction (Fleiss 1981, from memory). For fish caught singly, as `fish_for_share`.

    Raises ValueError unless both shares lie strictly between 0 and 1 and differ.
    """
    if not (0 < one < 1 and 0 < other < 1) or one == other:
        raise ValueError(f"Shares {one} and {other}: both must lie between 0 and 1, and they must differ.")
    mean = (one + other) / 2
    certain, found = float(ndtri((1 + level) / 2)), float(ndtri(power))
    top = certain * math.sqrt(2 * mean * (1 - mean)) + found * math.sqrt(
        one * (1 - one) + other * (1 - other)
    )
    return math.ceil(round((top / (one - other)) ** 2, 9))
