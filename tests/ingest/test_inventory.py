from datetime import datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.inventory import parse_history, parse_inventory
from ingest.records import PriorCapture


def inventory_of(*tags: str) -> tuple[list[str], list[str]]:
    """Canonical tags read, and what was said, of an inventory with these cells."""
    rows, problems = parse_inventory("tag\n" + "".join(f"{tag}\n" for tag in tags), "box.csv")
    return [row.tag for row in rows], [str(problem) for problem in problems]


def test_an_inventory_gives_tags_with_box_lot_and_date() -> None:
    text = (
        "\ufeffTag,Box,Lot,Date\r\n999000000000101,7,A12,2026-03-01\r\n\r\n# spare\r\n999000000000102,,,\r\n"
    )
    rows, problems = parse_inventory(text, "box.csv")
    assert [(row.tag, row.box, row.lot, row.date, row.line) for row in rows] == [
        ("999000000000101", "7", "A12", "2026-03-01", 2),
        ("999000000000102", None, None, None, 5),
    ]
    assert problems == ()


@pytest.mark.parametrize(
    ("written", "tag"),
    [
        # one code in its written forms, published side by side (see tests/drivers/vectors)
        ("999123456789012", "999123456789012"),
        ("999 123456789012", "999123456789012"),
        ("999.123.456.789.012", "999123456789012"),
        ("3e7.1cbe991a14", "999123456789012"),
        ("8000F9DCBE991A14", "999123456789012"),
        ("2858997D3B9F0001", "999123456789012"),
        ("06001259E3", "06001259E3"),
        ("12E4567890", "12E4567890"),  # a 40-bit code, not a power of ten
        ("040098100111917", "040098100111917"),
    ],
)
def test_a_tag_may_be_written_in_any_form_that_cannot_be_mistaken(written: str, tag: str) -> None:
    assert inventory_of(written) == ([tag], [])


@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_commas_semicolons_and_tabs_separate(separator: str) -> None:
    text = "lot,tag\nA,999000000000101\n".replace(",", separator)
    rows, problems = parse_inventory(text, "box.csv")
    assert [(row.tag, row.lot) for row in rows] == [("999000000000101", "A")]
    assert problems == ()


@pytest.mark.parametrize(
    ("written", "reason"),
    [
        ("9.99E+14", "what a spreadsheet makes of a long number"),
        ("9,99123E+14", "what a spreadsheet makes of a long number"),
        ("9E14", "a number in powers of ten"),
        ("40098100111917", 'if it was "040098100111917"'),
        ("4098100111917", 'if it was "004098100111917"'),
        ("999123000000000", "as if a spreadsheet had cut its last digits"),
        ("989737733408912", "larger than 274877906943"),  # published as a tag, but its number needs 40 bits
        ("'999000000000101", "is no tag code"),
        ("999000000000101.0", "is no tag code"),
    ],
)
def test_spreadsheet_damage_is_refused_with_line_value_and_reason(written: str, reason: str) -> None:
    cell = f'"{written}"' if "," in written else written
    tags, said = inventory_of("999000000000101", cell)
    assert tags == ["999000000000101"]
    assert len(said) == 1
    assert said[0].startswith("box.csv, line 3, `tag`: ")
    assert written in said[0]
    assert reason in said[0]


def test_one_code_that_ends_in_three_zeros_is_used_with_a_word() -> None:
    tags, said = inventory_of("999000000123000", "999000000123001")
    assert tags == ["999000000123000", "999000000123001"]
    assert said == [
        'box.csv, line 2, `tag`: "999000000123000" ends in 000: it is used, but look whether digits were cut.'
    ]


def test_more_codes_ending_in_three_zeros_than_chance_gives_are_refused() -> None:
    tags, said = inventory_of("999000000123000", "999000000124000", "999000000123001")
    assert tags == ["999000000123001"]
    assert len(said) == 2
    assert "if it is right, write it as 999.000000123000" in said[0]


def test_a_code_that_really_ends_in_zeros_can_be_written_with_a_dot() -> None:
    assert inventory_of("999.123000000000", "999.124000000000") == (
        ["999123000000000", "999124000000000"],
        [],
    )


def test_a_tag_that_stands_twice_counts_once_and_is_said() -> None:
    tags, said = inventory_of("999000000000101", "3E7.0000000065")
    assert tags == ["999000000000101"]
    assert said == ["box.csv, line 3, `tag`: 999000000000101 stands on line 2 already; it counts once."]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "box.csv, line 1: there is no heading line; write one with tag."),
        ("# only words\n", "box.csv, line 1: there is no heading line; write one with tag."),
        ("tags,box\n1,2\n", 'box.csv, line 1, `tag`: no column is headed tag (is "tags" meant?); name it'),
        ("tag,Tag\n1,2\n", "box.csv, line 1, `tag`: two columns mean tag; take one away."),
        (
            'tag\n"999000000000101\n',
            "box.csv, line 2: from here on the text is no table (unexpected end of data)",
        ),
    ],
)
def test_a_text_that_is_no_such_table_is_said(text: str, said: str) -> None:
    rows, problems = parse_inventory(text, "box.csv")
    assert rows == ()
    assert [problem.left_out for problem in problems] == ["rest"]
    assert str(problems[0]).startswith(said)


def test_rows_before_a_broken_quote_are_kept() -> None:
    rows, problems = parse_inventory('tag,box\n999000000000101,1\n999000000000102,"2"x\n', "box.csv")
    assert [row.tag for row in rows] == ["999000000000101"]
    assert [(problem.line, problem.left_out) for problem in problems] == [(3, "rest")]


def test_cells_without_a_heading_refuse_the_row_and_unused_columns_are_named() -> None:
    text = "tag,colour\n999000000000101,red,5\n999000000000102,red\n"
    rows, problems = parse_inventory(text, "box.csv")
    assert [row.tag for row in rows] == ["999000000000102"]
    assert [(problem.line, problem.left_out) for problem in problems] == [(1, "nothing"), (2, "row")]


HISTORY = """tag,date,water,species,length_mm,weight_g,fate,individual
999000000000101,2025-05-12,Mill Pond,largemouth_bass,312,412.5,Released,bass 7
"""


def test_a_history_row_becomes_an_earlier_capture() -> None:
    rows, problems = parse_history(HISTORY, "history.csv", ZoneInfo("America/Chicago"))
    assert problems == ()
    assert [row.tag for row in rows] == ["999000000000101"]
    assert rows[0].capture == PriorCapture(
        at="2025-05-12T17:00:00.000Z",  # noon in Chicago
        water="Mill Pond",
        survey_id=None,
        species="largemouth_bass",
        length_mm=312.0,
        weight_g=412.5,
        fate="released",
        individual_id="bass 7",
    )


@pytest.mark.parametrize(
    ("written", "at"),
    [
        ("2025-05-12T14:30:00Z", "2025-05-12T14:30:00.000Z"),
        ("2025-05-12T14:30:00-05:00", "2025-05-12T19:30:00.000Z"),
        ("2025-05-12 14:30", "2025-05-12T19:30:00.000Z"),
        ("2025-12-12 14:30:01.25", "2025-12-12T20:30:01.250Z"),
    ],
)
def test_times_become_utc(written: str, at: str) -> None:
    rows, _ = parse_history(f"tag,at\n999000000000101,{written}\n", "h.csv", ZoneInfo("America/Chicago"))
    assert [row.capture.at for row in rows] == [at]


@pytest.mark.parametrize(
    "written", ["", "5/12/2025", "12.05.2025", "2025-02-30", "2025-05", "45789", "0001-01-01"]
)
def test_a_date_that_could_be_another_refuses_the_row(written: str) -> None:
    rows, problems = parse_history(f"tag,at\n999000000000101,{written}\n", "h.csv")
    assert rows == ()
    assert [(problem.line, problem.column, problem.left_out) for problem in problems] == [(2, "at", "row")]
    assert "2025-05-12T14:30:00Z" in problems[0].text


@pytest.mark.parametrize("written", ["0", "-3", "nan", "inf", "12,5", "1e3", "long", "99999999"])
def test_a_measure_that_is_none_is_left_out_and_the_capture_kept(written: str) -> None:
    rows, problems = parse_history(f'tag,at,length_mm\n999000000000101,2025-05-12,"{written}"\n', "h.csv")
    assert [row.capture.length_mm for row in rows] == [None]
    assert [(problem.column, problem.value, problem.left_out) for problem in problems] == [
        ("length_mm", written, "cell")
    ]


def test_a_decimal_comma_is_read_between_semicolons() -> None:
    rows, problems = parse_history("tag;at;weight_g\n999000000000101;2025-05-12;12,5\n", "h.csv")
    assert [row.capture.weight_g for row in rows] == [12.5]
    assert problems == ()


def test_an_unknown_fate_is_left_out_and_said() -> None:
    rows, problems = parse_history("tag,at,fate\n999000000000101,2025-05-12,eaten\n", "h.csv")
    assert [row.capture.fate for row in rows] == ["unknown"]
    assert '"eaten" is no fate' in str(problems[0])


_CELL = st.one_of(
    st.sampled_from(["999000000000101", "9.99E+14", "2025-05-12", "312", "", "#", '"', "tag", "at", "date"]),
    st.text(max_size=6),
)
_TABLE = st.lists(st.lists(_CELL, max_size=4).map(",".join), max_size=6).map("\n".join)


@settings(deadline=None, max_examples=200)
@given(st.one_of(st.text(), _TABLE, _TABLE.map("tag,at,length_mm,fate\n".__add__)))
def test_any_text_gives_rows_and_problems_and_never_raises(text: str) -> None:
    for tag_row in parse_inventory(text, "box.csv")[0]:
        assert tag_row.tag
    for row in parse_history(text, "h.csv", ZoneInfo("America/Chicago"))[0]:
        assert datetime.fromisoformat(row.capture.at).tzinfo is not None


@settings(deadline=None, max_examples=100)
@given(st.lists(st.sampled_from(["999000000000101", "999000000000102", "9.99E+14", "12", "x"]), max_size=8))
def test_every_row_is_used_or_named(cells: list[str]) -> None:
    text = "tag,box\n" + "".join(f"{cell},1\n" for cell in cells)
    rows, problems = parse_inventory(text, "box.csv")
    assert {row.line for row in rows} | {problem.line for problem in problems} == set(
        range(2, len(cells) + 2)
    )


def test_a_history_brings_the_withdrawal_day_of_a_drugged_fish_and_its_record() -> None:
    text = (
        "tag,at,fish_id,withdrawal_until\n"
        "985120012345678,2026-05-02T10:00:00Z,0aaa,2026-05-23\n"
        "985120012345679,2026-05-02T10:00:00Z,,\n"
        "985120012345680,2026-05-02T10:00:00Z,,in June\n"
    )
    rows, problems = parse_history(text, "h.csv")
    found = [(row.capture.fish_id, row.capture.withdrawal_until) for row in rows]
    assert found == [("0aaa", "2026-05-23"), (None, None), (None, "9999-12-31")]
    assert [(one.line, one.left_out) for one in problems] == [(4, "cell")]
