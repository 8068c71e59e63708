"""A two-person line, rule by rule: whose weight it is, what stops the line, and what `shift` sets right."""

from collections.abc import Iterator
from math import log10
from pathlib import Path

import pytest

from ingest.frames import Header
from ingest.records import AddFinding, FishRecord, Sound, Status
from ingest.station_config import load_station
from tests.ingest.desk import CARDS, KNOWN, STARTED, STOCK, Desk, names, write_station

LENGTHS = (310, 255, 402, 288, 350, 231, 377, 265, 420, 300, 244, 333, 281, 365)

LOST = (300, 310, 333, 265, 350, 333, 288, 300)  # as weights of the first eight


def weight_of(mm: float, wr: float = 93.0) -> float:
    """Largemouth bass at this relative weight (Henson 1991, as in config/species)."""
    return round(10 ** (-5.528 + 3.273 * log10(mm)) * wr / 100, 1)


@pytest.fixture
def line(tmp_path: Path) -> Desk:
    """A line whose fish need no tag, with no boot behind it."""
    own = '[default]\ntag = "none"\nlength = "measure"\nweigh = "every"\n'
    return Desk.at(
        tmp_path, rules='flow = "line"\ntags = "first"', own_protocol=f'name = "own"\nsummary = ""\n{own}'
    )


def pass_on(line: Desk, *lengths_mm: float) -> None:
    for mm in lengths_mm:
        line.length(mm)


def weigh(line: Desk, *lengths_mm: float) -> None:
    """The weights of fish of these lengths."""
    for mm in lengths_mm:
        line.weigh(weight_of(mm))


def pairs(line: Desk) -> list[tuple[float | None, float | None]]:
    """Length and weight of every fish as they read now, amendments included, by the order of opening."""
    weights = {(a.fish_id, a.field): a.new for a in line.amendments if a.field in ("weight_g", "length_mm")}
    found = []
    for fish in line.closed:
        if fish.status is Status.VOID:
            continue
        length = weights.get((fish.fish_id, "length_mm"), fish.length_mm)
        weight = weights.get((fish.fish_id, "weight_g"), fish.weight_g)
        found.append((None if length is None else float(length), None if weight is None else float(weight)))
    return found


def own(*lengths_mm: float) -> list[tuple[float | None, float | None]]:
    return [(mm, weight_of(mm)) for mm in lengths_mm]


def marked(line: Desk) -> dict[str, list[str]]:
    """Findings that came to light after the fish were saved."""
    found: dict[str, list[str]] = {}
    for change in line.changes:
        if isinstance(change, AddFinding):
            found.setdefault(change.fish_id, []).append(change.finding.name)
    return found


# --- first in, first out -------------------------------------------------------------------------------------------


def test_weights_go_to_the_fish_in_the_order_of_their_lengths(line: Desk) -> None:
    pass_on(line, 310, 255, 402)
    assert line.closed == []
    weigh(line, 310, 255)
    pass_on(line, 288)
    weigh(line, 402, 288)
    assert pairs(line) == own(310, 255, 402, 288)
    assert {fish.rule for fish in line.closed} == {"line_weight"}
    assert {fish.status for fish in line.closed} == {Status.SAVED}


def test_a_tag_and_its_length_are_one_fish_in_either_order(tmp_path: Path) -> None:
    line = Desk.at(tmp_path, rules='flow = "line"\ntags = "any"')
    line.scan(STOCK[0]).length(310).length(255).scan(STOCK[1])
    weigh(line, 310, 255)
    assert [(fish.tag, fish.length_mm) for fish in line.closed] == [(STOCK[0], 310), (STOCK[1], 255)]


def test_a_recapture_shows_its_history_at_the_measuring_end(tmp_path: Path) -> None:
    line = Desk.at(tmp_path, rules='flow = "line"')
    line.scan(KNOWN)
    assert "Recapture" in line.heard("recapture")[0]
    line.length(318).weigh(420)
    assert line.only.tag == KNOWN


def test_a_fish_that_went_on_without_its_tag_says_so(tmp_path: Path) -> None:
    line = Desk.at(tmp_path, rules='flow = "line"\ntags = "any"')
    line.length(310).length(255)
    assert line.heard("tag_not_read")
    line.card("untagged")
    weigh(line, 310, 255)
    first, second = line.closed
    assert first.status is Status.INCOMPLETE
    assert "tag_not_read" in names(first)
    assert second.status is Status.SAVED


def test_the_fish_just_measured_is_weighed_when_none_waits_before_it(tmp_path: Path) -> None:
    line = Desk.at(tmp_path, rules='flow = "line"\ntags = "any"')  # it may still get a tag
    line.length(120).weigh(weight_of(120))
    assert line.only.weight_g == weight_of(120)


def test_the_tag_of_a_fish_that_waits_opens_nothing(tmp_path: Path) -> None:
    line = Desk.at(tmp_path, rules='flow = "line"')
    line.scan(STOCK[0]).length(310).scan(STOCK[0], after=6)
    weigh(line, 310)
    line.scan(STOCK[0], after=5)
    assert len(line.fish) == 1
    assert [echo.reading.text for echo in line.echoes] == [STOCK[0]]


def test_two_tags_close_together_mark_both_fish(tmp_path: Path) -> None:
    line = Desk.at(tmp_path, rules='flow = "line"')
    line.scan(STOCK[0]).length(310, after=1).scan(STOCK[1], after=1).length(255)
    weigh(line, 310, 255)
    assert all("two_tags_near" in names(fish) for fish in line.closed)


def test_a_new_tag_after_a_fish_without_one_marks_both(tmp_path: Path) -> None:
    line = Desk.at(tmp_path, rules='flow = "line"\ntags = "any"')
    line.length(120).pass_time(5).scan(STOCK[0]).length(255)
    weigh(line, 120, 255)
    assert all("tag_after_fish_before" in names(fish) for fish in line.closed)


# --- echoes, and measuring again ---------------------------------------------------------------------------------


def test_a_second_press_is_kept_as_an_echo_of_the_fish(line: Desk) -> None:
    line.length(310).length(310, after=0.5).length(255)
    weigh(line, 310, 255)
    assert pairs(line) == own(310, 255)
    roles = [reading.role for reading in line.closed[0].readings if reading.kind == "length"]
    assert roles == ["used", "echo"]


def test_a_weight_said_twice_is_kept_as_an_echo_of_the_saved_fish(line: Desk) -> None:
    pass_on(line, 310, 255)
    line.weigh(weight_of(310)).weigh(weight_of(310), after=1.5)
    weigh(line, 255)
    assert pairs(line) == own(310, 255)
    assert [(e.reading.kind, e.reading.role) for e in line.echoes] == [("weight", "echo")]


def test_an_echo_after_a_length_of_a_saved_fish_goes_with_it(tmp_path: Path) -> None:
    own_protocol = 'name = "own"\nsummary = ""\n[default]\nweigh = "none"\n'
    line = Desk.at(tmp_path, rules='flow = "line"\ntags = "first"', own_protocol=own_protocol)
    line.length(310).length(310, after=0.5)
    assert line.only.length_mm == 310
    assert [(e.fish_id, e.reading.role) for e in line.echoes] == [(line.only.fish_id, "echo")]


def test_again_measures_the_newest_fish_anew(line: Desk) -> None:
    pass_on(line, 310, 244)
    line.card("again").length(255)
    weigh(line, 310, 255)
    assert pairs(line) == own(310, 255)
    assert "length_replaced" in names(line.closed[1])


def test_again_corrects_the_length_of_a_fish_already_weighed(line: Desk) -> None:
    line.length(301)
    weigh(line, 310)
    line.card("again").length(310)
    assert pairs(line) == own(310)


def test_again_from_the_scale_corrects_the_last_weight(line: Desk) -> None:
    pass_on(line, 310, 255)
    line.weigh(123.0)
    line.event("command", source="scale", command="again")
    weigh(line, 310, 255)
    assert pairs(line) == own(310, 255)


def test_again_is_forgotten_after_a_while(line: Desk) -> None:
    line.length(310).card("again").length(255, after=130)
    weigh(line, 310, 255)
    assert pairs(line) == own(310, 255)


def test_again_with_nothing_measured_is_refused(line: Desk) -> None:
    line.command("again")
    assert len(line.heard("command_refused")) == 1


def test_again_before_the_length_is_refused(tmp_path: Path) -> None:
    line = Desk.at(tmp_path, rules='flow = "line"')
    line.scan(STOCK[0]).command("again")
    assert "no length yet" in line.heard("command_refused")[0]


# --- skipping ----------------------------------------------------------------------------------------------------


def test_no_weight_skips_the_oldest(line: Desk) -> None:
    pass_on(line, 310, 255, 402)
    line.card("no-weight")
    weigh(line, 255, 402)
    assert pairs(line) == [(310, None), *own(255, 402)]
    assert line.closed[0].rule == "no_weight"


def test_no_weight_with_nobody_waiting_is_refused(line: Desk) -> None:
    line.length(310)
    weigh(line, 310)
    line.card("no-weight")
    assert "No fish waits" in line.heard("command_refused")[0]


def test_a_fish_that_needs_no_weight_does_not_wait_for_one(tmp_path: Path) -> None:
    protocol = (
        'name = "own"\nsummary = ""\n[default]\nlength = "measure"\n'
        '[[rule]]\nspecies = ["bluegill"]\nlength = "measure"\nweigh = "none"\n'
    )
    line = Desk.at(tmp_path, rules='flow = "line"\ntags = "first"', own_protocol=protocol)
    line.length(310).command("species bluegill").length(150).command("species largemouth bass").length(255)
    weigh(line, 310, 255)
    assert [(fish.species, fish.weight_g) for fish in line.closed] == [
        ("largemouth_bass", weight_of(310)),
        ("bluegill", None),
        ("largemouth_bass", weight_of(255)),
    ]


def test_a_fish_that_escaped_or_is_void_leaves_the_queue(line: Desk) -> None:
    pass_on(line, 310, 255)
    line.card("fate escaped")
    pass_on(line, 402)
    line.card("void")
    weigh(line, 310)
    by_length = {fish.length_mm: fish for fish in line.closed}
    assert by_length[255].fate == "escaped"
    assert by_length[402].status is Status.VOID
    assert by_length[310].weight_g == weight_of(310)


def test_a_command_goes_to_the_newest_fish_and_leaves_it_in_its_place(line: Desk) -> None:
    pass_on(line, 310, 255)
    line.command("note torn fin").command("species-once bluegill")
    pass_on(line, 402)
    weigh(line, 310, 255, 402)
    assert [fish.note for fish in line.closed] == [None, "torn fin", None]
    assert [fish.species for fish in line.closed] == ["largemouth_bass", "bluegill", "largemouth_bass"]
    assert [fish.length_mm for fish in line.closed] == [310, 255, 402]


def test_a_command_with_an_empty_line_amends_the_fish_saved_last(line: Desk) -> None:
    line.length(310)
    weigh(line, 310)
    line.command("fate removed")
    assert [(a.field, a.new) for a in line.amendments] == [("fate", "removed")]


def test_a_doubtful_weight_is_said_and_the_line_moves_on(line: Desk) -> None:
    pass_on(line, 310, 255)
    line.weigh(weight_of(310) * 10)
    assert line.heard("fish_held")
    weigh(line, 255)
    assert [fish.status for fish in line.closed] == [Status.QUERIED, Status.SAVED]
    assert "weight_slip" in names(line.closed[0])


def test_a_length_that_no_fish_can_have_is_held_at_the_measuring_end(line: Desk) -> None:
    line.length(990)
    assert line.heard("fish_held")
    line.length(310).length(310, after=3)
    weigh(line, 310)
    assert pairs(line) == own(310)


def test_keep_passes_a_held_fish_on_with_its_question(line: Desk) -> None:
    line.length(990).card("keep").length(310)
    line.weigh(5000.0)
    weigh(line, 310)
    assert line.closed[0].status is Status.QUERIED
    assert pairs(line)[1:] == own(310)


def test_a_scale_that_says_no_weight_leaves_its_reason_with_the_fish_whose_turn_it_is(line: Desk) -> None:
    pass_on(line, 310, 255)
    line.send("scale", "EEEEE\r\n")
    line.card("no-weight")
    weigh(line, 255)
    first, second = line.closed
    assert any(name.startswith("scale_") for name in names(first))
    assert not any(name.startswith("scale_") for name in names(second))


# --- a weight that nobody waits for -------------------------------------------------------------------------------


def test_a_weight_without_a_fish_is_held_with_a_question(line: Desk) -> None:
    line.weigh(333.0)
    loose = line.only
    assert (loose.status, loose.length_mm, loose.weight_g) == (Status.HELD, None, 333.0)
    assert line.heard("loose_weight")


def test_a_weight_without_a_fish_finds_it_by_resume(line: Desk) -> None:
    line.weigh(weight_of(310)).card("resume").length(310)
    pass_on(line, 255)
    weigh(line, 255)
    assert pairs(line) == own(310, 255)


def test_the_same_fish_weighed_twice_with_none_waiting_is_known(line: Desk) -> None:
    line.length(310)
    line.weigh(weight_of(310)).weigh(weight_of(310), after=8)
    pass_on(line, 255)
    weigh(line, 255)
    assert pairs(line) == own(310, 255)
    assert "weighed twice" in line.heard("weighed_twice")[0]


def test_a_weight_that_comes_over_stops_the_line_where_one_was_too_many(line: Desk) -> None:
    pass_on(line, *LENGTHS[:6])
    weigh(line, *LENGTHS[:3])
    line.weigh(weight_of(LENGTHS[2]) + 0.5, after=8)  # on the pan once more: it goes to the next fish
    weigh(line, *LENGTHS[3:6])
    assert "a weight too many" in line.heard("line_stopped")[-1]
    line.command("shift")
    assert pairs(line) == own(*LENGTHS[:6])
    assert [fish.status for fish in line.fish].count(Status.VOID) == 1  # the weight alone was no fish
    pass_on(line, 255)
    weigh(line, 255)
    assert pairs(line)[-1:] == own(255)


def test_a_weight_over_that_was_resumed_lets_the_line_go_on(line: Desk) -> None:
    pass_on(line, *LENGTHS[:6])
    weigh(line, *LENGTHS[:3])
    line.weigh(weight_of(LENGTHS[2]) + 0.5, after=8)
    weigh(line, *LENGTHS[3:6])
    line.card("resume").length(LENGTHS[5])
    assert line.engine.state.benches["main"].line.slip is None


# --- the watch --------------------------------------------------------------------------------------------------


def missed_weighing(line: Desk) -> None:
    """Fish 5 is not weighed; the line is stopped at the fourth weight of a neighbour."""
    pass_on(line, *LENGTHS[:3])
    for i in range(3, 12):
        pass_on(line, LENGTHS[i])
        weigh(line, LENGTHS[i - 3] if i - 3 < 4 else LENGTHS[i - 2])
        if line.heard("line_stopped"):
            return


def test_a_missed_weighing_stops_the_line_and_names_its_place(line: Desk) -> None:
    missed_weighing(line)
    (said,) = [said for said in line.said if said.name == "line_stopped"]
    assert said.sound is Sound.HELD
    assert "between fish 4 and 5 a weighing was missed" in said.sentence
    assert said.facts["number"] == 5
    doubtful = {
        fish.length_mm for fish in line.closed if "weight_of_neighbour" in marked(line).get(fish.fish_id, [])
    }
    assert doubtful == set(LENGTHS[4:8])


def test_shift_gives_every_weight_to_its_own_fish(line: Desk) -> None:
    missed_weighing(line)
    line.command("shift")
    assert pairs(line) == [*own(*LENGTHS[:4]), (LENGTHS[4], None), *own(*LENGTHS[5:9])]
    assert line.heard("line_shifted")
    amended = {a.fish_id: a.new for a in line.amendments if a.field == "status"}
    without = line.closed[4]
    assert amended[without.fish_id] == "incomplete"
    assert {a.new for a in line.amendments if a.field == "weight_quality"} == {"not_weighed"}
    weigh(line, *LENGTHS[9:11])
    assert pairs(line)[-2:] == own(*LENGTHS[9:11])


def test_a_shifted_weight_can_be_traced_to_its_bytes(line: Desk) -> None:
    missed_weighing(line)
    line.command("shift")
    moved = {a.fish_id: float(a.new) for a in line.amendments if a.field == "weight_g" and a.new is not None}
    attached = {echo.fish_id: echo.reading for echo in line.echoes if echo.reading.kind == "weight"}
    assert {fish: reading.value for fish, reading in attached.items()} == moved
    assert all(f"{reading.value:.1f}".encode() in reading.raw for reading in attached.values())


def test_relative_weight_and_status_follow_a_shift(line: Desk) -> None:
    missed_weighing(line)
    line.command("shift")
    relative = {a.fish_id: a.new for a in line.amendments if a.field == "relative_weight"}
    fish = {one.fish_id: one for one in line.closed}
    for fish_id, new in relative.items():
        if new is not None:
            assert float(new) == pytest.approx(93, abs=1), fish[fish_id].length_mm
    queried = [one.fish_id for one in line.closed if one.status is Status.QUERIED]
    assert queried, "the neighbours' weights raised no question: the test shows nothing"
    status = {a.fish_id: a.new for a in line.amendments if a.field == "status"}
    assert all(status[one] in ("saved", "incomplete") for one in queried)


def strange_weight(line: Desk) -> None:
    """A fish that nobody measured was weighed before fish 5."""
    pass_on(line, *LENGTHS[:5])
    for i in range(4):
        weigh(line, LENGTHS[i])
        pass_on(line, LENGTHS[i + 5])
    line.weigh(777.0)
    for i in range(4, 9):
        if line.heard("line_stopped"):
            return
        weigh(line, LENGTHS[i])
        pass_on(line, LENGTHS[i + 5])


def test_a_strange_weight_is_put_aside_and_the_newest_fish_weighed_again(line: Desk) -> None:
    strange_weight(line)
    assert "between fish 4 and 6 there was a weight too many" in line.heard("line_stopped")[0]
    line.command("shift")
    count = 8  # fish 8 had the weight of fish 7: its own is owed
    assert pairs(line)[:count] == [*own(*LENGTHS[:7]), (LENGTHS[7], None)]
    assert "Fish 8 comes to the scale next" in line.heard("line_shifted")[0]
    assert [fish.weight_g for fish in line.fish if fish.status is Status.HELD] == [777.0]
    weigh(line, *LENGTHS[7:10])
    assert pairs(line)[:10] == own(*LENGTHS[:10])


def test_a_fish_that_is_owed_its_weight_can_be_skipped(line: Desk) -> None:
    strange_weight(line)
    line.command("shift").card("no-weight")
    weigh(line, *LENGTHS[8:10])
    assert pairs(line)[6:10] == [*own(LENGTHS[6]), (LENGTHS[7], None), *own(*LENGTHS[8:10])]


def test_while_the_line_is_stopped_every_weight_says_so_and_nothing_is_lost(line: Desk) -> None:
    missed_weighing(line)
    pass_on(line, LENGTHS[10])
    weigh(line, LENGTHS[9])
    assert len(line.heard("line_stopped")) == 2
    assert "weight_of_neighbour" in names(line.closed[-1])
    line.command("shift")
    assert pairs(line)[5:10] == own(*LENGTHS[5:10])


def test_keep_lets_the_line_go_on_and_asks_no_more_about_those_fish(line: Desk) -> None:
    missed_weighing(line)
    line.card("keep")
    before = pairs(line)
    assert line.amendments == []
    weigh(line, 300)  # the fish's own, were it not for the slip that the crew wanted kept
    assert pairs(line)[:-1] == before
    assert len(line.heard("line_stopped")) == 1


def test_shift_without_any_sign_of_a_slip_is_refused(line: Desk) -> None:
    pass_on(line, *LENGTHS[:6])
    weigh(line, *LENGTHS[:6])
    line.command("shift")
    assert "No fish points" in line.heard("command_refused")[0]
    assert line.amendments == []


def test_a_crew_that_sees_a_slip_first_may_shift_at_once(line: Desk) -> None:
    pass_on(line, *LENGTHS[:6])
    weigh(line, *LENGTHS[:3], *LENGTHS[4:6])
    assert not line.heard("line_stopped")
    line.command("shift")
    assert pairs(line) == [*own(*LENGTHS[:3]), (LENGTHS[3], None), *own(*LENGTHS[4:6])]


def test_a_thin_pond_is_no_slip(line: Desk) -> None:
    pass_on(line, *LENGTHS)
    for mm in LENGTHS:
        line.weigh(weight_of(mm, wr=75))
    assert not line.heard("line_stopped")


def test_fish_of_one_size_are_said_once_to_be_beyond_watching(line: Desk) -> None:
    for mm in (300, 302, 299, 301, 300, 298, 303, 301, 300, 302, 299):
        line.length(mm)
        weigh(line, mm)
    assert len(line.heard("alignment_unwatched")) == 1
    assert "too alike" in line.heard("alignment_unwatched")[0]
    assert not line.heard("line_stopped")


def test_fish_of_no_chosen_species_are_said_to_be_beyond_watching(tmp_path: Path) -> None:
    own_protocol = 'name = "own"\nsummary = ""\n[default]\nlength = "measure"\n'
    path = write_station(tmp_path, rules='flow = "line"\ntags = "first"', own_protocol=own_protocol)
    path.write_text(path.read_text().replace('species = "largemouth_bass"\n', ""))
    line = Desk(load_station(path))
    for mm in LENGTHS[:9]:
        line.length(mm)
        weigh(line, mm)
    assert "no length-weight relation" in line.heard("alignment_unwatched")[0]


def test_a_slip_too_young_at_the_end_of_the_day_leaves_a_mark(line: Desk) -> None:
    pass_on(line, *LENGTHS[:8])
    weigh(line, *LENGTHS[:5], *LENGTHS[6:8])
    line.command("survey close")
    assert not line.heard("line_stopped")
    found = marked(line)
    assert {fish.length_mm for fish in line.closed if fish.fish_id in found} >= set(LENGTHS[5:7])


def test_a_slip_that_nobody_answers_is_forgotten_when_its_start_is_gone(line: Desk) -> None:
    missed_weighing(line)
    for mm in LENGTHS * 6:
        pass_on(line, mm)
        weigh(line, mm)
    assert len(line.engine.state.benches["main"].line.weighed) <= 60
    line.command("shift")  # too late for those; nothing breaks
    line.command("survey close")


# --- the day's edges ----------------------------------------------------------------------------------------------


def test_the_fish_between_are_saved_without_a_weight_when_the_survey_closes(line: Desk) -> None:
    pass_on(line, 310, 255)
    weigh(line, 310)
    line.command("survey close")
    assert [(fish.length_mm, fish.status) for fish in line.closed] == [
        (310, Status.SAVED),
        (255, Status.INCOMPLETE),
    ]


def test_a_stop_makes_the_fish_between_durable_and_a_quick_start_goes_on(line: Desk) -> None:
    pass_on(line, 310, 255)
    line.event("stop")
    assert [(fish.length_mm, fish.status) for fish in line.fish] == [
        (310, Status.PARKED),
        (255, Status.PARKED),
    ]
    weigh(line, 310, 255)
    assert pairs(line) == own(310, 255)


def test_after_another_boot_the_fish_between_are_parked_and_come_back_by_their_tag(tmp_path: Path) -> None:
    from_header = _headers()
    line = Desk.at(tmp_path, rules='flow = "line"')
    line.begin(next(from_header))
    line.scan(STOCK[0]).length(310).scan(STOCK[1]).length(255)
    line.begin(next(from_header))
    assert [fish.status for fish in line.fish] == [Status.PARKED, Status.PARKED]
    line.scan(STOCK[1]).scan(STOCK[0])
    weigh(line, 255, 310)
    assert [(fish.tag, fish.weight_g) for fish in line.closed] == [
        (STOCK[0], weight_of(310)),
        (STOCK[1], weight_of(255)),
    ]


def _headers() -> Iterator[Header]:
    for number in range(1, 9):
        yield Header(f"journal-{number}", "test-bank", STARTED, f"boot-{number}", 0.0)


def test_a_fish_left_at_the_measuring_end_is_parked_and_those_between_wait(tmp_path: Path) -> None:
    line = Desk.at(tmp_path, rules='flow = "line"')
    line.scan(STOCK[0]).length(310).scan(STOCK[1])
    line.pass_time(130)
    assert len(line.heard("fish_parked")) == 1
    weigh(line, 310)
    assert line.closed[0].tag == STOCK[0]


def test_single_benches_know_no_shift(tmp_path: Path) -> None:
    desk = Desk.at(tmp_path)
    desk.length(310).command("shift")
    assert "no two-person line" in desk.heard("command_refused")[0]


def test_next_passes_a_fish_on_that_has_no_length(tmp_path: Path) -> None:
    line = Desk.at(tmp_path, rules='flow = "line"')
    line.scan(STOCK[0]).card("next").scan(STOCK[1]).length(255)
    line.weigh(400.0)
    weigh(line, 255)
    first: FishRecord = line.closed[0]
    assert (first.tag, first.length_mm, first.weight_g, first.status) == (
        STOCK[0],
        None,
        400.0,
        Status.INCOMPLETE,
    )
    assert (line.closed[1].length_mm, line.closed[1].weight_g) == (255, weight_of(255))
    assert "next" in CARDS.values()


def test_swapped_neighbours_are_marked_and_stop_nobody(line: Desk) -> None:
    pass_on(line, *LENGTHS[:10])
    weigh(line, *LENGTHS[:6], LENGTHS[7], LENGTHS[6], *LENGTHS[8:10])
    found = marked(line)
    swapped = {fish.length_mm for fish in line.closed if "weights_swapped" in found.get(fish.fish_id, [])}
    assert swapped == {LENGTHS[6], LENGTHS[7]}
    assert not line.heard("line_stopped")


def test_a_line_in_no_order_is_said_to_be_lost_and_watched_anew(line: Desk) -> None:
    pass_on(line, *LENGTHS[:10])
    weigh(line, *LOST)
    assert "fish 1 to 8 fit neither" in line.heard("line_lost")[0]
    assert not line.heard("line_stopped")
    assert all("line_lost" in marked(line)[fish.fish_id] for fish in line.closed)
    weigh(line, *LENGTHS[8:10])
    pass_on(line, *LENGTHS[:6])
    weigh(line, *LENGTHS[:6])
    assert len(line.heard("line_lost")) == 1
    assert not line.heard("line_stopped")


def test_after_a_shift_the_line_is_watched_as_before(line: Desk) -> None:
    missed_weighing(line)
    line.command("shift")
    later = (*LENGTHS[9:], *LENGTHS[:9])
    for mm in later[2:]:  # two lie between already
        pass_on(line, mm)
    weigh(line, *later[:8])
    assert len(line.heard("line_stopped")) == 1
    weigh(line, *later[9:13])
    assert len(line.heard("line_stopped")) == 2
    line.command("shift")
    assert pairs(line)[9:] == [*own(*later[:8]), (later[8], None), *own(*later[9:13])]


def test_the_second_weight_of_a_fish_is_kept_with_it_as_a_repeat(line: Desk) -> None:
    pass_on(line, *LENGTHS[:10])
    weigh(line, *LENGTHS[:4])
    line.weigh(weight_of(LENGTHS[3]), after=8)
    weigh(line, *LENGTHS[4:7])
    line.command("shift")
    twice = line.closed[3]
    assert [(e.reading.kind, e.reading.role) for e in line.echoes if e.fish_id == twice.fish_id] == [
        ("weight", "repeat")
    ]
    assert pairs(line)[:7] == own(*LENGTHS[:7])


def test_a_length_like_that_of_the_fish_just_saved_is_the_next_fish(line: Desk) -> None:
    line.length(310)
    weigh(line, 310)
    line.length(310, after=1)
    weigh(line, 310)
    assert pairs(line) == own(310, 310)
