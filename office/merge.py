"""A station's snapshot into the office database: what is final there and not known here, in the caller's transaction.

Only closed fish and batches travel, with all that belongs to them; what is still open comes with a later pull. What
is append-only is added once. Surveys, runs and treatments, which a station writes anew as they go on, are taken over
if the station had come further when it wrote them, so an older snapshot rolls nothing back. Where both sides hold
different bytes under one id, ours stays in the tables and theirs is kept whole in the table `conflict`.
"""

import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from office.conflicts import Clash, batch_whole, fish_whole, list_clash, row_dicts
from office.merge_queries import (
    AMENDMENTS,
    DROP_LISTS,
    FILL_LISTS,
    FISH_PARTS,
    KEYED,
    LATER_PARTS,
    MAKE_LISTS,
    MUTABLE,
    REMEMBER_TOLD,
    TOLD_BY_OFFICE,
    TOLD_BY_STATION,
    Table,
    add_later,
    add_listed,
    add_once,
    both_amended,
    differing,
    differing_parts,
    take_over,
)

CACHE_KIB = 200_000  # a day of 100,000 fish has some 250 MB, and their ids lie in no order


@dataclass(slots=True)
class Merged:
    """What a merge did. `added`: rows by table, also those of a survey or run written anew; tables without any are
    left out. `conflicts`: ids of the conflicts that are new. `still_open`: fish and batches that wait at the station.
    """

    added: dict[str, int] = field(default_factory=dict)
    conflicts: list[str] = field(default_factory=list)
    still_open: int = 0


@contextmanager
def attached(connection: sqlite3.Connection, snapshot: Path) -> Iterator[None]:
    """The snapshot, a copy of our own, as the schema `theirs`. Not within a transaction. Raises sqlite3.Error."""
    connection.execute("ATTACH ? AS theirs", (str(snapshot.resolve()),))
    usual = connection.execute("PRAGMA main.cache_size").fetchone()[0]
    try:
        for schema in ("main", "theirs"):
            connection.execute(f"PRAGMA {schema}.cache_size = -{CACHE_KIB}").fetchall()
        yield
    finally:
        connection.execute(f"PRAGMA main.cache_size = {usual}").fetchall()
        connection.execute("DETACH theirs")


def merge(connection: sqlite3.Connection, station: str, at: str) -> Merged:
    """Take over what is final in the attached snapshot `theirs`. Within a transaction; `at` is the office's clock.

    Raises sqlite3.Error, after which the caller takes the transaction back.
    """
    return _Merge(connection, station, at).run()


class _Merge:
    def __init__(self, connection: sqlite3.Connection, station: str, at: str) -> None:
        self._connection = connection
        self._execute = connection.execute
        self._station = station
        self._at = at
        self._merged = Merged()
        names = (
            "water",
            *MUTABLE,
            "frame",
            "fish",
            *FISH_PARTS,
            "batch",
            "batch_reading",
            *AMENDMENTS,
            *KEYED,
        )
        self._tables = {name: Table.of(connection, name) for name in names}

    def run(self) -> Merged:
        # A fish that was amended to another survey has its new run only with the second amendment.
        self._execute("PRAGMA defer_foreign_keys = ON")
        of_office = self._value("SELECT count(*) FROM theirs.sqlite_schema WHERE name = 'survey_told'")
        for statement in (*MAKE_LISTS, TOLD_BY_OFFICE if of_office else TOLD_BY_STATION, *FILL_LISTS):
            self._execute(statement)
        self._list_conflicts()
        self._add_all()
        self._merged.still_open = self._value(
            "SELECT (SELECT count(*) FROM theirs.fish WHERE closed = 0) "
            "+ (SELECT count(*) FROM theirs.batch WHERE closed = 0)"
        )
        for statement in DROP_LISTS:
            self._execute(statement)
        return self._merged

    # --- what is added ----------------------------------------------------------------------------------------

    def _add_all(self) -> None:
        self._add("water", add_once)
        for name in MUTABLE:
            self._add(name, take_over)
            self._add(name, add_once)
        self._execute(REMEMBER_TOLD)
        self._add("frame", add_once)
        # The parts go first: once a closed fish is in, the triggers let nothing be added to it.
        for name in (*FISH_PARTS, "fish"):
            self._add_listed(name, "new_fish")
        for name in LATER_PARTS:
            self._add(name, add_later)
        self._add_listed("amendment", "new_amendment")
        for name in ("batch_reading", "batch"):
            self._add_listed(name, "new_batch")
        self._add_listed("batch_amendment", "new_batch_amendment")
        for name in KEYED:
            self._add(name, add_once)

    def _add(self, name: str, query: Callable[[Table], str]) -> None:
        self._count(name, self._execute(query(self._tables[name])).rowcount)

    def _add_listed(self, name: str, keys: str) -> None:
        self._count(name, self._execute(add_listed(self._tables[name], keys)).rowcount)

    def _count(self, name: str, rows: int) -> None:
        if rows > 0:
            self._merged.added[name] = self._merged.added.get(name, 0) + rows

    # --- what differs -----------------------------------------------------------------------------------------

    def _list_conflicts(self) -> None:
        for fish_id in self._differing("fish", FISH_PARTS, "known_fish"):
            ours, theirs = (fish_whole(self._connection, schema, fish_id) for schema in ("main", "theirs"))
            self._list(Clash("fish", fish_id, fish_id, ours, theirs))
        for batch_id in self._differing("batch", ("batch_reading",), "known_batch"):
            ours, theirs = (batch_whole(self._connection, schema, batch_id) for schema in ("main", "theirs"))
            self._list(Clash("batch", batch_id, None, ours, theirs))
        for name in MUTABLE:
            self._list_rows(name, "same")
        for name in ("frame", *AMENDMENTS, *KEYED):
            if name != "inbox_file":  # one file may well be left at two stations
                self._list_rows(name)
        for name in AMENDMENTS:
            self._list_both_amended(name)

    def _differing(self, whole: str, parts: Iterable[str], keys: str) -> list[str]:
        if not self._value(f"SELECT EXISTS (SELECT 1 FROM temp.{keys})"):
            return []
        queries = [differing(self._tables[whole], keys)]
        queries += [differing_parts(self._tables[name], keys) for name in parts]
        return [key for (key,) in self._execute(f"{' UNION '.join(queries)} ORDER BY 1").fetchall()]

    def _list_rows(self, name: str, keys: str | None = None) -> None:
        table = self._tables[name]
        where = " AND ".join(f"{key} = ?" for key in table.keys)
        for values in self._execute(differing(table, keys)).fetchall():
            ours, theirs = (self._row(schema, table, where, values) for schema in ("main", "theirs"))
            fish_id = ours["fish_id"] if name == "amendment" else None
            self._list(Clash(name, " ".join(map(str, values)), fish_id, ours, theirs))

    def _list_both_amended(self, name: str) -> None:
        table, fish = self._tables[name], name == "amendment"
        for of_theirs, of_ours, record_id in self._execute(both_amended(name)).fetchall():
            ours = self._row("main", table, "amendment_id = ?", (of_ours,))
            theirs = self._row("theirs", table, "amendment_id = ?", (of_theirs,))
            kind = "both amended fish" if fish else "both amended batch"
            self._list(Clash(kind, of_theirs, record_id if fish else None, ours, theirs))

    def _row(self, schema: str, table: Table, where: str, values: Sequence[object]) -> dict[str, Any]:
        query = f"SELECT {table.listed()} FROM {schema}.{table.name} WHERE {where}"
        return row_dicts(self._connection, query, values)[0]

    def _list(self, clash: Clash) -> None:
        listed = list_clash(self._connection, clash, self._station, self._at)
        if listed is not None:
            self._merged.conflicts.append(listed)

    def _value(self, query: str) -> int:
        value: int = self._execute(query).fetchone()[0]
        return value
