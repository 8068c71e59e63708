import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulators.capture import capture_lines, read_capture
from simulators.crew import Crew, Mistakes, instruments, work
from simulators.day import Act, Day, DayError, Deed, TimedBytes, render

STARTED = "2026-05-12T13:00:00Z"
PIECES = st.lists(
    st.builds(
        TimedBytes,
        st.integers(0, 10**7).map(lambda ms: ms / 1000),
        st.sampled_from(["reader", "board", "scale"]),
        st.binary(),
    )
).map(lambda pieces: sorted(pieces, key=lambda piece: piece.t_s))


def through(said: list[TimedBytes]) -> list[TimedBytes]:
    return read_capture(line.encode() for line in capture_lines(said, "bank", STARTED))


@settings(deadline=None, max_examples=50)
@given(PIECES)
def test_any_bytes_come_back_from_a_capture(said: list[TimedBytes]) -> None:
    assert through(said) == said


def test_a_whole_day_with_plugs_and_restarts_comes_back_from_a_capture() -> None:
    said = render(work(Crew(mistakes=Mistakes(restart=0.2)), 5, 30).day)
    acts = (Act(1.0, Deed.UNPLUG, "scale"), Act(2.0, Deed.REPLUG, "scale"))
    plugs = render(Day(instruments(), acts, 4.0))
    assert [item.event for item in plugs if item.event] == [Deed.UNPLUG, Deed.REPLUG]
    assert Deed.RESTART in {item.event for item in said}
    assert through(said) == said
    assert through(plugs) == plugs


def test_a_capture_is_in_the_hand_written_form() -> None:
    lines = list(capture_lines([TimedBytes(3.201, "scale", b"ST,+0412.0 g\r\n")], "bank", STARTED))
    assert json.loads(lines[0]) == {"capture": 1, "station": "bank", "started": STARTED}
    assert lines[1] == '{"t":3.201,"from":"scale","data":"ST,+0412.0 g\\r\\n"}\n'


def test_what_no_port_can_play_is_passed_over() -> None:
    header, *_ = capture_lines([], "bank", STARTED)
    command = b'{"t":1,"from":"page","event":"command","body":{"say":"next"}}'
    assert read_capture([header.encode(), b"# by hand", command, b'{"t":2,"from":"x","data":"A"}']) == [
        TimedBytes(2.0, "x", b"A")
    ]


@pytest.mark.parametrize("lines", [[], [b"{}"], [b'{"capture":1,"station":"x","started":"yesterday"}']])
def test_a_file_that_is_no_capture_is_refused(lines: list[bytes]) -> None:
    with pytest.raises(DayError):
        read_capture(lines)
