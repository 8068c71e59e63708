"""Two databases compared record by record and field by field."""

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

# Table, the columns that name a row, and columns that may differ (the order in which rows were inserted).
_TABLES: tuple[tuple[str, tuple[str, ...], frozenset[str]], ...] = (
    ("survey", ("survey_id",), frozenset()),
    ("run", ("survey_id", "run_no"), frozenset()),
    ("fish", ("fish_id",), frozenset()),
    ("fish_tag", ("fish_id", "seq"), frozenset()),
    ("reading", ("fish_id", "seq"), frozenset()),
    ("finding", ("fish_id", "seq"), frozenset()),
    ("observation", ("fish_id", "seq"), frozenset()),
    ("amendment", ("amendment_id",), frozenset({"seq"})),
    ("batch", ("batch_id",), frozenset()),
    ("batch_reading", ("batch_id", "seq"), frozenset()),
    ("batch_amendment", ("amendment_id",), frozenset({"seq"})),
    ("treatment", ("treatment_id",), frozenset()),
    ("crew", ("crew_id",), frozenset()),
    ("local_relation", ("survey_id", "species"), frozenset()),
    ("sighting", ("sighting_id",), frozenset()),
    ("inbox_file", ("sha256",), frozenset()),
)


@dataclass(frozen=True, slots=True)
class Difference:
    """One field, or one whole row (`column` None), that differs: as stored, and as the journal says."""

    table: str
    key: tuple[object, ...]
    column: str | None
    stored: object
    rebuilt: object

    def __str__(self) -> str:
        row = f"{self.table} {' '.join(map(str, self.key))}"
        if self.column is None:
            what = "is not in the database" if self.stored is None else "does not follow from the journal"
            return f"{row}: {what}"
        return f"{row}: {self.column} is {self.stored!r}, the journal says {self.rebuilt!r}"


def differences(rebuilt: sqlite3.Connection, stored: Path) -> Iterator[Difference]:
    """Every difference between the records of the open database and those in the file `stored`.

    Raises:
        sqlite3.Error: the file cannot be read.
    """
    rebuilt.execute("ATTACH DATABASE ? AS stored", (str(stored),))
    try:
        for table, key, ignored in _TABLES:
            yield from _of_table(rebuilt, table, key, ignored)
    finally:
        rebuilt.execute("DETACH DATABASE stored")


def _of_table(
    both: sqlite3.Connection, table: str, key: tuple[str, ...], ignored: frozenset[str]
) -> Iterator[Difference]:
    names = [row[1] for row in both.execute(f"PRAGMA main.table_info({table})") if row[1] not in ignored]
    columns, keys = ", ".join(names), ", ".join(key)
    rows = f"SELECT {columns} FROM {{}}.{table}"
    one, other = rows.format("main"), rows.format("stored")
    found = both.execute(
        f"SELECT {keys} FROM ({one} EXCEPT {other}) UNION SELECT {keys} FROM ({other} EXCEPT {one}) ORDER BY {keys}"
    ).fetchall()
    where = " AND ".join(f"{column} IS ?" for column in key)
    for place in found:
        now = both.execute(f"{one} WHERE {where}", place).fetchone()
        then = both.execute(f"{other} WHERE {where}", place).fetchone()
        if now is None or then is None:
            yield Difference(table, place, None, then, now)
            continue
        for name, rebuilt, stored in zip(names, now, then, strict=True):
            if rebuilt != stored:
                yield Difference(table, place, name, stored, rebuilt)
