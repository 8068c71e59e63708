"""Conflicts: what two sides hold different bytes of, both kept as JSON until a person has looked."""

import json
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from hashlib import sha256
from typing import Any

from ingest.records import derived_id
from office.merge_queries import FISH_PARTS, LATER_PARTS

_FIRST = " AND later = 0"  # what came to the fish after it was closed may still come, and is no difference


@dataclass(frozen=True, slots=True)
class Clash:
    """Two that should be one. `kind` is the table, or `both amended fish` (or `batch`) for two corrections of one
    value; `record_id` the key of the row. A fish or a batch is given whole, with its parts by table."""

    kind: str
    record_id: str
    fish_id: str | None
    ours: dict[str, Any]
    theirs: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Conflict:
    """A conflict that is listed. `decision` is the row of the decision; None while nobody has decided."""

    conflict_id: str
    found_at: str
    station: str
    kind: str
    record_id: str
    fish_id: str | None
    ours: dict[str, Any]
    theirs: dict[str, Any]
    decision: dict[str, Any] | None

    @property
    def differences(self) -> list[tuple[str, Any, Any]]:
        """(what, ours, theirs) for each value that differs; parts of a record as a whole."""
        ours, theirs = flat(self.kind, self.ours), flat(self.kind, self.theirs)
        return [
            (key, ours.get(key), theirs.get(key))
            for key in {**ours, **theirs}
            if ours.get(key) != theirs.get(key)
        ]


def flat(kind: str, whole: dict[str, Any]) -> dict[str, Any]:
    """The values of a record beside its other parts: of a fish its own columns, then its parts by table."""
    if kind not in ("fish", "batch"):
        return whole
    own = whole[kind][0] if whole.get(kind) else {}
    return {**own, **{name: rows for name, rows in whole.items() if name != kind}}


def list_clash(connection: sqlite3.Connection, clash: Clash, station: str, at: str) -> str | None:
    """List it, within the caller's transaction; its id, or None if it was listed before."""
    theirs = _json(clash.theirs)
    digest = sha256(theirs.encode()).hexdigest()
    conflict_id = derived_id("conflict", f"{clash.kind} {clash.record_id} {digest}", 0)
    listed = connection.execute(
        "INSERT INTO main.conflict (conflict_id, found_at, station, kind, record_id, fish_id, ours, theirs) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (conflict_id) DO NOTHING",
        (conflict_id, at, station, clash.kind, clash.record_id, clash.fish_id, _json(clash.ours), theirs),
    )
    return conflict_id if listed.rowcount else None


def conflicts(connection: sqlite3.Connection, *, decided: bool | None = False) -> list[Conflict]:
    """Those that nobody has decided, or (True) those that somebody has, or (None) all; in the order of finding."""
    cursor = connection.execute(
        "SELECT c.*, d.at, d.keep, d.who, d.why, d.did FROM conflict AS c LEFT JOIN decision AS d "
        "ON d.conflict_id = c.conflict_id WHERE ?1 IS NULL OR (d.conflict_id IS NOT NULL) = ?1 "
        "ORDER BY c.found_at, c.kind, c.record_id, c.conflict_id",
        (decided,),
    )
    return [_conflict(row) for row in cursor]


def _conflict(row: Sequence[Any]) -> Conflict:
    conflict_id, found_at, station, kind, record_id, fish_id, ours, theirs, at, keep, who, why, did = row
    decision = None if at is None else {"at": at, "keep": keep, "who": who, "why": why, "did": did}
    sides = json.loads(ours), json.loads(theirs)
    return Conflict(conflict_id, found_at, station, kind, record_id, fish_id, *sides, decision)


def fish_whole(connection: sqlite3.Connection, schema: str, fish_id: str) -> dict[str, Any]:
    """A fish as it was closed: its row and its parts, by table."""
    whole = {"fish": row_dicts(connection, f"SELECT * FROM {schema}.fish WHERE fish_id = ?", (fish_id,))}
    for name in FISH_PARTS:
        first = _FIRST if name in LATER_PARTS else ""
        query = f"SELECT * FROM {schema}.{name} WHERE fish_id = ?{first} ORDER BY seq"
        whole[name] = row_dicts(connection, query, (fish_id,))
    return whole


def batch_whole(connection: sqlite3.Connection, schema: str, batch_id: str) -> dict[str, Any]:
    """A batch with its readings, by table."""
    order = {"batch": "batch_id", "batch_reading": "seq"}
    return {
        name: row_dicts(
            connection, f"SELECT * FROM {schema}.{name} WHERE batch_id = ? ORDER BY {key}", (batch_id,)
        )
        for name, key in order.items()
    }


def row_dicts(connection: sqlite3.Connection, query: str, values: Sequence[object]) -> list[dict[str, Any]]:
    """The rows as JSON can hold them: bytes as {"hex": ...}."""
    cursor = connection.execute(query, values)
    names = [column[0] for column in cursor.description]
    return [dict(zip(names, map(_plain, row), strict=True)) for row in cursor]


def _plain(value: object) -> object:
    return {"hex": value.hex()} if isinstance(value, bytes) else value


def _json(whole: dict[str, Any]) -> str:
    return json.dumps(whole, ensure_ascii=False, sort_keys=True)
