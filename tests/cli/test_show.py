"""Text for people: aligned, no wider than the terminal, nothing that could steer it."""

import codecs
from datetime import UTC
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cli.show import Column, counted, escaped, local_time, pairs, printable, seconds, table

_WORDS = st.lists(
    st.text(st.characters(min_codepoint=33, max_codepoint=0x17F), min_size=1, max_size=9), max_size=9
)
_ROWS = st.lists(
    st.fixed_dictionaries(
        {"a": st.text(max_size=8), "b": st.none() | st.floats(0, 1e5), "c": _WORDS.map(" ".join)}
    ),
    min_size=1,
    max_size=6,
)
_COLUMNS = (Column("a", "first"), Column("b", "mm", 1), Column("c", "text"))


@settings(deadline=None, max_examples=60)
@given(_ROWS, st.integers(64, 200))
def test_a_table_is_never_wider_than_its_terminal(rows: list[dict[str, object]], width: int) -> None:
    shown = [{**row, "a": repr(row["a"])[:10]} for row in rows]
    assert all(len(line) <= width for line in table(shown, _COLUMNS, width).splitlines())


@settings(deadline=None, max_examples=60)
@given(_ROWS)
def test_without_a_limit_a_row_is_a_line_and_columns_stand_in_one_place(
    rows: list[dict[str, object]],
) -> None:
    rows = [{**row, "b": 1.0} for row in rows]
    lines = table(
        rows, (Column("a", "first"), Column("b", "mm", 1), Column("b", "again", 1)), 10_000
    ).splitlines()
    assert len(lines) == len(rows) + 1
    assert len({len(line) for line in lines}) == 1  # numbers end in one column


def test_numbers_are_aligned_right_under_a_heading_with_the_unit() -> None:
    text = table([{"b": 5.0}, {"b": 12345.25}], (Column("b", "g", 1),), 80)
    assert text.splitlines() == ["      g", "    5.0", "12345.2"]


def test_a_column_without_any_value_is_left_out_and_a_missing_value_is_a_dash() -> None:
    columns = (Column("a", "a"), Column("b", "b"), Column("c", "c"))
    assert table([{"a": "x", "c": None}, {"a": None, "c": 1}], columns, 80).splitlines() == [
        "a  c",
        "x  -",
        "-  1",
    ]


def test_spare_columns_go_first_where_there_is_no_room_and_are_named() -> None:
    row = {"a": "a" * 30, "b": "b" * 30, "c": "c" * 30}
    columns = (Column("a", "A"), Column("b", "B", spare=True), Column("c", "C"))
    text = table([row], columns, 70)
    assert "b" * 30 not in text
    assert "No room for: B." in text
    assert "b" * 30 in table([row], columns, 120)


def test_bytes_and_names_of_files_are_never_broken() -> None:
    path = "/dev/serial/by-id/" + "x" * 60
    assert path in table([{"a": "1", "p": path}], (Column("a", "a"), Column("p", "port", wraps=False)), 40)
    assert path in pairs([("database", path)], 40)


@settings(deadline=None, max_examples=100)
@given(st.binary(max_size=40))
def test_escaped_bytes_are_printable_and_say_every_byte(data: bytes) -> None:
    text = escaped(data)
    assert text.isascii()
    assert text.isprintable()
    assert codecs.decode(text, "unicode_escape").encode("latin-1") == data


@settings(deadline=None, max_examples=100)
@given(st.text(max_size=40))
def test_text_of_the_records_cannot_steer_the_terminal(text: str) -> None:
    assert printable(text).isprintable()


def test_times_are_those_of_the_station() -> None:
    assert local_time("2026-05-12T13:00:00.250Z", ZoneInfo("America/Chicago")) == "2026-05-12 08:00:00"
    assert local_time("2025-05-12", UTC) == "2025-05-12"
    assert local_time("no time", UTC) == "no time"
    assert local_time(None, UTC) is None


@pytest.mark.parametrize(
    ("value", "said"), [(None, "never"), (0.42, "0.4 s"), (59.0, "59 s"), (600.0, "10 min"), (7200.0, "2 h")]
)
def test_durations_for_a_glance(value: float | None, said: str) -> None:
    assert seconds(value) == said


def test_one_of_a_thing_is_not_plural() -> None:
    assert [counted(1, "tag"), counted(2, "tag"), counted(0, "fish", "fish")] == ["1 tag", "2 tags", "0 fish"]
