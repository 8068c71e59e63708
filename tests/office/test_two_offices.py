"""Two offices of one station, each pulling, correcting, undoing and importing in its own order, and stopped in the middle
now and then: once each has pulled the other they show the same, and nothing is lost."""

import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, suppress
from datetime import UTC, datetime
from pathlib import Path
from random import Random

import pytest

from ingest.catch_records import SaveBatch
from ingest.frames import rfc3339
from ingest.records import Amend, Change, Observation, SaveFish, derived_id
from ingest.store import FrameRow, Store
from ingest.toml_file import parse_toml
from office.amend import Wanted
from office.conflicts import conflicts
from office.database import OfficeDatabase
from office.importing.importing import Importing
from office.importing.mapping import ImportMapping
from office.merge import attached, merge
from office.pack import make_pack
from tests.ingest.builders import JOURNAL, batch, frames, run, survey
from tests.office.offices import amending, bass, book
from tests.office.pulling import checkpoint, shown

STEPS = 40
MAY_S = 1_778_600_000
TABLE = b"day,fish,tag,mm,g\n2019-05-12,bluegill,,150,60\n2019-05-12,bluegill,985120000000003,160,70\n"
MAPPING = """
kind = "survey"
name = "paper"
columns = { date = "day", species = "fish", tag = "tag", length = "mm", weight = "g" }
units = { length = "mm", length_type = "TL", weight = "g" }
dates = { timezone = "UTC" }
constants = { water = "Mill Pond", method = "electrofishing", fate = "released" }
"""
FIELDS: dict[str, tuple[str, ...]] = {
    "length_mm": ("300", "301.5", ""),
    "species": ("largemouth_bass", "bluegill"),
    "tag": ("985120000000001", "985120000000002", ""),
    "void": ("yes", "no"),
    "run_no": ("1", "2", ""),
    "mark": ("LV", "RV"),
}


class Story:
    """A station, whose snapshots two offices get in any order; what happens is drawn by `chance`."""

    def __init__(
        self, folder: Path, chance: Random, station: Store, offices: Sequence[OfficeDatabase]
    ) -> None:
        self.folder, self.chance, self.station, self.offices = folder, chance, station, offices
        self.now_s = [MAY_S] * 3
        self.n, self.fish, self.snapshots = 1000, 0, list[Path]()
        self._commit([survey(), run(), run(2)])
        self.a_fish_is_worked_up()
        self.a_snapshot_is_taken()

    def a_fish_is_worked_up(self) -> None:
        self.fish += 1
        one = bass(self.fish, observations=(Observation("mark", "RV"),) * (self.fish % 2))
        self._commit([SaveFish(one), SaveBatch(batch(self.fish))], frames(one))

    def the_crew_corrects(self) -> None:
        at, fish = self._at(2), bass(self.chance.randint(1, self.fish))
        said = {
            name: {"yes": "1", "no": "0", "": None}.get(new, new) for name, new in self._changes().items()
        }
        self._commit(
            [
                Amend(
                    derived_id("amendment", JOURNAL, self.n, index), fish.fish_id, at, "crew", "slip", name, None, new,
                    JOURNAL, self.n,
                )
                for index, (name, new) in enumerate(said.items())
            ]
        )  # fmt: skip

    def a_snapshot_is_taken(self) -> None:
        self.snapshots.append(self._copy(self.station.connection))

    def an_office_pulls(self) -> None:
        self._try(self._office(), self._pulling(self.chance.choice(self.snapshots)))

    def an_office_pulls_the_other(self) -> None:
        one, other = self.chance.sample(self.offices, 2)
        self._try(one, self._pulling(self._copy(other.connection)))

    def an_office_corrects(self) -> None:
        office = self._office()
        known = [key for (key,) in office.connection.execute("SELECT fish_id FROM fish ORDER BY 1")]
        if known:
            wish = Wanted(self.chance.choice(known), self._changes(), "wet sheet")
            at = self._at(self.offices.index(office))
            self._try(office, lambda one: amending(one, at).amend([wish], confirm=True))

    def an_office_undoes(self) -> None:
        office = self._office()
        known = [key for (key,) in office.connection.execute("SELECT amendment_id FROM amendment ORDER BY 1")]
        if known:
            wanted, at = self.chance.choice(known), self._at(self.offices.index(office))
            self._try(office, lambda one: amending(one, at).undo([wanted], why="no"))

    def an_office_imports(self) -> None:
        mapping, day = parse_toml(MAPPING, ImportMapping, "paper.toml"), datetime(2026, 5, 20, tzinfo=UTC)
        self._try(
            self._office(),
            lambda one: Importing(one, book(), who="AB", at=day).run(
                TABLE, "paper.csv", mapping, MAPPING, trial=False
            ),
        )

    def all_is_exchanged(self) -> None:
        self.a_snapshot_is_taken()
        for one, other in ((0, 1), (1, 0)) * 2:
            self._pulling(self.snapshots[-1])(self.offices[one])
            self._pulling(self._copy(self.offices[other].connection))(self.offices[one])

    def _office(self) -> OfficeDatabase:
        return self.chance.choice(self.offices)

    def _changes(self) -> dict[str, str]:
        names = self.chance.sample([*FIELDS], self.chance.randint(1, 3))
        return {name: self.chance.choice(FIELDS[name]) for name in names}

    def _at(self, clock: int) -> str:
        """The clock of an office (0, 1) or of the station (2), which may be set back or be days ahead."""
        self.now_s[clock] += self.chance.choice((0, 1, 3, 60, -500, 90_000))
        return rfc3339(self.now_s[clock])

    def _commit(self, changes: Sequence[Change], seen: Sequence[FrameRow] = ()) -> None:
        self.n += 1
        self.station.commit(changes, seen, checkpoint(float(self.n)))

    def _copy(self, connection: sqlite3.Connection) -> Path:
        self.n += 1
        path = self.folder / f"copy-{self.n}.sqlite"
        connection.execute("VACUUM INTO ?", (str(path),))
        return path

    def _pulling(self, path: Path) -> Callable[[OfficeDatabase], None]:
        def take(into: sqlite3.Connection) -> None:
            merge(into, "bank", rfc3339(MAY_S))

        def pull(office: OfficeDatabase) -> None:
            with attached(office.connection, path):
                office.write(take)

        return pull

    def _try(self, office: OfficeDatabase, work: Callable[[OfficeDatabase], object]) -> None:
        """Every third time SQLite is stopped first, after so many of its looks; that must leave no trace."""
        if self.chance.random() < 1 / 3:
            looks = iter([*[0] * self.chance.randint(0, 60), 1])
            before, through = [*office.connection.iterdump()], False
            office.connection.set_progress_handler(lambda: next(looks, 0), 100)
            with suppress(Exception):
                work(office)
                through = True
            office.connection.set_progress_handler(None, 0)
            assert through or [*office.connection.iterdump()] == before
        work(office)


@pytest.fixture
def opened(tmp_path: Path) -> Iterator[tuple[Store, list[OfficeDatabase]]]:
    with ExitStack() as stack:
        station = stack.enter_context(Store.open(tmp_path / "bank.sqlite"))
        paths = (tmp_path / f"office-{name}.sqlite" for name in "ab")
        offices = [stack.enter_context(OfficeDatabase.open(path)) for path in paths]
        for store in (
            station,
            *(one.store for one in offices),
        ):  # that commits are durable is shown elsewhere
            store.connection.execute("PRAGMA synchronous = OFF")
        yield station, offices


SEEDS = [*range(6), *(pytest.param(seed, marks=pytest.mark.long) for seed in range(6, 120))]


@pytest.mark.parametrize("seed", SEEDS)
def test_two_offices_show_the_same_once_each_has_pulled_the_other(
    tmp_path: Path, opened: tuple[Store, list[OfficeDatabase]], seed: int
) -> None:
    station, offices = opened
    story = Story(tmp_path, Random(seed), station, offices)
    steps = {
        story.a_fish_is_worked_up: 1, story.the_crew_corrects: 4, story.a_snapshot_is_taken: 2, story.an_office_pulls: 4,
        story.an_office_pulls_the_other: 2, story.an_office_corrects: 5, story.an_office_undoes: 2,
        story.an_office_imports: 1,
    }  # fmt: skip
    for step in story.chance.choices([*steps], weights=[*steps.values()], k=STEPS):
        step()
    story.all_is_exchanged()
    here, there = (one.connection for one in offices)
    # Where both took back one correction, one amendment has two texts: a person decides, and till then they may differ.
    clashes = [
        one
        for connection in (here, there)
        for one in conflicts(connection, decided=None)
        if not one.kind.startswith("both amended")
    ]
    assert {one.kind for one in clashes} <= {"amendment", "batch_amendment"}
    unsure = {one.fish_id for one in clashes}
    for view, rows in shown(here).items():
        if view in ("fish_all", "worked_fish", "finding_list", "observation_list"):
            other = shown(there)[view]
            assert [one for one in rows if one[0] not in unsure] == [
                one for one in other if one[0] not in unsure
            ]
        elif not unsure:
            assert rows == shown(there)[view]
    if not unsure:
        packs = (
            make_pack(one, ["Mill Pond"], book(), office_id="o", made_at=rfc3339(MAY_S))
            for one in (here, there)
        )
        assert len({tuple(one.pack.files.items()) for one in packs}) == 1
    for own in (here, there):
        assert own.execute("PRAGMA foreign_key_check").fetchall() == []
        for table, key in (("fish", "fish_id"), ("reading", "raw"), ("amendment", "amendment_id")):
            query = f"SELECT {key} FROM {table}"
            assert {*station.connection.execute(query)} <= {*own.execute(query)}
