from collections.abc import Iterator
from pathlib import Path
from sqlite3 import Connection, connect

import pytest

from tests.office.full_records import everything


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
