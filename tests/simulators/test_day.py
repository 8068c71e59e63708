import re
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulators.crew import Crew, instruments, work
from simulators.day import (
    Act,
    Day,
    DayError,
    Deed,
    TimedBytes,
    day_from_json,
    day_to_json,
    render,
    utterances,
)
from simulators.voices import BoardVoice, ScaleVoice, TagVoice, Voice

TAG, OTHER = "999000001000001", "999000001000002"


def a_day(*acts: Act, duration_s: float = 20.0, **scale: float) -> Day:
    voices: dict[str, Voice] = {"reader": TagVoice(), "board": BoardVoice(), "scale": ScaleVoice(**scale)}  # type: ignore[arg-type]
    return Day(voices, acts, duration_s, seed=4)


def said_by(day: Day, instrument: str) -> list[TimedBytes]:
    return [item for item in render(day) if item.instrument == instrument]


def grams(items: list[TimedBytes], token: bytes) -> list[float]:
    return [float(item.data[3:10]) for item in items if item.data.startswith(token)]


@settings(deadline=None, max_examples=10)
@given(seed=st.integers(0, 10**9))
def test_the_same_seed_gives_the_same_bytes_and_another_seed_others(seed: int) -> None:
    day = work(Crew(), seed, 3).day
    again = work(Crew(), seed, 3).day
    assert day == again
    assert render(day) == render(again)
    assert render(day) != render(replace(day, seed=seed + 1))


@settings(deadline=None, max_examples=10)
@given(seed=st.integers(0, 10**9))
def test_a_day_is_in_order_of_time_and_its_times_are_whole_milliseconds(seed: int) -> None:
    times = [item.t_s for item in render(work(Crew(tags="any"), seed, 4).day)]
    assert times == sorted(times)
    assert all(round(t_s, 3) == t_s for t_s in times)


def test_a_day_comes_back_from_its_json() -> None:
    day = work(Crew(), 3, 10).day
    assert day_from_json(day_to_json(day)) == day


@given(st.text())
def test_text_that_is_no_day_is_refused_with_one_error(text: str) -> None:
    with pytest.raises(DayError):
        day_from_json(text)


def test_a_reader_repeats_itself_and_two_tags_answer_in_turns() -> None:
    day = a_day(Act(1.0, Deed.SCAN, "reader", text=TAG, other=OTHER, repeats=4, every_s=0.2))
    said = said_by(day, "reader")
    assert [item.t_s for item in said] == [1.0, 1.2, 1.4, 1.6]
    assert [item.data.decode().strip() for item in said] == [TAG, OTHER, TAG, OTHER]


def test_a_split_line_comes_in_two_pieces() -> None:
    said = said_by(a_day(Act(1.0, Deed.MEASURE, "board", 312.0, split_s=0.7)), "board")
    assert [item.t_s for item in said] == [1.0, 1.7]
    assert b"".join(item.data for item in said) == b"312 mm\r\n"
    assert b"\n" not in said[0].data


def test_noise_and_keys_are_said_as_they_are() -> None:
    day = a_day(Act(1.0, Deed.NOISE, "board", text="\x00\xff"), Act(2.0, Deed.KEY, "board", text="07"))
    assert [item.data for item in said_by(day, "board")] == [b"\x00\xff", b"K,07\r\n"]


def test_a_scale_streams_ten_lines_a_second_of_a_wet_pan_and_a_fish() -> None:
    day = a_day(
        Act(1.0, Deed.TAKE_OFF, "scale", 2.5),
        Act(6.0, Deed.PUT_ON, "scale", 412.0, wriggle_s=1.5),
        Act(12.0, Deed.TAKE_OFF, "scale", 3.1),
    )
    said = said_by(day, "scale")
    assert 195 <= len(said) <= 205
    assert all(re.fullmatch(rb"(ST|US),[+-]\d{4}\.\d g\r\n", item.data) for item in said)
    idle = grams([item for item in said if 2.5 < item.t_s < 6.0], b"ST")
    assert set(idle) <= {2.4, 2.5, 2.6}
    on = [item for item in said if 6.0 <= item.t_s < 12.0]
    assert set(grams(on, b"ST")) <= {414.4, 414.5, 414.6}
    assert min(item.t_s for item in on if item.data.startswith(b"ST")) >= 7.9
    moving = grams(on, b"US")
    assert min(moving) < 300.0 < 414.6 < max(moving)
    after = [item for item in said if item.t_s >= 12.0]
    assert min(grams(after, b"US")) < 3.0
    assert set(grams(after, b"ST")) <= {3.0, 3.1, 3.2}


def test_a_load_above_the_capacity_is_said_as_overload() -> None:
    said = said_by(a_day(Act(1.0, Deed.PUT_ON, "scale", 7000.0), capacity_g=6000.0), "scale")
    assert said[-1].data == b"OL,+------ g\r\n"


def test_a_scale_that_prints_says_one_line_for_each_load_that_came_to_rest() -> None:
    day = a_day(
        Act(1.0, Deed.PUT_ON, "scale", 100.0),
        Act(4.0, Deed.TAKE_OFF, "scale", 1.0),
        Act(6.0, Deed.PUT_ON, "scale", 200.0),
        Act(6.5, Deed.TAKE_OFF, "scale", 1.0),
        Act(8.0, Deed.PUT_ON, "scale", 300.0),
        lines_per_s=0.0,
    )
    assert [item.data for item in said_by(day, "scale")] == [b"ST,+0100.0 g\r\n", b"ST,+0301.0 g\r\n"]


def test_nothing_is_said_while_the_plug_is_out() -> None:
    day = a_day(Act(5.0, Deed.UNPLUG, "scale"), Act(9.0, Deed.REPLUG, "scale"))
    said = said_by(day, "scale")
    events = [(item.t_s, item.event) for item in said if item.event]
    assert events == [(5.0, Deed.UNPLUG), (9.0, Deed.REPLUG)]
    assert not [item for item in said if 5.0 < item.t_s < 9.0]
    assert [item for item in said if item.t_s > 9.0]


def test_a_scale_goes_on_after_the_end_of_the_day() -> None:
    stream = utterances(a_day(duration_s=1.0))
    assert next(item.t_s for item in stream if item.t_s > 60.0)


@pytest.mark.parametrize(
    ("acts", "complaint"),
    [
        ((Act(1.0, Deed.SCAN, "board", text=TAG),), "cannot scan"),
        ((Act(1.0, Deed.SCAN, "radio", text=TAG),), "'radio'"),
        ((Act(2.0, Deed.KEY, "board", text="1"), Act(1.0, Deed.KEY, "board", text="1")), "in order"),
    ],
)
def test_a_day_that_cannot_be_played_is_refused(acts: tuple[Act, ...], complaint: str) -> None:
    with pytest.raises(DayError, match=complaint):
        render(Day(instruments(), acts, 5.0))
