"""What holds on every day, however the crew works: nothing is lost, nothing is in two places, a closed fish stays as
it is, and a day that is replayed, cut differently or continued from a checkpoint gives the same records.
"""

import copy
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from drivers.instrument import Instrument
from drivers.outcomes import LengthSeen, TagSeen, WeightSettled
from ingest.engine import Engine, Step
from ingest.engine_state import load_state
from ingest.frames import Frame, Header, decode_line, encode_frame, parse_rfc3339, rfc3339
from ingest.records import AddSighting, AttachReading, Change, FishRecord, ReadingRecord, SaveFish
from ingest.station import Station
from ingest.station_config import load_station
from tests.ingest.desk import CARDS, FOREIGN, KNOWN, KNOWN_TWO, STARTED, STOCK, MemoryLookup, write_station

ORDERS = ("found_first", "first", "last", "any")
TAGS = (KNOWN, KNOWN_TWO, FOREIGN, *STOCK[:3])
COMMANDS = (
    *CARDS.values(),
    "species largemouth bass",
    "fate removed",
    "fate kept",
    "note in the weeds",
    "sex F",
    "survey close",
    "survey open water=Mill Pond, name=autumn",
    "run start temperature=14.5",
    "run end seconds=600, conductivity=240",
    "no such command",
)


@dataclass(frozen=True)
class Act:
    """One thing that happens `after` seconds: bytes of an instrument, an event, or a new journal (`boot`)."""

    after: float
    source: str
    data: bytes = b""
    event: str = ""
    body: tuple[tuple[str, str], ...] = ()
    boot: str = ""


@dataclass
class Day:
    """An engine with all that it gave. `journals` holds what a journal would: headers and frames."""

    station: Station
    engine: Engine = field(init=False)
    lookup: MemoryLookup = field(init=False)
    t_s: float = 0.0  # monotonic, over all journals of a boot
    start_s: float = 0.0
    wall_s: float = field(default_factory=lambda: parse_rfc3339(STARTED))
    journals: list[tuple[Header, list[Frame]]] = field(default_factory=list)
    changes: list[Change] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.lookup = MemoryLookup(stock={row.tag for row in self.station.inventory})
        for row in self.station.history:
            self.lookup.history.setdefault(row.tag, []).append(row.capture)
        self.engine = Engine(self.station, self.lookup)
        self.begin("boot-a")

    def take(self, step: Step) -> None:
        self.journals[-1][1].extend(step.frames)
        self.changes += step.changes
        for change in step.changes:
            self.lookup.take(change)

    def begin(self, boot: str) -> None:
        if self.journals and boot != self.journals[-1][0].boot:
            self.t_s = 3.25
        self.start_s = self.t_s
        number = len(self.journals) + 1
        header = Header(f"journal-{number}", "test-bank", rfc3339(self.wall_s), boot, self.t_s)
        self.journals.append((header, []))
        self.take(self.engine.begin_journal(header))

    def advance_to(self, t_s: float) -> None:
        """What the daemon does while it waits: look at the engine when it asks for it."""
        while (due_s := self.engine.next_deadline_s()) is not None and due_s <= t_s - self.start_s:
            step = self.engine.advance(due_s)
            self.take(step)
            if step.changes:
                self.take(self.engine.feed(Frame(0, due_s, "", "timer", None, "timer", {})))

    def do(self, act: Act, pieces: Callable[[bytes], Sequence[bytes]] = lambda data: [data]) -> None:
        self.t_s += act.after
        self.wall_s += act.after
        if act.boot:
            self.begin(act.boot)
        elif act.event:
            body = dict(act.body)
            self.take(
                self.engine.feed(Frame(0, self.t_s - self.start_s, "", act.source, None, act.event, body))
            )
        else:
            for piece in pieces(act.data):
                self.take(self.engine.feed(Frame(0, self.t_s - self.start_s, "", act.source, piece)))

    @property
    def frames(self) -> list[list[Frame]]:
        return [frames for _, frames in self.journals]


class Stations(dict[str, Station]):
    """A station for each order of tags. Shown shortly: a failing example is to be read."""

    def __repr__(self) -> str:
        return f"Stations({', '.join(self)})"


@pytest.fixture(scope="module")
def stations(tmp_path_factory: pytest.TempPathFactory) -> Stations:
    return Stations(
        (order, load_station(write_station(tmp_path_factory.mktemp(order), rules=f'tags = "{order}"')))
        for order in ORDERS
    )


waits = st.one_of(
    st.sampled_from([0.1, 0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 9.0, 12.0, 30.0, 119.0, 130.0, 200.0]),
    st.floats(0.1, 200.0, allow_nan=False).map(lambda seconds: round(seconds, 3)),
)
lengths = st.one_of(st.sampled_from([312, 313, 250, 352, 31, 0, 980]), st.integers(1, 999))
weights = st.one_of(
    st.sampled_from([412.0, 413.0, 205.0, 1000.0, 4120.0, 0.0]), st.integers(6, 9999).map(lambda g: g / 1)
)


def scan(tag: str) -> bytes:
    return f"{tag}\r\n".encode()


lines = st.one_of(
    st.sampled_from(TAGS).map(lambda tag: ("reader", scan(tag))),
    st.sampled_from(TAGS).map(lambda tag: ("reader", scan(tag))),
    lengths.map(lambda mm: ("board", f"{mm} mm\r\n".encode())),
    lengths.map(lambda mm: ("board", f"{mm} mm\r\n".encode())),
    weights.map(lambda g: ("scale", f"+ {g:7.1f} g\r\n".encode())),
    weights.map(lambda g: ("scale", f"+ {g:7.1f} g\r\n".encode())),
    st.sampled_from(sorted(CARDS)).map(lambda tag: ("reader", scan(tag))),
    st.just(("board", b"K,07\r\n")),
    st.sampled_from(
        [("reader", b"98500000000000x\r\n"), ("scale", b"EEEEE\r\n"), ("nobody", b"\xff\x00\r\n")]
    ),
)
readings = st.builds(lambda after, line: Act(after, line[0], line[1]), waits, lines)
commands = st.builds(
    lambda after, text: Act(after, "control", event="command", body=(("command", text),)),
    waits,
    st.sampled_from(COMMANDS),
)
ports = st.builds(
    lambda after, source, state: Act(after, source, event="port", body=(("state", state),)),
    waits,
    st.sampled_from(["reader", "board", "scale"]),
    st.sampled_from(["lost", "opened"]),
)
stops = st.builds(lambda after: Act(after, "control", event="stop"), waits)
restarts = st.builds(
    lambda after, boot: Act(after, "", boot=boot), waits, st.sampled_from(["boot-a", "boot-b"])
)
acts = st.lists(
    st.one_of(readings, readings, readings, readings, readings, commands, ports, stops, restarts), max_size=25
)
# Half a line, and its end later, or never: what a bad cable and a pulled plug do.
scraps = st.builds(
    lambda after, line, share: Act(after, line[0], line[1][: max(1, int(len(line[1]) * share))]),
    waits,
    lines,
    st.floats(0.1, 1.0),
)
rough_acts = st.lists(
    st.one_of(readings, readings, scraps, scraps, commands, ports, stops, restarts), max_size=25
)

modest = settings(
    deadline=None,
    max_examples=25,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)


def live(station: Station, day: Sequence[Act], *, watching: bool = True) -> Day:
    made = Day(station)
    for act in day:
        if watching and not act.boot:
            made.advance_to(made.t_s + act.after)
        made.do(act)
    made.advance_to(made.t_s)
    return made


def replayed(station: Station, day: Day) -> Day:
    """A fresh engine that reads what the journal of this day holds."""
    again = Day(station)
    again.journals.clear()
    again.changes.clear()
    again.engine = Engine(station, again.lookup)
    for header, frames in day.journals:
        again.journals.append((header, []))
        again.take(again.engine.begin_journal(header))
        last_n = 0
        for frame in frames:
            read = decode_line(encode_frame(frame), 2, header, last_n)
            assert isinstance(read, Frame)
            last_n = read.n
            again.take(again.engine.feed(read))
    return again


def last_records(day: Day) -> dict[str, FishRecord]:
    return {change.fish.fish_id: change.fish for change in day.changes if isinstance(change, SaveFish)}


def decoded(day: Day) -> tuple[Counter[tuple[str, int, str]], set[str]]:
    """What decoders of their own make of the journal: measures by (journal, frame, kind), and tags that are no cards."""
    measures: Counter[tuple[str, int, str]] = Counter()
    tags: set[str] = set()
    boot: str | None = None
    instruments: dict[str, Instrument] = {}
    for header, frames in day.journals:
        if header.boot != boot:
            instruments = {one.name: Instrument(one.name, one.declaration) for one in day.station.instruments}
            boot = header.boot
        start_s = header.mono or 0.0
        for frame in frames:
            instrument = instruments.get(frame.source)
            if instrument is None:
                continue
            if frame.event == "port":
                instrument.hang_up(start_s + frame.t_s)
                if frame.body.get("state") == "opened":
                    instrument.opened(start_s + frame.t_s)
            if frame.data is None:
                continue
            for piece in instrument.cut(frame.data, start_s + frame.t_s):
                for outcome in instrument.decode(piece):
                    if isinstance(outcome, LengthSeen):
                        measures[header.journal_id, frame.n, "length"] += 1
                    elif isinstance(outcome, WeightSettled):
                        measures[header.journal_id, frame.n, "weight"] += 1
                    elif isinstance(outcome, TagSeen) and outcome.tag not in CARDS:
                        tags.add(outcome.tag)
    return measures, tags


def kept(day: Day) -> tuple[Counter[tuple[str, int, str]], set[str]]:
    """Where measures and tags are: with a fish (saved, held, parked or in hand), as an echo, or as a sighting."""
    readings: list[ReadingRecord] = [
        change.reading for change in day.changes if isinstance(change, AttachReading)
    ]
    tags = {change.tag for change in day.changes if isinstance(change, AddSighting)}
    records = last_records(day)
    measures: Counter[tuple[str, int, str]] = Counter()
    open_fish = [
        fish
        for bench in day.engine.state.benches.values()
        for fish in (*bench.parked, *([bench.fish] if bench.fish else []))
    ]
    for fish in open_fish:
        records.pop(fish.fish_id, None)
        measures.update((m.ref.journal_id, m.ref.n, kind) for kind, m in fish.measures())
        tags |= {read.tag for read in fish.tags}
    for record in records.values():
        assert record.closed, "an unclosed fish that no bench remembers"
        readings += record.readings
        tags |= {tag for tag, _ in record.tags}
    measures.update((r.journal_id, r.n, r.kind) for r in readings if r.kind in ("length", "weight"))
    tags |= {reading.text for reading in readings if reading.kind == "tag" and reading.text}
    return measures, tags


@pytest.mark.parametrize("order", ORDERS)
@given(day=acts)
@modest
def test_every_measure_and_every_tag_is_in_exactly_one_place(
    stations: Stations, order: str, day: list[Act]
) -> None:
    made = live(stations[order], day)
    measures, tags = decoded(made)
    kept_measures, kept_tags = kept(made)
    assert kept_measures == measures
    assert tags <= kept_tags


@pytest.mark.parametrize("order", ORDERS)
@given(day=acts)
@modest
def test_a_closed_fish_is_never_saved_again_and_frames_only_grow(
    stations: Stations, order: str, day: list[Act]
) -> None:
    made = live(stations[order], day)
    closed: set[str] = set()
    for change in made.changes:
        if isinstance(change, SaveFish):
            assert change.fish.fish_id not in closed
            if change.fish.closed:
                closed.add(change.fish.fish_id)
        elif isinstance(change, AttachReading):
            assert change.fish_id in closed
    for frames in made.frames:
        assert [frame.n for frame in frames] == sorted({frame.n for frame in frames})
        assert [frame.t_s for frame in frames] == sorted(frame.t_s for frame in frames)


@pytest.mark.parametrize("order", ORDERS)
@given(day=acts)
@modest
def test_a_used_reading_belongs_to_one_fish(stations: Stations, order: str, day: list[Act]) -> None:
    made = live(stations[order], day)
    used = Counter(
        (reading.journal_id, reading.n, reading.kind)
        for record in last_records(made).values()
        for reading in record.readings
        if reading.role == "used" and reading.kind != "command"
    )
    assert all(count == 1 for count in used.values())
    for record in last_records(made).values():
        for kind, value in (("length", record.length_mm), ("weight", record.weight_g)):
            values = [r.value for r in record.readings if r.kind == kind and r.role == "used"]
            assert values == ([] if value is None else [value])


@given(day=rough_acts, size=st.integers(1, 9))
@modest
def test_the_chunks_of_a_port_make_no_difference(stations: Stations, day: list[Act], size: int) -> None:
    whole, cut = Day(stations["found_first"]), Day(stations["found_first"])
    for act in day:
        whole.do(act)
        cut.do(act, lambda piece: [piece[i : i + size] for i in range(0, len(piece), size)])
    assert cut.changes == whole.changes
    assert cut.frames == whole.frames


def what_the_fish_are(day: Day) -> list[tuple[object, ...]]:
    """The fish without their ids: those hold numbers of frames, and a look at the clock is a frame."""
    return [
        (
            f.tag,
            f.length_mm,
            f.weight_g,
            f.species,
            f.status,
            f.rule,
            f.opened_at,
            [x.name for x in f.findings],
        )
        for f in last_records(day).values()
    ]


@given(day=rough_acts)
@modest
def test_looking_at_the_clock_makes_no_difference(stations: Stations, day: list[Act]) -> None:
    watched, asleep = (live(stations["found_first"], day, watching=watching) for watching in (True, False))
    assert what_the_fish_are(watched) == what_the_fish_are(asleep)


@pytest.mark.parametrize("order", ORDERS)
@given(day=rough_acts)
@example(day=[Act(1.0, "board", b"31"), Act(130.0, "board", b"2 mm\r\n")])
@modest
def test_a_replay_of_the_journal_gives_the_same_records_and_the_same_journal(
    stations: Stations, order: str, day: list[Act]
) -> None:
    made = live(stations[order], day)
    again = replayed(stations[order], made)
    assert again.frames == made.frames
    assert again.changes == made.changes


@given(day=rough_acts, share=st.floats(0.0, 1.0))
@modest
def test_a_checkpoint_after_any_frame_goes_on_with_the_same_records(
    stations: Stations, day: list[Act], share: float
) -> None:
    station = stations["found_first"]
    at = int(share * len(day))
    made = live(station, day[:at])
    other = copy.copy(made)
    other.lookup = copy.deepcopy(made.lookup)
    other.changes, other.journals = (
        list(made.changes),
        [(header, list(frames)) for header, frames in made.journals],
    )
    other.engine = Engine(station, other.lookup, load_state(made.engine.checkpoint()))
    for act in day[at:]:
        made.do(act)
        other.do(act)
    assert other.changes == made.changes
    assert other.frames == made.frames
    assert other.engine.checkpoint() == made.engine.checkpoint()
