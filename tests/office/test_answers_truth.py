"""A pond with everything in it, invented with known truth: the answers come near it, and their limits hold it."""

from collections.abc import Iterator

import pytest

from fishery.answers import Interval
from ingest.shipped import shipped_config
from ingest.species import load_species
from ingest.store import Store
from office.answers.compose import all_chapters
from office.answers.model import Answer, Chapter
from office.answers.reading import read_records
from simulators.water_plan import Truth
from simulators.waters import BASS, MILL_POND, write_water

BOOK = load_species(shipped_config() / "species")


@pytest.fixture(scope="module")
def pond(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Truth, dict[str, Chapter]]]:
    with Store.open(tmp_path_factory.mktemp("pond") / "pond.sqlite") as store:
        truth = write_water(store, MILL_POND, 7)
        yield truth, {one.key: one for one in all_chapters(read_records(store.connection), BOOK)}


def near(answer: Answer, truth: float, widths: float = 1.0) -> None:
    """Within the limits, or within so many of their widths: one seed, one draw."""
    assert isinstance(answer.interval, Interval), answer.sentence
    middle = (answer.interval.low + answer.interval.high) / 2
    assert abs(truth - middle) <= widths * answer.interval.width, (truth, answer.sentence)


def test_number_of_bass_on_the_last_survey(pond: tuple[Truth, dict[str, Chapter]]) -> None:
    truth, made = pond
    alive = truth.occasions[-2].stocks["largemouth_bass"].alive
    near(made["abundance"].answer("largemouth_bass.chapman"), alive)


def test_numbers_of_the_years_between(pond: tuple[Truth, dict[str, Chapter]]) -> None:
    truth, made = pond
    alive = truth.occasions[-4].stocks["largemouth_bass"].alive
    near(made["abundance"].answer("largemouth_bass.jolly_seber"), alive)


def test_survival_less_the_tags_lost(pond: tuple[Truth, dict[str, Chapter]]) -> None:
    # a fish that lost its tag looks like a dead one
    near(
        made := pond[1]["survival"].answer("largemouth_bass.survival"),
        100 * BASS.survival * (1 - BASS.tag_loss),
    )
    assert made.n > 1000


def test_condition_growth_and_removal(pond: tuple[Truth, dict[str, Chapter]]) -> None:
    truth, made = pond
    near(made["condition"].answer("largemouth_bass.wr"), truth.mean_wr["largemouth_bass"], widths=1.5)
    # individual fish differ in Linf, so Fabens is biased: a tenth is asked for
    assert made["growth"].answer("largemouth_bass.francis.linf").value == pytest.approx(
        BASS.linf_mm, rel=0.05
    )
    assert made["growth"].answer("largemouth_bass.francis.k").value == pytest.approx(BASS.k_per_year, rel=0.1)
    removed = truth.occasions[-1].stocks["common_carp"].removed
    assert made["removal"].answer("common_carp.removed").value == removed


def test_every_number_names_its_fish_formula_and_source(pond: tuple[Truth, dict[str, Chapter]]) -> None:
    for one in pond[1].values():
        for answer in one.answers:
            if answer.refused is None:
                assert answer.formula, answer.key
                assert answer.source, answer.key
