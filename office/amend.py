"""Corrections in the open: what the office amends, judged as at the station, all of it or nothing.

Nothing is updated in place. A correction of one record has one number in the office's own journal and holds every
field that it changes, with those that follow from them (relative weight, weight quality, tag status, individual), so
that the views show one consistent fish. Undoing is another correction. A list is judged as a whole: two fish that
swap their tags are right only together.
"""

import json
import sqlite3
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

from ingest.catch_records import AmendBatch
from ingest.records import AddFinding, Amend, Change, Finding, Severity, derived_id
from ingest.species import SpeciesBook
from ingest.store import FrameRow
from ingest.store.writer import Writer
from office.amend_judge import Judge
from office.amend_values import ValueRefusedError, read_value, same_value
from office.corrections import FOLLOWS, LEFT_EMPTY, Correction, Timeline, Values, undo_id
from office.database import OfficeDatabase
from office.record_state import Kind, RecordNotFoundError, find_record, record_of_amendment, timeline


@dataclass(frozen=True, slots=True)
class Wanted:
    """What somebody wants amended in one record.

    record: its id, or the beginning of it. changes: the field and what was written for it, "" for an empty value.
    expects: what must stand there now, as written. line: the line of a list.
    """

    record: str
    changes: Mapping[str, str]
    why: str
    expects: Mapping[str, str] = field(default_factory=dict)
    line: int | None = None


@dataclass(slots=True)
class Verdict:
    """What becomes of one wish. `changes` are all fields that change, as (field, old, new); `findings` what the
    checks say of the amended fish, the serious ones first; `needs_confirm`: some are serious and new; `status` is the
    fish's own after it."""

    record_id: str | None
    kind: Kind
    line: int | None = None
    refused: str | None = None
    needs_confirm: bool = False
    changes: list[tuple[str, str | None, str | None]] = field(default_factory=list)
    amendment_ids: list[str] = field(default_factory=list)
    findings: tuple[Finding, ...] = ()
    status: str | None = None

    @property
    def good(self) -> bool:
        return self.refused is None and not self.needs_confirm


@dataclass(slots=True)
class Outcome:
    """The verdicts in the order of the wishes; `stored` only if every one is good and it was no trial."""

    verdicts: list[Verdict]
    stored: bool


class _TakeBackError(Exception):
    """Ends a transaction that must leave no trace."""


@dataclass(frozen=True, slots=True)
class _Plan:
    """A record to be amended: its state now and the fields to be set."""

    record_id: str
    kind: Kind
    line: Timeline
    now: Values
    given: Values
    undoes: Correction | None
    why: str
    verdict: Verdict


class Amending:
    """Amends in one office database. `at` is the office's clock (RFC 3339 UTC)."""

    def __init__(self, office: OfficeDatabase, book: SpeciesBook, *, who: str, at: str) -> None:
        self._office = office
        self._connection = office.connection
        self._judge = Judge(office.connection, office.store.lookup, book)
        self._book = book
        self._who = who
        self._at = at

    def amend(self, wishes: Sequence[Wanted], *, confirm: bool = False, trial: bool = False) -> Outcome:
        """Amend every record as wanted, or none. A `trial` says what would happen and stores nothing.

        Serious findings that the record did not have before need `confirm`. Raises StoreTrouble.
        """
        seen: dict[str, int | None] = {}

        def plan(wish: Wanted) -> _Plan | Verdict:
            found = self._plan(wish)
            if isinstance(found, _Plan):
                if found.record_id in seen:
                    first = seen[found.record_id]
                    return _refusal(
                        f"{found.kind} {found.record_id} stands on line {first} too: put its changes on one line.",
                        found.verdict,
                    )
                seen[found.record_id] = wish.line
            return found

        return self._all_or_nothing([partial(plan, wish) for wish in wishes], confirm, trial)

    def undo(self, amendment_ids: Sequence[str], *, why: str, trial: bool = False) -> Outcome:
        """Take back the corrections that these amendments are part of, in this order; ids may be cut short.

        Each becomes another correction, to what the record would read had the first never been made. Raises
        StoreTrouble.
        """
        plans = [partial(self._plan_undo, written, why) for written in amendment_ids]
        return self._all_or_nothing(plans, True, trial, one_by_one=True)

    # --- one transaction --------------------------------------------------------------------------------------

    def _all_or_nothing(
        self,
        plans: Sequence[Callable[[], _Plan | Verdict]],
        confirm: bool,
        trial: bool,
        *,
        one_by_one: bool = False,
    ) -> Outcome:
        verdicts: list[Verdict] = []

        def work(connection: sqlite3.Connection) -> None:
            # A fish that moves to another survey has its new run only with the second amendment.
            connection.execute("PRAGMA defer_foreign_keys = ON")
            writer = Writer(connection)
            next_n = next_number(connection, self._office.office_id)
            groups = [[plan] for plan in plans] if one_by_one else [plans]
            for group in groups:
                judged = [make() for make in group]
                verdicts.extend(one.verdict if isinstance(one, _Plan) else one for one in judged)
                planned: list[tuple[_Plan, int, str]] = []
                for made in judged:
                    if isinstance(made, _Plan):
                        planned.append((made, next_n, made.line.next_at(self._at)))
                        self._write(writer, made, made.given, *planned[-1][1:])
                        next_n += 1
                for made, n, at in planned:
                    self._settle(writer, made, n, at, confirm)
            if trial or not all(verdict.good for verdict in verdicts):
                raise _TakeBackError

        try:
            self._office.write(work)
        except _TakeBackError:
            return Outcome(verdicts, stored=False)
        return Outcome(verdicts, stored=True)

    def _write(self, writer: Writer, plan: _Plan, fields: Values, n: int, at: str) -> None:
        """Amendments of these fields, and the frame that holds who wanted them and why."""
        if not plan.verdict.amendment_ids:
            body = {"who": self._who, "why": plan.why, plan.kind: plan.record_id, "fields": dict(plan.given)}
            if plan.undoes is not None:
                body["undoes"] = [change.amendment_id for change in plan.undoes.changes]
            data = json.dumps(body, sort_keys=True, ensure_ascii=False).encode()
            writer.apply((), (FrameRow(self._office.office_id, n, at, "office", data, "amend"),), None)
        changes: list[Change] = []
        for name, new in fields.items():
            index = len(plan.verdict.amendment_ids)
            amendment_id = _amendment_id(plan, name, self._office.office_id, n, index)
            plan.verdict.amendment_ids.append(amendment_id)
            plan.verdict.changes.append((name, plan.now.get(name), new))
            row = (amendment_id, plan.record_id, at, self._who, plan.why, name, plan.now.get(name), new)
            made = Amend if plan.kind == "fish" else AmendBatch
            changes.append(made(*row, self._office.office_id, n))
        writer.apply(changes, (), None)

    def _settle(self, writer: Writer, plan: _Plan, n: int, at: str, confirm: bool) -> None:
        """What follows from the fields that were set, and what the checks say of the fish as it reads then."""
        if plan.kind == "batch":
            return
        state = plan.now | plan.given
        follow: Values = {}
        for name, bases in FOLLOWS.items():
            if name in plan.given or not set(bases) & ((plan.given | follow).keys()):
                continue
            known = plan.line.remembered(name, state)
            state[name] = known[0] if known else self._judge.follows(name, plan.record_id, state)
            if state[name] != plan.now.get(name) or name in LEFT_EMPTY:
                follow[name] = state[name]
        self._write(writer, plan, follow, n, at)
        verdict = plan.verdict
        verdict.changes = [change for change in verdict.changes if change[1] != change[2]]
        verdict.status = state["status"]
        verdict.findings = self._judge.findings(plan.record_id, state)
        before = self._judge.findings(plan.record_id, plan.now)
        new = [one for one in verdict.findings if one.severity is Severity.SERIOUS and one not in before]
        if new and plan.undoes is None:
            verdict.needs_confirm = not confirm
            settled = [
                AddFinding(plan.record_id, replace(one, settled=True), self._office.office_id, n)
                for one in new
            ]
            writer.apply(settled, (), None)

    # --- what is wanted ---------------------------------------------------------------------------------------

    def _plan(self, wish: Wanted) -> _Plan | Verdict:
        verdict = Verdict(None, "fish", wish.line)
        try:
            kind, record_id = find_record(self._connection, wish.record)
            verdict.record_id, verdict.kind = record_id, kind
            line, now = timeline(self._connection, kind, record_id)
            for name, written in wish.expects.items():
                if not same_value(name, written, now.get(name)):
                    shown = "empty" if now.get(name) is None else now[name]
                    return _refusal(
                        f'{name} is {shown} now, not "{written}" as the list says: look at it again.', verdict
                    )
            given = {
                name: read_value(name, written, self._book, kind) for name, written in wish.changes.items()
            }
            changed = {name for name, new in given.items() if new != now.get(name)}
            # What follows from a changed field stays as somebody wrote it, even if it stood so before.
            given = {
                name: new
                for name, new in given.items()
                if name in changed or changed & {*FOLLOWS.get(name, ())}
            }
            self._fits(kind, now | given)
        except (RecordNotFoundError, ValueRefusedError) as error:
            return _refusal(str(error), verdict)
        if not given:
            return _refusal("Nothing would change: it reads so already.", verdict)
        if not wish.why.strip():
            return _refusal("Say why it is amended.", verdict)
        return _Plan(record_id, kind, line, now, given, None, wish.why.strip(), verdict)

    def _plan_undo(self, written: str, why: str) -> _Plan | Verdict:
        verdict = Verdict(None, "fish")
        try:
            kind, record_id, amendment_id = record_of_amendment(self._connection, written)
        except RecordNotFoundError as error:
            return _refusal(str(error), verdict)
        verdict.record_id, verdict.kind = record_id, kind
        line, now = timeline(self._connection, kind, record_id)
        correction = line.find(amendment_id)
        undone = line.undone_by(correction)
        if undone is not None:
            return _refusal(
                f"It was undone on {undone.at[:10]} already, by amendment {_first(undone)}.", verdict
            )
        correction = line.to_undo(correction)
        later = line.standing_on(correction)
        if later is not None:
            said = (
                f"Amendment {_first(later)} of {later.at[:10]} changed the same value later: undo that first."
            )
            return _refusal(said, verdict)
        target = line.without(correction)
        fields = correction.fields
        own = [one.field for one in correction.changes if not fields & {*FOLLOWS.get(one.field, ())}]
        given = {name: target.get(name) for name in own}
        return _Plan(record_id, kind, line, now, given, correction, why.strip() or "undone", verdict)

    def _fits(self, kind: Kind, state: Values) -> None:
        """Raises ValueRefusedError: the amended values do not go together."""
        if kind == "batch":
            return
        survey, run = state.get("survey_id"), state.get("run_no")
        if not self._connection.execute("SELECT 1 FROM survey WHERE survey_id = ?", (survey,)).fetchone():
            raise ValueRefusedError(f'There is no survey with the id "{survey}".')
        known = self._connection.execute(
            "SELECT 1 FROM run WHERE survey_id = ? AND run_no = ?", (survey, run)
        )
        if run is not None and not known.fetchone():
            raise ValueRefusedError(f"The survey of this fish has no run {run}.")
        if state.get("length_mm") is not None and state.get("length_type") is None:
            raise ValueRefusedError(
                "A length needs its type: give length_type=TL (total), FL (fork) or SL too."
            )


def next_number(connection: sqlite3.Connection, office_id: str) -> int:
    """The number of the next correction in this office's own journal, from 1."""
    rows = connection.execute(
        "SELECT max(n) FROM (SELECT n FROM amendment WHERE journal_id = ?1 UNION ALL "
        "SELECT n FROM batch_amendment WHERE journal_id = ?1 UNION ALL SELECT n FROM frame WHERE journal_id = ?1)",
        (office_id,),
    )
    (last,) = rows.fetchone()
    return 1 if last is None else int(last) + 1


def _amendment_id(plan: _Plan, name: str, office_id: str, n: int, index: int) -> str:
    """An undoing bears the id that follows from what it undoes: so each correction is taken back only once."""
    if plan.undoes is not None:
        for change in plan.undoes.changes:
            if change.field == name:
                return undo_id(change.amendment_id)
        return undo_id(plan.undoes.changes[0].amendment_id, index + 1)
    return derived_id("amendment" if plan.kind == "fish" else "batch amendment", office_id, n, index)


def _first(correction: Correction) -> str:
    return correction.changes[0].amendment_id[:8]


def _refusal(sentence: str, verdict: Verdict) -> Verdict:
    verdict.refused = sentence
    return verdict
