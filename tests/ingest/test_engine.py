"""The engine around the bench rules: instruments that fall silent, are lost or unknown, clocks, restarts, doors."""

from pathlib import Path

import pytest

from ingest.frames import Header
from ingest.records import AddFinding, SaveRun, Status, TagStatus
from tests.ingest.desk import CARDS, FOREIGN, KNOWN, STOCK, Desk, names, triple

SECOND_SCALE = """
[[instrument]]
name = "big_scale"
use = "scale_print_key"
port = "/dev/serial/by-id/big_scale"
"""


def test_two_scales_of_a_bench_count_their_loads_for_themselves(tmp_path: Path) -> None:
    desk = Desk.at(tmp_path, more=SECOND_SCALE)
    desk.scan(STOCK[0]).length(312).weigh(412)
    desk.wait(8).send(
        "big_scale", "+  2435.0 g\r\n"
    )  # the first load of this scale, as 412 g was of the other
    desk.length(560).scan(STOCK[1])
    assert [triple(fish) for fish in desk.closed] == [(STOCK[0], 312, 412), (STOCK[1], 560, 2435)]
    assert not desk.echoes


def test_a_reader_that_must_say_a_tag_twice_is_not_believed_once(tmp_path: Path) -> None:
    desk = Desk.at(tmp_path, reader="tag_id40", inventory=False)
    desk.wait(2).send("reader", "0123456789\r\n").length(312).weigh(412)
    assert desk.fish == []
    desk.command("next")
    assert desk.only.tag_status is TagStatus.NOT_SCANNED


def test_two_tags_that_take_turns_at_such_a_reader_are_held(tmp_path: Path) -> None:
    desk = Desk.at(tmp_path, reader="tag_id40", inventory=False)
    for code in ("0123456789", "ABCDEF0123", "0123456789", "ABCDEF0123"):
        desk.wait(0.3).send("reader", f"{code}\r\n")
    assert desk.only.status is Status.HELD
    assert desk.only.rule == "two_tags"
    assert desk.only.tag is None


def test_two_reads_that_are_far_apart_are_no_witnesses_of_each_other(tmp_path: Path) -> None:
    desk = Desk.at(tmp_path, reader="tag_id40", inventory=False)
    desk.wait(2).send("reader", "0123456789\r\n").wait(6).send("reader", "0123456789\r\n")
    assert desk.engine.state.benches["main"].fish is None
    desk.wait(0.3).send("reader", "0123456789\r\n")
    assert desk.engine.state.benches["main"].fish is not None


def test_bytes_of_an_unknown_instrument_are_kept_and_said_once(tmp_path: Path) -> None:
    desk = Desk.at(tmp_path)
    desk.send("stranger", "\x00\xff?\r\n").send("stranger", "again\r\n")
    assert [frame.data for frame in desk.frames] == [b"\x00\xff?\r\n", b"again\r\n"]
    assert len(desk.heard("instrument_unknown")) == 1
    assert desk.fish == []


def test_a_silent_scale_is_said_once_and_its_return_too(tmp_path: Path) -> None:
    desk = Desk.at(tmp_path, scale="scale_state_letter")
    desk.send("scale", "S       0.0 g\r\n").pass_time(60).pass_time(60)
    assert len(desk.heard("instrument_silent")) == 1
    desk.send("scale", "S       0.0 g\r\n")
    assert len(desk.heard("instrument_back")) == 1


def test_a_lost_scale_is_said_once_and_found_again(tmp_path: Path) -> None:
    desk = Desk.at(tmp_path, scale="scale_state_letter")
    desk.send("scale", "S       0.0 g\r\n")
    desk.event("port", "scale", state="lost", sentence="scale: the cable was pulled")
    desk.event("port", "scale", state="lost").pass_time(60)
    assert desk.heard("instrument_lost") == ["The scale is lost: the cable was pulled."]
    assert desk.heard("instrument_silent") == []  # one sentence for one fault
    desk.event("port", "scale", state="opened")
    assert len(desk.heard("instrument_found")) == 1


def test_half_a_line_before_the_plug_was_pulled_is_kept_and_is_no_value(tmp_path: Path) -> None:
    desk = Desk.at(tmp_path)
    desk.scan(STOCK[0]).send("board", "31").event("port", "board", state="lost")
    desk.event("port", "board", state="opened").wait(0.05).send("board", "2 mm\r\n")
    fish = desk.engine.state.benches["main"].fish
    assert fish is not None
    assert fish.lengths == []
    desk.length(312)
    assert [measure.value for measure in fish.lengths] == [312]
    assert b"".join(f.data or b"" for f in desk.frames if f.source == "board") == b"312 mm\r\n312 mm\r"


def test_a_refused_tag_leaves_its_reason_until_a_tag_is_read(tmp_path: Path) -> None:
    desk = Desk.at(tmp_path)
    desk.length(312).send("reader", f"{STOCK[0]} {STOCK[1]}\r\n").weigh(412).command("next")
    assert "tag_refused" in names(desk.only)
    assert len(desk.heard("tag_refused")) == 1
    desk.length(312).send("reader", f"{STOCK[0]} {STOCK[1]}\r\n").weigh(412).scan(STOCK[0])
    assert "tag_refused" not in names(desk.fish[-1])


def test_a_tag_after_the_measures_of_a_fish_whose_scan_failed_before_is_marked(tmp_path: Path) -> None:
    desk = Desk.at(tmp_path)
    desk.send("reader", f"{STOCK[0]} {STOCK[1]}\r\n").length(312).weigh(412).scan(STOCK[2])
    assert names(desk.only) == {"tag_after_failed_scan"}
    assert len(desk.heard("tag_after_failed_scan")) == 1


def test_a_failed_scan_that_was_repeated_before_the_measures_leaves_nothing(tmp_path: Path) -> None:
    desk = Desk.at(tmp_path)
    desk.send("reader", f"{STOCK[0]} {STOCK[1]}\r\n").scan(STOCK[0]).length(312).weigh(412)
    assert names(desk.only) == set()


def test_noise_before_an_stx_comes_back_from_the_journal_in_the_frame_that_it_was(tmp_path: Path) -> None:
    reader = {"reader": "tag_stx_hex"}
    desk, again = Desk.at(tmp_path, **reader), Desk.at(tmp_path, **reader)
    code = f"{1 << 63 | 985 << 38 | 100:016X}"
    for noise in ("?", "?" * 130, "\x028000"):
        desk.wait(1).send("reader", f"{noise}\x02{code}\x03")
    for frame in list(desk.frames):
        again.feed(frame)
    assert again.frames == desk.frames
    ids = [one.engine.state.benches["main"].fish for one in (desk, again)]
    assert ids[0] is not None
    assert ids[0] == ids[1]


def test_an_overload_that_was_followed_by_a_weight_leaves_nothing(tmp_path: Path) -> None:
    desk = Desk.at(tmp_path)
    desk.scan(STOCK[0]).length(312).wait(2).send("scale", "EEEEE\r\n").weigh(412)
    assert names(desk.only) == set()
    assert len(desk.heard("scale_trouble")) == 1


def test_a_key_without_a_command_is_said(tmp_path: Path) -> None:
    desk = Desk.at(tmp_path).send("board", "K,99\r\n")
    assert desk.heard("key_unknown") == ["Key 99 of the board has no command."]


def test_a_text_that_is_no_command_is_refused_with_what_is_possible(tmp_path: Path) -> None:
    desk = Desk.at(tmp_path).command("viod")
    (sentence,) = desk.heard("command_refused")
    assert '"viod" is no command (meant "void"?)' in sentence


@pytest.mark.parametrize(
    "command", ["void", "again", "fate kept", "keep", "next", "both", "resume", "no-weight"]
)
def test_a_command_for_a_fish_before_there_is_any_is_refused_and_opens_nothing(
    tmp_path: Path, command: str
) -> None:
    desk = Desk.at(tmp_path).command(command)
    assert len(desk.heard("command_refused")) == 1
    assert desk.changes == []


def test_a_run_started_before_the_first_fish_is_that_fish_s_run(tmp_path: Path) -> None:
    desk = Desk.at(tmp_path)
    desk.command("run start").scan(STOCK[0]).length(312).weigh(412).command("run end seconds=600")
    desk.scan(STOCK[1]).length(250).weigh(205)  # worked up after the run: it still belongs to it
    assert [fish.run_no for fish in desk.closed] == [1, 1]
    runs = [change for change in desk.changes if isinstance(change, SaveRun)]
    assert [(run.run_no, run.current_on_s) for run in runs] == [(1, None), (1, 600.0)]


def test_untagged_before_the_first_fish_is_that_fish_s_word(tmp_path: Path) -> None:
    desk = Desk.at(tmp_path).command("untagged").length(312).weigh(412)
    assert desk.only.tag_status is TagStatus.NONE_FOUND


def test_a_start_on_another_boot_opens_no_survey(tmp_path: Path) -> None:
    desk = Desk.at(tmp_path).begin(Header("next", "test-bank", "2026-05-12T15:00:00.000Z", "boot-b", 4.0))
    assert desk.changes == []


def test_a_survey_forgotten_over_night_is_closed_with_what_was_in_hand(tmp_path: Path) -> None:
    desk = Desk.at(tmp_path).scan(STOCK[0]).length(312)
    desk.begin(Header("next", "test-bank", "2026-05-13T08:00:00.000Z", "boot-b", 4.0))
    assert (desk.only.status, desk.only.rule) == (Status.INCOMPLETE, "survey_closed")
    assert desk.surveys[-1].closed_at is not None
    desk.scan(KNOWN).length(345).weigh(580)
    assert desk.fish[-1].survey_id != desk.fish[0].survey_id


def test_the_clock_moves_the_wall_time_and_nothing_else(tmp_path: Path) -> None:
    desk = Desk.at(tmp_path).scan(STOCK[0]).length(312)
    desk.event("clock", step_s=3600.0, doubtful=True).weigh(412)
    assert desk.only.opened_at == "2026-05-12T13:00:02.000Z"
    assert desk.only.worked_up_at == "2026-05-12T14:00:11.000Z"
    assert names(desk.only) == {"clock_doubtful"}


def test_settings_read_again_keep_the_fish_in_hand_and_half_a_line(tmp_path: Path) -> None:
    desk = Desk.at(tmp_path).scan(STOCK[0]).send("board", "31")
    desk.engine.reconfigure(desk.engine.station)
    desk.send("board", "2 mm\r\n").weigh(412)
    assert triple(desk.only) == (STOCK[0], 312, 412)


def test_a_foreign_tag_asks_for_a_second_scan_and_says_why(tmp_path: Path) -> None:
    desk = Desk.at(tmp_path).scan(FOREIGN)
    assert desk.heard("scan_again") == ["Tag ...0777 is on no list: scan it once more."]


def test_the_empty_pan_after_a_weight_is_kept_while_the_fish_is_in_hand(tmp_path: Path) -> None:
    desk = Desk.at(tmp_path, scale="scale_state_prefix")
    for grams in (3.0, 415.0, 415.0, 4.0, 4.0):
        desk.wait(1).send("scale", f"ST,+{grams:06.1f} g\r\n")
    desk.length(312).scan(STOCK[0])
    (weight,) = [reading for reading in desk.only.readings if reading.kind == "weight"]
    assert (weight.value, weight.empty_before_g, weight.empty_after_g) == (415.0, 3.0, 4.0)


def test_a_timer_that_fires_while_half_a_line_comes_leaves_its_time_in_the_journal(tmp_path: Path) -> None:
    desk = Desk.at(tmp_path).length(120).weigh(20)  # complete, waits for a late tag
    desk.wait(10).send("board", "3")  # the first byte of a line that a power cut ends
    assert desk.only.closed
    assert desk.frames[-1].event == "timer"
    again = Desk.at(tmp_path)
    for frame in desk.frames:
        again.feed(frame)
    assert again.frames == desk.frames
    assert again.fish == desk.fish


def test_a_deadline_that_was_waited_for_has_come(tmp_path: Path) -> None:
    for mono_s in (0.1, 86_403.35, 1_234_567.891):
        desk = Desk.at(tmp_path).begin(
            Header("next", "test-bank", "2026-05-12T13:00:00.000Z", "boot-b", mono_s)
        )
        desk.length(120, after=0.1).weigh(20, after=0.7)
        due_s = desk.engine.next_deadline_s()
        assert due_s is not None
        desk.engine.advance(due_s)
        assert desk.engine.state.benches["main"].fish is None


def test_lines_that_come_in_one_chunk_see_what_the_lines_before_saved(tmp_path: Path) -> None:
    void = next(tag for tag, command in CARDS.items() if command == "void")
    tags = (STOCK[0], KNOWN, void, STOCK[0])
    apart, together = (Desk.at(tmp_path).length(250).weigh(210).wait(3.0) for _ in range(2))
    for tag in tags:
        apart.send("reader", f"{tag}\r\n")
    together.send("reader", "".join(f"{tag}\r\n" for tag in tags))
    assert together.changes == apart.changes
    assert [said.name for said in together.said] == [said.name for said in apart.said]
    assert together.heard("already_done")


def test_a_reader_among_many_tags_keeps_each_as_seen_and_lists_few_with_the_fish(tmp_path: Path) -> None:
    desk = Desk.at(tmp_path).scan(KNOWN)
    for number in range(40):
        desk.scan(f"9850000002{number:05d}", after=0.2)
    desk.command("next")
    assert len(desk.only.tags) == 12
    assert desk.only.tag is None
    assert len({sighting.tag for sighting in desk.sightings}) == 41


def test_untagged_said_over_a_tag_marks_the_fish_whose_measures_may_be_the_next_ones(tmp_path: Path) -> None:
    desk = (
        Desk.at(tmp_path, rules='tags = "first"')
        .scan(KNOWN)
        .length(322)
        .card("untagged")
        .length(321)
        .weigh(455)
    )
    assert "untagged_with_tag" in names(desk.only)
    assert desk.heard("command_refused")


def test_another_length_right_after_the_save_marks_the_saved_fish(tmp_path: Path) -> None:
    desk = Desk.at(tmp_path, rules='tags = "first"').scan(KNOWN).weigh(455).length(351).length(322, after=1.5)
    found = [change.finding for change in desk.changes if isinstance(change, AddFinding)]
    assert [finding.name for finding in found] == ["length_came_after_save"]
    assert "322 mm" in found[0].sentence


def test_a_weight_measured_again_leaves_its_relative_weight_on_record_even_if_it_is_the_same(
    tmp_path: Path,
) -> None:
    """The store leaves a relative weight empty that no amendment of the same frame goes along with."""
    desk = Desk.at(tmp_path, scale="scale_print_key")
    desk.scan(STOCK[0]).length(312).weigh(412.0).card("again").weigh(412.1).pass_time(30.0)
    amended = {change.field: (change.old, change.new, change.n) for change in desk.amendments}
    assert amended["weight_g"][:2] == ("412", "412.1")
    old, new, n = amended["relative_weight"]
    assert (old, n) == (new, amended["weight_g"][2])


def test_a_weight_measured_again_that_the_scale_cannot_resolve_is_on_record_as_too_coarse(
    tmp_path: Path,
) -> None:
    desk = Desk.at(tmp_path, scale="scale_print_key")
    desk.scan(STOCK[0]).length(312).weigh(412.0).card("again").wait(5.0)
    desk.send("scale", "+ 0.015 kg\r\n").pass_time(30.0)
    amended = [(change.field, change.old, change.new) for change in desk.amendments]
    assert ("weight_quality", "measured", "too_coarse") in amended
