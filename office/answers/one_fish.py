"""Chapter: one fish. Its captures, its growth, its condition, and what fish of this water would be expected to do."""

import numpy as np

from fishery.answers import Interval, Refused
from fishery.growth import LENGTH_SD_MM, NoRate, change_between
from fishery.growth_expected import Expected, expected_at_age, expected_at_recapture
from fishery.growth_francis import FrancisFit
from fishery.growth_models import Curve, fit_at_age
from ingest.species import SpeciesBook
from office.answers.condition import of_species
from office.answers.model import Answer, Cell, Chapter, Column, Plot, Series, Table
from office.answers.recaptures import Pairs, curves, known_ages, pairs
from office.answers.records import Floats, Records, said
from office.answers.telling import refusal, some
from office.answers.units import Words


def one_fish(records: Records, book: SpeciesBook, words: Words, tag: str) -> Chapter:
    """The animal that bears `tag` (canonical code), by all its captures in these records and from elsewhere."""
    animal = next((i for i, tags in enumerate(records.tags) if tag in tags), None)
    title = f"Tag {tag}"
    if animal is None:
        why = Refused(
            f"No fish of these records bears the tag {tag}.", "Another water, or the tag as it was read."
        )
        return Chapter("fish", title, (refusal("fish", "The story of this fish", why),))
    return _OneFish(records, book, words, tag, animal).chapter()


class _OneFish:
    def __init__(self, records: Records, book: SpeciesBook, words: Words, tag: str, animal: int) -> None:
        self.records, self.book, self.words, self.tag, self.animal = records, book, words, tag, animal
        self.places = [int(i) for i in np.flatnonzero(records.fish.animal == animal)]
        self.ids = tuple(str(records.fish.ids[i]) for i in self.places)
        names = [str(records.fish.species[i]) for i in self.places if records.fish.species[i]]
        self.species = names[-1] if names else ""

    def chapter(self) -> Chapter:
        answers = [self._captures(), *self._growth(), *self._condition(), *self._expected()]
        tags = ", ".join(self.records.tags[self.animal])
        return Chapter(
            "fish",
            f"Tag {self.tag}",
            tuple(answers),
            (self._table(),),
            self._plots(),
            (f"Tags that it bore: {tags}.",),
        )

    def _captures(self) -> Answer:
        elsewhere = sum(one.animal == self.animal for one in self.records.priors)
        more = f" and {elsewhere} known from elsewhere" if elsewhere else ""
        here = some(len(self.places), "record")
        return Answer(
            "captures",
            "captures",
            f"{said(self.species).capitalize() or 'Fish'} with tag {self.tag}: {here} here{more}.",
            float(len(self.places)),
            "records",
            None,
            len(self.places),
            "records",
            "count of records",
            "definition",
            self.ids,
            subject=self.species,
        )

    def _pair(self) -> tuple[Pairs, int] | None:
        if not self.species:
            return None
        found = pairs(self.records, self.species, whole=True)
        where = np.flatnonzero(found.animal == self.animal)
        return (found, int(where[0])) if len(where) else None

    def _growth(self) -> list[Answer]:
        found = self._pair()
        if found is None:
            why = Refused("It was not measured on two occasions.", "A second capture with its length.")
            return [refusal("growth", "Its growth", why, ids=self.ids, n=len(self.ids), subject=self.species)]
        every, at = found
        days = every.days[at : at + 1]
        change = change_between(days, every.length1[at : at + 1], every.length2[at : at + 1], LENGTH_SD_MM)
        grown, error = float(change.gain[0]), 1.96 * float(change.gain_se[0])
        interval = Interval(grown - error, grown + error, 0.95, "normal, from the error of measuring alone")
        rate = ""
        if change.why[0] == NoRate.GIVEN:
            rate = f", {self.words.quantity(float(change.per_year[0]), 'mm per year')} if spread evenly"
        return [
            Answer(
                "growth",
                "growth from first to last capture",
                f"It grew {self.words.quantity(grown, 'mm', 2)}{self.words.limits(interval, 'mm', 2)} in {days[0]:.0f} days"
                f"{rate}.",
                grown,
                "mm",
                interval,
                1,
                "fish",
                "later - earlier, error sqrt(2) x 5.8 mm",
                "measuring error: computed from Campbell and Collins (1975)",
                every.ids[at],
                subject=self.species,
            )
        ]

    def _condition(self) -> list[Answer]:
        found = of_species(self.records, self.species, self.book.get(self.species)) if self.species else None
        if found is None:
            return []
        wr = self._relative_weights()
        given = [(i, value) for i, value in zip(self.places, wr, strict=True) if np.isfinite(value)]
        if not given:
            return []
        place, value = given[-1]
        when = self.records.occasions[int(self.records.fish.occasion[place])].name
        before = given[0]
        moved = f"; {value - before[1]:+.0f} since its first capture" if before[0] != place else ""
        return [
            Answer(
                "wr",
                "relative weight at the last capture",
                f"Its relative weight was {value:.0f} on {when}{moved}.",
                float(value),
                "",
                None,
                1,
                "fish",
                "Wr = 100 W / Ws",
                f"Wege and Anderson (1978); standard weight: {found.weights.equation.source}",
                (str(self.records.fish.ids[place]),),
                cautions=("One fish, one weighing: no interval can be given.",),
                subject=self.species,
            )
        ]

    def _relative_weights(self) -> list[float]:
        found = of_species(self.records, self.species, self.book.get(self.species)) if self.species else None
        if found is None:
            return [float("nan")] * len(self.places)
        where = {int(i): k for k, i in enumerate(np.flatnonzero(found.mask))}
        return [float(found.weights.wr[where[i]]) if i in where else float("nan") for i in self.places]

    # --- expected against seen --------------------------------------------------------------------------------------

    def _expected(self) -> list[Answer]:
        found = self._pair()
        answers = []
        if found is not None:
            every, at = found
            # the fish itself is no witness of what others do
            others = _without(every, at)
            fits = curves(others)
            for key, fit in (("francis", fits.francis), ("fabens", fits.fabens)):
                title = f"length expected from other fish ({key.capitalize()})"
                if isinstance(fit, Curve | FrancisFit):
                    one = expected_at_recapture(
                        fit,
                        float(every.length1[at]),
                        float(every.t1[at]),
                        float(every.t2[at]),
                        float(every.length2[at]),
                    )
                else:
                    one = fit
                answers.append(self._told(f"expected.{key}", title, one, len(others), others.fish_ids()))
        answers += self._expected_at_age()
        return answers

    def _expected_at_age(self) -> list[Answer]:
        if not self.species or not any(one.species == self.species for one in self.records.facts.stocking):
            return []
        ages, lengths, ids = known_ages(self.records, self.species)
        mine = [
            (age, length)
            for age, length, fish_id in zip(ages, lengths, ids, strict=True)
            if fish_id in self.ids
        ]
        if not mine:
            return []
        other: Floats = np.array([fish_id not in self.ids for fish_id in ids], dtype=np.bool_)
        curve = fit_at_age(ages[other], lengths[other])
        age, length = mine[-1]
        found = expected_at_age(curve, float(age), float(length)) if isinstance(curve, Curve) else curve
        behind = tuple(fish_id for fish_id in ids if fish_id not in self.ids)
        title = f"length expected at age {age:.1f} years"
        return [self._told("expected.at_age", title, found, len(behind), behind)]

    def _told(self, key: str, title: str, found: Expected | Refused, n: int, ids: tuple[str, ...]) -> Answer:
        if isinstance(found, Refused):
            return refusal(key, f"the {title}", found, n=n, ids=ids, subject=self.species)
        verdict = ""
        if found.seen_mm is not None:
            verdict = f"; seen {self.words.length(found.seen_mm)}, {found.verdict}"
        return Answer(
            key,
            title,
            f"Other fish of this water would be {self.words.length(found.expected_mm)}"
            f"{self.words.limits(found.interval, 'mm')} long{verdict} ({n} fish).",
            found.expected_mm,
            "mm",
            found.interval,
            n,
            "fish",
            "length by the curve of the other fish; limits for one fish",
            found.source,
            ids,
            cautions=("One fish in twenty falls outside by chance.", *found.cautions),
            subject=self.species,
        )

    # --- all captures -----------------------------------------------------------------------------------------------

    def _table(self) -> Table:
        fish, records = self.records.fish, self.records
        rows: list[tuple[float, tuple[Cell, ...]]] = []
        for place, wr in zip(self.places, self._relative_weights(), strict=True):
            day = records.occasions[int(fish.occasion[place])].name
            measures = tuple(
                _or_none(float(one)) for one in (fish.length_mm[place], fish.weight_g[place], wr)
            )
            told = (
                day,
                said(str(fish.species[place])) or None,
                *measures,
                str(fish.fate[place]),
                records.water,
            )
            rows.append((float(np.nan_to_num(fish.year[place])), (*told, str(fish.ids[place]))))
        for one in records.priors:
            if one.animal == self.animal:
                told = (
                    one.at[:10],
                    said(one.species) or None,
                    _or_none(one.length_mm),
                    _or_none(one.weight_g),
                )
                rows.append((one.year, (*told, None, one.fate, one.water or None, None)))
        columns = (
            Column("day"),
            Column("species"),
            Column("length", "mm", 0),
            Column("weight", "g", 0),
            Column("Wr", "", 0),
            Column("fate"),
            Column("water"),
            Column("fish"),
        )
        ordered = tuple(row for _, row in sorted(rows, key=lambda one: one[0]))
        return Table("captures", f"Captures of {self.tag}", columns, ordered)

    def _plots(self) -> tuple[Plot, ...]:
        points = [
            (float(self.records.fish.year[i]), float(self.records.fish.length_mm[i]))
            for i in self.places
            if np.isfinite(self.records.fish.length_mm[i]) and np.isfinite(self.records.fish.year[i])
        ]
        points += [
            (one.year, one.length_mm)
            for one in self.records.priors
            if one.animal == self.animal and np.isfinite(one.length_mm)
        ]
        if len(points) < 2:
            return ()
        points.sort()
        x, y = zip(*points, strict=True)
        return (
            Plot(
                key="fish.growth",
                kind="growth",
                title=f"Length of the fish with tag {self.tag}",
                x_label="year",
                x_unit="",
                y_label="length",
                y_unit="mm",
                series=(Series("length", "points", x, y),),
                described=f"Length of one fish at {len(points)} captures, from {self.words.length(y[0])} to "
                f"{self.words.length(y[-1])}.",
                subject=self.species,
            ),
        )


def _without(found: Pairs, at: int) -> Pairs:
    keep = np.arange(len(found)) != at
    return Pairs(
        found.animal[keep],
        found.later[keep],
        found.t1[keep],
        found.t2[keep],
        found.length1[keep],
        found.length2[keep],
        found.weight1[keep],
        found.weight2[keep],
        tuple(one for i, one in enumerate(found.ids) if i != at),
        found.from_elsewhere,
    )


def _or_none(value: float) -> float | None:
    return value if np.isfinite(value) else None
