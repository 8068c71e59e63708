"""Numbers in words, in the reader's units; times as decimal years; one animal under several names."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fishery.answers import Interval
from ingest.records import individual_id
from office.answers.animals import Animals
from office.answers.model import Answer, Chapter, Column, Mark, Plot, Series, Table
from office.answers.reading import decimal_years
from office.answers.units import Words, factor, in_units, number
from tests.office.ponds import tag


@pytest.mark.parametrize(
    ("value", "text"),
    [(0, "0"), (0.012345, "0.0123"), (4.567, "4.57"), (45.67, "45.7"), (456.7, "457"), (12345.6, "12,346"), (-3.21, "-3.21"),
     (math.inf, "no limit"), (math.nan, "unknown")],
)  # fmt: skip
def test_numbers_have_three_digits_and_commas(value: float, text: str) -> None:
    assert number(value) == text


def test_limits_without_an_end_say_so() -> None:
    words = Words()
    assert words.limits(None) == ""
    assert words.limits(Interval(40.0, 60.0, 0.95, ""), "mm") == " (95 % limits 40.0 to 60.0 mm)"
    assert (
        words.limits(Interval(40.4, math.inf, 0.9, ""), decimals=0)
        == " (90 % limits: at least 40, no upper limit)"
    )
    assert (
        Words("inch_pound").limits(Interval(254.0, 508.0, 0.95, ""), "mm") == " (95 % limits 10.0 to 20.0 in)"
    )
    assert Words("inch_pound").length(254.0) == "10.0 in"
    assert Words().length(254.4) == "254 mm"


@pytest.mark.parametrize(
    ("unit", "theirs", "value", "wanted"),
    [
        # exact by the international yard and pound (1959): 25.4 mm, 453.59237 g, 4046.8564224 m2
        ("mm", "in", 25.4, 1.0),
        ("g", "lb", 453.59237, 1.0),
        ("kg", "lb", 0.45359237, 1.0),
        ("ha", "acres", 0.40468564224, 1.0),
        ("kg/ha", "lb/acre", 1.12085116, 1.0),  # NIST SP 811, B.9: 1 lb/acre = 1.120 851 E-04 kg/m2
        ("fish/ha", "fish/acre", 1 / 0.40468564224, 1.0),
        ("%", "%", 3.0, 3.0),
    ],
)
def test_factors_to_the_reader(unit: str, theirs: str, value: float, wanted: float) -> None:
    name, times = factor(unit, "inch_pound")
    assert name == theirs
    assert value * times == pytest.approx(wanted, rel=1e-7)
    assert factor(unit, "metric") == (unit, 1.0)


def test_a_chapter_is_converted_whole_and_only_once() -> None:
    made = Chapter(
        "growth",
        "Growth",
        (Answer("a", "t", "s.", 254.0, "mm", Interval(127.0, 508.0, 0.95, "x"), 3), Answer("b", "t", "s.", 3.0, "%")),
        (Table("t", "T", (Column("tag"), Column("length", "mm", 0), Column("fish")), (("x", 254.0, 2), ("y", None, 1))),),
        (
            Plot(
                "p", "growth", "P", "length", "mm", "growth", "mm per year",
                (Series("s", "points", (254.0,), (25.4,), (None,), (50.8,), width=50.8),), (Mark("x", 25.4, "one"),),
            ),
        ),
    )  # fmt: skip
    assert in_units(made, "metric") is made
    told = in_units(made, "inch_pound")
    assert told.answer("a").interval == Interval(5.0, 20.0, 0.95, "x")
    assert told.answer("b") is made.answer("b")
    assert told.tables[0].rows == (("x", 10.0, 2), ("y", None, 1))
    assert told.tables[0].columns == (Column("tag"), Column("length", "in", 1), Column("fish"))
    (plot,) = told.plots
    assert (plot.x_unit, plot.y_unit) == ("in", "in per year")
    (drawn,) = plot.series
    assert drawn.low == (None,)
    assert (*drawn.x, *drawn.y, *drawn.high, drawn.width) == pytest.approx((10.0, 1.0, 2.0, 2.0))
    assert plot.marks[0].value == pytest.approx(1.0)
    with pytest.raises(KeyError):
        told.answer("c")


def test_times_as_decimal_years() -> None:
    found = decimal_years(
        ["2026-01-01", "2025-07-02T12:00:00Z", "2024-12-31T23:00:00-01:00", "soon", None, ""]
    )
    assert found[:3].tolist() == pytest.approx([2026.0, 2025.5, 2025.0])
    assert np.isnan(found[3:]).all()
    assert len(decimal_years([])) == 0


@given(
    st.lists(
        st.tuples(
            st.none() | st.integers(0, 5),
            st.none() | st.integers(0, 5),
            st.lists(st.integers(0, 5), max_size=1),
            st.booleans(),
        ),
        max_size=12,
    )
)
def test_records_that_share_a_tag_or_an_individual_are_one_animal(
    rows: list[tuple[int | None, int | None, list[int], bool]],
) -> None:
    tags = [None if one is None else tag(one) for one, _, _, _ in rows]
    individuals = [
        None if one is None or other is None else individual_id(tag(other)) for one, other, _, _ in rows
    ]
    second = {i: [tag(one) for one in more] for i, (_, _, more, _) in enumerate(rows) if more}
    doubted = np.array([doubt for *_, doubt in rows], dtype=np.bool_)
    animals = Animals(tags, individuals, second, doubted)
    for i, mine in enumerate(tags):
        if mine is None or doubted[i]:
            assert animals.of_fish[i] == -1
            continue
        here = int(animals.of_fish[i])
        assert mine in animals.tags[here]
        assert animals.known(mine, None) == here
        assert animals.known("000", individuals[i]) in (here, None if individuals[i] is None else here)
        for j, other in enumerate(tags):
            if other == mine and not doubted[j]:
                assert animals.of_fish[j] == here
        for more in second.get(i, []):
            assert more in animals.tags[here]
    assert animals.known(tag(99), None) is None
    assert set(animals.of_fish.tolist()) - {-1} == set(range(len(animals.tags)))
