"""What holds on every day of a two-person line: nothing is lost, a closed fish stays as it is, and a day that is
replayed, or continued from a checkpoint, gives the same records.
"""

import copy
from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.engine import Engine
from ingest.engine_state import load_state
from ingest.records import AddFinding, AddSighting, Amend, AttachReading, ReadingRecord, SaveFish
from ingest.station import Station
from ingest.station_config import load_station
from tests.ingest.desk import STOCK, write_station
from tests.ingest.test_line import LENGTHS, weight_of
from tests.ingest.test_rules_properties import (
    Act,
    Day,
    Stations,
    commands,
    decoded,
    last_records,
    live,
    modest,
    readings,
    replayed,
    restarts,
    rough_acts,
    scan,
    stops,
)

ORDERS = ("first", "found_first", "last", "any")


@pytest.fixture(scope="module")
def lines(tmp_path_factory: pytest.TempPathFactory) -> Stations:
    return Stations(
        (
            order,
            load_station(
                write_station(tmp_path_factory.mktemp(order), rules=f'flow = "line"\ntags = "{order}"')
            ),
        )
        for order in ORDERS
    )


short = st.sampled_from([0.2, 1.0, 2.5, 4.0, 6.0])
# What a busy line does: fish and weights that could be of one another, often in step, now and then not.
busy = st.one_of(
    st.builds(lambda s, mm: Act(s, "board", f"{mm} mm\r\n".encode()), short, st.sampled_from(LENGTHS)),
    st.builds(
        lambda s, mm: Act(s, "scale", f"+ {weight_of(mm):7.1f} g\r\n".encode()),
        short,
        st.sampled_from(LENGTHS),
    ),
    st.builds(lambda s, tag: Act(s, "reader", scan(tag)), short, st.sampled_from(STOCK)),
)
answers = st.builds(
    lambda s, door, text: Act(s, door, event="command", body=(("command", text),)),
    short,
    st.sampled_from(["control", "scale"]),
    st.sampled_from(
        ["shift", "shift", "keep", "no-weight", "again", "void", "resume", "next", "survey close"]
    ),
)


def _slipped(at: int, seed: int, kind: str) -> list[Act]:
    """A stretch of a line with one slip, so that random days see stops and shifts."""
    lengths = [LENGTHS[(seed + 5 * i) % len(LENGTHS)] for i in range(12)]
    weights = list(lengths)
    if kind == "missed":
        del weights[at]
    else:
        weights.insert(at, 310)
    made: list[Act] = []
    for i, mm in enumerate(lengths):
        made.append(Act(4.0, "board", f"{mm} mm\r\n".encode()))
        if i >= 2:
            made.append(Act(2.0, "scale", f"+ {weight_of(weights[i - 2]):7.1f} g\r\n".encode()))
    return made


slips = st.builds(_slipped, st.integers(1, 7), st.integers(0, 13), st.sampled_from(["missed", "extra"]))
whole_acts = st.one_of(
    st.lists(st.one_of(busy, busy, busy, answers, readings, commands, stops, restarts), max_size=40),
    st.builds(
        lambda before, slip, after: [*before, *slip, *after],
        st.lists(busy, max_size=4),
        slips,
        st.lists(st.one_of(busy, answers, answers, stops, restarts), max_size=15),
    ),
)
line_acts = st.one_of(whole_acts, rough_acts)


def _where(day: Day) -> tuple[set[tuple[str, int, str]], set[str]]:
    """Where measures and tags are: with a fish, saved or not, as an echo, or as a sighting."""
    found: list[ReadingRecord] = [
        change.reading for change in day.changes if isinstance(change, AttachReading)
    ]
    measures: set[tuple[str, int, str]] = set()
    tags = {change.tag for change in day.changes if isinstance(change, AddSighting)}
    records = last_records(day)
    for bench in day.engine.state.benches.values():
        for fish in (*bench.parked, *bench.line.queue, *([bench.fish] if bench.fish else [])):
            records.pop(fish.fish_id, None)
            measures |= {(m.ref.journal_id, m.ref.n, kind) for kind, m in fish.measures()}
            tags |= {read.tag for read in fish.tags}
    for record in records.values():
        assert record.closed, "an unclosed fish that no bench remembers"
        found += record.readings
        tags |= {tag for tag, _ in record.tags}
    measures |= {(r.journal_id, r.n, r.kind) for r in found if r.kind in ("length", "weight")}
    tags |= {reading.text for reading in found if reading.kind == "tag" and reading.text}
    return measures, tags


@pytest.mark.parametrize("order", ORDERS)
@given(day=whole_acts)
@modest
def test_no_measure_and_no_tag_is_lost(lines: Stations, order: str, day: list[Act]) -> None:
    made = live(lines[order], day)
    measures, tags = decoded(made)
    kept_measures, kept_tags = _where(made)
    assert kept_measures == set(measures)
    assert tags <= kept_tags


@pytest.mark.parametrize("order", ORDERS)
@given(day=line_acts)
@modest
def test_a_closed_fish_is_never_saved_again_and_amendments_follow_one_another(
    lines: Stations, order: str, day: list[Act]
) -> None:
    made = live(lines[order], day)
    closed: set[str] = set()
    ids: set[str] = set()
    now: dict[str, float | None] = {}
    for change in made.changes:
        match change:
            case SaveFish():
                assert change.fish.fish_id not in closed
                if change.fish.closed:
                    closed.add(change.fish.fish_id)
                    now[change.fish.fish_id] = change.fish.weight_g
            case AttachReading() | AddFinding():
                assert change.fish_id in closed
            case Amend():
                assert change.fish_id in closed
                assert change.amendment_id not in ids
                ids.add(change.amendment_id)
                if change.field == "weight_g":
                    assert (None if change.old is None else float(change.old)) == now[change.fish_id]
                    now[change.fish_id] = None if change.new is None else float(change.new)


@pytest.mark.parametrize("order", ORDERS)
@given(day=line_acts)
@modest
def test_a_replay_of_the_journal_gives_the_same_records(lines: Stations, order: str, day: list[Act]) -> None:
    made = live(lines[order], day)
    again = replayed(lines[order], made)
    assert again.frames == made.frames
    assert again.changes == made.changes


@pytest.mark.parametrize("order", ["first", "found_first"])
@given(day=line_acts, share=st.floats(0.0, 1.0))
@modest
def test_a_checkpoint_after_any_frame_goes_on_with_the_same_records(
    lines: Stations, order: str, day: list[Act], share: float
) -> None:
    _same_from_a_checkpoint(lines[order], day, int(share * len(day)))


@pytest.mark.parametrize("kind", ["missed", "extra"])
def test_a_checkpoint_amid_a_slip_shifts_the_same(lines: Stations, kind: str) -> None:
    shift = Act(1.0, "control", event="command", body=(("command", "shift"),))
    day = [*_slipped(4, 3, kind), shift, *_slipped(2, 7, "missed")[:8]]
    amended = [_same_from_a_checkpoint(lines["first"], day, at) for at in range(len(day))]
    assert all(amended)


def _same_from_a_checkpoint(station: Station, day: Sequence[Act], at: int) -> bool:
    made = live(station, day[:at])
    other = copy.copy(made)
    other.lookup = copy.deepcopy(made.lookup)
    other.changes = list(made.changes)
    other.journals = [(header, list(frames)) for header, frames in made.journals]
    other.engine = Engine(station, other.lookup, load_state(made.engine.checkpoint()))
    for act in day[at:]:
        made.do(act)
        other.do(act)
    assert other.changes == made.changes
    assert other.frames == made.frames
    assert other.engine.checkpoint() == made.engine.checkpoint()
    return any(isinstance(change, Amend) for change in made.changes)
