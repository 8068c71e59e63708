"""Values and words in the reader's units: metric, as stored, or inches, pounds and acres."""

from dataclasses import dataclass, replace
from math import floor, isfinite, log10
from typing import Literal

from fishery.answers import Interval
from office.answers.model import Answer, Cell, Chapter, Column, Mark, Plot, Series, Table

Units = Literal["metric", "inch_pound"]

MM_PER_INCH = 25.4
G_PER_POUND = 453.59237
HA_PER_ACRE = 0.40468564224
"""Exact: international yard and pound agreement of 1959."""

_LENGTH, _MASS, _AREA = 1 / MM_PER_INCH, 1 / G_PER_POUND, 1 / HA_PER_ACRE
_FACTORS: dict[str, tuple[str, float]] = {
    "mm": ("in", _LENGTH),
    "mm per year": ("in per year", _LENGTH),
    "mm per 30 days": ("in per 30 days", _LENGTH),
    "g": ("lb", _MASS),
    "g per year": ("lb per year", _MASS),
    "g per 30 days": ("lb per 30 days", _MASS),
    "kg": ("lb", 1000 * _MASS),
    "ha": ("acres", _AREA),
    "kg/ha": ("lb/acre", 1000 * _MASS / _AREA),
    "fish/ha": ("fish/acre", 1 / _AREA),
    "Wr per 100 mm": ("Wr per inch", MM_PER_INCH / 100),
}


def factor(unit: str, units: Units) -> tuple[str, float]:
    """The unit that a reader of `units` gets in place of `unit`, and by how much values are multiplied."""
    return _FACTORS.get(unit, (unit, 1.0)) if units == "inch_pound" else (unit, 1.0)


def number(value: float, digits: int = 3) -> str:
    """`value` to so many significant digits, whole from there on, with commas between thousands: 0.0123, 4.57, 1,234."""
    if not isfinite(value):
        return "no limit" if value > 0 else "unknown"
    if value == 0:
        return "0"
    decimals = max(digits - 1 - floor(log10(abs(value))), 0)
    told = f"{value:,.{decimals}f}"
    return "0" if float(told.replace(",", "")) == 0 else told


@dataclass(frozen=True, slots=True)
class Words:
    """Writes values, given in stored units, into sentences."""

    units: Units = "metric"

    def quantity(self, value: float, unit: str, digits: int = 3) -> str:
        """`312 mm`, `12.3 in`, `1,020 g`; a bare number where there is no unit."""
        name, times = factor(unit, self.units)
        return f"{number(value * times, digits)} {name}".rstrip()

    def limits(
        self, interval: Interval | None, unit: str = "", digits: int = 3, decimals: int | None = None
    ) -> str:
        """` (95 % limits 412 to 733 mm)` with a blank before it; nothing where there is no interval.

        decimals: so many for both ends, where they shall look alike, in place of significant digits.
        """
        if interval is None:
            return ""
        name, times = factor(unit, self.units)
        share = f"{100 * interval.level:g} %"
        low, high = (
            f"{end * times:,.{decimals}f}" if decimals is not None else number(end * times, digits)
            for end in (interval.low, interval.high)
        )
        if interval.high == float("inf"):
            return f" ({share} limits: at least {low} {name}".rstrip() + ", no upper limit)"
        return f" ({share} limits {low} to {high} {name}".rstrip() + ")"

    def length(self, mm: float) -> str:
        """To the millimetre, or to a tenth of an inch."""
        return f"{mm / MM_PER_INCH:.1f} in" if self.units == "inch_pound" else f"{mm:.0f} mm"


def in_units(chapter: Chapter, units: Units) -> Chapter:
    """The chapter with every value, interval, cell and point in the reader's units; its sentences stay."""
    if units == "metric":
        return chapter
    return replace(
        chapter,
        answers=tuple(_answer(one, units) for one in chapter.answers),
        tables=tuple(_table(one, units) for one in chapter.tables),
        plots=tuple(_plot(one, units) for one in chapter.plots),
    )


def _answer(answer: Answer, units: Units) -> Answer:
    name, times = factor(answer.unit, units)
    if times == 1.0:
        return answer
    return replace(
        answer,
        unit=name,
        value=None if answer.value is None else answer.value * times,
        interval=None if answer.interval is None else answer.interval.times(times),
    )


def _table(table: Table, units: Units) -> Table:
    ways = [factor(one.unit, units) for one in table.columns]
    columns = tuple(
        Column(one.name, name, (one.decimals or 0) + (_finer(one.unit) if times != 1.0 else 0))
        if one.decimals is not None or times != 1.0
        else one
        for one, (name, times) in zip(table.columns, ways, strict=True)
    )
    rows = tuple(
        tuple(_cell(cell, times) for cell, (_, times) in zip(row, ways, strict=True)) for row in table.rows
    )
    return replace(table, columns=columns, rows=rows)


def _finer(unit: str) -> int:
    """Decimals more that the larger unit wants: 312 mm is 12.3 in, 412 g are 0.91 lb."""
    return {"mm": 1, "g": 2}.get(unit.split(" ")[0], 1)


def _cell(cell: Cell, times: float) -> Cell:
    return round(cell * times, 9) if times != 1.0 and isinstance(cell, float | int) else cell


def _plot(plot: Plot, units: Units) -> Plot:
    x_unit, x_times = factor(plot.x_unit, units)
    y_unit, y_times = factor(plot.y_unit, units)
    if x_times == y_times == 1.0:
        return plot
    marks = tuple(
        Mark(one.axis, one.value * (x_times if one.axis == "x" else y_times), one.label) for one in plot.marks
    )
    series = tuple(_series(one, x_times, y_times) for one in plot.series)
    return replace(plot, x_unit=x_unit, y_unit=y_unit, series=series, marks=marks)


def _series(series: Series, x_times: float, y_times: float) -> Series:
    def by(values: tuple[float | None, ...]) -> tuple[float | None, ...]:
        return tuple(None if one is None else one * y_times for one in values)

    return replace(
        series,
        x=tuple(round(one * x_times, 9) for one in series.x),
        y=tuple(one * y_times for one in series.y),
        low=by(series.low),
        high=by(series.high),
        width=None if series.width is None else series.width * x_times,
    )
