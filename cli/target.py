"""Which station a command means, and its records: opened to be read only, never in the way of the daemon."""

from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING

from cli.errors import RefusedError

if TYPE_CHECKING:
    import sqlite3

HERE = Path("STATION.toml")


@dataclass(frozen=True, slots=True)
class Target:
    """A station's database, and the zone in which its people read times."""

    database: Path
    zone: tzinfo
    zone_name: str
    config: Path | None


def config_path(config: Path | None) -> Path:
    """The station's file that was named, else the one in this folder. Raises RefusedError."""
    if config is not None:
        return config
    if HERE.exists():
        return HERE
    raise RefusedError("There is no STATION.toml in this folder: name the station's file with --config.")


def find_target(config: Path | None, database: Path | None) -> Target:
    """The station that the options mean. Only the station's own file is read, not what it names.

    Raises:
        RefusedError, ConfigError: no station is named, two are, or its file is not valid.
    """
    if config is not None and database is not None:
        raise RefusedError("--config and --db both name a database: give one of them.")
    if database is not None:
        return Target(database, UTC, "UTC", None)
    if config is None and not HERE.exists():
        raise RefusedError(
            "Which station? Give --config STATION.toml or --db DB, or go to a folder with a STATION.toml."
        )
    from zoneinfo import ZoneInfo

    from ingest.station_file import StationFile
    from ingest.toml_file import load_toml

    path = config_path(config)
    table = load_toml(path, StationFile).station
    return Target(path.parent / table.database, ZoneInfo(table.timezone), table.timezone, path)


@contextmanager
def reading(database: Path) -> "Iterator[sqlite3.Connection]":
    """A connection to the records of a Tallywell database that cannot change them.

    While a station runs it is a copy in memory, taken at one instant: whoever reads the live file holds up the
    station's next commit, and a slow question would hold it up for long.

    Raises:
        RefusedError: there is no such file, or it is something else.
        StoreTrouble: it cannot be read now.
    """
    import sqlite3

    from ingest.control import socket_path
    from ingest.store.errors import translate
    from ingest.store.schema import check_identity, check_tables

    if not database.is_file():
        raise RefusedError(
            f"There is no database {database}: check the name; a station makes it at its first start."
        )
    try:
        uri = f"{database.resolve().as_uri()}?mode=ro"
        with closing(sqlite3.connect(uri, uri=True, timeout=2.0, isolation_level=None)) as connection:
            check_identity(connection, database)
            check_tables(connection, database)
            if not connection.execute("PRAGMA user_version").fetchone()[0]:
                raise RefusedError(f"{database} holds no records of Tallywell: name another file.")
            if not socket_path(database).exists():
                yield connection
                return
            with closing(sqlite3.connect(":memory:", isolation_level=None)) as copy:
                connection.backup(copy)
                yield copy
    except sqlite3.Error as error:
        raise translate(error, database) from error
