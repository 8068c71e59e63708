"""A bench under test: the pure engine with real instrument files and a look-up kept in dictionaries.

The crew's acts become the bytes that real instruments of the shipped shapes would send, so a test reads like a
day and still goes through framing, decoding and settling.
"""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from ingest.engine import Engine, Step
from ingest.frames import Frame, Header
from ingest.records import (
    AddSighting,
    Amend,
    Announcement,
    AttachReading,
    Change,
    FishRecord,
    PriorCapture,
    SaveFish,
    SaveSurvey,
    Status,
)
from ingest.station import Station
from ingest.station_config import load_station

STARTED = "2026-05-12T13:00:00.000Z"
KNOWN = "985000000000001"  # recaptured bass, last May: 310 mm, 400 g
KNOWN_TWO = "985000000000002"
STOCK = tuple(f"98500000000010{i}" for i in range(10))  # inventory, unused
FOREIGN = "956000000000777"
CARDS = {
    "999000000000901": "untagged",
    "999000000000902": "again",
    "999000000000903": "void",
    "999000000000904": "keep",
    "999000000000905": "next",
    "999000000000906": "both",
    "999000000000907": "resume",
    "999000000000908": "no-weight",
    "999000000000909": "fate escaped",
    "999000000000910": "species bluegill",
    "999000000000911": "species-once bluegill",
}

_STATION = """
[station]
name = "test-bank"
protocol = "{protocol}"

{survey}

[bench.main]
species = "largemouth_bass"
{rules}

[[instrument]]
name = "reader"
use = "{reader}"
port = "/dev/serial/by-id/reader"

[[instrument]]
name = "board"
use = "board_mm"
port = "/dev/serial/by-id/board"
[instrument.keys]
"07" = "void"

[[instrument]]
name = "scale"
use = "{scale}"
port = "/dev/serial/by-id/scale"

[commands.tags]
"""


def write_station(
    folder: Path,
    *,
    rules: str = "",
    protocol: str = "all_parts",
    reader: str = "tag_plain",
    scale: str = "scale_print_key",
    inventory: bool = True,
    survey: bool = True,
    own_protocol: str = "",
    more: str = "",
) -> Path:
    """A station's folder with its file, an inventory and a history: all invented.

    `rules` are lines of the bench's table; `own_protocol` is the text of a protocol file instead of a shipped one;
    `more` are further tables of the station's file.
    """
    if own_protocol:
        (folder / "own.toml").write_text(own_protocol)
        protocol = "own.toml"
    opened = '[survey]\nwater = "Alder Pond"' if survey else ""
    text = _STATION.format(rules=rules, protocol=protocol, reader=reader, scale=scale, survey=opened)
    text += "".join(f'"{tag}" = "{command}"\n' for tag, command in CARDS.items())
    path = folder / "station.toml"
    path.write_text(text + more)
    if inventory:
        (folder / "inventory").mkdir(exist_ok=True)
        (folder / "inventory" / "stock.csv").write_text("tag\n" + "\n".join(STOCK) + "\n")
    (folder / "history").mkdir(exist_ok=True)
    (folder / "history" / "last_year.csv").write_text(
        "tag,at,water,species,length_mm,weight_g,fate\n"
        f"{KNOWN},2025-05-14T15:00:00Z,Alder Pond,largemouth_bass,310,400,released\n"
        f"{KNOWN_TWO},2025-05-14T15:20:00Z,Alder Pond,bluegill,180,120,released\n"
    )
    return path


@dataclass
class MemoryLookup:
    """The look-up of the engine over plain dictionaries, fed with the changes as they come."""

    history: dict[str, list[PriorCapture]] = field(default_factory=dict)
    stock: set[str] = field(default_factory=set)
    saved: dict[str, FishRecord] = field(default_factory=dict)
    void: set[str] = field(default_factory=set)
    pairs: list[tuple[float, float]] = field(default_factory=list)

    def take(self, change: Change) -> None:
        if isinstance(change, SaveFish):
            self.saved[change.fish.fish_id] = change.fish
        elif isinstance(change, Amend) and change.field == "void" and change.new == "1":
            self.void.add(change.fish_id)

    def captures(self, tag: str, before: str | None) -> tuple[PriorCapture, ...]:
        return tuple(self.history.get(tag, ()))

    def in_survey(self, survey_id: str, tag: str) -> str | None:
        for fish in self.saved.values():
            booked = [t for t, role in fish.tags if role != "set_aside"]
            void = fish.status is Status.VOID or fish.fish_id in self.void
            if fish.closed and not void and fish.survey_id == survey_id and tag in booked:
                return fish.fish_id
        return None

    def inventory(self, tag: str) -> Literal["unused", "used"] | None:
        return "unused" if tag in self.stock else None

    def inventory_loaded(self) -> bool:
        return bool(self.stock)

    def length_weights(self, water: str, species: str, before: str) -> list[tuple[float, float]]:
        return self.pairs


class Desk:
    """One bench, its instruments, and everything that the engine said about them."""

    def __init__(self, station: Station) -> None:
        self.lookup = MemoryLookup(stock={row.tag for row in station.inventory})
        for row in station.history:
            self.lookup.history.setdefault(row.tag, []).append(row.capture)
        self.engine = Engine(station, self.lookup)
        self.frames: list[Frame] = []
        self.changes: list[Change] = []
        self.said: list[Announcement] = []
        self.t_s = 0.0
        self.begin(Header("day", "test-bank", STARTED))

    def begin(self, header: Header) -> "Desk":
        """A new journal: what comes next has its times from this header's start."""
        self.t_s = 0.0
        self._take(self.engine.begin_journal(header))
        return self

    def feed(self, frame: Frame) -> "Desk":
        self.t_s = frame.t_s
        self._take(self.engine.feed(frame))
        return self

    @classmethod
    def at(cls, folder: Path, **options: object) -> "Desk":
        return cls(load_station(write_station(folder, **options)))  # type: ignore[arg-type]

    def _take(self, step: Step) -> None:
        self.frames += step.frames
        self.changes += step.changes
        self.said += step.announcements
        for change in step.changes:
            self.lookup.take(change)

    # --- acts -------------------------------------------------------------------------------------------------

    def wait(self, seconds: float) -> "Desk":
        self.t_s += seconds
        return self

    def send(self, source: str, data: str) -> "Desk":
        self._take(self.engine.feed(Frame(0, self.t_s, "", source, data.encode("latin-1"))))
        return self

    def event(self, event: str, source: str = "control", **body: object) -> "Desk":
        self._take(self.engine.feed(Frame(0, self.t_s, "", source, None, event, body)))
        return self

    def pass_time(self, seconds: float) -> "Desk":
        self.t_s += seconds
        self._take(self.engine.advance(self.t_s))
        return self

    def scan(self, tag: str, after: float = 2.0) -> "Desk":
        return self.wait(after).send("reader", f"{tag}\r\n")

    def length(self, mm: float, after: float = 4.0) -> "Desk":
        return self.wait(after).send("board", f"{mm:.0f} mm\r\n")

    def weigh(self, g: float, after: float = 5.0) -> "Desk":
        return self.wait(after).send("scale", f"+ {g:7.1f} g\r\n")

    def card(self, command: str, after: float = 2.0) -> "Desk":
        return self.scan(next(tag for tag, text in CARDS.items() if text == command), after)

    def command(self, text: str, after: float = 1.0) -> "Desk":
        self.wait(after)
        return self.event("command", command=text)

    # --- what came of it ---------------------------------------------------------------------------------------

    @property
    def fish(self) -> list[FishRecord]:
        """The latest record of each fish, in the order of their opening."""
        return sorted(self.lookup.saved.values(), key=lambda fish: (fish.opened_at, fish.opened_n))

    @property
    def closed(self) -> list[FishRecord]:
        return [fish for fish in self.fish if fish.closed]

    @property
    def only(self) -> FishRecord:
        (fish,) = self.fish
        return fish

    @property
    def amendments(self) -> list[Amend]:
        return [change for change in self.changes if isinstance(change, Amend)]

    @property
    def sightings(self) -> list[AddSighting]:
        return [change for change in self.changes if isinstance(change, AddSighting)]

    @property
    def echoes(self) -> list[AttachReading]:
        return [change for change in self.changes if isinstance(change, AttachReading)]

    @property
    def surveys(self) -> list[SaveSurvey]:
        return [change for change in self.changes if isinstance(change, SaveSurvey)]

    def heard(self, name: str) -> list[str]:
        return [said.sentence for said in self.said if said.name == name]


def names(fish: FishRecord) -> set[str]:
    return {finding.name for finding in fish.findings}


def triple(fish: FishRecord) -> tuple[str | None, float | None, float | None]:
    return fish.tag, fish.length_mm, fish.weight_g
