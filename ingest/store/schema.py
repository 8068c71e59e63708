"""The schema and its history: each migration is one named function in one transaction."""

import sqlite3
from pathlib import Path

from sqlite_utils import Database
from sqlite_utils.migrations import Migrations

from ingest.store.errors import DatabaseTooNew, NotOurDatabase
from ingest.store.tables import FIRST_TABLES, FIRST_TRIGGERS
from ingest.store.views import COLUMN_DOCS, VIEWS

APPLICATION_ID = 0x54574C31  # "TWL1", in the file's header
SCHEMA_VERSION = 1


def migrations() -> Migrations:
    """All migrations, oldest first. The n-th one sets `user_version` to n."""
    history = Migrations("tallywell")
    history(name="first_release")(_first_release)
    return history


def _first_release(db: Database) -> None:
    for statement in FIRST_TABLES + FIRST_TRIGGERS:
        db.conn.execute(statement)
    make_views(db.conn)
    db.conn.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    db.conn.execute("PRAGMA user_version = 1")


def make_views(connection: sqlite3.Connection) -> None:
    """Make the public views and the table `column_doc` anew, within the caller's transaction."""
    for name in reversed(VIEWS):
        connection.execute(f'DROP VIEW IF EXISTS "{name}"')
    for name, query in VIEWS.items():
        connection.execute(f'CREATE VIEW "{name}" AS {query}')
    connection.execute("DELETE FROM column_doc")
    connection.executemany(
        "INSERT INTO column_doc VALUES (?, ?, ?, ?)",
        [(view, *doc) for view, docs in COLUMN_DOCS.items() for doc in docs],
    )


def check_identity(connection: sqlite3.Connection, path: Path) -> None:
    """Raise `NotOurDatabase` or `DatabaseTooNew` for a file that must be left alone; an empty one is fine."""
    application = connection.execute("PRAGMA application_id").fetchone()[0]
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    # Bookkeeping of migrations may be all that a start-up cut short has left behind.
    tables = connection.execute("SELECT count(*) FROM sqlite_schema WHERE tbl_name <> '_sqlite_migrations'")
    if application != APPLICATION_ID and (application or version or tables.fetchone()[0]):
        raise NotOurDatabase(f"{path} is a database of another program: name another file.")
    if version > SCHEMA_VERSION:
        raise DatabaseTooNew(
            f"{path} was made by a newer Tallywell (schema {version}, this one knows {SCHEMA_VERSION}): "
            f"update it."
        )


def check_tables(connection: sqlite3.Connection, path: Path) -> None:
    """Raise `NotOurDatabase` for a file of this schema whose tables are others: made by a state of the program between
    two releases, or changed by hand. An empty file is fine."""
    stored = dict(connection.execute("SELECT name, sql FROM sqlite_schema WHERE type = 'table'"))
    if not stored or connection.execute("PRAGMA user_version").fetchone()[0] != SCHEMA_VERSION:
        return
    for statement in FIRST_TABLES:  # no migration has changed a table yet
        verb, kind, name = statement.split()[:3]
        if (verb, kind) == ("CREATE", "TABLE") and stored.get(name) != statement:
            raise NotOurDatabase(
                f"The table {name} of {path} is not as this release makes it: another state of the program made it, or "
                "somebody changed the file; replay its journal into a new one."
            )


def migrate(connection: sqlite3.Connection, history: Migrations) -> int:
    """Bring the database up to date, each migration whole or not at all. Returns `user_version`."""
    history.apply(Database(connection, recursive_triggers=False, execute_plugins=False))
    version: int = connection.execute("PRAGMA user_version").fetchone()[0]
    return version
