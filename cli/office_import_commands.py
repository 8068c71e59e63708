"""`tallywell office import`: fish that come from elsewhere, from a table and a file that says what it means."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli import options
from cli.errors import DIFFERENT, RefusedError
from cli.show import blanks, counted, printable, say, say_json
from cli.species_files import species_book

if TYPE_CHECKING:
    from office.importing.importing import ImportOutcome, RowVerdict

_NO_TAG = {"none_found": "no tag found", "not_scanned": "not scanned"}


def import_(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="The table: .csv or .xlsx.", show_default=False)
    ],
    mapping: Annotated[
        Path,
        typer.Option(
            "--mapping",
            metavar="MAP.toml",
            help="What its columns, units, dates and words mean.",
            show_default=False,
        ),
    ],
    apply: Annotated[
        bool, typer.Option("--apply", help="Store what can be taken; without it the rows are only judged.")
    ] = False,
    who: Annotated[
        str,
        typer.Option("--who", metavar="CODE", help="Who imports, by code; with --apply.", show_default=False),
    ] = "",
    differences: Annotated[
        Path | None,
        typer.Option(
            "--differences",
            metavar="LIST.csv",
            help="Write what the file has otherwise than the records, for office amend --from.",
            show_default=False,
        ),
    ] = None,
    species: options.SpeciesFolder = None,
    office: options.Office = options.OFFICE_HERE,
    as_json: options.Json = False,
) -> None:
    """Import fish from a table (CSV, XLSX), each row judged.

    Nothing is stored without --apply. A row that is stored already changes nothing, whatever file it comes in; one that
    differs from its fish is shown and left to office amend. Exit code 1 if rows were refused or differ.
    """
    from ingest.toml_file import parse_toml, read_text

    try:
        from office.importing.importing import Importing
        from office.importing.mapping import ImportMapping
        from office.importing.tables import TableRefusedError
    except ImportError as missing:
        raise RefusedError(
            f'Importing needs {missing.name or "openpyxl"}: install it with pip install "tallywell[office]".'
        ) from None
    from contextlib import nullcontext
    from datetime import UTC, datetime

    from office.exports.errors import ExportRefusedError
    from office.exports.whole_files import whole_file
    from office.importing.difference_list import difference_csv

    if apply and not who.strip():
        raise RefusedError("Say who imports: --who CODE.")
    text = read_text(mapping)
    meaning = parse_toml(text, ImportMapping, str(mapping))
    data = file.read_bytes()
    book = species_book(species)
    try:
        # The place of the list is tried before anything is stored.
        with nullcontext() if differences is None else whole_file(differences) as staged:
            with _database(office, apply) as database:
                importing = Importing(database, book, who=who.strip() or "trial", at=datetime.now(UTC))
                outcome = importing.run(data, file.name, meaning, text, trial=not apply)
            if staged is not None:
                staged.write_text(difference_csv(outcome.verdicts, file.name), "utf-8", newline="")
    except (TableRefusedError, ExportRefusedError) as error:
        raise RefusedError(str(error)) from None
    if as_json:
        say_json(_document(outcome))
    else:
        say("\n".join(_lines(outcome, differences)))
    if outcome.of("refused") or outcome.of("differs"):
        raise typer.Exit(DIFFERENT)


def _database(office: Path, apply: bool) -> Any:
    """The office's database; a trial without one looks at the file alone."""
    from contextlib import contextmanager
    from tempfile import TemporaryDirectory

    from office.database import OfficeDatabase

    if apply or office.is_file():
        return OfficeDatabase.open(office)

    @contextmanager
    def empty() -> Any:
        with TemporaryDirectory() as folder, OfficeDatabase.open(Path(folder) / "empty.sqlite") as database:
            yield database

    return empty()


def _document(outcome: "ImportOutcome") -> dict[str, Any]:
    return {
        "stored": outcome.stored,
        "rows": [
            {
                "row": one.number,
                "verdict": one.kind,
                "fish_id": one.fish_id,
                "status": one.status,
                "tag_status": one.tag_status,
                "reasons": list(one.reasons),
                "differences": [
                    {"field": each.field, "stored": each.stored, "file": each.file}
                    for each in one.differences
                ],
                "findings": [
                    {"name": each.name, "severity": each.severity, "sentence": each.sentence}
                    for each in one.findings
                ],
            }
            for one in outcome.verdicts
        ],
        "new_waters": [{"water": water, "looks_like": near} for water, near in outcome.new_waters.items()],
        "no_longer_in_the_file": [{"fish_id": fish_id, "row": row} for fish_id, row in outcome.gone.items()],
    }


def _lines(outcome: "ImportOutcome", differences: Path | None) -> list[str]:
    lines = [line for verdict in outcome.verdicts for line in _row_lines(verdict, outcome.stored)]
    for water, near in outcome.new_waters.items():
        hint = f'; is "{near}" meant? Then say so in [waters]' if near else ""
        lines.append(f'The water "{printable(water)}" is new to this database{hint}.')
    for fish_id, row in outcome.gone.items():
        lines.append(
            f"Fish {fish_id[:8]} came from row {row} of an earlier file of this name, and no row tells of it now: void "
            "it if it was wrong."
        )
    if outcome.of("differs") and differences is None:
        lines.append(
            "Write the differences with --differences LIST.csv, and store them with office amend --from."
        )
    elif outcome.of("differs"):
        lines.append(f"The differences are in {differences}: store them with office amend --from.")
    return [*lines, _summary(outcome)]


def _row_lines(verdict: "RowVerdict", stored: bool) -> list[str]:
    place = f"Row {verdict.number}: "
    match verdict.kind:
        case "refused":
            return [f"{place}REFUSED. {printable(reason)}" for reason in verdict.reasons]
        case "known":
            return [f"{place}known, fish {(verdict.fish_id or '')[:8]}."]
        case "differs":
            said = "; ".join(
                f"{one.field} {_shown(one.stored)} -> {_shown(one.file)}" for one in verdict.differences
            )
            return [f"{place}DIFFERS from fish {(verdict.fish_id or '')[:8]}: {printable(said)}."]
        case _:
            name = f" as fish {(verdict.fish_id or '')[:8]}" if stored else ""
            lines = [f"{place}{'taken' if stored else 'would be taken'}{name}: {printable(_fish(verdict))}."]
            return lines + [f"    {one.severity}: {printable(one.sentence)}" for one in verdict.findings]


def _fish(verdict: "RowVerdict") -> str:
    row = verdict.row
    assert row is not None
    parts = [
        blanks(verdict.species) or "no species",
        f"tag {row.tag} ({blanks(verdict.tag_status)})" if row.tag else _NO_TAG.get(verdict.tag_status or ""),
        f"{row.length_mm:g} mm" if row.length_mm is not None else None,
        f"{row.weight_g:g} g" if row.weight_g is not None else None,
        row.fate if row.fate != "unknown" else None,
        f"{row.water}, {row.day}, {row.method}" + (f", {row.area}" if row.area else ""),
        verdict.status if verdict.status != "saved" else None,
    ]
    return ", ".join(part for part in parts if part)


def _shown(value: str | None) -> str:
    return "empty" if value is None else value


def _summary(outcome: "ImportOutcome") -> str:
    new, known = len(outcome.of("new")), len(outcome.of("known"))
    said = [f"{counted(new, 'row')} {'taken' if outcome.stored else 'would be taken'}"]
    differing, refused = len(outcome.of("differs")), len(outcome.of("refused"))
    said += [f"{known} known"] if known else []
    said += [f"{differing} {'differs' if differing == 1 else 'differ'}"] if differing else []
    said += [f"{refused} refused"] if refused else []
    end = "." if outcome.stored or not new else "; nothing was stored yet. Store with --apply --who CODE."
    return f"{', '.join(said)}{end}"
