"""All records anew from the journal, to be compared with those in the database.

The journal is the truth; that the same records follow from it again is what makes it one.
"""

import sqlite3
import time
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory

from ingest.checkpoints import UnreadableStateError, unpack
from ingest.commits import CommitQueue
from ingest.config_frames import ConfigReader
from ingest.differences import Difference, differences
from ingest.engine import Engine
from ingest.kept_content import content
from ingest.overlay import OverlayLookup
from ingest.recorder import Recorder
from ingest.records import Change
from ingest.resume import TailReader, first_config
from ingest.runs import JournalRun, SetAside, journal_runs, run_items
from ingest.store import RecordRefused, Store
from ingest.store.errors import translate

_GROUP = 5000


class RebuildError(Exception):
    """Nothing can be rebuilt. One sentence."""


@dataclass(slots=True)
class RebuildReport:
    """What the comparison gave. `agrees` only if the same records follow from every line of the journal."""

    database: Path
    journal: Path
    journals: int = 0
    frames: int = 0
    fish: int = 0
    differences: list[Difference] = field(default_factory=list)
    set_aside: list[SetAside] = field(default_factory=list)
    lost_configs: list[str] = field(default_factory=list)
    refused: list[tuple[Change | None, RecordRefused]] = field(default_factory=list)

    @property
    def agrees(self) -> bool:
        return not (self.differences or self.set_aside or self.lost_configs or self.refused)

    def lines(self) -> list[str]:
        """The report in plain lines, the summary first."""
        verdict = "the database agrees with its journal" if self.agrees else "NOT THE SAME"
        journals = "1 journal" if self.journals == 1 else f"{self.journals} journals"
        return [
            f"{self.fish} fish from {self.frames} frames of {journals} in {self.journal}: {verdict}.",
            *(f"damaged: {one}" for one in self.set_aside),
            *(f"configuration: {one}" for one in self.lost_configs),
            *(f"refused: {one}" for _, one in self.refused),
            *(f"differs: {one}" for one in self.differences),
        ]


def rebuild(database: Path, journal: Path | None = None) -> RebuildReport:
    """Rebuild the records of this database in a temporary one and compare; the database is not changed.

    `journal` is the folder of its journal; without it the one that the database was last written with, also where it
    lies beside the database by now: both were carried elsewhere, or the station was started in another folder.

    Raises:
        RebuildError: there is no such database, or no journal for it.
        StoreTrouble: the database cannot be read, or a station runs on it.
    """
    if not database.is_file():
        raise RebuildError(f"There is no database {database}: check the name.")
    with Store.open(database) as stored, TemporaryDirectory(prefix="tallywell-") as folder:
        places = [journal] if journal is not None else _journals_of(stored)
        found = [(place, runs) for place in places if (runs := journal_runs(place, database.name))]
        if not found:
            raise RebuildError(f"There is no journal of {database.name} in {places[0]}: name its folder.")
        place, runs = found[0]
        report = RebuildReport(database, place, journals=len(runs))
        with Store.open(Path(folder) / database.name) as fresh:
            _read_all(fresh, runs, report)
            report.fish = fresh.connection.execute("SELECT count(*) FROM fish").fetchone()[0]
            try:
                report.differences = list(differences(fresh.connection, database))
            except sqlite3.Error as failure:
                raise translate(failure, database) from failure
    return report


def _journals_of(stored: Store) -> list[Path]:
    """Where its journal may lie, the likeliest first: a relative name would start in the folder we happen to be in."""
    checkpoint = stored.lookup.checkpoint()
    if checkpoint is None:
        raise RebuildError(f"{stored.path} does not say where its journal lies: name the journal's folder.")
    try:
        written_with = unpack(checkpoint).journal
    except UnreadableStateError as unreadable:
        raise RebuildError(f"{unreadable} Name the journal's folder.") from None
    beside = stored.path.parent / written_with.name
    return [written_with, beside] if written_with.is_absolute() else [beside, written_with]


def _read_all(fresh: Store, runs: list[JournalRun], report: RebuildReport) -> None:
    configs = ConfigReader(lambda sha256: content(report.journal, sha256), report.journal)
    station = first_config(runs[0], configs)
    if station is None:
        raise RebuildError(
            f"The first journal in {report.journal} names no configuration that can be used: nothing can be read."
        )
    queue = CommitQueue(fresh, time.monotonic)
    engine = Engine(station, OverlayLookup(fresh.lookup, queue.unstored))
    recorder = Recorder(engine, queue, config="", journal_folder=report.journal, marks_time=False)
    reader = TailReader(recorder, fresh, configs, _GROUP)
    for run in runs:
        recorder.begin(run.header)
        for item in run_items(run):
            if isinstance(item, SetAside):
                report.set_aside.append(item)
            else:
                reader.take(item)
    reader.finish()
    if queue.trouble is not None:
        raise queue.trouble
    report.frames = reader.frames
    report.lost_configs = reader.lost
    report.refused = recorder.refused
