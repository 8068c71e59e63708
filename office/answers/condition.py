"""Chapter: are the fish in good condition? Relative weight and this water's own length-weight relation."""

from dataclasses import dataclass

import numpy as np

from fishery.answers import Estimate, Refused
from fishery.categories import BELOW, categories_of
from fishery.condition import (
    FEW_FISH,
    SOURCE,
    RelativeWeights,
    Why,
    condition_by_group,
    condition_trend,
    mean_condition,
    paired_change,
    relative_weights,
    slope_with_length,
)
from fishery.length_weight import LengthWeight, expected_weight, fit_relation
from ingest.species import Species, SpeciesBook
from office.answers.model import Answer, Cell, Chapter, Column, Mark, Plot, Series, Table
from office.answers.records import Floats, Mask, Records, said
from office.answers.telling import change, conversions, estimated, named, refusal
from office.answers.trends import Point, gear_changes, gears_of, trend_plot
from office.answers.units import MM_PER_INCH, Words, number

_FORMULA = "Wr = 100 W / Ws, log10 Ws = {a:g} + {b:g} log10 L{c} (L in mm, W in g)"
LEAST_TOLD = 5
"""Fish from which on a mean has limits that say something, is told of a category and enters the trend (proposal)."""
_RELATION_LENGTHS: dict[str, tuple[float, ...]] = {
    "metric": (100, 150, 200, 250, 300, 350, 400, 450, 500, 600, 700, 800, 1000),
    "inch_pound": tuple(MM_PER_INCH * inch for inch in (4, 6, 8, 10, 12, 14, 16, 18, 20, 24, 28, 32, 40)),
}
_REASONS = {
    Why.MISSING: "without a length or weight that can be used",
    Why.TOO_SHORT: "shorter than the standard weight holds for",
    Why.TOO_LONG: "longer than it holds for",
    Why.OTHER_LENGTH_TYPE: "measured another way (no cited conversion)",
    Why.TOO_COARSE: "too small for the step of the scale",
}


def condition(records: Records, book: SpeciesBook, words: Words) -> Chapter:
    """Relative weight of the occasion asked about by species and length category, its trend over the occasions, its
    change in recaptured fish; the length-weight relation of all occasions."""
    answers: list[Answer] = []
    tables: list[Table] = []
    plots: list[Plot] = []
    for species in records.species:
        if not np.isfinite(records.fish.weight_g[records.of(species)]).any():
            continue
        parts = _OfSpecies(records, species, book.get(species), words)
        answers += parts.answers
        tables += parts.tables
        plots += parts.plots
    if not answers:
        nobody = Refused(f"No fish was weighed{records.until}.", "Weighed and measured fish.")
        answers = [refusal("wr", "The relative weight", nobody)]
    return Chapter(
        "condition",
        "Condition",
        tuple(answers),
        tuple(tables),
        tuple(plots),
        (
            "Relative weight compares a fish with the standard weight of its species at its length. The standard is the "
            "75th percentile of populations: 100 is a fish in very good flesh, and an average population lies near 93.",
            "A length or weight that a serious finding put in doubt, and that nobody confirmed or amended, is left out.",
        ),
    )


@dataclass(frozen=True, slots=True, eq=False)
class Condition:
    """Relative weights of all fish of one species, of all occasions; `mask` (fish,) says which of the records they are."""

    species: str
    mask: Mask
    weights: RelativeWeights

    @property
    def usable(self) -> Mask:
        return self.weights.given


def of_species(records: Records, species: str, known: Species | None) -> Condition | None:
    """Relative weight of every fish of the species; None where no standard weight may be used."""
    if known is None or known.recommended is None:
        return None
    mask = records.of(species)
    fish = records.fish
    equation = known.recommended
    found = relative_weights(
        equation,
        fish.length_mm[mask],
        fish.weight_g[mask],
        # a fish without a length was not measured another way: it lacks the length
        tuple(np.where(np.isfinite(fish.length_mm[mask]), fish.length_type[mask], equation.length_type)),
        fish.division_g[mask],
        conversions(species, equation.length_type),
    )
    return Condition(species, mask, found)


class _OfSpecies:
    """The answers of one species."""

    def __init__(self, records: Records, species: str, known: Species | None, words: Words) -> None:
        self.records, self.species, self.known, self.words = records, species, known, words
        self.answers: list[Answer] = []
        self.tables: list[Table] = []
        self.plots: list[Plot] = []
        found = of_species(records, species, known)
        if found is None:
            why = Refused(
                f"No standard weight of {said(species)} is in use here.",
                "A published equation in the file of the species.",
            )
            self._refused("wr", "the mean relative weight", why)
        else:
            self.condition = found
            equation = found.weights.equation
            bend = f" + {equation.c:g} (log10 L)^2" if equation.c else ""
            self.formula = _FORMULA.format(a=equation.log10_a, b=equation.b, c=bend)
            self.source = f"{SOURCE}; standard weight: {equation.source}"
            self._means()
            self._trend()
            self._recaptured()
        self._relation()

    # --- the occasion asked about -----------------------------------------------------------------------------------

    def _means(self) -> None:
        found, records = self.condition, self.records
        here = records.now[found.mask]
        used = here & found.usable
        wr, lengths = found.weights.wr[used], found.weights.lengths_mm[used]
        ids = tuple(records.fish.ids[found.mask][used])
        left_out = self._left_out(here)
        mean = mean_condition(wr)
        about = f"{named(self.species)}, {records.when}"
        if isinstance(mean, Refused):
            self._refused("wr", "the mean relative weight", mean, about, ids, left_out)
            return
        self.answers.append(
            self._told(
                "wr",
                "mean relative weight",
                f"{about}: mean relative weight {mean.value:.1f}{self.words.limits(mean.interval, decimals=1)} "
                f"of {mean.n} fish.",
                mean,
                ids,
                headline=mean.n >= LEAST_TOLD,
                cautions=left_out,
            )
        )
        slope = slope_with_length(wr, lengths)
        if isinstance(slope, Estimate) and slope.n >= FEW_FISH:
            told = change(
                slope.interval,
                "longer fish are the fatter ones",
                "longer fish are the leaner ones",
                "no trend with length can be told",
            )
            value = self.words.quantity(slope.value, slope.unit, 2)
            limits = self.words.limits(slope.interval, slope.unit, 2)
            self.answers.append(
                self._told(
                    "wr.with_length",
                    "relative weight by length",
                    f"{about}: {told} ({value}{limits}, n = {slope.n}).",
                    slope,
                    ids,
                )
            )
        self._by_category(used, wr, about)
        self._points(wr, lengths, float(mean.value), about)

    def _left_out(self, here: Mask) -> tuple[str, ...]:
        why = self.condition.weights.why[here]
        counts = [
            f"{int((why == reason).sum())} {words}"
            for reason, words in _REASONS.items()
            if (why == reason).any()
        ]
        return (f"Left out: {'; '.join(counts)}.",) if counts else ()

    def _by_category(self, used: Mask, wr: Floats, about: str) -> None:
        bounds = self.known.length_categories() if self.known else None
        if bounds is None:
            return
        records, found = self.records, self.condition
        lengths = found.weights.lengths_mm[used]
        units = tuple(records.fish.unit[found.mask][used])
        groups = categories_of(bounds.bounds, lengths, units)
        names = [one.name for one in bounds.bounds]
        ids = records.fish.ids[found.mask][used]
        rows: list[tuple[Cell, ...]] = []
        for place, group in enumerate(condition_by_group(wr, groups, names)):
            mine = tuple(ids[groups == place])
            mean = group.mean
            if isinstance(mean, Refused) or mean.n < LEAST_TOLD:
                value = None if isinstance(mean, Refused) else mean.value
                rows.append((group.name, len(mine), value, None, None, group.sd, group.median))
                continue
            assert mean.interval is not None
            rows.append(
                (
                    group.name,
                    mean.n,
                    mean.value,
                    mean.interval.low,
                    mean.interval.high,
                    group.sd,
                    group.median,
                )
            )
            self.answers.append(
                self._told(
                    f"wr.{group.name}",
                    f"mean relative weight, {group.name} length",
                    f"{about}, {group.name} length: {mean.value:.1f}{self.words.limits(mean.interval, decimals=1)} "
                    f"of {mean.n} fish.",
                    mean,
                    mine,
                )
            )
        below = int((groups == BELOW).sum())
        columns = (
            Column("length category"),
            Column("fish"),
            Column("mean Wr", "", 1),
            Column("lower 95 %", "", 1),
            Column("upper 95 %", "", 1),
            Column("SD", "", 1),
            Column("median", "", 1),
        )
        note = (
            f"Categories: {bounds.source}, judged in the unit in which each fish was measured; limits from "
        )
        note += f"{LEAST_TOLD} fish on."
        if below:
            note += f" {below} fish below stock length are in the mean of all, not here."
        title = f"Relative weight of {said(self.species)} by length category, {records.when}"
        self.tables.append(Table(f"{self.species}.wr", title, columns, tuple(rows), note))

    def _points(self, wr: Floats, lengths: Floats, mean: float, about: str) -> None:
        low, high = float(wr.min()), float(wr.max())
        self.plots.append(
            Plot(
                key=f"{self.species}.wr_by_length",
                kind="wr_by_length",
                title=f"Relative weight of {said(self.species)}, {self.records.when}",
                x_label="length",
                x_unit="mm",
                y_label="relative weight",
                y_unit="",
                series=(
                    Series(
                        "fish",
                        "points",
                        tuple(float(one) for one in lengths),
                        tuple(float(one) for one in wr),
                    ),
                ),
                marks=(
                    Mark("y", 100.0, "100: standard weight"),
                    Mark("y", mean, f"mean {mean:.0f}"),
                ),
                described=f"{about}: relative weight of {len(wr)} fish against length; from {low:.0f} to {high:.0f}, "
                f"mean {mean:.0f}.",
                subject=self.species,
            )
        )

    # --- over the occasions -----------------------------------------------------------------------------------------

    def _trend(self) -> None:
        found, records = self.condition, self.records
        occasion = records.fish.occasion[found.mask]
        used = found.usable
        points = []
        for one in records.occasions:
            mine = found.weights.wr[used & (occasion == one.index)]
            mean = mean_condition(mine) if len(mine) >= LEAST_TOLD else None
            if isinstance(mean, Estimate):
                points.append(Point(one, mean.value, mean.interval, mean.n))
        gears = gears_of(records, points)
        plot = trend_plot(
            points,
            lambda mean: f"{mean:.0f}",
            key=f"{self.species}.wr_trend",
            subject=self.species,
            title=f"Mean relative weight of {said(self.species)}",
            name="mean",
            y_label="mean relative weight",
            gears=gears,
            marks=(Mark("y", 100.0, "100: standard weight"),),
        )
        self.plots += [plot] if plot else []
        slope = condition_trend(
            [one.occasion.year for one in points],
            [one.value for one in points],
            [one.fish or 0 for one in points],
        )
        if isinstance(slope, Refused):
            if len(records.occasions) > 1:
                wanted = Refused(f"{len(points)} surveys of {LEAST_TOLD} fish or more.", slope.wanted)
                self._refused("wr.trend", "a trend of relative weight", wanted, named(self.species))
            return
        chosen = np.isin(occasion, [one.occasion.index for one in points]) & used
        told = change(
            slope.interval, "is rising", "is falling", "shows no trend that can be told from chance"
        )
        self.answers.append(
            self._told(
                "wr.trend",
                "trend of relative weight",
                f"{named(self.species)}: relative weight {told} ({slope.value:+.2f} per year"
                f"{self.words.limits(slope.interval, '', 2)}, {slope.n} surveys).",
                slope,
                tuple(records.fish.ids[found.mask][chosen]),
                n_of="surveys",
                cautions=(changed,) if (changed := gear_changes(gears)) else (),
            )
        )

    def _recaptured(self) -> None:
        """First against last relative weight of each animal that has one on two occasions."""
        found, records = self.condition, self.records
        animal = records.fish.animal[found.mask]
        occasion = records.fish.occasion[found.mask]
        used = np.flatnonzero(found.usable & (animal >= 0))
        ends: dict[int, tuple[int, int]] = {}
        for i in used:
            first = ends.get(int(animal[i]), (int(i), int(i)))[0]
            ends[int(animal[i])] = (first, int(i))
        pairs = [
            (key, first, last) for key, (first, last) in ends.items() if occasion[first] != occasion[last]
        ]
        if not pairs:
            return
        wr = found.weights.wr
        gain = paired_change(
            [str(key) for key, _, _ in pairs],
            [float(wr[first]) for _, first, _ in pairs],
            [float(wr[last]) for _, _, last in pairs],
        )
        ids = records.fish.ids[found.mask]
        mine = tuple(str(ids[i]) for _, first, last in pairs for i in (first, last))
        if isinstance(gain, Refused):
            self._refused("wr.recaptured", "the change in recaptured fish", gain, named(self.species), mine)
            return
        told = change(
            gain.interval,
            "they gained condition",
            "they lost condition",
            "no change that can be told from chance",
        )
        self.answers.append(
            self._told(
                "wr.recaptured",
                "change of relative weight in recaptured fish",
                f"{named(self.species)} caught again: relative weight changed by {gain.value:+.1f} from first to last "
                f"capture{self.words.limits(gain.interval, decimals=1)}, {gain.n} fish: {told}.",
                gain,
                mine,
            )
        )

    # --- the water's own relation -----------------------------------------------------------------------------------

    def _relation(self) -> None:
        records = self.records
        kind = self._length_type()
        fish = records.fish
        mask = (
            records.of(self.species)
            & np.isfinite(fish.length_mm)
            & np.isfinite(fish.weight_g)
            & (fish.length_type == kind)
        )
        line = fit_relation(fish.length_mm[mask], fish.weight_g[mask], kind, robust=True)
        ids = records.ids(mask)
        about = named(self.species)
        if isinstance(line, Refused):
            self._refused("relation", "this water's length-weight relation", line, about, ids)
            return
        verb = "lies so far off that it counts" if line.doubted == 1 else "lie so far off that they count"
        odd = (f"{line.doubted} fish {verb} for little.",) if line.doubted else ()
        self.answers.append(
            estimated(
                f"{self.species}.relation",
                "this water's length-weight relation (slope b)",
                f"{about}: log10 W = {line.log10_a.value:.3f} + {line.b.value:.3f} log10 L (W in g, L in mm, "
                f"{kind or 'length type not recorded'}), b{self.words.limits(line.b.interval)}, {line.n} fish of "
                f"{self.words.length(line.shortest_mm)} to {self.words.length(line.longest_mm)}, "
                f"scatter {number(line.sd, 2)} in log10.",
                line.b,
                ids=ids,
                subject=self.species,
                cautions=odd,
            )
        )
        self.tables.append(self._expected(line))

    def _length_type(self) -> str:
        """The type in which most fish of the species were measured."""
        kinds, counts = np.unique(
            self.records.fish.length_type[self.records.of(self.species)].astype(str), return_counts=True
        )
        return str(kinds[np.argmax(counts)]) if len(kinds) else ""

    def _expected(self, line: LengthWeight) -> Table:
        rows = []
        for length in _RELATION_LENGTHS[self.words.units]:
            if line.shortest_mm <= length <= line.longest_mm:
                mean, one = expected_weight(line, length), expected_weight(line, length, "one fish")
                assert one.interval is not None
                rows.append((length, mean.value, one.interval.low, one.interval.high))
        columns = (
            Column("length", "mm", 0),
            Column("mean weight", "g", 0),
            Column("19 of 20 fish from", "g", 0),
            Column("to", "g", 0),
        )
        note = (
            f"From {line.n} fish of all surveys by {line.method}; mean with the correction of Sprugel (1983)."
        )
        return Table(
            f"{self.species}.expected",
            f"Weight of {said(self.species)} to expect in this water",
            columns,
            tuple(rows),
            note,
        )

    # --- words ------------------------------------------------------------------------------------------------------

    def _told(
        self,
        key: str,
        title: str,
        sentence: str,
        found: Estimate,
        ids: tuple[str, ...],
        *,
        n_of: str = "fish",
        headline: bool = False,
        cautions: tuple[str, ...] = (),
    ) -> Answer:
        return estimated(
            f"{self.species}.{key}",
            title,
            sentence,
            Estimate(
                found.value,
                found.unit,
                found.n,
                found.interval,
                f"{found.method.removesuffix(' = 100 W / Ws')}; {self.formula}",
                self.source,
                found.cautions,
            ),
            ids=ids,
            n_of=n_of,
            subject=self.species,
            headline=headline,
            cautions=cautions,
        )

    def _refused(
        self,
        key: str,
        title: str,
        why: Refused,
        about: str = "",
        ids: tuple[str, ...] = (),
        cautions: tuple[str, ...] = (),
    ) -> None:
        self.answers.append(
            refusal(
                f"{self.species}.{key}",
                title,
                why,
                about=about or named(self.species),
                n=len(ids),
                ids=ids,
                subject=self.species,
                cautions=cautions,
            )
        )
