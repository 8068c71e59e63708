"""Fish that nobody measures one by one: counted, or weighed together, with what the instruments say.

All fish, codes, agents and waters are invented.
"""

from pathlib import Path

import pytest

from ingest.catch_records import AmendBatch, BatchRecord, SaveBatch
from ingest.engine_state import load_state
from ingest.frames import Header
from ingest.records import Sound
from tests.ingest.desk import KNOWN, STARTED, STOCK, Desk


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk.at(tmp_path)


def batches(desk: Desk) -> list[BatchRecord]:
    """The latest record of each batch, in the order of their commands, without those that are void."""
    latest = {change.batch.batch_id: change.batch for change in desk.changes if isinstance(change, SaveBatch)}
    void = {
        c.batch_id for c in desk.changes if isinstance(c, AmendBatch) and (c.field, c.new) == ("void", "1")
    }
    return [record for batch_id, record in latest.items() if batch_id not in void]


def only(desk: Desk) -> BatchRecord:
    (record,) = batches(desk)
    return record


def in_hand(desk: Desk) -> tuple[float | None, float | None]:
    """Length (mm) and weight (g) of the fish in hand."""
    fish = desk.engine.state.benches["main"].fish
    assert fish is not None
    length, weight = fish.used("length"), fish.used("weight")
    return length.value if length else None, weight.value if weight else None


def test_a_count_is_of_the_species_chosen_or_of_the_one_named(desk: Desk) -> None:
    desk.command("count +3").command("count bluegill 12")
    first, second = batches(desk)
    assert (first.kind, first.species, first.n, first.fate, first.closed) == (
        "count", "largemouth_bass", 3, "released", True,
    )  # fmt: skip
    assert (second.species, second.n) == ("bluegill", 12)
    assert desk.heard("fish_counted") == ["Saved: 3 largemouth bass counted.", "Saved: 12 bluegill counted."]
    assert desk.fish == []


def test_a_count_opens_a_survey_as_a_fish_does(desk: Desk) -> None:
    desk.command("count +1")
    assert len(desk.surveys) == 1
    assert only(desk).survey_id == desk.surveys[0].survey_id


def test_an_unknown_species_counts_nothing_and_says_so(desk: Desk) -> None:
    desk.command("count snark 3").command("batch snark count=3")
    assert batches(desk) == []
    assert len(desk.heard("command_refused")) == 2


def test_a_batch_takes_its_container_off(desk: Desk) -> None:
    desk.command(
        "batch bluegill count=40, weight=2150, container=850, lengths=120,131,145, fate=kept, note=live well"
    )
    record = only(desk)
    assert (record.total_weight_g, record.container_g, record.fate, record.note) == (
        1300,
        850,
        "kept",
        "live well",
    )
    assert [(reading.kind, reading.value) for reading in record.readings] == [
        ("length", 120), ("length", 131), ("length", 145), ("container", 850), ("gross", 2150),
    ]  # fmt: skip
    assert record.closed
    assert desk.heard("batch_saved") == ["Saved: batch of 40 bluegill, 1300 g, 3 measured."]


def test_a_batch_that_weighs_no_more_than_its_container_is_refused(desk: Desk) -> None:
    desk.command("batch bluegill count=40, weight=850, container=850")
    assert batches(desk) == []
    assert desk.said[-1].sound is Sound.TROUBLE


def test_container_and_batch_are_weighed_on_the_scale(desk: Desk) -> None:
    desk.command("batch bluegill count=40, weight=scale, container=scale")
    assert desk.heard("batch_begun") == [
        "Weigh the empty container, then weigh the batch: batch of 40 bluegill."
    ]
    assert not only(desk).closed
    desk.weigh(850)
    assert only(desk).total_weight_g is None
    desk.weigh(2150)
    assert (only(desk).total_weight_g, only(desk).closed) == (1300, True)
    assert only(desk).readings[1].raw == b"+  2150.0 g\r\n"
    desk.weigh(2150, after=1)  # the same load once more is no fish
    assert desk.engine.state.benches["main"].fish is None
    desk.weigh(310, after=1)
    assert in_hand(desk) == (None, 310)


def test_within_the_echo_time_the_batch_s_weight_once_more_is_no_fish(tmp_path: Path) -> None:
    desk = Desk.at(tmp_path, rules="echo_s = 6.0")
    desk.command("batch bluegill count=40, weight=scale").weigh(2150).weigh(2150, after=4)
    assert desk.engine.state.benches["main"].fish is None
    desk.weigh(2150, after=4)
    assert in_hand(desk) == (None, 2150)


def test_a_weight_that_is_not_above_the_container_is_asked_for_again(desk: Desk) -> None:
    desk.command("batch bluegill count=40, weight=scale, container=scale").weigh(850).weigh(850)
    assert len(desk.heard("batch_too_light")) == 1
    assert not only(desk).closed
    desk.weigh(2150)
    assert only(desk).total_weight_g == 1300
    assert len(only(desk).readings) == 3  # what came and did not count is kept


def test_a_typed_weight_waits_for_the_container_that_is_to_be_weighed(desk: Desk) -> None:
    desk.command("batch bluegill count=40, weight=2150, container=scale")
    assert only(desk).total_weight_g is None
    desk.weigh(850)
    assert (only(desk).total_weight_g, only(desk).closed) == (1300, True)


def test_the_subsample_is_measured_on_the_board_until_next(desk: Desk) -> None:
    desk.command("batch bluegill count=40, lengths=board").length(120).length(131).command("next")
    assert [reading.value for reading in only(desk).readings] == [120, 131]
    assert only(desk).closed
    desk.length(312)
    assert in_hand(desk) == (312, None)


def test_a_fish_that_comes_ends_the_batch_as_far_as_it_got(desk: Desk) -> None:
    desk.command("batch bluegill count=40, weight=scale").scan(STOCK[0])
    assert (only(desk).closed, only(desk).total_weight_g) == (True, None)
    assert desk.heard("batch_saved") == ["Saved without its weight: batch of 40 bluegill."]
    desk.length(312).weigh(412)
    assert desk.only.weight_g == 412


def test_the_tag_of_the_fish_saved_last_is_still_that_fish_and_ends_no_batch(desk: Desk) -> None:
    desk.scan(STOCK[0]).length(312).weigh(412).command("batch bluegill count=40, weight=scale")
    desk.scan(STOCK[0]).weigh(900)
    assert only(desk).total_weight_g == 900


def test_a_batch_that_was_left_ends_after_the_idle_limit_and_takes_no_fish(desk: Desk) -> None:
    desk.command("batch bluegill count=40, weight=scale").pass_time(119)
    assert not only(desk).closed
    desk.pass_time(1)
    assert desk.heard("batch_saved") == ["Saved without its weight: batch of 40 bluegill."]
    desk.weigh(412)
    assert (only(desk).closed, only(desk).total_weight_g) == (True, None)
    assert in_hand(desk) == (None, 412)


def test_a_batch_to_be_measured_waits_for_the_fish_in_hand(desk: Desk) -> None:
    desk.scan(STOCK[0]).command("batch bluegill count=40, weight=scale")
    assert batches(desk) == []
    assert "A fish is in hand" in desk.heard("command_refused")[0]
    desk.command("count +5")
    assert only(desk).n == 5
    desk.length(312).weigh(412)
    assert desk.only.tag == STOCK[0]


@pytest.mark.parametrize(
    "command", ["count +5", "batch bluegill count=5, weight=90", "batch bluegill count=5, weight=scale"]
)
def test_void_right_after_voids_it(desk: Desk, command: str) -> None:
    desk.scan(STOCK[0]).length(312).weigh(412).command(command).command("void")
    assert batches(desk) == []
    assert len(desk.heard("batch_void")) == 1
    assert desk.amendments == []
    desk.command("void")
    assert [amendment.field for amendment in desk.amendments] == ["void"]  # the next one is the fish's


def test_void_of_a_count_leaves_the_fish_in_hand_alone(desk: Desk) -> None:
    desk.scan(STOCK[0]).command("count +5").command("void").length(312).weigh(412)
    assert batches(desk) == []
    assert desk.only.tag == STOCK[0]


def test_once_something_else_came_void_is_the_fish_s(desk: Desk) -> None:
    desk.command("count +5").scan(STOCK[0]).command("void")
    assert only(desk).n == 5
    assert desk.only.status.value == "void"


def test_words_right_after_a_batch_are_about_the_batch(desk: Desk) -> None:
    desk.command("count +5").command("species-once bluegill").command("fate died").command(
        "note old"
    ).command("note net 2")
    made = [(c.field, c.old, c.new) for c in desk.changes if isinstance(c, AmendBatch)]
    assert made == [
        ("species", "largemouth_bass", "bluegill"),
        ("fate", "released", "died"),
        ("note", None, "old"),
        ("note", "old", "old; net 2"),
    ]
    assert desk.amendments == []


def test_the_survey_s_end_ends_the_batch_in_hand(desk: Desk) -> None:
    desk.command("batch bluegill count=40, weight=scale").command("survey close")
    assert only(desk).closed


def test_a_restart_on_the_same_boot_goes_on_with_the_batch_and_another_boot_ends_it(desk: Desk) -> None:
    header = Header("later", "test-bank", "2026-05-12T13:00:30.000Z", boot="b1", mono=40.0)
    desk.begin(Header("first", "test-bank", STARTED, boot="b1", mono=10.0))
    desk.command("batch bluegill count=40, weight=scale")
    state = desk.engine.checkpoint()
    desk.engine.state = load_state(state)
    desk.begin(header).weigh(900)
    assert only(desk).total_weight_g == 900
    desk.command("batch bluegill count=3, weight=scale")
    desk.begin(Header("boot2", "test-bank", "2026-05-12T13:05:00.000Z", boot="b2", mono=1.0)).weigh(412)
    assert [record.total_weight_g for record in batches(desk)] == [900, None]
    assert all(record.closed for record in batches(desk))
    assert in_hand(desk) == (None, 412)


def test_on_a_line_a_count_comes_between_and_a_batch_waits_for_the_scale(tmp_path: Path) -> None:
    desk = Desk.at(tmp_path, rules='flow = "line"')
    desk.scan(STOCK[0]).length(312).command("batch bluegill count=40, weight=scale").command(
        "count bluegill 4"
    )
    assert [record.kind for record in batches(desk)] == ["count"]
    desk.weigh(412).command("batch bluegill count=40, weight=scale").weigh(900)
    assert desk.only.weight_g == 412
    assert batches(desk)[-1].total_weight_g == 900


def test_a_card_a_key_and_a_printed_command_count(tmp_path: Path) -> None:
    more = """"999000000000950" = "count +1"
[commands.keys]
"12" = "count bluegill 10"
[[instrument]]
name = "cards"
use = "keys_barcode"
port = "/dev/serial/by-id/cards"
"""
    desk = Desk.at(tmp_path, more=more)
    desk.scan("999000000000950").scan("999000000000950")
    desk.wait(1).send("board", "K,12\r\n")
    desk.wait(1).send("cards", "]Q1count yellow_perch +4\r\n")
    desk.wait(1).send("cards", "BREAD 2.50\r\n")
    assert [(record.species, record.n) for record in batches(desk)] == [
        ("largemouth_bass", 1), ("largemouth_bass", 1), ("bluegill", 10), ("yellow_perch", 4),
    ]  # fmt: skip
    assert desk.heard("key_unknown") == ["Key BREAD 2.50 of the cards has no command."]


def test_a_recaptured_fish_is_no_batch(desk: Desk) -> None:
    desk.command("count +2").scan(KNOWN).length(331).weigh(450)
    assert desk.only.tag == KNOWN
    assert only(desk).n == 2
