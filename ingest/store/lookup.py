"""What the station asks of its records while a fish is in hand: every question an index look-up.

Amended values count, void fish are left out, and times compare as instants whatever their precision.
"""

import json
import sqlite3
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Literal, NamedTuple

from ingest.records import (
    Finding,
    FishRecord,
    Observation,
    Part,
    PriorCapture,
    ReadingRecord,
    Severity,
    Status,
    TagStatus,
)
from ingest.store.errors import translate
from ingest.store.rows import Checkpoint
from ingest.store.writer import FISH_COLUMNS, READING_COLUMNS, SELECT_FISH

Row = tuple[Any, ...]

_CAPTURE = """worked_up_at, water, survey_id, species, length_mm, weight_g, fate, individual_id, fish_id,
    withdrawal_until, fish_id"""
_FINAL = f"SELECT {_CAPTURE} FROM fish_all WHERE void = 0 AND closed = 1 AND"
_PRIOR = """SELECT at, water, survey_id, species, length_mm, weight_g, fate, individual_id, fish_id,
        withdrawal_until, prior_id
    FROM prior_capture AS p WHERE (p.fish_id IS NULL OR NOT EXISTS (
        SELECT 1 FROM fish AS f JOIN survey AS s ON s.survey_id = f.survey_id
        WHERE f.fish_id = p.fish_id AND (s.closed_at IS NULL OR p.survey_id IS NULL))) AND"""
# A history says of this fish of a closed survey what it reads now: the office may have corrected it since. Without
# the survey it was told of the fish while the survey went on, and the crew may have corrected it since.
_SAID_SINCE = """SELECT 1 FROM prior_capture AS p JOIN fish AS f ON f.fish_id = p.fish_id
    JOIN survey AS s ON s.survey_id = f.survey_id
    WHERE p.fish_id = ? AND p.survey_id IS NOT NULL AND s.closed_at IS NOT NULL LIMIT 1"""

_OWN_BY_TAG = f"{_FINAL} tag = ?"
_OWN_BY_INDIVIDUAL = f"{_FINAL} individual_id = ?"
_OWN_BY_ID = f"{_FINAL} fish_id = ?"
_PRIOR_BY_TAG = f"{_PRIOR} p.tag = ?"
_PRIOR_BY_INDIVIDUAL = f"{_PRIOR} p.individual_id = ?"
_BY_SECOND_TAG = "SELECT fish_id FROM fish_tag WHERE tag = ? AND role = 'second'"
# Only settled pairs may teach the water's relation: a queried fish carries a value that nobody stands by.
_LENGTH_WEIGHTS = """SELECT length_mm, weight_g FROM fish_all
    WHERE water = ?1 AND species = ?2 AND void = 0 AND closed = 1 AND status <> 'queried'
        AND weight_quality = 'measured' AND length_mm > 0 AND weight_g > 0
        AND (?3 IS NULL OR rtrim(worked_up_at, 'Z') < rtrim(?3, 'Z'))
    UNION ALL
    SELECT length_mm, weight_g FROM prior_capture AS p
    WHERE water = ?1 AND species = ?2 AND length_mm > 0 AND weight_g > 0
        AND (?3 IS NULL OR rtrim(at, 'Z') < rtrim(?3, 'Z'))
        AND (p.fish_id IS NULL OR p.fish_id NOT IN (SELECT fish_id FROM fish))"""

# Amended fish are few: the others are counted without the view's joins, which take three times as long.
_COUNTS = """SELECT species, sum(n) FROM (
        SELECT species, count(*) AS n FROM fish
        WHERE survey_id = ?1 AND closed = 1 AND status <> 'void'
            AND fish_id NOT IN (SELECT fish_id FROM amended WHERE survey_id = ?1)
        GROUP BY species
        UNION ALL SELECT species, count(*) FROM amended WHERE survey_id = ?1 AND void = 0 GROUP BY species
        UNION ALL SELECT species, sum(n) FROM batch_list WHERE survey_id = ?1 GROUP BY species
    ) GROUP BY species ORDER BY sum(n) DESC, species"""
# Rows lie in the order in which the fish came; a survey has its last fish among the newest rows, or has just begun.
_LAST = """SELECT fish_id FROM fish NOT INDEXED
    WHERE survey_id = ?1 AND closed = 1 AND rowid > (SELECT max(rowid) FROM fish) - 500
    ORDER BY rowid DESC LIMIT 50"""
_SHOWN = """fish_id, bench, run_no, worked_up_at, species, tag, tag_status, length_mm, weight_g, fate, status,
    relative_weight, withdrawal_until"""


class SurveyTally(NamedTuple):
    """How many fish of each species (those of batches and counts too), the most first, and the last single fish."""

    counts: list[tuple[str | None, int]]
    last: list[dict[str, Any]]


class Lookup:
    """Questions to the records, through the store's own connection: uncommitted rows of a batch count.

    Every method raises `StoreTrouble` if the database cannot be read now.
    """

    def __init__(self, connection: sqlite3.Connection, path: Path) -> None:
        self._connection = connection
        self._path = path
        self._own_of: tuple[str, int, dict[str, Any]] = ("", -1, {})

    def captures(self, tag: str, before: str | None = None) -> tuple[PriorCapture, ...]:
        """Every known capture of the animal with this tag, oldest first: closed fish, and captures from
        elsewhere.

        Of a fish of a closed survey that a history names too, the history's version counts: it brings what the office
        corrected, `void` for a capture that counts no more.

        Goes over a re-tagging: captures of the same individual under another tag count, and so does a second
        tag. `before` (RFC 3339 UTC) leaves out what was not earlier.
        """
        own = dict(self._own(tag))
        prior = {_event(row): row for row in self._all(_PRIOR_BY_TAG, tag)}
        individuals = {row[7] for row in (*own.values(), *prior.values())} - {None}
        for individual in individuals:
            own.update((row[-1], row) for row in self._all(_OWN_BY_INDIVIDUAL, individual))
            prior.update((_event(row), row) for row in self._all(_PRIOR_BY_INDIVIDUAL, individual))
        own = {fish_id: row for fish_id, row in own.items() if not self._all(_SAID_SINCE, fish_id)}
        rows = (*prior.values(), *own.values())
        found = [PriorCapture(*row[:10]) for row in rows if row[6] != "void"]
        if before is not None:
            limit = _instant(before)
            found = [capture for capture in found if _instant(capture.at) < limit]
        return tuple(sorted(found, key=lambda capture: (_instant(capture.at), capture.fish_id or "")))

    def in_survey(self, survey_id: str, tag: str) -> str | None:
        """The closed fish of this survey that bears the tag (the last one, if there are several)."""
        mine = [row for row in self._own(tag).values() if row[2] == survey_id]
        if not mine:
            return None
        last: str = max(mine, key=lambda row: (_instant(row[0]), row[-1]))[-1]
        return last

    def inventory(self, tag: str) -> Literal["unused", "used"] | None:
        """Whether a tag of the inventory was put into a fish before the survey now open.

        None if the tag is in no inventory. A capture from elsewhere or from a closed survey is a use.
        """
        if not self._all("SELECT 1 FROM tag_inventory WHERE tag = ? LIMIT 1", tag):
            return None
        for capture in self.captures(tag):
            survey = self._all("SELECT closed_at FROM survey WHERE survey_id = ?", capture.survey_id)
            if not survey or survey[0][0] is not None:
                return "used"
        return "unused"

    def inventory_loaded(self) -> bool:
        """Whether any inventory is loaded."""
        return bool(self._all("SELECT 1 FROM tag_inventory LIMIT 1"))

    def parked(self, survey_id: str) -> tuple[FishRecord, ...]:
        """The parked fish of the survey, as they were saved, oldest first."""
        rows = self._all(
            "SELECT fish_id FROM fish WHERE survey_id = ? AND closed = 0 AND status = 'parked' "
            "ORDER BY rtrim(opened_at, 'Z'), fish_id",
            survey_id,
        )
        return tuple(fish for (fish_id,) in rows if (fish := self.saved(fish_id)) is not None)

    def saved(self, fish_id: str) -> FishRecord | None:
        """The fish as the assembler saved it: without amendments, later readings and later findings."""
        fish, tags, readings, findings, observations = (self._all(query, fish_id) for query in SELECT_FISH)
        if not fish:
            return None
        row = dict(zip(FISH_COLUMNS, fish[0], strict=True))
        row["tag_status"] = TagStatus(row["tag_status"])
        row["status"] = Status(row["status"])
        row["closed"] = bool(row["closed"])
        return FishRecord(
            **row,
            tags=tuple(tags),
            observations=tuple(Observation(*seen) for seen in observations),
            readings=tuple(
                ReadingRecord(**dict(zip(READING_COLUMNS, reading, strict=True))) for reading in readings
            ),
            findings=tuple(_finding(finding) for finding in findings),
        )

    def relative_weight(self, fish_id: str | None) -> float | None:
        """The relative weight (%) of a fish as its amendments leave it; None without a fish or a value, or where a
        history has the fish otherwise."""
        if fish_id is None or self._all(_SAID_SINCE, fish_id):
            return None
        rows = self._all("SELECT relative_weight FROM fish_all WHERE fish_id = ?", fish_id)
        return rows[0][0] if rows else None

    def survey_tally(self, survey_id: str, last: int) -> SurveyTally:
        """What the survey has so far, void fish left out; of its fish the newest `last`, newest first."""
        counts = [(species, int(n)) for species, n in self._all(_COUNTS, survey_id)]
        newest: list[dict[str, Any]] = []
        for (fish_id,) in self._all(_LAST, survey_id):
            row = self.fish_row(fish_id)
            if row is not None:
                newest.append(row)
            if len(newest) == last:
                break
        return SurveyTally(counts, newest)

    def fish_row(self, fish_id: str) -> dict[str, Any] | None:
        """A fish as `worked_fish` shows it: the columns that a screen needs. None for a void or unknown one."""
        rows = self._all(f"SELECT {_SHOWN} FROM worked_fish WHERE fish_id = ?", fish_id)
        return dict(zip(_SHOWN.replace(",", " ").split(), rows[0], strict=True)) if rows else None

    def last_run_no(self, survey_id: str) -> int | None:
        """The highest run number of the survey."""
        found: int | None = self._all("SELECT max(run_no) FROM run WHERE survey_id = ?", survey_id)[0][0]
        return found

    def length_weights(
        self, water: str, species: str, before: str | None = None
    ) -> list[tuple[float, float]]:
        """Pairs (length_mm, weight_g) of this water's fish of the species, for its own length-weight
        relation.

        Closed fish whose weight was fine enough and whose findings are settled, and captures known from
        elsewhere.
        """
        return self._all(_LENGTH_WEIGHTS, water, species, before)

    def checkpoint(self) -> Checkpoint | None:
        """The checkpoint of the last commit that had one."""
        rows = self._all('SELECT state, journal_file, "offset", n FROM checkpoint')
        return Checkpoint(*rows[0]) if rows else None

    def _own(self, tag: str) -> dict[str, Any]:
        """This database's captures of a tag by fish. One read of a tag asks several questions about it."""
        known, writes, own = self._own_of
        if known != tag or writes != self._connection.total_changes:
            own = {row[-1]: row for row in self._all(_OWN_BY_TAG, tag)}
            for (fish_id,) in self._all(_BY_SECOND_TAG, tag):
                own.update((row[-1], row) for row in self._all(_OWN_BY_ID, fish_id))
            self._own_of = (tag, self._connection.total_changes, own)
        return own

    def _all(self, query: str, *parameters: str | None) -> list[Any]:
        # Fetched at once: a cursor left half read would hold a lock against the next commit.
        try:
            return self._connection.execute(query, parameters).fetchall()
        except sqlite3.Error as error:
            raise translate(error, self._path) from error


def _event(row: Row) -> object:
    """What makes a capture from elsewhere one: a fish with two tags stands under both in a history."""
    return (row[8], row[0]) if row[8] else row[-1]


def _instant(at: str) -> str:
    """A text that sorts by time: without the Z, 13:00:00 comes before 13:00:00.250."""
    return at.rstrip("Z")


def _finding(row: Sequence[Any]) -> Finding:
    name, severity, sentence, numbers, suspects, proposes, settled = row
    return Finding(
        name=name,
        severity=Severity(severity),
        sentence=sentence,
        numbers=json.loads(numbers),
        suspects=tuple(Part(part) for part in json.loads(suspects)),
        proposes=json.loads(proposes),
        settled=bool(settled),
    )
