"""What a measurement gives: lines of one table, each against a baseline taken in the same run, in turns."""

import math
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain
from statistics import median
from typing import Literal

LEAST_ROUNDS = 5
Samples = dict[str, list[list[float]]]  # per contestant, per round


@dataclass(frozen=True, slots=True)
class Goal:
    """A limit, of the ratio to the baseline or of our own value in its unit."""

    of: Literal["ratio", "ours"]
    limit: float
    at_least: bool = False

    def holds(self, ours: float, ratio: float | None) -> bool:
        value = ours if self.of == "ours" else ratio
        if value is None:
            return False
        return value >= self.limit if self.at_least else value <= self.limit


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the table. Values are in `unit`; `spread` holds the ratios of the worst and best round."""

    what: str
    against: str
    baseline: float | None
    ours: float
    unit: str
    ratio: float | None = None
    spread: tuple[float, float] | None = None
    goal: Goal | None = None

    @property
    def holds(self) -> bool | None:
        return None if self.goal is None else self.goal.holds(self.ours, self.ratio)


def in_turns(contestants: Mapping[str, Callable[[int], list[float]]], rounds: int, turns: int = 1) -> Samples:
    """Each contestant in its turn, `turns` times per round: what disturbs the machine disturbs all of them.

    Who begins changes from turn to turn. A contestant is called with the number of the turn.
    """
    samples: Samples = {name: [[] for _ in range(rounds)] for name in contestants}
    order = deque(contestants)
    for turn in range(rounds * turns):
        for name in order:
            samples[name][turn // turns] += contestants[name](turn)
        order.rotate(-1)
    return samples


def percentile(values: Sequence[float], share: float) -> float:
    """The smallest value that `share` of all values do not exceed (nearest rank)."""
    ordered = sorted(values)
    return ordered[max(0, math.ceil(share * len(ordered)) - 1)]


def all_of(rounds: Sequence[Sequence[float]]) -> list[float]:
    return list(chain.from_iterable(rounds))


def middle_line(
    what: str,
    samples: Samples,
    ours: str,
    against: str,
    unit: str,
    *,
    label: str | None = None,
    goal: Goal | None = None,
) -> Line:
    """Medians of all samples; the ratio is the middle one of the rounds' own ratios."""
    pairs = zip(samples[ours], samples[against], strict=True)
    ratios = [median(mine) / median(theirs) for mine, theirs in pairs]
    return Line(
        what,
        label or against,
        median(all_of(samples[against])),
        median(all_of(samples[ours])),
        unit,
        median(ratios),
        (min(ratios), max(ratios)),
        goal,
    )


def tail_line(
    what: str, samples: Samples, ours: str, against: str, unit: str, *, label: str | None = None
) -> Line:
    """The 99th percentiles of all samples."""
    theirs, mine = (percentile(all_of(samples[name]), 0.99) for name in (against, ours))
    return Line(what, label or against, theirs, mine, unit, mine / theirs)


def table(lines: Sequence[Line]) -> str:
    """The lines as aligned text for people."""
    heading = ("what", "baseline", "", "ours", "unit", "ratio", "(rounds)", "goal", "holds")
    rows = [heading, *(_row(line) for line in lines)]
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    right = {2, 3, 5}
    return "\n".join(
        "  ".join(
            cell.rjust(width) if column in right else cell.ljust(width)
            for column, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    )


def _row(line: Line) -> tuple[str, str, str, str, str, str, str, str, str]:
    goal = ""
    if line.goal is not None:
        sign = ">=" if line.goal.at_least else "<="
        goal = f"{sign} {line.goal.limit:g} {'x' if line.goal.of == 'ratio' else line.unit}"
    return (
        line.what,
        line.against,
        _number(line.baseline),
        _number(line.ours),
        line.unit,
        "" if line.ratio is None else f"{line.ratio:.2f}",
        "" if line.spread is None else f"({line.spread[0]:.2f}-{line.spread[1]:.2f})",
        goal,
        {None: "", True: "yes", False: "NO"}[line.holds],
    )


def _number(value: float | None) -> str:
    """Three figures are all that a timing is worth."""
    if value is None:
        return ""
    return f"{value:.0f}" if abs(value) >= 100 else f"{value:.3g}"
