"""The records that answers are made from: arrays over fish, and the surveys, runs and batches that they belong to.

`reading.py` fills them from a database once; every chapter is a pure function of them.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from office.answers.waters import WaterFacts

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]
Texts = NDArray[np.object_]

NOT_EXAMINED = "not_scanned"
RELEASED = "released"
OUT_OF_WATER = ("removed", "kept", "died")
"""Fates of fish that are in the water no more; an escaped fish is, but nobody knows in what state or with what tag."""


@dataclass(frozen=True, slots=True)
class Survey:
    """occasion: index of the occasion that it is part of; year: decimal date (2026.42)."""

    survey_id: str
    name: str
    station: str
    opened_at: str
    year: float
    occasion: int
    provisional: bool


@dataclass(frozen=True, slots=True)
class Occasion:
    """One time that the water was worked: one survey, or several that opened within half a day (two stations, one trip).

    name: for sentences and axes, unique in its records ("2026-05-12").
    """

    index: int
    name: str
    year: float
    day_of_year: int
    surveys: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Run:
    """survey, occasion: indices. seconds: of current-on time, None where the crew did not say. conductivity: ambient."""

    survey: int
    occasion: int
    run_no: int
    seconds: float | None
    pass_no: int | None
    area: str
    gear: str
    settings: str
    water_c: float | None
    conductivity_us_per_cm: float | None

    @property
    def name(self) -> str:
        return f"run {self.run_no}" + (f", {self.area}" if self.area else "")


@dataclass(frozen=True, slots=True)
class Batch:
    """Fish that nobody worked up one by one. run: index or -1. lengths_mm: of a subsample."""

    batch_id: str
    survey: int
    occasion: int
    run: int
    species: str
    n: int
    total_weight_g: float | None
    lengths_mm: tuple[float, ...]
    fate: str


@dataclass(frozen=True, slots=True)
class Prior:
    """A capture known from elsewhere (another station, an earlier year), of an animal of these records."""

    animal: int
    year: float
    at: str
    species: str
    length_mm: float
    weight_g: float
    fate: str
    water: str


@dataclass(frozen=True, slots=True, eq=False)
class Fish:
    """One entry for each fish record that is not void, in the order of the working-up; all arrays of shape (fish,).

    survey, occasion, run: indices (run -1: none). year: decimal date, NaN if its time is unreadable. species: slug or
    "". length_mm, weight_g: NaN where missing, or in doubt: named by a serious finding that nobody settled, measured
    again or amended. length_type: "TL", "FL", "SL" or "". unit: "in" where it was measured in inches, else "mm".
    division_g: step of the scale, 0 unknown. animal: index of the animal, -1 without a (trusted) tag. examined: a
    reader looked for a tag and what it found is not in doubt.
    """

    ids: Texts
    survey: Ints
    occasion: Ints
    run: Ints
    year: Floats
    species: Texts
    length_mm: Floats
    length_type: Texts
    unit: Texts
    weight_g: Floats
    division_g: Floats
    fate: Texts
    status: Texts
    tag_status: Texts
    animal: Ints
    examined: Mask
    length_doubted: Mask
    weight_doubted: Mask
    tag_doubted: Mask
    amended: Mask

    def __len__(self) -> int:
        return len(self.ids)


@dataclass(frozen=True, slots=True)
class CheckWeighing:
    """A known weight or length put on an instrument."""

    instrument: str
    at: str
    expected: float
    measured: float
    unit: str


@dataclass(frozen=True, slots=True)
class Notes:
    """What is needed to judge the records: counts by name and severity, check measurements, sightings.

    findings: (name, severity, settled) -> ids of the fish. marks: fish id -> the marks seen on it, words and codes.
    netters: by occasion, how many different people netted. second_tags: fish ids with two tags read on them.
    """

    findings: Mapping[tuple[str, str, bool], tuple[str, ...]]
    checks: tuple[CheckWeighing, ...]
    sightings: int
    sighted_tags: int
    marks: Mapping[str, frozenset[str]]
    second_tags: frozenset[str]
    netters: Mapping[int, int]
    open_fish: int
    void_fish: int


@dataclass(frozen=True, eq=False)
class Records:
    """One water (or one survey without a water yet), all its occasions in time order up to the one asked about.

    focus: the occasion asked about, the last one; -1 where there is none. tags: by animal, the tags that it bore.
    """

    water: str | None
    facts: WaterFacts
    surveys: tuple[Survey, ...]
    occasions: tuple[Occasion, ...]
    runs: tuple[Run, ...]
    batches: tuple[Batch, ...]
    fish: Fish
    priors: tuple[Prior, ...]
    tags: tuple[tuple[str, ...], ...]
    notes: Notes
    only_species: str | None = None

    @property
    def focus(self) -> int:
        return len(self.occasions) - 1

    @property
    def when(self) -> str:
        """The occasion asked about, for sentences."""
        return self.occasions[-1].name if self.occasions else "no survey"

    @property
    def until(self) -> str:
        """` up to 2026-05-12`, for sentences; nothing where there is no survey."""
        return f" up to {self.when}" if self.occasions else ""

    @cached_property
    def species(self) -> tuple[str, ...]:
        """Species of the fish and batches, the most numerous first."""
        names, counts = np.unique(self.fish.species.astype(str), return_counts=True)
        found = {str(name): int(n) for name, n in zip(names, counts, strict=True)}
        for one in self.batches:
            found[one.species] = found.get(one.species, 0) + one.n
        found.pop("", None)
        return tuple(sorted(found, key=lambda name: (-found[name], name)))

    @cached_property
    def now(self) -> Mask:
        """Fish of the occasion asked about."""
        return np.asarray(self.fish.occasion == self.focus, dtype=np.bool_)

    @cached_property
    def _by_species(self) -> dict[str, Mask]:
        return {name: np.asarray(self.fish.species == name, dtype=np.bool_) for name in self.species}

    def of(self, species: str) -> Mask:
        """Fish of the species, of all occasions."""
        nobody = np.zeros(len(self.fish), dtype=np.bool_)
        return self._by_species.get(species, nobody)

    def ids(self, mask: Mask) -> tuple[str, ...]:
        return tuple(self.fish.ids[mask])


def said(species: str) -> str:
    """A slug as people write it: `largemouth bass`."""
    return species.replace("_", " ")
