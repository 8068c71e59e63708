"""The public views as an export sees them: columns with type, unit and meaning, and rows in a fixed order."""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from itertools import chain
from sqlite3 import Connection
from typing import Any, Literal

from office.exports.errors import ExportRefusedError

Row = tuple[Any, ...]
Kind = Literal["text", "integer", "number"]

_INTEGERS = frozenset(
    (
        "run_no", "pass_no", "amended", "closed", "settled", "later", "length_class_mm", "n", "n_measured",
        "n_weighed", "n_counted", "n_in_batches", "n_subsampled", "n_caught",
    )
)  # fmt: skip
_NUMBERS = frozenset(
    (
        "length_mm", "weight_g", "relative_weight", "days_since", "mm_since", "g_since", "weight_measured_g",
        "weight_estimated_g", "total_weight_g", "container_g", "current_on_s", "start_lat_deg", "start_lon_deg",
        "end_lat_deg", "end_lon_deg", "water_c", "conductivity_us_per_cm",
    )
)  # fmt: skip

# What makes two exports of the same records equal row by row.
_ORDER: Mapping[str, str] = {
    "worked_fish": "v.worked_up_at, v.fish_id",
    "catch": "v.survey_id, v.run_no, v.species, v.length_class_mm",
    "tag_history": "v.tag, rtrim(v.at, 'Z'), v.fish_id, v.survey_id, v.length_mm, v.weight_g",
    "finding_list": "v.worked_up_at, v.fish_id, v.name, v.later, v.sentence, v.numbers",
    "observation_list": "v.fish_id, v.kind, v.code, v.text",
    "batch_list": "v.at, v.batch_id",
    "run_list": "v.started_at, v.survey_id, v.run_no",
}
VIEW_NAMES = tuple(_ORDER)

# The survey of a row: its year and its water are those of the export's selection and of its partitions. A capture
# known from elsewhere has no survey here, its own water and date count.
_SURVEY_YEAR = "substr(s.opened_at, 1, 4)"
_JOIN = "LEFT JOIN survey AS s ON s.survey_id = "
_SOURCE: Mapping[str, tuple[str, str, str]] = {  # join, water, year
    **dict.fromkeys(VIEW_NAMES, (f"{_JOIN}v.survey_id", "s.water", _SURVEY_YEAR)),
    "observation_list": (
        f"{_JOIN}COALESCE((SELECT a.survey_id FROM amended AS a WHERE a.fish_id = v.fish_id), "
        "(SELECT f.survey_id FROM fish AS f WHERE f.fish_id = v.fish_id))",
        "s.water",
        _SURVEY_YEAR,
    ),
    "tag_history": (f"{_JOIN}v.survey_id", "v.water", f"COALESCE({_SURVEY_YEAR}, substr(v.at, 1, 4))"),
}


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a view, as the table `column_doc` explains it."""

    name: str
    kind: Kind
    unit: str | None
    meaning: str

    @property
    def explained(self) -> str:
        """Unit and meaning in one line."""
        return f"[{self.unit}] {self.meaning}" if self.unit else self.meaning


@dataclass(frozen=True, slots=True)
class PublicView:
    name: str
    columns: tuple[Column, ...]


@dataclass(frozen=True, slots=True)
class Selection:
    """Which records go out: of one survey (its id), of one water, of the surveys opened in one year (UTC).

    None is no limit. Growth since the capture before stays as it is, also where that capture is not selected.
    """

    survey_id: str | None = None
    water: str | None = None
    year: int | None = None

    @property
    def where(self) -> tuple[str, tuple[str, ...]]:
        parts = []
        if self.survey_id is not None:
            parts.append(("s.survey_id = ?", self.survey_id))
        if self.water is not None:
            parts.append(("{water} = ?", self.water))
        if self.year is not None:
            parts.append(("{year} = ?", f"{self.year:04}"))
        text = " AND ".join(part for part, _ in parts)
        return f"WHERE {text}" if text else "", tuple(value for _, value in parts)


@contextmanager
def one_state(connection: Connection) -> Iterator[None]:
    """Everything read within the block is of one instant. The connection is in autocommit mode before and after."""
    connection.execute("BEGIN")
    try:
        yield
    finally:
        connection.execute("ROLLBACK")


def public_views(connection: Connection) -> tuple[PublicView, ...]:
    """All views that are exported, their columns in the order of the view."""
    docs = {
        (view, column): (unit, meaning)
        for view, column, unit, meaning in connection.execute(
            'SELECT view, "column", unit, meaning FROM column_doc'
        )
    }
    views = []
    for name in VIEW_NAMES:
        described = connection.execute(f'SELECT * FROM "{name}" LIMIT 0').description
        views.append(
            PublicView(
                name, tuple(Column(column, _kind(column), *docs[name, column]) for column, *_ in described)
            )
        )
    return tuple(views)


def rows(connection: Connection, view: PublicView, selection: Selection) -> Iterator[Row]:
    """The selected rows of a view, one after the other, in the order that never changes."""
    return connection.execute(_query(view, selection, "", ""), selection.where[1])


def parted_rows(
    connection: Connection, view: PublicView, selection: Selection
) -> Iterator[tuple[str | None, str | None, Row]]:
    """(year, water, row), sorted by year and water. The year is text as the records have it."""
    _, water, year = _SOURCE[view.name]
    cursor = connection.execute(
        _query(view, selection, f", {year}, {water}", f"{year}, {water}, "), selection.where[1]
    )
    for row in cursor:
        yield row[-2], row[-1], row[:-2]


def _query(view: PublicView, selection: Selection, more: str, first: str) -> str:
    join, water, year = _SOURCE[view.name]
    columns = ", ".join(f'v."{column.name}"' for column in view.columns)
    where = selection.where[0].format(water=water, year=year)
    return (
        f'SELECT {columns}{more} FROM "{view.name}" AS v {join} {where} ORDER BY {first}{_ORDER[view.name]}'
    )


def checked(connection: Connection, selection: Selection) -> Selection:
    """The selection with its water as the records spell it. Raises ExportRefusedError: no survey is of that water or
    year."""
    waters = _column(connection, "SELECT DISTINCT water FROM survey WHERE water IS NOT NULL ORDER BY 1")
    water = selection.water
    if water is not None and water not in waters:
        alike = [one for one in waters if one.casefold() == water.casefold()]
        water = alike[0] if len(alike) == 1 else None
    if selection.water is not None and water is None:
        known = ", ".join(waters) or "none"
        raise ExportRefusedError(
            f'There is no survey of the water "{selection.water}"; the waters here: {known}.'
        )
    years = _column(connection, "SELECT DISTINCT substr(opened_at, 1, 4) FROM survey ORDER BY 1")
    if selection.year is not None and f"{selection.year:04}" not in years:
        known = ", ".join(years) or "none"
        raise ExportRefusedError(f"There is no survey of the year {selection.year}; the years here: {known}.")
    return replace(selection, water=water)


def _column(connection: Connection, query: str) -> Sequence[str]:
    return list(chain.from_iterable(connection.execute(query)))


def _kind(column: str) -> Kind:
    return "integer" if column in _INTEGERS else "number" if column in _NUMBERS else "text"
