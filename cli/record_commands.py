"""`tallywell replay` and `tallywell rebuild`: from recorded bytes to the same records."""

from pathlib import Path
from typing import Annotated

import typer

from cli import options
from cli.errors import DIFFERENT, RefusedError
from cli.show import say, say_json


def rebuild(
    db: Annotated[
        Path,
        typer.Argument(metavar="DB", help="The database of a station that does not run.", show_default=False),
    ],
    journal: Annotated[
        Path | None,
        typer.Option(
            "--journal",
            metavar="FOLDER",
            help="Its journal. Default: the one it was written with, or lies beside it.",
        ),
    ] = None,
    as_json: options.Json = False,
) -> None:
    """Recompute all records from the journal and compare.

    Lists each difference; exit code 1 if there is one. The database is not changed.
    """
    from cli.target import reading
    from ingest.rebuild import RebuildError
    from ingest.rebuild import rebuild as rebuild_records

    with reading(db):
        pass  # an empty file must not become a database only because it was to be compared
    try:
        report = rebuild_records(db, journal)
    except RebuildError as error:
        raise RefusedError(str(error)) from None
    if as_json:
        say_json(
            {
                "agrees": report.agrees,
                "database": str(report.database),
                "journal": str(report.journal),
                "journals": report.journals,
                "frames": report.frames,
                "fish": report.fish,
                "differences": [
                    {
                        "table": one.table,
                        "key": list(one.key),
                        "column": one.column,
                        "stored": one.stored,
                        "rebuilt": one.rebuilt,
                    }
                    for one in report.differences
                ],
                "damaged_lines": [str(one) for one in report.set_aside],
                "lost_configs": report.lost_configs,
                "refused": [str(why) for _, why in report.refused],
            }
        )
    else:
        say("\n".join(report.lines()))
    if not report.agrees:
        raise typer.Exit(DIFFERENT)


def replay(
    files: Annotated[
        list[Path],
        typer.Argument(metavar="FILE...", help="Recorded days: journal files, in order.", show_default=False),
    ],
    db: Annotated[Path, typer.Option("--db", metavar="OUT.sqlite", help="The new database for the records.")],
    config: Annotated[
        Path | None,
        typer.Option(
            "--config", metavar="STATION.toml", help="The station's file. Default: what the journals name."
        ),
    ] = None,
    speed: Annotated[
        str,
        typer.Option("--speed", metavar="N|max", help="N times as fast as it was, or max: without pauses."),
    ] = "max",
    append: Annotated[bool, typer.Option("--append", help="Go on with OUT.sqlite if it exists.")] = False,
    as_json: options.Json = False,
) -> None:
    """Play recorded days into a database of their own.

    With a speed the announcements are printed as they come. Lines that cannot be understood are set aside and counted.
    """
    from cli.target import reading
    from ingest.records import Announcement
    from simulators.replay import ReplayError
    from simulators.replay import replay as replay_days

    factor = _speed(speed)
    if append and db.exists():
        with reading(db):
            pass  # what is no database of ours is not made one

    def print_all(announcements: list[Announcement]) -> None:
        for one in announcements:
            say(f"{one.at[11:19]} {one.sentence}")

    try:
        report = replay_days(
            files, config, db, factor, append=append, say=None if factor is None or as_json else print_all
        )
    except ReplayError as error:
        raise RefusedError(str(error)) from None
    if as_json:
        say_json(
            {
                "database": str(report.database),
                "frames": report.frames,
                "fish": report.fish,
                "seconds": round(report.seconds, 3),
                "skipped_journals": report.skipped,
                "set_aside": [str(one) for one in report.set_aside],
            }
        )
    else:
        say("\n".join(report.lines()))


def _speed(written: str) -> float | None:
    if written.lower() == "max":
        return None
    try:
        speed = float(written)
    except ValueError:
        speed = 0.0
    if not 0 < speed < float("inf"):
        raise RefusedError(f'"{written}" is no speed: give a number above 0, or max.')
    return speed
