"""Who of the marked fish was seen when: the records of one species as capture histories."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fishery.histories import Summary, summarize
from office.answers.records import OUT_OF_WATER, RELEASED, Ints, Mask, Records

CLOSED_DAYS = 60
"""Surveys no farther apart than this are taken as of one closed water (proposal): few fish are born, die or grow into the
catch within two months."""


@dataclass(frozen=True, slots=True, eq=False)
class Captures:
    """One species. Animals in rows, occasions in columns.

    seen (animals, occasions): handled and its tag read. back: of these, put back alive with it. unmarked (occasions,):
    fish without a tag of at least `least_mm` that a reader looked at. short, not_examined (occasions,): fish that are
    in none of it, because they are shorter or nobody scanned them. gone_year: when a capture elsewhere took the animal
    out of the water, infinite where none did. animals: index in `Records.tags`.
    """

    species: str
    occasions: tuple[int, ...]
    seen: Mask
    back: Mask
    unmarked: Ints
    short: Ints
    not_examined: Ints
    least_mm: float | None
    gone_year: np.ndarray[tuple[int], np.dtype[np.float64]]
    animals: Ints

    def pooled(self, groups: Sequence[Sequence[int]]) -> "Captures":
        """Each group of columns as one occasion, named by its last; an animal counts once, a fish without tag as often
        as it was handled. Its last capture of the group says whether it was put back."""
        seen = np.column_stack([self.seen[:, list(one)].any(axis=1) for one in groups])
        back = np.column_stack(
            [_last_back(self.seen[:, list(one)], self.back[:, list(one)]) for one in groups]
        )

        def summed(counts: Ints) -> Ints:
            return np.array([counts[list(one)].sum() for one in groups], dtype=np.int64)

        return Captures(
            self.species,
            tuple(self.occasions[one[-1]] for one in groups),
            seen,
            back,
            summed(self.unmarked),
            summed(self.short),
            summed(self.not_examined),
            self.least_mm,
            self.gone_year,
            self.animals,
        )

    def summary(self) -> Summary:
        """Sums for the open-population models: fish without a tag are caught and not released (nobody would know them
        again); an animal not put back ends there."""
        width = self.seen.shape[1]
        last = width - 1 - np.argmax(self.seen[:, ::-1], axis=1) if len(self.seen) else np.zeros(0, np.int64)
        put_back = self.back[np.arange(len(last)), last] if len(last) else np.zeros(0, dtype=np.bool_)
        return summarize(
            np.vstack([self.seen, np.eye(width, dtype=np.bool_)]),
            np.concatenate([np.ones(len(self.seen), dtype=np.int64), self.unmarked]),
            np.concatenate([put_back, np.zeros(width, dtype=np.bool_)]),
        )


def _last_back(seen: Mask, back: Mask) -> Mask:
    last = seen.shape[1] - 1 - np.argmax(seen[:, ::-1], axis=1)
    return np.asarray(back[np.arange(len(seen)), last] & seen.any(axis=1), dtype=np.bool_)


def captures(records: Records, species: str) -> Captures | None:
    """The histories of the species over all occasions; None where no fish of it was tagged.

    A fish handled twice on an occasion counts once, and its last record says what became of it.
    """
    fish = records.fish
    mine = records.of(species)
    marked = mine & (fish.animal >= 0) & fish.examined
    if not marked.any():
        return None
    width = len(records.occasions)
    animals, row = np.unique(fish.animal[marked], return_inverse=True)
    seen = np.zeros((len(animals), width), dtype=np.bool_)
    back = np.zeros((len(animals), width), dtype=np.bool_)
    occasion = fish.occasion[marked]
    seen[row, occasion] = True
    # in the order of the working-up: the last record of an animal on an occasion is what stays
    back[row, occasion] = fish.fate[marked] == RELEASED
    least = _least_length(records, species)
    small = np.zeros(len(fish), dtype=np.bool_) if least is None else fish.length_mm < least
    bare = mine & (fish.animal < 0) & fish.examined
    place = {int(animal): i for i, animal in enumerate(animals)}
    gone = np.full(len(animals), np.inf)
    for one in records.priors:
        if one.fate in OUT_OF_WATER and one.animal in place:
            gone[place[one.animal]] = min(gone[place[one.animal]], one.year)

    def by_occasion(mask: Mask) -> Ints:
        return np.bincount(fish.occasion[mask], minlength=width)

    return Captures(
        species,
        tuple(range(width)),
        seen,
        back,
        by_occasion(bare & ~small),
        by_occasion(bare & small),
        by_occasion(mine & ~fish.examined),
        least,
        gone,
        animals,
    )


def _least_length(records: Records, species: str) -> float | None:
    """From which length on fish get a tag: as the file of the waters says, else the shortest fish that got one."""
    given = records.facts.least_tag_mm.get(species)
    if given is not None:
        return given
    fish = records.fish
    tagged = records.of(species) & (fish.animal >= 0) & np.isfinite(fish.length_mm) & (fish.fate == RELEASED)
    return float(fish.length_mm[tagged].min()) if tagged.any() else None


def record_ids(records: Records, species: str, occasions: Sequence[int]) -> tuple[str, ...]:
    """The records of the species on these occasions that a reader looked at."""
    fish = records.fish
    return records.ids(records.of(species) & fish.examined & np.isin(fish.occasion, list(occasions)))


def closed_groups(records: Records, days: float = CLOSED_DAYS) -> list[list[int]]:
    """Occasions in groups that lie within `days` of their first one, in time order."""
    groups: list[list[int]] = []
    for one in records.occasions:
        start = records.occasions[groups[-1][0]].year if groups else -1e9
        if (one.year - start) * 365.25 <= days:
            groups[-1].append(one.index)
        else:
            groups.append([one.index])
    return groups
