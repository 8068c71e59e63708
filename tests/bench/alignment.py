"""How soon the watch over a two-person line sees a slip, and how often it calls one that is none, over how alike the
fish are. No timing: shares of simulated days, the same for a seed.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from random import Random
from typing import Literal

from fishery.alignment import WINDOW, Measured, Slip, find_slip
from fishery.single import StandardWeight, prior_relation
from tests.bench.measure import Goal, Line

# Largemouth bass, Henson (1991), as in config/species; a test compares them.
BASS_LINE = StandardWeight(-5.528, 3.273, 0.0, 150.0, None, "TL", "Henson 1991")
RELATION = prior_relation(BASS_LINE)
SPREADS = (0.02, 0.035, 0.05, 0.1, 0.2)
LEVELS = (75.0, 93.0, 110.0)
BETWEEN = 3  # fish between the two people
SOON = 8

Mishap = Literal["missed", "weighed_twice", "stranger"]
MISHAPS: tuple[Mishap, ...] = ("missed", "weighed_twice", "stranger")


@dataclass(frozen=True, slots=True)
class Water:
    """The fish of a simulated water: CV of length, relative weight, SD of log10 weight, a share of wrong pairs."""

    length_cv: float = 0.2
    wr: float = 93.0
    scatter_sd: float = 0.05
    wild: float = 0.0

    def fish(self, rng: Random) -> tuple[float, float]:
        """(mm, g) of one fish, as a board and a scale show them."""
        mm = 300 * math.exp(rng.gauss(0, math.sqrt(math.log(1 + self.length_cv**2))))
        sd = 0.3 if rng.random() < self.wild else self.scatter_sd
        line = BASS_LINE.log10_a + BASS_LINE.b * math.log10(mm) + math.log10(self.wr / 100)
        return float(round(mm)), round(10 ** rng.gauss(line, sd), 1)


@dataclass(frozen=True, slots=True)
class Day:
    """Lengths in the order of measuring, weights in the order of weighing. `first` is the first weight that is not its
    fish's, None on a day without a mishap."""

    lengths_mm: Sequence[float]
    weights_g: Sequence[float]
    first: int | None = None
    kind: Literal["missed", "extra"] = "missed"


def simulate(water: Water, seed: int, fish: int, mishap: Mishap | None = None, at: int = 0) -> Day:
    """A day with so many fish; `mishap` happens to fish `at`."""
    rng = Random(f"alignment {seed}")
    caught = [water.fish(rng) for _ in range(fish)]
    weights = [g for _, g in caught]
    first: int | None = None
    if mishap == "missed":
        del weights[at]
        first = at
    elif mishap is not None:
        again = round(weights[at] * rng.gauss(1, 0.004), 1)
        weights.insert(at + 1, again if mishap == "weighed_twice" else water.fish(rng)[1])
        first = at + 1
    kind: Literal["missed", "extra"] = "missed" if mishap in (None, "missed") else "extra"
    return Day([mm for mm, _ in caught], weights, first, kind)


def first_call(day: Day, start: int = 0) -> tuple[int, int, Slip] | None:
    """What a station would call first, looking after every weight from `start` on: (weights by then, index of the first
    weight looked at, the slip)."""
    for count in range(start + 1, min(len(day.weights_g), len(day.lengths_mm)) + 1):
        low = max(start, count - WINDOW)
        fish = [Measured(mm, RELATION, "bass") for mm in day.lengths_mm[low : count + BETWEEN]]
        slip = find_slip(fish, day.weights_g[low:count])
        if slip is not None:
            return count, low, slip
    return None


@dataclass(slots=True)
class Found:
    """What became of the slips of many days. `off`: by how many fish the place that was named lay beside the true one."""

    days: int = 0
    found: int = 0
    soon: int = 0
    early: int = 0  # called before it happened
    off: list[int] = field(default_factory=list)

    @property
    def soon_percent(self) -> float:
        return 100 * self.soon / self.days


def find_slips(length_cv: float, days: int, first_seed: int = 0) -> Found:
    """Days with one slip each, of every kind and in thin, usual and fat waters."""
    found = Found()
    for seed in range(first_seed, first_seed + days):
        mishap, wr = MISHAPS[seed % 3], LEVELS[seed // 3 % 3]
        at = Random(f"at {seed}").randrange(3, 16)
        day = simulate(Water(length_cv, wr), seed, at + 16, mishap, at)
        assert day.first is not None
        call = first_call(day)
        found.days += 1
        if call is None:
            continue
        count, low, slip = call
        if count <= day.first:
            found.early += 1
            continue
        found.found += 1
        found.soon += count - day.first <= SOON
        found.off.append(low + slip.at - day.first)
    return found


def false_calls(water: Water, fish: int, first_seed: int = 0) -> int:
    """Calls on days without a slip, a hundred fish a day; after a call the watch begins anew."""
    calls = 0
    for seed in range(first_seed, first_seed + fish // 100):
        day = simulate(water, 1_000_000 + seed, 100)
        start = 0
        while (call := first_call(day, start)) is not None:
            calls += 1
            start = call[0]
    return calls


def watch_alignment(days: int, fish: int) -> list[Line]:
    """Two lines a spread of lengths: the share of slips found soon, and false calls per 2,000 fish."""
    lines = []
    for cv in SPREADS:
        found = find_slips(cv, days)
        calls = sum(false_calls(Water(cv, wr), fish // len(LEVELS)) for wr in LEVELS)
        goal, most = (Goal("ours", 95, at_least=True), Goal("ours", 1)) if cv == 0.2 else (None, None)
        name = f"length CV {100 * cv:g} %"
        lines += [
            Line(
                f"slips of a line found within {SOON} fish, {name}",
                "",
                None,
                found.soon_percent,
                "%",
                goal=goal,
            ),
            Line(f"false calls, {name}", "", None, 2000 * calls / fish, "in 2,000 fish", goal=most),
        ]
    return lines
