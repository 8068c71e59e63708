"""The report as plain data, in the order in which it is read. HTML and PDF are two renderings of it."""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Literal

from office.answers.model import Answer, Cell, Chapter, Column, Plot, Table
from office.answers.records import said
from office.report.cautions import CAUTIONS
from office.report.facts import Facts
from office.report.summary import Summary, summarise, together

Units = Literal["metric", "inch_pound"]
MOST_ROWS = 25
"""Longer tables show their first rows and name the CSV file that has all."""


@dataclass(frozen=True, slots=True)
class Said:
    """One answer as it is printed. method: its number in the list of methods, 0 for none. notes: numbers of the
    chapter's cautions, among them what simulation says of its limits."""

    title: str
    sentence: str
    method: int
    notes: tuple[int, ...]
    refused: bool


@dataclass(frozen=True, slots=True)
class Figure:
    number: int
    plot: Plot
    stem: str  # of its files, such as figure-03-bluegill.wr_by_length


@dataclass(frozen=True, slots=True)
class Listing:
    """A table as it is printed: cells are text, numbers to be set to the right are marked by column."""

    number: int
    title: str
    headings: tuple[str, ...]
    numeric: tuple[bool, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str
    left_out: int
    stem: str
    table: Table


@dataclass(frozen=True, slots=True)
class Group:
    """What a chapter says of one species, or (title "") of the whole."""

    title: str
    said: tuple[Said, ...]
    figures: tuple[Figure, ...]
    listings: tuple[Listing, ...]


@dataclass(frozen=True, slots=True)
class Section:
    """A chapter. cautions: numbered from 1, what to know before using its numbers."""

    key: str
    title: str
    groups: tuple[Group, ...]
    cautions: tuple[str, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Method:
    number: int
    formula: str
    source: str


@dataclass(frozen=True, slots=True)
class Report:
    """title: the water. subtitle: what this is. facts: name and value, for the head. warnings: what must be seen first.
    dated: the day that the report bears, that of the data if nobody gave another."""

    title: str
    subtitle: str
    facts: tuple[tuple[str, str], ...]
    warnings: tuple[str, ...]
    summary: Summary
    sections: tuple[Section, ...]
    methods: tuple[Method, ...]
    cautions: tuple[tuple[str, str], ...]
    dated: str
    units: Units
    chapters: tuple[Chapter, ...] = field(repr=False, default=())

    @property
    def figures(self) -> tuple[Figure, ...]:
        return tuple(one for section in self.sections for group in section.groups for one in group.figures)

    @property
    def listings(self) -> tuple[Listing, ...]:
        return tuple(one for section in self.sections for group in section.groups for one in group.listings)


def build_report(facts: Facts, chapters: Sequence[Chapter], units: Units, dated: str | None = None) -> Report:
    """Put the chapters, already in the reader's units, in the order of reading, and number what can be pointed at."""
    numbers = _Numbers(facts.when)
    sections = tuple(numbers.section(chapter) for chapter in chapters)
    return Report(
        title=facts.water or "Water not named yet",
        subtitle=_subtitle(facts),
        facts=tuple(_head(facts, units)),
        warnings=tuple(_warnings(facts)),
        summary=summarise(facts, chapters),
        sections=sections,
        methods=tuple(numbers.methods.values()),
        cautions=CAUTIONS,
        dated=dated or facts.when[:10],
        units=units,
        chapters=tuple(chapters),
    )


def _subtitle(facts: Facts) -> str:
    if not facts.when:
        return "Fish survey report"
    before = "" if facts.surveys < 2 else f", with the {facts.surveys - 1} before it since {facts.first_day}"
    only = f"; {said(facts.only_species)} only" if facts.only_species else ""
    return f"Fish survey of {facts.when}{before}{only}"


def _head(facts: Facts, units: Units) -> Iterable[tuple[str, str]]:
    if facts.names and facts.names != (facts.water,):
        yield "Survey", ", ".join(facts.names)
    if facts.stations:
        yield "Station", ", ".join(facts.stations)
    if facts.gear:
        yield "Gear", ", ".join(facts.gear)
    if facts.runs:
        seconds = f", {facts.seconds:,.0f} s with the current on" if facts.seconds else ", seconds not noted"
        yield "Effort", f"{facts.runs} {'run' if facts.runs == 1 else 'runs'}{seconds}"
    yield "Units", "millimetres, grams" if units == "metric" else "inches, pounds"


def _warnings(facts: Facts) -> Iterable[str]:
    for agent, until in facts.drugged:
        day = f"before {until}" if until else "before the end of its withdrawal period, which nobody noted"
        yield f"Fish of this survey were treated with {agent}. They may not be eaten {day}."
    if facts.provisional:
        yield "This survey was never given a name and a water: look at it before you rely on what stands here."


class _Numbers:
    """Numbers methods, figures and tables in the order in which they are met."""

    def __init__(self, when: str) -> None:
        self._when = when
        self.methods: dict[tuple[str, str], Method] = {}
        self._figures = 0
        self._listings = 0

    def section(self, chapter: Chapter) -> Section:
        cautions: dict[str, int] = {}
        subjects = list(dict.fromkeys(one.subject for one in chapter.answers))
        subjects += [one.subject for one in chapter.plots if one.subject not in subjects]
        by_key = _tables_by_subject(chapter.tables, subjects)
        groups = []
        for subject in dict.fromkeys(subjects):
            answers = [one for one in chapter.answers if one.subject == subject]
            group = Group(
                said(subject).capitalize() if subject else "",
                tuple(self._said(one, cautions) for one in answers),
                tuple(self._figure(one) for one in chapter.plots if one.subject == subject),
                tuple(self._listing(one) for one in by_key.pop(subject, ())),
            )
            groups.append(group)
        rest = [table for tables in by_key.values() for table in tables]
        if rest:
            groups.append(Group("", (), (), tuple(self._listing(one) for one in rest)))
        return Section(chapter.key, chapter.title, tuple(groups), tuple(cautions), chapter.notes)

    def _said(self, answer: Answer, cautions: dict[str, int]) -> Said:
        measured = (answer.measured_coverage,) if answer.measured_coverage else ()
        notes = tuple(
            cautions.setdefault(one, len(cautions) + 1)
            for one in dict.fromkeys((*answer.cautions, *measured))
        )
        return Said(
            answer.title,
            together(_below(said(answer.subject).capitalize(), self._when, answer.sentence)),
            self._method(answer.formula, answer.source) if answer.refused is None else 0,
            notes,
            answer.refused is not None,
        )

    def _method(self, formula: str, source: str) -> int:
        if not formula and not source:
            return 0
        method = Method(len(self.methods) + 1, formula, source)
        return self.methods.setdefault((formula, source), method).number

    def _figure(self, plot: Plot) -> Figure:
        self._figures += 1
        return Figure(self._figures, plot, f"figure-{self._figures:02d}-{file_name(plot.key)}")

    def _listing(self, table: Table) -> Listing:
        self._listings += 1
        numeric = tuple(_is_numeric(table, place) for place in range(len(table.columns)))
        rows = tuple(
            tuple(cell_text(cell, column) for cell, column in zip(row, table.columns, strict=True))
            for row in table.rows[:MOST_ROWS]
        )
        return Listing(
            self._listings,
            table.title,
            tuple(f"{one.name}, {one.unit}" if one.unit else one.name for one in table.columns),
            numeric,
            rows,
            table.note,
            len(table.rows) - len(rows),
            f"table-{self._listings:02d}-{file_name(table.key)}",
            table,
        )


def _below(heading: str, when: str, sentence: str) -> str:
    """The sentence without the species and the day that it begins with: they stand in the headings above it."""
    for start in (f"{heading}, {when}: ", f"{heading}, {when}, ", f"{heading}: "):
        if heading and sentence.startswith(start):
            rest = sentence.removeprefix(start)
            return rest if rest.startswith("log10") else rest[:1].upper() + rest[1:]
    return sentence


def _tables_by_subject(tables: Sequence[Table], subjects: Sequence[str]) -> dict[str, list[Table]]:
    """A table belongs to the subject that its key begins with, else to the whole."""
    found: dict[str, list[Table]] = {}
    longest = sorted((one for one in subjects if one), key=len, reverse=True)
    for table in tables:
        subject = next((one for one in longest if table.key.startswith(f"{one}.")), "")
        found.setdefault(subject, []).append(table)
    return found


def _is_numeric(table: Table, place: int) -> bool:
    cells = [row[place] for row in table.rows if row[place] is not None]
    return bool(cells) and all(isinstance(cell, int | float) for cell in cells)


def cell_text(cell: Cell, column: Column) -> str:
    """`1,234`, `92.6`, `–` for an empty cell; text as it is."""
    if cell is None:
        return "–"
    if isinstance(cell, float):
        decimals = column.decimals if column.decimals is not None else (1 if abs(cell) < 1000 else 0)
        return f"{cell:,.{decimals}f}".removeprefix("-" if float(f"{cell:.{decimals}f}") == 0 else "\0")
    return f"{cell:,}" if isinstance(cell, int) and abs(cell) >= 10_000 else str(cell)


def file_name(key: str) -> str:
    """The key as a file name for any system: letters, digits, `.`, `_` and `-` of ASCII, at most 60 of them."""
    return re.sub(r"[^A-Za-z0-9._-]+", "-", key).strip("-.")[:60] or "x"
