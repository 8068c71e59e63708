"""Which fish are in an index of size."""

import pytest

from tests.office.asking import SPRING, a_table, asked, bass
from tests.office.ponds import Pond


def test_length_types_are_never_mixed(pond: Pond) -> None:
    survey = pond.survey(SPRING)
    for _ in range(5):
        pond.fish(survey, length_mm=300.0, weight_g=380.0)
        pond.fish(survey, length_mm=300.0, weight_g=380.0, length_type="FL")
    answer = bass(pond, "condition", "wr")
    assert answer.n == 5
    assert "5 measured another way (no cited conversion)" in answer.cautions[-1]
    psd = bass(pond, "structure", "psd")
    assert psd.n == 5
    assert "5 fish measured another way than total length are left out." in psd.cautions


def test_a_cited_conversion_brings_fork_lengths_over(pond: Pond) -> None:
    pond.species = "bluegill"
    survey = pond.survey(SPRING)
    for _ in range(5):
        pond.fish(survey, length_mm=150.0, weight_g=70.0, length_type="FL")
    assert asked(pond, "condition").answer("bluegill.wr").n == 5
    # 1.67 + 1.0334 * 150 mm = 156.7 mm: above quality length (150 mm)
    assert asked(pond, "structure").answer("bluegill.psd").value == 100


def test_categories_are_judged_in_the_unit_measured(pond: Pond) -> None:
    # Gabelhouse 1984: quality length of largemouth bass is 12 in and 300 mm; 11.9 in are 302.3 mm.
    survey = pond.survey(SPRING)
    for _ in range(4):
        pond.fish(survey, length_mm=11.9 * 25.4, length_unit="in")
        pond.fish(survey, length_mm=11.9 * 25.4)
    assert bass(pond, "structure", "psd").value == 50


def test_fish_of_several_gears_in_one_psd_are_told(pond: Pond) -> None:
    survey = pond.survey(SPRING)
    for run_no, gear, length in ((1, "boat electrofishing", 250.0), (2, "angling", 350.0)):
        pond.run(survey, run_no, gear=gear)
        for _ in range(6):
            pond.fish(survey, run_no=run_no, length_mm=length)
    told = "Fish of several gears, which select sizes of their own, are together: 6 by angling, 6 by boat electrofishing."
    assert told in bass(pond, "structure", "psd").cautions


def test_an_index_of_none_or_all_has_no_limits_of_no_width(pond: Pond) -> None:
    survey = pond.survey(SPRING)
    for _ in range(9):
        pond.fish(survey, length_mm=350.0)
    rows = {row[0]: row for row in a_table(asked(pond, "structure"), "largemouth_bass.psd").rows}
    assert rows["PSD"][2] == 100
    assert rows["PSD"][5:] == (None, None)
    assert rows["PSD-M"][5:] == (None, None)
    assert rows["PSD"][3] == pytest.approx(100 * 0.025 ** (1 / 9))  # exact binomial, all of 9


def test_psd_of_a_handful_of_fish_is_no_headline(pond: Pond) -> None:
    survey = pond.survey(SPRING)
    for _ in range(9):
        pond.fish(survey, length_mm=350.0)
    assert not bass(pond, "structure", "psd").headline
    pond.fish(survey, length_mm=350.0)
    assert bass(pond, "structure", "psd").headline


def test_fish_wanted_are_those_for_any_share_that_the_limits_leave_open(pond: Pond) -> None:
    survey = pond.survey(SPRING)
    for _ in range(9):
        pond.fish(survey, length_mm=320.0)
    # 9 of 9: the exact lower limit is .025 ** (1 / 9), which wants 1.96^2 x .6637 x .3363 / .1^2 fish
    answer = bass(pond, "structure", "psd.fish_wanted")
    assert answer.value == 86
    assert "for fish caught singly" in answer.formula
    assert "86 or more are wanted" in answer.sentence
    cautions = bass(pond, "structure", "psd").cautions
    assert "Few stock-length fish: n = 9; 86 or more wanted for a PSD within 10 points." in cautions
