"""A pull of one big day, against what a person would do with sqlite3: copy the database, insert what is in it."""

import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from operator import attrgetter
from pathlib import Path

from ingest.records import fish_id, individual_id
from ingest.store import Checkpoint, JournalMode, Store
from ingest.store.pragmas import settle_pragmas
from ingest.store.writer import FISH_COLUMNS, READING_COLUMNS
from office.database import OfficeDatabase
from office.merge import CACHE_KIB
from office.pull import find_source, pull
from tests.bench.contestants import BenchFailedError
from tests.bench.days import length_of, tag_of, weight_of
from tests.bench.measure import Goal, Line, in_turns, middle_line
from tests.ingest.builders import JOURNAL, fish, run, survey

OURS, BY_HAND, AGAIN = "pull and merge", "VACUUM INTO + INSERT ... SELECT", "pull it again"
_TABLES = ("water", "survey", "run", "frame", "fish_tag", "reading", "fish")  # parts before their fish
_GROUP = 10_000
_NOW_S = 1_778_700_000.0


def pull_days(folder: Path, rounds: int, fish_count: int) -> list[Line]:
    """Time a pull of a day with so many fish into an empty office, from the database file to the durable rows; s."""
    day = folder / "day.sqlite"
    write_day(day, fish_count)
    contestants = {
        OURS: lambda turn: [_pulled(day, folder / "ours.sqlite", fish_count)[0]],
        BY_HAND: lambda turn: [_by_hand(day, folder / "by-hand.sqlite", fish_count)],
    }
    samples = in_turns(contestants, rounds)
    samples[AGAIN] = [[_pulled(day, folder / "ours.sqlite", fish_count)[1]]]
    what = f"{OURS} of {fish_count:,} fish"
    first = middle_line(what, samples, OURS, BY_HAND, "s", goal=Goal("ratio", 2.0))
    ours = first.ours
    again = samples[AGAIN][0][0]
    return [first, Line("the same day again: nothing new", OURS, ours, again, "s", again / ours)]


def write_day(path: Path, fish_count: int) -> None:
    """A station's database with so many closed fish: a tag, three readings and their frames each."""
    with Store.open(path) as store:
        store.commit([survey(), run()], (), Checkpoint('{"engine": {"t_s": 1.0}}', "a.jsonl", 1, 1))
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        for setting in ("journal_mode=OFF", "synchronous=OFF", "cache_size=-600000", "foreign_keys=OFF"):
            connection.execute(f"PRAGMA {setting}").fetchall()
        connection.execute("BEGIN")
        for first in range(0, fish_count, _GROUP):
            for table, columns, rows in _rows(first, min(first + _GROUP, fish_count)):
                marks = ", ".join("?" * len(columns))
                connection.executemany(f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({marks})", rows)
        connection.execute("COMMIT")


def _rows(first: int, end: int) -> Iterator[tuple[str, tuple[str, ...], list[tuple[object, ...]]]]:
    usual = fish()
    fish_row, reading_row = attrgetter(*FISH_COLUMNS), attrgetter(*READING_COLUMNS)
    records: list[tuple[object, ...]] = []
    tags: list[tuple[object, ...]] = []
    readings: list[tuple[object, ...]] = []
    frames: list[tuple[object, ...]] = []
    for number in range(first, end):
        n, tag = 4 * number + 1, tag_of(number)
        own = fish_id(JOURNAL, n)
        records.append(
            fish_row(
                replace(
                    usual, fish_id=own, opened_n=n, tag=tag, individual_id=individual_id(tag),
                    length_mm=float(length_of(number)), weight_g=weight_of(number),
                )
            )
        )  # fmt: skip
        tags.append((own, 0, tag, "primary"))
        for seq, part in enumerate(usual.readings):
            placed = replace(part, n=n + seq)
            readings.append((own, seq, 0, *reading_row(placed)))
            frames.append((JOURNAL, n + seq, part.at, part.instrument, part.raw, None))
    yield "frame", ("journal_id", "n", "at", "source", "data", "event"), frames
    yield "fish_tag", ("fish_id", "seq", "tag", "role"), tags
    yield "reading", ("fish_id", "seq", "later", *READING_COLUMNS), readings
    yield "fish", FISH_COLUMNS, records


def _pulled(day: Path, office: Path, fish_count: int) -> tuple[float, float]:
    """Seconds of the first pull, and of the same pull again."""
    office.unlink(missing_ok=True)
    with OfficeDatabase.open(office) as opened:
        source = find_source(str(day), office)
        times = []
        for expected in (fish_count, 0):
            began_s = time.perf_counter()
            report = pull(opened, source, _NOW_S, lambda what, done, whole: None)
            times.append(time.perf_counter() - began_s)
            if report.pulled[0].added.get("fish", 0) != expected:
                raise BenchFailedError(f"{report.pulled[0].added} came of {fish_count} fish")
    return times[0], times[1]


def _by_hand(day: Path, office: Path, fish_count: int) -> float:
    """The same tables, indexes and triggers, and the same settings of SQLite."""
    office.unlink(missing_ok=True)
    OfficeDatabase.open(office).close()
    copy = office.with_name("copy.sqlite")
    copy.unlink(missing_ok=True)
    began_s = time.perf_counter()
    with closing(sqlite3.connect(day, isolation_level=None)) as source:
        source.execute("VACUUM INTO ?", (str(copy),))
    with closing(sqlite3.connect(office, isolation_level=None)) as connection:
        settle_pragmas(connection, JournalMode.TRUNCATE)
        connection.execute("ATTACH ? AS theirs", (str(copy),))
        for schema in ("main", "theirs"):
            connection.execute(f"PRAGMA {schema}.cache_size = -{CACHE_KIB}").fetchall()
        connection.execute("BEGIN IMMEDIATE")
        for table in _TABLES:
            connection.execute(f"INSERT INTO main.{table} SELECT * FROM theirs.{table}")
        connection.execute("COMMIT")
        took_s = time.perf_counter() - began_s
        if connection.execute("SELECT count(*) FROM main.fish").fetchone() != (fish_count,):
            raise BenchFailedError("the fish did not arrive by hand")
    return took_s
