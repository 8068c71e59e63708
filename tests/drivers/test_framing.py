"""The cutter loses nothing, lets no chunking matter, and never calls an unterminated line a line."""

import json
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.declaration import FrameRule
from drivers.framing import Framer
from drivers.outcomes import Piece

LINE_RULES = [FrameRule(end=end, max_bytes=12) for end in ("CR", "LF", "CRLF", "ANY", "STX-ETX")]
IDLE = FrameRule(end="IDLE", max_bytes=12, idle_s=0.05)
END_OF = {"CR": b"\r", "LF": b"\n", "CRLF": b"\r\n", "ANY": b"\r", "STX-ETX": b"\x03"}
# Line ends and their halves come often, or the interesting cuts are never drawn.
soup = st.lists(
    st.sampled_from(["\r", "\n", "\r\n", "\x02", "\x03", "\0", "4", "12.3", "x" * 11]), max_size=30
).map(lambda parts: "".join(parts).encode())
streams = soup | st.binary(max_size=60)
rules = st.sampled_from(LINE_RULES)
# Chunks with pauses before them; some pauses are longer than the 2 s after which bytes are stale.
timed_chunks = st.lists(
    st.tuples(st.sampled_from([0.0, 0.01, 0.5, 1.9, 2.0, 5.0]), streams.filter(bool)), max_size=12
)


def shape(pieces: list[Piece]) -> list[tuple[bytes, bool, bool, bytes]]:
    return [(piece.data, piece.ended, piece.too_long, piece.head) for piece in pieces]


def feed(framer: Framer, chunks: list[tuple[float, bytes]]) -> list[Piece]:
    t_s, pieces = 0.0, []
    for pause_s, chunk in chunks:
        t_s += pause_s
        pieces += framer.cut(chunk, t_s)
    return pieces


def one_line(data: bytes, end: str = "CRLF", **more: float) -> list[Piece]:
    return Framer(FrameRule.model_validate({"end": end, "max_bytes": 64, **more})).cut(data, 1.0)


@settings(deadline=None, max_examples=200)
@given(rules, streams, st.data())
def test_any_chunking_gives_the_same_pieces(rule: FrameRule, stream: bytes, data: st.DataObject) -> None:
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=8)))
    bounds = [0, *cuts, len(stream)]
    whole, parts = Framer(rule), Framer(rule)
    expected = whole.cut(stream, 1.0) + whole.hang_up(1.0)
    pieces = [piece for start, stop in pairwise(bounds) for piece in parts.cut(stream[start:stop], 1.0)]
    assert pieces + parts.hang_up(1.0) == expected


@settings(deadline=None, max_examples=200)
@given(st.sampled_from([*LINE_RULES, IDLE]), timed_chunks)
def test_the_pieces_joined_are_the_stream(rule: FrameRule, chunks: list[tuple[float, bytes]]) -> None:
    framer = Framer(rule)
    pieces = feed(framer, chunks)
    pieces += framer.hang_up(pieces[-1].t_s if pieces else 0.0)
    assert b"".join(piece.data for piece in pieces) == b"".join(chunk for _, chunk in chunks)
    assert all(piece.data for piece in pieces)
    assert all(len(piece.data) <= rule.max_bytes + (rule.end == "IDLE") for piece in pieces)


@settings(deadline=None, max_examples=300)
@given(st.sampled_from([*LINE_RULES, IDLE]), timed_chunks)
def test_cutting_the_pieces_again_gives_the_same_pieces(
    rule: FrameRule, chunks: list[tuple[float, bytes]]
) -> None:
    live, replayed = Framer(rule), Framer(rule)
    end_s = sum(pause_s for pause_s, _ in chunks) + 100.0
    pieces = feed(live, chunks) + live.tick(end_s) + live.hang_up(end_s)
    again = [cut for piece in pieces for cut in replayed.cut(piece.data, piece.t_s)]
    assert again + replayed.tick(end_s) + replayed.hang_up(end_s) == pieces


@settings(deadline=None, max_examples=200)
@given(timed_chunks)
def test_an_overlong_idle_piece_comes_again_out_of_its_own_bytes(chunks: list[tuple[float, bytes]]) -> None:
    replayed = Framer(IDLE)
    for piece in feed(Framer(IDLE), chunks):
        again = replayed.cut(piece.data, piece.t_s)
        assert again[-1:] == [piece] if piece.too_long else piece not in again
        replayed.tick(piece.t_s if piece.too_long else piece.t_s + 0.05)


@settings(deadline=None, max_examples=200)
@given(rules, timed_chunks)
def test_ticking_often_changes_nothing(rule: FrameRule, chunks: list[tuple[float, bytes]]) -> None:
    lazy, busy = Framer(rule), Framer(rule)
    t_s, ticked = 0.0, []
    for pause_s, chunk in chunks:
        for step in (0.3, 0.6, 1.0):
            ticked += busy.tick(t_s + step * pause_s)
        t_s += pause_s
        ticked += busy.cut(chunk, t_s)
    assert ticked == feed(lazy, chunks)


@settings(deadline=None, max_examples=200)
@given(rules, streams)
def test_a_piece_is_ended_only_by_its_line_end(rule: FrameRule, stream: bytes) -> None:
    framer = Framer(rule)
    for piece in framer.cut(stream, 1.0) + framer.hang_up(1.0):
        ends = (b"\r", b"\n", b"\x03") if rule.end == "ANY" else (END_OF[rule.end], b"\n")
        if piece.ended:
            assert piece.data.endswith(ends)


@settings(deadline=None, max_examples=200)
@given(rules, streams)
def test_a_line_after_junk_and_a_line_end_is_cut_out_whole(rule: FrameRule, junk: bytes) -> None:
    end = END_OF[rule.end]
    line = (b"\x02412.3" if rule.end == "STX-ETX" else b"412.3") + end
    *_, last = Framer(rule).cut(junk + end + line, 1.0)
    assert (last.data.lstrip(b"\r\n"), last.ended, last.too_long, last.head) == (line, True, False, b"")


@settings(deadline=None, max_examples=100)
@given(st.sampled_from([*LINE_RULES, IDLE]), timed_chunks, timed_chunks)
def test_a_restored_cutter_goes_on_as_the_first_would(
    rule: FrameRule, before: list[tuple[float, bytes]], after: list[tuple[float, bytes]]
) -> None:
    first, second = Framer(rule), Framer(rule)
    first.opened(0.0)
    feed(first, before)
    second.restore(json.loads(json.dumps(first.state())))
    later = [(100.0, b"4"), *after]
    assert feed(second, later) == feed(first, later)


@pytest.mark.parametrize("end", ["CR", "LF", "CRLF", "ANY"])
def test_a_run_without_line_end_is_cut_at_max_bytes_and_its_rest_is_no_line(end: str) -> None:
    framer = Framer(FrameRule.model_validate({"end": end, "max_bytes": 4}))
    stop = END_OF[end]
    pieces = framer.cut(b"98412.3" + stop + b"7" + stop, 1.0)
    assert [(piece.data, piece.too_long) for piece in pieces] == [
        (b"9841", True),
        (b"2.3" + stop, True) if len(stop) == 1 else (b"2.3\r", True),
        *([] if len(stop) == 1 else [(b"\n", True)]),
        (b"7" + stop, False),
    ]


def test_a_cr_lf_split_over_chunks_is_one_end() -> None:
    framer = Framer(FrameRule(end="ANY", max_bytes=64))
    pieces = framer.cut(b"one\r", 1.0) + framer.cut(b"\ntwo\r\n", 1.1)
    assert [piece.data for piece in pieces] == [b"one\r", b"\ntwo\r"]
    assert framer.next_deadline_s() is None


def test_blank_lines_for_an_hour_do_not_make_the_next_line_too_long() -> None:
    for end in ("CR", "LF", "CRLF", "ANY"):
        framer = Framer(FrameRule.model_validate({"end": end, "max_bytes": 16}))
        framer.cut(b"\r\n" * 3600, 1.0)
        assert not framer.cut(b"412.3 g\r\n", 2.0)[0].too_long


def test_a_line_that_stops_for_two_seconds_becomes_a_fragment_and_the_head_of_what_follows() -> None:
    framer = Framer(FrameRule(end="CRLF", max_bytes=64))
    assert framer.cut(b"41", 10.0) == []
    assert framer.next_deadline_s() == 12.0
    assert framer.tick(11.9) == []
    assert framer.tick(12.0) == [Piece(b"41", 10.0, False)]
    assert framer.cut(b"2.3 g\r\n", 13.0) == [Piece(b"2.3 g\r\n", 13.0, True, head=b"41")]
    assert framer.cut(b"5 g\r\n", 14.0) == [Piece(b"5 g\r\n", 14.0, True)]


def test_a_line_with_two_pauses_keeps_all_of_its_beginning() -> None:
    framer = Framer(FrameRule(end="CRLF", max_bytes=64))
    assert shape(framer.cut(b"4", 10.0) + framer.cut(b"1", 13.0)) == [(b"4", False, False, b"")]
    pieces = framer.cut(b"2.3 g\r\n", 16.0)
    assert shape(pieces) == [(b"1", False, False, b"4"), (b"2.3 g\r\n", True, False, b"41")]


def test_what_a_hang_up_leaves_is_a_fragment_and_no_head() -> None:
    framer = Framer(FrameRule(end="CRLF", max_bytes=64))
    framer.cut(b"41", 10.0)
    assert framer.hang_up(10.5) == [Piece(b"41", 10.0, False)]
    assert framer.cut(b"2.3 g\r\n", 11.0) == [Piece(b"2.3 g\r\n", 11.0, True)]


def test_bytes_left_when_the_port_opens_anew_never_join_the_next_line() -> None:
    framer = Framer(FrameRule(end="CRLF", max_bytes=64))
    framer.cut(b"41", 10.0)
    framer.opened(10.5)
    assert framer.next_deadline_s() == 10.0
    pieces = framer.cut(b"2.3 g\r\n", 11.0)
    assert shape(pieces) == [(b"41", False, False, b""), (b"2.3 g\r\n", True, False, b"")]


@pytest.mark.parametrize(("ends_s", "tuned_in"), [(5.0, True), (5.15, True), (5.2, False)])
def test_only_a_line_that_ends_right_after_opening_may_lack_its_beginning(
    ends_s: float, tuned_in: bool
) -> None:
    framer = Framer(FrameRule(end="CRLF", max_bytes=64), tuned_in_s=0.15 + 1e-9)
    framer.opened(5.0)
    first, second = framer.cut(b"2.3 g\r\n412.3 g\r\n", ends_s)
    assert (first.tuned_in, second.tuned_in) == (tuned_in, False)


def test_stx_begins_a_new_message_even_inside_one() -> None:
    pieces = one_line(b"\r\n\x02412\x02413.0\x03\r\n\x02414.0\x03", "STX-ETX")
    assert [(piece.data, piece.ended) for piece in pieces] == [
        (b"\r\n\x02412", False),
        (b"\x02413.0\x03", True),
        (b"\r\n\x02414.0\x03", True),
    ]


def test_an_idle_gap_ends_a_message() -> None:
    framer = Framer(FrameRule(end="IDLE", max_bytes=16, idle_s=0.05))
    assert framer.cut(b"12", 1.0) + framer.cut(b"34", 1.04) == []
    assert framer.next_deadline_s() == pytest.approx(1.09)
    assert framer.tick(1.08) == []
    assert framer.cut(b"56", 1.2) == [Piece(b"1234", 1.04, True)]
    assert framer.tick(1.3) == [Piece(b"56", 1.2, True)]


def test_an_idle_message_longer_than_declared_is_too_long_to_its_last_byte() -> None:
    framer = Framer(FrameRule(end="IDLE", max_bytes=4, idle_s=0.05))
    pieces = framer.cut(b"123456", 1.0) + framer.cut(b"7", 1.01) + framer.tick(2.0)
    assert [(piece.data, piece.ended, piece.too_long) for piece in pieces] == [
        (b"12345", False, True),
        (b"6", False, True),
        (b"7", False, True),
    ]
    assert framer.cut(b"8888", 3.0) + framer.tick(4.0) == [Piece(b"8888", 3.0, True)]
