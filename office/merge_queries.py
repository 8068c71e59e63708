"""The SQL of a merge: from the attached snapshot `theirs` into `main`, table by table.

In every query t is a row of theirs, o the row of ours under the same key, k a row of a temporary list of keys. CROSS
JOIN fixes the order of the loops: SQLite knows no sizes here, and theirs are to be read once from front to back.
"""

import sqlite3
from dataclasses import dataclass
from typing import Literal, Self

from ingest.store.amendment_order import OFFICE_JOURNALS, ORIGIN

FISH_PARTS = ("fish_tag", "reading", "finding", "observation")
LATER_PARTS = ("reading", "finding")
MUTABLE = ("survey", "run", "treatment")
KEYED = ("crew", "sighting", "check_measurement", "inbox_file", "local_relation")
AMENDMENTS: dict[str, Literal["fish_id", "batch_id"]] = {
    "amendment": "fish_id",
    "batch_amendment": "batch_id",
}

_KEY_LISTS = {
    "new_fish": "fish_id",
    "known_fish": "fish_id",
    "new_batch": "batch_id",
    "known_batch": "batch_id",
    "new_amendment": "amendment_id",
    "new_batch_amendment": "amendment_id",
}
_TOLD_LISTS = ("told", "newer", "same")

MAKE_LISTS = (
    *(f"CREATE TEMP TABLE {name} ({key} TEXT PRIMARY KEY) WITHOUT ROWID" for name, key in _KEY_LISTS.items()),
    *(
        f"CREATE TEMP TABLE {name} (survey_id TEXT PRIMARY KEY, told_s REAL NOT NULL) WITHOUT ROWID"
        for name in _TOLD_LISTS
    ),
)
DROP_LISTS = tuple(f"DROP TABLE temp.{name}" for name in (*_KEY_LISTS, *_TOLD_LISTS))

# How far a station had come is in its checkpoint; a database without one (of a replay) says nothing of it.
TOLD_BY_STATION = """INSERT INTO temp.told SELECT s.survey_id, coalesce(
        (SELECT json_extract(iif(json_valid(state), state, '{}'), '$.engine.t_s') FROM theirs.checkpoint), 0.0)
    FROM theirs.survey AS s"""
TOLD_BY_OFFICE = """INSERT INTO temp.told SELECT s.survey_id, coalesce(o.told_s, 0.0)
    FROM theirs.survey AS s LEFT JOIN theirs.survey_told AS o ON o.survey_id = s.survey_id"""


def _fill(table: str, key: str, which: str) -> tuple[str, str]:
    known = f"EXISTS (SELECT 1 FROM main.{table} AS o WHERE o.{key} = t.{key})"
    return (
        f"INSERT INTO temp.new_{table} SELECT t.{key} FROM theirs.{table} AS t WHERE {which} AND NOT {known}",
        f"INSERT INTO temp.known_{table} SELECT t.{key} FROM theirs.{table} AS t WHERE {which} AND {known}",
    )


# Two copies of one office that both went on: its corrections of one number are two, and theirs lies whole in the
# conflict of the frame. A part of it would be half a correction.
_OTHER_CORRECTION = (
    f"(t.journal_id GLOB '{OFFICE_JOURNALS}*' AND EXISTS (SELECT 1 FROM theirs.frame AS m JOIN main.frame AS o "
    "ON o.journal_id = m.journal_id AND o.n = m.n WHERE m.journal_id = t.journal_id AND m.n = t.n "
    "AND o.data <> m.data))"
)

FILL_LISTS = (
    "INSERT INTO temp.newer SELECT t.survey_id, t.told_s FROM temp.told AS t "
    "LEFT JOIN main.survey AS s ON s.survey_id = t.survey_id "
    "LEFT JOIN main.survey_told AS o ON o.survey_id = t.survey_id "
    "WHERE s.survey_id IS NULL OR t.told_s > coalesce(o.told_s, 0.0)",
    "INSERT INTO temp.same SELECT t.survey_id, t.told_s FROM temp.told AS t "
    "JOIN main.survey AS s ON s.survey_id = t.survey_id "
    "LEFT JOIN main.survey_told AS o ON o.survey_id = t.survey_id WHERE t.told_s = coalesce(o.told_s, 0.0)",
    *_fill("fish", "fish_id", "t.closed = 1"),
    *_fill("batch", "batch_id", "t.closed = 1"),
    *(_fill(name, "amendment_id", f"NOT {_OTHER_CORRECTION}")[0] for name in AMENDMENTS),
)
REMEMBER_TOLD = """INSERT INTO main.survey_told SELECT survey_id, told_s FROM temp.newer WHERE told_s > 0
    ON CONFLICT (survey_id) DO UPDATE SET told_s = excluded.told_s"""


@dataclass(frozen=True, slots=True)
class Table:
    """A table of the store. `keys` identify a row everywhere: for amendments that is their id, not their place."""

    name: str
    keys: tuple[str, ...]
    columns: tuple[str, ...]

    @classmethod
    def of(cls, connection: sqlite3.Connection, name: str) -> Self:
        info = connection.execute(f"PRAGMA main.table_info({name})").fetchall()
        if name in AMENDMENTS:
            return cls(name, ("amendment_id",), tuple(row[1] for row in info if row[1] != "seq"))
        keys = tuple(row[1] for row in sorted(info, key=lambda row: row[5]) if row[5])
        return cls(name, keys, tuple(row[1] for row in info))

    def listed(self, row: str = "") -> str:
        return ", ".join(f"{row}{column}" for column in self.columns)

    @property
    def values(self) -> tuple[str, ...]:
        # What the clock showed for a frame may be told otherwise; its bytes may not.
        ignored = {*self.keys, *(("at",) if self.name == "frame" else ())}
        return tuple(column for column in self.columns if column not in ignored)

    @property
    def same_key(self) -> str:
        return " AND ".join(f"o.{key} = t.{key}" for key in self.keys)

    @property
    def differs(self) -> str:
        theirs, ours = (", ".join(f"{row}.{column}" for column in self.values) for row in "to")
        return f"({theirs}) IS NOT ({ours})"

    def first(self, row: str) -> str:
        """What leaves out the parts that came to a fish after it was closed."""
        return f"{row}.later = 0" if "later" in self.columns else "1"


# --- what is added ------------------------------------------------------------------------------------------------


def add_once(table: Table) -> str:
    """Every row whose key is not there yet."""
    return (
        f"INSERT INTO main.{table.name} ({table.listed()}) SELECT {table.listed('t.')} FROM theirs.{table.name} AS t "
        f"WHERE true ON CONFLICT ({', '.join(table.keys)}) DO NOTHING"
    )


def add_listed(table: Table, keys: str) -> str:
    """The rows that belong to a temporary list of keys, in the order in which they were made."""
    key = _KEY_LISTS[keys]
    order = "ORDER BY t.seq" if table.name in AMENDMENTS else ""
    return (
        f"INSERT INTO main.{table.name} ({table.listed()}) SELECT {table.listed('t.')} FROM theirs.{table.name} AS t "
        f"CROSS JOIN temp.{keys} AS k ON k.{key} = t.{key} WHERE {table.first('t')} {order}"
    )


def add_later(table: Table) -> str:
    """Parts that came to a fish after it was closed: told apart by what they say, for an office adds some too."""
    said = tuple(column for column in table.columns if column not in ("fish_id", "seq"))
    theirs, ours = (", ".join(f"{row}.{column}" for column in said) for row in "to")
    place = (
        f"coalesce((SELECT max(o.seq) FROM main.{table.name} AS o WHERE o.fish_id = t.fish_id), -1) "
        "+ row_number() OVER (PARTITION BY t.fish_id ORDER BY t.seq)"
    )
    return (
        f"INSERT INTO main.{table.name} (fish_id, seq, {', '.join(said)}) SELECT t.fish_id, {place}, {theirs} "
        f"FROM theirs.{table.name} AS t JOIN main.fish AS f ON f.fish_id = t.fish_id AND f.closed = 1 "
        f"WHERE t.later = 1 AND NOT {_OTHER_CORRECTION} AND NOT EXISTS (SELECT 1 FROM main.{table.name} AS o "
        f"WHERE o.fish_id = t.fish_id AND ({ours}) IS ({theirs}))"
    )


def take_over(table: Table) -> str:
    """The rows of surveys of which the station knows more than what stands here."""
    taken = ", ".join(f"{column} = excluded.{column}" for column in table.values)
    new, old = (", ".join(f"{row}.{column}" for column in table.values) for row in ("excluded", table.name))
    return (
        f"INSERT INTO main.{table.name} ({table.listed()}) SELECT {table.listed('t.')} FROM theirs.{table.name} AS t "
        f"JOIN temp.newer AS k ON k.survey_id = t.survey_id WHERE true "
        f"ON CONFLICT ({', '.join(table.keys)}) DO UPDATE SET {taken} WHERE ({new}) IS NOT ({old})"
    )


# --- what differs -------------------------------------------------------------------------------------------------


def differing(table: Table, keys: str | None = None) -> str:
    """The keys of rows that both have with different values; of those in a temporary list, if one is named."""
    among = ""
    if keys is not None:
        key = _KEY_LISTS.get(keys, "survey_id")
        among = f"CROSS JOIN temp.{keys} AS k ON k.{key} = t.{key}"
    return (
        f"SELECT {', '.join(f't.{key}' for key in table.keys)} FROM theirs.{table.name} AS t {among} "
        f"CROSS JOIN main.{table.name} AS o ON {table.same_key} WHERE {table.differs}"
    )


def differing_parts(table: Table, keys: str) -> str:
    """The records, of those in a temporary list, whose parts are not the same on both sides."""
    key = _KEY_LISTS[keys]
    return (
        f"SELECT t.{key} FROM theirs.{table.name} AS t CROSS JOIN temp.{keys} AS k ON k.{key} = t.{key} "
        f"LEFT JOIN main.{table.name} AS o ON {table.same_key} "
        f"WHERE {table.first('t')} AND (o.{key} IS NULL OR {table.differs}) "
        f"UNION SELECT o.{key} FROM temp.{keys} AS k CROSS JOIN main.{table.name} AS o ON o.{key} = k.{key} "
        f"LEFT JOIN theirs.{table.name} AS t ON {table.same_key} WHERE {table.first('o')} AND t.{key} IS NULL"
    )


def both_amended(name: str) -> str:
    """New amendments, each with ours of the same field from another origin that says something else, which their
    maker did not know: amendment_id of theirs, of ours, id of the record. What follows from other fields is left out.
    """
    key = AMENDMENTS[name]

    def last(schema: str, which: str) -> str:
        return (
            f"SELECT *, {ORIGIN} AS origin, row_number() OVER (PARTITION BY {key}, field, {ORIGIN} ORDER BY seq DESC) "
            f"AS back FROM {schema}.{name} WHERE {which}"
        )

    new = f"amendment_id IN (SELECT amendment_id FROM temp.new_{name})"
    concerned = f"{key} IN (SELECT {key} FROM theirs.{name} WHERE {new})"
    unknown = f"amendment_id NOT IN (SELECT amendment_id FROM theirs.{name})"
    return (
        f"SELECT t.amendment_id, o.amendment_id, t.{key} FROM ({last('theirs', new)}) AS t "
        f"JOIN ({last('main', f'{concerned} AND {unknown}')}) AS o "
        f"ON o.{key} = t.{key} AND o.field = t.field AND o.origin <> t.origin "
        f"WHERE t.back = 1 AND o.back = 1 AND t.new IS NOT o.new "
        f"AND t.field NOT IN ('relative_weight', 'individual_id') ORDER BY t.seq"
    )
