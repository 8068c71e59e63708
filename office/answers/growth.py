"""Chapter: how do the fish grow? Between captures of each tag, by a curve, and of fish whose age is known."""

import numpy as np

from fishery.answers import Estimate, Refused
from fishery.growth import (
    DAYS_PER_YEAR,
    FEW_FISH,
    LENGTH_SD_MM,
    NoRate,
    change_between,
    mean_length_at_age,
    mean_rate,
    time_for_error,
)
from fishery.growth_models import Curve, fit_at_age
from fishery.growth_published import CURVES, LENGTHS
from ingest.species import SpeciesBook
from office.answers.model import Answer, Cell, Chapter, Column, Plot, Series, Table
from office.answers.recaptures import (
    Curves,
    Pairs,
    captures_of,
    curves,
    known_ages,
    pairs_of,
)
from office.answers.records import Records, said
from office.answers.telling import estimated, named, refusal
from office.answers.units import Words

ROWS_SHOWN = 100
_ABOUT_A_YEAR = 0.75
_TOLD_AGES = 30


def growth(records: Records, book: SpeciesBook, words: Words) -> Chapter:
    """Growth of recaptured fish of all occasions by species, and length at age of stocked fish."""
    answers: list[Answer] = []
    tables: list[Table] = []
    plots: list[Plot] = []
    for species in records.species:
        mine = _OfSpecies(records, species, words)
        answers += mine.answers
        tables += mine.tables
        plots += mine.plots
    if not answers:
        why = Refused(
            f"No fish was measured on two occasions{records.until}, and no stocking of known age is named.",
            "Tagged fish that are caught again, or a stocking in the file of the waters.",
        )
        answers = [refusal("growth", "Growth", why)]
    return Chapter(
        "growth",
        "Growth",
        tuple(answers),
        tuple(tables),
        tuple(plots),
        (
            f"One length of a fish at large is measured with a standard deviation of about {LENGTH_SD_MM:g} mm (computed "
            "from Campbell and Collins 1975). A rate is given for one fish only where its growth exceeds that error; means "
            "take all fish, those that seem to have shrunk too.",
            "Growth differs between waters by climate, food and number of fish: published lengths are landmarks, not "
            "targets.",
        ),
    )


class _OfSpecies:
    def __init__(self, records: Records, species: str, words: Words) -> None:
        self.records, self.species, self.words = records, species, words
        self.answers: list[Answer] = []
        self.tables: list[Table] = []
        self.plots: list[Plot] = []
        captures = captures_of(records, species)
        found = pairs_of(records, captures, whole=True)
        if len(found):
            self._rates(found)
            self._each(pairs_of(records, captures, whole=False))
            self._curves(found)
        self._known_age()

    # --- between captures -------------------------------------------------------------------------------------------

    def _rates(self, found: Pairs) -> None:
        about = named(self.species)
        cautions: tuple[str, ...] = (
            "Every animal counts once, from its first to its last capture.",
            "Growth of tagged fish, which may be less than that of others.",
        )
        if found.from_elsewhere:
            cautions += (f"{found.from_elsewhere} first captures come from files that name no length type.",)
        weighed = np.isfinite(found.weight1) & np.isfinite(found.weight2)
        # a rate of weeks is one of its season: where fish enough were at large for a year or so, they tell of the year
        yearly = found.days >= _ABOUT_A_YEAR * DAYS_PER_YEAR
        chosen = yearly if yearly.sum() >= FEW_FISH else np.ones(len(found), dtype=np.bool_)
        if yearly.sum() >= FEW_FISH and not yearly.all():
            cautions += (f"{int((~yearly).sum())} fish at large for less than nine months are left out.",)
        for key, unit, mask, one, other in (
            ("mm_per_year", "mm", chosen, found.length1, found.length2),
            ("g_per_year", "g", weighed & chosen, found.weight1, found.weight2),
        ):
            what = "growth in length" if unit == "mm" else "growth in weight"
            rate = mean_rate(found.days[mask], one[mask], other[mask], unit)
            ids = found.fish_ids(mask)
            if isinstance(rate, Refused):
                if unit == "mm":
                    needed = time_for_error(0.1)
                    wanted = (
                        f"{rate.wanted} At 0.1 mm a day growth exceeds its error after {needed:.0f} days."
                    )
                    self._refused(key, what, Refused(rate.why, wanted), ids)
                continue
            per_year = f"{unit} per year"
            median_days = float(np.median(found.days[mask]))
            self.answers.append(
                estimated(
                    f"{self.species}.{key}",
                    what,
                    f"{about}: {what} {self.words.quantity(rate.value, per_year)}"
                    f"{self.words.limits(rate.interval, per_year)}, {rate.n} fish caught again, at large for "
                    f"{median_days:.0f} days (median).",
                    rate,
                    unit=per_year,
                    ids=ids,
                    subject=self.species,
                    # weeks of the growing season stretched to a year are nothing to tell an owner first
                    headline=unit == "mm" and bool(yearly[chosen].all()),
                    cautions=cautions,
                )
            )

    def _each(self, found: Pairs) -> None:
        """A table of the fish of this occasion that were caught before."""
        records = self.records
        now = records.fish.occasion[found.later] == records.focus
        if not now.any():
            return
        change = change_between(found.days, found.length1, found.length2, LENGTH_SD_MM)
        rows: list[tuple[Cell, ...]] = []
        for i in np.flatnonzero(now)[:ROWS_SHOWN]:
            given = change.why[i] == NoRate.GIVEN
            grown_g = float(found.weight2[i] - found.weight1[i])
            rows.append(
                (
                    ", ".join(records.tags[int(found.animal[i])]),
                    round(float(found.days[i])),
                    float(found.length1[i]),
                    float(found.length2[i]),
                    float(change.gain[i]),
                    float(change.per_30_days[i]) if given else None,
                    float(change.per_year[i]) if given else None,
                    grown_g if np.isfinite(grown_g) else None,
                )
            )
        columns = (
            Column("tag"),
            Column("days since"),
            Column("length then", "mm", 0),
            Column("length now", "mm", 0),
            Column("grown", "mm", 0),
            Column("rate", "mm per 30 days", 1),
            Column("rate", "mm per year", 0),
            Column("grown", "g", 0),
        )
        error = self.words.length(1.96 * 2**0.5 * LENGTH_SD_MM)
        note = f"Since the capture before. No rate below 14 days, or where the growth lies within its error ({error})."
        if now.sum() > ROWS_SHOWN:
            note += (
                f" The first {ROWS_SHOWN} of {int(now.sum())} fish; `tallywell fish history TAG` shows each."
            )
        title = f"Growth of recaptured {said(self.species)}, {records.when}"
        self.tables.append(Table(f"{self.species}.growth", title, columns, tuple(rows), note))

    # --- curves -----------------------------------------------------------------------------------------------------

    def _curves(self, found: Pairs) -> None:
        fits = curves(found)
        ids = found.fish_ids()
        about = named(self.species)
        if isinstance(fits.fabens, Refused):
            self._refused("fabens", "the growth curve (Fabens)", fits.fabens, ids)
        else:
            self._linf_and_k("fabens", fits.fabens.linf, fits.fabens.k, "Fabens", ids)
        if isinstance(fits.francis, Refused):
            self._refused("francis", "the growth curve (Francis)", fits.francis, ids)
        else:
            fit = fits.francis
            thinned: tuple[str, ...] = ()
            if fit.n < len(found):
                thinned = (f"Fitted to an even selection of {fit.n} of the {len(found)} recaptured fish.",)
            self._linf_and_k("francis", fit.linf["all"], fit.k["all"], "Francis", ids, thinned)
            for place, (name, at) in enumerate((("alpha", fit.alpha_mm), ("beta", fit.beta_mm))):
                rate = fit.growth["all"][place]
                self.answers.append(
                    estimated(
                        f"{self.species}.francis.g_{name}",
                        f"yearly growth of fish of {self.words.length(at)}",
                        f"{about} of {self.words.length(at)} grow {self.words.quantity(rate.value, rate.unit)}"
                        f"{self.words.limits(rate.interval, rate.unit)}, {rate.n} recaptured fish.",
                        rate,
                        ids=ids,
                        subject=self.species,
                    )
                )
            if fit.u is not None and fit.w is not None:
                self.answers.append(
                    estimated(
                        f"{self.species}.francis.season",
                        "season of growth",
                        f"{about}: growth is fastest at {12 * (fit.w.value % 1):.1f} months into the year, height of the "
                        f"season {fit.u.value:.2f} (0 none, 1 stands still at its slowest), {fit.n} fish.",
                        fit.u,
                        ids=ids,
                        subject=self.species,
                    )
                )
        self._plot(found, fits)

    def _linf_and_k(
        self,
        key: str,
        linf: Estimate,
        k: Estimate,
        name: str,
        ids: tuple[str, ...],
        cautions: tuple[str, ...] = (),
    ) -> None:
        about = named(self.species)
        for what, found, told in (
            ("linf", linf, "length at which growth ends, Linf"),
            ("k", k, "rate at which it is approached, K"),
        ):
            value = self.words.quantity(found.value, found.unit)
            self.answers.append(
                estimated(
                    f"{self.species}.{key}.{what}",
                    f"{told} ({name})",
                    f"{about}: {told} {value}{self.words.limits(found.interval, found.unit)} ({name}, "
                    f"{found.n} recaptured fish).",
                    found,
                    ids=ids,
                    subject=self.species,
                    cautions=cautions,
                )
            )

    def _plot(self, found: Pairs, fits: Curves) -> None:
        enough = found.days >= 0.25 * DAYS_PER_YEAR
        if not enough.any():
            return
        yearly = (found.length2 - found.length1)[enough] / (found.t2 - found.t1)[enough]
        starts = found.length1[enough]
        series = [
            Series(
                "recaptured fish",
                "points",
                tuple(float(one) for one in starts),
                tuple(float(one) for one in yearly),
            )
        ]
        if isinstance(fits.fabens, Curve):
            linf, k = fits.fabens.linf.value, fits.fabens.k.value
            ends = (float(starts.min()), float(starts.max()))
            series.append(
                Series(
                    "growth curve (Fabens)", "line", ends, tuple((linf - x) * (1 - np.exp(-k)) for x in ends)
                )
            )
        self.plots.append(
            Plot(
                key=f"{self.species}.growth",
                kind="growth",
                title=f"Growth of recaptured {said(self.species)}",
                x_label="length at first capture",
                x_unit="mm",
                y_label="growth",
                y_unit="mm per year",
                series=tuple(series),
                described=f"Yearly growth of {int(enough.sum())} recaptured {said(self.species)} against their length at "
                f"first capture; mean {self.words.quantity(float(yearly.mean()), 'mm per year')}. Fish at large for less "
                "than a quarter of a year are not shown.",
                subject=self.species,
            )
        )

    # --- known age --------------------------------------------------------------------------------------------------

    def _known_age(self) -> None:
        ages, lengths, ids = known_ages(self.records, self.species)
        if not any(one.species == self.species for one in self.records.facts.stocking):
            return
        if not len(ages):
            none = Refused(
                "No measured fish of a stocking of known age.", "Fish of the stocking caught and measured."
            )
            self._refused("length_at_age", "length at age", none)
            return
        whole = np.floor(ages + 1e-9)
        found = mean_length_at_age(whole, lengths)
        rows: list[tuple[Cell, ...]] = []
        for one in found[:_TOLD_AGES]:
            # of 1.9 years a fish is in its second: published lengths are told at the age that these fish had
            published = _published(self.species, round(float(ages[whole == one.age_years].mean()), 1))
            if isinstance(one.mean, Refused):
                length = float(lengths[whole == one.age_years][0])
                rows.append((one.age_years, 1, length, None, None, *published))
                continue
            assert one.mean.interval is not None
            interval = one.mean.interval
            rows.append((one.age_years, one.mean.n, one.mean.value, interval.low, interval.high, *published))
            self.answers.append(
                estimated(
                    f"{self.species}.length_at_age.{one.age_years:g}",
                    f"length at age {one.age_years:g}",
                    f"{named(self.species)} of age {one.age_years:g}: {self.words.quantity(one.mean.value, 'mm')}"
                    f"{self.words.limits(interval, 'mm')}, {one.mean.n} fish of known age.",
                    one.mean,
                    ids=tuple(
                        fish_id for fish_id, age in zip(ids, whole, strict=True) if age == one.age_years
                    ),
                    subject=self.species,
                )
            )
        columns = (
            Column("age", "years", 0),
            Column("fish"),
            Column("mean length", "mm", 0),
            Column("lower 95 %", "mm", 0),
            Column("upper 95 %", "mm", 0),
            Column("published", "mm", 0),
            Column("published where"),
        )
        note = (
            "Age in whole years since hatching, from the stocking. Published lengths are landmarks of other waters, at the "
            "mean age in years and tenths that these fish had."
        )
        title = f"Length at age of stocked {said(self.species)}"
        self.tables.append(Table(f"{self.species}.length_at_age", title, columns, tuple(rows), note))
        curve = fit_at_age(ages, lengths)
        if isinstance(curve, Refused):
            self._refused("at_age", "the growth curve (known age)", curve, ids)
        else:
            self._linf_and_k("at_age", curve.linf, curve.k, "known age", ids)

    def _refused(self, key: str, title: str, why: Refused, ids: tuple[str, ...] = ()) -> None:
        self.answers.append(
            refusal(
                f"{self.species}.{key}",
                title,
                why,
                about=named(self.species),
                n=len(ids),
                ids=ids,
                subject=self.species,
            )
        )


def _published(species: str, age: float) -> tuple[float | None, str | None]:
    """Mean length at the age elsewhere, and where; a table before a curve, both sexes before one."""
    for table in LENGTHS:
        if table.species != species:
            continue
        before, after = (table.length_at(int(one)) for one in (np.floor(age), np.ceil(age)))
        if before is not None and after is not None:
            return before + (after - before) * (age % 1), f"{table.where} ({table.source})"
    for curve in CURVES:
        if curve.species == species and age > curve.t0_years:
            sex = f"{curve.sex}, " if curve.sex else ""
            return curve.length_at(age), f"{sex}{curve.where} ({curve.source})"
    return None, None
