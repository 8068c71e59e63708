from dataclasses import replace
from math import log10
from statistics import mean, stdev

import pytest

from simulators.crew import BASS, BLUEGILL, CRAPPIE, Crew, Mistakes, work
from simulators.day import Deed
from simulators.truth import WorkedDay

FAULTLESS = Mistakes(0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0)


@pytest.fixture(scope="module")
def busy() -> WorkedDay:
    return work(Crew(foreign=0.05, stocks=(BASS, BLUEGILL, CRAPPIE)), 11, 1500)


def test_fish_have_the_length_weight_relation_of_their_species(busy: WorkedDay) -> None:
    for stock in (BASS, BLUEGILL, CRAPPIE):
        fish = [one for one in busy.fish if one.species == stock.species]
        assert len(fish) > 200
        off = [
            log10(one.weight_g) - stock.log10_a - stock.b * log10(one.length_mm) - log10(stock.wr / 100)
            for one in fish
        ]
        assert abs(mean(off)) < 0.01
        assert 0.04 < stdev(off) < 0.06
        assert all(stock.shortest_mm <= one.length_mm <= stock.longest_mm for one in fish)


def test_tags_come_from_where_they_are_said_to_come_and_from_one_fish_only(busy: WorkedDay) -> None:
    tags = [fish.tag for fish in busy.fish if fish.tag]
    assert len(tags) == len(set(tags))
    earlier = {row.tag for row in busy.history}
    kinds = {"new": 0, "recapture": 0, "foreign": 0, "none": 0}
    for fish in busy.fish:
        kinds[fish.tag_kind] += 1
        assert (fish.tag in busy.inventory) == (fish.tag_kind == "new")
        assert (fish.tag in earlier) == (fish.tag_kind == "recapture")
        assert (fish.tag is None) == (fish.tag_kind == "none")
    assert all(count > 20 for count in kinds.values())
    assert not set(busy.cards.values()) & (set(tags) | set(busy.inventory) | earlier)


def test_every_mistake_happens_about_as_often_as_asked(busy: WorkedDay) -> None:
    asked = Mistakes()
    for name in ("missed_scan", "measured_again", "double_press", "missed_weighing"):
        share = sum(name in fish.mistakes for fish in busy.fish) / len(busy.fish)
        assert getattr(asked, name) / 2 < share < getattr(asked, name) * 2, name
    seen = {name for fish in busy.fish for name in fish.mistakes}
    assert seen == set(Mistakes.__dataclass_fields__)


def test_a_fish_takes_a_human_time(busy: WorkedDay) -> None:
    times = [fish.to_s - fish.from_s for fish in busy.fish if not fish.mistakes]
    assert min(times) > 7
    assert max(times) < 30
    assert 10 < mean(times) < 20


@pytest.mark.parametrize(("tags", "first", "last"), [("first", "tag", "weight"), ("last", "length", "tag")])
def test_a_faultless_crew_says_each_value_once_in_its_order(tags: str, first: str, last: str) -> None:
    crew = Crew(tags=tags, inserted_last=0, untagged=0, mistakes=FAULTLESS, stocks=(BASS,))  # type: ignore[arg-type]
    worked = work(crew, 5, 100)
    orders = [[one.kind for one in fish.said] for fish in worked.fish if fish.tag]
    assert all(sorted(order) == ["length", "tag", "weight"] for order in orders)
    assert sum(order[0] == first and order[-1] == last for order in orders) > 70
    assert all((order[0] == "tag") == (tags == "first") for order in orders)


def test_a_record_belongs_to_the_fish_whose_values_it_has_and_a_mixture_to_none(busy: WorkedDay) -> None:
    complete = [
        (fish, {one.kind: one for one in fish.said})
        for fish in busy.fish
        if fish.tag and len({one.kind for one in fish.said}) == 3
    ]
    for fish, said in complete[:100]:
        assert fish in busy.owners(fish.tag, said["length"].value, said["weight"].value + 0.1)
    (one, _), (_, other) = complete[0], complete[1]
    assert not busy.owners(one.tag, other["length"].value, other["weight"].value)


def test_what_a_hand_or_a_neighbour_said_is_no_value_of_the_fish() -> None:
    crew = Crew(mistakes=replace(FAULTLESS, foreign_tag=0.5, wet_hands=0.5))
    for fish in work(crew, 2, 60).fish:
        assert all(one.tag == fish.tag for one in fish.said if one.kind == "tag")
        assert all(abs(one.value - fish.length_mm) < 12 for one in fish.said if one.kind == "length")


def test_a_crew_without_cards_shows_none_and_one_with_cards_does() -> None:
    for cards in (False, True):
        worked = work(Crew(cards=cards), 3, 60)
        scanned = {act.text for act in worked.day.acts if act.deed is Deed.SCAN}
        assert bool(scanned & set(worked.cards.values())) == cards
