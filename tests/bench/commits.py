"""One fish into the database: the journal modes of SQLite side by side, in syncs of this disk."""

import os
import time
from contextlib import ExitStack
from functools import partial
from pathlib import Path

from ingest.records import SaveFish
from ingest.station_config import load_station
from ingest.store import Checkpoint, JournalMode, Store
from tests.bench.measure import Line, in_turns, middle_line, tail_line
from tests.ingest.builders import fish, frames, run, survey
from tests.ingest.desk import Desk, write_station

PAGE = bytes(4096)
ONE_SYNC = "append 4 KiB + fdatasync"
_SYNCHRONOUS = {mode: "EXTRA" if mode is JournalMode.DELETE else "FULL" for mode in JournalMode}


def compare_journal_modes(folder: Path, rounds: int, commits: int) -> list[Line]:
    """Time the store's own commit (fish, frames, checkpoint) in each mode; values in ms."""
    state = _usual_state(folder)
    with ExitStack() as closing:
        log = os.open(folder / "syncs", os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
        closing.callback(os.close, log)
        stores: dict[str, Store] = {}
        for mode in JournalMode:
            name = f"{mode.value.upper()} + {_SYNCHRONOUS[mode]}"
            stores[name] = closing.enter_context(Store.open(folder / f"{mode}.sqlite", journal_mode=mode))
            stores[name].commit([survey(), run()])

        contestants = {name: partial(_commit, store, state) for name, store in stores.items()}
        samples = in_turns({ONE_SYNC: partial(_sync, log), **contestants}, rounds, commits)
    lines = [middle_line(f"commit of a fish, {name}", samples, name, ONE_SYNC, "ms") for name in stores]
    return lines + [tail_line(f"the same, p99, {name}", samples, name, ONE_SYNC, "ms") for name in stores]


def _usual_state(folder: Path) -> str:
    """The state of a station with a fish in hand, as each commit stores it."""
    desk = Desk(load_station(write_station(folder)))
    desk.scan("985000000000100").length(312).weigh(400).scan("985000000000101")
    return desk.engine.checkpoint()


def _sync(log: int, turn: int) -> list[float]:
    began_s = time.perf_counter()
    os.write(log, PAGE)
    os.fdatasync(log)
    return [(time.perf_counter() - began_s) * 1000]


def _commit(store: Store, state: str, turn: int) -> list[float]:
    record = fish(turn + 1, tag=f"9851200{turn:08}")
    rows = frames(record)
    place = Checkpoint(state, "20260512T130000Z-mill-pond-3f9a77c0-001.jsonl", 100 * turn, 10 * turn)
    began_s = time.perf_counter()
    store.commit([SaveFish(record)], rows, place)
    return [(time.perf_counter() - began_s) * 1000]
