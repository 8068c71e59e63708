"""Publishing into a real PostgreSQL server: the same rows as the office's views, each of them once."""

from collections import Counter
from pathlib import Path
from sqlite3 import Connection

import psycopg
import pytest

from ingest.catch_records import SaveBatch
from ingest.records import AddFinding, AttachReading, SaveFish
from ingest.store import Store
from ingest.store.views import COLUMN_DOCS
from office.database import OfficeDatabase
from office.publish.shapes import SHAPES
from tests.ingest.builders import JOURNAL, amend, amend_batch, batch, finding, fish, reading, survey
from tests.office.full_records import HOSTILE, fill
from tests.office.postgres import Server
from tests.office.publishing import assert_same, bring, office_at, state, view_there


def test_the_views_on_the_server_equal_those_of_the_office_row_for_row(
    postgres: Server, database: str, tmp_path: Path
) -> None:
    with office_at(tmp_path / "a.sqlite") as office:
        fill(office.store)
        office.store.commit(
            [
                AttachReading(fish(1).fish_id, reading(role="echo", n=77)),
                amend_batch(batch(1), "note", "x", n=9501),
            ]
        )
        done = bring(office, postgres, database, fish_at_once=7)
        assert done.added["fish"] == office.connection.execute("SELECT count(*) FROM fish").fetchone()[0]
        assert done.conflicts == 0
        assert_same(office, postgres, database)
        for table in ("reading", "fish_tag", "observation", "finding", "batch_reading", "amendment", "run"):
            (here,) = office.connection.execute(f"SELECT count(*) FROM {table}").fetchone()
            with postgres.connect(database) as server:
                assert server.execute(f"SELECT count(*) FROM tallywell.{table}").fetchone() == (here,)


# The raw frames, what a station runs on, and the office's own books stay at home.
AT_HOME = {
    "frame", "checkpoint", "content", "column_doc", "amended", "inbox_file", "instrument", "tag_inventory",
}  # fmt: skip
TOLD_OTHERWISE = {"closed": "always 1", "seq": "part, place", "prior_id": "a number of this file alone"}


def test_every_table_and_column_of_the_records_is_published_or_known_to_stay_at_home(tmp_path: Path) -> None:
    shapes = {shape.table: shape for shape in SHAPES}
    with Store.open(tmp_path / "a.sqlite") as store:
        tables = {
            name: {row[1] for row in store.connection.execute(f"PRAGMA table_info({name})")}
            for (name,) in store.connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")
            if not name.startswith(("_", "sqlite_"))
        }
    assert tables.keys() - AT_HOME == shapes.keys()
    for name, shape in shapes.items():
        assert tables[name] - set(shape.columns) <= TOLD_OTHERWISE.keys(), name


def test_texts_bytes_and_numbers_arrive_as_they_are(postgres: Server, database: str, tmp_path: Path) -> None:
    with office_at(tmp_path / "a.sqlite") as office:
        fill(office.store)
        bring(office, postgres, database)
        with postgres.connect(database) as server:
            notes = {note for (note,) in server.execute("SELECT note FROM tallywell.fish")}
            assert {text.replace("\0", "␀") for text in HOSTILE} <= notes
            for column in ("raw", "value", "empty_after_g", "n"):
                query = f"SELECT {column} FROM {{}}reading"
                there = Counter(server.execute(query.format("tallywell.")))
                assert there == Counter(office.connection.execute(query.format("")))


def test_publishing_twice_changes_nothing(postgres: Server, database: str, tmp_path: Path) -> None:
    with office_at(tmp_path / "a.sqlite") as office:
        fill(office.store)
        bring(office, postgres, database)
        before = state(postgres, database)
        for again in (False, True):
            done = bring(office, postgres, database, again=again)
            assert (+done.added, done.conflicts) == (Counter(), 0)
            assert state(postgres, database) == before


def test_what_comes_later_is_added(postgres: Server, database: str, tmp_path: Path) -> None:
    with office_at(tmp_path / "a.sqlite") as office:
        office.store.commit([SaveFish(fish(1))])
        bring(office, postgres, database)
        office.store.commit(
            [
                survey(name="Named at last", closed_at="2026-05-12T18:00:00Z"),
                SaveFish(fish(2, tag=None)),
                AddFinding(fish(1).fish_id, finding(name="later"), JOURNAL, 900),
                amend(fish(1), "length_mm", "398.5", n=9001),
            ]
        )
        told(office, 10.0)
        done = bring(office, postgres, database)
        assert +done.added == Counter(survey=1, run=1, fish=1, finding=1, amendment=1)
        assert_same(office, postgres, database)


def told(office: OfficeDatabase, told_s: float) -> None:
    """As if a pull had said how far the station had come."""

    def work(connection: Connection) -> None:
        connection.execute(
            "INSERT INTO survey_told VALUES ('survey-1', ?) ON CONFLICT DO UPDATE SET told_s = excluded.told_s",
            (told_s,),
        )

    office.write(work)


def test_what_a_station_told_earlier_rolls_nothing_back(
    postgres: Server, database: str, tmp_path: Path
) -> None:
    with office_at(tmp_path / "new.sqlite") as new, office_at(tmp_path / "old.sqlite") as old:
        new.store.commit([survey(closed_at="2026-05-12T18:00:00Z")])
        told(new, 20.0)
        told(old, 10.0)
        bring(new, postgres, database)
        assert bring(old, postgres, database).conflicts == 0
        assert_same(new, postgres, database)


def test_a_survey_told_twice_at_one_time_is_a_conflict(
    postgres: Server, database: str, tmp_path: Path
) -> None:
    with office_at(tmp_path / "a.sqlite") as one, office_at(tmp_path / "b.sqlite") as other:
        other.store.commit([survey(name="Another name")])
        bring(one, postgres, database)
        assert bring(other, postgres, database).conflicts == 1
        assert_same(one, postgres, database)


def test_only_what_is_final_is_published(postgres: Server, database: str, tmp_path: Path) -> None:
    with office_at(tmp_path / "a.sqlite") as office:
        office.store.commit(
            [SaveFish(fish(1, closed=False)), SaveFish(fish(2)), SaveBatch(batch(1, closed=False))]
        )
        assert bring(office, postgres, database).added["fish"] == 1
        office.store.commit([SaveFish(fish(1))])
        assert bring(office, postgres, database).added["fish"] == 1
        names, rows = view_there(postgres, database, "worked_fish")
        assert sorted(row[names.index("fish_id")] for row in rows) == sorted(
            [fish(1).fish_id, fish(2).fish_id]
        )


def test_an_open_fish_that_lay_last_is_published_once_it_is_closed(
    postgres: Server, database: str, tmp_path: Path
) -> None:
    with office_at(tmp_path / "a.sqlite") as office:
        office.store.commit([SaveFish(fish(1, tag=None)), SaveFish(fish(2, tag=None, closed=False))])
        bring(office, postgres, database)
        office.store.commit([SaveFish(fish(2, tag=None))])
        assert +bring(office, postgres, database).added == Counter(fish=1)


def test_a_database_that_was_vacuumed_goes_on_where_it_was(
    postgres: Server, database: str, tmp_path: Path
) -> None:
    with office_at(tmp_path / "a.sqlite") as office:
        office.store.commit([SaveFish(fish(number, tag=None)) for number in range(1, 6)])
        bring(office, postgres, database)
        office.connection.execute("VACUUM")
        office.store.commit([SaveFish(fish(9, tag=None))])
        assert +bring(office, postgres, database).added == Counter(fish=1)


def test_every_column_of_the_views_is_explained_on_the_server(
    postgres: Server, database: str, tmp_path: Path
) -> None:
    with office_at(tmp_path / "a.sqlite") as office:
        bring(office, postgres, database)
    with postgres.connect(database) as server:
        found = server.execute(
            "SELECT c.relname, a.attname, col_description(c.oid, a.attnum) FROM pg_class AS c "
            "JOIN pg_attribute AS a ON a.attrelid = c.oid AND a.attnum > 0 "
            "JOIN pg_namespace AS n ON n.oid = c.relnamespace WHERE n.nspname = 'tallywell' AND c.relkind = 'v'"
        ).fetchall()
    for view, column, text in found:
        docs = {name: (unit, meaning) for name, unit, meaning in COLUMN_DOCS.get(view, ())}
        if docs:
            unit, meaning = docs[column]
            assert text == (f"[{unit}] {meaning}" if unit else meaning)


TIMES = {
    "2026-05-12T13:00:01.000Z": True,
    "2026-05-12T13:00:01Z": True,
    "2026-05-12T13:00:01+02:00": True,
    "2026-05-12": True,
    "2026-02-30T10:00:00Z": False,
    "some time ago": False,
    "0000-00-00": False,
    "2026-05-12T25:00:00Z": False,
    "": False,
    "infinity": False,
    "now": False,
    "2460000.5": False,
}


def test_a_time_that_is_none_is_kept_as_text(postgres: Server, database: str, tmp_path: Path) -> None:
    with office_at(tmp_path / "a.sqlite") as office:
        for number, said in enumerate(TIMES):
            office.store.commit(
                [
                    SaveFish(fish(number, worked_up_at=said, note=said)),
                    SaveFish(fish(100 + number, note=said)),
                ]
            )
            office.store.commit([amend(fish(100 + number), "worked_up_at", said, n=9000 + number)])
        bring(office, postgres, database)
    with postgres.connect(database) as server:
        kept = server.execute(
            "SELECT note, worked_up_at FROM tallywell.fish WHERE note = worked_up_at"
        ).fetchall()
        assert len(kept) == len(TIMES)
        shown = server.execute("SELECT note, worked_up_at FROM tallywell.worked_fish").fetchall()
    for said, is_instant in TIMES.items():
        times = [at for note, at in shown if note == said]
        assert len(times) == 2, said
        assert len(set(times)) == 1, said
        assert (times[0] is not None) == is_instant, said


def test_the_keys_between_tables_are_held_by_the_server(
    postgres: Server, database: str, tmp_path: Path
) -> None:
    with office_at(tmp_path / "a.sqlite") as office:
        office.store.commit([SaveFish(fish(1))])
        bring(office, postgres, database)
    with postgres.connect(database) as server:
        for statement in (
            "DELETE FROM tallywell.fish",
            "DELETE FROM tallywell.survey",
            "INSERT INTO tallywell.fish_tag VALUES ('nobody', 0, '1', 'primary')",
            "UPDATE tallywell.fish SET run_no = 99",
        ):
            with pytest.raises(psycopg.errors.ForeignKeyViolation):
                server.execute(statement)
