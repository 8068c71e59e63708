"""Changes into rows, within a transaction that the caller holds: a few cached statements per fish."""

import json
import math
import sqlite3
from collections.abc import Mapping, Sequence
from operator import attrgetter
from typing import Any, assert_never

from ingest.catch_records import AddCrew, AmendBatch, BatchRecord, SaveBatch, SaveRelation, SaveTreatment
from ingest.records import (
    AddFinding,
    AddSighting,
    Amend,
    AttachReading,
    Change,
    Finding,
    FishRecord,
    SaveFish,
    SaveInboxFile,
    SaveRun,
    SaveSurvey,
)
from ingest.store.amendments import check_amendment
from ingest.store.errors import ConflictingFish, RecordRefused
from ingest.store.rows import Checkpoint, FrameRow

Row = tuple[Any, ...]

FISH_COLUMNS = (
    "fish_id", "journal_id", "opened_n", "station", "bench", "survey_id", "run_no", "opened_at",
    "worked_up_at", "species", "species_from", "tag", "tag_status", "individual_id", "length_mm",
    "length_type", "length_unit", "weight_g", "weight_quality", "relative_weight", "fate", "status",
    "closed", "rule", "note", "withdrawal_until",
)  # fmt: skip
READING_COLUMNS = (
    "kind", "role", "journal_id", "n", "at", "instrument", "raw", "value", "text", "unit", "division", "load",
    "empty_before_g", "empty_after_g",
)  # fmt: skip
FINDING_COLUMNS = ("name", "severity", "sentence", "numbers", "suspects", "proposes", "settled")
_SIGHTING_COLUMNS = ("sighting_id", "survey_id", "tag", "at", "instrument", "why", "journal_id", "n")
_AMENDMENT_COLUMNS = (
    "amendment_id", "fish_id", "at", "who", "why", "field", "old", "new", "journal_id", "n",
)  # fmt: skip
_SURVEY_COLUMNS = (
    "survey_id", "station", "name", "water", "protocol", "opened_at", "closed_at", "provisional",
)  # fmt: skip
_RUN_OWN = ("survey_id", "run_no", "started_at", "ended_at", "current_on_s", "note")
_RUN_PLACE = (
    "start_lat_deg",
    "start_lon_deg",
    "end_lat_deg",
    "end_lon_deg",
    "water_c",
    "conductivity_us_per_cm",
)
_RUN_METHOD = ("area", "gear", "pass_no", "settings")
_RUN_COLUMNS = (*_RUN_OWN, *_RUN_PLACE, *_RUN_METHOD)
_BATCH_COLUMNS = (
    "batch_id", "journal_id", "opened_n", "bench", "survey_id", "run_no", "at", "kind", "species", "n",
    "total_weight_g", "container_g", "fate", "note", "closed",
)  # fmt: skip
_BATCH_READING_COLUMNS = ("kind", "value", "unit", "journal_id", "n", "at", "instrument", "raw")
_BATCH_AMENDMENT_COLUMNS = (
    "amendment_id", "batch_id", "at", "who", "why", "field", "old", "new", "journal_id", "n",
)  # fmt: skip
_TREATMENT_COLUMNS = (
    "treatment_id", "survey_id", "run_no", "agent", "dose", "withdrawal_until", "started_at", "ended_at",
    "journal_id", "n",
)  # fmt: skip
_RELATION_COLUMNS = ("survey_id", "species", "a", "b", "c", "sd_log10", "n")
_CREW_COLUMNS = ("crew_id", "survey_id", "run_no", "post", "code", "at", "journal_id", "n")
_INBOX_COLUMNS = ("sha256", "file", "at", "n_seen", "refused", "journal_id", "n")

_fish_row = attrgetter(*FISH_COLUMNS)
_reading_row = attrgetter(*READING_COLUMNS)
_sighting_row = attrgetter(*_SIGHTING_COLUMNS)
_amendment_row = attrgetter(*_AMENDMENT_COLUMNS)
_survey_row = attrgetter(*_SURVEY_COLUMNS)
_run_row = attrgetter(
    *_RUN_OWN, *(f"place.{column}" for column in _RUN_PLACE), *(f"method.{column}" for column in _RUN_METHOD)
)
_batch_row = attrgetter(*_BATCH_COLUMNS)
_batch_reading_row = attrgetter(*_BATCH_READING_COLUMNS)
_batch_amendment_row = attrgetter(*_BATCH_AMENDMENT_COLUMNS)
_treatment_row = attrgetter(*_TREATMENT_COLUMNS)
_crew_row = attrgetter(*_CREW_COLUMNS)
_relation_row = attrgetter(*_RELATION_COLUMNS)


def _insert(table: str, columns: Sequence[str]) -> str:
    return f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({', '.join('?' * len(columns))})"


def _upsert(table: str, columns: Sequence[str]) -> str:
    taken = ", ".join(f"{column} = excluded.{column}" for column in columns)
    return f"{_insert(table, columns)} ON CONFLICT DO UPDATE SET {taken}"


_INSERT_FISH = _insert("fish", FISH_COLUMNS)
_INSERT_TAG = "INSERT INTO fish_tag (fish_id, seq, tag, role) VALUES (?, ?, ?, ?)"
_INSERT_READING = _insert("reading", ("fish_id", "seq", "later", *READING_COLUMNS))
_INSERT_FINDING = _insert("finding", ("fish_id", "seq", "later", "journal_id", "n", *FINDING_COLUMNS))
_INSERT_OBSERVATION = "INSERT INTO observation (fish_id, seq, kind, text, code) VALUES (?, ?, ?, ?, ?)"
_DELETE_FISH = tuple(
    f"DELETE FROM {table} WHERE fish_id = ?"
    for table in ("fish_tag", "reading", "finding", "observation", "fish")
)
# A frame handed over again is the usual case; the update that a differing one asks for meets the trigger that
# forbids it.
_INSERT_FRAME = """INSERT INTO frame (journal_id, n, at, source, data, event) VALUES (?, ?, ?, ?, ?, ?)
    ON CONFLICT DO UPDATE SET data = excluded.data
    WHERE data IS NOT excluded.data OR source IS NOT excluded.source OR event IS NOT excluded.event"""
_SAVE_CHECKPOINT = """INSERT INTO checkpoint (only, state, journal_file, "offset", n) VALUES (1, ?, ?, ?, ?)
    ON CONFLICT DO UPDATE SET state = excluded.state, journal_file = excluded.journal_file,
        "offset" = excluded."offset", n = excluded.n"""
# A fish as the assembler saved it: the fish, its tags, readings, findings, observations.
SELECT_FISH = (
    f"SELECT {', '.join(FISH_COLUMNS)} FROM fish WHERE fish_id = ?",
    "SELECT tag, role FROM fish_tag WHERE fish_id = ? ORDER BY seq",
    f"SELECT {', '.join(READING_COLUMNS)} FROM reading WHERE fish_id = ? AND later = 0 ORDER BY seq",
    f"SELECT {', '.join(FINDING_COLUMNS)} FROM finding WHERE fish_id = ? AND later = 0 ORDER BY seq",
    "SELECT kind, text, code FROM observation WHERE fish_id = ? ORDER BY seq",
)
_SELECT_BATCH = (
    f"SELECT {', '.join(_BATCH_COLUMNS)} FROM batch WHERE batch_id = ?",
    f"SELECT {', '.join(_BATCH_READING_COLUMNS)} FROM batch_reading WHERE batch_id = ? ORDER BY seq",
)
_INSERT_BATCH = _insert("batch", _BATCH_COLUMNS)
_INSERT_BATCH_READING = _insert("batch_reading", ("batch_id", "seq", *_BATCH_READING_COLUMNS))
_SAVE_RELATION = _upsert("local_relation", _RELATION_COLUMNS)
_SAVE_TREATMENT = _upsert("treatment", _TREATMENT_COLUMNS)
_SAVE_SURVEY = _upsert("survey", _SURVEY_COLUMNS)
_SAVE_RUN = _upsert("run", _RUN_COLUMNS)


class Writer:
    """Writes changes through one connection; after an exception the caller takes the transaction back."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._execute = connection.execute
        self._executemany = connection.executemany

    def apply(
        self, changes: Sequence[Change], frames: Sequence[FrameRow], checkpoint: Checkpoint | None
    ) -> None:
        """Write all of it, in order. Writing what is already there changes nothing.

        Raises `RecordRefused` (`ConflictingFish`) or `sqlite3.Error`.
        """
        if frames:
            self._executemany(_INSERT_FRAME, frames)
        for change in changes:
            self._apply_one(change)
        if checkpoint is not None:
            self._execute(_SAVE_CHECKPOINT, checkpoint)

    def _apply_one(self, change: Change) -> None:
        match change:
            case SaveFish():
                self._save_fish(change.fish)
            case AttachReading():
                self._attach_reading(change)
            case Amend():
                self._amend(change)
            case AddFinding():
                self._add_finding(change)
            case SaveSurvey():
                self._save_survey(change)
            case SaveRun():
                self._execute(_SAVE_RUN, _run_row(change))
            case AddSighting():
                self._insert_once("sighting", "sighting_id", _SIGHTING_COLUMNS, _sighting_row(change))
            case SaveInboxFile():
                self._insert_once("inbox_file", "sha256", _INBOX_COLUMNS, _inbox_row(change))
            case SaveBatch():
                self._save_batch(change.batch)
            case AmendBatch():
                self._insert_once(
                    "batch_amendment", "amendment_id", _BATCH_AMENDMENT_COLUMNS, _batch_amendment_row(change)
                )
            case SaveTreatment():
                self._execute(_SAVE_TREATMENT, _treatment_row(change))
            case AddCrew():
                self._insert_once("crew", "crew_id", _CREW_COLUMNS, _crew_row(change))
            case SaveRelation():
                self._execute(_SAVE_RELATION, _relation_row(change))
            case _:
                assert_never(change)

    def _save_fish(self, fish: FishRecord) -> None:
        fish_id = fish.fish_id
        for value in (fish.length_mm, fish.weight_g, fish.relative_weight):
            if value is not None and not math.isfinite(value):  # SQLite would store NaN as NULL
                raise RecordRefused(
                    f"Fish {fish_id} was not stored, a measure of it is {value}: report this defect."
                )
        stored = self._execute("SELECT closed FROM fish WHERE fish_id = ?", (fish_id,)).fetchone()
        parts = _rows_of(fish)
        if stored is not None:
            if stored[0]:
                self._compare(fish_id, parts)
                return
            for statement in _DELETE_FISH:
                self._execute(statement, (fish_id,))
        # The parts go first: once a closed fish is in, the triggers let nothing be added to it.
        row, tags, readings, findings, observations = parts
        if tags:
            self._executemany(_INSERT_TAG, [(fish_id, seq, *part) for seq, part in enumerate(tags)])
        if readings:
            self._executemany(
                _INSERT_READING, [(fish_id, seq, 0, *part) for seq, part in enumerate(readings)]
            )
        if findings:
            self._executemany(
                _INSERT_FINDING, [(fish_id, seq, 0, None, None, *part) for seq, part in enumerate(findings)]
            )
        if observations:
            self._executemany(
                _INSERT_OBSERVATION, [(fish_id, seq, *part) for seq, part in enumerate(observations)]
            )
        self._execute(_INSERT_FISH, row)

    def _compare(self, fish_id: str, parts: "FishRows") -> None:
        stored = tuple(self._execute(query, (fish_id,)).fetchall() for query in SELECT_FISH)
        row, *children = parts
        if stored != ([row], *map(list, children)):
            raise ConflictingFish(
                f"Fish {fish_id} is closed and was handed over again with different content: "
                "the stored one was kept; compare the journal with the database."
            )

    def _save_batch(self, batch: BatchRecord) -> None:
        batch_id = batch.batch_id
        row, readings = _batch_row(batch), [_batch_reading_row(reading) for reading in batch.readings]
        for value in (batch.total_weight_g, *(reading.value for reading in batch.readings)):
            if value is not None and not math.isfinite(value):
                raise RecordRefused(
                    f"Batch {batch_id} was not stored, a measure of it is {value}: report this defect."
                )
        stored = self._execute(_SELECT_BATCH[0], (batch_id,)).fetchone()
        if stored is not None and stored[-1]:
            if stored != row or self._execute(_SELECT_BATCH[1], (batch_id,)).fetchall() != readings:
                raise ConflictingFish(
                    f"Batch {batch_id} is closed and was handed over again with different content: "
                    "the stored one was kept; compare the journal with the database."
                )
            return
        self._execute("DELETE FROM batch_reading WHERE batch_id = ?", (batch_id,))
        self._execute("DELETE FROM batch WHERE batch_id = ?", (batch_id,))
        # The readings go first: once a closed batch is in, the triggers let nothing be added to it.
        if readings:
            self._executemany(
                _INSERT_BATCH_READING, [(batch_id, seq, *reading) for seq, reading in enumerate(readings)]
            )
        self._execute(_INSERT_BATCH, row)

    def _attach_reading(self, change: AttachReading) -> None:
        row = _reading_row(change.reading)
        same = " AND ".join(f"{column} IS ?" for column in READING_COLUMNS)
        found = self._execute(
            f"SELECT 1 FROM reading WHERE fish_id = ? AND later = 1 AND {same}", (change.fish_id, *row)
        ).fetchone()
        if found is None:
            self._execute(
                _INSERT_READING, (change.fish_id, self._next_seq("reading", change.fish_id), 1, *row)
            )

    def _add_finding(self, change: AddFinding) -> None:
        row = _finding_row(change.finding)
        same = " AND ".join(f"{column} IS ?" for column in ("journal_id", "n", *FINDING_COLUMNS))
        found = self._execute(
            f"SELECT 1 FROM finding WHERE fish_id = ? AND later = 1 AND {same}",
            (change.fish_id, change.journal_id, change.n, *row),
        ).fetchone()
        if found is None:
            seq = self._next_seq("finding", change.fish_id)
            self._execute(_INSERT_FINDING, (change.fish_id, seq, 1, change.journal_id, change.n, *row))

    def _next_seq(self, table: str, fish_id: str) -> int:
        found = self._execute(f"SELECT max(seq) FROM {table} WHERE fish_id = ?", (fish_id,)).fetchone()[0]
        return 0 if found is None else found + 1

    def _amend(self, change: Amend) -> None:
        check_amendment(change)
        # Whether its survey has it shows with the other amendments: a fish may move with its run.
        if change.field == "run_no" and change.new is not None:
            known = self._execute("SELECT 1 FROM run WHERE run_no = ? LIMIT 1", (int(change.new),))
            if known.fetchone() is None:
                raise RecordRefused(f"Fish {change.fish_id} was not amended: there is no run {change.new}.")
        self._insert_once("amendment", "amendment_id", _AMENDMENT_COLUMNS, _amendment_row(change))

    def _save_survey(self, change: SaveSurvey) -> None:
        if change.water is not None:
            self._execute("INSERT INTO water (water) VALUES (?) ON CONFLICT DO NOTHING", (change.water,))
        self._execute(_SAVE_SURVEY, _survey_row(change))

    def _insert_once(self, table: str, key: str, columns: Sequence[str], row: Row) -> None:
        stored = self._execute(
            f"SELECT {', '.join(columns)} FROM {table} WHERE {key} = ?", row[:1]
        ).fetchone()
        if stored is None:
            self._execute(_insert(table, columns), row)
        elif stored != row:
            raise RecordRefused(
                f"The {table} {row[0]} is stored already with different content: the stored one was kept; "
                "compare the journal with the database."
            )


FishRows = tuple[Row, Sequence[Row], Sequence[Row], Sequence[Row], Sequence[Row]]


def _rows_of(fish: FishRecord) -> FishRows:
    return (
        _fish_row(fish),
        fish.tags,
        [_reading_row(reading) for reading in fish.readings],
        [_finding_row(finding) for finding in fish.findings],
        fish.observations,
    )


def _finding_row(finding: Finding) -> Row:
    return (
        finding.name,
        finding.severity,
        finding.sentence,
        _json(finding.numbers),
        json.dumps(finding.suspects),
        _json(finding.proposes),
        finding.settled,
    )


def _inbox_row(file: SaveInboxFile) -> Row:
    refused = json.dumps(file.refused, ensure_ascii=False)
    return file.sha256, file.file, file.at, file.n_seen, refused, file.journal_id, file.n


def _json(mapping: Mapping[str, float | str]) -> str:
    # JSON knows no infinity and no NaN; a finding must still be kept, so they become words.
    plain = {
        key: value if isinstance(value, str) or math.isfinite(value) else str(value)
        for key, value in mapping.items()
    }
    return json.dumps(plain, sort_keys=True, ensure_ascii=False)
