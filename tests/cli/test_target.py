"""Reading the records never writes them, and never waits in the station's way."""

import sqlite3
from pathlib import Path

import pytest

from cli.errors import RefusedError
from cli.target import find_target, reading
from ingest.control import socket_path


def test_the_records_cannot_be_changed_through_a_reading_connection(replayed: Path) -> None:
    with (
        reading(replayed / "work-up.sqlite") as connection,
        pytest.raises(sqlite3.OperationalError, match="readonly"),
    ):
        connection.execute("INSERT INTO water (water) VALUES ('Styx')")


def test_beside_a_running_station_a_copy_is_asked_and_the_live_file_is_free(
    replayed: Path, tmp_path: Path
) -> None:
    database = tmp_path / "work-up.sqlite"
    database.write_bytes((replayed / "work-up.sqlite").read_bytes())
    socket_path(database).touch()
    with reading(database) as connection:
        connection.execute("BEGIN")
        assert connection.execute("SELECT count(*) FROM fish").fetchone() == (4,)
        owner = sqlite3.connect(database, timeout=0, isolation_level=None)
        owner.execute("INSERT INTO water (water) VALUES ('Mill Pond')")  # busy, if anybody read the file now
        owner.close()


def test_the_station_s_file_names_the_database_and_the_zone(station: Path) -> None:
    target = find_target(station, None)
    assert target.database == station.parent / "work-up.sqlite"
    assert target.zone_name == "America/Chicago"


def test_a_database_alone_is_shown_in_utc() -> None:
    assert find_target(None, Path("x.sqlite")).zone_name == "UTC"


def test_two_names_for_one_database_are_refused(station: Path) -> None:
    with pytest.raises(RefusedError, match="give one of them"):
        find_target(station, Path("x.sqlite"))
