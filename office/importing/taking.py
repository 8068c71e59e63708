"""A fish from elsewhere becomes a record: its survey, its run, the checks of the station, and the row behind it."""

from collections.abc import Iterator
from datetime import datetime, time, timedelta, tzinfo
from difflib import get_close_matches
from sqlite3 import Connection
from typing import Literal

from fishery.single import Relation
from ingest.frames import rfc3339
from ingest.records import (
    Finding,
    FishRecord,
    ReadingRecord,
    ReadingRole,
    RunMethod,
    SaveFish,
    SaveRun,
    SaveSurvey,
    Severity,
    Status,
    TagStatus,
)
from ingest.species import SpeciesBook
from ingest.store import FrameRow, Lookup
from ingest.store.writer import Writer
from office.amend_judge import Judge, number
from office.corrections import Values, number_text
from office.importing.cells import moment_of
from office.importing.known import KINDS, survey_id_of
from office.importing.mapping import ImportMapping
from office.importing.rows import ProposedFish

STATION = "import"
INSTRUMENT = "file"


class _YearlyJudge(Judge):
    """Compares a fish with its water as it was known when the year began: a table may hold a survey for each of a
    thousand days, and a fit for each of them would take hours."""

    def _relation(self, state: Values) -> Relation | None:
        slug = state["species"]
        water, opened_at = self._survey(state["survey_id"])
        if slug is None or water is None:
            return None
        key = (f"{water} {opened_at[:4]}", slug)
        if key not in self._relations:
            self._relations[key] = self._fit(water, f"{opened_at[:4]}-01-01T00:00:00Z", slug)
        return self._relations[key]


class Taking:
    """Stores fish of one file, within a transaction of the caller. Judge them in the order of their days: each sees
    those taken before it."""

    def __init__(
        self,
        connection: Connection,
        lookup: Lookup,
        book: SpeciesBook,
        mapping: ImportMapping,
        journal_id: str,
        at: str,
    ) -> None:
        self._connection = connection
        self._lookup = lookup
        self._judge = _YearlyJudge(connection, lookup, book)
        self._writer = Writer(connection)
        self._mapping = mapping
        self._zone: tzinfo = mapping.dates.zone
        self._journal_id = journal_id
        self._at = at
        self._waters: dict[str, str] = {
            one.casefold(): one for (one,) in connection.execute("SELECT water FROM water")
        }
        self.new_waters: dict[str, str | None] = {}
        """Waters that no record knew, and a known one that looks like it."""

    def take(self, row: ProposedFish, fish_id: str) -> FishRecord:
        """Store the fish as `fish_id` with the row behind it. Raises RecordRefused, sqlite3.Error."""
        survey_id = self._survey(row)
        fish = self._record(row, fish_id, survey_id, self._run(row, survey_id))
        frame = FrameRow(self._journal_id, row.number, self._at, INSTRUMENT, row.raw)
        self._writer.apply([SaveFish(fish)], [frame], None)
        return fish

    def _survey(self, row: ProposedFish) -> str:
        survey_id = survey_id_of(row, self._mapping.kind)
        if not self._connection.execute("SELECT 1 FROM survey WHERE survey_id = ?", (survey_id,)).fetchone():
            name = f"{row.method} {row.day}"
            kind = KINDS[self._mapping.kind]
            opened_at, closed_at = self._day(row)
            made = SaveSurvey(
                survey_id, STATION, name, self._water(row.water), kind, opened_at, closed_at, False
            )
            self._writer.apply([made], (), None)
        return survey_id

    def _water(self, water: str) -> str:
        """As the records spell it; a new one is remembered with a known one that looks like it."""
        if water.casefold() in self._waters:
            return self._waters[water.casefold()]
        near = get_close_matches(water.casefold(), list(self._waters), n=1, cutoff=0.8)
        self.new_waters[water] = self._waters[near[0]] if near else None
        self._waters[water.casefold()] = water
        return water

    def _run(self, row: ProposedFish, survey_id: str) -> int:
        run_no = run_of(self._connection, survey_id, row)
        if run_no is None:
            last = self._lookup.last_run_no(survey_id)
            run_no = 1 if last is None else last + 1
            method = RunMethod(area=row.area, gear=row.method)
            started_at, ended_at = self._day(row)
            run = SaveRun(survey_id, run_no, started_at, ended_at, None, method=method)
            self._writer.apply([run], (), None)
        return run_no

    def _day(self, row: ProposedFish) -> tuple[str, str]:
        """From midnight to midnight at the water."""
        days = (row.day, row.day + timedelta(days=1))
        start, end = (rfc3339(moment_of(day, time(0), self._zone).timestamp()) for day in days)
        return start, end

    def _record(self, row: ProposedFish, fish_id: str, survey_id: str, run_no: int) -> FishRecord:
        at = rfc3339(row.at.timestamp())
        species, species_from = self._species(row)
        state: Values = {
            "survey_id": survey_id,
            "worked_up_at": at,
            "species": species,
            "tag": row.tag,
            "length_mm": number_text(row.length_mm),
            "length_type": None if row.length_mm is None else self._mapping.units.length_type,
            "weight_g": number_text(row.weight_g),
            "weight_quality": "not_weighed" if row.weight_g is None else "measured",
        }
        findings = (*self._judge.findings(fish_id, state), *self._notices(row, species, survey_id))
        serious = any(one.severity is Severity.SERIOUS for one in findings)
        lacking = "length" in row.left_out or "weight" in row.left_out
        status = Status.QUERIED if serious else Status.INCOMPLETE if lacking else Status.SAVED
        return FishRecord(
            fish_id=fish_id,
            journal_id=self._journal_id,
            opened_n=row.number,
            station=STATION,
            bench=self._mapping.name,
            survey_id=survey_id,
            run_no=run_no,
            opened_at=at,
            worked_up_at=at,
            species=species,
            species_from=species_from,
            tag=row.tag,
            tag_status=self._tag_status(row, fish_id, state),
            tags=() if row.tag is None else ((row.tag, "primary"),),
            individual_id=self._judge.follows("individual_id", fish_id, state),
            length_mm=row.length_mm,
            length_type=state["length_type"],
            length_unit=None if row.length_mm is None else self._mapping.units.length,
            weight_g=row.weight_g,
            weight_quality="not_weighed" if row.weight_g is None else "measured",
            relative_weight=number(self._judge.follows("relative_weight", fish_id, state)),
            fate=row.fate,
            status=status,
            closed=True,
            rule="imported",
            note=row.note,
            observations=(),
            readings=tuple(self._readings(row, at)),
            findings=findings,
        )

    def _species(self, row: ProposedFish) -> tuple[str | None, Literal["command", "history", "none"]]:
        """A recapture of which the row names no species has that of its history, as at the station."""
        if row.species is not None:
            return row.species, "command"
        captures = self._lookup.captures(row.tag) if row.tag is not None else ()
        known = [one.species for one in captures if one.species is not None]
        return (known[-1], "history") if known else (None, "none")

    def _tag_status(self, row: ProposedFish, fish_id: str, state: Values) -> TagStatus:
        if row.tag is None:
            return TagStatus.NONE_FOUND if row.scanned else TagStatus.NOT_SCANNED
        status = TagStatus(self._judge.follows("tag_status", fish_id, state) or "")
        at = (state["worked_up_at"] or "").rstrip("Z")
        if status in (TagStatus.NEW, TagStatus.UNKNOWN) and any(
            one.at.rstrip("Z") <= at for one in self._lookup.captures(row.tag)
        ):
            return (
                TagStatus.RECAPTURE
            )  # a survey from elsewhere opens at midnight: a capture of that day is earlier too
        # Whoever tells of a caught fish inserted no tag: if it was never seen before, its first capture is missing.
        return TagStatus.UNKNOWN if status is TagStatus.NEW and self._mapping.kind == "reports" else status

    def _readings(self, row: ProposedFish, at: str) -> Iterator[ReadingRecord]:
        """What stood in the cells; a measure that could not be read is kept beside as what it is."""
        units = self._mapping.units
        kinds: tuple[tuple[Literal["tag", "length", "weight"], float | None, str | None, str | None], ...] = (
            ("tag", None, row.tag, None),
            ("length", row.length_mm, None, units.length),
            ("weight", row.weight_g, None, units.weight),
        )
        for kind, value, text, unit in kinds:
            if kind in row.stood:
                raw = row.stood[kind].encode(errors="backslashreplace")
                role: ReadingRole = "trail" if value is None and text is None else "used"
                yield ReadingRecord(
                    kind, role, self._journal_id, row.number, at, INSTRUMENT, raw, value, text, unit
                )

    def _notices(self, row: ProposedFish, species: str | None, survey_id: str) -> Iterator[Finding]:
        for sentence in row.left_out.values():
            yield Finding("value_left_out", Severity.NOTICE, sentence)
        for sentence in row.notices:
            yield Finding("row_doubtful", Severity.NOTICE, sentence)
        if species is None:
            yield Finding("no_species", Severity.NOTICE, "No species is given for this fish.")
        if row.tag is not None:
            yield from self._same_day(row, row.tag, survey_id)

    def _same_day(self, row: ProposedFish, tag: str, survey_id: str) -> Iterator[Finding]:
        for one in self._lookup.captures(tag):
            if one.survey_id != survey_id and self._local_day(one.at) == str(row.day):
                where = f" (fish {one.fish_id[:8]})" if one.fish_id else ""
                yield Finding(
                    "captured_same_day",
                    Severity.NOTICE,
                    f"Tag {tag} was captured on {row.day} in another survey too{where}: is it one capture, told twice?",
                )

    def _local_day(self, at: str) -> str:
        if len(at) <= 10:
            return at
        try:
            moment = datetime.fromisoformat(at)
        except ValueError:
            return at[:10]
        return str(moment.astimezone(self._zone).date())


def run_of(connection: Connection, survey_id: str, row: ProposedFish) -> int | None:
    """The run of this survey in the row's area and with its method; None if there is none yet."""
    found = connection.execute(
        "SELECT run_no FROM run WHERE survey_id = ? AND area IS ? AND gear = ?",
        (survey_id, row.area, row.method),
    ).fetchone()
    return None if found is None else int(found[0])
