"""`tallywell office amend`: corrections in the open, one record or a reviewed list, and their undoing."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli import options
from cli.errors import BAD_INPUT, RefusedError
from cli.office_target import open_office
from cli.show import Column, blanks, counted, pairs, say, say_json, table
from cli.species_files import species_book

if TYPE_CHECKING:
    from ingest.species import SpeciesBook
    from office.amend import Amending, Outcome, Verdict
    from office.amend_list import LineProblem
    from office.database import OfficeDatabase


def amend(
    record: Annotated[
        str | None,
        typer.Argument(
            metavar="ID", help="The fish or batch: its id, or the beginning of it.", show_default=False
        ),
    ] = None,
    changes: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="FIELD=VALUE",
            help="What it shall read, such as length_mm=412 (mm), weight_g=980 (g), tag=..., void=yes; "
            "nothing after = empties it. Without any: show its values and amendments.",
            show_default=False,
        ),
    ] = None,
    who: Annotated[
        str, typer.Option("--who", metavar="CODE", help="Who amends, by code.", show_default=False)
    ] = "",
    why: Annotated[str, typer.Option("--why", metavar="TEXT", help="Why.", show_default=False)] = "",
    from_list: Annotated[
        Path | None,
        typer.Option(
            "--from",
            metavar="LIST.csv",
            help="Amend what the new_ columns of this reviewed list say.",
            show_default=False,
        ),
    ] = None,
    undo: Annotated[
        list[str] | None,
        typer.Option(
            "--undo", metavar="AMENDMENT", help="Take back the correction of this amendment. May be repeated."
        ),
    ] = None,
    apply: Annotated[
        bool, typer.Option("--apply", help="Store what the list says; without it the list is only judged.")
    ] = False,
    confirm: Annotated[
        bool, typer.Option("--confirm", help="Amend although the checks have a serious finding: it is right.")
    ] = False,
    species: options.SpeciesFolder = None,
    office: options.Office = options.OFFICE_HERE,
    as_json: options.Json = False,
) -> None:
    """Correct a fish (mm, g) or a list of fish, in the open.

    Nothing is overwritten: who, when, why, old and new stay on record, and --undo is one more amendment. A list is
    judged first; --apply stores all of it or nothing.
    """
    _one_job(record, from_list, undo)
    with open_office(office) as database:
        if record is not None and not changes:
            _show(database, record, as_json)
            return
        if not who.strip():
            raise RefusedError("Say who amends: --who CODE.")
        amending = _amending(database, species_book(species), who.strip())
        if undo:
            outcome = amending.undo(undo, why=why)
            _say(outcome, as_json, "undone")
        elif from_list is not None:
            _amend_list(amending, from_list, why, confirm=confirm, apply=apply, as_json=as_json)
        else:
            from office.amend import Wanted

            if not why.strip():
                raise RefusedError("Say why it is amended: --why TEXT.")
            wish = Wanted(record or "", _fields(changes or []), why)
            outcome = amending.amend([wish], confirm=confirm)
            _say(outcome, as_json, "amended")


def _one_job(record: str | None, from_list: Path | None, undo: list[str] | None) -> None:
    jobs = [record is not None, from_list is not None, bool(undo)]
    if sum(jobs) != 1:
        raise RefusedError(
            "Give one of these: a fish with FIELD=VALUE, --from LIST.csv, or --undo AMENDMENT."
        )


def _amending(database: "OfficeDatabase", book: "SpeciesBook", who: str) -> "Amending":
    import time

    from ingest.frames import rfc3339
    from office.amend import Amending

    return Amending(database, book, who=who, at=rfc3339(time.time()))


def _fields(written: list[str]) -> dict[str, str]:
    fields: dict[str, str] = {}
    for one in written:
        name, equals, value = one.partition("=")
        name = name.strip().lower()
        if not equals or not name:
            raise RefusedError(f'"{one}" is no correction: write FIELD=VALUE, such as length_mm=412.')
        if name in fields:
            raise RefusedError(f"{name} is given twice: give it once.")
        fields[name] = value
    return fields


def _amend_list(
    amending: "Amending", path: Path, why: str, *, confirm: bool, apply: bool, as_json: bool
) -> None:
    from office.amend_list import read_list

    try:
        text = path.read_text("utf-8")
    except UnicodeDecodeError as error:
        raise RefusedError(f"{path}: byte {error.start} is not UTF-8 text; save the list as UTF-8.") from None
    wishes, problems, untouched = read_list(text, why)
    outcome = amending.amend(wishes, confirm=confirm, trial=not apply or bool(problems))
    _say(outcome, as_json, "amended", problems, untouched, trial=not apply)


def _say(
    outcome: "Outcome",
    as_json: bool,
    deed: str,
    problems: "list[LineProblem] | None" = None,
    untouched: int = 0,
    *,
    trial: bool = False,
) -> None:
    bad = [verdict for verdict in outcome.verdicts if not verdict.good]
    refused = bool(bad or problems)
    if as_json:
        say_json(
            {
                "stored": outcome.stored,
                "trial": trial,
                "records": [_verdict_json(verdict) for verdict in outcome.verdicts],
                "problems": [{"line": one.line, "text": one.text} for one in problems or ()],
                "lines_without_a_correction": untouched,
            }
        )
    else:
        parts = ["\n".join(_verdict_lines(verdict, deed, outcome.stored)) for verdict in outcome.verdicts]
        parts += [f"Line {one.line}: {one.text}" for one in problems or ()]
        parts.append(_summary(outcome, deed, len(problems or ()), untouched, trial))
        say("\n".join(part for part in parts if part))
    if refused:
        raise typer.Exit(BAD_INPUT)


def _verdict_json(verdict: "Verdict") -> dict[str, Any]:
    return {
        "line": verdict.line,
        f"{verdict.kind}_id": verdict.record_id,
        "refused": verdict.refused,
        "needs_confirm": verdict.needs_confirm,
        "changes": [{"field": name, "old": old, "new": new} for name, old, new in verdict.changes],
        "amendment_ids": verdict.amendment_ids,
        "findings": [
            {"name": one.name, "severity": one.severity, "sentence": one.sentence} for one in verdict.findings
        ],
    }


def _verdict_lines(verdict: "Verdict", deed: str, stored: bool) -> list[str]:
    place = f"Line {verdict.line}: " if verdict.line is not None else ""
    if verdict.refused is not None:
        return [f"{place}{verdict.refused}"]
    what = (
        ", ".join(f"{name} {_short(name, old)} -> {_short(name, new)}" for name, old, new in verdict.changes)
        or "nothing"
    )
    name = f"{verdict.kind.capitalize()} {(verdict.record_id or '')[:8]}"
    doubt = "NEEDS --confirm: " if verdict.needs_confirm else ""
    lines = [f"{place}{doubt}{name}: {what}."]
    lines += [f"    {one.severity}: {one.sentence}" for one in verdict.findings]
    serious = any(one.severity == "serious" for one in verdict.findings)
    if verdict.status == "queried" and not serious:
        lines.append("    It is still queried: add status=confirmed if no value is in doubt any more.")
    if stored:
        lines.append(f"    {deed} as amendment {verdict.amendment_ids[0][:8]}; take it back with --undo.")
    return lines


def _shown(value: str | None) -> str:
    return "empty" if value is None else value


def _short(name: str, value: str | None) -> str:
    """An individual is known by its tag; of its id the beginning will do."""
    return _shown(value)[:8] if name == "individual_id" else _shown(value)


def _summary(outcome: "Outcome", deed: str, problems: int, untouched: int, trial: bool) -> str:
    refused = sum(verdict.refused is not None for verdict in outcome.verdicts) + problems
    doubtful = sum(verdict.needs_confirm for verdict in outcome.verdicts)
    good = sum(verdict.good for verdict in outcome.verdicts)
    rest = f" {counted(untouched, 'line')} without a correction." if untouched else ""
    if outcome.stored:
        return f"{counted(good, 'record')} {deed}.{rest}"
    if refused or doubtful:
        said = [
            f"{refused} cannot be used" if refused else "",
            f"{doubtful} {'needs' if doubtful == 1 else 'need'} --confirm" if doubtful else "",
        ]
        fine = f"; {good} would be fine" if good else ""
        return f"Nothing was stored: {', '.join(filter(None, said))}{fine}.{rest}"
    if trial:
        return f"{counted(good, 'record')} would be {deed}; nothing was stored yet. Store with --apply.{rest}"
    return f"Nothing was stored.{rest}"


def _show(database: "OfficeDatabase", written: str, as_json: bool) -> None:
    from office.record_state import RecordNotFoundError, find_record, timeline

    try:
        kind, record_id = find_record(database.connection, written)
    except RecordNotFoundError as error:
        raise RefusedError(str(error)) from None
    line, now = timeline(database.connection, kind, record_id)
    rows = [
        {
            "amendment_id": change.amendment_id,
            "at": one.at,
            "who": one.who,
            "why": one.why,
            "field": change.field,
            "old": change.old,
            "new": change.new,
            "undone": line.undone_by(one) is not None,
        }
        for one in line.corrections
        for change in one.changes
    ]
    if as_json:
        say_json({f"{kind}_id": record_id, "now": now, "saved": line.saved, "amendments": rows})
        return
    facts = [(name, _shown(value) + _was(line.saved.get(name), value)) for name, value in now.items()]
    facts = [(name, said) for name, said in facts if said != "empty"]
    parts = [f"{kind.capitalize()} {record_id}", pairs(facts)]
    if rows:
        columns = (
            Column("id", "amendment"),
            Column("at", "when (UTC)"),
            Column("who", "who"),
            Column("field", "field"),
            Column("old", "old"),
            Column("new", "new"),
            Column("undone", "state"),
            Column("why", "why"),
        )
        view = [
            {
                **row,
                "id": str(row["amendment_id"])[:8],
                "at": str(row["at"])[:16].replace("T", " "),
                "undone": "undone" if row["undone"] else None,
                "field": blanks(str(row["field"])),
                "old": None if row["old"] is None else _short(str(row["field"]), str(row["old"])),
                "new": None if row["new"] is None else _short(str(row["field"]), str(row["new"])),
            }
            for row in rows
        ]
        parts.append(table(view, columns))
    say("\n\n".join(parts))


def _was(saved: str | None, now: str | None) -> str:
    return "" if saved == now else f" (saved as {_shown(saved)})"
