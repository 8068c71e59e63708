"""Which fish count as marked, scanned and seen again: number of fish and survival."""

import pytest

from ingest.store import PriorRow
from office.answers.compose import chapter
from office.answers.model import Answer
from office.answers.reading import NoSuchScopeError
from tests.office.asking import BOOK, LATER, SPRING, a_table, asked, bass, records
from tests.office.ponds import Pond, tag


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


def test_what_the_data_say_of_closure_and_lost_tags_stands_beside_the_assumption(pond: Pond) -> None:
    first, second = pond.survey("2025-05-01"), pond.survey("2026-05-01")
    for number in range(40):
        pond.fish(first, tag(number), marks=("left pelvic clip",))
    for number in range(12):
        pond.fish(second, tag(number), tag_status="recapture", marks=("left pelvic clip",))
    for place in range(20):
        pond.fish(second, marks=("left pelvic clip",) if place < 4 else ())
    made = asked(pond, "abundance", {"second_marks": {"2025": "left pelvic clip"}})
    said = {row[0]: row[1:] for row in a_table(made, "largemouth_bass.assumptions").rows}
    assert said["No fish came in, left, died or grew into the size between the surveys."] == (
        "365 days lie between the surveys.",
        "doubtful",
    )
    assert said["No fish lost its mark."] == ("25 % of the tags were lost, as 16 fish tell.", "doubtful")


def test_a_fish_without_a_length_leaves_the_others_to_tell_whether_sizes_are_caught_alike(pond: Pond) -> None:
    first, second = pond.survey(SPRING), pond.survey(LATER)
    for number in range(40):
        pond.fish(first, tag(number), length_mm=250.0 + number)
    for number in range(20):
        pond.fish(second, tag(number), length_mm=250.0 + 10 * number, tag_status="recapture")
    for number in range(20):
        pond.fish(second, length_mm=255.0 + 10 * number if number else None)
    rows = a_table(asked(pond, "abundance"), "largemouth_bass.assumptions").rows
    assert "chi-square" in str(rows[0][1])
