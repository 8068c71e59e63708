"""Whatever the order in which an office learns of things, its views show the same."""

import random
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ingest.catch_records import AmendBatch, SaveBatch
from ingest.frames import rfc3339
from ingest.records import Amend, Change, Observation, SaveFish, derived_id
from ingest.store import Store
from ingest.store.writer import Writer
from office.database import OfficeDatabase
from office.merge import attached, merge
from tests.ingest.builders import batch, fish, run, survey
from tests.office.pulling import checkpoint, shown

STATIONS = ("bank", "deck")
OFFICE = "office-here"
MAY_S = 1_778_590_800
FIELDS = ("species", "length_mm", "relative_weight", "void", "sex")
NUMBERS = st.integers(0, 99)
VALUES = {
    "length_mm": NUMBERS.map(lambda n: f"{300 + n / 2:g}"),
    "relative_weight": NUMBERS.map(lambda n: f"{80 + n}"),
    "void": st.sampled_from(("0", "1")),
}
WORDS = NUMBERS.map(lambda n: f"word {n}")


@dataclass(frozen=True)
class Correction:
    """Some fields of one record, at a time of a clock that may be wrong."""

    record: int  # 0, 1: fish; 2: a batch
    at_s: int
    fields: tuple[tuple[str, str | None], ...]


@st.composite
def corrections(draw: st.DrawFn) -> Correction:
    record = draw(st.sampled_from((0, 0, 0, 1, 2)))
    names = ("species", "fate", "void") if record == 2 else FIELDS
    chosen = draw(st.lists(st.sampled_from(names), min_size=1, max_size=3, unique=True))
    fields = tuple((name, draw(VALUES.get(name, WORDS))) for name in chosen)
    # A clock without a battery wakes up in 1970, another one is days ahead; mostly both are near.
    at_s = draw(st.sampled_from((MAY_S, MAY_S + 1, MAY_S + 2, MAY_S + 5, 100, MAY_S + 900_000)))
    return Correction(record, at_s, fields)


@dataclass(frozen=True)
class Story:
    """What happens: per station its corrections and after how many of them a snapshot is taken, and the office's."""

    stations: dict[str, tuple[list[Correction], list[int]]]
    office: list[tuple[str, Correction]]


@st.composite
def stories(draw: st.DrawFn) -> Story:
    stations = {}
    for name in STATIONS:
        made = draw(st.lists(corrections(), max_size=6))
        cuts = draw(st.lists(st.integers(0, len(made)), min_size=1, max_size=3))
        stations[name] = (made, sorted({*cuts, len(made)}))
    own = draw(st.lists(st.tuples(st.sampled_from(STATIONS), corrections()), max_size=8))
    return Story(stations, own)


def records(name: str) -> list[Change]:
    """What one station has before anybody corrects it."""
    survey_id = f"survey-{name}"
    seen = (Observation("sex", "female"),)
    made: list[Change] = [survey(survey_id=survey_id, station=name, name=None), run(survey_id=survey_id)]
    for number in (0, 1):
        own = {"fish_id": f"fish-{name}-{number}", "journal_id": name, "readings": ()}
        made.append(SaveFish(fish(number, survey_id=survey_id, station=name, observations=seen, **own)))
    made.append(SaveBatch(batch(1, batch_id=f"batch-{name}", journal_id=name, survey_id=survey_id)))
    return made


def amendments(name: str, correction: Correction, journal: str, n: int) -> list[Change]:
    """One correction as the store takes it: one number, an amendment a field."""
    at, kind = rfc3339(correction.at_s), "batch" if correction.record == 2 else "fish"
    record = f"batch-{name}" if kind == "batch" else f"fish-{name}-{correction.record}"
    made = AmendBatch if kind == "batch" else Amend
    return [
        made(derived_id(kind, journal, n, index), record, at, "AB", "why", field, None, new, journal, n)
        for index, (field, new) in enumerate(correction.fields)
    ]


def blank(template: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(":memory:", isolation_level=None)
    connection.deserialize(template.read_bytes())
    connection.execute("PRAGMA foreign_keys = 1")
    connection.execute("PRAGMA recursive_triggers = 1")
    return connection


def write(connection: sqlite3.Connection, changes: list[Change], t_s: float | None = None) -> None:
    connection.execute("BEGIN")
    Writer(connection).apply(changes, (), None if t_s is None else checkpoint(t_s))
    connection.execute("COMMIT")


def snapshots(template: Path, story: Story, folder: Path) -> Iterator[tuple[str, Path]]:
    """The snapshots of all stations; each also names its survey anew, for a row that is written over."""
    for name, (made, cuts) in story.stations.items():
        with closing(blank(template)) as station:
            write(station, records(name), 1.0)
            for done in range(len(made) + 1):
                if done:
                    write(station, amendments(name, made[done - 1], f"journal-{name}-{done % 2}", 100 + done))
                if done in cuts:
                    place = {"survey_id": f"survey-{name}", "station": name}
                    write(station, [survey(**place, name=f"after {done}")], 10.0 + done)
                    path = folder / f"{name}-{done}.sqlite"
                    path.write_bytes(station.serialize())
                    yield name, path


def learned(
    template: Path, taken: list[tuple[str, Path]], own: list[tuple[str, Correction]], order: random.Random
) -> sqlite3.Connection:
    """An office that pulls in this order, with some pulls twice, and makes its corrections as soon as it can."""
    office = blank(template)
    queue = [*taken, *order.sample(taken, k=min(2, len(taken)))]
    order.shuffle(queue)
    waiting, known, n = list(own), set[str](), 0
    for name, path in queue:
        with attached(office, path):
            office.execute("BEGIN")
            merge(office, name, "2026-05-20T00:00:00.000Z")
            office.execute("COMMIT")
        known.add(name)
        while waiting and waiting[0][0] in known and (order.random() < 0.5 or known == set(STATIONS)):
            n += 1
            about, correction = waiting.pop(0)
            write(office, amendments(about, correction, OFFICE, n))
    assert not waiting
    return office


def last_said(name: str, record: int, field: str, story: Story) -> str | None:
    """The rule in other words: each origin's own corrections in its order, none earlier than the one before; then
    by time, the office after a station at the same time."""
    said: list[tuple[str, int, int, str | None]] = []
    for rank, made in (
        (0, story.stations[name][0]),
        (1, [one for about, one in story.office if about == name]),
    ):
        latest = ""
        for place, one in enumerate(one for one in made if one.record == record):
            latest = max(latest, rfc3339(one.at_s))
            said += [(latest, rank, place, new) for key, new in one.fields if key == field]
    return max(said, key=lambda one: one[:3])[3] if said else "as it was"


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("template") / "office.sqlite"
    OfficeDatabase.open(path).close()
    return path


@pytest.fixture(scope="module")
def station_template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("template") / "station.sqlite"
    Store.open(path).close()
    return path


@settings(
    max_examples=20,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(story=stories(), seed=st.integers(0, 1 << 30))
def test_the_views_do_not_depend_on_the_order_of_pulling(
    template: Path, station_template: Path, tmp_path: Path, story: Story, seed: int
) -> None:
    taken = list(snapshots(station_template, story, tmp_path))
    order = random.Random(seed)
    with (
        closing(learned(template, taken, story.office, order)) as one,
        closing(learned(template, taken, story.office, order)) as other,
    ):
        assert shown(one) == shown(other)
        assert one.execute("PRAGMA foreign_key_check").fetchall() == []
        for name in STATIONS:
            (named,) = one.execute(
                "SELECT name FROM survey WHERE survey_id = ?", (f"survey-{name}",)
            ).fetchone()
            assert named == f"after {len(story.stations[name][0])}"
            for number in (0, 1):
                row = one.execute(
                    "SELECT species, length_mm FROM fish_all WHERE fish_id = ?",
                    (f"fish-{name}-{number}",),
                ).fetchone()
                expected = [last_said(name, number, field, story) for field in ("species", "length_mm")]
                usual = ("LMB", 412.0)
                assert list(row) == [
                    was if new == "as it was" else float(new) if field == 1 and new else new
                    for field, (was, new) in enumerate(zip(usual, expected, strict=True))
                ]
            if not any(about == name for about, _ in story.office):
                last = next(path for about, path in reversed(taken) if about == name)
                with closing(sqlite3.connect(last)) as station:
                    for view in ("fish_all", "observation_list", "batch_list"):
                        key = "batch_id" if view == "batch_list" else "fish_id"
                        own = f"SELECT * FROM {view} WHERE {key} GLOB '*-{name}*' ORDER BY 1, 2, 3"
                        assert one.execute(own).fetchall() == station.execute(own).fetchall()
