"""Which records count for which answer: who is a sample for tags, what is in doubt, what is never mixed."""

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fishery.single import standard_weight_g
from ingest.shipped import shipped_config
from ingest.species import load_species
from ingest.store import PriorRow, Store
from ingest.toml_file import ConfigError
from office.answers.compose import CHAPTERS, all_chapters, chapter, fish_chapter
from office.answers.model import Answer, Chapter, Table
from office.answers.reading import NoSuchScopeError, read_records
from office.answers.records import Records
from office.answers.units import Units
from office.answers.waters import WaterFacts, WatersFile, load_waters
from tests.office.ponds import Pond, tag

BOOK = load_species(shipped_config() / "species")
SPRING, LATER = "2026-05-01", "2026-05-15"


@pytest.fixture
def pond(tmp_path: Path) -> Iterator[Pond]:
    with Store.open(tmp_path / "pond.sqlite") as store:
        yield Pond(store)


def records(pond: Pond, facts: dict[str, Any] | None = None, **scope: Any) -> Records:
    pond.save()
    waters = WatersFile(water={"Mill Pond": WaterFacts.model_validate(facts or {})})
    return read_records(pond.store.connection, waters, **scope)


def asked(
    pond: Pond, key: str, facts: dict[str, Any] | None = None, units: Units = "metric", **scope: Any
) -> Chapter:
    return chapter(records(pond, facts, **scope), BOOK, key, units)


def bass(pond: Pond, key: str, what: str, facts: dict[str, Any] | None = None) -> Answer:
    return asked(pond, key, facts).answer(f"largemouth_bass.{what}")


def a_table(made: Chapter, key: str) -> Table:
    return next(one for one in made.tables if one.key == key)


# --- marks ------------------------------------------------------------------------------------------------------------


def marking(pond: Pond, marked: int = 40, again: int = 10, bare: int = 20) -> tuple[str, str]:
    """Fish tagged in spring, some of them seen again two weeks later among fish without a tag."""
    first, second = pond.survey(SPRING), pond.survey(LATER)
    for number in range(marked):
        pond.fish(first, tag(number))
    for number in range(again):
        pond.fish(second, tag(number), tag_status="recapture")
    for _ in range(bare):
        pond.fish(second)
    return first, second


def counts(answer: Answer) -> str:
    return answer.sentence.split("; ")[1]


def test_a_fish_that_nobody_scanned_is_no_sample_for_tags(pond: Pond) -> None:
    _, second = marking(pond)
    for _ in range(7):
        pond.fish(second, tag_status="not_scanned")
    answer = bass(pond, "abundance", "chapman")
    assert counts(answer) == "40 marked, 30 scanned, 10 of these marked."
    assert "7 fish that nobody scanned are left out." in answer.cautions


@pytest.mark.parametrize("fate", ["died", "removed", "kept", "escaped"])
def test_a_fish_that_was_not_put_back_is_not_among_the_marked(pond: Pond, fate: str) -> None:
    first, _ = marking(pond)
    for number in range(100, 105):
        pond.fish(first, tag(number), fate=fate)
    assert counts(bass(pond, "abundance", "chapman")) == "40 marked, 30 scanned, 10 of these marked."


def test_a_marked_fish_that_an_angler_took_in_between_is_not_among_the_marked(pond: Pond) -> None:
    marking(pond)
    pond.prior(PriorRow(tag(39), "2026-05-08", "Mill Pond", "largemouth_bass", None, None, "kept"))
    assert counts(bass(pond, "abundance", "chapman")) == "39 marked, 30 scanned, 10 of these marked."


def test_what_anglers_told_of_is_no_sample_but_says_where_a_marked_fish_went(pond: Pond) -> None:
    marking(pond)
    told = pond.survey("2026-05-08", station="import", protocol="imported reports")
    pond.fish(told, tag(39), fate="kept", length_mm=320.0)
    pond.fish(told, tag(38), fate="kept", status="queried")  # an angler's word that nobody trusts
    pond.fish(
        pond.survey("2026-06-30", station="import", protocol="imported reports"), tag(2), length_mm=331.0
    )
    found = records(pond)
    assert [one.name for one in found.occasions] == [SPRING, LATER]
    assert counts(chapter(found, BOOK, "abundance").answer("largemouth_bass.chapman")) == (
        "39 marked, 30 scanned, 10 of these marked."
    )
    with pytest.raises(NoSuchScopeError, match=r"only told of"):
        records(pond, survey=told)


def test_a_fish_handled_twice_counts_once_and_its_last_fate_counts(pond: Pond) -> None:
    first, second = marking(pond)
    pond.fish(first, tag(0), tag_status="repeat")
    pond.fish(first, tag(39), tag_status="repeat", fate="died")
    pond.fish(second, tag(3), tag_status="repeat")
    assert counts(bass(pond, "abundance", "chapman")) == "39 marked, 30 scanned, 10 of these marked."


def test_where_only_tagged_fish_were_noted_there_is_no_number_of_fish(pond: Pond) -> None:
    # twelve tags that an angler reported: Chapman's formula would say 40 fish, limits from 40 on
    _, second = marking(pond, again=12, bare=0)
    answer = bass(pond, "abundance", "chapman")
    assert answer.value is None
    assert "only tagged fish were noted" in (answer.refused or "")
    # one fish without a tag makes them a sample
    pond.fish(second)
    assert counts(bass(pond, "abundance", "chapman")) == "40 marked, 13 scanned, 12 of these marked."


def test_where_only_tagged_fish_were_noted_neither_schnabel_nor_jolly_and_seber_give_a_number(
    pond: Pond,
) -> None:
    first = pond.survey("2024-05-01")
    for number in range(60):
        pond.fish(first, tag(number))
    for day, numbers in (("2025-05-01", range(20)), ("2026-05-01", range(10, 35))):
        later = pond.survey(day)
        for number in numbers:
            pond.fish(later, tag(number), tag_status="recapture")
    made = asked(pond, "abundance")
    assert not [one for one in made.answers if "jolly_seber" in one.key and one.value is not None]
    row = a_table(made, "largemouth_bass.jolly_seber").rows[1]
    assert row[4] is None
    assert "only tagged fish were noted" in str(row[-1])
    closed = pond.survey("2026-05-10"), pond.survey("2026-05-20")
    for survey in closed:
        for number in range(8):
            pond.fish(survey, tag(number + 15), tag_status="recapture")
    made = asked(pond, "abundance")
    for method in ("schnabel", "schumacher"):
        assert "only tagged fish were noted" in (made.answer(f"largemouth_bass.{method}").refused or "")


def test_two_stations_on_one_day_are_one_occasion(pond: Pond) -> None:
    marking(pond)
    other = pond.survey(LATER, station="boat")
    pond.fish(other, tag(0), tag_status="recapture")
    pond.fish(other, tag(20), tag_status="recapture")
    found = records(pond)
    assert [one.name for one in found.occasions] == [SPRING, LATER]
    assert len(found.surveys) == 3
    answer = chapter(found, BOOK, "abundance").answer("largemouth_bass.chapman")
    assert counts(answer) == "40 marked, 31 scanned, 11 of these marked."


def test_an_evening_that_crosses_midnight_is_one_occasion_and_the_next_morning_is_not(pond: Pond) -> None:
    pond.fish(pond.survey("2026-05-01", survey_id="bank"))
    pond.fish(pond.survey("2026-05-02", survey_id="boat", station="boat"))
    pond.fish(pond.survey("2026-05-03", survey_id="day"))
    pond.save()
    times = {
        "bank": "2026-05-01T23:50:00Z",
        "boat": "2026-05-02T00:10:00Z",
        "day": "2026-05-02T13:00:00.500Z",
    }
    change = "UPDATE survey SET opened_at = ? WHERE survey_id = ?"
    pond.store.write(lambda c: c.executemany(change, [(at, one) for one, at in times.items()]).close())
    assert [one.name for one in records(pond).occasions] == ["2026-05-01", "2026-05-02"]
    for survey_id in ("bank", "boat"):
        found = records(pond, survey=survey_id)
        assert [one.survey_id for one in found.surveys] == ["bank", "boat"]
        assert found.when == "2026-05-01"


def test_a_survey_whose_opening_is_no_time_is_named(pond: Pond) -> None:
    pond.survey("some day")
    with pytest.raises(
        NoSuchScopeError, match='opened at "some dayT12:00:00Z", which is no time: correct it'
    ):
        records(pond)


def test_a_retagged_fish_is_known_by_its_individual(pond: Pond) -> None:
    first, second = marking(pond)
    old = pond.fish(first, tag(500))
    pond.save()
    individual = pond.store.connection.execute(
        "SELECT individual_id FROM fish WHERE fish_id = ?", (old,)
    ).fetchone()[0]
    pond.fish(second, tag(501), individual_id=individual, tag_status="recapture")
    assert counts(bass(pond, "abundance", "chapman")) == "41 marked, 31 scanned, 11 of these marked."


def test_a_fish_with_two_tags_is_known_by_either(pond: Pond) -> None:
    first, second = marking(pond)
    pond.fish(first, tag(500), second_tag=tag(501))
    pond.fish(second, tag(501), tag_status="recapture")
    assert counts(bass(pond, "abundance", "chapman")) == "41 marked, 31 scanned, 11 of these marked."


def test_a_tag_that_the_office_amended_counts_as_amended(pond: Pond) -> None:
    first, second = marking(pond)
    pond.fish(first, tag(500))
    wrong = pond.fish(second, tag(999), tag_status="unknown")
    pond.amend(wrong, "tag", tag(500))
    assert counts(bass(pond, "abundance", "chapman")) == "41 marked, 31 scanned, 11 of these marked."


def test_a_tag_in_doubt_makes_the_fish_no_sample(pond: Pond) -> None:
    _, second = marking(pond)
    pond.fish(second, tag(20), status="queried", finding=("two_tags", "serious", '["tag"]'))
    assert counts(bass(pond, "abundance", "chapman")) == "40 marked, 30 scanned, 10 of these marked."


def test_fish_too_short_for_a_tag_are_left_out_of_the_sample(pond: Pond) -> None:
    first, second = pond.survey(SPRING), pond.survey(LATER)
    for number in range(40):
        pond.fish(first, tag(number), length_mm=250.0 + number)
    for number in range(10):
        pond.fish(second, tag(number), length_mm=251.0 + number, tag_status="recapture")
    for length in (249.0, 120.0, 250.0, 400.0):
        pond.fish(second, length_mm=length)
    answer = bass(pond, "abundance", "chapman")
    assert counts(answer) == "40 marked, 12 scanned, 10 of these marked."
    assert "of 250 mm or longer" in answer.sentence
    given = bass(pond, "abundance", "chapman", {"least_tag_mm": {"largemouth_bass": 200.0}})
    assert counts(given) == "40 marked, 13 scanned, 10 of these marked."


def test_number_per_hectare_where_the_area_is_known(pond: Pond) -> None:
    marking(pond)
    number = bass(pond, "abundance", "chapman")
    per_ha = bass(pond, "abundance", "chapman.per_ha", {"area_ha": 4.0})
    assert number.value is not None
    assert per_ha.value == pytest.approx(number.value / 4)
    assert (per_ha.unit, per_ha.fish_ids) == ("fish/ha", number.fish_ids)


def test_few_recaptures_carry_the_measured_coverage(pond: Pond) -> None:
    marking(pond, again=5)
    assert "of 100 simulated surveys" in (bass(pond, "abundance", "chapman").measured_coverage or "")


def test_the_mark_that_counts_is_that_of_the_views_whichever_amendment_arrived_last(pond: Pond) -> None:
    fish = pond.fish(pond.survey(SPRING), marks=["RV"])
    pond.amend(fish, "mark", "LV", at="2026-05-03T08:00:00Z", journal="office-of-tests")
    pond.amend(fish, "mark", "none", at="2026-05-02T08:00:00Z")  # the station's, pulled later
    assert records(pond).notes.marks == {fish: frozenset({"lv"})}


def test_a_second_mark_of_an_earlier_year_shows_lost_tags(pond: Pond) -> None:
    first, second = pond.survey("2025-05-01"), pond.survey("2026-05-01")
    for number in range(40):
        pond.fish(first, tag(number), marks=["LV"])
    for number in range(18):
        pond.fish(second, tag(number), tag_status="recapture", marks=["LV"])
    pond.fish(second, marks=["LV"])  # no tag found
    pond.fish(second, tag(700), marks=["LV", "RV"])  # tagged anew
    for number in range(800, 810):
        pond.fish(second, tag(number), marks=["RV"])  # of this year
    facts = {"second_marks": {"2025": "lv", "2026": "RV"}}
    made = asked(pond, "abundance", facts)
    lost = made.answer("largemouth_bass.tag_loss")
    assert lost.value == pytest.approx(10.0)
    assert lost.n == 20
    plain, mended = (made.answer(f"largemouth_bass.{key}") for key in ("chapman", "chapman_with_loss"))
    assert plain.value is not None
    assert mended.value == pytest.approx(plain.value * 0.9, rel=0.02)


def test_marks_of_several_surveys_follow_each_fish_in_and_out_of_the_water(pond: Pond) -> None:
    days = ("2026-05-01", "2026-05-08", "2026-05-15", "2026-05-22")
    surveys = [pond.survey(day) for day in days]
    for number in range(30):
        pond.fish(surveys[0], tag(number))
    for number in range(10):  # two of them die, one escapes
        fate = "died" if number < 2 else "escaped" if number == 2 else "released"
        pond.fish(surveys[1], tag(number), tag_status="recapture", fate=fate)
    for number in range(2, 12):  # the escaped one is no recapture, but marked anew
        pond.fish(surveys[2], tag(number), tag_status="recapture")
    pond.prior(PriorRow(tag(20), "2026-05-18", "Mill Pond", "largemouth_bass", None, None, "kept"))
    for number in range(10, 20):
        pond.fish(surveys[3], tag(number), tag_status="recapture")
    made = asked(pond, "abundance")
    assert made.answer("largemouth_bass.schnabel").measured_coverage is None
    rows = a_table(made, "largemouth_bass.schnabel").rows
    assert [row[1:] for row in rows] == [(30, 0, 0), (10, 10, 30), (10, 9, 27), (10, 10, 27)]


def test_thin_marks_of_several_surveys_carry_the_measured_coverage(pond: Pond) -> None:
    for place, day in enumerate(("2026-05-01", "2026-05-08", "2026-05-15")):
        survey = pond.survey(day)
        for number in range(20):
            pond.fish(survey, tag(100 * place + number))
        for number in range(2 * place):
            pond.fish(survey, tag(number), tag_status="recapture")
    made = asked(pond, "abundance")
    for key in ("schnabel", "schumacher"):
        assert "of 100 simulated waters" in (made.answer(f"largemouth_bass.{key}").measured_coverage or "")


def test_surveys_far_apart_are_no_closed_water(pond: Pond) -> None:
    for year in (2023, 2024, 2025, 2026):
        survey = pond.survey(f"{year}-05-01")
        for number in range(30):
            pond.fish(survey, tag(number + 10 * (year - 2023)))
    pond.fish(survey, tag(12), tag_status="recapture")  # missed in 2025
    made = asked(pond, "abundance")
    assert made.answer("largemouth_bass.schnabel").refused == "1 survey within 60 days."
    assert "365 days lie between the surveys" in made.answer("largemouth_bass.chapman").cautions[-1]
    trusted = made.answer("largemouth_bass.jolly_seber")
    assert trusted.value is not None
    assert trusted.measured_coverage is None
    assert trusted.cautions == ()
    for year, seen in ((2027, 4), (2028, 6)):
        survey = pond.survey(f"{year}-05-01")
        for number in range(seen):
            pond.fish(survey, tag(number + 50), tag_status="recapture")
        pond.fish(survey)
    thin = asked(pond, "abundance").answer("largemouth_bass.jolly_seber")
    assert "fewer than 10 marked fish" in (thin.measured_coverage or "")
    assert thin.cautions[0].startswith("4 marked fish were caught then and 4 fish seen again later")


def test_surveys_within_two_months_count_once_for_survival(pond: Pond) -> None:
    for day in ("2024-05-01", "2024-05-15", "2025-05-01", "2026-05-01"):
        survey = pond.survey(day)
        for number in range(20):
            pond.fish(survey, tag(number))
    answer = bass(pond, "survival", "survival")
    assert "2024-05-15 to 2026-05-01" in answer.sentence
    assert answer.n == 40


@pytest.mark.parametrize("key", ["abundance", "survival"])
def test_no_tags_is_said_plainly(pond: Pond, key: str) -> None:
    pond.fish(pond.survey(SPRING), length_mm=300.0)
    (answer,) = asked(pond, key).answers
    assert answer.refused == f"No tagged fish up to {SPRING}."
    assert answer.wanted


# --- measures ---------------------------------------------------------------------------------------------------------


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


def test_a_scale_too_coarse_for_the_fish_makes_no_condition(pond: Pond) -> None:
    survey = pond.survey(SPRING)
    for _ in range(5):
        pond.fish(survey, length_mm=160.0, weight_g=60.0, division=50.0)
        pond.fish(survey, length_mm=160.0, weight_g=60.0, division=1.0)
    answer = bass(pond, "condition", "wr")
    assert answer.n == 5
    assert "5 too small for the step of the scale" in answer.cautions[-1]


def test_growth_is_told_from_files_of_other_stations_too(pond: Pond) -> None:
    survey = pond.survey("2026-05-01")
    for number in range(12):
        pond.fish(survey, tag(number), length_mm=330.0 + number, tag_status="recapture")
    pond.prior(
        *(
            PriorRow(tag(n), "2025-05-01", "Mill Pond", "largemouth_bass", 300.0 + n, 350.0, "released")
            for n in range(12)
        )
    )
    answer = bass(pond, "growth", "mm_per_year")
    assert answer.value == pytest.approx(30.0, rel=0.01)
    assert answer.n == 12
    assert len(answer.fish_ids) == 12
    assert any("name no length type" in one for one in answer.cautions)


def test_stocked_fish_of_known_age(pond: Pond) -> None:
    pond.species = "channel_catfish"
    for year, length in ((2023, 150.0), (2024, 210.0), (2025, 255.0), (2026, 290.0)):
        survey = pond.survey(f"{year}-06-01")
        for step in range(5):
            pond.fish(survey, length_mm=length + step, at=f"{year}-06-01T13:00:00Z")
    facts = {"stocking": [{"species": "channel_catfish", "on": "2022-05-20", "age_years": 1.0, "all": True}]}
    made = asked(pond, "growth", facts)
    rows = a_table(made, "channel_catfish.length_at_age").rows
    assert [row[0] for row in rows] == [2, 3, 4, 5]
    assert [row[2] for row in rows] == [152, 212, 257, 292]
    # mean lengths of Tuttle Creek Reservoir at ages 2 to 5, as the published table has them
    assert [row[5] for row in rows] == [145, 201, 257, 301]
    assert made.answer("channel_catfish.at_age.linf").value is not None


def test_published_lengths_are_told_at_the_age_that_the_fish_had(pond: Pond) -> None:
    # 1.9 years old, before their second birthday: 60 mm at age 1 and 145 at age 2 (Tuttle Creek) make 136 mm, not 60
    pond.species = "channel_catfish"
    survey = pond.survey("2023-04-14")
    for step in range(5):
        pond.fish(survey, length_mm=150.0 + step)
    facts = {"stocking": [{"species": "channel_catfish", "on": "2022-05-20", "age_years": 1.0, "all": True}]}
    (row,) = a_table(asked(pond, "growth", facts), "channel_catfish.length_at_age").rows
    assert row[0] == 1
    assert row[5] == pytest.approx(136.5)


def test_a_batch_mark_tells_a_stocking(pond: Pond) -> None:
    survey = pond.survey("2026-06-01")
    for step in range(6):
        pond.fish(survey, length_mm=200.0 + step, marks=["right pelvic clip"])
        pond.fish(survey, length_mm=400.0 + step)
    cohort = {"species": "largemouth_bass", "on": "2025-06-01", "age_years": 1.0, "mark": "Right pelvic clip"}
    answer = bass(pond, "growth", "length_at_age.2", {"stocking": [cohort]})
    assert answer.value == pytest.approx(202.5)
    assert answer.n == 6


def test_growth_of_different_length_types_is_not_compared(pond: Pond) -> None:
    first, second = pond.survey("2025-05-01"), pond.survey("2026-05-01")
    for number in range(12):
        pond.fish(first, tag(number), length_mm=300.0, length_type="FL" if number < 4 else "TL")
        pond.fish(second, tag(number), length_mm=330.0, tag_status="recapture")
    assert bass(pond, "growth", "mm_per_year").n == 8


def test_a_season_of_growth_is_found_where_there_are_fish_enough(pond: Pond) -> None:
    # growth only in the summer half of the year: (1 + sin) about the middle of the year, height near 1
    days = ("2024-01-15", "2024-04-15", "2024-07-15", "2024-10-15", "2025-01-15", "2025-07-15", "2025-10-15")
    surveys = [pond.survey(day) for day in days]
    rng = np.random.default_rng(4)

    def grown(start: float, t1: float, t2: float) -> float:
        def phase(t: float) -> float:
            return 0.95 * math.sin(2 * np.pi * (t - 0.55)) / (2 * np.pi)

        return float(start + (500 - start) * (1 - np.exp(-0.4 * (t2 - t1 + phase(t2) - phase(t1)))))

    years = [2024 + x for x in (0.04, 0.29, 0.54, 0.79)] + [2025 + x for x in (0.04, 0.54, 0.79)]
    for number in range(360):
        one, other = sorted(rng.choice(len(days), 2, replace=False))
        start = float(rng.uniform(150, 420))
        pond.fish(surveys[one], tag(number), length_mm=start)
        end = grown(start, years[one], years[other]) + float(rng.normal(0, 2))
        pond.fish(surveys[other], tag(number), length_mm=end, tag_status="recapture")
    made = asked(pond, "growth")
    season = made.answer("largemouth_bass.francis.season")
    assert season.value == pytest.approx(0.95, abs=0.15)
    assert "months into the year" in season.sentence
    assert made.answer("largemouth_bass.francis.k").value == pytest.approx(0.4, rel=0.1)


# --- runs -------------------------------------------------------------------------------------------------------------


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


# --- questions and words ----------------------------------------------------------------------------------------------


def test_cues_are_questions_with_the_range_cited_and_never_orders(pond: Pond) -> None:
    survey = pond.survey(SPRING)
    for place in range(60):
        pond.fish(survey, length_mm=220.0 if place < 54 else 320.0)
    made = asked(pond, "cues")
    low = made.answer("largemouth_bass.cue.psd")
    assert "It lies below the range." in low.sentence
    assert "Gabelhouse 1984" in low.source
    assert low.n == 60
    assert len(low.fish_ids) == 60
    for one in made.answers:
        assert "?" in one.sentence
        assert one.cautions[0].startswith("Local regulation")
        assert not {"must", "should", "remove", "harvest"} & set(one.sentence.lower().split())


@pytest.mark.parametrize(
    ("relative_weight", "says"),
    [(70, "severely thin by the range cited"), (79.5, "near severely thin"), (95, "as in normal populations"),
     (103, "above most populations"), (115, "fat.")],
)  # fmt: skip
def test_condition_is_laid_beside_the_range_cited(pond: Pond, relative_weight: float, says: str) -> None:
    known = BOOK.by_slug["largemouth_bass"].recommended
    assert known is not None
    ws_g = standard_weight_g(known, 300.0)
    assert ws_g is not None
    survey = pond.survey(SPRING)
    for place in range(30):
        pond.fish(survey, length_mm=300.0, weight_g=ws_g * (relative_weight + 4 * (place % 2) - 2) / 100)
    told = asked(pond, "cues").answer("largemouth_bass.cue.wr")
    assert says in told.sentence
    assert "Wright 2000" in told.source


def test_small_bass_and_large_bluegill_together_are_asked_about(pond: Pond) -> None:
    survey = pond.survey(SPRING)
    for place in range(60):
        pond.fish(survey, length_mm=220.0 if place < 52 else 320.0)
        pond.fish(survey, length_mm=120.0 if place < 8 else 170.0, species="bluegill")
    told = asked(pond, "cues").answer("cue.bass_and_bluegill")
    assert "Are bass so many that they are short of food" in told.sentence
    assert len(told.fish_ids) == 120


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


def test_a_range_that_the_limits_reach_is_not_left(pond: Pond) -> None:
    survey = pond.survey(SPRING)
    for place in range(12):
        pond.fish(survey, length_mm=220.0 if place < 8 else 320.0)
    told = asked(pond, "cues").answer("largemouth_bass.cue.psd").sentence
    assert "The limits reach into the range" in told


def test_inches_and_pounds_are_converted_in_values_tables_plots_and_sentences(pond: Pond) -> None:
    first, second = pond.survey("2025-05-01"), pond.survey("2026-05-01")
    for number in range(12):
        pond.fish(first, tag(number), length_mm=254.0 + 5 * number, weight_g=250.0)
        pond.fish(
            second, tag(number), length_mm=304.8 + 5 * number, weight_g=450.0 + number, tag_status="recapture"
        )
    metric, inch = (asked(pond, "growth", units=units) for units in ("metric", "inch_pound"))
    one, other = (made.answer("largemouth_bass.mm_per_year") for made in (metric, inch))
    assert one.value is not None
    assert one.interval is not None
    assert other.interval is not None
    assert (one.unit, other.unit) == ("mm per year", "in per year")
    assert other.value == pytest.approx(one.value / 25.4)
    assert other.interval.low == pytest.approx(one.interval.low / 25.4)
    assert "growth in length 2.00 in per year" in other.sentence
    row, same = (a_table(made, "largemouth_bass.growth").rows[0] for made in (metric, inch))
    assert same[2:4] == pytest.approx((float(row[2] or 0) / 25.4, float(row[3] or 0) / 25.4))
    drawn, redrawn = (made.plots[0] for made in (metric, inch))
    assert redrawn.x_unit == "in"
    assert redrawn.series[0].x[0] == pytest.approx(drawn.series[0].x[0] / 25.4)


# --- one fish ---------------------------------------------------------------------------------------------------------


def test_one_fish_against_the_others(pond: Pond) -> None:
    first, second = pond.survey("2025-05-01"), pond.survey("2026-05-01")
    for number in range(40):
        start = 200.0 + 6 * number
        pond.fish(first, tag(number), length_mm=start, weight_g=start**3 / 1e5)
        grown = (500 - start) * 0.3 + (number % 5 - 2)
        end = start + (2.0 if number == 7 else grown)
        pond.fish(second, tag(number), length_mm=end, weight_g=end**3 / 1e5, tag_status="recapture")
    made = fish_chapter(records(pond), BOOK, tag(7))
    assert made.answer("growth").value == pytest.approx(2.0)
    expected = made.answer("expected.fabens")
    assert expected.value == pytest.approx(242 + (500 - 242) * 0.3, abs=3)
    assert "seen 244 mm, shorter" in expected.sentence
    assert expected.n == 39
    assert not set(expected.fish_ids) & set(made.answer("captures").fish_ids)
    assert len(a_table(made, "captures").rows) == 2
    assert (
        fish_chapter(records(pond), BOOK, tag(8)).answer("expected.fabens").sentence.count("as expected") == 1
    )


def test_a_tag_that_nobody_knows(pond: Pond) -> None:
    pond.fish(pond.survey(SPRING))
    (answer,) = fish_chapter(records(pond), BOOK, tag(1)).answers
    assert answer.refused == f"No fish of these records bears the tag {tag(1)}."


# --- scope ------------------------------------------------------------------------------------------------------------


def test_several_waters_want_a_name(pond: Pond) -> None:
    pond.fish(pond.survey(SPRING))
    other = Pond(pond.store, water="Heron Lake", _n=100_000)
    other.fish(other.survey(SPRING))
    other.save()
    with pytest.raises(NoSuchScopeError, match=r"name one of Heron Lake, Mill Pond\."):
        records(pond)
    assert records(pond, water="mill pond").water == "Mill Pond"
    with pytest.raises(NoSuchScopeError, match="give one of Heron Lake, Mill Pond"):
        records(pond, water="Lost Lake")
    with pytest.raises(
        NoSuchScopeError, match="There is no bluegill in these surveys: give one of largemouth_bass"
    ):
        records(pond, water="Mill Pond", species="bluegill")


def test_a_survey_is_read_with_the_earlier_ones_of_its_water(pond: Pond) -> None:
    surveys = [pond.survey(f"{year}-05-01") for year in (2023, 2024, 2025, 2026)]
    for one in surveys:
        pond.fish(one)
    assert [one.name for one in records(pond, survey=surveys[1]).occasions] == ["2023-05-01", "2024-05-01"]
    assert [one.name for one in records(pond, years=(2024, 2025)).occasions] == ["2024-05-01", "2025-05-01"]


def test_a_survey_without_a_water_stands_for_itself(pond: Pond) -> None:
    pond.fish(pond.survey(SPRING))
    loose = pond.survey(LATER, survey_id="loose", water=None)
    pond.fish(loose)
    found = records(pond, survey="loose")
    assert found.water is None
    assert len(found.fish) == 1
    assert chapter(found, BOOK, "quality").answer("provisional").value == 1


def test_an_empty_database_is_answered_by_refusals(pond: Pond) -> None:
    made = all_chapters(records(pond), BOOK)
    assert [one.key for one in made] == [*(key for key in CHAPTERS if key != "quality"), "cues", "quality"]
    for one in made:
        assert one.answers
        assert all(answer.refused and answer.wanted for answer in one.answers), one.key


# --- the file of the waters -------------------------------------------------------------------------------------------


def test_the_example_of_the_waters_file_is_valid() -> None:
    facts = load_waters(shipped_config() / "waters" / "example.toml").facts("MILL POND")
    assert facts.area_ha == 3.2
    assert facts.second_marks == {"2025": "LV", "2026": "RV"}
    assert facts.stocking[0].all


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('[water."A"]\narea_ha = 0', "area_ha"),
        ('[water."A"]\nsecond_marks = { 2025 = "LV", 2026 = "lv" }', "gives two years one mark"),
        ('[water."A"]\nsecond_marks = { spring = "LV" }', "give the year of the tagging"),
        (
            '[[water."A".stocking]]\nspecies = "bluegill"\non = 2025-05-01',
            "how are these fish known from others?",
        ),
        ('[water."A"]\nacres = 3', "acres"),
    ],
)
def test_a_mistake_in_the_waters_file_is_named_with_its_line(tmp_path: Path, text: str, says: str) -> None:
    path = tmp_path / "waters.toml"
    path.write_text(text)
    with pytest.raises(ConfigError, match=says) as refused:
        load_waters(path)
    assert "waters.toml, line" in str(refused.value)


# --- gear -------------------------------------------------------------------------------------------------------------


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


# --- what an owner is told first ----------------------------------------------------------------------------------------


def test_psd_of_a_handful_of_fish_is_no_headline(pond: Pond) -> None:
    survey = pond.survey(SPRING)
    for _ in range(9):
        pond.fish(survey, length_mm=350.0)
    assert not bass(pond, "structure", "psd").headline
    pond.fish(survey, length_mm=350.0)
    assert bass(pond, "structure", "psd").headline


@pytest.mark.parametrize(("last", "headline"), [("2026-06-10", False), ("2027-05-01", True)])
def test_growth_over_weeks_is_told_but_is_no_headline(pond: Pond, last: str, headline: bool) -> None:
    first, then = pond.survey(SPRING), pond.survey(last)
    for number in range(12):
        pond.fish(first, tag(number), length_mm=250.0 + number)
        pond.fish(then, tag(number), length_mm=262.0 + 1.2 * number, tag_status="recapture")
    answer = bass(pond, "growth", "mm_per_year")
    assert answer.value is not None
    assert answer.headline is headline
