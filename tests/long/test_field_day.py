"""Twelve hours at a bench whose instruments say sixty lines a second, through the station's recorder at full speed.

`TALLYWELL_FIELD_HOURS` makes the day shorter or longer: 12 hours are 2.6 million lines, worked up and then read
again by the rebuild.
"""

import gc
import os
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from statistics import median

import pytest

from ingest.commits import CommitQueue
from ingest.frames import Frame
from ingest.journal_reading import journal_files
from ingest.loop import FLUSH_S
from ingest.overlay import OverlayLookup
from ingest.rebuild import rebuild
from ingest.records import Announcement
from ingest.resume import Now, Start, on_grid
from ingest.station_config import load_station
from ingest.store import Store
from simulators.day import Act, Day, Deed, TimedBytes, utterances
from simulators.voices import BoardVoice, ScaleVoice, TagVoice, Voice
from tests.ingest.stations import MAY_2026_S, write_station

HOURS = float(os.environ.get("TALLYWELL_FIELD_HOURS", "12"))
SCALE_LINES_PER_S = 60.0  # the scale alone; reader and board come on top
FISH_EVERY_S = 10.0
MEGABYTE = 1 << 20
LOOKS_PER_HOUR = 6
MOST_GROWTH = 1.15  # the last quarter of the day against its second quarter
PAGE_BYTES = os.sysconf("SC_PAGE_SIZE")


@dataclass(slots=True)
class Hour:
    """What one hour brought, and what it left on the disk."""

    lines: int = 0
    journal_bytes: int = 0
    fish: int = 0


def field_day(hours: float) -> Iterator[TimedBytes]:
    """A steady day: a new fish every ten seconds, each with its own tag, length and plausible weight."""
    acts: list[Act] = []
    for number in range(int(hours * 3600 / FISH_EVERY_S)):
        t_s, length_mm = 1.0 + number * FISH_EVERY_S, 250 + number % 150
        weight_g = round(1.2e-5 * length_mm**3 + number // 150 % 50 * 0.1, 1)
        acts += [
            Act(t_s, Deed.SCAN, "reader", text=f"98512{number:010}", repeats=3),
            Act(t_s + 2.0, Deed.MEASURE, "board", length_mm),
            Act(t_s + 4.0, Deed.PUT_ON, "scale", weight_g, wriggle_s=0.8),
            Act(t_s + 7.0, Deed.TAKE_OFF, "scale"),
        ]
    voices: dict[str, Voice] = {
        "reader": TagVoice(),
        "board": BoardVoice(),
        "scale": ScaleVoice(lines_per_s=SCALE_LINES_PER_S),
    }
    return utterances(Day(voices, tuple(acts), hours * 3600), hours * 3600)


@pytest.mark.long
@pytest.mark.timeout(2 * 3600)
def test_a_long_field_day_stays_in_flat_memory_and_rebuilds(tmp_path: Path) -> None:
    station = load_station(write_station(tmp_path))
    hours, memory, began_s = [Hour()], list[float](), time.monotonic()
    look_every_s = 3600 / LOOKS_PER_HOUR if HOURS >= 2 else HOURS * 3600 / 16
    with Store.open(station.database) as store:
        queue = CommitQueue(store, lambda: 0.0)
        lookup = OverlayLookup(store.lookup, queue.unstored)
        started = Start(station, store, queue, lookup, version="field day").run(Now(MAY_2026_S, 0.0, "boot"))
        recorder = started.recorder
        next_look_s, next_flush_s, t_s, before_bytes = look_every_s, FLUSH_S, 0.0, 0
        for said in field_day(HOURS):
            t_s = on_grid(said.t_s)
            while (due_s := recorder.engine.next_deadline_s()) is not None and due_s < t_s:
                hours[-1].fish += _saved(recorder.advance(due_s))
            if t_s >= next_flush_s:
                recorder.retry()
                next_flush_s += FLUSH_S
            if t_s >= 3600 * len(hours):
                hours[-1].journal_bytes = _journal_bytes(station.journal) - before_bytes
                before_bytes += hours[-1].journal_bytes
                _print_hour(len(hours), hours[-1], memory, time.monotonic() - began_s)
                hours.append(Hour())
            if t_s >= next_look_s:
                memory.append(_resident_mb())
                next_look_s += look_every_s
            hours[-1].lines += 1
            hours[-1].fish += _saved(recorder.feed(Frame(0, t_s, "", said.instrument, said.data)))
        recorder.feed(Frame(0, t_s, "", station.name, None, "stop"))
        recorder.save_checkpoint()
        assert recorder.journal is not None
        recorder.journal.close()
        hours[-1].journal_bytes = _journal_bytes(station.journal) - before_bytes
        _print_hour(len(hours), hours[-1], memory, time.monotonic() - began_s)
        stored = store.connection.execute("SELECT count(*) FROM fish").fetchone()[0]
    lines, fish = sum(one.lines for one in hours), sum(one.fish for one in hours)
    worked_s, began_s = time.monotonic() - began_s, time.monotonic()
    report = rebuild(station.database)
    quarter = len(memory) // 4
    early_mb, late_mb = median(memory[quarter : 2 * quarter]), median(memory[-quarter:])
    print(
        f"\n  {HOURS:g} hours, {lines:,} lines, {fish:,} fish in {worked_s:.0f} s ({lines / worked_s:,.0f} lines/s); memory "
        f"{early_mb:.1f} MB in the second quarter, {late_mb:.1f} MB in the last; database "
        f"{station.database.stat().st_size / MEGABYTE:.1f} MB; {report.lines()[0]} ({time.monotonic() - began_s:.0f} s)"
    )
    assert report.agrees, "\n".join(report.lines()[:20])
    assert fish == stored == int(HOURS * 3600 / FISH_EVERY_S)
    assert lines >= HOURS * 3600 * SCALE_LINES_PER_S
    assert late_mb <= early_mb * MOST_GROWTH, f"memory grew: {memory}"


def _saved(announcements: list[Announcement]) -> int:
    return sum(one.name == "fish_saved" for one in announcements)


def _print_hour(number: int, hour: Hour, memory: list[float], seconds: float) -> None:
    held = f"{memory[-1]:.1f} MB of memory" if memory else "memory not looked at yet"
    size_mb = hour.journal_bytes / MEGABYTE
    said = f"hour {number}: {hour.lines:,} lines, {hour.fish:,} fish, journal {size_mb:.1f} MB, {held}"
    print(f"\n  {said} (after {seconds:.0f} s)", end="", flush=True)


def _journal_bytes(folder: Path) -> int:
    return sum(path.stat().st_size for path in journal_files(folder))


def _resident_mb() -> float:
    """What this process holds in memory now."""
    gc.collect()
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * PAGE_BYTES / MEGABYTE
