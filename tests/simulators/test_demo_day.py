from math import isclose
from pathlib import Path

import pytest

from drivers.instrument import Instrument
from drivers.outcomes import Damaged, NotMine, TagSeen, WeightSettled
from ingest.assemble.settings import BenchRules
from ingest.inventory import parse_inventory
from ingest.protocol import needed_parts
from ingest.shipped import shipped_config
from ingest.species import load_species
from ingest.station_config import load_station
from simulators.day import Deed, render
from simulators.demo_day import YEARS_FILE, DemoDay, demo_day, inventory_csv, write_demo
from simulators.demo_years import last_captures, write_years
from simulators.truth import Earlier

PORTS = {"reader": "/tmp/ports/reader", "board": "/tmp/ports/board", "scale": "socket://127.0.0.1:4001"}


@pytest.fixture(scope="module")
def years(tmp_path_factory: pytest.TempPathFactory) -> Path:
    database = tmp_path_factory.mktemp("demo") / YEARS_FILE
    write_years(database)
    return database


@pytest.fixture(scope="module")
def earlier(years: Path) -> tuple[Earlier, ...]:
    return last_captures(years)


@pytest.fixture(scope="module")
def demo(earlier: tuple[Earlier, ...]) -> DemoDay:
    return demo_day(earlier)


@pytest.fixture
def folder(tmp_path: Path, years: Path) -> Path:
    """A folder that has the earlier years already, for the demo to be written into."""
    (tmp_path / YEARS_FILE).hardlink_to(years)
    return tmp_path


def test_the_demo_is_the_same_each_time_and_short_enough_to_watch(
    demo: DemoDay, earlier: tuple[Earlier, ...]
) -> None:
    assert demo_day(earlier) == demo
    assert demo.worked.day.duration_s < 22 * 60


def test_the_demo_shows_what_a_survey_meets(demo: DemoDay) -> None:
    fish = demo.worked.fish
    assert len(fish) >= 60
    assert len({one.species for one in fish}) == 4
    assert sum(one.tag_kind == "recapture" for one in fish) >= 12
    assert sum(one.tag_kind == "new" for one in fish) >= 12
    assert sum(one.fate == "removed" for one in fish) >= 5
    tags = [one.tag for one in fish if one.tag]
    assert len(tags) == len(set(tags))
    assert {one.name for one in demo.happenings} == {
        "reader_repeats",
        "noise",
        "escape",
        "key",
        "slip",
        "unplug",
    }
    for happening in demo.happenings:
        one = fish[happening.fish]
        assert one.from_s <= happening.t_s <= one.to_s
        if happening.name in ("escape", "slip"):
            assert one.species == "largemouth_bass"


def test_the_slip_shows_a_tenth_and_the_second_weighing_mends_it(demo: DemoDay) -> None:
    (slip,) = [one for one in demo.happenings if one.name == "slip"]
    first, second = [said.value for said in demo.worked.fish[slip.fish].said if said.kind == "weight"]
    assert isclose(first * 10, second, rel_tol=0.02)
    assert f"{first:g} g" in slip.sentence
    assert f"{second:g} g" in slip.sentence


def test_recaptured_fish_grew_since_they_were_last_seen(demo: DemoDay) -> None:
    earlier = {row.tag: row for row in demo.worked.history}
    recaptured = [one for one in demo.worked.fish if one.tag_kind == "recapture"]
    assert {one.tag for one in recaptured} == earlier.keys()
    for one in recaptured:
        assert one.tag is not None
        assert one.length_mm > earlier[one.tag].length_mm
        assert one.species == earlier[one.tag].species


def test_the_crew_does_what_the_protocol_of_the_demo_asks(demo: DemoDay, folder: Path) -> None:
    write_demo(folder, PORTS)
    station = load_station(folder / "STATION.toml")
    for one in demo.worked.fish:
        lengths = [said.value for said in one.said if said.kind == "length"]
        if one.fate == "escaped":
            continue
        needs = needed_parts(station.protocol, one.species, lengths[-1], {})
        kinds = {said.kind for said in one.said}
        assert needs.tag == ("tag" in kinds), one
        assert needs.weight == ("weight" in kinds), one


def test_the_written_demo_is_a_station_that_loads_with_its_times_divided_by_the_speed(folder: Path) -> None:
    write_demo(folder, PORTS, speed=20)
    station = load_station(folder / "STATION.toml")
    assert station.benches["main"].rules.echo_s == BenchRules().echo_s / 20
    assert station.benches["main"].rules.open_limit_s == BenchRules().open_limit_s / 20
    assert (
        station.benches["main"].rules.command_absent_s == 0.25
    )  # two reads of one card are one, however fast
    assert station.benches["main"].rules.length_tolerance_mm == BenchRules().length_tolerance_mm


def test_no_row_of_the_inventory_is_left_out(demo: DemoDay) -> None:
    tags, problems = parse_inventory(inventory_csv(demo.worked), "tags.csv")
    assert not problems
    assert [row.tag for row in tags] == list(demo.worked.inventory)


def test_the_instruments_of_the_demo_say_each_value_and_the_noise_is_none(
    demo: DemoDay, folder: Path
) -> None:
    write_demo(folder, PORTS)
    station = load_station(folder / "STATION.toml")
    chain = {one.name: Instrument(one.name, one.declaration) for one in station.instruments}
    outcomes = []
    for item in render(demo.worked.day):
        instrument = chain[item.instrument]
        if item.event is Deed.UNPLUG:
            instrument.hang_up(item.t_s)
        elif item.event is Deed.REPLUG:
            instrument.opened(item.t_s)
        for piece in [*instrument.tick(item.t_s), *instrument.cut(item.data, item.t_s)]:
            outcomes += [(item.instrument, outcome) for outcome in instrument.decode(piece)]
    weights = [one.weight_g for _, one in outcomes if isinstance(one, WeightSettled)]
    meant = [said.value for fish in demo.worked.fish for said in fish.said if said.kind == "weight"]
    assert len(weights) == len(meant)
    assert all(isclose(weight, true, abs_tol=0.25) for weight, true in zip(weights, meant, strict=True))
    read = {one.tag for _, one in outcomes if isinstance(one, TagSeen)}
    scanned = {act.text for act in demo.worked.day.acts if act.deed is Deed.SCAN}
    assert read == scanned
    noise = [name for name, one in outcomes if isinstance(one, Damaged | NotMine)]
    assert sorted(set(noise)) == ["board", "scale"]


def test_the_carp_of_the_demo_has_the_shipped_standard_weight() -> None:
    carp = load_species(shipped_config() / "species").get("common_carp")
    assert carp is not None
    equation = carp.equation()
    assert equation is not None
    assert (equation.log10_a, equation.b) == (-4.639, 2.92)
