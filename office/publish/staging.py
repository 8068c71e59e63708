"""Rows onto the server, added by key. What differs from what is there is listed, never overwritten.

Rows are copied into a temporary table and added from there; records of which the server has none are copied straight
into their tables, which costs half as much.

One batch at a time adds rows, of all offices: the second waits. So what was looked up a moment ago still holds, no two
batches can block each other for good, and fish lie on the server in the order of their days.
"""

from collections.abc import Iterable, Sequence
from typing import Any

from psycopg import Connection

from office.publish.shapes import SHAPES, Shape

Row = Sequence[Any]


class Staging:
    """The temporary tables of one connection, emptied with each commit. All within the caller's transaction."""

    def __init__(self, connection: Connection, office_id: str) -> None:
        self._connection = connection
        self._office_id = office_id
        for shape in SHAPES:
            self._run(
                f"CREATE TEMPORARY TABLE {shape.stage} ON COMMIT DELETE ROWS AS "
                f"SELECT {', '.join(shape.columns)} FROM {shape.table} WITH NO DATA"
            )
        for record in ("fish", "batch"):
            for name in ("brought", "known"):
                self._run(
                    f'CREATE TEMPORARY TABLE {name}_{record} (id text COLLATE "C") ON COMMIT DELETE ROWS'
                )

    def wait_for_turn(self) -> None:
        """Until the end of this transaction nobody else publishes."""
        self._run(f"SELECT pg_advisory_xact_lock({TURN})")

    def copy(self, shape: Shape, rows: Iterable[Row]) -> int:
        """Put the rows into the temporary table; how many."""
        return self._copy(f"{shape.stage} ({', '.join(shape.columns)})", rows)

    def known(self, record: Shape, keys: Iterable[Row]) -> int:
        """How many of the records with these keys are on the server. Asked before `add_new` or `add_records`."""
        self._copy(f"brought_{record.table}", keys)
        return self._run(
            f"INSERT INTO known_{record.table} SELECT id FROM brought_{record.table} "
            f"JOIN {record.table} ON {record.keys[0]} = id"
        )

    def add_new(self, shape: Shape, rows: Iterable[Row]) -> int:
        """Copy rows of records that are not `known` straight into their table; how many."""
        if shape.table in _WITHOUT_ORIGIN:
            return self._copy(f"{shape.table} ({', '.join(shape.columns)})", rows)
        office = (self._office_id,)
        return self._copy(
            f"{shape.table} ({', '.join(shape.columns)}, office_id)", ((*row, *office) for row in rows)
        )

    def _copy(self, target: str, rows: Iterable[Row]) -> int:
        count = 0
        with self._connection.cursor().copy(f"COPY {target} FROM STDIN") as copy:
            write = copy.write_row
            for row in rows:
                write(row)
                count += 1
        return count

    def add_once(self, shape: Shape, staged: int) -> tuple[int, int]:
        """Add rows whose key is new: (how many were, how many conflicts are new)."""
        if not staged:
            return 0, 0
        added = self._run(
            f"{self._insert(shape)} FROM {shape.stage} ON CONFLICT ({', '.join(shape.keys)}) DO NOTHING"
        )
        return added, 0 if added == staged else self._list_differing(shape, "true")

    def add_newer(self, shape: Shape, staged: int) -> tuple[int, int]:
        """Add rows, or put them in place of what was told earlier. Told at the same time and different: a conflict."""
        if not staged:
            return 0, 0
        values = [column for column in shape.columns if column not in shape.keys]
        taken = ", ".join(f"{column} = excluded.{column}" for column in values)
        added = self._run(
            f"{self._insert(shape)} FROM {shape.stage} ON CONFLICT ({', '.join(shape.keys)}) "
            f"DO UPDATE SET {taken} WHERE excluded.told_s > {shape.table}.told_s"
        )
        return added, 0 if added == staged else self._list_differing(shape, "s.told_s = t.told_s")

    def add_records(self, record: Shape, parts: Sequence[Shape]) -> tuple[int, int]:
        """Add the copied records that are not `known`, with their parts. A known one must be the same in all of them."""
        new = f"WHERE {record.keys[0]} NOT IN (SELECT id FROM known_{record.table})"
        added = self._run(f"{self._insert(record)} FROM {record.stage} {new}")
        for part in parts:
            self._run(f"{self._insert(part)} FROM {part.stage} {new}")
        return added, self._list_differing_records(record, parts)

    def replace_all(self, shape: Shape) -> int:
        """Make the rows those of this office, in place of what it gave before; 0 if they were the same."""
        names = ", ".join(shape.columns)
        mine = f"SELECT {names} FROM {shape.table} WHERE office_id = %(office)s"
        staged = f"SELECT {names} FROM {shape.stage}"
        same = self._connection.execute(
            f"SELECT NOT EXISTS (({mine}) EXCEPT ALL ({staged})) AND NOT EXISTS (({staged}) EXCEPT ALL ({mine}))",
            {"office": self._office_id},
        ).fetchone()
        if same and same[0]:
            return 0
        self._run(f"DELETE FROM {shape.table} WHERE office_id = %(office)s")
        return self._run(f"{self._insert(shape)} FROM {shape.stage}")

    def _insert(self, shape: Shape) -> str:
        names = ", ".join(shape.columns)
        if shape.table in _WITHOUT_ORIGIN:
            return f"INSERT INTO {shape.table} ({names}) SELECT {names}"
        return f"INSERT INTO {shape.table} ({names}, office_id) SELECT {names}, %(office)s"

    def _list_differing(self, shape: Shape, where: str) -> int:
        theirs, ours = (", ".join(f"{row}.{column}" for column in shape.compared) for row in "st")
        record = " || ' ' || ".join(f"s.{key}" for key in shape.keys)
        return self._list(
            shape.table,
            f"SELECT {record} AS record_id, to_jsonb(t) - {_OURS_ALONE} AS here, to_jsonb(s) AS theirs "
            f"FROM {shape.stage} AS s JOIN {shape.table} AS t USING ({', '.join(shape.keys)}) "
            f"WHERE ({where}) AND ROW({theirs}) IS DISTINCT FROM ROW({ours})",
        )

    def _list_differing_records(self, record: Shape, parts: Sequence[Shape]) -> int:
        (key,) = record.keys
        known = f"{key} IN (SELECT id FROM known_{record.table})"
        theirs, ours = (", ".join(f"{row}.{column}" for column in record.compared) for row in "st")
        differing = [
            f"SELECT s.{key} FROM {record.stage} AS s JOIN {record.table} AS t USING ({key}) "
            f"WHERE ROW({theirs}) IS DISTINCT FROM ROW({ours})"
        ]
        whole = {name: [f"'{record.table}', to_jsonb({name}) - {_OURS_ALONE}"] for name in "st"}
        for part in parts:
            names = ", ".join(part.columns)
            first = " AND later = 0" if "later" in part.columns else ""
            there = f"SELECT {names} FROM {part.stage} WHERE {known}"
            here = f"SELECT {names} FROM {part.table} WHERE {known}{first}"
            for one, other in ((there, here), (here, there)):
                differing.append(f"SELECT {key} FROM (({one}) EXCEPT ALL ({other})) AS d")
            order = ", ".join(f"p.{column}" for column in part.keys)
            for name, table, which in (("s", part.stage, ""), ("t", part.table, first)):
                whole[name].append(
                    f"'{part.table}', (SELECT jsonb_agg(to_jsonb(p) ORDER BY {order}) FROM {table} AS p "
                    f"WHERE p.{key} = s.{key}{which})"
                )
        return self._list(
            record.table,
            f"SELECT s.{key} AS record_id, jsonb_build_object({', '.join(whole['t'])}) AS here, "
            f"jsonb_build_object({', '.join(whole['s'])}) AS theirs FROM {record.stage} AS s "
            f"JOIN {record.table} AS t USING ({key}) WHERE s.{known} AND s.{key} IN ({' UNION '.join(differing)})",
        )

    def _list(self, table: str, differing: str) -> int:
        """Keep what differs in the table of conflicts; how many are new there. The same one is listed once."""
        return self._run(
            'INSERT INTO conflict (conflict_id, office_id, "table", record_id, here, theirs) '
            f"SELECT md5('{table} ' || record_id || theirs::text), %(office)s, '{table}', record_id, here, theirs "
            f"FROM ({differing}) AS d ORDER BY 1 ON CONFLICT (conflict_id) DO NOTHING"
        )

    def _run(self, statement: str) -> int:
        """Run a statement of ours and return how many rows it touched."""
        parameters = {"office": self._office_id} if "%(office)s" in statement else None
        return self._connection.execute(statement, parameters).rowcount


TURN = 0x54574C32  # "TWL2"
_OURS_ALONE = "ARRAY['office_id', 'published_at']"
_WITHOUT_ORIGIN = ("fish_tag", "reading", "finding", "observation", "batch_reading")
