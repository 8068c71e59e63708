"""The figures of the report as CSV: every answer, the rows of every table, the points of every plot, whole."""

import csv
import io
from collections.abc import Iterable, Sequence

from office.answers.model import Cell, Chapter, Plot, Table


def answers_csv(chapters: Sequence[Chapter]) -> bytes:
    """One line an answer; limits without an end are `inf`."""
    rows = (
        (
            chapter.key, one.subject, one.key, one.title, one.value, one.unit,
            one.interval.low if one.interval else None, one.interval.high if one.interval else None,
            one.interval.level if one.interval else None, one.interval.method if one.interval else None,
            one.n, one.n_of, one.refused, one.wanted, one.sentence, one.formula, one.source, " ".join(one.cautions),
        )
        for chapter in chapters
        for one in chapter.answers
    )  # fmt: skip
    names = (
        "chapter", "subject", "key", "title", "value", "unit", "lower", "upper", "level", "limits_by", "n", "n_of",
        "refused", "wanted", "sentence", "formula", "source", "cautions",
    )  # fmt: skip
    return _csv(names, rows)


def table_csv(table: Table) -> bytes:
    """All rows, as many digits as there are."""
    return _csv([f"{one.name}, {one.unit}" if one.unit else one.name for one in table.columns], table.rows)


def plot_csv(plot: Plot) -> bytes:
    """One line a point: its series, x (or its name), y and limits."""
    x = f"{plot.x_label}, {plot.x_unit}" if plot.x_unit else plot.x_label
    y = f"{plot.y_label}, {plot.y_unit}" if plot.y_unit else plot.y_label
    return _csv(("series", x, y, "lower", "upper", "fish"), _points(plot))


def _points(plot: Plot) -> Iterable[Sequence[Cell]]:
    for one in plot.series:
        for place, (at, value) in enumerate(zip(one.x, one.y, strict=True)):
            named = plot.x_names and at == int(at) and 0 <= at < len(plot.x_names)
            yield (
                one.name,
                plot.x_names[int(at)] if named else at,
                value,
                one.low[place] if one.low else None,
                one.high[place] if one.high else None,
                one.fish[place] if one.fish else None,
            )


def _csv(names: Sequence[str], rows: Iterable[Sequence[Cell]]) -> bytes:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")  # RFC 4180
    writer.writerow(names)
    writer.writerows(rows)
    return text.getvalue().encode("utf-8")
