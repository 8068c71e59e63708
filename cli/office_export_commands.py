"""`tallywell office export`: the records in the forms that others read."""

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli import options
from cli.errors import RefusedError
from cli.office_target import reading_office
from cli.show import counted, say, say_json
from cli.species_files import species_book

if TYPE_CHECKING:
    from sqlite3 import Connection

    from office.exports.darwin_core.places import Coordinates
    from office.exports.public_views import Selection
    from office.exports.written import Written


class ExportKind(StrEnum):
    """The forms of an export."""

    CSV = "csv"
    XLSX = "xlsx"
    PACKAGE = "package"
    DARWIN_CORE = "darwin-core"
    PARQUET = "parquet"


def export(
    kind: Annotated[ExportKind, typer.Argument(metavar="KIND", show_default=False,
                    help=f"The form: {', '.join(ExportKind)}.")],
    out: Annotated[Path, typer.Option("--out", metavar="PATH", show_default=False,
                   help="A folder; for xlsx and darwin-core a file (a zip file for darwin-core).")],
    office: options.Office = options.OFFICE_HERE,
    survey: Annotated[str | None, typer.Option("--survey", metavar="SURVEY",
                      help="Only this one: name, water, id, or last.")] = None,
    water: Annotated[str | None, typer.Option("--water", metavar="WATER", help="Only this water.")] = None,
    year: Annotated[int | None, typer.Option("--year", metavar="YEAR",
                    help="Only surveys opened in this year (UTC).")] = None,
    coordinates: Annotated[str, typer.Option("--coordinates", metavar="HOW",
                           help="darwin-core: exact, withheld, or the size of a cell in degrees such as 0.1.")] = "exact",
    about: Annotated[Path | None, typer.Option("--about", metavar="FILE.toml",
                     help="darwin-core: title, abstract, organization, email, licence, licence_url.")] = None,
    species: Annotated[Path | None, typer.Option("--species", metavar="FOLDER",
                       help="darwin-core: species files besides those shipped.")] = None,
    as_json: options.Json = False,
) -> None:  # fmt: skip
    """Write the records as csv, xlsx, parquet or a package.

    The public views go out, corrections applied, lengths in mm and weights in g; void fish stay out. An older export
    of the same name is replaced only by a whole new one."""
    from cli.questions import one_survey
    from office.exports.errors import ExportRefusedError
    from office.exports.public_views import Selection, checked

    if kind is not ExportKind.DARWIN_CORE and (
        coordinates != "exact" or about is not None or species is not None
    ):
        raise RefusedError("--coordinates, --about and --species belong to darwin-core: leave them out.")
    with reading_office(office) as connection:
        survey_id = None if survey is None else one_survey(connection, survey)["survey_id"]
        try:
            selection = checked(connection, Selection(survey_id, water, year))
            if kind is ExportKind.DARWIN_CORE:
                written = _darwin_core(connection, out, selection, _coordinates(coordinates), about, species)
            else:
                written = _write(connection, kind, out, selection)
        except ExportRefusedError as refused:
            raise RefusedError(str(refused)) from None
        except ModuleNotFoundError as missing:
            raise RefusedError(
                f'{kind} needs {missing.name}: install it with pip install "tallywell[office]".'
            ) from None
    if as_json:
        say_json(
            {
                "kind": kind,
                "path": str(written.path),
                "rows": dict(written.rows),
                "notes": list(written.notes),
            }
        )
        return
    rows = ", ".join(f"{name} {count}" for name, count in written.rows.items())
    say(f"Written to {written.path}: {counted(sum(written.rows.values()), 'row')} ({rows}).")
    for note in written.notes:
        say(note)


def _write(connection: "Connection", kind: ExportKind, out: Path, selection: "Selection") -> "Written":
    match kind:
        case ExportKind.CSV:
            from office.exports.csv_files import write_csv

            return write_csv(connection, out, selection)
        case ExportKind.PACKAGE:
            from office.exports.data_package import write_data_package

            return write_data_package(connection, out, selection)
        case ExportKind.XLSX:
            from office.exports.xlsx_book import write_xlsx

            return write_xlsx(connection, out, selection)
        case _:
            from office.exports.parquet_folders import write_parquet

            return write_parquet(connection, out, selection)


def _darwin_core(
    connection: "Connection",
    out: Path,
    selection: "Selection",
    coordinates: "Coordinates",
    about: Path | None,
    species: Path | None,
) -> "Written":
    from datetime import UTC, datetime

    from ingest.toml_file import load_toml
    from office.exports.darwin_core.archive import write_darwin_core
    from office.exports.darwin_core.metadata import About

    return write_darwin_core(
        connection,
        out,
        selection,
        species_book(species),
        about=About() if about is None else load_toml(about, About),
        coordinates=coordinates,
        published=datetime.now(UTC).date(),
    )


def _coordinates(written: str) -> "Coordinates":
    from office.exports.darwin_core.places import Coordinates

    if written in ("exact", "withheld"):
        return Coordinates("exact" if written == "exact" else "withheld")
    try:
        cell_deg = float(written)
    except ValueError:
        cell_deg = 0.0
    if not 0.0001 <= cell_deg <= 10:
        raise RefusedError(
            f'--coordinates "{written}" is not understood: give exact, withheld, or degrees from 0.0001 to 10.'
        )
    return Coordinates("cell", cell_deg)
