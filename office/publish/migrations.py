"""The server's schema and its history: numbered migrations, all that are missing in one transaction."""

from collections.abc import Sequence
from dataclasses import dataclass

from psycopg import Connection, sql

from ingest.store.views import COLUMN_DOCS
from office.publish.errors import PublishRefusedError
from office.publish.server_tables import FIRST_TABLES
from office.publish.server_views import FIRST_VIEWS, FUNCTIONS

SCHEMA = "tallywell"
LOADER, READER = "tallywell_loader", "tallywell_reader"
LOCK = 0x54574C31  # "TWL1": who migrates and who publishes for an office waits for others behind it

# What a loader may do besides adding rows: surveys go on, and what an office knows from elsewhere is replaced.
_UPDATED = ("office", "survey", "run", "treatment")
_DELETED = ("prior_capture",)
_BOOKS = """CREATE TABLE IF NOT EXISTS migration (
    number integer PRIMARY KEY, name text NOT NULL, applied_at timestamptz NOT NULL DEFAULT now(),
    applied_by text NOT NULL DEFAULT current_user
)"""


@dataclass(frozen=True, slots=True)
class Migration:
    """One step of the schema. `number` counts from 1 without gaps."""

    number: int
    name: str
    statements: tuple[str, ...]


def _comments() -> tuple[str, ...]:
    quoted = {
        (view, column): f"[{unit}] {meaning}" if unit else meaning
        for view, docs in COLUMN_DOCS.items()
        for column, unit, meaning in docs
    }
    return tuple(
        sql.SQL("COMMENT ON COLUMN {}.{} IS {}")
        .format(sql.Identifier(view), sql.Identifier(column), sql.Literal(text))
        .as_string()
        for (view, column), text in quoted.items()
    )


MIGRATIONS = (
    Migration(
        1,
        "first published schema",
        (
            *FIRST_TABLES,
            *FUNCTIONS,
            *(f"CREATE VIEW {name} AS {query}" for name, query in FIRST_VIEWS.items()),
            *_comments(),
        ),
    ),
)


def migrate(connection: Connection, migrations: Sequence[Migration] = MIGRATIONS) -> list[str]:
    """Bring the schema `tallywell` up to date; the names of the migrations applied, [] if it was.

    Within the caller's transaction. Raises PublishRefusedError: a newer Tallywell made it, it is another program's, or
    it must be made or migrated and this user may not.
    """
    run = connection.execute
    run("SELECT pg_advisory_xact_lock(%s)", (LOCK,))
    there = _schema_there(connection)
    known = run("SELECT to_regclass('tallywell.migration') IS NOT NULL").fetchone()
    if there and not (known and known[0]) and _has_tables(connection):
        raise PublishRefusedError(
            f"The server has a schema {SCHEMA} that is not Tallywell's: publish into another database."
        )
    version = _version(connection) if known and known[0] else 0
    if version > len(migrations):
        raise PublishRefusedError(
            f"The server was set up by a newer Tallywell (schema {version}, this one knows {len(migrations)}): "
            "update Tallywell here."
        )
    missing = [one for one in migrations if one.number > version]
    if not missing:
        return []
    may = run(
        "SELECT CASE WHEN %(there)s THEN pg_has_role((SELECT nspowner FROM pg_namespace WHERE nspname = %(name)s), 'USAGE')"
        " ELSE has_database_privilege(current_database(), 'CREATE') END",
        {"there": there, "name": SCHEMA},
    ).fetchone()
    if not (may and may[0]):
        older = f"has schema {version} and needs {len(migrations)}" if there else "is not set up yet"
        raise PublishRefusedError(
            f"The server {older}, and this user may not change that: let its owner publish once, or grant the right."
        )
    if not there:
        run(f"CREATE SCHEMA {SCHEMA}")
    run(_BOOKS)
    for migration in missing:
        for statement in migration.statements:
            run(statement)
        run("INSERT INTO migration (number, name) VALUES (%s, %s)", (migration.number, migration.name))
    return [one.name for one in missing]


def grant_roles(connection: Connection) -> bool:
    """Make the group roles, if this user may, and give each its rights; False if a role is not there.

    Within the caller's transaction; only the owner of the schema calls it.
    """
    run = connection.execute
    for role in (LOADER, READER):
        if _role_there(connection, role):
            continue
        may = run("SELECT rolcreaterole OR rolsuper FROM pg_roles WHERE rolname = current_user").fetchone()
        if not (may and may[0]):
            return False
        run(f"CREATE ROLE {role} NOLOGIN")
    run(f"GRANT USAGE ON SCHEMA {SCHEMA} TO {LOADER}, {READER}")
    run(f"GRANT SELECT ON ALL TABLES IN SCHEMA {SCHEMA} TO {LOADER}, {READER}")
    run(f"GRANT EXECUTE ON ALL FUNCTIONS IN SCHEMA {SCHEMA} TO {LOADER}, {READER}")
    tables = run(
        "SELECT tablename FROM pg_tables WHERE schemaname = %s AND tablename <> 'migration'", (SCHEMA,)
    ).fetchall()
    for rights, names in (
        ("INSERT", [name for (name,) in tables]),
        ("UPDATE", _UPDATED),
        ("DELETE", _DELETED),
    ):
        run(f"GRANT {rights} ON {', '.join(names)} TO {LOADER}")
    return True


def _schema_there(connection: Connection) -> bool:
    return (
        connection.execute("SELECT 1 FROM pg_namespace WHERE nspname = %s", (SCHEMA,)).fetchone() is not None
    )


def _has_tables(connection: Connection) -> bool:
    query = "SELECT 1 FROM pg_class AS c JOIN pg_namespace AS n ON n.oid = c.relnamespace WHERE n.nspname = %s LIMIT 1"
    return connection.execute(query, (SCHEMA,)).fetchone() is not None


def _version(connection: Connection) -> int:
    found = connection.execute("SELECT coalesce(max(number), 0) FROM migration").fetchone()
    return int(found[0]) if found else 0


def _role_there(connection: Connection, role: str) -> bool:
    return connection.execute("SELECT 1 FROM pg_roles WHERE rolname = %s", (role,)).fetchone() is not None
