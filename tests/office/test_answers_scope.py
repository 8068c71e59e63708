"""Which surveys are read, one fish against the others, and the file of the waters."""

from pathlib import Path

import pytest

from ingest.shipped import shipped_config
from ingest.toml_file import ConfigError
from office.answers.compose import CHAPTERS, all_chapters, chapter, fish_chapter
from office.answers.reading import NoSuchScopeError
from office.answers.waters import load_waters
from tests.office.asking import BOOK, LATER, SPRING, a_table, records
from tests.office.ponds import Pond, tag


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
