"""Waters for tests, written row by row into a database: only what a test is about has to be said. All of it is invented,
or the published example that the test names."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from sqlite3 import Connection
from typing import Any

from ingest.records import derived_id, individual_id
from ingest.store import PriorRow, Store, load_prior_captures
from ingest.store.writer import FISH_COLUMNS

JOURNAL = "journal-of-tests"
Row = tuple[Any, ...]


def tag(number: int) -> str:
    """A tag code of the test range."""
    return f"999{number:012d}"


@dataclass
class Pond:
    """Collects rows; `save` writes them in one transaction. Numbers of frames go up with each record."""

    store: Store
    water: str | None = "Mill Pond"
    species: str = "largemouth_bass"
    _rows: dict[str, list[Row]] = field(default_factory=dict)
    _n: int = 0
    _days: dict[str, str] = field(default_factory=dict)
    _saved: set[tuple[str, Row]] = field(default_factory=set)

    def survey(
        self,
        day: str,
        *,
        survey_id: str | None = None,
        station: str = "bank",
        water: str | None = "",
        protocol: str = "all_parts",
    ) -> str:
        """Opened at noon of `day`."""
        key = survey_id or f"survey-{self.water}-{station}-{day}"
        where = self.water if water == "" else water
        self._days[key] = day
        if where is not None:
            self._add("water", where, None)
        self._add(
            "survey",
            key,
            station,
            f"of {day}",
            where,
            protocol,
            f"{day}T12:00:00Z",
            None,
            int(where is None),
        )
        return key

    def run(self, survey: str, run_no: int = 1, seconds: float | None = 600.0, **more: Any) -> None:
        values = {"area": None, "gear": "boat", "pass_no": None, "settings": None, "water_c": None}
        values |= {"conductivity_us_per_cm": None, **more}
        at = f"{self._days[survey]}T11:00:00Z"
        where = (None,) * 4
        self._add(
            "run", survey, run_no, at, at, seconds, None, *where, values["water_c"],
            values["conductivity_us_per_cm"], values["area"], values["gear"], values["pass_no"], values["settings"],
        )  # fmt: skip

    def fish(
        self,
        survey: str,
        tag: str | None = None,
        *,
        marks: Sequence[str] = (),
        second_tag: str | None = None,
        division: float | None = None,
        finding: tuple[str, str, str] | None = None,
        at: str | None = None,
        **columns: Any,
    ) -> str:
        """A released, scanned, closed fish. finding: (name, severity, suspects as JSON), not settled."""
        self._n += 10
        fish_id = derived_id("fish", JOURNAL, self._n)
        when = at or f"{self._days[survey]}T13:{self._n // 600 % 60:02}:{self._n // 10 % 60:02}.000Z"
        row = {
            "fish_id": fish_id,
            "journal_id": JOURNAL,
            "opened_n": self._n,
            "station": "bank",
            "bench": "main",
            "survey_id": survey,
            "run_no": None,
            "opened_at": when,
            "worked_up_at": when,
            "species": self.species,
            "species_from": "selected",
            "tag": tag,
            "tag_status": "none_found" if tag is None else "new",
            "individual_id": individual_id(tag) if tag else None,
            "length_mm": None,
            "length_type": "TL",
            "length_unit": "mm",
            "weight_g": None,
            "weight_quality": "measured",
            "relative_weight": None,
            "fate": "released",
            "status": "saved",
            "closed": 1,
            "rule": "all_parts_in",
            "note": None,
            "withdrawal_until": None,
        }
        row.update(columns)
        self._add("fish", *(row[name] for name in FISH_COLUMNS))
        if tag is not None:
            self._add("fish_tag", fish_id, 0, tag, "primary")
        if second_tag is not None:
            self._add("fish_tag", fish_id, 1, second_tag, "second")
        for seq, mark in enumerate(marks):
            self._add("observation", fish_id, seq, "mark", mark, None)
        if division is not None:
            self._add(
                "reading", fish_id, 0, "weight", "used", JOURNAL, self._n + 1, when, "scale", b"", row["weight_g"], None,
                "g", division, None, None, None, 0,
            )  # fmt: skip
        if finding is not None:
            name, severity, suspects = finding
            self._add(
                "finding",
                fish_id,
                0,
                name,
                severity,
                "A doubt.",
                "{}",
                suspects,
                "{}",
                0,
                0,
                JOURNAL,
                self._n,
            )
        return fish_id

    def count(
        self,
        survey: str,
        n: int,
        *,
        run_no: int | None = None,
        fate: str = "released",
        weight_g: float | None = None,
    ) -> None:
        """Fish that nobody worked up one by one; with a weight they are a batch."""
        self._n += 10
        kind = "count" if weight_g is None else "batch"
        at = f"{self._days[survey]}T14:00:00Z"
        self._add(
            "batch", derived_id("batch", JOURNAL, self._n), JOURNAL, self._n, "main", survey, run_no, at, kind, self.species,
            n, weight_g, None, fate, None, 1,
        )  # fmt: skip

    def amend(
        self,
        fish_id: str,
        column: str,
        new: str | None,
        *,
        at: str = "2026-12-01T08:00:00Z",
        journal: str = JOURNAL,
    ) -> None:
        """A correction, by the station or (`journal` is its id) by an office."""
        self._n += 10
        self._add(
            "amendment", None, derived_id("amendment", journal, self._n), fish_id, at, "office", "paper",
            column, None, new, journal, self._n,
        )  # fmt: skip

    def prior(self, *rows: PriorRow) -> None:
        """Captures known from elsewhere, at once."""
        load_prior_captures(self.store, rows, source="history.csv")

    def save(self) -> None:
        self.store.write(self._write)
        self._rows.clear()

    def _add(self, table: str, *row: Any) -> None:
        if table in ("water", "survey"):
            if (table, row) in self._saved:
                return
            self._saved.add((table, row))
        self._rows.setdefault(table, []).append(row)

    def _write(self, connection: Connection) -> None:
        # the parts of a closed fish go in before it
        for table in (
            "water",
            "survey",
            "run",
            "fish_tag",
            "observation",
            "reading",
            "finding",
            "fish",
            "batch",
            "amendment",
        ):
            rows = self._rows.get(table, [])
            if rows:
                places = ", ".join("?" * len(rows[0]))
                connection.executemany(f"INSERT INTO {table} VALUES ({places})", rows)
