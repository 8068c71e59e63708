"""Several benches in one station, a reader that serves two of them, and a reader that only looks up."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.rebuild import rebuild
from ingest.records import AddFinding, SaveFish, Status
from ingest.station_config import load_station
from ingest.toml_file import ConfigError
from tests.ingest.desk import KNOWN, STOCK, Desk, names, triple, write_station
from tests.ingest.stations import Live

LEFT = """
[station]
name = "test-bank"
[survey]
water = "Alder Pond"
"""
BENCH = """
[bench.{name}]
species = "largemouth_bass"
length_type = "{length_type}"
{rules}
"""
INSTRUMENT = """
[[instrument]]
name = "{name}"
use = "{use}"
port = "{folder}/ports/{name}"
bench = "{bench}"
{more}
"""
ANTENNAS = 'antennas = {1 = "left", 02 = "right"}'
READER = {"reader": ("tag_fields", "left", ANTENNAS)}
MEASURES = {
    f"{kind}-{bench}": (use, bench, "")
    for bench in ("left", "right")
    for kind, use in (("board", "board_mm"), ("scale", "scale_print_key"))
}


def two_benches(
    folder: Path,
    instruments: dict[str, tuple[str, str, str]],
    *,
    benches: tuple[str, ...] = ("left", "right"),
    length_type: str = "TL",
    rules: str = "",
) -> Path:
    """A station with these benches and instruments: name to (file, bench, more lines)."""
    path = write_station(folder)  # for its inventory and history
    text = LEFT + "".join(BENCH.format(name=name, length_type=length_type, rules=rules) for name in benches)
    for name, (use, bench, more) in instruments.items():
        text += INSTRUMENT.format(name=name, use=use, bench=bench, more=more, folder=folder)
    path.write_text(text)
    return path


def desk_of(folder: Path, instruments: dict[str, tuple[str, str, str]]) -> Desk:
    return Desk(load_station(two_benches(folder, instruments)))


def scan(desk: Desk, antenna: int | str, tag: str, after: float = 1.0) -> Desk:
    return desk.wait(after).send("reader", f"A{antenna},2026-05-12T13:00:00Z,{tag}\r\n")


def measure(desk: Desk, bench: str, mm: float, after: float = 1.0) -> Desk:
    return desk.wait(after).send(f"board-{bench}", f"{mm:.0f} mm\r\n")


def weigh(desk: Desk, bench: str, grams: float, after: float = 1.0) -> Desk:
    return desk.wait(after).send(f"scale-{bench}", f"+ {grams:7.1f} g\r\n")


def test_two_benches_at_once_share_one_reader_and_mix_nothing(tmp_path: Path) -> None:
    desk = desk_of(tmp_path, READER | MEASURES)
    scan(scan(desk, 1, STOCK[0]), 2, STOCK[1], after=0.1)
    measure(measure(desk, "right", 250), "left", 312, after=0.1)
    weigh(weigh(desk, "left", 412), "right", 205, after=0.1)
    assert {one.bench: triple(one) for one in desk.fish} == {
        "left": (STOCK[0], 312, 412),
        "right": (STOCK[1], 250, 205),
    }
    assert [one.status for one in desk.closed] == [Status.SAVED] * 2
    assert not any(names(one) for one in desk.fish)


ACTS = st.permutations(
    [("left", number, act) for number in range(3) for act in ("scan", "length", "weight")]
    + [("right", number, act) for number in range(3) for act in ("scan", "length", "weight")]
)


@given(ACTS)
@settings(deadline=None, max_examples=15)
def test_however_two_crews_interleave_each_fish_has_the_parts_of_its_own_bench(
    tmp_path_factory: pytest.TempPathFactory, acts: list[tuple[str, int, str]]
) -> None:
    desk = desk_of(tmp_path_factory.mktemp("benches"), READER | MEASURES)
    todo = {
        bench: [(number, act) for number in range(3) for act in ("scan", "length", "weight")]
        for bench in ("left", "right")
    }
    for bench, _, _ in acts:  # each bench works in order; only how the two interleave is left to chance
        number, act = todo[bench].pop(0)
        size = number + (0 if bench == "left" else 3)
        if act == "scan":
            scan(desk, 1 if bench == "left" else 2, STOCK[size], after=3)
        elif act == "length":
            measure(desk, bench, 300 + size, after=3)
        else:
            weigh(desk, bench, 400 + size, after=3)
    assert {(one.bench, triple(one)) for one in desk.closed} == {
        ("left" if size < 3 else "right", (STOCK[size], 300 + size, 400 + size)) for size in range(6)
    }


@pytest.mark.parametrize("antenna", ["2", "02"])
def test_an_antenna_is_the_same_with_and_without_a_leading_zero(tmp_path: Path, antenna: str) -> None:
    desk = scan(desk_of(tmp_path, READER | MEASURES), antenna, STOCK[0])
    assert desk.engine.state.benches["right"].fish is not None
    assert desk.heard("antenna_unmapped") == []


def test_an_antenna_that_no_bench_has_goes_to_the_reader_s_own_bench_with_a_notice(tmp_path: Path) -> None:
    desk = desk_of(tmp_path, READER | MEASURES)
    weigh(measure(scan(desk, 7, STOCK[0]), "left", 312), "left", 412)
    assert desk.only.bench == "left"
    assert names(desk.only) == {"antenna_unmapped"}
    (said,) = desk.heard("antenna_unmapped")
    assert said == (
        "The reader read a tag by antenna 7, which is mapped to no bench: it was taken for bench left; name the "
        "antenna in the station's file."
    )
    scan(desk, 7, STOCK[1], after=10)
    assert len(desk.heard("antenna_unmapped")) == 1


def test_a_fish_saved_by_the_very_read_of_a_strange_antenna_has_the_notice_too(tmp_path: Path) -> None:
    desk = desk_of(tmp_path, READER | MEASURES)
    scan(weigh(measure(desk, "left", 312), "left", 412), 7, STOCK[0])
    assert desk.only.closed
    found = [change.finding.name for change in desk.changes if isinstance(change, AddFinding)]
    assert found == ["antenna_unmapped"]


def test_a_line_without_an_antenna_number_is_said_where_antennas_are_mapped(tmp_path: Path) -> None:
    desk = desk_of(tmp_path, READER | MEASURES).send("reader", f"TAG: {STOCK[0]}\r\n")
    if desk.heard("antenna_unmapped") == []:
        pytest.fail(f"nothing was said: {[one.sentence for one in desk.said]}")
    assert "a line without an antenna number" in desk.heard("antenna_unmapped")[0]


def test_a_lost_reader_of_two_benches_is_missed_at_both(tmp_path: Path) -> None:
    desk = desk_of(tmp_path, READER | MEASURES)
    measure(measure(desk, "left", 312), "right", 250)
    in_hand = [bench.fish for bench in desk.engine.state.benches.values()]
    assert [fish and fish.reader_lost for fish in in_hand] == [False, False]
    desk.event("port", "reader", state="lost")
    assert [fish and fish.reader_lost for fish in in_hand] == [True, True]


def test_a_command_for_a_fish_must_name_its_bench_where_there_are_two(tmp_path: Path) -> None:
    desk = measure(desk_of(tmp_path, READER | MEASURES), "right", 312).command("void")
    assert desk.heard("command_refused") == ["'void' is for one bench: say for which of left, right."]
    desk.event("command", command="void", bench="right")
    assert desk.only.status is Status.VOID
    assert desk.command("run start").heard("command_refused")[1:] == []


@pytest.mark.parametrize(
    ("reader", "sentence"),
    [
        (("tag_fields", "left", 'antennas = {1 = "middle"}'), 'there is no bench "middle"'),
        (("tag_fields", "left", 'antennas = {1 = "left", 01 = "right"}'), "antenna 1 stands here twice"),
        (("tag_plain", "left", ANTENNAS), "the lines of tag_plain carry no antenna number"),
        (("tag_fields", "left", ANTENNAS + '\nrole = "lookup"'), "a reader for look-ups opens no fish"),
        (("board_mm", "left", 'role = "lookup"'), "board_mm reads no tags"),
        (("tag_fields", "left", 'role = "wand"'), "role"),
    ],
)
def test_what_does_not_fit_is_said_with_its_key(
    tmp_path: Path, reader: tuple[str, str, str], sentence: str
) -> None:
    with pytest.raises(ConfigError) as refused:
        load_station(two_benches(tmp_path, MEASURES | {"reader": reader}))
    assert sentence in str(refused.value)


# --- benches that go while the station runs -----------------------------------------------------------------


@pytest.mark.parametrize("rules", ["", 'flow = "line"'])
def test_a_bench_taken_away_closes_what_it_has_in_hand_by_its_own_rules(tmp_path: Path, rules: str) -> None:
    before = load_station(two_benches(tmp_path, READER | MEASURES, length_type="FL", rules=rules))
    desk = measure(scan(Desk(before), 2, STOCK[0]), "right", 250)
    gone = {name: (use, "left", "") for name, (use, _, _) in (READER | MEASURES).items()}
    desk._take(desk.engine.reconfigure(load_station(two_benches(tmp_path, gone, benches=("left",)))))
    assert (desk.only.rule, desk.only.length_type, desk.only.tag) == ("bench_removed", "FL", STOCK[0])
    assert list(desk.engine.state.benches) == ["left"]
    desk.pass_time(1000).event("stop")
    assert [one.bench for one in desk.closed] == ["right"]


def test_a_state_with_a_bench_that_nobody_configured_stops_cleanly(tmp_path: Path) -> None:
    desk = measure(Desk(load_station(two_benches(tmp_path, READER | MEASURES))), "right", 250)
    state = desk.engine.state
    only_left = {name: (use, "left", "") for name, (use, _, _) in (READER | MEASURES).items()}
    station = load_station(two_benches(tmp_path, only_left, benches=("left",)))
    other = Desk(station)
    other.engine.state.benches["right"] = state.benches["right"]
    other.engine.state.survey = state.survey
    other.event("stop")
    assert [one.status for one in other.fish] == [Status.PARKED]


def test_a_bench_taken_away_and_the_fish_that_it_had_are_the_same_after_a_rebuild(tmp_path: Path) -> None:
    toml = two_benches(tmp_path, READER | MEASURES)
    live = Live(toml, 10.0)
    live.hear(20.0, "board-right", b"250 mm\r\n")
    live.stop(30.0)
    only_left = {name: (use, "left", "") for name, (use, _, _) in (READER | MEASURES).items()}
    two_benches(tmp_path, only_left, benches=("left",))
    again = Live(toml, 40.0)
    assert any(one.name == "fish_saved" for one in again.heard)
    again.stop(50.0)
    report = rebuild(again.station.database)
    assert report.agrees, "\n".join(report.lines())
    assert saved_rules(again.station.database) == [("right", "bench_removed", 1)]


def saved_rules(database: Path) -> list[tuple[str, str, int]]:
    with closing(sqlite3.connect(database)) as connection:
        return connection.execute("SELECT bench, rule, closed FROM fish").fetchall()


# --- a reader that only looks up ------------------------------------------------------------------------------

LOOKUP = {"wand": ("tag_plain", "left", 'role = "lookup"')}


def wand(desk: Desk, tag: str, after: float = 2.0) -> Desk:
    return desk.wait(after).send("wand", f"{tag}\r\n")


def test_a_look_up_shows_the_history_and_leaves_the_fish_in_hand_alone(tmp_path: Path) -> None:
    desk = measure(desk_of(tmp_path, MEASURES | LOOKUP), "left", 290)
    wand(desk, KNOWN)
    (said,) = [one for one in desk.said if one.name == "tag_looked_up"]
    assert said.sentence == "Recapture ...0001: largemouth bass, 2025-05-14 in Alder Pond: 310 mm, 400 g."
    captures = said.facts["captures"]
    assert isinstance(captures, list)
    assert [(one["at"], one["length_mm"], one["fate"]) for one in captures] == [
        ("2025-05-14T15:00:00.000Z", 310.0, "released")
    ]
    assert said.fish_id is None
    assert [(one.tag, one.instrument, one.why) for one in desk.sightings] == [(KNOWN, "wand", "looked up")]
    fish = desk.engine.state.benches["left"].fish
    assert fish is not None
    assert fish.tags == []


def test_a_look_up_opens_no_fish_however_often_and_is_one_sighting_a_time(tmp_path: Path) -> None:
    desk = desk_of(tmp_path, MEASURES | LOOKUP)
    for _ in range(5):
        wand(desk, STOCK[0], after=0.3)
    wand(desk, STOCK[0], after=30)
    wand(desk, STOCK[1], after=0.2)
    assert [one.tag for one in desk.sightings] == [STOCK[0], STOCK[0], STOCK[1]]
    assert len({one.sighting_id for one in desk.sightings}) == 3
    assert desk.heard("tag_looked_up")[0] == "Tag ...0100 has no earlier capture."
    assert not [change for change in desk.changes if isinstance(change, SaveFish)]


def test_a_look_up_of_a_fish_saved_today_names_it(tmp_path: Path) -> None:
    desk = desk_of(tmp_path, READER | MEASURES | LOOKUP)
    wand(weigh(measure(scan(desk, 1, STOCK[0]), "left", 312), "left", 412), STOCK[0], after=60)
    (said,) = [one for one in desk.said if one.name == "tag_looked_up"]
    assert said.sentence == "Tag ...0100 is already done in this survey."
    assert said.fish_id == desk.only.fish_id


def test_a_look_up_that_cannot_be_read_leaves_nothing_on_the_fish_in_hand(tmp_path: Path) -> None:
    desk = measure(desk_of(tmp_path, MEASURES | LOOKUP), "left", 312)
    wand(desk, f"{STOCK[0]} {STOCK[1]}")
    assert len(desk.heard("tag_refused")) == 1
    fish = desk.engine.state.benches["left"].fish
    assert fish is not None
    assert fish.marks == []
