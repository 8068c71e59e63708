"""Lengths and weights on the page, against the exact definitions of the units.

1 in = 25.4 mm, 1 lb = 453.59237 g, both exact (international yard and pound agreement, 1959; NIST SP 811, appendix B).
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.units import (
    G_PER_POUND,
    MM_PER_INCH,
    length_change,
    length_rate,
    length_text,
    length_value,
    sentence_in,
    weight_change,
    weight_text,
)


def test_the_factors_are_the_exact_ones() -> None:
    assert (MM_PER_INCH, G_PER_POUND) == (25.4, 453.59237)


@pytest.mark.parametrize(
    ("mm", "metric", "inch"),
    [
        (312.0, "312 mm", "12.28 in"),
        (304.8, "304.8 mm", "12.00 in"),
        (25.4, "25.4 mm", "1.00 in"),
        (None, "–", "–"),
    ],
)
def test_lengths(mm: float | None, metric: str, inch: str) -> None:
    assert length_text(mm, "metric") == metric
    assert length_text(mm, "inch_pound") == inch


@pytest.mark.parametrize(
    ("grams", "metric", "pound"),
    [
        (453.59237, "453.6 g", "1.00 lb"),
        (412.0, "412 g", "0.908 lb"),
        (45.0, "45 g", "0.099 lb"),
        (12_345.6, "12346 g", "27.22 lb"),
        (0.0, "0 g", "0.000 lb"),
        (None, "–", "–"),
    ],
)
def test_weights(grams: float | None, metric: str, pound: str) -> None:
    assert weight_text(grams, "metric") == metric
    assert weight_text(grams, "inch_pound") == pound


def test_changes_carry_their_sign_and_nothing_is_no_change() -> None:
    assert length_change(24.0, "metric") == "+24 mm"
    assert length_change(-3.0, "metric") == "−3 mm"
    assert length_change(0.0, "metric") == "0 mm"
    assert length_change(-0.01, "inch_pound") == "0.00 in"
    assert weight_change(-453.59237, "inch_pound") == "−1.00 lb"
    assert length_rate(1.94, "metric") == "+1.9 mm/month"


def test_a_sentence_is_put_into_the_units_of_the_screen() -> None:
    said = "312 mm and 41.2 g do not fit: 412 g would fit. Tag ...0901 gm, 985120000000901."
    assert sentence_in(said, "metric") == said
    assert sentence_in(said, "inch_pound") == (
        "12.28 in and 0.091 lb do not fit: 0.908 lb would fit. Tag ...0901 gm, 985120000000901."
    )


@given(st.floats(0.1, 20_000))
def test_what_is_shown_in_inches_is_right_to_half_a_hundredth(mm: float) -> None:
    shown = float(length_text(mm, "inch_pound").split()[0])
    assert abs(shown * 25.4 - mm) <= 0.005 * 25.4 + 1e-6
    assert length_value(mm, "inch_pound") * 25.4 == pytest.approx(mm)


@given(st.floats(-50_000, 50_000))
def test_every_weight_can_be_shown(grams: float) -> None:
    assert weight_change(grams, "metric").endswith(" g")
    assert "-" not in weight_change(grams, "inch_pound")
