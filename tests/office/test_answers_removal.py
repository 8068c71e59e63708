"""Unwanted fish: what counts as removed, and by which effort."""

import numpy as np
import pytest

from office.answers.compose import chapter
from tests.office.asking import BOOK, SPRING, asked, bass, records
from tests.office.ponds import Pond


def test_passes_of_unlike_effort_are_told_by_hours(pond: Pond) -> None:
    survey = pond.survey(SPRING)
    for place, (seconds, fish) in enumerate(((3600.0, 40), (1800.0, 12), (3600.0, 14), (3600.0, 8))):
        pond.run(survey, place + 1, seconds, pass_no=place + 1)
        for _ in range(fish):
            pond.fish(survey, run_no=place + 1, fate="removed")
    answer = bass(pond, "removal", "passes")
    assert "(Leslie)" in answer.sentence
    assert answer.interval is not None
    assert answer.interval.low >= 74


def test_fish_put_back_make_no_removal(pond: Pond) -> None:
    survey = pond.survey(SPRING)
    for run_no, fish in ((1, 20), (2, 10)):
        pond.run(survey, run_no, pass_no=run_no)
        for place in range(fish):
            pond.fish(survey, run_no=run_no, fate="released" if place % 3 == 0 else "removed")
    assert "were put back" in (bass(pond, "removal", "passes").refused or "")


def test_weight_removed_takes_batches_as_weighed_and_the_mean_for_the_rest(pond: Pond) -> None:
    survey = pond.survey(SPRING)
    for weight in (100.0, 110.0, 90.0, 105.0, 95.0):
        pond.fish(survey, weight_g=weight, fate="removed")
    pond.fish(survey, fate="removed")
    pond.count(survey, 40, weight_g=2000.0, fate="removed")
    made = asked(pond, "removal", {"area_ha": 2.0})
    answer = made.answer("largemouth_bass.removed_kg")
    assert answer.value == pytest.approx(2.6)
    assert answer.interval is not None
    assert answer.interval.low < 2.6 < answer.interval.high
    assert made.answer("largemouth_bass.removed_kg_per_ha").value == pytest.approx(1.3)


def test_the_wanted_level_comes_from_the_file_of_the_waters_or_from_the_command(pond: Pond) -> None:
    survey = pond.survey(SPRING)
    for run_no, fish in ((1, 60), (2, 30), (3, 15)):
        pond.run(survey, run_no, pass_no=run_no)
        for _ in range(fish):
            pond.fish(survey, run_no=run_no, fate="removed")
    found = records(pond, {"wanted_left": {"largemouth_bass": 5.0}})
    assert (
        "leave 5 fish or fewer"
        in chapter(found, BOOK, "removal").answer("largemouth_bass.passes_needed").sentence
    )
    told = chapter(found, BOOK, "removal", wanted_left=2).answer("largemouth_bass.passes_needed")
    assert "leave 2 fish or fewer" in told.sentence
    assert told.value == 3
    enough = chapter(found, BOOK, "removal", wanted_left=60).answer("largemouth_bass.passes_needed")
    assert "no further pass is needed to leave 60 fish or fewer" in enough.sentence


def test_a_fall_that_may_be_chance_is_no_depletion(pond: Pond) -> None:
    for place, fish in enumerate((12, 14, 10, 13)):
        survey = pond.survey(f"2026-06-{place + 1:02}")
        pond.run(survey, seconds=3600.0)
        for _ in range(fish):
            pond.fish(survey, run_no=1, fate="removed")
    answer = bass(pond, "removal", "dates")
    assert "may be chance" in (answer.refused or "")
    assert answer.wanted == "Further dates, until the catch per hour clearly falls."


def test_two_dates_are_too_few_for_a_depletion(pond: Pond) -> None:
    for day in ("2026-06-01", "2026-06-08"):
        survey = pond.survey(day)
        pond.run(survey)
        pond.fish(survey, run_no=1, fate="removed")
    assert "2 surveys" in (bass(pond, "removal", "dates").refused or "")


@pytest.mark.parametrize(("seconds", "gear"), [(None, "boat"), (3600.0, "angling")])
def test_fish_removed_without_current_make_no_catch_per_hour(
    pond: Pond, seconds: float | None, gear: str
) -> None:
    for day, removed in (("2026-05-01", 40), ("2026-05-08", 25), ("2026-05-15", 14), ("2026-05-22", 8)):
        survey = pond.survey(day)
        pond.run(survey, 1, seconds=3600.0)
        pond.count(survey, removed, run_no=1, fate="removed")
    assert bass(pond, "removal", "dates").value == pytest.approx(101, abs=3)
    # taken on the last day, in no hour of current: with them the catch per hour of that day would rise
    pond.run(survey, 2, seconds=seconds, gear=gear)
    pond.count(survey, 12, run_no=2, fate="removed")
    refused = bass(pond, "removal", "dates").refused or ""
    assert refused == "12 of 99 removed fish came from no run with seconds of current-on time."


def test_passes_of_which_not_all_have_their_seconds_are_compared_by_catch_alone(pond: Pond) -> None:
    survey = pond.survey(SPRING)
    for run_no, (pass_no, area, seconds, removed) in enumerate(
        ((1, "bay", 600.0, 40), (1, "dam", None, 40), (2, "bay", 600.0, 20), (2, "dam", 600.0, 20)), 1
    ):
        pond.run(survey, run_no, seconds=seconds, pass_no=pass_no, area=area)
        pond.count(survey, removed, run_no=run_no, fate="removed")
    answer = bass(pond, "removal", "passes")
    assert answer.value is not None
    assert answer.value > 80 + 40


def test_removal_in_one_go_says_that_nobody_knows_how_many_are_left(pond: Pond) -> None:
    survey = pond.survey(SPRING)
    pond.run(survey)
    for _ in range(9):
        pond.fish(survey, run_no=1, fate="removed")
    answer = bass(pond, "removal", "left")
    assert "on one survey only" in (answer.refused or "")
    assert "Two passes or more" in (answer.wanted or "")


def test_the_weight_left_is_that_of_the_fish_left_on_the_area(pond: Pond) -> None:
    survey = pond.survey(SPRING)
    for run_no, fish in ((1, 60), (2, 30), (3, 15)):
        pond.run(survey, run_no, pass_no=run_no)
        for place in range(fish):
            pond.fish(survey, run_no=run_no, fate="removed", weight_g=400.0 + 10 * (place % 21))
    made = asked(pond, "removal", {"area_ha": 2.0})
    left = made.answer("largemouth_bass.passes_left")
    weight = made.answer("largemouth_bass.passes_left_kg_per_ha")
    grams = np.concatenate([400.0 + 10 * (np.arange(fish) % 21) for fish in (60, 30, 15)])
    assert left.value is not None
    assert weight.value == pytest.approx(left.value * grams.mean() / 1000 / 2)
    assert weight.interval is not None
    assert left.interval is not None
    assert weight.interval.low < left.interval.low * grams.mean() / 2000
    assert "kg/ha are left" in weight.sentence
    assert not any(one.key.endswith("kg_per_ha") for one in asked(pond, "removal").answers)
