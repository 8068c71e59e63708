"""Records of an office database as their amendments see them: found by the beginning of an id, read as text."""

import sqlite3
from typing import Literal

from ingest.store.amendment_order import placed
from office.corrections import Timeline, Values, corrections_of, number_text

Kind = Literal["fish", "batch"]
OBSERVED = ("sex", "mark", "maturity", "anomaly", "sample")
_SHORTEST = 4

_FISH = (
    "bench", "survey_id", "run_no", "worked_up_at", "species", "tag", "tag_status", "length_mm", "length_type",
    "weight_g", "weight_quality", "fate", "relative_weight", "individual_id", "note", "status",
)  # fmt: skip
_BATCH = ("species", "fate", "note")
_AMENDMENT = "amendment_id, at, who, why, field, old, new, journal_id, n"


class RecordNotFoundError(Exception):
    """What was named is not there, or is not final. One sentence."""


def find_record(connection: sqlite3.Connection, written: str) -> tuple[Kind, str]:
    """The closed fish or batch that an id, or the beginning of one, means. Raises RecordNotFoundError."""
    wanted = written.strip().lower()
    found: list[tuple[Kind, str, int]] = []
    if len(wanted) >= _SHORTEST:
        found += [("fish", key, closed) for key, closed in _starting(connection, "fish", "fish_id", wanted)]
        found += [
            ("batch", key, closed) for key, closed in _starting(connection, "batch", "batch_id", wanted)
        ]
    if not found:
        raise RecordNotFoundError(
            f'There is no fish or batch "{written}": give at least the first {_SHORTEST} characters of its id.'
        )
    if len(found) > 1:
        ids = ", ".join(key for _, key, _ in found)
        raise RecordNotFoundError(f'"{written}" begins the id of several records ({ids}): write more of it.')
    ((kind, key, closed),) = found
    if not closed:
        raise RecordNotFoundError(
            f"{kind.capitalize()} {key} is still open at its station: amend it once it is closed."
        )
    return kind, key


def _starting(connection: sqlite3.Connection, table: Kind, key: str, wanted: str) -> list[tuple[str, int]]:
    # A range, not a function of the column: so the index finds it.
    query = (
        f"SELECT {key}, closed FROM {table} WHERE {key} >= ?1 AND {key} < ?1 || '~' ORDER BY {key} LIMIT 9"
    )
    return connection.execute(query, (wanted,)).fetchall()


def record_of_amendment(connection: sqlite3.Connection, written: str) -> tuple[Kind, str, str]:
    """The record that an amendment belongs to, and the amendment's whole id. Raises RecordNotFoundError."""
    wanted = written.strip().lower()
    found: list[tuple[Kind, str, str]] = []
    if len(wanted) >= _SHORTEST:
        for kind, table in (("fish", "amendment"), ("batch", "batch_amendment")):
            query = (
                f"SELECT {kind}_id, amendment_id FROM {table} WHERE amendment_id >= ?1 AND amendment_id < ?1 || '~' "
                "LIMIT 9"
            )
            found += [
                ("fish" if kind == "fish" else "batch", *row) for row in connection.execute(query, (wanted,))
            ]
    if not found:
        raise RecordNotFoundError(
            f'There is no amendment "{written}": give at least the first {_SHORTEST} characters of its id.'
        )
    if len(found) > 1:
        ids = ", ".join(key for _, _, key in found)
        raise RecordNotFoundError(
            f'"{written}" begins the id of several amendments ({ids}): write more of it.'
        )
    return found[0]


def timeline(connection: sqlite3.Connection, kind: Kind, record_id: str) -> tuple[Timeline, Values]:
    """A record as it was saved with its corrections, and every field as the views show it now."""
    if kind == "fish":
        saved = _row(connection, f"SELECT {', '.join(_FISH)} FROM fish WHERE fish_id = ?", record_id)
        saved["void"] = "1" if saved["status"] == "void" else "0"
        rows = connection.execute(
            "SELECT kind, group_concat(text, '; ') FROM (SELECT * FROM observation WHERE fish_id = ? ORDER BY seq) "
            "GROUP BY kind",
            (record_id,),
        )
        seen = dict(rows.fetchall())
        saved |= {name: seen.get(name) for name in OBSERVED}
        amended = _row(
            connection, f"SELECT {', '.join(_FISH)}, void FROM amended WHERE fish_id = ?", record_id
        )
        of_it = f"SELECT {_AMENDMENT} FROM ({placed('amendment', 'fish_id')}) WHERE fish_id = ?"
    else:
        saved = _row(connection, f"SELECT {', '.join(_BATCH)} FROM batch WHERE batch_id = ?", record_id)
        saved["void"] = "0"
        amended = {}
        of_it = f"SELECT {_AMENDMENT} FROM ({placed('batch_amendment', 'batch_id')}) WHERE batch_id = ?"
    in_order = connection.execute(f"{of_it} ORDER BY counts_at, origin, seq", (record_id,)).fetchall()
    corrections = corrections_of(in_order)
    # Where there is no table of amended values, the newest amendment of each field is the one that counts.
    now = saved | {change.field: change.new for one in corrections for change in one.changes} | amended
    return Timeline(saved, corrections), now


def _row(connection: sqlite3.Connection, query: str, record_id: str) -> Values:
    cursor = connection.execute(query, (record_id,))
    names = [column[0] for column in cursor.description]
    row = cursor.fetchone()
    return {} if row is None else {name: _text(value) for name, value in zip(names, row, strict=True)}


def _text(value: object) -> str | None:
    if value is None or isinstance(value, str):
        return value
    return number_text(value) if isinstance(value, float) else str(value)
