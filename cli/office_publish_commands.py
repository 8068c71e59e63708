"""`tallywell office publish`: the records onto a PostgreSQL server."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated

import typer

from cli import options
from cli.errors import DIFFERENT, NOT_NOW, RefusedError
from cli.office_target import open_office
from cli.show import counted, say, say_json

if TYPE_CHECKING:
    from office.publish.publisher import Published


def publish(
    server: Annotated[
        str,
        typer.Argument(
            metavar="SERVER",
            help="postgresql://USER@HOST/DATABASE; the password belongs into PGPASSWORD or ~/.pgpass.",
            show_default=False,
        ),
    ],
    again: Annotated[
        bool, typer.Option("--again", help="Compare also the fish that this office has published already.")
    ] = False,
    office: options.Office = options.OFFICE_HERE,
    as_json: options.Json = False,
) -> None:
    """Publish all final records to PostgreSQL, each once.

    Publishing again adds what is new; an interrupted publication goes on where it was. Two records under one id are
    listed as a conflict, the first one stands; exit code 1 if there are new ones."""
    try:
        from office.publish.errors import PublishRefusedError, ServerLostError
        from office.publish.publisher import publish as publish_records
    except ImportError as missing:
        raise RefusedError(
            f'Publishing needs {missing.name or "psycopg"}: install it with pip install "tallywell[office]".'
        ) from None
    with open_office(office) as database, _bar() as progress:
        try:
            done = publish_records(
                database.connection, database.office_id, server, again=again, progress=progress
            )
        except PublishRefusedError as refused:
            raise RefusedError(str(refused)) from None
        except ServerLostError as lost:
            raise RefusedError(str(lost), NOT_NOW) from None
    if as_json:
        say_json(
            {
                "server": done.server,
                "migrated": done.migrated,
                "roles": done.roles,
                "added": dict(+done.added),
                "conflicts": done.conflicts,
            }
        )
    else:
        say(_text(done))
    if done.conflicts:
        raise typer.Exit(DIFFERENT)


def _text(done: "Published") -> str:
    lines = []
    if done.migrated:
        lines.append(f"The schema tallywell was set up: {', '.join(done.migrated)}.")
        if not done.roles:
            lines.append(
                "The roles tallywell_loader and tallywell_reader were not made, this user may not: see the README."
            )
    added = ", ".join(f"{table.replace('_', ' ')} {count}" for table, count in sorted((+done.added).items()))
    lines.append(f"Published to {done.server}: {added or 'nothing new'}.")
    if done.conflicts:
        lines.append(
            f"{counted(done.conflicts, 'new conflict')}: what came first stands, both are in the view "
            "tallywell.conflict_list; somebody has to decide."
        )
    return "\n".join(lines)


@contextmanager
def _bar() -> Iterator[Callable[[int, int], None]]:
    """A progress bar on the terminal, for people only."""
    if not sys.stderr.isatty():
        yield lambda done, of: None
        return
    with typer.progressbar(length=1, label="Publishing fish", file=sys.stderr, show_pos=True) as bar:
        told = 0

        def show(done: int, of: int) -> None:
            nonlocal told
            bar.length = max(of, 1)
            bar.update(done - told)
            told = done

        yield show
