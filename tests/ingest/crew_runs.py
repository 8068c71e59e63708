"""Random crews worked up by the pure engine, and the share of their records that mix two fish unseen."""

import random
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from ingest.engine import Engine, Step
from ingest.engine_state import load_state
from ingest.frames import Frame, Header, rfc3339
from ingest.records import AddFinding, FishRecord, PriorCapture, Status
from ingest.station import Station
from ingest.station_config import load_station
from simulators.crew import BASS, BLUEGILL, Crew, work
from simulators.day import Deed, render
from simulators.truth import WorkedDay
from tests.ingest.desk import MemoryLookup

Order = Literal["first", "found_first", "last", "any"]
STARTED_S = 1_778_590_800.0  # 2026-05-12T13:00:00Z

# How the crew of each order works. Where found tags come first, a disciplined crew reads each new tag last.
CREWS: dict[Order, Crew] = {
    "first": Crew(tags="first", inserted_last=0.0, stocks=(BASS, BLUEGILL)),
    "found_first": Crew(tags="first", inserted_last=1.0, stocks=(BASS, BLUEGILL)),
    "last": Crew(tags="last", stocks=(BASS, BLUEGILL)),
    "any": Crew(tags="any", stocks=(BASS, BLUEGILL)),
}


@dataclass
class Tally:
    """What became of the fish of many crews. `unmarked` are the mix-ups that nobody would see."""

    counts: Counter[str] = field(default_factory=Counter)
    unmarked: list[tuple[int, FishRecord]] = field(default_factory=list)

    def __str__(self) -> str:
        triples = self.counts["triples"]
        return (
            f"{self.counts['fish']} fish, {self.counts['records']} records, {self.counts['held']} times held, "
            f"{triples} with tag, length and weight: {self.counts['mixed']} mixed, {len(self.unmarked)} of them "
            f"unmarked ({100 * len(self.unmarked) / max(triples, 1):.3f} %)"
        )


def crew_station(folder: Path, order: Order, worked: WorkedDay) -> Station:
    cards = "".join(f'"{tag}" = "{command}"\n' for command, tag in worked.cards.items())
    path = folder / f"{order}.toml"
    path.write_text(
        f"""
[station]
name = "crew-bank"
[survey]
water = "Reedmace Pond"
[bench.main]
species = "largemouth_bass"
tags = "{order}"
[[instrument]]
name = "reader"
use = "tag_plain"
port = "/dev/serial/by-id/reader"
[[instrument]]
name = "board"
use = "board_mm"
port = "/dev/serial/by-id/board"
[[instrument]]
name = "scale"
use = "scale_state_prefix"
port = "/dev/serial/by-id/scale"
[commands.tags]
{cards}"""
    )
    return load_station(path)


def work_up(worked: WorkedDay, station: Station, seed: int, tally: Tally) -> None:
    """One crew's day through the engine, restarts included; then every record is held against the truth."""
    lookup = MemoryLookup(stock=set(worked.inventory))
    for row in worked.history:
        capture = PriorCapture(row.at, row.water, None, row.species, row.length_mm, row.weight_g, row.fate)
        lookup.history.setdefault(row.tag, []).append(capture)
    engine = Engine(station, lookup)
    rng = random.Random(seed)
    journal, start_s = 0, 0.0

    doubted: set[str] = set()

    def take(step: Step) -> None:
        for change in step.changes:
            lookup.take(change)
            if isinstance(change, AddFinding):
                doubted.add(change.fish_id)
        tally.counts["held"] += sum(said.name == "fish_held" for said in step.announcements)

    def begin(boot: str) -> None:
        header = Header(f"{seed}-{journal}", "crew-bank", rfc3339(STARTED_S + start_s), boot, start_s)
        take(engine.begin_journal(header))

    begin("boot 0")
    t_s = 0.0
    for said in render(worked.day):
        t_s = said.t_s
        if said.event is Deed.RESTART:
            engine = Engine(station, lookup, load_state(engine.checkpoint()))
            journal, start_s = journal + 1, t_s
            begin("boot 0" if rng.random() < 0.5 else f"boot {journal}")
        elif said.event is None:
            take(engine.feed(Frame(0, t_s - start_s, "", said.instrument, said.data)))
    take(engine.feed(Frame(0, t_s - start_s, "", "station", None, "stop")))
    _judge(worked, lookup, doubted, seed, tally)


def _judge(worked: WorkedDay, lookup: MemoryLookup, doubted: set[str], seed: int, tally: Tally) -> None:
    counts = tally.counts
    counts["fish"] += len(worked.fish)
    for fish in lookup.saved.values():
        counts["records"] += 1
        if fish.tag is None or fish.length_mm is None or fish.weight_g is None:
            continue
        counts["triples"] += 1
        if worked.owners(fish.tag, fish.length_mm, fish.weight_g):
            continue
        counts["mixed"] += 1
        marked = bool(fish.findings) or fish.fish_id in doubted
        if not marked and fish.status in (Status.SAVED, Status.CONFIRMED):
            tally.unmarked.append((seed, fish))


def run_crews(order: Order, crews: int, fish: int, folder: Path, first_seed: int = 0) -> Tally:
    tally = Tally()
    station: Station | None = None
    for seed in range(first_seed, first_seed + crews):
        worked = work(CREWS[order], seed, fish)
        station = station or crew_station(folder, order, worked)
        work_up(worked, station, seed, tally)
    return tally
