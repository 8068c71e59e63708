from collections.abc import Iterator
from pathlib import Path
from sqlite3 import Connection, connect

import pytest

from ingest.store import Store
from office.publish.migrations import grant_roles, migrate
from office.publish.server import connected
from tests.office.full_records import everything
from tests.office.ponds import Pond
from tests.office.postgres import Server, running_server

pytest.register_assert_rewrite("tests.office.publishing")  # what differs is shown


@pytest.fixture(scope="session")
def full_database(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A database with one of everything. Nobody may change it."""
    path = tmp_path_factory.mktemp("full") / "office.sqlite"
    everything(path).close()
    return path


@pytest.fixture
def records(full_database: Path) -> Iterator[Connection]:
    """Its records, to be read only."""
    connection = connect(f"{full_database.as_uri()}?mode=ro", uri=True, isolation_level=None)
    yield connection
    connection.close()


@pytest.fixture
def pond(tmp_path: Path) -> Iterator[Pond]:
    """A water of which a test says what it is about."""
    with Store.open(tmp_path / "pond.sqlite") as store:
        yield Pond(store)


@pytest.fixture(scope="session")
def postgres() -> Iterator[Server]:
    """One PostgreSQL server for all tests of this process."""
    with running_server() as server:
        yield server


@pytest.fixture
def empty_database(postgres: Server) -> str:
    """A new database on it, without any schema of ours."""
    return postgres.new_database()


@pytest.fixture(scope="session")
def _set_up_database(postgres: Server) -> str:
    name = postgres.new_database()
    with connected(postgres.address(name)) as server, server.transaction():
        migrate(server)
        grant_roles(server)
    return name


@pytest.fixture
def database(postgres: Server, _set_up_database: str) -> str:
    """A new database on it with the schema of this release."""
    return postgres.new_database(f"TEMPLATE {_set_up_database}")
