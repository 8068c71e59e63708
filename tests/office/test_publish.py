"""Publishing into a real PostgreSQL server: the same rows as the office's views, once, whoever brings them first."""

import math
import shutil
from collections import Counter
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from random import Random
from sqlite3 import Connection
from typing import Any

import psycopg
import pytest

from ingest.catch_records import SaveBatch
from ingest.records import AddFinding, Amend, AttachReading, SaveFish
from ingest.store import PriorRow, Store, load_prior_captures
from ingest.store.views import COLUMN_DOCS
from office.database import OfficeDatabase
from office.exports.public_views import VIEW_NAMES
from office.publish.publisher import Published, publish
from office.publish.shapes import SHAPES
from tests.ingest.builders import JOURNAL, TAG, amend, amend_batch, batch, finding, fish, reading, run, survey
from tests.office.full_records import HOSTILE, fill
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


def test_a_station_pulled_by_two_offices_is_there_once_with_the_corrections_of_both(
    postgres: Server, database: str, tmp_path: Path
) -> None:
    of_station = [amend(fish(1), "weight_g", "990", n=9001), amend(fish(2), "fate", "kept", n=9002)]
    with office_at(tmp_path / "a.sqlite") as one, office_at(tmp_path / "b.sqlite") as other:
        for office in (one, other):
            office.store.commit([SaveFish(fish(number)) for number in (1, 2, 3)])
            office.store.commit(of_station)
        one.store.commit([correction(one, "length_mm", "400", at="2026-07-01T08:00:00Z")])
        one.store.commit([SaveFish(fish(7, tag=None))])
        other.store.commit([correction(other, "length_mm", "401", at="2026-06-01T08:00:00Z")])
        bring(one, postgres, database)
        done = bring(other, postgres, database)
        assert (+done.added, done.conflicts) == (Counter(amendment=1), 0)
        # What the office would show if it had the other's corrections too: the later one counts.
        other.store.commit(
            [SaveFish(fish(7, tag=None)), correction(one, "length_mm", "400", at="2026-07-01T08:00:00Z")]
        )
        assert_same(other, postgres, database)
        with postgres.connect(database) as server:
            length = server.execute(
                "SELECT length_mm FROM tallywell.worked_fish WHERE fish_id = %s", (fish(1).fish_id,)
            ).fetchone()
            assert length == (400.0,)
            brought = server.execute("SELECT DISTINCT office_id FROM tallywell.fish").fetchall()
            assert brought == [(one.office_id,)]


def correction(office: OfficeDatabase, field: str, new: str, *, at: str, n: int = 1) -> Amend:
    return Amend(
        f"{office.office_id}-{n}",
        fish(1).fish_id,
        at,
        "AB",
        "paper sheet",
        field,
        "412",
        new,
        office.office_id,
        n,
    )


def test_amendments_count_in_the_office_s_order_whatever_the_clock_said(
    postgres: Server, database: str, tmp_path: Path
) -> None:
    with office_at(tmp_path / "a.sqlite") as office:
        one = fish(1)
        office.store.commit([SaveFish(one), SaveFish(fish(2))])
        for number, (field, new, at) in enumerate(
            [
                ("length_mm", "300", "2026-06-03T08:00:00Z"),
                ("length_mm", "301", "2026-06-01T08:00:00Z"),  # its clock was set back
                ("relative_weight", "101.5", "2026-06-02T08:00:00Z"),
                ("tag", "985120000000099", "2026-06-02T08:00:00.5Z"),
                ("void", "1", "2026-06-02T08:00:00Z"),
                ("void", "0", "2026-06-02T08:00:00Z"),
                ("worked_up_at", "2026-05-13T09:00:00.250Z", "2026-06-04T08:00:00Z"),
                ("run_no", None, "2026-06-04T08:00:00Z"),
                ("sex", "male", "2026-06-04T08:00:00Z"),
                ("note", None, "2026-06-04T08:00:00Z"),
            ],
            9000,
        ):
            office.store.commit(
                [
                    Amend(
                        f"amendment-{number}",
                        one.fish_id,
                        at,
                        "crew",
                        "why",
                        field,
                        None,
                        new,
                        JOURNAL,
                        number,
                    )
                ]
            )
        office.store.commit([correction(office, "weight_g", "800", at="2026-06-02T12:00:00Z")])
        bring(office, postgres, database)
        assert_same(office, postgres, database)


def random_amendments(chance: Random, origin: str, fish_numbers: range) -> list[Amend]:
    """What one origin amends, in its own order, with a clock that is set back now and then."""
    values: dict[str, tuple[str | None, ...]] = {
        "length_mm": ("398.5", "401", None),
        "weight_g": ("990", "1000.25", None),
        "relative_weight": ("97.5", None),
        "species": ("BLG", "LMB", None),
        "tag": ("985120000000077", None),
        "individual_id": ("somebody", None),
        "void": ("1", "0"),
        "status": ("confirmed", "queried"),
        "run_no": ("1", "3", None),  # the third run is of another survey
        "survey_id": ("survey-1", "survey-2"),
        "note": ("x", None),
        "sex": ("male", None),
        "worked_up_at": ("2026-05-13T09:00:00.250Z", "2026-05-14"),
    }
    amendments = []
    minute = 0
    for n in range(1, 100):
        minute = max(0, minute + chance.choice((0, 0, 1, 2, -5)))
        number = chance.choice(fish_numbers)
        for index in range(chance.choice((1, 1, 2))):  # one correction may say several things
            field = chance.choice(list(values))
            amendments.append(
                Amend(
                    f"{origin}-{n}-{index}", fish(number).fish_id, f"2026-06-01T08:{minute:02}:00Z", "AB", "why", field,
                    None, chance.choice(values[field]), origin, n,
                )
            )  # fmt: skip
    return amendments


@pytest.mark.parametrize("seed", [1, 2])
def test_random_amendments_mean_the_same_here_and_there_in_whatever_order_they_came(
    postgres: Server, database: str, tmp_path: Path, seed: int
) -> None:
    chance, numbers = Random(seed), range(1, 60)
    with office_at(tmp_path / "a.sqlite") as one, office_at(tmp_path / "b.sqlite") as other:
        origins = [
            random_amendments(chance, name, numbers) for name in (JOURNAL, one.office_id, other.office_id)
        ]
        for office in (one, other):
            office.store.commit([survey(survey_id="survey-2"), run(3, survey_id="survey-2")])
            office.store.commit([SaveFish(fish(number)) for number in numbers])
            waiting = [list(reversed(amendments)) for amendments in origins]
            arrived = []
            while waiting := [amendments for amendments in waiting if amendments]:
                arrived.append(chance.choice(waiting).pop())
            office.store.commit(arrived)
        bring(one, postgres, database)
        done = bring(other, postgres, database)
        assert (+done.added, done.conflicts) == (Counter(), 0)
        assert_same(one, postgres, database)
        assert_same(other, postgres, database)


def test_one_fish_in_two_versions_is_a_conflict_shown_once_with_both_whole(
    postgres: Server, database: str, tmp_path: Path
) -> None:
    mine, theirs = fish(1), fish(1, length_mm=500.0)
    more_readings = fish(2, readings=(*fish(2).readings, reading(n=500)))
    with office_at(tmp_path / "a.sqlite") as one, office_at(tmp_path / "b.sqlite") as other:
        one.store.commit([SaveFish(mine), SaveFish(fish(2)), SaveFish(fish(3))])
        other.store.commit(
            [SaveFish(theirs), SaveFish(more_readings), SaveFish(fish(3)), SaveFish(fish(4, tag=None))]
        )
        bring(one, postgres, database)
        done = bring(other, postgres, database)
        assert (done.added["fish"], done.conflicts) == (1, 2)
        assert bring(other, postgres, database, again=True).conflicts == 0
        one.store.commit([SaveFish(fish(4, tag=None))])
        assert_same(one, postgres, database)  # the first one stands
        with postgres.connect(database) as server:
            listed = server.execute(
                'SELECT "table", record_id, office_id, here, theirs FROM tallywell.conflict_list ORDER BY record_id'
            ).fetchall()
            parts = server.execute(
                "SELECT count(*) FROM tallywell.reading WHERE fish_id = %s", (more_readings.fish_id,)
            ).fetchone()
        assert {row[1] for row in listed} == {mine.fish_id, more_readings.fish_id}
        assert {(row[0], row[2]) for row in listed} == {("fish", other.office_id)}
        by_id = {row[1]: row[3:] for row in listed}
        here, there = by_id[mine.fish_id]
        assert (here["fish"]["length_mm"], there["fish"]["length_mm"]) == (412.0, 500.0)
        here, there = by_id[more_readings.fish_id]
        assert (len(here["reading"]), len(there["reading"])) == (3, 4)
        assert parts == (3,)  # nothing of theirs is mixed in


def test_an_amendment_in_two_versions_is_a_conflict(postgres: Server, database: str, tmp_path: Path) -> None:
    with office_at(tmp_path / "a.sqlite") as one, office_at(tmp_path / "b.sqlite") as other:
        for office, new in ((one, "398"), (other, "399")):
            office.store.commit([SaveFish(fish(1)), amend(fish(1), "length_mm", new)])
            done = bring(office, postgres, database)
        assert done.conflicts == 1
        assert_same(one, postgres, database)


def test_a_batch_in_two_versions_is_a_conflict(postgres: Server, database: str, tmp_path: Path) -> None:
    with office_at(tmp_path / "a.sqlite") as one, office_at(tmp_path / "b.sqlite") as other:
        for office, n in ((one, 40), (other, 41)):
            office.store.commit([SaveBatch(batch(1, n=n))])
            done = bring(office, postgres, database)
        assert done.conflicts == 1
        assert_same(one, postgres, database)


def test_a_history_that_two_offices_loaded_is_shown_once(
    postgres: Server, database: str, tmp_path: Path
) -> None:
    priors = [
        PriorRow(
            TAG, "2019-05-12", "Mill Pond", "LMB", 360.0, 600.0, "released", withdrawal_until="2019-06-01"
        ),
        PriorRow(TAG, "2020-05-12", "Mill Pond", "LMB", 380.0, 700.0, "void"),
    ]
    with office_at(tmp_path / "a.sqlite") as one, office_at(tmp_path / "b.sqlite") as other:
        for office in (one, other):
            load_prior_captures(office.store, priors, source="old list")
            bring(office, postgres, database)
        assert_same(one, postgres, database)
        load_prior_captures(one.store, [], source="old list")
        load_prior_captures(other.store, [], source="old list")
        bring(one, postgres, database)
        bring(other, postgres, database)
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


def test_two_copies_of_one_office_lose_no_fish_between_them(
    postgres: Server, database: str, tmp_path: Path
) -> None:
    office_at(tmp_path / "a.sqlite").close()
    shutil.copy(tmp_path / "a.sqlite", tmp_path / "b.sqlite")
    with (
        OfficeDatabase.open(tmp_path / "a.sqlite") as one,
        OfficeDatabase.open(tmp_path / "b.sqlite") as copy,
    ):
        assert one.office_id == copy.office_id
        one.store.commit([SaveFish(fish(9, tag=None))])
        copy.store.commit([SaveFish(fish(number, tag=None)) for number in (1, 2, 9)])
        for office in (one, copy, one):
            bring(office, postgres, database)
        assert_same(copy, postgres, database)


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
