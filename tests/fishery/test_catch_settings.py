"""Power transfer and whether two surveys may be compared."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fishery.comparability import SurveyConditions, differences
from fishery.power_transfer import (
    ambient_conductivity_us_per_cm,
    power_advice,
    power_in_fish,
    power_multiplier,
)
from tests.fishery.tables import table

CONDUCTIVITY = st.floats(5, 2000)


@pytest.mark.parametrize("row", table("catch_power_multipliers.csv"), ids=lambda row: row["cw_uScm"])
def test_multipliers_are_those_of_the_formula_of_kolz(row: dict[str, str]) -> None:
    # Calculated from the formula of Kolz (1989) by a separate script; no published table was seen.
    advice = power_advice(float(row["cw_uScm"]))
    assert advice.power == pytest.approx(float(row["power_multiplier"]), abs=6e-5)
    assert advice.voltage == pytest.approx(float(row["voltage_rel"]), abs=6e-5)
    assert advice.current == pytest.approx(float(row["current_rel"]), abs=6e-5)


@settings(deadline=None, max_examples=50)
@given(CONDUCTIVITY, CONDUCTIVITY)
def test_a_fish_takes_what_a_load_takes_from_a_source(water: float, fish: float) -> None:
    # Circuit algebra, own: a source of conductance w feeding a load f puts 4 q / (1 + q)^2 of the most it could into it.
    volt_share = water / (water + fish)
    share = volt_share**2 * fish / (0.25 * water)
    assert power_multiplier(water, fish) == pytest.approx(1 / share)
    assert power_multiplier(water, fish) == pytest.approx(power_multiplier(fish, water))
    assert power_multiplier(water, fish) >= 1


def test_advice_carries_the_cautions_and_tells_where_the_model_ends() -> None:
    inside, outside = power_advice(300), power_advice(1500)
    assert any("can kill" in one for one in inside.cautions)
    assert any("1500" in one for one in outside.cautions)
    assert not any("outside" in one for one in inside.cautions)


def test_power_is_referred_to_matched_conductivity() -> None:
    assert power_in_fish(1000, 115) == 1000
    assert power_in_fish(1562.5, 460) == pytest.approx(1000)


def test_ambient_conductivity_undoes_the_reference_to_25_degrees() -> None:
    # A secondary listing of Standard Methods 2510B: 1321 uS/cm at 25.5 C are 1308.50 at 25 C.
    assert ambient_conductivity_us_per_cm(1308.50, 25.5) == pytest.approx(1321, abs=0.5)


@pytest.mark.parametrize("value", [0.0, -1.0, math.nan, math.inf])
def test_a_conductivity_that_is_none_is_an_error(value: float) -> None:
    with pytest.raises(ValueError, match="above 0"):
        power_multiplier(value)


LIKE = SurveyConditions("PDC", 60, 25, 2000, 200, 18, 130, False, 15, 2, "boat")


def test_like_surveys_have_no_difference() -> None:
    assert differences(LIKE, LIKE) == ()


@pytest.mark.parametrize(
    ("other", "what"),
    [
        (SurveyConditions("DC", 60, 25, 2000, 200, 18, 130, False, 15, 2, "boat"), "waveform"),
        (SurveyConditions("PDC", 120, 25, 2000, 200, 18, 130, False, 15, 2, "boat"), "pulse rate"),
        (SurveyConditions("PDC", 60, 40, 2000, 200, 18, 130, False, 15, 2, "boat"), "duty cycle"),
        (SurveyConditions("PDC", 60, 25, 3000, 200, 18, 130, False, 15, 2, "boat"), "power in the fish"),
        (SurveyConditions("PDC", 60, 25, 2000, 200, 25, 130, False, 15, 2, "boat"), "water temperature"),
        (SurveyConditions("PDC", 60, 25, 2000, 200, 18, 280, False, 15, 2, "boat"), "day of year"),
        (SurveyConditions("PDC", 60, 25, 2000, 200, 18, 130, True, 15, 2, "boat"), "time of day"),
        (SurveyConditions("PDC", 60, 25, 2000, 200, 18, 130, False, 40, 2, "boat"), "run length"),
        (SurveyConditions("PDC", 60, 25, 2000, 200, 18, 130, False, 15, 1, "boat"), "netters"),
        (SurveyConditions("PDC", 60, 25, 2000, 200, 18, 130, False, 15, 2, "backpack"), "gear"),
    ],
)
def test_one_unlike_condition_is_named_with_both_figures(other: SurveyConditions, what: str) -> None:
    (found,) = differences(LIKE, other)
    assert (found.what, found.unknown) == (what, False)
    assert " / " in found.figures
    assert differences(other, LIKE) == (found,)


def test_unlike_conductivity_is_told_even_where_the_multiplier_is_the_same() -> None:
    # 57.5 and 230 uS/cm lie on either side of 115 with one multiplier, yet voltage and current differ.
    low = SurveyConditions("PDC", 60, 25, 2000, 57.5, 18, 130, False, 15, 2, "boat")
    high = SurveyConditions("PDC", 60, 25, 2000, 230, 18, 130, False, 15, 2, "boat")
    assert [one.what for one in differences(low, high)] == ["conductivity"]


def test_the_turn_of_the_year_is_no_change_of_season() -> None:
    winter = SurveyConditions("PDC", 60, 25, 2000, 200, 18, 360, False, 15, 2, "boat")
    assert differences(winter, SurveyConditions("PDC", 60, 25, 2000, 200, 18, 10, False, 15, 2, "boat")) == ()


def test_what_was_not_recorded_is_unknown_and_not_taken_as_alike() -> None:
    found = differences(LIKE, SurveyConditions())
    assert {one.unknown for one in found} == {True}
    assert len(found) == 11
    assert all("not recorded" in one.figures for one in found)
