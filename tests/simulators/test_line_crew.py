"""The virtual two-person crew: its truth, its mistakes, its pace."""

from itertools import pairwise
from math import log
from statistics import stdev

import pytest

from simulators.crew import BASS
from simulators.day import Deed, render
from simulators.line_crew import MOST_BETWEEN, NO_MISTAKES, LineCrew, LineMistakes, work_line
from simulators.truth import WorkedDay


@pytest.fixture(scope="module")
def busy() -> WorkedDay:
    return work_line(LineCrew(), 5, 1500)


def test_the_same_seed_gives_the_same_day() -> None:
    assert work_line(LineCrew(), 4, 20) == work_line(LineCrew(), 4, 20)
    assert work_line(LineCrew(), 4, 20) != work_line(LineCrew(), 5, 20)


def test_lengths_have_the_spread_that_was_asked_for(busy: WorkedDay) -> None:
    assert 0.18 < stdev(log(one.length_mm) for one in busy.fish) < 0.22
    assert {one.species for one in busy.fish} == {BASS.species}


def test_every_mistake_happens_about_as_often_as_asked(busy: WorkedDay) -> None:
    for name in ("skipped_weighing", "weighed_twice", "measured_again"):
        share = sum(name in one.mistakes for one in busy.fish) / len(busy.fish)
        assert getattr(LineMistakes(), name) / 2 < share < 2 * getattr(LineMistakes(), name), name
    assert {name for one in busy.fish for name in one.mistakes} == set(LineMistakes.__dataclass_fields__)


def test_what_was_said_of_a_fish_shows_its_mistakes(busy: WorkedDay) -> None:
    for one in busy.fish:
        kinds = [said.kind for said in one.said]
        unweighed = bool({"skipped_weighing", "jumped"} & set(one.mistakes))
        assert kinds.count("weight") == (0 if unweighed else 2 if "weighed_twice" in one.mistakes else 1)
        again = ("measured_again" in one.mistakes) + ("measured_again_unsaid" in one.mistakes)
        assert kinds.count("length") == 1 + again
        assert kinds.count("tag") == (one.tag is not None)
        assert (one.fate == "escaped") == ("jumped" in one.mistakes)


def test_fish_come_to_the_scale_in_the_order_of_measuring_but_for_the_swapped(busy: WorkedDay) -> None:
    times = [next((s.t_s for s in one.said if s.kind == "weight"), None) for one in busy.fish]
    known = [(one, t_s) for one, t_s in zip(busy.fish, times, strict=True) if t_s is not None]
    early = [one for (one, t_s), (_, next_s) in pairwise(known) if next_s < t_s]
    assert early
    assert all("swapped" in one.mistakes for one in early)


def test_only_a_few_fish_lie_between_the_two_people() -> None:
    fish = work_line(LineCrew(mistakes=NO_MISTAKES), 2, 80).fish
    for index, one in enumerate(fish):
        measured_s = next(said.t_s for said in one.said if said.kind == "length")
        between = [other for other in fish[:index] if other.to_s > measured_s]
        assert len(between) <= MOST_BETWEEN


def test_both_people_work_at_once_and_each_instrument_says_what_they_did() -> None:
    worked = work_line(LineCrew(mistakes=NO_MISTAKES), 3, 30)
    acts = worked.day.acts
    assert [act.t_s for act in acts] == sorted(act.t_s for act in acts)
    said = [item.instrument for item in render(worked.day)]
    assert said.count("scale") == 30
    assert said.count("board") == 30
    assert sum(act.deed is Deed.SCAN for act in acts) == 30
