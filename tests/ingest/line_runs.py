"""Two-person lines worked up by the pure engine, with a crew that listens: when the line is stopped, it gives `shift`."""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from fishery.alignment import WINDOW
from ingest.engine import Engine, Step
from ingest.frames import Frame, Header, rfc3339
from ingest.records import AddFinding, Amend, FishRecord, SaveFish, Status
from ingest.station import Station
from ingest.station_config import load_station
from simulators.day import render
from simulators.line_crew import LineCrew, work_line
from simulators.truth import WorkedDay
from tests.ingest.desk import MemoryLookup

STARTED_S = 1_778_590_800.0  # 2026-05-12T13:00:00Z
INSTRUMENTS = {"reader": "tag_plain", "board": "board_mm", "scale": "scale_print_key"}


def line_station(folder: Path, cards: Mapping[str, str]) -> Station:
    tables = "".join(
        f'[[instrument]]\nname = "{name}"\nuse = "{use}"\nport = "/dev/serial/by-id/{name}"\n'
        for name, use in INSTRUMENTS.items()
    )
    commands = "".join(f'"{tag}" = "{command}"\n' for command, tag in cards.items())
    path = folder / "line.toml"
    path.write_text(
        '[station]\nname = "line-bank"\n[survey]\nwater = "Reedmace Pond"\n'
        f'[bench.main]\nspecies = "largemouth_bass"\nflow = "line"\ntags = "first"\n{tables}[commands.tags]\n{commands}'
    )
    return load_station(path)


@dataclass
class LineDay:
    """One day: the records as they read now, and what the watch did.

    delays: for each time that the line was stopped, how many fish had been saved since one of the last
    `WINDOW` that has a weight not its own. false: how often it was stopped and there was none. shifts: commands given.
    """

    worked: WorkedDay
    records: dict[str, FishRecord] = field(default_factory=dict)
    marked: set[str] = field(default_factory=set)
    weighed: list[str] = field(default_factory=list)
    delays: list[int] = field(default_factory=list)
    false: int = 0
    shifts: int = 0

    def take(self, step: Step) -> bool:
        """What one step gave; True if the line is stopped."""
        for change in step.changes:
            if isinstance(change, SaveFish):
                self.records[change.fish.fish_id] = change.fish
                if change.fish.closed and change.fish.rule == "line_weight":
                    self.weighed.append(change.fish.fish_id)
            elif isinstance(change, AddFinding):
                self.marked.add(change.fish_id)
            elif isinstance(change, Amend):
                self._amend(change)
        return any(said.name == "line_stopped" for said in step.announcements)

    def _amend(self, change: Amend) -> None:
        value = (
            None if change.field not in ("weight_g", "length_mm") or change.new is None else float(change.new)
        )
        before = self.records[change.fish_id]
        if change.field == "weight_g":
            self.records[change.fish_id] = replace(before, weight_g=value)
        elif change.field == "length_mm":
            self.records[change.fish_id] = replace(before, length_mm=value)

    def note_stop(self) -> None:
        last = self.weighed[-WINDOW:]
        off = [index for index, fish_id in enumerate(last) if not self.is_right(self.records[fish_id])]
        if off:
            self.delays.append(self._since_right(last))
        else:
            self.false += 1

    def _since_right(self, last: list[str]) -> int:
        """Fish saved since the last two in a row that were right (one may be right by chance)."""
        right = [self.is_right(self.records[fish_id]) for fish_id in last]
        for place in range(len(right) - 1, 0, -1):
            if right[place] and right[place - 1]:
                return len(right) - 1 - place
        return len(right)

    def is_right(self, fish: FishRecord) -> bool:
        return bool(self.worked.owners(fish.tag, fish.length_mm, fish.weight_g))

    def mixed(self) -> list[FishRecord]:
        """Records whose length and weight are of two fish."""
        counted = [fish for fish in self.records.values() if fish.status is not Status.VOID]
        return [fish for fish in counted if not self.is_right(fish)]

    def is_marked(self, fish: FishRecord) -> bool:
        return bool(fish.findings) or fish.fish_id in self.marked


def run_line(worked: WorkedDay, station: Station) -> LineDay:
    """The day through the engine. The crew gives `shift` when it is told to stop, and again if it is told again."""
    lookup = MemoryLookup(stock=set(worked.inventory))
    engine = Engine(station, lookup)
    day = LineDay(worked)

    def take(step: Step) -> bool:
        for change in step.changes:
            lookup.take(change)
        return day.take(step)

    def command(t_s: float, text: str) -> bool:
        return take(engine.feed(Frame(0, t_s, "", "control", None, "command", {"command": text})))

    take(engine.begin_journal(Header("line", "line-bank", rfc3339(STARTED_S), "boot", 0.0)))
    t_s = 0.0
    for said in render(worked.day):
        t_s = said.t_s
        stopped = take(engine.feed(Frame(0, t_s, "", said.instrument, said.data)))
        if stopped:
            day.note_stop()
        for _ in range(3):
            if stopped:
                day.shifts += 1
                stopped = command(t_s, "shift")
    command(t_s, "survey close")
    return day


@dataclass
class LineTally:
    """What became of many days."""

    counts: Counter[str] = field(default_factory=Counter)
    delays: list[int] = field(default_factory=list)

    def __str__(self) -> str:
        counts = self.counts
        late = sum(delay > 8 for delay in self.delays)
        return (
            f"{counts['days']} days, {counts['weighed']} fish weighed, {counts['mishaps']} mishaps; {len(self.delays)} "
            f"stops for a slip ({late} later than 8 fish), {counts['false']} for none; at the end {counts['mixed']} "
            f"records mix two fish, {counts['unmarked']} of them unmarked"
        )


_SHIFTING = {"skipped_weighing", "weighed_twice", "jumped", "measured_again_unsaid"}


def run_lines(crew: LineCrew, seeds: Iterable[int], fish: int, folder: Path) -> LineTally:
    tally = LineTally()
    station: Station | None = None
    for seed in seeds:
        worked = work_line(crew, seed, fish)
        station = station or line_station(folder, worked.cards)
        day = run_line(worked, station)
        mixed = day.mixed()
        tally.counts["days"] += 1
        tally.counts["weighed"] += len(day.weighed)
        tally.counts["mishaps"] += sum(bool(_SHIFTING & set(one.mistakes)) for one in worked.fish)
        tally.counts["false"] += day.false
        tally.delays += day.delays
        tally.counts["mixed"] += len(mixed)
        tally.counts["unmarked"] += sum(not day.is_marked(one) for one in mixed)
    return tally
