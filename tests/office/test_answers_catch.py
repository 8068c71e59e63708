"""Which runs count for the catch per hour, and what speaks against comparing."""

import numpy as np
import pytest

from tests.office.asking import LATER, SPRING, a_table, asked, bass
from tests.office.ponds import Pond


def test_a_run_without_fish_counts_and_later_passes_do_not(pond: Pond) -> None:
    survey = pond.survey(SPRING)
    for run_no, pass_no in ((1, 1), (2, 1), (3, 2), (4, None)):
        pond.run(survey, run_no, 3600.0, pass_no=pass_no)
    pond.run(survey, 5, None)
    caught: tuple[tuple[int | None, int], ...] = ((1, 6), (3, 9), (5, 3), (None, 2))
    for number, fish in caught:
        for _ in range(fish):
            pond.fish(survey, run_no=number)
    pond.count(survey, 4, run_no=4)
    answer = bass(pond, "catch", "cpue")
    assert answer.value == pytest.approx(10 / 3)
    assert answer.n == 3
    assert len(answer.fish_ids) == 6
    assert {
        "1 later pass is left out.",
        "1 run without seconds of current-on time is left out.",
        "2 fish of no run are left out.",
    } <= set(answer.cautions)


def test_what_differs_from_the_survey_before_is_listed(pond: Pond) -> None:
    for day, settings, water_c in (
        (SPRING, "DC 60 Hz 25 % 240 uS/cm", 14.0),
        ("2026-08-01", "PDC 30 Hz", 24.0),
    ):
        survey = pond.survey(day)
        pond.run(survey, settings=settings, water_c=water_c)
        pond.fish(survey, run_no=1)
    made = asked(pond, "catch", {"conductivity_us_per_cm": 500.0})
    rows = {str(row[0]): (row[1], row[2]) for row in a_table(made, "comparable").rows}
    assert rows["waveform"] == ("DC / PDC", "differs")
    assert rows["pulse rate"] == ("30 Hz / 60 Hz", "differs")
    assert rows["conductivity"] == ("240 uS/cm / 500 uS/cm", "differs")
    assert rows["water temperature"] == ("14 C / 24 C", "differs")
    assert rows["day of year"][1] == "differs"
    assert rows["duty cycle"][1] == rows["time of day"][1] == "not recorded"
    power = made.answer("power")
    assert power.value == pytest.approx((1 + 115 / 500) ** 2 / (4 * 115 / 500))
    assert any("Output can kill" in one for one in power.cautions)
    assert "it is no setting" in power.sentence


def test_what_was_read_at_the_runs_comes_before_words_of_their_settings_and_the_file_of_the_waters(
    pond: Pond,
) -> None:
    first, second = pond.survey(SPRING), pond.survey("2026-06-01")
    pond.run(first, settings="DC 60 Hz", conductivity_us_per_cm=1150.0)
    for run_no, read in ((1, 200.0), (2, 260.0), (3, None)):
        pond.run(second, run_no, settings="DC 60 Hz 900 uS/cm", conductivity_us_per_cm=read)
    pond.fish(second, run_no=1)
    made = asked(pond, "catch", {"conductivity_us_per_cm": 500.0})
    rows = {str(row[0]): (row[1], row[2]) for row in a_table(made, "comparable").rows}
    assert rows["conductivity"] == ("1150 uS/cm / 230 uS/cm", "differs")
    power = made.answer("power")
    # q = 115 / 230 = 1/2: (1 + 1/2)^2 / (4 / 2) = 9/8 (Kolz 1989; see fishery.power_transfer)
    assert power.value == pytest.approx(9 / 8)
    assert "At 230 uS/cm, as read at 2 runs, the same power" in power.sentence


@pytest.mark.parametrize(
    ("settings", "facts", "said"),
    [
        (
            "DC 60 Hz 240 uS/cm",
            {"conductivity_us_per_cm": 500.0},
            "At 240 uS/cm, as the settings of the runs say,",
        ),
        ("DC 60 Hz", {"conductivity_us_per_cm": 500.0}, "At 500 uS/cm, as the file of the waters says,"),
        ("DC 60 Hz", {}, "run start conductivity=240"),
    ],
)
def test_power_says_whose_conductivity_it_takes_or_where_to_say_it(
    pond: Pond, settings: str, facts: dict[str, object], said: str
) -> None:
    survey = pond.survey(SPRING)
    pond.run(survey, settings=settings)
    pond.fish(survey, run_no=1)
    assert said in asked(pond, "catch", facts).answer("power").sentence


@pytest.mark.parametrize("gear", ["angling", "Gill net", "backpack electrofishing"])
def test_fish_of_other_gear_are_in_no_catch_per_hour(pond: Pond, gear: str) -> None:
    survey = pond.survey(SPRING)
    for run_no in (1, 2, 3):
        pond.run(survey, run_no, gear="boat electrofishing")
        for _ in range(4):
            pond.fish(survey, run_no=run_no, length_mm=320.0)
    pond.run(survey, 4, seconds=900.0, gear=gear)
    for _ in range(30):
        pond.fish(survey, run_no=4, length_mm=400.0)
    made = asked(pond, "catch")
    rate = made.answer("largemouth_bass.cpue")
    assert rate.value == pytest.approx(12 / 0.5)
    assert f"1 run is left out, with other gear ({gear})." in rate.cautions
    assert "largemouth_bass.cpue.preferred" not in [
        one.key for one in made.answers
    ]  # the longer ones are not its
    assert len(rate.fish_ids) == 12


def test_an_hour_of_angling_is_none_of_current_on_time(pond: Pond) -> None:
    survey = pond.survey(SPRING)
    pond.run(survey, 1, seconds=3600.0, gear="angling")
    pond.fish(survey, run_no=1)
    answer = asked(pond, "catch").answers[0]
    assert answer.value is None
    assert "other gear (angling)" in (answer.refused or "")


def test_a_run_whose_gear_nobody_named_goes_with_the_others(pond: Pond) -> None:
    survey = pond.survey(SPRING)
    for run_no, gear in enumerate(("boat", None, "Boat"), 1):
        pond.run(survey, run_no, gear=gear)
        pond.fish(survey, run_no=run_no)
    assert bass(pond, "catch", "cpue").n == 3


def test_other_gear_on_the_survey_before_speaks_against_comparing(pond: Pond) -> None:
    for day, gear in (
        (SPRING, "boat electrofishing"),
        ("2026-05-08", "angling"),
        (LATER, "backpack electrofishing"),
    ):
        survey = pond.survey(day)
        pond.run(survey, 1, seconds=None if gear == "angling" else 600.0, gear=gear)
        pond.fish(survey, run_no=1)
    answer = asked(pond, "catch").answer("comparable")
    assert answer.sentence.startswith(f"{SPRING} and {LATER}: gear differ")


def test_each_rate_stands_with_its_error_and_both_kinds_of_limits(pond: Pond) -> None:
    survey = pond.survey(SPRING)
    catches = (3, 0, 5, 8, 2, 4, 6, 1, 3, 7)
    for run_no, fish in enumerate(catches, 1):
        pond.run(survey, run_no, 600.0)
        for _ in range(fish):
            pond.fish(survey, run_no=run_no)
    row = a_table(asked(pond, "catch"), "sureness").rows[-1]
    per_hour = [6.0 * one for one in catches]
    error = np.std(per_hour, ddof=1) / 10**0.5
    assert row[:2] == ("largemouth bass", 39)
    assert row[2:5] == pytest.approx((np.mean(per_hour), error, 100 * error / np.mean(per_hour)))
    resampled = np.random.default_rng(3).choice(per_hour, (20_000, 10)).mean(axis=1)
    # the studentized limits are wider than plain percentiles of so few runs
    low, high = np.quantile(resampled, (0.025, 0.975))
    assert row[7] is not None
    assert row[8] is not None
    assert 0.6 * low < float(row[7]) < low
    assert high < float(row[8]) < 1.3 * high


def test_the_limits_of_no_fish_are_said_to_be_exact(pond: Pond) -> None:
    pond.run(pond.survey(SPRING), 1, 3600.0)
    table = a_table(asked(pond, "catch"), "sureness")
    (row,) = table.rows
    assert row[1:5] == (0, 0.0, None, None)
    assert row[6] == pytest.approx(-np.log(0.025))  # none in an hour: exp(-x) = 0.025
    assert "exact Poisson where no fish was caught" in table.note
