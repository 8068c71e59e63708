"""The office's database: the tables and views of a station, filled from many, and what only an office keeps."""

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from sqlite3 import Connection
from typing import Self
from uuid import uuid4

from sqlite_utils import Database
from sqlite_utils.migrations import Migrations

from ingest.store import NotOurDatabase, Store
from office.tables import OFFICE_TABLES


class OfficeDatabase:
    """The records of all stations and years in one SQLite file. A context manager; one process owns it at a time.

    `store` is the file as a station's store: same schema, same views, same triggers that keep closed fish as they
    are. `office_id` names this office; it is the journal of the amendments made here.
    """

    def __init__(self, store: Store, office_id: str) -> None:
        self.store = store
        self.office_id = office_id

    @classmethod
    def open(cls, path: Path) -> Self:
        """Open it, or make it. Raises StoreTrouble: in use, damaged, too new, a station's, or another program's file."""
        store = Store.open(path)
        try:
            _refuse_station(store)
            _migrations().apply(Database(store.connection, recursive_triggers=False, execute_plugins=False))
            (office_id,) = store.connection.execute("SELECT office_id FROM office").fetchone()
        except BaseException:
            store.close()
            raise
        return cls(store, office_id)

    @property
    def path(self) -> Path:
        return self.store.path

    @property
    def connection(self) -> Connection:
        """For reading. What is written goes through `write`."""
        return self.store.connection

    def write(self, work: Callable[[Connection], None]) -> None:
        """Do `work` in one durable transaction: all of it or nothing. Raises StoreTrouble, RecordRefused."""
        self.store.write(work)

    def close(self) -> None:
        self.store.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _refuse_station(store: Store) -> None:
    """A station goes on from its checkpoint; what an office would add to its database, it knows nothing of."""
    tables = store.connection.execute("SELECT count(*) FROM sqlite_schema WHERE name = 'office'").fetchone()[
        0
    ]
    if not tables and store.lookup.checkpoint() is not None:
        raise NotOurDatabase(
            f"{store.path} is the database of a station: give the office a file of its own, and pull from this one."
        )


def _migrations() -> Migrations:
    history = Migrations("tallywell-office")
    history(name="first_office")(_first_office)
    return history


def _first_office(db: Database) -> None:
    for statement in OFFICE_TABLES:
        db.conn.execute(statement)
    made_at = datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    db.conn.execute("INSERT INTO office VALUES (1, ?, ?)", (f"office-{uuid4()}", made_at))
