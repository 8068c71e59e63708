"""What an answer is, and the chapters that hold them. Data alone: the terminal, JSON and the report render it.

Every value stands in the unit that it names, already the reader's (`units.py`). Nobody who renders a chapter
needs to compute or convert.
"""

from dataclasses import dataclass
from math import isfinite
from typing import Any, Literal

from fishery.answers import Interval

Cell = float | int | str | None
PlotKind = Literal["length_frequency", "wr_by_length", "growth", "catch_by_run", "removal", "trend"]
Form = Literal["points", "line", "bars"]


@dataclass(frozen=True, slots=True)
class Answer:
    """One number with all that a reader needs to judge it; or, with `refused`, why there is none.

    key: stable and unique in its chapter ("largemouth_bass.psd"). subject: what it is about (a species, a survey), for
    grouping; "" for the whole. title: name of the quantity. sentence: the answer in plain words, the number with its n
    and interval in it; of a refusal, why and what would do.
    value: None where refused, or where the sentence is the answer (a cue). interval: None where no honest one can be
    given; its `high` may be infinite. n: the fish (or runs, surveys: `n_of`) behind the number. formula, source: how it
    was made and where that was published. fish_ids: the fish behind it, complete.
    cautions: what to know before using it. measured_coverage: how often such intervals held the truth in simulation, said
    only outside the range that the method's source recommends. headline: fit for a first page that an owner reads.
    """

    key: str
    title: str
    sentence: str
    value: float | None = None
    unit: str = ""
    interval: Interval | None = None
    n: int = 0
    n_of: str = "fish"
    formula: str = ""
    source: str = ""
    fish_ids: tuple[str, ...] = ()
    refused: str | None = None
    wanted: str | None = None
    cautions: tuple[str, ...] = ()
    measured_coverage: str | None = None
    subject: str = ""
    headline: bool = False

    def to_json(self) -> dict[str, Any]:
        """Plain JSON; an end of an interval without limit is null."""
        return {
            "key": self.key,
            "subject": self.subject,
            "title": self.title,
            "sentence": self.sentence,
            "value": _number(self.value),
            "unit": self.unit,
            "interval": _interval(self.interval),
            "n": self.n,
            "n_of": self.n_of,
            "formula": self.formula,
            "source": self.source,
            "refused": self.refused,
            "wanted": self.wanted,
            "cautions": list(self.cautions),
            "measured_coverage": self.measured_coverage,
            "fish_ids": list(self.fish_ids),
        }


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a table. `decimals` None: text, or a whole number."""

    name: str
    unit: str = ""
    decimals: int | None = None


@dataclass(frozen=True, slots=True)
class Table:
    """Rows in the order of `columns`; None is an empty cell. note: what holds for all of it."""

    key: str
    title: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    note: str = ""

    def to_json(self) -> dict[str, Any]:
        return {
            "key": self.key,
            "title": self.title,
            "columns": [{"name": one.name, "unit": one.unit} for one in self.columns],
            "rows": [
                [_number(cell) if isinstance(cell, float) else cell for cell in row] for row in self.rows
            ],
            "note": self.note,
        }


@dataclass(frozen=True, slots=True)
class Series:
    """One set of points, one line, or one set of bars. x, y and, if given, low and high are equally long.

    low, high: limits of y (None at a place: none there). width: of the bars, in units of x. fish: how many stand
    behind each y, or empty.
    """

    name: str
    form: Form
    x: tuple[float, ...]
    y: tuple[float, ...]
    low: tuple[float | None, ...] = ()
    high: tuple[float | None, ...] = ()
    width: float | None = None
    fish: tuple[int, ...] = ()

    def to_json(self) -> dict[str, Any]:
        return {
            "name": self.name,
            "form": self.form,
            "x": [_number(one) for one in self.x],
            "y": [_number(one) for one in self.y],
            "low": [_number(one) for one in self.low],
            "high": [_number(one) for one in self.high],
            "width": self.width,
            "fish": list(self.fish),
        }


@dataclass(frozen=True, slots=True)
class Mark:
    """A straight line across the plot at a value of one axis, such as relative weight 100."""

    axis: Literal["x", "y"]
    value: float
    label: str


@dataclass(frozen=True, slots=True)
class Plot:
    """What a plot shows, without drawing it.

    x_names: where the x axis has names instead of numbers, the name at x = 0, 1, 2 ... described: one sentence that
    says what the plot shows, for readers who cannot see it.
    """

    key: str
    kind: PlotKind
    title: str
    x_label: str
    x_unit: str
    y_label: str
    y_unit: str
    series: tuple[Series, ...]
    marks: tuple[Mark, ...] = ()
    x_names: tuple[str, ...] = ()
    described: str = ""
    subject: str = ""

    def to_json(self) -> dict[str, Any]:
        return {
            "key": self.key,
            "kind": self.kind,
            "subject": self.subject,
            "title": self.title,
            "x_label": self.x_label,
            "x_unit": self.x_unit,
            "y_label": self.y_label,
            "y_unit": self.y_unit,
            "series": [one.to_json() for one in self.series],
            "marks": [{"axis": one.axis, "value": one.value, "label": one.label} for one in self.marks],
            "x_names": list(self.x_names),
            "described": self.described,
        }


@dataclass(frozen=True, slots=True)
class Chapter:
    """One question of the biologist with all its answers. notes: what holds for the whole chapter (method, limits)."""

    key: str
    title: str
    answers: tuple[Answer, ...] = ()
    tables: tuple[Table, ...] = ()
    plots: tuple[Plot, ...] = ()
    notes: tuple[str, ...] = ()

    def answer(self, key: str) -> Answer:
        """The answer of that key. Raises KeyError."""
        for one in self.answers:
            if one.key == key:
                return one
        raise KeyError(key)

    def to_json(self) -> dict[str, Any]:
        return {
            "key": self.key,
            "title": self.title,
            "answers": [one.to_json() for one in self.answers],
            "tables": [one.to_json() for one in self.tables],
            "plots": [one.to_json() for one in self.plots],
            "notes": list(self.notes),
        }


def _number(value: float | None) -> float | None:
    return value if value is not None and isfinite(value) else None


def _interval(interval: Interval | None) -> dict[str, Any] | None:
    if interval is None:
        return None
    return {
        "low": _number(interval.low),
        "high": _number(interval.high),
        "level": interval.level,
        "method": interval.method,
    }
