"""A person decides a conflict. Ours stands already; theirs comes into force by amendments, never in place.

Only the rows that a station itself writes anew (survey, run, treatment) are written anew for theirs as well. Of what
no amendment can say (a reading, a frame, a sighting) theirs cannot come into force: it stays in the conflict.
"""

import json
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from ingest.catch_records import AmendBatch
from ingest.records import Amend, derived_id
from ingest.store import FrameRow
from ingest.store.writer import Writer
from office.amend import next_number
from office.conflicts import Conflict, conflicts
from office.corrections import number_text
from office.database import OfficeDatabase
from office.record_state import Kind, timeline

_FISH_FIELDS = (
    "survey_id", "run_no", "bench", "worked_up_at", "species", "tag", "tag_status", "length_mm", "length_type",
    "weight_g", "weight_quality", "fate", "status", "note",
)  # fmt: skip
_FOLLOWS = {
    "relative_weight": ("species", "length_mm", "length_type", "weight_g"),
    "individual_id": ("tag",),
}
_PLACE = {"survey_id", "run_no"}
_BATCH_FIELDS = ("species", "fate", "note")
_WRITTEN_ANEW = {"survey": ("survey_id",), "run": ("survey_id", "run_no"), "treatment": ("treatment_id",)}
_BATCH_KINDS = ("batch", "batch_amendment", "both amended batch")

Fields = dict[str, str | None]


class DecisionRefusedError(Exception):
    """The conflict was not decided. One sentence."""


@dataclass(frozen=True, slots=True)
class Decided:
    """What was decided, and what that did, in a sentence."""

    conflict_id: str
    keep: str
    who: str
    why: str
    did: str


def decide_conflict(
    office: OfficeDatabase, written: str, keep: str, *, who: str, why: str, at: str
) -> Decided:
    """Decide the conflict whose id is, or begins with, what is written. `at` is the office's clock (RFC 3339 UTC).

    Raises DecisionRefusedError, StoreTrouble, RecordRefused; then nothing was changed.
    """
    if keep not in ("ours", "theirs"):
        raise DecisionRefusedError(f'"{keep}" is neither ours nor theirs: give one of the two.')
    if not who.strip() or not why.strip():
        raise DecisionRefusedError("Say who decides (--who) and why (--why).")
    conflict = _find(office.connection, written)
    done: list[Decided] = []

    def work(connection: sqlite3.Connection) -> None:
        did = _Deciding(connection, office.office_id, conflict, keep, who.strip(), why.strip(), at).run()
        decided = Decided(conflict.conflict_id, keep, who.strip(), why.strip(), did)
        connection.execute(
            "INSERT INTO decision (conflict_id, at, keep, who, why, did) VALUES (?, ?, ?, ?, ?, ?)",
            (decided.conflict_id, at, decided.keep, decided.who, decided.why, decided.did),
        )
        done.append(decided)

    office.write(work)
    return done[0]


def _find(connection: sqlite3.Connection, written: str) -> Conflict:
    wanted = written.strip().lower()
    found = [
        one for one in conflicts(connection, decided=None) if wanted and one.conflict_id.startswith(wanted)
    ]
    if not found:
        raise DecisionRefusedError(
            f'There is no conflict "{written}": tallywell office conflicts list shows them.'
        )
    if len(found) > 1:
        raise DecisionRefusedError(f'"{written}" begins the id of {len(found)} conflicts: write more of it.')
    (conflict,) = found
    if conflict.decision is not None:
        said = conflict.decision
        raise DecisionRefusedError(
            f"{said['who']} decided this conflict on {said['at'][:10]} ({said['keep']}): amend the record if that was wrong."
        )
    return conflict


@dataclass(frozen=True, slots=True)
class _Deciding:
    connection: sqlite3.Connection
    office_id: str
    conflict: Conflict
    keep: str
    who: str
    why: str
    at: str

    def run(self) -> str:
        """Bring the decision into force; what that did, in a sentence."""
        kind = self.conflict.kind
        if kind.startswith("both amended"):
            chosen = self.conflict.ours if self.keep == "ours" else self.conflict.theirs
            return self._amend(self._correction(chosen))
        if self.keep == "ours":
            return "Nothing had to be changed."
        theirs = self.conflict.theirs
        if kind == "fish":
            return self._amend(self._fish_fields(theirs["fish"][0]))
        if kind == "batch":
            return self._amend(self._batch_fields(theirs["batch"][0]))
        if kind in ("amendment", "batch_amendment"):
            if theirs["field"] in _FOLLOWS:
                raise DecisionRefusedError(
                    f"{theirs['field']} follows from other values, so theirs cannot come into force alone: keep ours, and "
                    "decide or amend what it follows from."
                )
            return self._amend({theirs["field"]: theirs["new"]})
        if kind in _WRITTEN_ANEW:
            return self._write_anew(theirs)
        raise DecisionRefusedError(
            f"A {kind.replace('_', ' ')} cannot be amended, so theirs cannot come into force; both stay in the conflict: "
            "keep ours, and amend the fish that rests on it if need be."
        )

    def _correction(self, chosen: Mapping[str, Any]) -> Fields:
        """The value that counts, and what follows from it if the same correction said that too."""
        kind = self._kind()
        rows = self.connection.execute(
            f"SELECT field, new FROM {kind.table} WHERE {kind.key} = ? AND journal_id = ? AND n = ? ORDER BY seq",
            (chosen[kind.key], chosen["journal_id"], chosen["n"]),
        ).fetchall()
        follow = {name for name, bases in _FOLLOWS.items() if chosen["field"] in bases}
        if chosen["field"] in _PLACE:
            follow |= _PLACE
        return {name: new for name, new in rows if name in follow} | {chosen["field"]: chosen["new"]}

    def _fish_fields(self, theirs: Mapping[str, Any]) -> Fields:
        ours = self.conflict.ours["fish"][0]
        fields = {name: _text(theirs[name]) for name in _FISH_FIELDS if theirs[name] != ours[name]}
        for name, bases in _FOLLOWS.items():
            if theirs[name] != ours[name] or fields.keys() & set(bases):
                fields[name] = _text(theirs[name])
        if "status" in fields and "void" in (theirs["status"], ours["status"]):
            fields["void"] = "1" if theirs["status"] == "void" else "0"
            if theirs["status"] == "void":
                del fields["status"]
        return fields

    def _batch_fields(self, theirs: Mapping[str, Any]) -> Fields:
        ours = self.conflict.ours["batch"][0]
        if any(theirs[name] != ours[name] for name in theirs if name not in _BATCH_FIELDS):
            raise DecisionRefusedError(
                "Numbers and weights of a batch cannot be amended, so theirs cannot come into force: keep ours, or void "
                "the batch and count the fish anew."
            )
        return {name: theirs[name] for name in _BATCH_FIELDS if theirs[name] != ours[name]}

    def _amend(self, fields: Fields) -> str:
        kind = self._kind()
        # Of two amendments with one id, theirs may well be of another record than ours: what theirs says is said of it.
        record = self.conflict.theirs.get(kind.key) or self.conflict.record_id
        line, shown = timeline(self.connection, kind.name, record)
        changes = {name: new for name, new in fields.items() if shown.get(name) != new}
        for name, bases in _FOLLOWS.items():  # amending what it rests on empties it
            if name in fields and changes.keys() & set(bases):
                changes[name] = fields[name]
        if not changes:
            return "It reads so already: nothing had to be amended."
        if changes.keys() & _PLACE:
            self._has_run(shown | changes)
        n, at = next_number(self.connection, self.office_id), line.next_at(self.at)
        body = {"who": self.who, "why": self.why, "conflict": self.conflict.conflict_id, "fields": changes}
        data = json.dumps(body, sort_keys=True, ensure_ascii=False).encode()
        made = Amend if kind.table == "amendment" else AmendBatch
        amendments = [
            made(
                derived_id(kind.table.replace("_", " "), self.office_id, n, index),
                record,
                at,
                self.who,
                self.why,
                name,
                shown.get(name),
                new,
                self.office_id,
                n,
            )
            for index, (name, new) in enumerate(changes.items())
        ]
        frame = FrameRow(self.office_id, n, at, "office", data, "decide")
        Writer(self.connection).apply(amendments, (frame,), None)
        return f"Amended: {', '.join(changes)}."

    def _has_run(self, state: Fields) -> None:
        place = (state["survey_id"], state["run_no"])
        known = self.connection.execute("SELECT 1 FROM run WHERE survey_id = ? AND run_no = ?", place)
        if state["run_no"] is not None and not known.fetchone():
            raise DecisionRefusedError(
                f"The survey of this fish has no run {state['run_no']}: keep ours, and amend survey_id and run_no together."
            )

    def _kind(self) -> "_Kind":
        return _BATCH if self.conflict.kind in _BATCH_KINDS else _FISH

    def _write_anew(self, theirs: Mapping[str, Any]) -> str:
        keys = _WRITTEN_ANEW[self.conflict.kind]
        if theirs.get("water") is not None:
            self.connection.execute(
                "INSERT INTO water (water) VALUES (?) ON CONFLICT DO NOTHING", (theirs["water"],)
            )
        columns = [name for name in theirs if name not in keys]
        self.connection.execute(
            f"UPDATE {self.conflict.kind} SET {', '.join(f'{name} = ?' for name in columns)} "
            f"WHERE {' AND '.join(f'{key} = ?' for key in keys)}",
            [theirs[name] for name in (*columns, *keys)],
        )
        return f"The {self.conflict.kind} was written anew as theirs says."


@dataclass(frozen=True, slots=True)
class _Kind:
    name: Kind
    table: str
    key: str


_FISH = _Kind("fish", "amendment", "fish_id")
_BATCH = _Kind("batch", "batch_amendment", "batch_id")


def _text(value: object) -> str | None:
    if isinstance(value, float):
        return number_text(value)
    return None if value is None else str(value)
