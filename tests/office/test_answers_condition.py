"""Which lengths and weights count for condition."""

from tests.office.asking import SPRING, a_table, asked, bass, records
from tests.office.ponds import Pond


def test_a_value_in_doubt_is_left_out_until_it_is_confirmed_or_amended(pond: Pond) -> None:
    survey = pond.survey(SPRING)
    doubt = ("relative_weight_far_off", "serious", '["weight", "length", "species"]')
    for _ in range(3):
        pond.fish(survey, length_mm=300.0, weight_g=380.0)
    pond.fish(survey, length_mm=300.0, weight_g=38.0, status="queried", finding=doubt)
    mended = pond.fish(survey, length_mm=300.0, weight_g=38.0, status="queried", finding=doubt)
    pond.amend(mended, "weight_g", "380.0")
    sure = pond.fish(survey, length_mm=300.0, weight_g=390.0, status="confirmed", finding=doubt)
    notice = ("unlike_this_water", "notice", '["weight"]')
    odd = pond.fish(survey, length_mm=300.0, weight_g=410.0, finding=notice)
    answer = bass(pond, "condition", "wr")
    assert answer.n == 6
    assert {mended, sure, odd} <= set(answer.fish_ids)
    assert asked(pond, "quality").answer("doubted").value == 1


def test_void_fish_and_amended_values(pond: Pond) -> None:
    survey = pond.survey(SPRING)
    fish = [pond.fish(survey, length_mm=300.0, weight_g=380.0) for _ in range(4)]
    pond.amend(fish[0], "void", "1")
    pond.amend(fish[1], "species", "bluegill")
    made = records(pond)
    assert len(made.fish) == 3
    assert int(made.of("largemouth_bass").sum()) == 2
    assert asked(pond, "quality").answer("void").value == 1


def test_a_scale_too_coarse_for_the_fish_makes_no_condition(pond: Pond) -> None:
    survey = pond.survey(SPRING)
    for _ in range(5):
        pond.fish(survey, length_mm=160.0, weight_g=60.0, division=50.0)
        pond.fish(survey, length_mm=160.0, weight_g=60.0, division=1.0)
    answer = bass(pond, "condition", "wr")
    assert answer.n == 5
    assert "5 too small for the step of the scale" in answer.cautions[-1]


def test_a_category_of_a_few_fish_has_a_mean_without_limits_and_no_sentence(pond: Pond) -> None:
    survey = pond.survey(SPRING)
    for place in range(8):
        pond.fish(survey, length_mm=250.0, weight_g=200.0 + place)
    for weight in (400.0, 500.0):
        pond.fish(survey, length_mm=320.0, weight_g=weight)
    made = asked(pond, "condition")
    assert "largemouth_bass.wr.stock" in {one.key for one in made.answers}
    assert "largemouth_bass.wr.quality" not in {one.key for one in made.answers}
    row = next(row for row in a_table(made, "largemouth_bass.wr").rows if row[0] == "quality")
    assert row[1] == 2
    assert row[2] is not None
    assert row[3:5] == (None, None)


def test_a_change_of_gear_begins_another_series_and_is_told(pond: Pond) -> None:
    for year, gear in ((2023, "boat"), (2024, "boat"), (2025, "backpack"), (2026, "backpack")):
        survey = pond.survey(f"{year}-05-01")
        pond.run(survey, gear=gear)
        for place in range(8):
            pond.fish(survey, run_no=1, length_mm=250.0, weight_g=190.0 + place + year - 2020)
    for key in ("condition", "catch"):
        plot = next(one for one in asked(pond, key).plots if one.kind == "trend")
        assert [(one.name, len(one.x)) for one in plot.series] == [("boat", 2), ("backpack", 2)]
        assert "The gear changed (boat, backpack)" in plot.described
    assert any("The gear changed" in one for one in bass(pond, "condition", "wr.trend").cautions)


def test_surveys_of_one_gear_are_one_series(pond: Pond) -> None:
    for year in (2025, 2026):
        survey = pond.survey(f"{year}-05-01")
        pond.run(survey)
        for place in range(8):
            pond.fish(survey, run_no=1, length_mm=250.0, weight_g=190.0 + place)
    (plot,) = (one for one in asked(pond, "catch").plots if one.kind == "trend")
    assert [one.name for one in plot.series] == ["catch per hour"]
    assert "gear" not in plot.described
