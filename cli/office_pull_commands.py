"""`tallywell office pull`, `status` and `conflicts`: the days of all stations in one database."""

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli import options
from cli.contents import group
from cli.errors import DIFFERENT, RefusedError
from cli.office_target import not_an_office, open_office, reading_office
from cli.show import Column, counted, escaped, pairs, say, say_json, table

if TYPE_CHECKING:
    from office.conflicts import Conflict
    from office.pull import Pulled
    from office.sources import Progress

conflicts_app = group(
    "Two records under one id, or two corrections of one value: both are kept, a person decides."
)

Source = Annotated[
    str,
    typer.Argument(
        metavar="SOURCE",
        help="A station's address (http://...), a folder, a stick, or a database file, at work or not.",
        show_default=False,
    ),
]
ConflictId = Annotated[
    str, typer.Argument(metavar="ID", help="The conflict's id, or its first characters.", show_default=False)
]


def pull(
    source: Source,
    office: options.Office = options.OFFICE_HERE,
    code: Annotated[
        str | None,
        typer.Option("--code", metavar="CODE", help="The code that tallywell station pair shows; once."),
    ] = None,
    as_json: options.Json = False,
) -> None:
    """Pull a day into the office's database.

    Verified before it touches anything, merged whole or not at all; pulling twice changes nothing. Closed fish travel,
    open ones come with a later pull."""
    import time
    from dataclasses import asdict

    from office.database import OfficeDatabase
    from office.manifest import PullRefusedError
    from office.pull import find_source
    from office.pull import pull as pull_from

    try:
        found = find_source(source, office, code)
        with OfficeDatabase.open(office) as opened, _bar(quiet=as_json) as progress:
            report = pull_from(opened, found, time.time(), progress)
    except PullRefusedError as refused:
        raise RefusedError(str(refused)) from None
    if as_json:
        say_json({"pulled": [asdict(one) for one in report.pulled], "left_out": report.left_out})
    else:
        for one in report.pulled:
            say(_pulled_text(one))
        for sentence in report.left_out:
            say(f"Left out: {sentence}")
        if any(one.conflicts for one in report.pulled):
            say("Look at the conflicts: tallywell office conflicts list.")
    if report.left_out:
        raise typer.Exit(DIFFERENT)


@contextmanager
def _bar(*, quiet: bool) -> "Iterator[Progress]":
    """A progress bar on standard error, where that is a terminal."""
    if quiet or not sys.stderr.isatty():
        yield lambda what, done, whole: None
        return
    shown: dict[str, Any] = {}

    def progress(what: str, done: int, whole: int) -> None:
        bar = shown.get(what)
        if bar is None:
            bar = shown[what] = typer.progressbar(length=whole, label=what, file=sys.stderr)
            bar.__enter__()
        bar.update(done - bar.pos)
        if done >= whole:
            bar.__exit__(None, None, None)
            del shown[what]

    try:
        yield progress
    finally:
        for bar in shown.values():
            bar.__exit__(None, None, None)


def _pulled_text(one: "Pulled") -> str:
    new = {name: one.added.get(name, 0) for name in ("fish", "batch", "amendment", "sighting")}
    parts = [
        counted(new["fish"], "fish", "fish"),
        *([counted(new["batch"], "batch or count", "batches and counts")] if new["batch"] else []),
        *([counted(new["amendment"], "amendment")] if new["amendment"] else []),
        *([counted(new["sighting"], "sighting")] if new["sighting"] else []),
    ]
    lines = [
        f"{one.station}, as of {one.taken_at.replace('T', ' ')[:16]} UTC: {', '.join(parts)} new."
        if one.added
        else f"{one.station}, as of {one.taken_at.replace('T', ' ')[:16]} UTC: nothing new."
    ]
    if one.still_open:
        lines.append(f"{one.still_open} still open at the station: the next pull brings them.")
    if one.conflicts:
        lines.append(f"{counted(len(one.conflicts), 'conflict')} to be decided.")
    return "\n".join([*lines, *one.notices])


def status(office: options.Office = options.OFFICE_HERE, as_json: options.Json = False) -> None:
    """Show what the office holds, pull by pull."""
    from office.pull_log import office_status

    with reading_office(office) as connection:
        found = office_status(connection)
    if found is None:
        raise not_an_office(office)
    if as_json:
        say_json(found)
        return
    facts = [(name.replace("_", " "), f"{number}") for name, number in found["holds"].items() if number]
    say(pairs(facts) or "The office's database is empty: pull a day with tallywell office pull SOURCE.")
    if found["stations"]:
        rows = [
            {
                **one,
                "last_pull": one["last_pull"].replace("T", " ")[:16],
                "as_of": one["as_of"].replace("T", " ")[:16],
            }
            for one in found["stations"]
        ]
        columns = (
            Column("station", "station"),
            Column("surveys", "surveys", 0),
            Column("fish", "fish", 0),
            Column("last_pull", "last pull (UTC)"),
            Column("as_of", "as of (UTC)"),
            Column("clock", "clock"),
        )
        say(f"\n{table(rows, columns)}")
    if found["conflicts"]:
        say(f"\n{counted(found['conflicts'], 'conflict')} to be decided: tallywell office conflicts list.")


@conflicts_app.command("list")
def list_(
    all_of_them: Annotated[bool, typer.Option("--all", help="Those that were decided too.")] = False,
    office: options.Office = options.OFFICE_HERE,
    as_json: options.Json = False,
) -> None:
    """List the conflicts: what differs, ours, theirs."""
    from dataclasses import asdict

    from office.conflicts import conflicts
    from office.pull_log import office_status

    with reading_office(office) as connection:
        if office_status(connection) is None:
            raise not_an_office(office)
        found = conflicts(connection, decided=None if all_of_them else False)
    if as_json:
        say_json({"conflicts": [asdict(one) for one in found]})
        return
    if not found:
        say("There is no conflict to be decided.")
        return
    say("\n\n".join(_conflict_text(one) for one in found))


def _conflict_text(conflict: "Conflict") -> str:
    head = f"{conflict.conflict_id[:8]}  {conflict.kind}, {conflict.record_id[:36]}, from {conflict.station}"
    if conflict.fish_id is not None and conflict.fish_id != conflict.record_id:
        head += f", fish {conflict.fish_id[:8]}"
    rows = [
        {"what": what, "ours": _brief(ours, theirs), "theirs": _brief(theirs, ours)}
        for what, ours, theirs in conflict.differences
    ]
    columns = (Column("what", "  what differs"), Column("ours", "ours"), Column("theirs", "theirs"))
    lines = [head, table([{**row, "what": f"  {row['what']}"} for row in rows], columns)]
    if conflict.decision is not None:
        said = conflict.decision
        lines.append(
            f"  {said['who']} kept {said['keep']} on {said['at'][:10]}: {said['why']} ({said['did']})"
        )
    return "\n".join(lines)


def _brief(own: object, other: object) -> str | None:
    """A value; of the parts of a record those that the other side does not have."""
    if not isinstance(own, list):
        return None if own is None else _value(own)
    rows = [row for row in own if not isinstance(other, list) or row not in other]
    return (
        "; ".join(" ".join(_value(row[key]) for key in _TELLING if row.get(key) is not None) for row in rows)
        or None
    )


def _value(value: object) -> str:
    """Bytes as a person reads them, not as the conflict keeps them."""
    return escaped(bytes.fromhex(value["hex"])) if isinstance(value, dict) else str(value)


_TELLING = ("kind", "name", "tag", "role", "value", "text", "instrument", "n", "raw")


@conflicts_app.command("decide")
def decide(
    conflict_id: ConflictId,
    keep: Annotated[
        str,
        typer.Option("--keep", metavar="ours|theirs", help="Which of the two counts.", show_default=False),
    ],
    who: Annotated[
        str, typer.Option("--who", metavar="CODE", help="Who decides, by code.", show_default=False)
    ],
    why: Annotated[str, typer.Option("--why", metavar="TEXT", help="Why.", show_default=False)],
    office: options.Office = options.OFFICE_HERE,
    as_json: options.Json = False,
) -> None:
    """Decide a conflict: ours or theirs counts.

    Theirs comes into force by amendments; what stands in the tables is never overwritten."""
    import time
    from dataclasses import asdict

    from ingest.frames import rfc3339
    from office.decisions import DecisionRefusedError, decide_conflict

    with open_office(office) as opened:
        try:
            done = decide_conflict(opened, conflict_id, keep, who=who, why=why, at=rfc3339(time.time()))
        except DecisionRefusedError as refused:
            raise RefusedError(str(refused)) from None
    if as_json:
        say_json(asdict(done))
        return
    say(f"{done.conflict_id[:8]}: {done.keep} counts. {done.did}")
