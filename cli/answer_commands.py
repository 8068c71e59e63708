"""`tallywell answer`: the biologist's numbers on the terminal, one chapter a command."""

from collections.abc import Callable
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli import options
from cli.answer_target import WATERS, find_records, read_scope
from cli.contents import group
from cli.errors import RefusedError
from cli.show import Column, counted, pairs, printable, say, say_json, table, terminal_width
from cli.species_files import station_species
from cli.target import reading

if TYPE_CHECKING:
    from sqlite3 import Connection

    from ingest.species import SpeciesBook
    from office.answers.model import Answer, Chapter, Table
    from office.answers.records import Records


class UnitsOption(StrEnum):
    METRIC = "metric"
    INCH_POUND = "inch_pound"


Water = Annotated[
    str | None,
    typer.Option("--water", metavar="WATER", help="The water. May be left out where there is one."),
]
Survey = Annotated[
    str | None,
    typer.Option(
        "--survey", metavar="SURVEY", help="Name, water, id, or last: the survey that is asked about."
    ),
]
Species = Annotated[
    str | None, typer.Option("--species", metavar="SPECIES", help="Only this species: slug or common name.")
]
Years = Annotated[
    str | None,
    typer.Option("--years", metavar="FIRST-LAST", help="Only surveys of these years, such as 2022-2026."),
]
Waters = Annotated[
    Path | None,
    typer.Option(
        "--waters", metavar="FILE", help=f"Area, marks, stockings. Default: {WATERS} by the database."
    ),
]
Units = Annotated[UnitsOption, typer.Option("--units", help="Units of the answers.")]
Fish = Annotated[bool, typer.Option("--fish", help="List the ids of the fish behind each number.")]
Tables = Annotated[bool, typer.Option("--tables", help="Show the tables of the chapter too.")]

app = group("The biologist's answers: each number with its n, limits, formula, source and fish.")

_HELP = {
    "condition": (
        "Relative weight, its trend, the length-weight relation.",
        "Mean Wr (100 is the standard weight) by species and length category, in recaptured fish and over the surveys; "
        "lengths in mm, weights in g.",
    ),
    "structure": (
        "Size structure: PSD, length-frequency, two surveys.",
        "PSD and its increments with limits, the fish that a sample wants, the change since the survey before; in mm.",
    ),
    "growth": (
        "Growth between captures, curves, length at age.",
        "mm and g per year of recaptured fish, growth curves (Fabens, Francis), lengths (mm) of stocked fish of known age.",
    ),
    "catch": (
        "Fish per hour of current-on time, by run and species.",
        "With limits over runs, by length category, the runs that a wanted precision takes, and what differs from the "
        "survey before.",
    ),
    "abundance": (
        "How many fish there are, from marks seen again.",
        "Chapman, Schnabel, Schumacher-Eschmeyer, Jolly-Seber; lost tags; what each takes for granted.",
    ),
    "survival": (
        "Survival from year to year, from captures of tags.",
        "Cormack-Jolly-Seber, constant and by time, compared by AICc; survival and the chance of being caught in %.",
    ),
    "cues": (
        "Published ranges beside the numbers, as questions.",
        "Never an order: local regulation, the licence and the owner's aims come first.",
    ),
    "quality": (
        "What was queried, left out, corrected and checked.",
        "State of the records, findings, check measurements, warnings of the line, doubtful clocks, sightings.",
    ),
}  # fmt: skip


def _command(key: str) -> Callable[..., None]:
    def run(
        water: Water = None,
        survey: Survey = None,
        species: Species = None,
        years: Years = None,
        units: Units = UnitsOption.METRIC,
        waters: Waters = None,
        fish: Fish = False,
        tables: Tables = False,
        config: options.Config = None,
        db: options.Database = None,
        as_json: options.Json = False,
    ) -> None:
        asked = _Asked(water, survey, species, years, waters, config, db)
        _answer(asked, key, units, fish, tables, as_json)

    run.__doc__ = "\n\n".join(_HELP[key])
    return run


for _key in ("condition", "structure", "growth", "catch", "abundance", "survival"):
    app.command(_key)(_command(_key))


@app.command("removal")
def removal(
    wanted_left: Annotated[
        int | None,
        typer.Option(
            "--wanted-left",
            metavar="FISH",
            min=1,
            help="Down to how many fish the removal shall bring a species.",
        ),
    ] = None,
    water: Water = None,
    survey: Survey = None,
    species: Species = None,
    years: Years = None,
    units: Units = UnitsOption.METRIC,
    waters: Waters = None,
    fish: Fish = False,
    tables: Tables = False,
    config: options.Config = None,
    db: options.Database = None,
    as_json: options.Json = False,
) -> None:
    """Unwanted fish: taken, left, and what it takes to go on.

    Catch, kg (per hectare), depletion over passes (Carle-Strub) or dates (Leslie), further passes or hours."""
    asked = _Asked(water, survey, species, years, waters, config, db)
    _answer(asked, "removal", units, fish, tables, as_json, wanted_left)


for _key in ("cues", "quality"):
    app.command(_key)(_command(_key))


@app.command("fish")
def one_fish(
    tag: Annotated[
        str, typer.Argument(metavar="TAG", help="The tag code, in any written form.", show_default=False)
    ],
    water: Water = None,
    survey: Survey = None,
    units: Units = UnitsOption.METRIC,
    waters: Waters = None,
    fish: Fish = False,
    tables: Tables = True,
    config: options.Config = None,
    db: options.Database = None,
    as_json: options.Json = False,
) -> None:
    """One tag: its captures, growth, and what was expected.

    Length (mm) and Wr against what the other recaptured fish of this water do."""
    from drivers.tags import TagCodeError, parse_tag

    try:
        code = parse_tag(tag).text
    except TagCodeError as error:
        raise RefusedError(str(error)) from None
    asked = _Asked(water, survey, None, None, waters, config, db)
    _answer(asked, "fish", units, fish, tables, as_json, tag=code)


class _Asked:
    """What the options ask for, and the records that answer it."""

    def __init__(
        self,
        water: str | None,
        survey: str | None,
        species: str | None,
        years: str | None,
        waters: Path | None,
        config: Path | None,
        db: Path | None,
    ) -> None:
        self._water, self._survey, self._species, self._waters = water, survey, species, waters
        self._years = _years(years)
        self._target = find_records(config, db)

    @property
    def database(self) -> Path:
        return self._target.database

    def records(self, tag: str | None = None) -> "tuple[Records, SpeciesBook]":
        book = station_species(self._target.config)
        with reading(self._target.database) as connection:
            water = self._water
            if tag is not None and water is None and self._survey is None:
                water = _water_of(connection, tag)
            return read_scope(
                connection,
                self._target.database,
                book,
                water=water,
                survey=self._survey,
                species=self._species,
                waters=self._waters,
                years=self._years,
            ), book


def _answer(
    asked: _Asked,
    key: str,
    units: UnitsOption,
    fish: bool,
    tables: bool,
    as_json: bool,
    wanted_left: int | None = None,
    tag: str | None = None,
) -> None:
    try:
        from office.answers.compose import chapter, fish_chapter
    except ModuleNotFoundError as missing:
        raise RefusedError(
            f'The answers need {missing.name}: install it with pip install "tallywell[reports]".'
        ) from None
    records, book = asked.records(tag)
    if tag is None:
        made = chapter(records, book, key, units.value, wanted_left)
    else:
        made = fish_chapter(records, book, tag, units.value)
    if as_json:
        say_json({"scope": _scope(asked.database, records), "units": units.value, **made.to_json()})
        return
    say(_text(asked.database, records, made, fish, tables))


def _years(written: str | None) -> tuple[int, int] | None:
    if written is None:
        return None
    first, _, last = written.partition("-")
    if not (
        first.isdigit() and (last or first).isdigit() and len(first) == 4 and int(first) <= int(last or first)
    ):
        raise RefusedError(f'"{written}" is no span of years: write 2022-2026, or one year.')
    return int(first), int(last or first)


def _water_of(connection: "Connection", tag: str) -> str | None:
    """The water where the tag was last seen."""
    row = connection.execute(
        "SELECT water FROM tag_history WHERE tag = ? AND survey_id IS NOT NULL AND water IS NOT NULL "
        "ORDER BY rtrim(at, 'Z') DESC LIMIT 1",
        (tag,),
    ).fetchone()
    return row[0] if row else None


def _scope(database: Path, records: "Records") -> dict[str, Any]:
    return {
        "database": str(database),
        "water": records.water,
        "surveys": [one.survey_id for one in records.surveys],
        "asked_about": [one.name for one in records.occasions[-1:]],
        "species": records.only_species,
        "fish": len(records.fish),
    }


# --- as text ----------------------------------------------------------------------------------------------------------


def _text(database: Path, records: "Records", made: "Chapter", fish: bool, tables: bool) -> str:
    where = records.water or "no water named"
    surveys = counted(len(records.surveys), "survey")
    read = f"{surveys}, {len(records.fish):,} fish read from {printable(str(database))}"
    lines = [_wrapped(f"{made.title}: {where}, {records.when} ({read})")]
    cautions: dict[str, int] = {}
    for one in made.answers:
        for caution in _said_of(one):
            cautions.setdefault(caution, len(cautions) + 1)
    before = ""
    for one in made.answers:
        method = "" if one.refused else f"{one.formula}. {one.source}."
        lines.append(_one(one, cautions, "as above" if method and method == before else method, fish))
        before = method
    if tables:
        lines += [_table(one) for one in made.tables if one.rows]
    if cautions:
        lines.append(pairs([(f"[{number}]", text) for text, number in cautions.items()]))
    lines += [_wrapped(note) for note in made.notes]
    return "\n\n".join(lines)


def _said_of(answer: "Answer") -> tuple[str, ...]:
    return answer.cautions + ((answer.measured_coverage,) if answer.measured_coverage else ())


def _one(answer: "Answer", cautions: dict[str, int], method: str, fish: bool) -> str:
    marks = "".join(f"[{cautions[one]}]" for one in dict.fromkeys(_said_of(answer)))
    lines = [_wrapped(f"{answer.sentence} {marks}".rstrip())]
    behind = f"; {counted(len(answer.fish_ids), 'fish record')} behind it" if answer.fish_ids else ""
    of = "run" if answer.n == 1 and answer.n_of == "runs" else answer.n_of
    facts = [("  n", f"{answer.n} {of}{behind}")]
    if method:
        facts.append(("  how", method))
    if fish and answer.fish_ids:
        facts.append(("  fish", " ".join(answer.fish_ids)))
    return "\n".join([*lines, pairs(facts)])


def _wrapped(text: str) -> str:
    import textwrap

    return "\n".join(textwrap.wrap(printable(text), terminal_width(), break_long_words=False)) or ""


def _table(one: "Table") -> str:
    sides = [_side(one, place) for place in range(len(one.columns))]
    columns = [
        # ids of fish are long: they go first where there is no room
        Column(
            str(place),
            f"{column.name} {column.unit}".rstrip(),
            column.decimals,
            align=sides[place],
            spare=column.name == "fish" and sides[place] == "left",
        )
        for place, column in enumerate(one.columns)
    ]
    rows = [{str(place): cell for place, cell in enumerate(row)} for row in one.rows]
    parts = [one.title, table(rows, columns)]
    return "\n".join([*parts, *([_wrapped(one.note)] if one.note else [])])


def _side(one: "Table", place: int) -> Any:
    numeric = all(row[place] is None or not isinstance(row[place], str) for row in one.rows)
    return "right" if numeric else "left"
