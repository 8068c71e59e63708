"""Captures of one fish after another: pairs in time, the growth curves that they carry, and ages known from a stocking."""

from dataclasses import dataclass
from datetime import date
from itertools import pairwise

import numpy as np

from fishery.answers import Refused
from fishery.francis_likelihood import Options
from fishery.growth import DAYS_PER_YEAR
from fishery.growth_francis import ENOUGH_FOR_SEASON, FrancisFit, fit_francis
from fishery.growth_models import Curve, fit_fabens
from office.answers.records import Floats, Ints, Mask, Records

MOST_FOR_FRANCIS = 2000
"""More recaptures than this are thinned evenly for the likelihood: its limits are narrow enough then."""
_UNKNOWN_TYPE = "?"


@dataclass(frozen=True, slots=True, eq=False)
class Pairs:
    """Two captures of one animal in each entry; lengths in mm of one type, weights in g or NaN, times in decimal years.

    later: index of the later record. ids: the records of both captures that are in this database.
    """

    animal: Ints
    later: Ints
    t1: Floats
    t2: Floats
    length1: Floats
    length2: Floats
    weight1: Floats
    weight2: Floats
    ids: tuple[tuple[str, ...], ...]
    from_elsewhere: int

    def __len__(self) -> int:
        return len(self.animal)

    @property
    def days(self) -> Floats:
        return DAYS_PER_YEAR * (self.t2 - self.t1)

    def fish_ids(self, mask: Mask | None = None) -> tuple[str, ...]:
        chosen = (
            self.ids if mask is None else tuple(one for one, take in zip(self.ids, mask, strict=True) if take)
        )
        return tuple(dict.fromkeys(fish_id for one in chosen for fish_id in one))


@dataclass(frozen=True, slots=True)
class Capture:
    """record: index of the fish record, -1 for a capture from elsewhere (which has no occasion, and kind "?")."""

    year: float
    occasion: int
    kind: str
    length: float
    weight: float
    record: int


def pairs(records: Records, species: str, *, whole: bool) -> Pairs:
    """Of each animal of the species its first and last capture (`whole`), or each capture and the one before.

    Captures without a length, a time or the species are passed over, and captures of one occasion count as one, the
    first. Length types are not mixed; a capture from elsewhere says no type and is taken for the same.
    """
    return pairs_of(records, captures_of(records, species), whole=whole)


def captures_of(records: Records, species: str) -> list[tuple[int, list[Capture]]]:
    """Of each animal that was measured on two occasions, its captures in time order, one for each occasion."""
    fish = records.fish
    mask = records.of(species) & (fish.animal >= 0) & np.isfinite(fish.length_mm) & np.isfinite(fish.year)
    where = np.flatnonzero(mask)
    columns = (fish.animal, fish.year, fish.occasion, fish.length_type, fish.length_mm, fish.weight_g)
    rows = zip(*(one[where].tolist() for one in columns), where.tolist(), strict=True)
    found: dict[int, list[Capture]] = {}
    for animal, *capture in rows:
        found.setdefault(animal, []).append(Capture(*capture))
    for one in records.priors:
        if one.animal in found and one.species in ("", species) and np.isfinite(one.length_mm):
            found[one.animal].append(Capture(one.year, -1, _UNKNOWN_TYPE, one.length_mm, one.weight_g, -1))
    several = []
    for animal, captures in found.items():
        if len(captures) > 1:
            captures.sort(key=lambda one: one.year)
            once = [
                one
                for before, one in zip([None, *captures], captures, strict=False)
                if before is None or one.occasion != before.occasion or one.record < 0
            ]
            several.append((animal, once))
    return several


def pairs_of(records: Records, captures: list[tuple[int, list[Capture]]], *, whole: bool) -> Pairs:
    rows = [
        (animal, first, last)
        for animal, found in captures
        for first, last in ([(found[0], found[-1])] if whole else pairwise(found))
        if last.year > first.year and last.record >= 0 and _alike(first.kind, last.kind)
    ]
    return _arrays(records, rows)


def _alike(one: str, other: str) -> bool:
    return one == other or _UNKNOWN_TYPE in (one, other)


def _arrays(records: Records, rows: list[tuple[int, Capture, Capture]]) -> Pairs:
    def of(take: int, name: str) -> Floats:
        return np.array([getattr(row[take], name) for row in rows], dtype=np.float64)

    ids = records.fish.ids
    return Pairs(
        animal=np.array([animal for animal, _, _ in rows], dtype=np.int64),
        later=np.array([last.record for _, _, last in rows], dtype=np.int64),
        t1=of(1, "year"),
        t2=of(2, "year"),
        length1=of(1, "length"),
        length2=of(2, "length"),
        weight1=of(1, "weight"),
        weight2=of(2, "weight"),
        ids=tuple(
            tuple(str(ids[one.record]) for one in (first, last) if one.record >= 0) for _, first, last in rows
        ),
        from_elsewhere=sum(first.record < 0 for _, first, _ in rows),
    )


@dataclass(frozen=True, slots=True)
class Curves:
    """What the recaptures of one species give: either may be refused."""

    fabens: Curve | Refused
    francis: FrancisFit | Refused


def curves(found: Pairs) -> Curves:
    """Both curves from the first and last capture of each animal."""
    return Curves(
        fit_fabens(found.length1, found.length2, found.t2 - found.t1),
        _francis(found),
    )


def _francis(found: Pairs) -> FrancisFit | Refused:
    """The best by AIC of the model without and, where there are fish enough, with a season."""
    take = np.arange(len(found))
    if len(found) > MOST_FOR_FRANCIS:
        take = np.unique(np.linspace(0, len(found) - 1, MOST_FOR_FRANCIS).astype(np.int64))
    marked = found.length1[take]
    if len(marked) < 2 or np.ptp(marked) < 10:
        apart = f", {np.ptp(marked):.0f} mm apart at marking" if len(marked) > 1 else ""
        wanted = "30 recaptured fish or more, short and long ones."
        return Refused(f"{len(found)} recaptured fish{apart}.", wanted)
    alpha, beta = (round(float(one), -1) for one in np.quantile(marked, (0.2, 0.8)))
    if alpha >= beta:
        alpha, beta = float(marked.min()), float(marked.max())
    models = (Options(), Options(season=True)) if len(found) >= ENOUGH_FOR_SEASON else (Options(),)
    rows = (marked, found.length2[take], found.t1[take], found.t2[take], alpha, beta)
    fits = [fit_francis(*rows, options=one) for one in models]
    given = [one for one in fits if isinstance(one, FrancisFit)]
    return min(given, key=lambda one: one.aic) if given else fits[0]


def known_ages(records: Records, species: str) -> tuple[Floats, Floats, tuple[str, ...]]:
    """Ages (years) and lengths (mm) of the fish of stockings of known age, with their ids.

    Only captures on or after the stocking count; a fish that bears the marks of two stockings is of no known age.
    """
    fish = records.fish
    cohorts = [one for one in records.facts.stocking if one.species == species]
    measured = records.of(species) & np.isfinite(fish.length_mm) & np.isfinite(fish.year)
    ages = np.full(len(fish), np.nan)
    doubled = np.zeros(len(fish), dtype=np.bool_)
    for one in cohorts:
        born = _year(one.on) - one.age_years
        mine = measured & (fish.year >= _year(one.on))
        if one.mark is not None:
            wanted = one.mark.casefold()
            bears = [wanted in records.notes.marks.get(str(fish_id), frozenset()) for fish_id in fish.ids]
            mine &= np.array(bears, dtype=np.bool_)
        doubled |= mine & np.isfinite(ages)
        ages[mine] = fish.year[mine] - born
    known = np.isfinite(ages) & ~doubled
    return ages[known], fish.length_mm[known], records.ids(known)


def _year(day: date) -> float:
    start = date(day.year, 1, 1)
    return day.year + (day - start).days / (date(day.year + 1, 1, 1) - start).days
