"""Asking the station that runs, if one does."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cli.errors import NOT_NOW, RefusedError

if TYPE_CHECKING:
    from ingest.control import StationClient


@contextmanager
def running_station(database: Path) -> "Iterator[StationClient | None]":
    """The station that keeps this database; None if none runs.

    Raises:
        RefusedError: it runs and refuses, or does not answer.
    """
    from ingest.control import StationClient, StationError, socket_path

    if not socket_path(database).exists():
        yield None
        return
    try:
        client = StationClient(database)
    except StationError:  # a socket that a killed station left behind
        yield None
        return
    try:
        with client:
            yield client
    except StationError as error:
        raise RefusedError(str(error), NOT_NOW) from None


def give_command(database: Path, text: str, bench: str | None = None) -> list[dict[str, Any]]:
    """Give a command of the crew; what it caused. Raises RefusedError if no station runs or the text is no command."""
    from ingest.commands import CommandError, parse_command

    try:
        parse_command(text)
    except CommandError as error:
        raise RefusedError(f"{error}.") from None
    with running_station(database) as client:
        if client is None:
            raise RefusedError(
                f"No station runs on {database}: start it with tallywell station run STATION.toml.", NOT_NOW
            )
        benches = client.ask("status")["benches"]
        if bench is not None and bench not in benches:
            raise RefusedError(f'The station has no bench "{bench}"; it has {", ".join(benches)}.')
        return client.command(text, bench)
