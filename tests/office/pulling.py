"""Stations to pull from and offices that pull, as tests need them. All of it is invented."""

import json
import sqlite3
from pathlib import Path

from ingest.records import SaveFish
from ingest.snapshots import Snapshots
from ingest.store import Checkpoint, Store
from office.database import OfficeDatabase
from office.pull import Pulled, PullReport, find_source, pull
from tests.ingest.builders import fish, frames, ready

NOW_S = 1_778_700_000.0  # 2026-05-13T19:20:00Z
TAKEN_AT = "2026-05-12T18:00:00.000Z"
VIEWS = (
    "fish_all", "worked_fish", "tag_history", "finding_list", "observation_list", "batch_list", "run_list", "catch",
)  # fmt: skip


def checkpoint(t_s: float, *, doubtful: bool = False) -> Checkpoint:
    """A station's checkpoint at this engine time, as far as a pull reads it."""
    return Checkpoint(json.dumps({"engine": {"t_s": t_s, "time": {"doubtful": doubtful}}}), "a.jsonl", 10, 1)


def station(path: Path, fish_count: int = 3, t_s: float = 100.0) -> Store:
    """An open station's database with so many closed fish."""
    store = ready(path)
    records = [fish(number) for number in range(1, fish_count + 1)]
    store.commit(
        [SaveFish(one) for one in records],
        [frame for one in records for frame in frames(one)],
        checkpoint(t_s),
    )
    return store


def write_snapshot(
    store: Store, folder: Path, *, at: str = TAKEN_AT, name: str = "bank", doubtful: bool = False
) -> Path:
    """A snapshot with its manifest, as the station makes them."""
    return Snapshots(store, folder, 0.0).take(0.0, 1, at, name, doubtful).path


def nothing(what: str, done: int, whole: int) -> None:
    """A progress bar that nobody watches."""


def pull_all(office: OfficeDatabase, source: object, now_s: float = NOW_S) -> PullReport:
    return pull(office, find_source(str(source), office.path), now_s, nothing)


def pull_one(office: OfficeDatabase, source: object, now_s: float = NOW_S) -> Pulled:
    """A pull of exactly one snapshot, with nothing left out."""
    report = pull_all(office, source, now_s)
    assert report.left_out == []
    (one,) = report.pulled
    return one


def dump(connection: sqlite3.Connection) -> list[str]:
    """Every row of every table but the log of pulls, byte for byte."""
    return [line for line in connection.iterdump() if not line.startswith('INSERT INTO "pull"')]


def shown(connection: sqlite3.Connection) -> dict[str, list[tuple[object, ...]]]:
    """What every public view shows, in an order of its own."""
    return {
        view: sorted(connection.execute(f'SELECT * FROM "{view}"').fetchall(), key=repr) for view in VIEWS
    }


def ids(connection: sqlite3.Connection) -> set[str]:
    return {key for (key,) in connection.execute("SELECT fish_id FROM fish")}
