"""Chapter: removal of unwanted fish. What was taken out, how many are left, and what it takes to go on."""

import math
from dataclasses import dataclass

import numpy as np

from fishery.answers import Interval, Refused
from fishery.biomass import Biomass, catch_biomass, standing_biomass
from fishery.leslie import Depletion, effort_needed, leslie
from fishery.removal import TRUSTED_FISH, Removal, passes_needed
from fishery.removal import removal as fit_removal
from ingest.species import SpeciesBook
from office.answers.conditions import main_gear
from office.answers.measured import REMOVAL_FEW
from office.answers.model import Answer, Cell, Chapter, Column, Plot, Series, Table
from office.answers.records import OUT_OF_WATER, Floats, Records, said
from office.answers.telling import named, refusal, some
from office.answers.units import Words, number

UNEQUAL_EFFORT = 1.2
"""Longest over shortest pass from which on passes are not of equal effort (proposal)."""
PUT_BACK = 0.05
"""Share of the catch put back from which on it is no removal (proposal)."""
NO_EFFORT = 0.02
"""Share of the removed fish without effort from which on catch per hour is none (proposal)."""
WITHIN_DAYS = 180.0
"""Dates of a depletion lie within one season (proposal): over more, fish are born and grow into the catch."""
LEFT_SHARE = 0.1
"""Wanted level where the file of the waters names none: a tenth of the fish that were there."""


def removal(
    records: Records, book: SpeciesBook, words: Words, *, wanted_left: float | None = None
) -> Chapter:
    """Of each species of which fish were taken out on the occasion asked about: catch, weight, and how many are left, from
    the passes of that occasion and from the dates of the season. `wanted_left` overrules the file of the waters."""
    answers: list[Answer] = []
    tables: list[Table] = []
    plots: list[Plot] = []
    for species in records.species:
        mine = _OfSpecies(records, species, words, wanted_left)
        answers += mine.answers
        tables += mine.tables
        plots += mine.plots
    if not answers:
        why = Refused(f"No fish was removed, {records.when}.", "Fish with the fate removed, kept or died.")
        answers = [refusal("removal", "A removal", why)]
    return Chapter(
        "removal",
        "Removal",
        tuple(answers),
        tuple(tables),
        tuple(plots),
        (
            "Removed are fish with the fate removed, kept or died, those of batches and counts too.",
            "Fish that stay are harder to catch, so removal tends to find too few fish (Riley and Fausch 1992; Peterson "
            "et al. 2004): the number left is rather a least number.",
        ),
    )


@dataclass(frozen=True, slots=True, eq=False)
class Taken:
    """Fish of one species taken out and put back, by run (index of `Records.runs`; the last entry: no run)."""

    out: np.ndarray[tuple[int], np.dtype[np.int64]]
    back: np.ndarray[tuple[int], np.dtype[np.int64]]


def taken(records: Records, species: str, occasion: int) -> Taken:
    fish = records.fish
    width = len(records.runs) + 1
    here = records.of(species) & (fish.occasion == occasion)
    gone = np.isin(fish.fate.astype(str), OUT_OF_WATER)
    out = np.bincount(fish.run[here & gone] % width, minlength=width)
    back = np.bincount(fish.run[here & ~gone] % width, minlength=width)
    for one in records.batches:
        if one.occasion == occasion and one.species == species:
            (out if one.fate in OUT_OF_WATER else back)[one.run % width] += one.n
    return Taken(out, back)


class _OfSpecies:
    def __init__(self, records: Records, species: str, words: Words, wanted: float | None) -> None:
        self.records, self.species, self.words = records, species, words
        self.answers: list[Answer] = []
        self.tables: list[Table] = []
        self.plots: list[Plot] = []
        self.wanted = wanted or records.facts.wanted_left.get(species)
        if records.focus < 0:
            return
        found = taken(records, species, records.focus)
        total, put_back = int(found.out.sum()), int(found.back.sum())
        # a few that died among many released ones are no removal
        if total == 0 or (total <= PUT_BACK * (total + put_back) and self.wanted is None):
            return
        self.ids = self._ids(records.focus)
        self._catch(total, put_back)
        before = len(self.answers)
        self._passes(found)
        self._dates()
        if len(self.answers) == before:
            why = Refused(
                "Fish were removed on one survey only, in no passes that are numbered.",
                "Two passes or more over the same shore, or 3 surveys of a season with their seconds of current-on time.",
            )
            self._no("left", "number of fish left", why, self.ids)
        self._weight(total)

    def _ids(self, *occasions: int) -> tuple[str, ...]:
        fish = self.records.fish
        gone = np.isin(fish.fate.astype(str), OUT_OF_WATER)
        return self.records.ids(self.records.of(self.species) & gone & np.isin(fish.occasion, occasions))

    # --- what was taken ---------------------------------------------------------------------------------------------

    def _catch(self, total: int, put_back: int) -> None:
        again = f"; {put_back} were put back" if put_back else ""
        self.answers.append(
            Answer(
                f"{self.species}.removed",
                "fish removed",
                f"{named(self.species)}, {self.records.when}: {total} fish removed{again}.",
                float(total),
                "fish",
                None,
                total,
                "fish",
                "count of single fish, batches and counts",
                "definition",
                self.ids,
                subject=self.species,
            )
        )

    def _weight(self, total: int) -> None:
        """Weight of what was taken: single fish and batches on the scale, the mean of the single ones for the rest."""
        records, weights = self.records, self._weights()
        batches = [
            one
            for one in records.batches
            if one.occasion == records.focus
            and one.species == self.species
            and one.fate in OUT_OF_WATER
            and one.total_weight_g is not None
        ]
        together_kg = sum(one.total_weight_g or 0.0 for one in batches) / 1000
        counted = total - sum(one.n for one in batches)
        title = "weight removed"
        found: Biomass | Refused | None = None
        if counted:
            found = catch_biomass(weights, counted, 1.0)
        if isinstance(found, Refused):
            self._no("removed_kg", title, found, self.ids)
            return
        kg = together_kg + (found.kg if found else 0.0)
        interval = None
        if found is not None and len(weights) < counted:
            ends = (found.interval.low + together_kg, found.interval.high + together_kg)
            interval = type(found.interval)(*ends, found.interval.level, found.interval.method)
        formula = found.formula if found else "sum of the weights of the batches"
        for key, unit, times in (
            ("removed_kg", "kg", 1.0),
            ("removed_kg_per_ha", "kg/ha", records.facts.area_ha),
        ):
            if times is None:
                continue
            per = 1 / times
            limits = None if interval is None else interval.times(per)
            where = f" on {self.words.quantity(times, 'ha')}" if unit == "kg/ha" else ""
            self.answers.append(
                Answer(
                    f"{self.species}.{key}",
                    title if unit == "kg" else "weight removed per area",
                    f"{named(self.species)}, {records.when}: {self.words.quantity(kg * per, unit)} removed"
                    f"{self.words.limits(limits, unit)}{where}; {len(weights)} single fish and {len(batches)} batches of "
                    f"{total} fish were weighed.",
                    kg * per,
                    unit,
                    limits,
                    total,
                    "fish",
                    formula,
                    found.source if found else "definition",
                    self.ids,
                    cautions=found.cautions if found else (),
                    subject=self.species,
                )
            )

    def _weights(self) -> Floats:
        """Of the single fish removed on the occasion asked about, g."""
        records, fish = self.records, self.records.fish
        here = records.of(self.species) & records.now & np.isin(fish.fate.astype(str), OUT_OF_WATER)
        return fish.weight_g[here & np.isfinite(fish.weight_g)]

    def _weight_left(self, key: str, left: float, limits: Interval, cautions: tuple[str, ...]) -> None:
        """Where the area is known and fish were weighed: what the fish left weigh on a hectare."""
        area_ha = self.records.facts.area_ha
        if area_ha is None:
            return
        found = standing_biomass(left, limits, self._weights(), area_ha)
        if isinstance(found, Refused):
            return  # the weight removed says what is missing
        self.answers.append(
            Answer(
                f"{self.species}.{key}_left_kg_per_ha",
                "weight left per area",
                f"{named(self.species)}, {self.records.when}: {self.words.quantity(found.kg_per_ha, 'kg/ha')} are left"
                f"{self.words.limits(found.interval, 'kg/ha')} on {self.words.quantity(area_ha, 'ha')}, by the mean weight "
                f"of {found.weighed} fish removed.",
                found.kg_per_ha,
                "kg/ha",
                found.interval,
                found.weighed,
                "fish",
                found.formula,
                found.source,
                self.ids,
                cautions=(*cautions, *found.cautions),
                subject=self.species,
            )
        )

    # --- passes of one occasion -------------------------------------------------------------------------------------

    def _passes(self, found: Taken) -> None:
        """Each area that was fished in two passes or more, and all such areas together where they had as many."""
        records = self.records
        areas: dict[tuple[int, str], dict[int, list[int]]] = {}
        for index, run in enumerate(records.runs):
            if run.occasion == records.focus and run.pass_no is not None:
                areas.setdefault((run.survey, run.area), {}).setdefault(run.pass_no, []).append(index)
        several = {key: passes for key, passes in areas.items() if len(passes) > 1}
        if not several:
            return
        most = max(len(passes) for passes in several.values())
        used = [passes for passes in several.values() if len(passes) == most]
        steps = [[i for passes in used for i in sorted(passes.items())[step][1]] for step in range(most)]
        catches = [int(found.out[step].sum()) for step in steps]
        back = int(sum(found.back[step].sum() for step in steps))
        seconds = [sum(records.runs[i].seconds or 0.0 for i in step) for step in steps]
        title = "number of fish before the removal (passes)"
        ids = tuple(
            one
            for one, run in zip(self.ids, self._runs_of(self.ids), strict=True)
            if any(run in step for step in steps)
        )
        self._pass_table(catches, seconds)
        if back > PUT_BACK * (back + sum(catches)):
            why = Refused(
                f"{back} of {back + sum(catches)} fish of the passes were put back.",
                "Fish of a pass kept out of the water until the last pass.",
            )
            self._no("passes", title, why, ids)
            return
        timed = all(records.runs[i].seconds for step in steps for i in step)
        if timed and max(seconds) > UNEQUAL_EFFORT * min(seconds):
            line = leslie(catches, [one / 3600 for one in seconds])
            self._told_line("passes", title, line, ids, "passes", sum(seconds) / len(seconds) / 3600)
            return
        fit = fit_removal(catches)
        if isinstance(fit, Refused):
            self._no("passes", title, fit, ids)
            return
        self._told_removal(fit, title, ids, len(several) - len(used))

    def _runs_of(self, ids: tuple[str, ...]) -> list[int]:
        wanted = set(ids)
        fish = self.records.fish
        return [int(run) for fish_id, run in zip(fish.ids, fish.run, strict=True) if fish_id in wanted]

    def _pass_table(self, catches: list[int], seconds: list[float]) -> None:
        rows: tuple[tuple[Cell, ...], ...] = tuple(
            (i + 1, one, time or None) for i, (one, time) in enumerate(zip(catches, seconds, strict=True))
        )
        columns = (Column("pass"), Column("removed", "fish"), Column("current on", "s", 0))
        title = f"Removal of {said(self.species)} by pass, {self.records.when}"
        self.tables.append(Table(f"{self.species}.passes", title, columns, rows))

    def _told_removal(self, fit: Removal, title: str, ids: tuple[str, ...], left_out: int) -> None:
        passes = len(fit.catches)
        about = f"{named(self.species)}, {self.records.when}"
        cautions = fit.cautions
        if left_out:
            cautions = (*cautions, f"{left_out} areas with fewer passes are left out.")
        few = fit.estimate < TRUSTED_FISH.get(passes, 0)
        covers = REMOVAL_FEW if few else None
        shown = ", ".join(str(one) for one in fit.catches)
        for key, name, value, interval, told in (
            ("passes", title, fit.estimate, fit.interval, "fish were there before the first pass"),
            (
                "passes_left",
                "fish left after the passes",
                fit.left,
                fit.left_interval,
                "fish are left in the areas fished",
            ),
        ):
            self.answers.append(
                Answer(
                    f"{self.species}.{key}",
                    name,
                    f"{about}: {value:,.0f} {told}{self.words.limits(interval, decimals=0)}; passes brought {shown} "
                    f"({fit.method}, catchability {fit.catchability:.2f}).",
                    value,
                    "fish",
                    interval,
                    fit.total,
                    "fish",
                    fit.formula,
                    fit.source,
                    ids,
                    cautions=cautions,
                    measured_coverage=covers,
                    subject=self.species,
                    headline=key == "passes_left" and math.isfinite(interval.high),
                )
            )
        self._weight_left("passes", fit.left, fit.left_interval, cautions)
        wanted = self._level(fit.estimate)
        needed = passes_needed(fit, wanted)
        high = "no limit" if math.isinf(needed.high) else f"{needed.high:.0f}"
        told = f"{some(needed.passes, 'further pass')} like these would leave"
        if needed.passes == 0:
            told = "no further pass is needed to leave"
        self.answers.append(
            Answer(
                f"{self.species}.passes_needed",
                "further passes",
                f"{about}: {told} {wanted:.0f} fish or fewer ({needed.low} to {high} at the limits).",
                float(needed.passes),
                "passes",
                type(fit.interval)(
                    needed.low, needed.high, needed.level, "at the limits of the number of fish"
                ),
                fit.total,
                "fish",
                needed.formula,
                fit.source,
                ids,
                cautions=needed.cautions,
                subject=self.species,
            )
        )
        expected = [fit.estimate * fit.catchability * (1 - fit.catchability) ** i for i in range(passes)]
        self._plot(
            [float(i + 1) for i in range(passes)], list(map(float, fit.catches)), expected, "pass", "fish"
        )

    def _level(self, estimate: float) -> float:
        return self.wanted if self.wanted is not None else max(LEFT_SHARE * estimate, 1.0)

    # --- dates ------------------------------------------------------------------------------------------------------

    def _dates(self) -> None:
        """Depletion over the dates of the season, by the hours of current-on time."""
        records = self.records
        here = records.occasions[-1].year
        chosen = [one for one in records.occasions if (here - one.year) * 365.25 <= WITHIN_DAYS]
        steps = [(one, taken(records, self.species, one.index)) for one in chosen]
        removed_before = sum(bool(found.out.any()) for _, found in steps)
        if removed_before < 2:
            return
        if len(steps) < 3:
            why = Refused(
                f"{len(steps)} surveys with removals within {WITHIN_DAYS:.0f} days.",
                "3 surveys or more, each with its seconds of current-on time.",
            )
            self._no("dates", "number of fish before the removal (dates)", why, self.ids)
            return
        hours = [
            sum(
                run.seconds or 0.0
                for run in records.runs
                if run.occasion == one.index and main_gear([run]) is not None
            )
            / 3600
            for one, _ in steps
        ]
        catches = [int(found.out.sum()) for _, found in steps]
        silent = [i for i, run in enumerate(records.runs) if run.seconds is None or main_gear([run]) is None]
        loose = sum(int(found.out[[*silent, -1]].sum()) for _, found in steps)
        line: Depletion | Refused
        if loose > NO_EFFORT * sum(catches):
            line = Refused(
                f"{loose} of {sum(catches)} removed fish came from no run with seconds of current-on time.",
                "Every removed fish in a run with its seconds; angled and netted ones make no catch per hour of current.",
            )
        else:
            line = leslie(catches, hours)
        ids = self._ids(*(one.index for one in chosen))
        rows: tuple[tuple[Cell, ...], ...] = tuple(
            (one.name, catch, time, catch / time if time else None)
            for (one, _), catch, time in zip(steps, catches, hours, strict=True)
        )
        columns = (
            Column("survey"),
            Column("removed", "fish"),
            Column("current on", "h", 2),
            Column("catch", "fish per hour", 1),
        )
        title = f"Removal of {said(self.species)} by date"
        self.tables.append(Table(f"{self.species}.dates", title, columns, rows))
        runs = [run.seconds for run in records.runs if run.occasion == records.focus and run.seconds]
        mean_run = sum(runs) / len(runs) / 3600 if runs else 0.0
        name = "number of fish before the removal (dates)"
        self._told_line("dates", name, line, ids, "dates", mean_run)

    def _told_line(
        self,
        key: str,
        title: str,
        line: Depletion | Refused,
        ids: tuple[str, ...],
        steps: str,
        run_hours: float,
    ) -> None:
        if isinstance(line, Depletion) and line.p_slope > 0.05 and math.isinf(line.interval.high):
            line = Refused(
                f"The fall of catch per hour over {len(line.catches)} {steps} may be chance (P {line.p_slope:.2g}) and the "
                "data set no upper limit.",
                f"Further {steps}, until the catch per hour clearly falls.",
            )
        if isinstance(line, Refused):
            self._no(key, title, line, ids)
            return
        about = f"{named(self.species)}, {self.records.when}"
        for name, what, value, interval, told in (
            (key, title, line.estimate, line.interval, "fish were there at the start"),
            (f"{key}_left", f"fish left after the {steps}", line.left, line.left_interval, "fish are left"),
        ):
            self.answers.append(
                Answer(
                    f"{self.species}.{name}",
                    what,
                    f"{about}: {value:,.0f} {told}{self.words.limits(interval, decimals=0)}; {line.total:.0f} fish in "
                    f"{len(line.catches)} {steps} ({line.method}).",
                    value,
                    "fish",
                    interval,
                    int(line.total),
                    "fish",
                    line.formula,
                    line.source,
                    ids,
                    cautions=line.cautions,
                    subject=self.species,
                    headline=name.endswith("_left") and math.isfinite(interval.high),
                )
            )
        self._weight_left(key, line.left, line.left_interval, line.cautions)
        wanted = self._level(line.estimate)
        needed = effort_needed(line, wanted)
        runs = f", {needed.effort / run_hours:.0f} runs of {60 * run_hours:.0f} min" if run_hours else ""
        self.answers.append(
            Answer(
                f"{self.species}.{key}_effort_needed",
                "further effort",
                f"{about}: {number(needed.effort, 2)} hours of current-on time{self.words.limits(needed.interval, 'h', 2)} "
                f"would leave {wanted:.0f} fish or fewer{runs}.",
                needed.effort,
                "h",
                needed.interval,
                len(line.catches),
                steps,
                needed.formula,
                "Ricker 1975",
                ids,
                cautions=line.cautions,
                subject=self.species,
            )
        )
        before = np.cumsum(line.catches) - np.array(line.catches)
        per_hour = [c / f for c, f in zip(line.catches, line.efforts, strict=True)]
        fitted = [line.intercept - line.catchability * float(one) for one in before]
        self._plot([float(one) for one in before], per_hour, fitted, "fish removed before", "fish per hour")

    def _plot(
        self, x: list[float], seen: list[float], fitted: list[float], x_label: str, y_unit: str
    ) -> None:
        kind = "passes" if x_label == "pass" else "dates"
        self.plots.append(
            Plot(
                key=f"{self.species}.removal_{kind}",
                kind="removal",
                title=f"Removal of {said(self.species)}",
                x_label=x_label,
                x_unit="",
                y_label="catch",
                y_unit=y_unit,
                series=(
                    Series("catch", "points", tuple(x), tuple(seen)),
                    Series("expected by the model", "line", tuple(x), tuple(fitted)),
                ),
                described=f"Catch of {said(self.species)} against {x_label}: from {number(seen[0])} to {number(seen[-1])} "
                f"{y_unit}, and the line that the model expects.",
                subject=self.species,
            )
        )

    def _no(self, key: str, title: str, why: Refused, ids: tuple[str, ...]) -> None:
        self.answers.append(
            refusal(
                f"{self.species}.{key}",
                f"the {title}",
                why,
                about=f"{named(self.species)}, {self.records.when}",
                n=len(ids),
                ids=ids,
                subject=self.species,
            )
        )
