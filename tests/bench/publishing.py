"""Publishing a million fish into PostgreSQL, against a bare COPY of the same rows into tables without any key."""

import time
from pathlib import Path

import psycopg

from office.database import OfficeDatabase
from office.publish.publisher import publish
from office.publish.shapes import FISH, FISH_PARTS, LOCAL_RELATION, RUN, SURVEY, WATER, Shape
from tests.bench.contestants import BenchFailedError
from tests.bench.history import fill
from tests.bench.measure import Goal, Line, in_turns, middle_line
from tests.office.postgres import Server, programs, running_server

OURS, BARE, KEYED, AGAIN = "publish", "bare COPY", "COPY into the same tables", "publish it again"
MOST_ROUNDS = 3  # a round takes minutes
_SHAPES = (WATER, SURVEY, RUN, LOCAL_RELATION, FISH, *FISH_PARTS)
_ALL = {"after": 0, "through": 1 << 62}
# As an agency runs it but for its memory: a commit is on disk when it is acknowledged.
_SETTINGS = ("shared_buffers=512MB", "max_wal_size=8GB", "max_connections=10")


def publish_fish(folder: Path, rounds: int, fish_count: int) -> list[Line]:
    """Time a first publication of so many fish, each with a tag, on a server of this run; seconds."""
    if programs() is None:
        raise BenchFailedError("PostgreSQL is not installed")
    path = folder / "office.sqlite"
    fill(path, fish_count)
    again: list[float] = []
    with running_server(_SETTINGS) as server, OfficeDatabase.open(path) as office:
        contestants = {
            OURS: lambda turn: [_published(server, office, fish_count, again)],
            BARE: lambda turn: [_copied(server, office, fish_count, keys=False)],
            KEYED: lambda turn: [_copied(server, office, fish_count, keys=True)],
        }
        samples = in_turns(contestants, min(rounds, MOST_ROUNDS))
    what = f"{OURS} {fish_count:,} fish"
    first = middle_line(what, samples, OURS, BARE, "s", goal=Goal("ratio", 3.0))
    return [
        first,
        middle_line(f"{what}, keys and indexes being equal", samples, OURS, KEYED, "s"),
        Line("the same again: nothing new", OURS, first.ours, again[-1], "s", again[-1] / first.ours),
    ]


def _published(server: Server, office: OfficeDatabase, fish_count: int, again: list[float]) -> float:
    address = server.address(_set_up(server, office))
    took = []
    for expected in (fish_count, 0):
        began_s = time.perf_counter()
        done = publish(office.connection, office.office_id, address)
        took.append(time.perf_counter() - began_s)
        if done.added["fish"] != expected:
            raise BenchFailedError(f"{done.added['fish']} fish arrived instead of {expected}")
    again.append(took[1])
    return took[0]


def _copied(server: Server, office: OfficeDatabase, fish_count: int, *, keys: bool) -> float:
    """The same rows by the same queries, in one transaction, without a question asked."""
    database = server.new_database()
    with OfficeDatabase.open(office.path.with_name("empty.sqlite")) as empty:
        publish(
            empty.connection, empty.office_id, server.address(database)
        )  # the tables, with nothing in them
    with psycopg.connect(server.address(database), options="-c timezone=UTC") as connection:
        if not keys:
            for shape in _SHAPES:
                connection.execute(
                    f"CREATE TABLE bare_{shape.table} AS SELECT {', '.join(_columns(shape))} "
                    f"FROM tallywell.{shape.table} WITH NO DATA"
                )
        connection.commit()
        began_s = time.perf_counter()
        for shape in _SHAPES:
            table = f"tallywell.{shape.table}" if keys else f"bare_{shape.table}"
            with connection.cursor().copy(f"COPY {table} ({', '.join(_columns(shape))}) FROM STDIN") as copy:
                for row in office.connection.execute(shape.source, _ALL):
                    copy.write_row((*row, office.office_id) if _has_office(shape) else row)
        connection.commit()
        took_s = time.perf_counter() - began_s
        count = connection.execute(
            f"SELECT count(*) FROM {'tallywell.fish' if keys else 'bare_fish'}"
        ).fetchone()
    if count != (fish_count,):
        raise BenchFailedError(f"{count} fish arrived by COPY instead of {fish_count}")
    return took_s


def _set_up(server: Server, office: OfficeDatabase) -> str:
    """A new database with the tables, and nothing in them."""
    database = server.new_database()
    with OfficeDatabase.open(office.path.with_name("empty.sqlite")) as empty:
        publish(empty.connection, empty.office_id, server.address(database))
    return database


def _columns(shape: Shape) -> tuple[str, ...]:
    return (*shape.columns, "office_id") if _has_office(shape) else shape.columns


def _has_office(shape: Shape) -> bool:
    return shape not in FISH_PARTS
