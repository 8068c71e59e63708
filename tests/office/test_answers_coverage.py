"""How often the limits hold the truth when surveys are simulated, written into a database, read and answered.

The functions have such tests of their own; this one holds the whole path: what counts as marked, scanned, stock length,
an hour of effort, a pass. Two hundred waters lie in one file.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from numpy.random import Generator

from fishery.abundance import chapman
from fishery.answers import Interval, Refused
from fishery.catch import catch_rate
from fishery.histories import summarize
from fishery.open_population import jolly_seber
from fishery.removal import removal
from fishery.schnabel import schnabel, schumacher_eschmeyer
from ingest.shipped import shipped_config
from ingest.species import SpeciesBook, load_species
from ingest.store import Store
from office.answers import measured
from office.answers.compose import chapter
from office.answers.reading import read_records
from tests.fishery.covering import SURVEYS, assert_no_less, assert_nominal
from tests.office.ponds import Pond, tag

SPECIES = "largemouth_bass"


@dataclass(frozen=True)
class Question:
    """One answer of a simulated water: its chapter and key, and what is true."""

    chapter: str
    key: str
    truth: float


Draw = Callable[[Generator, Pond, int], list[Question]]


@cache
def book() -> SpeciesBook:
    return load_species(shipped_config() / "species")


def shares(folder: Path, surveys: int, seed: int, draw: Draw) -> list[float]:
    """Share of the waters whose limits hold the truth, one for each question; refusals in one of ten at the most."""
    known = book()
    questions: list[list[Question]] = []
    with Store.open(folder / "waters.sqlite") as store:
        for number in range(surveys):
            pond = Pond(store, water=f"Pond {number}", _n=100_000 * number)
            questions.append(draw(np.random.default_rng((seed, number)), pond, number))
            pond.save()
        held: list[list[bool]] = [[] for _ in questions[0]]
        for number, asked in enumerate(questions):
            records = read_records(store.connection, water=f"Pond {number}")
            made = {key: chapter(records, known, key) for key in {one.chapter for one in asked}}
            for place, one in enumerate(asked):
                answer = made[one.chapter].answer(one.key)
                if answer.refused is None:
                    assert isinstance(answer.interval, Interval), one.key
                    held[place].append(answer.interval.holds(one.truth))
    assert all(len(one) >= 0.9 * surveys for one in held)
    return [sum(one) / len(one) for one in held]


def marking(rng: Generator, pond: Pond, number: int) -> list[Question]:
    """400 fish, each caught with probability 0.25 on either survey; some of the second nobody scans, three die."""
    fish, truth = np.arange(400), 400
    first, second = pond.survey("2026-05-01"), pond.survey("2026-05-15")
    marked = fish[rng.random(400) < 0.25]
    start = 1000 * number
    for one in marked:
        pond.fish(first, tag(start + int(one)))
    caught = fish[rng.random(400) < 0.25]
    for one in caught:
        if rng.random() < 0.05:
            pond.fish(second, tag_status="not_scanned")
        elif one in marked:
            pond.fish(second, tag(start + int(one)), tag_status="recapture")
        else:
            pond.fish(second)
    return [Question("abundance", f"{SPECIES}.chapman", truth)]


def sizing(rng: Generator, pond: Pond, number: int) -> list[Question]:
    """Sixty fish: 45 of 100 of quality length, weights about a relative weight of 92, none near a category's end."""
    equation = book().by_slug[SPECIES].recommended
    assert equation is not None
    survey = pond.survey("2026-05-01")
    for _ in range(60):
        length = float(rng.uniform(301, 500) if rng.random() < 0.45 else rng.uniform(201, 299))
        weight = 10 ** (equation.log10_a + equation.b * np.log10(length)) * rng.normal(0.92, 0.08)
        pond.fish(survey, length_mm=length, weight_g=float(weight))
    return [Question("condition", f"{SPECIES}.wr", 92.0), Question("structure", f"{SPECIES}.psd", 45.0)]


def runs(rng: Generator, pond: Pond, number: int) -> list[Question]:
    """Twelve runs of ten minutes that catch 8 fish in the mean, clumped; a few more fish are of later passes."""
    survey = pond.survey("2026-05-01")
    for run_no, fish in enumerate(rng.negative_binomial(4, 4 / (4 + 8.0), size=12), 1):
        pond.run(survey, run_no, 600.0, pass_no=1)
        pond.run(survey, run_no + 20, 600.0, pass_no=2)
        for _ in range(int(fish)):
            pond.fish(survey, run_no=run_no)
        pond.count(survey, 3, run_no=run_no + 20)
    return [Question("catch", f"{SPECIES}.cpue", 48.0)]


def passes(rng: Generator, pond: Pond, number: int) -> list[Question]:
    """120 fish in three areas, half of those left caught in each of three passes; half of them in counts."""
    survey = pond.survey("2026-05-01")
    left, run_no = np.array([40, 40, 40]), 0
    for pass_no in (1, 2, 3):
        for area in range(3):
            run_no += 1
            caught = int(rng.binomial(left[area], 0.5))
            left[area] -= caught
            pond.run(survey, run_no, 600.0, pass_no=pass_no, area=f"area {area}")
            for _ in range(caught // 2):
                pond.fish(survey, run_no=run_no, fate="removed")
            if caught - caught // 2:
                pond.count(survey, caught - caught // 2, run_no=run_no, fate="removed")
    return [
        Question("removal", f"{SPECIES}.passes", 120.0),
        Question("removal", f"{SPECIES}.passes_left", float(left.sum())),
    ]


@SURVEYS
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("draw", [marking, runs, passes])
def test_limits_hold_the_truth_as_often_as_they_say(tmp_path: Path, surveys: int, draw: Draw) -> None:
    assert_nominal(shares(tmp_path, surveys, 101, draw), surveys)


@SURVEYS
@pytest.mark.timeout(3600)
def test_limits_of_sizes_hold_the_truth(tmp_path: Path, surveys: int) -> None:
    # the exact limits of a share hold it at least as often as they say
    condition, share = shares(tmp_path, surveys, 102, sizing)
    assert_nominal([condition], surveys)
    assert_no_less([share], surveys)


# --- outside the range that the sources recommend: what is printed with the answer -------------------------------------


def held_percent(intervals: list[Interval], truth: float) -> float:
    return 100 * sum(one.holds(truth) for one in intervals) / len(intervals)


@pytest.mark.long
def test_the_sentence_on_few_recaptures_is_what_is_measured() -> None:
    rng = np.random.default_rng(6)
    found = []
    for n, m, c in (
        (1000, 60, 80), (1000, 70, 50), (500, 40, 60), (300, 40, 40), (2000, 100, 80), (500, 80, 30), (200, 30, 30),
        (1000, 30, 150),
    ):  # fmt: skip
        answers = [chapman(m, c, int(r)) for r in rng.hypergeometric(m, n - m, c, size=20_000)]
        found.append(held_percent([one.interval for one in answers if not isinstance(one, Refused)], n))
    assert min(found) >= 87
    assert max(found) <= 97
    assert "87 to 97 of 100" in measured.CHAPMAN_FEW


@pytest.mark.long
def test_the_sentence_on_few_recaptures_of_several_surveys_is_what_is_measured() -> None:
    rng = np.random.default_rng(9)
    found = []
    for n, p, k in ((500, 0.03, 4), (1000, 0.02, 4), (300, 0.05, 3), (400, 0.03, 5), (800, 0.02, 6)):
        intervals: dict[str, list[Interval]] = {"schnabel": [], "schumacher": []}
        for _ in range(2000):
            marked = np.zeros(n, dtype=np.bool_)
            examined, recaptured, at_large = [], [], []
            for _ in range(k):
                caught = rng.random(n) < p
                examined.append(int(caught.sum()))
                recaptured.append(int((caught & marked).sum()))
                at_large.append(int(marked.sum()))
                marked |= caught
            for name, method in (("schnabel", schnabel), ("schumacher", schumacher_eschmeyer)):
                answer = method(examined, recaptured, at_large)
                if not isinstance(answer, Refused):
                    intervals[name].append(answer.interval)
        found += [held_percent(one, n) for one in intervals.values()]
    assert min(found) >= 98
    assert "98 to 100 of 100" in measured.SCHNABEL_FEW


@pytest.mark.long
def test_the_sentence_on_few_marked_fish_of_an_open_water_is_what_is_measured() -> None:
    rng = np.random.default_rng(10)
    found = []
    for n, p, survival, k in (
        (200, 0.15, 0.7, 5),
        (150, 0.2, 0.6, 5),
        (100, 0.25, 0.7, 6),
        (300, 0.12, 0.7, 6),
    ):
        held = []
        for _ in range(500):
            seen = np.zeros((n * (k + 2), k), dtype=np.bool_)
            alive, born, numbers = np.arange(n), n, []
            for t in range(k):
                numbers.append(len(alive))
                seen[alive[rng.random(len(alive)) < p], t] = True
                alive = alive[rng.random(len(alive)) < survival]
                joined = int(rng.poisson(n * (1 - survival)))
                alive = np.concatenate([alive, np.arange(born, born + joined)])
                born += joined
            answer = jolly_seber(summarize(seen[seen.any(axis=1)]))
            if not isinstance(answer, Refused):
                held += [
                    one.number.interval.holds(numbers[one.index])
                    for one in answer.occasions
                    if one.number and one.number.interval and min(one.marked_caught, one.seen_again) < 10
                ]
        found.append(100 * sum(held) / len(held))
    assert min(found) >= 88
    assert max(found) <= 95
    assert "88 to 95 of 100" in measured.JOLLY_FEW


@pytest.mark.long
def test_the_sentence_on_few_removed_fish_is_what_is_measured() -> None:
    rng = np.random.default_rng(7)
    found = []
    for n, p, k in (
        (20, 0.5, 3),
        (30, 0.5, 3),
        (30, 0.35, 3),
        (45, 0.5, 3),
        (60, 0.5, 2),
        (100, 0.5, 2),
        (180, 0.4, 2),
    ):
        intervals = []
        for _ in range(4000):
            left, catches = n, []
            for _ in range(k):
                catches.append(int(rng.binomial(left, p)))
                left -= catches[-1]
            answer = removal(catches)
            if not isinstance(answer, Refused):
                intervals.append(answer.interval)
        found.append(held_percent(intervals, n))
    assert min(found) >= 90
    assert max(found) <= 96
    assert "90 to 96 of 100" in measured.REMOVAL_FEW


@pytest.mark.long
def test_the_sentence_on_few_runs_is_what_is_measured() -> None:
    rng = np.random.default_rng(8)
    found = []
    for many in range(2, 8):
        for clumping in (1.0, 4.0):
            catches = rng.negative_binomial(clumping, clumping / (clumping + 8.0), size=(4000, many))
            answers = [catch_rate(one, np.full(many, 600.0)) for one in catches]
            intervals = [
                one.interval for one in answers if not isinstance(one, Refused) and one.interval is not None
            ]
            found.append(held_percent(intervals, 48.0))
    assert min(found) >= 92
    assert max(found) <= 97
    assert "92 to 97 of 100" in measured.CPUE_FEW
