"""Cells of tables from elsewhere: what a spreadsheet made of them is recognised, never guessed at."""

import math
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.tags import parse_tag
from office.importing.cells import Cell, day_of, moment_of, number_of, tag_of, text_of, time_of

ANY_CELL: st.SearchStrategy[Any] = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.text(),
    st.datetimes(),
    st.dates(),
    st.times(),
    st.timedeltas(),
    st.from_regex(r"[0-9.,:/eE+#-]{1,20}", fullmatch=True),
)
TAGS = st.integers(1, (1 << 38) - 1).map(lambda national: f"999{national:012d}")


@given(ANY_CELL)
def test_whatever_stands_in_a_cell_is_read_or_refused_with_one_sentence(cell: Cell) -> None:
    for read in (
        tag_of,
        text_of,
        lambda one: number_of(one, "."),
        lambda one: number_of(one, ","),
        lambda one: day_of(one, None),
        lambda one: day_of(one, "%d.%m.%Y"),
        lambda one: day_of(one, "excel-1900"),
        lambda one: time_of(one, "%H:%M"),
    ):
        said = "."
        try:
            read(cell)
        except ValueError as error:
            said = str(error)
        assert said.endswith(".")


# --- tags ----------------------------------------------------------------------------------------------------


@given(TAGS)
def test_a_tag_written_as_text_is_itself_in_every_form(tag: str) -> None:
    for written in (tag, f" {tag} ", f"'{tag}", f'="{tag}"', f"{tag[:3]}.{tag[3:]}"):
        assert tag_of(written) == tag


@given(TAGS, st.integers(0, 13))
def test_powers_of_ten_are_refused_whatever_the_digits_kept(tag: str, digits: int) -> None:
    for written in (f"{int(tag):.{digits}E}", f"{int(tag):.{digits}e}".replace(".", ",")):
        with pytest.raises(ValueError, match=r"digits are lost"):
            tag_of(written)


@given(TAGS)
def test_a_number_keeps_its_tag_only_with_all_fifteen_digits(tag: str) -> None:
    if tag.endswith("000"):
        with pytest.raises(ValueError, match="kept as a number"):
            tag_of(int(tag))
    else:
        assert tag_of(int(tag)) == tag
        assert tag_of(float(tag)) == tag


@given(st.integers(1, (1 << 38) - 1).map(lambda national: f"040{national:012d}"))
def test_leading_zeros_that_a_number_lost_are_refused(tag: str) -> None:
    for cell in (int(tag), float(tag), str(int(tag))):
        with pytest.raises(ValueError, match=r"(leading zeros|kept as a number)"):
            tag_of(cell)
    assert tag_of(tag) == tag


@pytest.mark.parametrize(
    ("cell", "reason"),
    [
        ("999000000000017.0", "number of a spreadsheet"),
        (999000000000000, "makes the rest zeros"),
        (9990000000000170.0, "makes the rest zeros"),
        (999000000000.5, "fraction"),
        (math.nan, "fraction"),
        (math.inf, "fraction"),
        ("99900000000017", "14 digits instead of 15"),
        ("#N/A", "error of a formula"),
        (True, "took it for something else"),
        (datetime(2025, 5, 12), "took it for something else"),
        (None, "no tag"),
        ("no reader", "no reader"),
    ],
)
def test_a_damaged_tag_says_what_happened_to_it(cell: Cell, reason: str) -> None:
    with pytest.raises(ValueError, match=reason):
        tag_of(cell)


def test_a_tag_of_forty_bits_stays_one() -> None:
    assert tag_of("06001259E3") == parse_tag("06001259E3").text


# --- measures ------------------------------------------------------------------------------------------------


@given(st.decimals(min_value="0.001", max_value="99999", places=3, allow_nan=False))
def test_a_number_reads_the_same_with_either_decimal_mark_and_as_a_cell(value: Decimal) -> None:
    assert number_of(str(value), ".") == value
    assert number_of(str(value).replace(".", ","), ",") == value
    assert float(number_of(float(value), ",")) == float(value)


@pytest.mark.parametrize(
    "cell",
    ["1,250.5", "1.250,5", "312 mm", "about 2", "12 1/2", "-3", "0", 0, -1.5, math.nan, "1e3", "12:30", "٣١٢", True,
     date.max],
)  # fmt: skip
def test_no_number_is_made_of_what_is_none(cell: Cell) -> None:
    for mark in ".,":
        with pytest.raises(ValueError, match="no "):
            number_of(cell, mark)


def test_a_decimal_mark_that_the_mapping_does_not_say_is_no_thousands_mark_either() -> None:
    with pytest.raises(ValueError, match=r'mapping says decimal = "\."'):
        number_of("1,234", ".")


# --- days ----------------------------------------------------------------------------------------------------


@given(st.dates(date(1905, 1, 1), date(2199, 12, 31)))
def test_a_day_survives_its_written_forms_and_both_serial_systems(day: date) -> None:
    assert day_of(day.isoformat(), None) == day
    assert day_of(day.strftime("%d.%m.%Y"), "%d.%m.%Y") == day
    assert day_of(day.strftime("%m/%d/%Y"), "%m/%d/%Y") == day
    # ECMA-376, SpreadsheetML, date systems: 1 March 1900 is day 61 of the one, 1 January 1904 is day 0 of the other
    serial = (day - date(1900, 3, 1)).days + 61
    for cell in (serial, float(serial), str(serial)):
        assert day_of(cell, "excel-1900") == day
    if day > date(1906, 1, 1):
        assert day_of((day - date(1904, 1, 1)).days, "excel-1904") == day
    assert day_of(datetime(day.year, day.month, day.day), None) == day


@pytest.mark.parametrize(
    "written", ["05/06/2025", "5.6.2025", "2025-5-6", "20250506", "May 6, 2025", "05-06-25"]
)
def test_a_day_that_can_be_read_in_two_ways_asks_the_mapping(written: str) -> None:
    with pytest.raises(ValueError, match="more than one way"):
        day_of(written, None)


def test_the_same_digits_are_the_day_that_the_mapping_says() -> None:
    assert day_of("05/06/2025", "%d/%m/%Y") == date(2025, 6, 5)
    assert day_of("05/06/2025", "%m/%d/%Y") == date(2025, 5, 6)


@pytest.mark.parametrize(
    ("cell", "written", "reason"),
    [
        (45_000, None, "bare number"),
        (17, "excel-1900", "no serial number"),
        ("13/32/2025", "%d/%m/%Y", "no date as"),
        ("2025-02-30", None, "no day of the calendar"),
        (datetime(1899, 12, 30), None, "empty date"),
        (date(1904, 1, 1), None, "empty date"),
        (date(202, 5, 12), None, "look at the year"),
        (time(12), None, "no date"),
        ("#REF!", None, "error of a formula"),
    ],
)
def test_what_is_no_day_says_why(cell: Cell, written: str | None, reason: str) -> None:
    with pytest.raises(ValueError, match=reason):
        day_of(cell, written)


@pytest.mark.parametrize(
    "cell", ["14:30", time(14, 30), datetime(1899, 12, 30, 14, 30), timedelta(hours=14.5), 14.5 / 24]
)
def test_a_time_of_the_day_in_every_form(cell: Cell) -> None:
    assert time_of(cell, "%H:%M") == time(14, 30)


def test_a_day_without_a_time_is_noon_at_the_water() -> None:
    chicago = ZoneInfo("America/Chicago")
    assert moment_of(date(2025, 6, 14), None, chicago) == datetime(2025, 6, 14, 17, tzinfo=UTC)
    assert moment_of(date(2025, 6, 14), time(23), chicago) == datetime(2025, 6, 15, 4, tzinfo=UTC)
