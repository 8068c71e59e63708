"""`tallywell office review`: what somebody should look at again, with the bytes behind each value."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli import options
from cli.errors import RefusedError
from cli.office_target import one_water, reading_office
from cli.show import blanks, counted, printable, say, say_json, terminal_width
from cli.species_files import species_book

if TYPE_CHECKING:
    from office.review.questions import Doubtful


def review(
    survey: Annotated[
        str | None,
        typer.Option("--survey", metavar="SURVEY", help="Name, water, id, or last. Default: all surveys."),
    ] = None,
    water: Annotated[
        str | None, typer.Option("--water", metavar="WATER", help="Only this water.", show_default=False)
    ] = None,
    csv: Annotated[
        Path | None,
        typer.Option(
            "--csv",
            metavar="LIST.csv",
            help="Write a list to be filled in, for office amend --from.",
            show_default=False,
        ),
    ] = None,
    species: options.SpeciesFolder = None,
    office: options.Office = options.OFFICE_HERE,
    as_json: options.Json = False,
) -> None:
    """List what to look at again (mm, g), with its bytes.

    Queried and incomplete fish, unknown tags, one tag twice or on two species, shrunk and fast grown fish, weights that
    may be off by one. A fish whose status is amended to confirmed is asked about no more.
    """
    from office.review.reading import review as look

    if survey is not None and water is not None:
        raise RefusedError("--survey and --water both choose: give one of them.")
    if csv is not None and csv.exists():  # it may hold an hour of somebody's work
        raise RefusedError(f"{csv} exists: give another name, or remove it first.")
    book = species_book(species)
    with reading_office(office) as connection:
        from cli.questions import one_survey

        chosen = None if survey is None else one_survey(connection, survey)["survey_id"]
        if water is not None:
            water = one_water(connection, water)
        doubtful = look(connection, book, survey_id=chosen, water=water)
    if csv is not None:
        from ingest.disk import write_whole
        from office.review.review_csv import review_csv

        write_whole(csv, review_csv(doubtful).encode())
    if as_json:
        say_json({"fish": [_json(one) for one in doubtful], "csv": None if csv is None else str(csv)})
    elif csv is not None:
        said = f"{len(doubtful)} fish in {csv}: fill in the new_ columns, then office amend --from {csv}."
        say(said if doubtful else f"Nothing to look at: {csv} has only its heading.")
    else:
        say(_text(doubtful))


def _json(one: "Doubtful") -> dict[str, Any]:
    fish = one.fish
    return {
        "fish_id": fish.fish_id,
        "water": fish.water,
        "survey": fish.survey,
        "survey_id": fish.survey_id,
        "bench": fish.bench,
        "run_no": fish.run_no,
        "worked_up_at": fish.worked_up_at,
        "species": fish.species,
        "tag": fish.tag,
        "length_mm": fish.length_mm,
        "weight_g": fish.weight_g,
        "fate": fish.fate,
        "status": fish.status,
        "questions": [
            {"name": each.name, "sentence": each.sentence, "other_fish": list(each.others)}
            for each in one.questions
        ],
        "evidence": [
            {
                "value": each.value,
                "shown": each.shown,
                "role": each.role,
                "source": each.source,
                "at": each.at,
                "journal_id": each.journal_id,
                "n": each.n,
                "raw_hex": each.raw.hex(),
            }
            for each in one.evidence
        ],
    }


def _text(doubtful: "list[Doubtful]") -> str:
    if not doubtful:
        return "Nothing to look at."
    lines: list[str] = []
    survey = ""
    for one in doubtful:
        if one.fish.survey_id != survey:
            survey = one.fish.survey_id
            lines += ["", _title(one)]
        lines += _fish_lines(one)
    counts: dict[str, int] = {}
    for one in doubtful:
        for name in dict.fromkeys(question.name for question in one.questions):
            counts[name] = counts.get(name, 0) + 1
    summary = ", ".join(
        f"{number} {blanks(name)}" for name, number in sorted(counts.items(), key=lambda item: -item[1])
    )
    lines += ["", f"{counted(len(doubtful), 'fish', 'fish')} to look at: {summary}. Times: UTC."]
    return "\n".join(lines[1:])


def _title(one: "Doubtful") -> str:
    water, name = one.fish.water, one.fish.survey
    day = one.fish.worked_up_at[:10]
    known = [water if water and water not in (name or "") else None, name]
    title = ", ".join(filter(None, known)) or "not named yet"
    return title if day in title else f"{title}, {day}"


def _fish_lines(one: "Doubtful") -> list[str]:
    import textwrap

    from office.review.review_csv import behind

    fish = one.fish
    facts = [
        fish.fish_id[:8],
        fish.worked_up_at[11:19],
        blanks(fish.species) or "no species",
        fish.tag or "no tag",
        f"{fish.length_mm:.0f} mm" if fish.length_mm is not None else "no length",
        f"{fish.weight_g:.1f} g" if fish.weight_g is not None else "no weight",
        fish.status,
    ]
    width = terminal_width()
    lines = [f"  {'  '.join(facts)}"]
    for question in one.questions:
        lines += textwrap.wrap(
            f"{blanks(question.name)}: {printable(question.sentence)}",
            width,
            initial_indent=" " * 6,
            subsequent_indent=" " * 8,
        )
    for value in ("tag", "length", "weight"):
        said = behind(one.evidence, value)
        if said:
            lines.append(f"      {value + ':':<8}{printable(said)}")
    return lines
