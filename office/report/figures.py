"""Draws the plots of the answers. Nothing is told by colour alone: markers, hatches, line styles and words tell it too."""

import io
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from math import floor, isfinite
from typing import Any

import matplotlib
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from office.answers.model import Mark, Plot, Series
from office.report.fonts import FAMILY, drawable

MOST_POINTS = 1500
"""More points than this on one plot hide one another, and make files that no viewer likes (our choice)."""

MOST_ABOVE = 3.0
"""A trend shows limits up to so many times its largest value (our choice)."""

_SIZE_IN = (6.8, 2.99)
_PLACE = (0.095, 0.185, 0.885, 0.66)
_DPI = 150
_INK, _PALE, _GRID = "#1c2b33", "#5a6b75", "#d9e0e4"
# Apart in lightness too; dark enough for thin lines on white.
_COLOURS = ("#0b5d6b", "#b3541e", "#54418a", "#3f6212")
_MARKERS = ("o", "s", "^", "D")
_LINES = ("-", "--", "-.", ":")
_HATCHES = ("", "////", "....", "xxxx")
_MOST_NAMES = 24
_RC: Any = {
    "font.family": FAMILY,
    "font.size": 8.5,
    "text.parse_math": False,  # a dollar sign in a name is a dollar sign
    "text.color": _INK,
    "axes.edgecolor": _PALE,
    "axes.labelcolor": _INK,
    "axes.linewidth": 0.8,
    "xtick.color": _PALE,
    "ytick.color": _PALE,
    "xtick.labelcolor": _INK,
    "ytick.labelcolor": _INK,
    "axes.unicode_minus": True,
    "hatch.linewidth": 0.6,
    "svg.fonttype": "path",  # the same on every machine, whatever fonts it has
    "path.simplify": True,
}


@dataclass(frozen=True, slots=True)
class Drawn:
    """One plot as files. `drawn` of `points` points are shown; lines and bars are always whole."""

    svg: bytes
    png: bytes
    drawn: int
    points: int

    @property
    def thinned(self) -> str:
        """A sentence for the caption; empty if every point is shown."""
        if self.drawn == self.points:
            return ""
        return f"{self.drawn:,} of {self.points:,} points are drawn, evenly picked; every number is made from all of them."


def draw(plot: Plot) -> Drawn:
    """The plot as SVG and PNG: the same bytes for the same plot."""
    with matplotlib.rc_context({**_RC, "svg.hashsalt": plot.key}):
        figure = Figure(figsize=_SIZE_IN, dpi=_DPI)
        FigureCanvasAgg(figure)
        axes = figure.add_axes(_PLACE)
        drawn, points = _fill(axes, plot)
        _furnish(figure, axes, plot)
        svg, png = io.BytesIO(), io.BytesIO()
        figure.savefig(svg, format="svg", metadata={"Date": None, "Creator": None})
        figure.savefig(png, format="png", metadata={"Software": None}, pil_kwargs={"compress_level": 6})
    return Drawn(svg.getvalue(), png.getvalue(), drawn, points)


def _fill(axes: Axes, plot: Plot) -> tuple[int, int]:
    drawn = points = 0
    for place, series in enumerate(plot.series):
        way = place % len(_COLOURS)
        if series.form == "bars":
            _bars(axes, series, way, named=bool(plot.x_names))
        elif series.form == "line":
            _line(axes, series, way)
        else:
            kept = picked(series, MOST_POINTS)
            drawn, points = drawn + len(kept), points + len(series.x)
            _points(axes, series, kept, way)
    return drawn, points


def picked(series: Series, most: int) -> list[int]:
    """Indices of at most `most` points, evenly over their order, with the lowest and the highest among them."""
    n = len(series.x)
    if n <= most:
        return list(range(n))
    ends = {min(range(n), key=series.y.__getitem__), max(range(n), key=series.y.__getitem__)}
    step = n / (most - len(ends))
    return sorted(ends | {floor(place * step) for place in range(most - len(ends))})


def _points(axes: Axes, series: Series, kept: Sequence[int], way: int) -> None:
    many = len(kept) > 150
    x, y = [series.x[one] for one in kept], [series.y[one] for one in kept]
    whiskers = [
        (series.x[one], series.low[one], series.high[one])
        for one in kept
        if series.low and series.low[one] is not None and series.high[one] is not None
    ]
    if whiskers:
        at, low, high = zip(*whiskers, strict=True)
        axes.vlines(at, low, high, colors=_COLOURS[way], linewidth=1.1, zorder=2)
        if len(kept) > 1:
            axes.plot(x, y, color=_COLOURS[way], linewidth=0.7, linestyle=":", zorder=2)
    axes.plot(
        x,
        y,
        linestyle="none",
        marker=_MARKERS[way],
        markersize=3.2 if many else 5.5,
        markerfacecolor="none" if many else _COLOURS[way],
        markeredgecolor=_COLOURS[way],
        markeredgewidth=0.6 if many else 0.9,
        alpha=0.75 if many else 1.0,
        label=drawable(series.name),
        zorder=3,
    )


def _line(axes: Axes, series: Series, way: int) -> None:
    axes.plot(
        series.x, series.y, color=_COLOURS[way], linewidth=1.8, linestyle=_LINES[way], label=drawable(series.name), zorder=4
    )  # fmt: skip
    band = [
        (x, low, high)
        for x, low, high in zip(series.x, series.low, series.high, strict=False)
        if low is not None and high is not None
    ]
    if band:
        x, low, high = zip(*band, strict=True)
        axes.fill_between(x, low, high, color=_COLOURS[way], alpha=0.12, linewidth=0, zorder=1)
        for edge in (low, high):
            axes.plot(x, edge, color=_COLOURS[way], linewidth=0.6, linestyle=":", zorder=2)


def _bars(axes: Axes, series: Series, way: int, *, named: bool) -> None:
    # Bars of a length class start at their x; bars of a named place stand on it.
    width = series.width or 0.8
    axes.bar(
        series.x,
        series.y,
        width=width,
        color="#8fbcc4" if way == 0 else "white",
        edgecolor=_COLOURS[way],
        hatch=_HATCHES[way],
        linewidth=0.8,
        align="center",
        label=drawable(series.name),
        zorder=2,
    )
    if named and len(series.x) <= _MOST_NAMES:
        for x, y in zip(series.x, series.y, strict=True):
            if y == 0:  # nothing caught is a result, not a gap
                axes.annotate(
                    "0", (x, 0), (0, 2), textcoords="offset points", ha="center", fontsize=8, color=_INK
                )
    for x, y, low, high in zip(series.x, series.y, series.low or (), series.high or (), strict=False):
        if low is not None and high is not None:
            axes.vlines(x, low, high, colors=_INK, linewidth=1.0, zorder=3)
            axes.plot([x], [y], marker="_", color=_INK, markersize=6, zorder=3)


def _furnish(figure: Figure, axes: Axes, plot: Plot) -> None:
    axes.spines[["top", "right"]].set_visible(False)
    axes.grid(visible=True, axis="y", color=_GRID, linewidth=0.7, zorder=0)
    axes.set_axisbelow(True)
    axes.set_xlabel(drawable(_with_unit(plot.x_label, plot.x_unit)))
    axes.set_ylabel(drawable(_with_unit(plot.y_label, plot.y_unit)))
    title = "\n".join(textwrap.wrap(drawable(plot.title), 84)[:2])
    figure.text(0.015, 0.975, title, fontsize=10, fontweight="bold", va="top", ha="left")
    values = [y for one in plot.series for y in (*one.y, *(h for h in one.high if h is not None))]
    counted = any(one.form == "bars" for one in plot.series) or plot.kind in (
        "catch_by_run",
        "trend",
        "removal",
    )
    if values and counted and min(values) >= 0 and plot.kind != "wr_by_length" and not _far_from_zero(values):
        axes.set_ylim(bottom=0)
    if plot.y_label == "fish":
        axes.yaxis.set_major_locator(MaxNLocator(integer=True, nbins=7))
    if values and max(values) == 0:
        axes.set_ylim(0, 1)
    if plot.kind == "trend":
        _cut(axes, plot)
    _marks(axes, plot)
    if plot.x_names:
        _names(axes, plot.x_names)
    elif plot.x_label == "pass":
        axes.xaxis.set_major_locator(MaxNLocator(integer=True))
    elif plot.x_label == "year":
        _years(axes, plot)
    if len(plot.series) > 1 and plot.kind == "trend" and sum(len(one.name) for one in plot.series) < 80:
        # "best" looks at points only: above the plot it hides no limits
        axes.legend(
            frameon=False, fontsize=8, loc="lower left", bbox_to_anchor=(0, 0.99), ncol=len(plot.series), borderpad=0
        )  # fmt: skip
    elif len(plot.series) > 1:
        axes.legend(
            frameon=True, framealpha=0.9, edgecolor=_GRID, fontsize=8, loc="best" if len(values) < 3000 else "upper right"
        )  # fmt: skip


def _cut(axes: Axes, plot: Plot) -> None:
    """Limits far beyond all values would press these flat: they end at the frame with an arrow and in words."""
    values = [y for one in plot.series for y in one.y]
    limits = [
        (x, high) for one in plot.series for x, high in zip(one.x, one.high, strict=False) if high is not None
    ]
    top = MOST_ABOVE * max(values, default=0.0)
    beyond = [(x, high) for x, high in limits if high > top > 0]
    if not beyond:
        return
    axes.set_ylim(top=top)
    left, right = axes.get_xlim()
    for x, high in beyond:
        late = x > (left + right) / 2
        axes.plot([x], [top], marker="^", color=_INK, markersize=6, clip_on=False, zorder=5)
        axes.annotate(
            f"to {high:,.0f}" if isfinite(high) else "no limit", (x, top), (-7 if late else 7, -2),
            textcoords="offset points", ha="right" if late else "left", va="top", fontsize=7.5,
        )  # fmt: skip


def _far_from_zero(values: Sequence[float]) -> bool:
    """Whether a zero line would press all values together at the top (relative weights from 90 to 96)."""
    return min(values) > 0.6 * max(values)


def _with_unit(label: str, unit: str) -> str:
    return f"{label}, {unit}" if unit else label


def _marks(axes: Axes, plot: Plot) -> None:
    across = sorted((one for one in plot.marks if one.axis == "y"), key=lambda one: one.value)
    down = [one for one in plot.marks if one.axis == "x"]
    if down:
        low, high = axes.get_ylim()
        axes.set_ylim(low, high + 0.16 * (high - low))
    left, right = axes.get_xlim()
    for mark in down:
        axes.axvline(mark.value, color=_INK, linewidth=1.0, linestyle=(0, (5, 3)), zorder=3.5)
        axes.text(
            mark.value, 0.995, f" {drawable(mark.label)}", transform=axes.get_xaxis_transform(), fontsize=7.5, va="top",
            ha="left", bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.85, "pad": 0.8}, zorder=5,
        )  # fmt: skip
        left, right = min(left, mark.value), max(right, mark.value + 0.09 * (right - left))
    axes.set_xlim(left, right)
    if across:
        _marks_across(axes, across)


def _marks_across(axes: Axes, marks: Sequence[Mark]) -> None:
    """Their words stand to the right of the plot, where no point hides them, and apart from one another."""
    box = axes.get_position()
    axes.set_position((box.x0, box.y0, box.width - 0.13, box.height))
    for mark in marks:
        axes.axhline(mark.value, color=_INK, linewidth=1.0, linestyle=(0, (5, 3)), zorder=3.5)
    low, high = axes.get_ylim()
    lines = [textwrap.wrap(drawable(mark.label), 17) for mark in marks]
    height, lowest = 0.062 * (high - low), -float("inf")
    for mark, words in zip(marks, lines, strict=True):
        at = max(mark.value, lowest + height * (len(words) + 1) / 2)
        lowest = at + height * (len(words) - 1) / 2
        axes.annotate(
            "\n".join(words), (1.0, mark.value), (1.015, at), xycoords=axes.get_yaxis_transform(),
            textcoords=axes.get_yaxis_transform(), fontsize=7.5, va="center", ha="left", annotation_clip=False,
        )  # fmt: skip


def _names(axes: Axes, names: Sequence[str]) -> None:
    every = -(-len(names) // _MOST_NAMES)
    shown = range(0, len(names), every)
    long = max(len(one) for one in names) * len(shown) > 95
    axes.set_xticks(list(shown))
    labels = [textwrap.shorten(drawable(names[one]), 22, placeholder="…") for one in shown]
    axes.set_xticklabels(
        labels,
        rotation=30 if long else 0,
        ha="right" if long else "center",
        fontsize=7.5,
        rotation_mode="anchor",
    )
    if long:
        box = axes.get_position()
        axes.set_position((box.x0, box.y0 + 0.12, box.width, box.height - 0.12))
        axes.set_xlabel("")
    axes.set_xlim(-0.6, len(names) - 0.4)


def _years(axes: Axes, plot: Plot) -> None:
    times = sorted({x for one in plot.series for x in one.x})
    if not times:
        return
    first, last = times[0], times[-1]
    if last - first >= 2:
        axes.xaxis.set_major_locator(MaxNLocator(integer=True, nbins=12))
        axes.xaxis.set_major_formatter(lambda value, _: f"{value:.0f}")
        return
    shown = times if len(times) <= 8 else times[:: -(-len(times) // 8)]
    axes.set_xticks(shown)
    axes.set_xticklabels([_month(one) for one in shown])
    axes.set_xlim(first - 0.1, last + 0.1)


def _month(year: float) -> str:
    month = min(int((year % 1) * 12), 11)
    return f"{floor(year)}-{month + 1:02d}"
