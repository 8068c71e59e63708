"""Chapter: what sizes are there? Proportional size distribution, length-frequency, two surveys compared."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from fishery.answers import Refused
from fishery.arrays import floats
from fishery.categories import categories_of
from fishery.comparability import SEASON_DAYS
from fishery.length_frequency import (
    Comparison,
    class_width,
    compare_categories,
    compare_lengths,
    length_frequency,
)
from fishery.length_types import convert
from fishery.structure import SizeStructure, fish_to_tell_apart, size_structure, worst_share
from ingest.species import LengthCategories, SpeciesBook
from office.answers.model import Answer, Chapter, Column, Mark, Plot, Series, Table
from office.answers.records import Floats, Ints, Mask, Occasion, Records, said
from office.answers.telling import conversions, estimated, named, refusal
from office.answers.units import MM_PER_INCH, Words

CATEGORY_LENGTH = "TL"
"""Length categories are of total length (Gabelhouse 1984)."""
_CHANCE = 0.05


def structure(records: Records, book: SpeciesBook, words: Words) -> Chapter:
    """Size structure of the occasion asked about by species; its change since the occasion before that caught the
    species; length-frequency."""
    answers: list[Answer] = []
    tables: list[Table] = []
    plots: list[Plot] = []
    for species in records.species:
        mine = _OfSpecies(records, species, book, words)
        answers += mine.answers
        tables += mine.tables
        plots += mine.plots
    if not answers:
        nobody = Refused(f"No fish was measured{records.until}.", "Measured fish.")
        answers = [refusal("psd", "The size structure", nobody)]
    return Chapter(
        "structure",
        "Size structure",
        tuple(answers),
        tuple(tables),
        tuple(plots),
        (
            "PSD is the percentage of the fish of stock length that have reached quality length; PSD-P, PSD-M and PSD-T "
            "those of preferred, memorable and trophy length. Shorter fish are in no index.",
            "Fish that were only counted, and lengths of a batch's subsample, are in no index: nobody measured them one "
            "by one.",
        ),
    )


TOLD_FISH = 10
"""Stock-length fish below which PSD is nothing to tell an owner first (proposal): of one fish it is 0 or 100."""


@dataclass(frozen=True, slots=True, eq=False)
class Sizes:
    """The measured fish of one species on one occasion, lengths as total length; runs: index, -1 where not known."""

    ids: tuple[str, ...]
    lengths_mm: Floats
    categories: Ints
    runs: Ints
    other_type: int


def sizes(records: Records, species: str, categories: LengthCategories, occasion: int) -> Sizes:
    """`other_type`: fish left out because they were measured another way and no cited conversion is known."""
    fish = records.fish
    here = records.of(species) & (fish.occasion == occasion) & np.isfinite(fish.length_mm)
    lengths, usable = total_lengths(records, species, here)
    found = here.copy()
    found[here] = usable
    return Sizes(
        records.ids(found),
        lengths[usable],
        categories_of(categories.bounds, lengths[usable], tuple(fish.unit[found])),
        fish.run[found],
        int((~usable).sum()),
    )


def total_lengths(records: Records, species: str, mask: Mask) -> tuple[Floats, Mask]:
    """Lengths of the masked fish as total length, and which of them could be given so."""
    fish = records.fish
    lengths = floats("length_mm", fish.length_mm[mask]).copy()
    kinds = fish.length_type[mask]
    usable = np.asarray(kinds == CATEGORY_LENGTH, dtype=np.bool_)
    for given, way in conversions(species, CATEGORY_LENGTH).items():
        mine = np.asarray(kinds == given, dtype=np.bool_)
        lengths[mine] = convert(way, lengths[mine])
        usable |= mine
    return lengths, usable


class _OfSpecies:
    def __init__(self, records: Records, species: str, book: SpeciesBook, words: Words) -> None:
        self.records, self.species, self.words = records, species, words
        self.answers: list[Answer] = []
        self.tables: list[Table] = []
        self.plots: list[Plot] = []
        here = records.of(species) & records.now & np.isfinite(records.fish.length_mm)
        known = book.get(species)
        self.categories = known.length_categories() if known else None
        if here.any():
            self._frequency(here)
        elif not (records.of(species) & records.now).any():
            return  # not caught this time: nothing to say of it
        self._indices(here)

    # --- indices ----------------------------------------------------------------------------------------------------

    def _indices(self, here: Mask) -> None:
        about = f"{named(self.species)}, {self.records.when}"
        if self.categories is None:
            why = Refused(
                f"No length categories of {said(self.species)} are in use here.",
                "Published categories in the file of the species.",
            )
            self.answers.append(self._no("psd", "PSD", why, about, self.records.ids(here)))
            return
        now = sizes(self.records, self.species, self.categories, self.records.focus)
        names = [one.name for one in self.categories.bounds]
        runs = now.runs if len(now.runs) and (now.runs >= 0).all() else None
        found = size_structure(now.categories, names, runs)
        left_out: tuple[str, ...] = (
            (f"{now.other_type} fish measured another way than total length are left out.",)
            if now.other_type
            else ()
        )
        left_out += self._several_gears(now)
        if isinstance(found, Refused):
            self.answers.append(self._no("psd", "PSD", found, about, now.ids, left_out))
            return
        self._table(found)
        stock_ids = tuple(one for one, place in zip(now.ids, now.categories, strict=True) if place >= 0)
        for name, index in found.indices.items():
            self.answers.append(
                estimated(
                    f"{self.species}.{_key(name)}",
                    name,
                    f"{about}: {name} {index.value:.0f}{self.words.limits(index.interval, decimals=0)}, "
                    f"{found.n_stock} fish of stock length or longer.",
                    index,
                    ids=stock_ids,
                    subject=self.species,
                    headline=name == "PSD" and found.n_stock >= TOLD_FISH,
                    cautions=left_out,
                )
            )
        self._wanted(found, about, stock_ids)
        self._against_before(now, found, names)

    def _several_gears(self, now: Sizes) -> tuple[str, ...]:
        """Fish of unlike gear in one index: a word on it, with how many of each."""
        gears = [self.records.runs[run].gear.casefold() for run in now.runs[now.categories >= 0] if run >= 0]
        counts = {gear: gears.count(gear) for gear in sorted(set(gears)) if gear}
        if len(counts) < 2:
            return ()
        each = ", ".join(f"{n} by {gear}" for gear, n in counts.items())
        return (f"Fish of several gears, which select sizes of their own, are together: {each}.",)

    def _table(self, found: SizeStructure) -> None:
        assert self.categories is not None
        rows: list[tuple[str, int, float | None, float | None, float | None, float | None, float | None]] = []
        for name, index in {**found.indices, **found.increments}.items():
            together = found.together[name]
            count = round(index.value * found.n_stock / 100)
            # at none or all of the fish the approximation has no width, which would say more than is known
            told = 0 < count < found.n_stock
            assert index.interval is not None
            rows.append(
                (
                    name,
                    count,
                    index.value,
                    index.interval.low,
                    index.interval.high,
                    together.low if told else None,
                    together.high if told else None,
                )
            )
        columns = (
            Column("index"),
            Column("fish"),
            Column("value", "", 0),
            Column("lower 95 %", "", 0),
            Column("upper 95 %", "", 0),
            Column("lower, all together", "", 0),
            Column("upper, all together", "", 0),
        )
        counted = ", ".join(f"{n} {name}" for name, n in {"substock": found.substock, **found.counts}.items())
        note = (
            f"Fish by category: {counted}; {found.n_stock} of stock length or longer. "
            f"Categories: {self.categories.source}. All together: limits that hold at the same time."
        )
        title = f"Size structure of {said(self.species)}, {self.records.when}"
        self.tables.append(Table(f"{self.species}.psd", title, columns, tuple(rows), note))

    def _wanted(self, found: SizeStructure, about: str, ids: tuple[str, ...]) -> None:
        psd = next(iter(found.indices.values()), None)
        if psd is None:
            return
        assert psd.interval is not None
        share = min(max(worst_share(psd.interval), 0.05), 0.95)
        wanted = found.wanted
        other = share + 0.15 if share <= 0.5 else share - 0.15
        apart = fish_to_tell_apart(share, other)
        enough = (
            "that is enough" if found.n_stock >= wanted else f"that is too few: {wanted} or more are wanted"
        )
        self.answers.append(
            Answer(
                f"{self.species}.psd.fish_wanted",
                "fish wanted for PSD",
                f"{about}: {found.n_stock} fish of stock length or longer; for a PSD within 10 points {enough}. To find a "
                f"change of 15 points, {apart} are wanted in each of two surveys.",
                float(wanted),
                "fish",
                None,
                found.n_stock,
                "fish",
                "n = z^2 p (1 - p) / d^2, p the share nearest to a half within the limits of PSD for fish caught singly",
                "Cochran 1977, Sampling techniques, 4.4; two surveys: Fleiss 1981 (from memory)",
                ids,
                cautions=(
                    "For fish caught singly; fish of one run resemble one another, so more are wanted.",
                ),
                subject=self.species,
            )
        )

    # --- against the survey before ----------------------------------------------------------------------------------

    def _against_before(self, now: Sizes, found: SizeStructure, names: list[str]) -> None:
        assert self.categories is not None
        records = self.records
        for earlier in reversed(records.occasions[:-1]):
            then = sizes(records, self.species, self.categories, earlier.index)
            if (then.categories >= 0).any():
                break
        else:
            return
        before = size_structure(then.categories, names)
        if isinstance(before, Refused):
            return
        cautions = self._unlike(earlier)
        about = f"{named(self.species)}, {earlier.name} and {records.when}"
        ids = (*then.ids, *now.ids)
        psd = [next(iter(one.indices.values())).value for one in (before, found) if one.indices]
        shown = f"PSD {psd[0]:.0f} then, {psd[1]:.0f} now" if len(psd) == 2 else "size structure"
        tests: tuple[tuple[str, str, Comparison | Refused], ...] = (
            (
                "categories_then_now",
                "length categories of two surveys",
                compare_categories([list(before.counts.values()), list(found.counts.values())], names),
            ),
            (
                "lengths_then_now",
                "lengths of two surveys",
                compare_lengths(then.lengths_mm[then.categories >= 0], now.lengths_mm[now.categories >= 0]),
            ),
        )
        for key, title, test in tests:
            if isinstance(test, Refused):
                self.answers.append(self._no(key, f"a change of the {title}", test, about, ids, cautions))
                continue
            differ = (
                "differ more than chance allows"
                if test.p < _CHANCE
                else "do not differ more than chance allows"
            )
            self.answers.append(
                Answer(
                    f"{self.species}.{key}",
                    title,
                    f"{about}: {shown}; the {title} {differ} ({test.test}, "
                    f"P = {test.p:.2g}, {test.n[0]} and {test.n[1]} fish).",
                    test.p,
                    "",
                    None,
                    sum(test.n),
                    "fish",
                    f"{test.test}, statistic {test.statistic:.3g}"
                    + (f", {test.df} degrees of freedom" if test.df else ""),
                    test.source,
                    ids,
                    cautions=(*cautions, *test.cautions),
                    subject=self.species,
                )
            )

    def _unlike(self, earlier: Occasion) -> tuple[str, ...]:
        """Gear and season of the two occasions, where they differ or are not recorded."""
        records = self.records
        gears = [
            {run.gear.casefold() for run in records.runs if run.occasion == index and run.gear}
            for index in (earlier.index, records.focus)
        ]
        told = []
        if gears[0] != gears[1]:
            named_gears = [", ".join(sorted(one)) or "not recorded" for one in gears]
            told.append(f"Gear differs: {named_gears[0]} then, {named_gears[1]} now.")
        elif not gears[0]:
            told.append("No gear is recorded for either survey.")
        apart = abs(earlier.day_of_year - records.occasions[-1].day_of_year) % 365
        if min(apart, 365 - apart) > SEASON_DAYS:
            told.append(f"The surveys lie {min(apart, 365 - apart)} days apart in the season.")
        return tuple(told)

    # --- length-frequency -------------------------------------------------------------------------------------------

    def _frequency(self, here: Mask) -> None:
        records = self.records
        kinds, counts = np.unique(records.fish.length_type[here].astype(str), return_counts=True)
        kind = str(kinds[np.argmax(counts)])
        mine = here & (records.fish.length_type == kind)
        unit = "in" if self.words.units == "inch_pound" else "mm"
        lengths = records.fish.length_mm[mine]
        found = length_frequency(lengths, unit, class_width(float(lengths.max()), unit))
        if isinstance(found, Refused):
            return
        times = MM_PER_INCH if unit == "in" else 1.0
        edges = [edge * times for edge in found.edges]
        other = int(counts.sum() - counts.max())
        marks: tuple[Mark, ...] = ()
        if self.categories is not None:
            marks = tuple(
                Mark("x", one.inch * times if unit == "in" else one.mm, one.name)
                for one in self.categories.bounds
                if (one.inch * times if unit == "in" else one.mm) <= edges[-1]
            )
        peak = int(np.argmax(found.counts))
        left_out = f" {other} fish measured another way are left out." if other else ""
        self.plots.append(
            Plot(
                key=f"{self.species}.length_frequency",
                kind="length_frequency",
                title=f"Lengths of {said(self.species)}, {records.when}",
                x_label=f"length ({kind})" if kind else "length",
                x_unit="mm",
                y_label="fish",
                y_unit="",
                series=(
                    Series(
                        "fish",
                        "bars",
                        tuple((low + high) / 2 for low, high in pairwise(edges)),
                        tuple(float(one) for one in found.counts),
                        width=found.width * times,
                    ),
                ),
                marks=marks,
                described=f"{found.n} {said(self.species)} by length; the most, {found.counts[peak]}, at "
                f"{self.words.length(edges[peak])} to {self.words.length(edges[peak + 1])}.{left_out}",
                subject=self.species,
            )
        )
        rows = tuple(
            (low, high, count) for low, high, count in zip(edges, edges[1:], found.counts, strict=False)
        )
        columns = (Column("from", "mm", 0), Column("to below", "mm", 0), Column("fish"))
        title = f"Length-frequency of {said(self.species)}, {records.when}"
        note = " ".join((f"Classes: {found.source}.{left_out}", *found.cautions))
        self.tables.append(Table(f"{self.species}.length_frequency", title, columns, rows, note))

    def _no(
        self,
        key: str,
        title: str,
        why: Refused,
        about: str,
        ids: tuple[str, ...],
        cautions: tuple[str, ...] = (),
    ) -> Answer:
        return refusal(
            f"{self.species}.{key}",
            title,
            why,
            about=about,
            n=len(ids),
            ids=ids,
            subject=self.species,
            cautions=cautions,
        )


def _key(index: str) -> str:
    """`PSD-P` -> psd_p."""
    return index.lower().replace("-", "_").replace(" ", "_")
