"""An office database with a small invented survey in it, and its rows for comparison."""

import sqlite3
from functools import cache
from pathlib import Path
from typing import Any

from ingest.records import Change, FishRecord, SaveFish
from ingest.shipped import shipped_config
from ingest.species import SpeciesBook, load_species
from office.amend import Amending
from office.database import OfficeDatabase
from tests.ingest import builders

NOW = "2026-11-20T09:00:00.000Z"
TABLES = ("fish", "fish_tag", "reading", "observation", "batch", "batch_reading", "survey", "run")


@cache
def book() -> SpeciesBook:
    return load_species(shipped_config() / "species")


def bass(number: int, **changes: Any) -> FishRecord:
    """Closed bass `number`, 412 mm, with a tag of its own."""
    given: dict[str, Any] = {
        "species": "largemouth_bass",
        "length_type": "TL",
        "tag": f"985120{number:09}",
    }
    return builders.fish(number, **(given | changes))


def office_with(path: Path, *more: Change | FishRecord) -> OfficeDatabase:
    """An open office database with the survey of Mill Pond and these fish and other changes."""
    office = OfficeDatabase.open(path)
    changes = [SaveFish(one) if isinstance(one, FishRecord) else one for one in more]
    office.store.commit([builders.survey(), builders.run(), builders.run(2), *changes])
    return office


def amending(office: OfficeDatabase, at: str = NOW, who: str = "AB") -> Amending:
    return Amending(office, book(), who=who, at=at)


def shown(office: OfficeDatabase, fish_id: str) -> dict[str, Any]:
    """The fish as the view shows it."""
    return one_row(office.connection, "SELECT * FROM fish_all WHERE fish_id = ?", fish_id)


def one_row(connection: sqlite3.Connection, query: str, *parameters: object) -> dict[str, Any]:
    cursor = connection.execute(query, parameters)
    names = [column[0] for column in cursor.description]
    (row,) = cursor.fetchall()
    return dict(zip(names, row, strict=True))


def contents(
    connection: sqlite3.Connection, tables: tuple[str, ...] = TABLES
) -> dict[str, list[tuple[Any, ...]]]:
    """Every row of these tables."""
    return {name: sorted(connection.execute(f"SELECT * FROM {name}"), key=repr) for name in tables}
