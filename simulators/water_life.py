"""The animals of an invented water: they join, grow, lose tags, die, and swim into the current. The same for a seed."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from random import Random

from ingest.records import PriorCapture
from simulators.water_plan import Plan, Population


@dataclass(slots=True)
class Animal:
    """One animal. `born` is in years (2020.5), `known_by` the id under which the records know it."""

    number: int
    stock: Population
    born: float
    linf_mm: float
    tag: str | None = None
    known_by: str | None = None
    second_mark: bool = False
    stocked: bool = False
    alive: bool = True
    last: PriorCapture | None = None

    def length_mm(self, year: float) -> float:
        age = year - self.born
        return self.linf_mm * (1 - math.exp(-self.stock.k_per_year * (age - self.stock.t0_years)))


class Life:
    """All animals of a water, and what time does to them."""

    def __init__(self, plan: Plan, rng: Random) -> None:
        self._plan, self._rng = plan, rng
        self._born = 0
        self.animals: list[Animal] = []
        self.tags_lost = {one.species: 0 for one in plan.populations}
        for stock in plan.populations:
            for _ in range(stock.animals):
                # Ages as mortality leaves them: each year's class is the one before times the survival.
                age = stock.first_age
                while age < 25 and rng.random() < stock.survival:
                    age += 1
                self._join(stock, plan.first_year - age)

    def turn_of_year(self, year: int) -> None:
        """Some die, some lose their tag, the young join."""
        rng = self._rng
        for animal in self.animals:
            animal.alive = animal.alive and rng.random() < animal.stock.survival
            if animal.tag is not None and animal.stock.tag_loss and rng.random() < animal.stock.tag_loss:
                animal.tag = animal.known_by = animal.last = None
                if animal.alive:
                    self.tags_lost[animal.stock.species] += 1
        self.animals = [animal for animal in self.animals if animal.alive]
        for stock in self._plan.populations:
            for _ in range(stock.recruits):
                self._join(stock, year - stock.first_age)

    def stock(self, on: date) -> None:
        """Fish of one length from a hatchery, each population's own."""
        for stock in self._plan.populations:
            age = stock.t0_years - math.log(1 - stock.stocked_mm / stock.linf_mm) / stock.k_per_year
            for _ in range(stock.stocked):
                self._join(stock, year_of(on) - age)
                self.animals[-1].stocked = True

    def caught(self, at: date) -> Iterator[tuple[int, int, list[Animal]]]:
        """The animals of one survey by pass and area (both from 1), in the order in which the crew gets them.

        Each animal keeps to one area for the survey, and one that was caught is not met again: it waits in the live well
        until the last pass, or is gone.
        """
        rng, plan = self._rng, self._plan
        places: list[list[list[Animal]]] = [[[] for _ in range(plan.areas)] for _ in range(plan.passes)]
        areas, weights = range(plan.areas), _weights(plan, rng)
        self.animals = [animal for animal in self.animals if animal.alive]
        for animal in self.animals:
            for number in range(plan.passes):
                if rng.random() < animal.stock.capture:
                    area = rng.choices(areas, cum_weights=weights)[0]
                    places[number][area].append(animal)
                    break
        for number, by_area in enumerate(places, 1):
            for area, animals in enumerate(by_area, 1):
                rng.shuffle(animals)
                yield number, area, animals

    def _join(self, stock: Population, born: float) -> None:
        self._born += 1
        linf = self._rng.gauss(stock.linf_mm, stock.linf_sd_mm)
        self.animals.append(Animal(self._born, stock, born, linf))


def _weights(plan: Plan, rng: Random) -> Sequence[float]:
    """Cumulative shares of the areas; gamma with mean 1 and the plan's CV."""
    shape = 1 / plan.unevenness**2 if plan.unevenness else 0.0
    total, sums = 0.0, []
    for _ in range(plan.areas):
        total += rng.gammavariate(shape, 1 / shape) if shape else 1.0
        sums.append(total)
    return sums


def year_of(day: date) -> float:
    """The day as a number of years, 2024-07-02 as 2024.5."""
    return day.year + (day.timetuple().tm_yday - 1) / 365.25
