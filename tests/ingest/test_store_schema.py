"""Every released database can be opened and upgraded; an upgrade is done as a whole or not at all."""

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from sqlite_utils import Database
from typer.testing import CliRunner

from cli.main import app
from ingest.records import Observation
from ingest.store import NotOurDatabase, Store
from ingest.store.schema import APPLICATION_ID, SCHEMA_VERSION, migrate, migrations
from tests.ingest.builders import OTHER_TAG, TAG, fish, ready
from tests.ingest.released_database import fill

RELEASED = sorted((Path(__file__).parent / "data").glob("schema_v*.sqlite"))


def schema(store: Store) -> list[tuple[str, str]]:
    return store.connection.execute(
        "SELECT name, sql FROM sqlite_schema WHERE name NOT LIKE 'sqlite_stat%' ORDER BY name"
    ).fetchall()


def test_there_is_a_file_of_every_release() -> None:
    assert [path.name for path in RELEASED] == [f"schema_v{v}.sqlite" for v in range(1, SCHEMA_VERSION + 1)]


@pytest.mark.parametrize("released", RELEASED, ids=lambda path: path.stem)
def test_a_released_database_upgrades_to_what_a_new_one_is_and_keeps_its_records(
    tmp_path: Path, released: Path
) -> None:
    shutil.copy(released, tmp_path / "old.sqlite")
    with Store.open(tmp_path / "old.sqlite") as old, ready(tmp_path / "new.sqlite") as new:
        fill(new)
        assert old.schema_version == SCHEMA_VERSION
        assert schema(old) == schema(new)
        for view in (
            "fish_all",
            "tag_history",
            "catch",
            "finding_list",
            "observation_list",
            "batch_list",
            "run_list",
            "column_doc",
        ):
            query = f'SELECT * FROM "{view}" ORDER BY 1, 2, 3'
            assert old.connection.execute(query).fetchall() == new.connection.execute(query).fetchall()
        assert old.lookup.saved(fish(1).fish_id) == fish(1, observations=(Observation("sex", "female"),))
        assert [parked.tag for parked in old.lookup.parked("survey-1")] == [OTHER_TAG]
        assert len(old.lookup.captures(TAG)) == 2


def test_a_new_database_says_what_it_is(tmp_path: Path) -> None:
    with ready(tmp_path / "bank.sqlite") as store:
        assert store.connection.execute("PRAGMA application_id").fetchone() == (APPLICATION_ID,)
        assert store.connection.execute("PRAGMA user_version").fetchone() == (SCHEMA_VERSION,)
        loose = "SELECT name FROM pragma_table_list WHERE type = 'table' AND schema = 'main' AND strict = 0"
        names = {name for (name,) in store.connection.execute(loose)}
        assert names == {"sqlite_schema", "_sqlite_migrations"}


def test_a_start_cut_short_before_the_first_table_is_made_good(tmp_path: Path) -> None:
    path = tmp_path / "bank.sqlite"
    begun = sqlite3.connect(path, isolation_level=None)
    migrations().ensure_migrations_table(Database(begun))
    begun.close()
    ready(path).close()


def test_a_migration_that_fails_changes_nothing_and_can_be_made_again(tmp_path: Path) -> None:
    path = tmp_path / "bank.sqlite"
    ready(path).close()
    connection = sqlite3.connect(path, isolation_level=None)
    before = list(connection.iterdump())

    def second(db: Database) -> None:
        db.conn.execute("ALTER TABLE fish ADD COLUMN gape_mm REAL")
        db.conn.execute("PRAGMA user_version = 2")
        if fails:
            db.conn.execute("no such statement")

    history = migrations()
    history(name="second")(second)
    fails = True
    with pytest.raises(sqlite3.OperationalError):
        migrate(connection, history)
    assert list(connection.iterdump()) == before
    assert connection.execute("PRAGMA user_version").fetchone() == (1,)
    fails = False
    assert migrate(connection, history) == 2
    assert migrate(connection, history) == 2
    assert connection.execute("SELECT gape_mm FROM fish").fetchall() == []
    connection.close()


@pytest.mark.parametrize(
    "change",
    ["ALTER TABLE run ADD COLUMN depth_m REAL", "ALTER TABLE run DROP COLUMN note", "DROP TABLE crew"],
)
def test_a_database_of_another_state_of_the_program_is_named_as_such_and_left_alone(
    tmp_path: Path, change: str
) -> None:
    path = tmp_path / "between.sqlite"
    with Store.open(path):
        pass
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(f"DROP VIEW run_list; DROP VIEW catch; {change}")
    before = path.read_bytes()
    with pytest.raises(NotOurDatabase, match=r"The table (run|crew) of .* is not as this release makes it"):
        Store.open(path)
    assert path.read_bytes() == before
    listed = CliRunner().invoke(app, ["fish", "list", "--db", str(path)])
    assert listed.exit_code == 2
    assert "is not as this release makes it" in listed.output
