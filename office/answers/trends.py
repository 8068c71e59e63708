"""One number over the occasions as a plot; where the gear changes, another series begins."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from fishery.answers import Interval
from office.answers.conditions import conditions
from office.answers.model import Mark, Plot, Series
from office.answers.records import Occasion, Records


@dataclass(frozen=True, slots=True)
class Point:
    """The number on one occasion, its limits, and the fish behind it (None: not told)."""

    occasion: Occasion
    value: float
    interval: Interval | None
    fish: int | None = None


def gears_of(records: Records, points: Sequence[Point]) -> tuple[str, ...]:
    """The gear of each point's occasion, in the words of its runs."""
    return tuple(conditions(records, one.occasion.index).gear or "gear not recorded" for one in points)


def gear_changes(gears: Sequence[str]) -> str:
    """A sentence on it where the gears are not all one; else empty."""
    if len(set(gears)) < 2:
        return ""
    return f"The gear changed ({', '.join(dict.fromkeys(gears))}): numbers of unlike gear are not comparable."


def trend_plot(
    points: Sequence[Point],
    told: Callable[[float], str],
    *,
    key: str,
    subject: str,
    title: str,
    name: str,
    y_label: str,
    y_unit: str = "",
    gears: Sequence[str] = (),
    marks: tuple[Mark, ...] = (),
) -> Plot | None:
    """The points over the years; None for fewer than two. `told` writes a value into the description.

    title: without "over the surveys". gears: of each point, where the number depends on it; those of one gear are one
    series, so that no line leads from one gear to another.
    """
    if len(points) < 2:
        return None
    changed = gear_changes(gears)
    groups = {gear: [i for i, one in enumerate(gears) if one == gear] for gear in gears} if changed else {}
    first, last = points[0], points[-1]
    return Plot(
        key=key,
        kind="trend",
        title=f"{title} over the surveys",
        x_label="year",
        x_unit="",
        y_label=y_label,
        y_unit=y_unit,
        series=tuple(
            _series(called, [points[i] for i in places])
            for called, places in (groups or {name: list(range(len(points)))}).items()
        ),
        marks=marks,
        described=f"{title} on {len(points)} surveys, from {told(first.value)} ({first.occasion.name}) to "
        f"{told(last.value)} ({last.occasion.name}), with 95 % limits.{f' {changed}' if changed else ''}",
        subject=subject,
    )


def _series(name: str, points: Sequence[Point]) -> Series:
    return Series(
        name,
        "points",
        tuple(one.occasion.year for one in points),
        tuple(one.value for one in points),
        tuple(None if one.interval is None else one.interval.low for one in points),
        tuple(None if one.interval is None else one.interval.high for one in points),
        fish=tuple(one.fish for one in points if one.fish is not None),
    )
