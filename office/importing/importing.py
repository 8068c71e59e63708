"""Takes a table of fish from elsewhere into an office database: every row judged, nothing twice, nothing overwritten.

A trial goes the very same way and is taken back at the end. A row that is stored already changes nothing; one that is
stored with other values is shown value by value and left to an amendment.
"""

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from hashlib import sha256
from typing import Literal

from ingest.frames import rfc3339
from ingest.records import Finding
from ingest.species import SpeciesBook
from office.corrections import Values, number_text
from office.database import OfficeDatabase
from office.importing.known import Earlier, earlier_imports, fish_ids, gone, match, replaced, survey_id_of
from office.importing.mapping import ImportMapping
from office.importing.rows import ProposedFish, RefusedRow, propose
from office.importing.tables import read_rows
from office.importing.taking import Taking, run_of
from office.record_state import timeline


@dataclass(frozen=True, slots=True)
class Difference:
    """A value that the file has otherwise than the stored fish; both as the text of an amendment. amendable: `file` can
    be written into an amendment of `field` as it is."""

    field: str
    stored: str | None
    file: str | None
    amendable: bool = True


@dataclass(slots=True)
class RowVerdict:
    """What becomes of one row. `known`: stored already. `differs`: stored with other values, nothing is changed."""

    number: int
    kind: Literal["new", "known", "differs", "refused"]
    fish_id: str | None = None
    row: ProposedFish | None = None
    species: str | None = None
    status: str | None = None
    tag_status: str | None = None
    reasons: tuple[str, ...] = ()
    differences: tuple[Difference, ...] = ()
    findings: tuple[Finding, ...] = ()


@dataclass(slots=True)
class ImportOutcome:
    """The verdicts in the order of the table.

    new_waters: waters that no record knew, with a known one that looks alike. gone: fish of an earlier file of this name
    that this one tells of no more, with their row there. stored: it was no trial.
    """

    verdicts: list[RowVerdict] = field(default_factory=list)
    new_waters: dict[str, str | None] = field(default_factory=dict)
    gone: dict[str, int] = field(default_factory=dict)
    stored: bool = False

    def of(self, kind: str) -> list[RowVerdict]:
        return [one for one in self.verdicts if one.kind == kind]


class _TakeBackError(Exception):
    """Ends a transaction that must leave no trace."""


class Importing:
    """Imports into one office database. `at` is the office's clock; who: whoever imports, by code."""

    def __init__(self, office: OfficeDatabase, book: SpeciesBook, *, who: str, at: datetime) -> None:
        self._office = office
        self._book = book
        self._who = who
        self._at = at

    def run(
        self, data: bytes, name: str, mapping: ImportMapping, mapping_text: str, *, trial: bool
    ) -> ImportOutcome:
        """Take in what can be taken of the file `name`. A `trial` says what would happen and stores nothing.

        Raises TableRefusedError (the file as a whole cannot be read), StoreTrouble, RecordRefused.
        """
        rows = propose(read_rows(data, name, mapping), mapping, self._book, self._at)
        file = _File(name, sha256(data).hexdigest(), mapping, mapping_text)
        outcome = ImportOutcome()

        def work(connection: sqlite3.Connection) -> None:
            self._import(connection, rows, file, outcome)
            if trial:
                raise _TakeBackError

        try:
            self._office.write(work)
        except _TakeBackError:
            return outcome
        outcome.stored = True
        return outcome

    def _import(
        self,
        connection: sqlite3.Connection,
        rows: Sequence[ProposedFish | RefusedRow],
        file: "_File",
        outcome: ImportOutcome,
    ) -> None:
        mapping = file.mapping
        verdicts = {
            one.number: RowVerdict(one.number, "refused", reasons=one.reasons)
            for one in rows
            if isinstance(one, RefusedRow)
        }
        proposals = []
        keys: dict[str, int] = {}
        for one in rows:
            if isinstance(one, ProposedFish):
                if one.key is not None and keys.setdefault(one.key, one.number) != one.number:
                    said = f'The key "{one.key}" stands on row {keys[one.key]} too: give each row its own.'
                    verdicts[one.number] = RowVerdict(one.number, "refused", row=one, reasons=(said,))
                else:
                    proposals.append(one)
        earlier = earlier_imports(connection, file.name, file.journal_id, mapping.name)
        ids = fish_ids(proposals, mapping.name, mapping.kind)
        matched = match(proposals, ids, earlier, connection)
        instead = replaced(proposals, mapping.kind, earlier, matched, connection)
        taking = Taking(
            connection, self._office.store.lookup, self._book, mapping, file.journal_id, self._now()
        )
        for one in sorted(proposals, key=lambda one: (one.at, one.number)):
            if one.number in matched:
                verdicts[one.number] = self._known(connection, one, matched[one.number], mapping)
            elif one.number in instead:
                verdicts[one.number] = _refused_for(one, instead[one.number], earlier)
            else:
                fish = taking.take(one, ids[one.number][0])
                verdicts[one.number] = RowVerdict(
                    one.number, "new", fish.fish_id, one, fish.species, fish.status.value, fish.tag_status.value,
                    findings=fish.findings,
                )  # fmt: skip
        outcome.verdicts = [verdicts[number] for number in sorted(verdicts)]
        outcome.new_waters = taking.new_waters
        spoken_of = set(instead.values())
        refused = {one.number for one in outcome.of("refused")}
        outcome.gone = {
            fish_id: n
            for fish_id, n in gone(earlier, matched).items()
            if fish_id not in spoken_of and n not in refused
        }
        self._remember(connection, file, outcome)

    def _known(
        self, connection: sqlite3.Connection, row: ProposedFish, fish_id: str, mapping: ImportMapping
    ) -> RowVerdict:
        line, now = timeline(connection, "fish", fish_id)
        found = tuple(_differences(connection, row, mapping, line.saved, now))
        kind: Literal["differs", "known"] = "differs" if found else "known"
        return RowVerdict(
            row.number,
            kind,
            fish_id,
            row,
            now["species"],
            now["status"],
            now["tag_status"],
            differences=found,
        )

    def _remember(self, connection: sqlite3.Connection, file: "_File", outcome: ImportOutcome) -> None:
        """Which fish each row tells of; a file that comes again and brings nothing leaves no trace."""
        told = [one for one in outcome.verdicts if one.fish_id is not None]
        taken = len(outcome.of("new"))
        again = connection.execute(
            "SELECT 1 FROM imported_file WHERE journal_id = ? AND file = ? AND mapping = ?",
            (file.journal_id, file.name, file.mapping_text),
        ).fetchone()
        if not told or (again and not taken):
            return
        cursor = connection.execute(
            "INSERT INTO imported_file (sha256, file, journal_id, mapping_name, mapping, at, who, n_rows, n_taken) "
            "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                file.sha256, file.name, file.journal_id, file.mapping.name, file.mapping_text, self._now(), self._who,
                len(outcome.verdicts), taken,
            ),
        )  # fmt: skip
        connection.executemany(
            "INSERT INTO imported_row VALUES (?, ?, ?, ?)",
            [(cursor.lastrowid, one.number, one.fish_id, one.row.key if one.row else None) for one in told],
        )

    def _now(self) -> str:
        return rfc3339(self._at.timestamp())


@dataclass(frozen=True, slots=True)
class _File:
    """The file that is being imported. A sheet that the mapping names counts as a file of its own."""

    path_name: str
    sha256: str
    mapping: ImportMapping
    mapping_text: str

    @property
    def name(self) -> str:
        sheet = self.mapping.file.sheet
        return f"{self.path_name}, sheet {sheet}" if sheet else self.path_name

    @property
    def journal_id(self) -> str:
        sheet = self.mapping.file.sheet
        return f"import:{self.sha256}:{sheet}" if sheet else f"import:{self.sha256}"


def _refused_for(row: ProposedFish, fish_id: str, earlier: Earlier) -> RowVerdict:
    said = (
        f"It seems to be row {earlier.rows[fish_id]} of an earlier file of this name, with other values: amend fish "
        f"{fish_id[:8]}, or void it first if this is another fish."
    )
    return RowVerdict(row.number, "refused", row=row, reasons=(said,))


def _differences(
    connection: sqlite3.Connection, row: ProposedFish, mapping: ImportMapping, saved: Values, now: Values
) -> list[Difference]:
    """What the row says otherwise. A value that reads as it was saved, or as it was amended to, is no difference."""
    survey_id = survey_id_of(row, mapping.kind)
    wanted: Values = {
        "worked_up_at": rfc3339(row.at.timestamp()),
        "tag": row.tag,
        "length_mm": number_text(row.length_mm),
        "weight_g": number_text(row.weight_g),
        "fate": row.fate,
        "note": row.note,
        "survey_id": survey_id,
    }
    if row.species is not None:
        wanted["species"] = row.species
    if row.length_mm is not None:
        wanted["length_type"] = mapping.units.length_type
    for what in row.left_out:  # a cell that cannot be read says nothing against a value
        wanted.pop({"length": "length_mm", "weight": "weight_g", "time": "worked_up_at"}[what])
        if what == "length":
            wanted.pop("length_type", None)
    found = [
        Difference(name, now.get(name), value)
        for name, value in wanted.items()
        if value not in (saved.get(name), now.get(name))
    ]
    return [*_moves(connection, row, survey_id, found), *_other_run(connection, row, survey_id, saved, now)]


def _moves(
    connection: sqlite3.Connection, row: ProposedFish, survey_id: str, found: list[Difference]
) -> list[Difference]:
    """A move to a survey that nobody has imported yet cannot be amended as it stands."""
    if connection.execute("SELECT 1 FROM survey WHERE survey_id = ?", (survey_id,)).fetchone():
        return found
    shown = f"{row.method} {row.day}, {row.water}"
    return [
        Difference(one.field, one.stored, shown, amendable=False) if one.field == "survey_id" else one
        for one in found
    ]


def _other_run(
    connection: sqlite3.Connection, row: ProposedFish, survey_id: str, saved: Values, now: Values
) -> list[Difference]:
    """The run of the row's survey, area and method, if the fish is in another one."""
    run_no = run_of(connection, survey_id, row)
    if run_no is not None:
        here = (survey_id, str(run_no))
        if here in ((one.get("survey_id"), one.get("run_no")) for one in (saved, now)):
            return []
        return [Difference("run_no", now.get("run_no"), str(run_no))]
    if survey_id not in (saved.get("survey_id"), now.get("survey_id")):
        return []  # the move says it
    return [Difference("run_no", now.get("run_no"), f"area {row.area or 'none'}", amendable=False)]
