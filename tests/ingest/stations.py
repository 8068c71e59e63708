"""A station in a folder, with tables for a simulated crew, and a live station without ports or threads."""

from collections.abc import Iterable, Mapping
from pathlib import Path
from types import MappingProxyType

from ingest.commits import CommitQueue
from ingest.frames import Frame
from ingest.overlay import OverlayLookup
from ingest.recorder import Recorder
from ingest.records import Announcement
from ingest.resume import Now, Start, Started
from ingest.station import Station
from ingest.station_config import load_station
from ingest.store import Store
from simulators.capture import capture_lines
from simulators.crew import BASS, BLUEGILL, Crew, work
from simulators.day import TimedBytes, render
from simulators.truth import WorkedDay

MAY_2026_S = 1_778_590_800.0  # 2026-05-12T13:00:00Z
INSTRUMENTS = {"reader": "tag_plain", "board": "board_mm", "scale": "scale_state_prefix"}


def worked(seed: int, fish: int, crew: Crew | None = None) -> WorkedDay:
    """A day of a crew that makes mistakes."""
    return work(crew or Crew(stocks=(BASS, BLUEGILL)), seed, fish)


def write_station(
    folder: Path,
    day: WorkedDay | None = None,
    *,
    scale: str = INSTRUMENTS["scale"],
    bench: Mapping[str, float] = MappingProxyType({}),
    **station: str,
) -> Path:
    """A station with reader, board and scale at `<folder>/ports/<name>`; its file's path."""
    folder.mkdir(parents=True, exist_ok=True)
    lines = ["[station]", 'name = "bank"', *(f'{key} = "{value}"' for key, value in station.items())]
    lines += ["[survey]", 'water = "Reedmace Pond"', 'name = "May"']
    lines += ["[bench.main]", 'species = "largemouth_bass"']
    lines += [f"{key} = {number}" for key, number in bench.items()]
    for name, use in {**INSTRUMENTS, "scale": scale}.items():
        port = folder.resolve() / "ports" / name
        lines += ["[[instrument]]", f'name = "{name}"', f'use = "{use}"', f'port = "{port}"']
    if day is not None:
        lines += ["[commands.tags]", *(f'"{tag}" = "{command}"' for command, tag in day.cards.items())]
        for table in ("inventory", "history"):
            (folder / table).mkdir(exist_ok=True)
        (folder / "inventory" / "box.csv").write_text("\n".join(["tag", *day.inventory]) + "\n")
        rows = [
            f"{one.tag},{one.at},{one.water},{one.species},{one.length_mm},{one.weight_g}"
            for one in day.history
        ]
        head = "tag,date,water,species,length_mm,weight_g"
        (folder / "history" / "before.csv").write_text("\n".join([head, *rows]) + "\n")
    path = folder / "station.toml"
    path.write_text("\n".join(lines) + "\n")
    return path


def write_day(path: Path, said: Iterable[TimedBytes], started: str = "2026-05-12T13:00:00Z") -> Path:
    """The day as a capture written by hand."""
    path.write_text("".join(capture_lines(said, "bank", started)))
    return path


def said_on(day: WorkedDay) -> list[TimedBytes]:
    return render(day.day)


class Live:
    """A station that works, fed by hand with raw bytes at times of the monotonic clock; to be killed at will."""

    def __init__(self, toml: Path, mono_s: float, boot: str = "boot-1", wall_s: float = MAY_2026_S) -> None:
        self.station: Station = load_station(toml)
        self.store = Store.open(self.station.database)
        self.clock_s = 0.0
        self.queue = CommitQueue(self.store, lambda: self.clock_s)
        self.heard: list[Announcement] = []
        lookup = OverlayLookup(self.store.lookup, self.queue.unstored)
        start = Start(self.station, self.store, self.queue, lookup, version="test")
        self.started: Started = start.run(Now(wall_s + mono_s, mono_s, boot))
        self.heard += self.started.announcements

    @property
    def recorder(self) -> Recorder:
        return self.started.recorder

    def t_s(self, mono_s: float) -> float:
        return round(mono_s * 1024) / 1024 - (self.started.header.mono or 0.0)

    def hear(self, mono_s: float, source: str, data: bytes) -> list[Announcement]:
        """Bytes arrive; timers that were due before have fired."""
        self.wait(mono_s)
        return self._said(self.recorder.feed(Frame(0, self.t_s(mono_s), "", source, data)))

    def event(self, mono_s: float, source: str, event: str, **body: object) -> list[Announcement]:
        self.wait(mono_s)
        return self._said(self.recorder.feed(Frame(0, self.t_s(mono_s), "", source, None, event, body)))

    def wait(self, mono_s: float) -> list[Announcement]:
        """Time passes, and every timer fires when it is due."""
        said: list[Announcement] = []
        while (due_s := self.recorder.engine.next_deadline_s()) is not None and due_s < self.t_s(mono_s):
            said += self.recorder.advance(due_s)
        return self._said(said)

    def retry(self) -> list[Announcement]:
        return self._said(self.recorder.retry(at_once=True))

    def kill(self) -> None:
        """Leave as SIGKILL would: what the operating system has stays, what is in memory goes."""
        self.store.close()
        assert self.recorder.journal is not None
        self.recorder.journal.close()

    def stop(self, mono_s: float) -> None:
        """A clean stop."""
        self.event(mono_s, "bank", "stop")
        self.heard += self.recorder.save_checkpoint()
        self.kill()

    def _said(self, announcements: list[Announcement]) -> list[Announcement]:
        self.heard += announcements
        return announcements


def tag(text: str) -> bytes:
    return text.encode() + b"\r\n"


def length(mm: int) -> bytes:
    return b"%d mm\r\n" % mm


def weigh(live: Live, mono_s: float, grams: float) -> float:
    """An empty pan, then a load at rest; the time at which it has settled."""
    for step in range(8):
        live.hear(mono_s + step / 10, "scale", b"ST,+0000.0 g\r\n")
    for step in range(8, 24):
        live.hear(mono_s + step / 10, "scale", b"ST,+%06.1f g\r\n" % grams)
    return mono_s + 2.4


def fish(live: Live, mono_s: float, code: str, mm: int = 312, grams: float = 412.0) -> float:
    """One whole fish; the time after it."""
    live.hear(mono_s, "reader", tag(code))
    live.hear(mono_s + 1, "board", length(mm))
    return weigh(live, mono_s + 2, grams) + 1
