"""Chapter: how many fish does an hour of current-on time bring? Per run and survey, and what can be compared."""

from dataclasses import dataclass

import numpy as np

from fishery.answers import Refused
from fishery.catch import LEAST_BOOTSTRAP_RUNS, CatchRate, catch_rate, fish_per_hour, runs_needed
from ingest.species import SpeciesBook
from office.answers.conditions import comparable, main_gear, power
from office.answers.measured import CPUE_FEW
from office.answers.model import Answer, Cell, Chapter, Column, Plot, Series, Table
from office.answers.records import Floats, Ints, Records, Run, said
from office.answers.structure import sizes
from office.answers.telling import named, refusal, some
from office.answers.trends import Point, gears_of, trend_plot
from office.answers.units import Words, number

PER_HOUR = "fish per hour"
WANTED_RSE = 25.0
ALL = "all"
_PLOTTED = 4
"""Species whose catch by run is drawn, the most numerous first."""


def catch(records: Records, book: SpeciesBook, words: Words) -> Chapter:
    """Catch per hour of the occasion asked about by species and size category; over the occasions; what differs."""
    here = effort(records, records.focus)
    answers: list[Answer] = []
    tables: list[Table] = []
    plots: list[Plot] = []
    if records.occasions and here.runs:
        rates = _rates(records, here)
        for species, rate in rates.items():
            answers += _answers(records, here, species, rate, book)
        tables += [_by_run(records, here), _sureness(records, rates)]
        plots += _plots(records, here)
        plots += _trends(records, words)
    else:
        refused = _refusal(records, here)
        answers.append(refusal("all.cpue", "the catch per hour", refused, about=records.when))
    listed, shown = comparable(records)
    answers += [*listed, *power(records)]
    tables += shown
    return Chapter(
        "catch",
        "Catch",
        tuple(answers),
        tuple(tables),
        tuple(plots),
        (
            "Effort is the time the current was on, as the crew said it for each run. The run is the sample, not the fish; "
            "a run without fish counts. Fish of batches and counts are in the catch.",
            "A second or later pass over the same shore meets fewer fish: only first passes are in the rates.",
            "Gears catch at rates of their own: only runs with the electrofishing gear of the most time are in the rates.",
            "Catch per hour follows the number of fish only while season, settings, conductivity, light and crew are alike.",
        ),
    )


@dataclass(frozen=True, slots=True, eq=False)
class Effort:
    """The runs of one occasion that rates may be made from, as indices of `Records.runs`, with their seconds.

    left_out: sentences on what is not in them.
    """

    occasion: int
    runs: tuple[int, ...]
    seconds: Floats
    left_out: tuple[str, ...]

    def catches(self, records: Records, species: str) -> Ints:
        """Fish of the species in each run, shape (runs,)."""
        fish = records.fish
        here = (fish.occasion == self.occasion) & (fish.run >= 0)
        if species != ALL:
            here &= records.of(species)
        counts = np.bincount(fish.run[here], minlength=len(records.runs))
        for one in records.batches:
            if one.occasion == self.occasion and one.run >= 0 and species in (ALL, one.species):
                counts[one.run] += one.n
        return np.asarray(counts[list(self.runs)], dtype=np.int64)

    def ids(self, records: Records, species: str) -> tuple[str, ...]:
        """The single fish behind the catch (fish of batches have no records of their own)."""
        mask = np.isin(records.fish.run, self.runs)
        return records.ids(mask if species == ALL else mask & records.of(species))


def effort(records: Records, occasion: int) -> Effort:
    """First passes with seconds of current-on time."""
    mine = [(i, run) for i, run in enumerate(records.runs) if run.occasion == occasion]
    later = sum((run.pass_no or 1) > 1 for _, run in mine)
    first = [(i, run) for i, run in mine if (run.pass_no or 1) == 1]
    timed = [(i, run) for i, run in first if run.seconds is not None]
    gear = main_gear([run for _, run in timed])
    used = [(i, run) for i, run in timed if gear is not None and run.gear.casefold() in ("", gear)]
    said_so = []
    if len(used) < len(timed):
        others = sorted({run.gear for i, run in timed if (i, run) not in used})
        said_so.append(
            some(len(timed) - len(used), "run", f"left out, with other gear ({', '.join(others)}).")
        )
    if later:
        said_so.append(some(later, "later pass", "left out."))
    silent = len(first) - len(timed)
    if silent:
        verb = "is" if silent == 1 else "are"
        said_so.append(f"{some(silent, 'run')} without seconds of current-on time {verb} left out.")
    fish = records.fish
    loose = int(((fish.occasion == occasion) & (fish.run < 0)).sum())
    loose += sum(one.n for one in records.batches if one.occasion == occasion and one.run < 0)
    if loose:
        said_so.append(f"{loose} fish of no run {'is' if loose == 1 else 'are'} left out.")
    seconds = np.array([run.seconds for _, run in used], dtype=np.float64)
    return Effort(occasion, tuple(i for i, _ in used), seconds, tuple(said_so))


def _refusal(records: Records, here: Effort) -> Refused:
    runs = sum(run.occasion == records.focus for run in records.runs)
    more = f" {' '.join(here.left_out)}" if here.left_out else ""
    return Refused(
        f"{some(runs, 'run')}, none with seconds of current-on time.{more}",
        "Runs with their seconds: `tallywell run end seconds=640` at the water.",
    )


def _rates(records: Records, here: Effort) -> dict[str, CatchRate]:
    found = {}
    for species in (*((ALL,) if records.only_species is None else ()), *_caught(records)):
        rate = catch_rate(here.catches(records, species), here.seconds)
        if isinstance(rate, CatchRate):
            found[species] = rate
    return found


def _caught(records: Records) -> tuple[str, ...]:
    """Species of the occasion asked about; one that was asked for by name too, if none was caught."""
    now = set(records.fish.species[records.now])
    now |= {one.species for one in records.batches if one.occasion == records.focus}
    return tuple(one for one in records.species if one in now or one == records.only_species)


def _answers(
    records: Records, here: Effort, species: str, rate: CatchRate, book: SpeciesBook
) -> list[Answer]:
    name = "All species" if species == ALL else named(species)
    ids = here.ids(records, species)
    found = [
        _told(
            f"{species}.cpue",
            "catch per hour",
            f"{name}, {records.when}",
            rate,
            ids,
            species,
            here.left_out,
            headline=species != ALL,
        )
    ]
    wanted = runs_needed(rate, WANTED_RSE)
    if isinstance(wanted, Refused):
        found.append(
            refusal(
                f"{species}.cpue.runs_needed",
                "the number of runs that would do",
                wanted,
                about=name,
                n=rate.runs,
                n_of="runs",
                ids=ids,
                subject=species,
            )
        )
    else:
        limits = Words().limits(wanted.interval, decimals=0)
        found.append(
            Answer(
                f"{species}.cpue.runs_needed",
                f"runs for a relative standard error of {WANTED_RSE:g} %",
                f"{name}: {some(wanted.runs, 'run')} like these would bring the standard error to {WANTED_RSE:g} % of "
                f"the catch per hour{limits}; {rate.runs} were made, with {rate.rse_percent or 0:.0f} %.",
                float(wanted.runs),
                "runs",
                wanted.interval,
                rate.runs,
                "runs",
                wanted.formula,
                wanted.source,
                ids,
                cautions=wanted.cautions,
                subject=species,
            )
        )
    if species != ALL:
        found += _by_category(records, here, species, book)
    return found


def _told(
    key: str,
    title: str,
    about: str,
    rate: CatchRate,
    ids: tuple[str, ...],
    subject: str,
    cautions: tuple[str, ...],
    *,
    headline: bool = False,
) -> Answer:
    error = f", relative standard error {rate.rse_percent:.0f} %" if rate.rse_percent is not None else ""
    return Answer(
        key,
        title,
        f"{about}: {number(rate.per_hour)} fish per hour of current-on time{Words().limits(rate.interval)}, "
        f"{rate.fish:.0f} fish in {some(rate.runs, 'run')} and {number(rate.hours, 2)} hours{error}.",
        rate.per_hour,
        PER_HOUR,
        rate.interval,
        rate.runs,
        "runs",
        rate.formula,
        rate.source,
        ids,
        cautions=(*rate.cautions, *cautions),
        measured_coverage=CPUE_FEW if 1 < rate.runs < LEAST_BOOTSTRAP_RUNS else None,
        subject=subject,
        headline=headline,
    )


def _by_category(records: Records, here: Effort, species: str, book: SpeciesBook) -> list[Answer]:
    """Measured fish of each length or longer, per hour."""
    known = book.get(species)
    categories = known.length_categories() if known else None
    if categories is None:
        return []
    found = sizes(records, species, categories, records.focus)
    if not (found.categories >= 0).any():
        return []
    unmeasured = int(here.catches(records, species).sum()) - int(np.isin(found.runs, here.runs).sum())
    cautions = here.left_out
    if unmeasured > 0:
        cautions = (
            *cautions,
            f"{unmeasured} fish {'was' if unmeasured == 1 else 'were'} not measured: the rates by length are too low by "
            f"{'it' if unmeasured == 1 else 'them'}.",
        )
    answers = []
    for place, bound in enumerate(categories.bounds):
        reached = (found.categories >= place) & np.isin(found.runs, here.runs)
        if not reached.any():
            continue
        counts = np.bincount(found.runs[reached], minlength=len(records.runs))[list(here.runs)]
        rate = catch_rate(counts, here.seconds)
        if isinstance(rate, CatchRate):
            ids = tuple(one for one, take in zip(found.ids, reached, strict=True) if take)
            about = f"{named(species)} of {bound.name} length or longer, {records.when}"
            key = f"{species}.cpue.{bound.name}"
            title = f"catch per hour, {bound.name} length or longer"
            answers.append(_told(key, title, about, rate, ids, species, cautions))
    return answers


def _by_run(records: Records, here: Effort) -> Table:
    shown = _caught(records)[:8]
    catches = {species: here.catches(records, species) for species in (ALL, *shown)}
    rows: list[tuple[Cell, ...]] = []
    for place, index in enumerate(here.runs):
        run = records.runs[index]
        hours = float(here.seconds[place]) / 3600
        total = int(catches[ALL][place])
        rows.append(
            (
                _run_name(records, run),
                run.gear or None,
                float(here.seconds[place]),
                total,
                total / hours,
                *(int(catches[species][place]) for species in shown),
            )
        )
    columns = (
        Column("run"),
        Column("gear"),
        Column("current on", "s", 0),
        Column("fish"),
        Column("catch", PER_HOUR, 1),
        *(Column(said(species), "fish") for species in shown),
    )
    return Table("by_run", f"Catch by run, {records.when}", columns, tuple(rows), " ".join(here.left_out))


def _sureness(records: Records, rates: dict[str, CatchRate]) -> Table:
    """Each rate with its standard error and both kinds of limits."""
    rows: list[tuple[Cell, ...]] = []
    for species, rate in rates.items():
        ends = [
            end
            for one in (rate.interval, rate.bootstrap)
            for end in ((None, None) if one is None else (one.low, one.high))
        ]
        name = "all species" if species == ALL else said(species)
        rows.append((name, int(rate.fish), rate.per_hour, rate.se, rate.rse_percent, *ends))
    columns = (
        Column("species"),
        Column("fish"),
        Column("catch", PER_HOUR, 1),
        Column("standard error", "", 1),
        Column("of the catch", "%", 0),
        Column("lower 95 %", "", 1),
        Column("upper 95 %", "", 1),
        Column("bootstrap, lower", "", 1),
        Column("upper", "", 1),
    )
    note = (
        "Limits: t on the log scale, exact Poisson where no fish was caught; "
        f"bootstrap over runs from {LEAST_BOOTSTRAP_RUNS} runs on."
    )
    return Table("sureness", f"How sure the catch per hour is, {records.when}", columns, tuple(rows), note)


def _run_name(records: Records, run: Run) -> str:
    """With the station where several worked that day."""
    survey = records.surveys[run.survey]
    several = len(records.occasions[run.occasion].surveys) > 1
    return f"{survey.station} {run.name}" if several else run.name


def _plots(records: Records, here: Effort) -> list[Plot]:
    plots = []
    names = tuple(_run_name(records, records.runs[index]) for index in here.runs)
    for species in _caught(records)[:_PLOTTED]:
        counts = here.catches(records, species)
        per_hour = fish_per_hour(counts, here.seconds)
        plots.append(
            Plot(
                key=f"{species}.catch_by_run",
                kind="catch_by_run",
                title=f"Catch of {said(species)} by run, {records.when}",
                x_label="run",
                x_unit="",
                y_label="catch",
                y_unit=PER_HOUR,
                series=(
                    Series(
                        "fish per hour",
                        "bars",
                        tuple(float(i) for i in range(len(names))),
                        tuple(float(one) for one in per_hour),
                        width=0.8,
                        fish=tuple(int(one) for one in counts),
                    ),
                ),
                x_names=names,
                described=f"Catch of {said(species)} in {len(names)} runs, {number(float(per_hour.min()))} to "
                f"{number(float(per_hour.max()))} fish per hour.",
                subject=species,
            )
        )
    return plots


def _trends(records: Records, words: Words) -> list[Plot]:
    """Catch per hour over the occasions, of the species caught now."""
    plots = []
    efforts = [effort(records, one.index) for one in records.occasions]
    for species in _caught(records)[:_PLOTTED]:
        points = []
        for one, here in zip(records.occasions, efforts, strict=True):
            rate = catch_rate(here.catches(records, species), here.seconds) if here.runs else None
            if isinstance(rate, CatchRate):
                points.append(Point(one, rate.per_hour, rate.interval, int(rate.fish)))
        plot = trend_plot(
            points,
            lambda per_hour: f"{number(per_hour)} {PER_HOUR}",
            key=f"{species}.cpue_trend",
            subject=species,
            title=f"Catch of {said(species)}",
            name="catch per hour",
            y_label="catch",
            y_unit=PER_HOUR,
            gears=gears_of(records, points),
        )
        plots += [plot] if plot else []
    return plots
