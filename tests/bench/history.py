"""What is known of one tag, asked while the fish is in hand, among a million fish."""

import random
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import partial
from itertools import pairwise
from operator import attrgetter
from pathlib import Path
from uuid import UUID

from cli.questions import fish_history
from cli.target import reading
from fishery.single import days_between, growth_between
from ingest.records import individual_id
from ingest.store import Store
from ingest.store.lookup import Lookup
from ingest.store.writer import FISH_COLUMNS
from tests.bench.contestants import BenchFailedError
from tests.bench.days import length_of, tag_of, weight_of
from tests.bench.measure import Goal, Line, all_of, in_turns, middle_line, tail_line
from tests.ingest.builders import fish, run, survey

CAPTURES = 3  # of each tag
BARE = "bare SELECT by tag"
LOOKUP, COMMAND = "station's look-up", "fish history"
PATIENCE_S = 2.0  # per round: enough to see that a question is slow
_FIRST_DAY = datetime(2020, 5, 1, tzinfo=UTC)
_BARE_QUERY = "SELECT worked_up_at, length_mm, weight_g, fate FROM fish WHERE tag = ?"
_INSERT_FISH = f"INSERT INTO fish ({', '.join(FISH_COLUMNS)}) VALUES ({', '.join('?' * len(FISH_COLUMNS))})"
_INSERT_TAG = "INSERT INTO fish_tag (fish_id, seq, tag, role) VALUES (?, 0, ?, 'primary')"
_TEN_THOUSAND = 10_000
_fish_row = attrgetter(*FISH_COLUMNS)


def ask_histories(folder: Path, rounds: int, fish_count: int, asks: int) -> list[Line]:
    """Time the captures and the growth of one tag among so many fish; values in ms."""
    path = folder / "many.sqlite"
    fill(path, fish_count)
    tags = random.Random(fish_count).choices(
        [tag_of(n) for n in range(fish_count // CAPTURES)], k=rounds * asks
    )
    with reading(path) as connection:
        lookup = Lookup(connection, path)
        questions: dict[str, Callable[[str], int]] = {
            BARE: lambda tag: len(connection.execute(_BARE_QUERY, (tag,)).fetchall()),
            LOOKUP: lambda tag: _captures_and_growth(lookup, tag),
            COMMAND: lambda tag: len(fish_history(connection, tag, path)["captures"]),
        }
        contestants = {
            name: partial(_one_round, connection, ask, tags, asks) for name, ask in questions.items()
        }
        samples = in_turns(contestants, rounds)
    among = f"among {fish_count:,} fish"
    broken_off = any(ms >= 1000 * PATIENCE_S for ms in all_of(samples[COMMAND]))
    command = f"{COMMAND}{f' (broken off after {PATIENCE_S:g} s)' if broken_off else ''}"
    goal = Goal("ours", 5.0)
    return [
        middle_line(f"history of a tag {among}, {LOOKUP}", samples, LOOKUP, BARE, "ms", goal=goal),
        tail_line("the same, p99", samples, LOOKUP, BARE, "ms"),
        middle_line(f"history of a tag {among}, {command}", samples, COMMAND, BARE, "ms", goal=goal),
        tail_line("the same, p99", samples, COMMAND, BARE, "ms"),
    ]


def fill(path: Path, fish_count: int) -> None:
    """A database of ours with so many closed fish, three captures a tag; their readings are left out."""
    with Store.open(path) as store:
        store.commit([survey(), run()])
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        for setting in ("journal_mode=OFF", "synchronous=OFF", "cache_size=-600000", "foreign_keys=OFF"):
            connection.execute(f"PRAGMA {setting}").fetchall()
        connection.execute("BEGIN")
        for first in range(0, fish_count, _TEN_THOUSAND):
            rows = list(_rows(first, min(first + _TEN_THOUSAND, fish_count), fish_count // CAPTURES))
            # The parts go first: a trigger keeps closed fish as they are.
            connection.executemany(_INSERT_TAG, ((row[0], row[FISH_COLUMNS.index("tag")]) for row in rows))
            connection.executemany(_INSERT_FISH, rows)
        connection.execute("COMMIT")


def _rows(first: int, end: int, tags: int) -> Iterator[tuple[object, ...]]:
    chance = random.Random(first)
    usual = fish()
    for number in range(first, end):
        tag, year = tag_of(number % tags), number // tags
        at = _FIRST_DAY + timedelta(days=365 * year, seconds=number % tags)
        text = at.isoformat(timespec="milliseconds").replace("+00:00", "Z")
        record = replace(
            usual,
            fish_id=str(UUID(int=chance.getrandbits(128), version=5)),
            opened_n=number + 1,
            opened_at=text,
            worked_up_at=text,
            tag=tag,
            individual_id=individual_id(tag),
            length_mm=float(length_of(number) + 30 * year),
            weight_g=weight_of(number) * (1 + 0.3 * year),
        )
        yield _fish_row(record)


def _captures_and_growth(lookup: Lookup, tag: str) -> int:
    captures = lookup.captures(tag)
    for earlier, later in pairwise(captures):
        days = days_between(earlier.at, later.at)
        growth_between(days, earlier.length_mm, later.length_mm, earlier.weight_g, later.weight_g)
    return len(captures)


def _one_round(
    connection: sqlite3.Connection, ask: Callable[[str], int], tags: list[str], asks: int, turn: int
) -> list[float]:
    return _timed(connection, ask, tags[turn * asks : (turn + 1) * asks])


def _timed(connection: sqlite3.Connection, ask: Callable[[str], int], tags: list[str]) -> list[float]:
    """ms of each question, as many as patience allows; one that takes longer is broken off and counts as
    that long.

    Each must find all captures of its tag.
    """
    begun_s = began_s = time.perf_counter()
    times: list[float] = []
    connection.set_progress_handler(lambda: int(time.perf_counter() - begun_s > PATIENCE_S), 10_000)
    try:
        for tag in tags:
            began_s = time.perf_counter()
            found = ask(tag)
            times.append((time.perf_counter() - began_s) * 1000)
            if found < CAPTURES:
                raise BenchFailedError(f"only {found} captures of {tag} were found")
    except sqlite3.OperationalError as error:
        if error.sqlite_errorcode != sqlite3.SQLITE_INTERRUPT:
            raise
        times.append((time.perf_counter() - began_s) * 1000)
    finally:
        connection.set_progress_handler(None, 0)
    return times
