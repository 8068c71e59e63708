"""Offices that publish, and what the server shows laid beside what the office shows."""

import math
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from sqlite3 import Connection
from typing import Any

from office.database import OfficeDatabase
from office.exports.public_views import VIEW_NAMES
from office.publish.publisher import Published, publish
from tests.ingest.builders import run, survey
from tests.office.postgres import Server

# Sums and powers of floating point may differ in the last digit, and SQLite's days are no finer than a millisecond.
NEARLY = {"weight_measured_g": 1e-12, "weight_estimated_g": 1e-9, "days_since": 2e-8}
INSTANTS = {"worked_up_at", "started_at", "ended_at"}


def office_at(path: Path) -> OfficeDatabase:
    """An office that knows the first survey and its run."""
    office = OfficeDatabase.open(path)
    office.store.commit([survey(), run()])
    return office


def bring(office: OfficeDatabase, server: Server, database: str, **settings: Any) -> Published:
    return publish(office.connection, office.office_id, server.address(database), **settings)


def view_here(connection: Connection, view: str) -> tuple[list[str], list[tuple[Any, ...]]]:
    cursor = connection.execute(f'SELECT * FROM "{view}"')
    return [column[0] for column in cursor.description], cursor.fetchall()


def view_there(server: Server, database: str, view: str) -> tuple[list[str], list[tuple[Any, ...]]]:
    with server.connect(database) as connection:
        cursor = connection.execute(f'SELECT * FROM tallywell."{view}"')
        assert cursor.description is not None
        return [column.name for column in cursor.description], cursor.fetchall()


def plain(
    view: str, names: list[str], rows: Iterable[tuple[Any, ...]]
) -> list[tuple[tuple[Any, ...], list[Any]]]:
    """Sorted rows, each as what must be equal and what must be nearly so. Times as instants, the zero byte as `␀`."""
    instants = INSTANTS | ({"at"} if view == "batch_list" else set())

    def value(name: str, one: Any) -> Any:
        if name in instants and isinstance(one, str):
            read = datetime.fromisoformat(one)
            return (
                read if read.tzinfo is not None else read.replace(tzinfo=UTC)
            )  # a bare day begins at midnight UTC
        if isinstance(one, datetime):
            return one.astimezone(UTC)
        return one.replace("\0", "␀") if isinstance(one, str) else one

    result = []
    for row in rows:
        exact = tuple(value(name, one) for name, one in zip(names, row, strict=True) if name not in NEARLY)
        result.append((exact, [one for name, one in zip(names, row, strict=True) if name in NEARLY]))
    return sorted(result, key=lambda row: repr(row[0]))


def assert_same(office: OfficeDatabase, server: Server, database: str) -> None:
    for view in (*VIEW_NAMES, "fish_all"):
        names, here = view_here(office.connection, view)
        names_there, there = view_there(server, database, view)
        assert names_there == names, view
        ours, theirs = plain(view, names, here), plain(view, names, there)
        assert [exact for exact, _ in theirs] == [exact for exact, _ in ours], view
        tolerances = [NEARLY[name] for name in names if name in NEARLY]
        for (_, near), (_, near_there) in zip(ours, theirs, strict=True):
            for one, other, tolerance in zip(near, near_there, tolerances, strict=True):
                assert (one is None) == (other is None)
                assert one is None or math.isclose(one, other, rel_tol=tolerance, abs_tol=tolerance)


def state(server: Server, database: str) -> dict[str, list[tuple[Any, ...]]]:
    """Every row of every table with the transaction that wrote it; but for the books about the offices."""
    with server.connect(database) as connection:
        tables = connection.execute(
            "SELECT tablename FROM pg_tables WHERE schemaname = 'tallywell' AND tablename <> 'office' ORDER BY 1"
        ).fetchall()
        return {
            name: connection.execute(
                f"SELECT xmin, ctid, t.* FROM tallywell.{name} AS t ORDER BY ctid"
            ).fetchall()
            for (name,) in tables
        }
