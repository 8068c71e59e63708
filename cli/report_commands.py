"""`tallywell report`: the answers on paper, for a client."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli import options
from cli.answer_commands import Species, Survey, UnitsOption, Water, Waters
from cli.answer_target import find_records, read_scope
from cli.errors import RefusedError
from cli.show import counted, say, say_json
from cli.species_files import station_species
from cli.target import Target, reading

if TYPE_CHECKING:
    from office.report.document import Report


def report(
    db: Annotated[
        Path | None,
        typer.Argument(
            metavar="DB",
            show_default=False,
            help="A station's or an office's database; it is only read. Default: that of STATION.toml, or office.sqlite.",
        ),
    ] = None,
    survey: Survey = None,
    water: Water = None,
    species: Species = None,
    out: Annotated[
        Path, typer.Option("--out", metavar="FOLDER", help="Where the files go; older ones are replaced.")
    ] = Path("report"),
    units: Annotated[
        UnitsOption, typer.Option("--units", help="mm and g, or inches and pounds.")
    ] = UnitsOption.METRIC,
    date: Annotated[
        str | None,
        typer.Option(
            "--date", metavar="DAY", help="The day that the report bears, 2026-06-01. Default: the survey's."
        ),
    ] = None,
    waters: Waters = None,
    config: options.Config = None,
    as_json: options.Json = False,
) -> None:
    """Write the report: HTML, PDF, plots, figures as CSV.

    Page one is for the owner of the water; then every answer with its limits, method and source, the quality of the
    records, and cautions. The same records give the same files."""
    try:
        from office.report.files import HTML, PDF, render, write
    except ModuleNotFoundError as missing:
        raise RefusedError(
            f'The report needs {missing.name}: install it with pip install "tallywell[reports]".'
        ) from None
    from office.exports.errors import ExportRefusedError

    made = _build(find_records(config, db), survey, water, species, units, _day(date), waters)
    if not as_json:
        typer.echo(f"Drawing {counted(len(made.figures), 'plot')}: some seconds ...", err=True)
    files = render(made)
    try:
        write(files, out)
    except ExportRefusedError as refused:
        raise RefusedError(str(refused)) from None
    if as_json:
        say_json(_document(made, out, files))
        return
    lines = [f"{made.title}: {made.subtitle}", *(f"Mind: {one}" for one in made.warnings)]
    lines += [f"  {one}" for one in made.summary.seen]
    lines.append(
        f"Written: {out / HTML} and {out / PDF}, {counted(len(made.figures), 'plot')} as SVG and PNG, figures as CSV."
    )
    say("\n".join(lines))


def _build(
    target: Target,
    survey: str | None,
    water: str | None,
    species: str | None,
    units: UnitsOption,
    day: str | None,
    waters: Path | None,
) -> "Report":
    from office.answers.compose import all_chapters
    from office.report.document import build_report
    from office.report.facts import read_facts

    book = station_species(target.config)
    with reading(target.database) as connection:
        records = read_scope(
            connection, target.database, book, water=water, survey=survey, species=species, waters=waters
        )
        facts = read_facts(connection, records)
    return build_report(facts, all_chapters(records, book, units.value), units.value, day)


def _day(written: str | None) -> str | None:
    from datetime import date

    if written is None:
        return None
    try:
        return date.fromisoformat(written).isoformat()
    except ValueError:
        raise RefusedError(f'"{written}" is no day: write it like 2026-06-01.') from None


def _document(made: "Report", out: Path, files: dict[str, bytes]) -> dict[str, Any]:
    return {
        "title": made.title,
        "subtitle": made.subtitle,
        "date": made.dated,
        "units": made.units,
        "warnings": list(made.warnings),
        "summary": list(made.summary.seen),
        "questions": list(made.summary.questions),
        "cannot_be_told": list(made.summary.untold),
        "folder": str(out),
        "files": sorted(files),
    }
