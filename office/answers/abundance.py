"""Chapter: how many fish are there? Marks seen again on a later survey, closed and open."""

from dataclasses import replace

import numpy as np

from fishery.abundance import CLOSED, KEPT, UNBIASED_RECAPTURES, Abundance, SizeClass, chapman
from fishery.answers import Refused
from fishery.assumptions import Assumption
from fishery.open_population import TRUSTED_MARKED, OpenPopulation, jolly_seber
from fishery.open_population import Estimate as Estimated
from fishery.open_population import Occasion as Caught
from fishery.schnabel import LEAST_OCCASIONS, schnabel, schumacher_eschmeyer
from fishery.tag_loss import TagLoss, chapman_with_loss
from ingest.species import SpeciesBook
from office.answers.lost_tags import by_second_mark, by_two_tags
from office.answers.marks import CLOSED_DAYS, Captures, captures, closed_groups, record_ids
from office.answers.measured import CHAPMAN_FEW, JOLLY_FEW, SCHNABEL_FEW
from office.answers.model import Answer, Cell, Chapter, Column, Plot, Table
from office.answers.records import Records, said
from office.answers.telling import named, refusal, some
from office.answers.trends import Point, trend_plot
from office.answers.units import Words


def abundance(records: Records, book: SpeciesBook, words: Words) -> Chapter:
    """Number of fish at the time of the surveys by species: two surveys, several within two months, many over years."""
    answers: list[Answer] = []
    tables: list[Table] = []
    plots: list[Plot] = []
    for species in records.species:
        found = captures(records, species)
        if found is None:
            continue
        mine = _OfSpecies(records, species, found, words)
        answers += mine.answers
        tables += mine.tables
        plots += mine.plots
    if not answers:
        why = Refused(
            f"No tagged fish{records.until}.",
            "Fish tagged and put back on one survey, and scanned for tags on the next.",
        )
        answers = [refusal("abundance", "The number of fish", why)]
    return Chapter(
        "abundance",
        "Number of fish",
        tuple(answers),
        tuple(tables),
        tuple(plots),
        (
            "Only fish that a reader looked at are a sample for tags; fish that nobody scanned are left out. A fish handled "
            "twice on one survey counts once. Fish that died, were removed or escaped are not among the marked.",
            "Fish shorter than those that get a tag are left out: the number is that of fish of taggable length.",
            f"Surveys within {CLOSED_DAYS} days are taken as of one closed water (proposal).",
        ),
    )


LEAST_MEASURED = 0.9
"""Share of the examined fish that must have a length for a test by length (proposal)."""
_COVERED = {"chapman": CHAPMAN_FEW, "schnabel": SCHNABEL_FEW, "schumacher": SCHNABEL_FEW}


class _OfSpecies:
    def __init__(self, records: Records, species: str, found: Captures, words: Words) -> None:
        self.records, self.species, self.captures, self.words = records, species, found, words
        self.answers: list[Answer] = []
        self.tables: list[Table] = []
        self.plots: list[Plot] = []
        loss = self._tag_loss()
        self._two_surveys(loss)
        self._closed()
        self._open()

    @property
    def _sizes(self) -> str:
        least = self.captures.least_mm
        return f" of {self.words.length(least)} or longer" if least is not None else ""

    # --- two surveys ------------------------------------------------------------------------------------------------

    def _two_surveys(self, loss: TagLoss | Refused | None) -> None:
        records, found = self.records, self.captures
        now = records.focus
        earlier = [i for i in range(now) if found.back[:, i].any()]
        title = "number of fish (two surveys, Chapman)"
        if not earlier:
            why = Refused(
                "Only one survey has tagged fish put back."
                if found.back.any()
                else "No tagged fish was put back.",
                "A second survey on which fish are scanned for tags.",
            )
            self._refused("chapman", title, why, (now,) if now >= 0 else ())
            return
        then = earlier[-1]
        here = records.occasions[now].year
        alive = found.back[:, then] & ~(found.gone_year < here)
        for between in range(then + 1, now):
            alive &= ~(found.seen[:, between] & ~found.back[:, between])
        marked, again = int(alive.sum()), alive & found.seen[:, now]
        examined = int(found.seen[:, now].sum() + found.unmarked[now])
        bare = examined - int((found.seen[:, now] & found.seen[:, :now].any(axis=1)).sum())
        about = f"{named(self.species)}{self._sizes}, {records.occasions[then].name} and {records.when}"
        cautions = self._cautions(then)
        ids = record_ids(records, self.species, (then, now))
        if examined == 0:
            why = Refused("No fish of this survey was scanned for tags.", "Fish scanned for tags.")
            self._refused("chapman", title, why, (then, now), cautions)
            return
        if bare == 0:
            self._refused("chapman", title, _only_marked(examined), (then, now), cautions, about)
            return
        answer = chapman(
            marked, examined, int(again.sum()), classes=self._classes(found.animals[again], now, examined)
        )
        if isinstance(answer, Refused):
            self._refused("chapman", title, answer, (then, now), cautions, about)
            return
        self._told("chapman", title, about, answer, ids, cautions, headline=True)
        self._assumptions(answer.assumptions, then, loss)
        if isinstance(loss, TagLoss):
            mended = chapman_with_loss(marked, 0, examined, int(again.sum()), loss)
            if isinstance(mended, Abundance):
                with_loss = "number of fish (two surveys, lost tags allowed for)"
                self._told("chapman_with_loss", with_loss, about, mended, ids, cautions)

    def _classes(
        self, again: np.ndarray[tuple[int], np.dtype[np.int64]], now: int, examined: int
    ) -> tuple[SizeClass, ...]:
        """The examined fish in three groups of length with their recaptures, where nearly all were measured."""
        records, fish = self.records, self.records.fish
        least = self.captures.least_mm or 0.0
        mask = records.of(self.species) & fish.examined & (fish.occasion == now)
        mask &= (fish.animal >= 0) | ~(fish.length_mm < least)
        chosen = np.flatnonzero(mask)
        # one record for each animal, as in the counts
        keys = np.where(fish.animal[chosen] >= 0, fish.animal[chosen], -1 - np.arange(len(chosen)))
        chosen = chosen[np.unique(keys, return_index=True)[1]]
        chosen = chosen[np.isfinite(fish.length_mm[chosen])]
        lengths = fish.length_mm[chosen]
        if len(chosen) < LEAST_MEASURED * examined or np.ptp(lengths) == 0:
            return ()
        bounds = np.unique(np.quantile(lengths, (1 / 3, 2 / 3)))
        group = np.searchsorted(bounds, lengths, side="right")
        bears = np.isin(fish.animal[chosen], again) & (fish.animal[chosen] >= 0)
        names = [f"length group {i + 1}" for i in range(len(bounds) + 1)]
        return tuple(
            SizeClass(name, int((group == i).sum()), int((bears & (group == i)).sum()))
            for i, name in enumerate(names)
            if (group == i).any()
        )

    def _cautions(self, then: int) -> tuple[str, ...]:
        records, found = self.records, self.captures
        days = self._days_since(then)
        told = []
        if days > CLOSED_DAYS:
            told.append(
                f"{days:.0f} days lie between the surveys: fish that grew into the catch or came in make the number too "
                "large; deaths alone leave it the number at the first survey."
            )
        for counts, what in (
            (found.not_examined, "fish that nobody scanned"),
            (found.short, "fish shorter than those that get a tag"),
        ):
            if counts[records.focus]:
                told.append(f"{int(counts[records.focus])} {what} are left out.")
        return tuple(told)

    def _days_since(self, then: int) -> float:
        occasions = self.records.occasions
        return (occasions[self.records.focus].year - occasions[then].year) * 365.25

    # --- several surveys within two months ----------------------------------------------------------------------------

    def _closed(self) -> None:
        records = self.records
        group = closed_groups(records)[-1]
        if len(group) < LEAST_OCCASIONS:
            if len(records.occasions) >= LEAST_OCCASIONS:
                why = Refused(
                    f"{some(len(group), 'survey')} within {CLOSED_DAYS} days.",
                    f"{LEAST_OCCASIONS} or more so near to one another; over years see Jolly-Seber.",
                )
                self._refused("schnabel", "number of fish (Schnabel)", why, tuple(group))
            return
        counts = self._marks_of(group)
        about = f"{named(self.species)}{self._sizes}, {len(group)} surveys to {records.when}"
        ids = record_ids(records, self.species, group)
        rows = tuple(
            (records.occasions[index].name, c, r, m) for index, c, r, m in zip(group, *counts, strict=True)
        )
        columns = (Column("survey"), Column("scanned"), Column("of these marked"), Column("marked before"))
        title = f"Marks of {said(self.species)} in surveys within {CLOSED_DAYS} days"
        self.tables.append(Table(f"{self.species}.schnabel", title, columns, rows))
        later = [(c, r) for c, r, m in zip(*counts, strict=True) if m]
        bare = sum(c - r for c, r in later)
        for key, title, answer in (
            ("schnabel", "number of fish (Schnabel)", schnabel(*counts)),
            ("schumacher", "number of fish (Schumacher and Eschmeyer)", schumacher_eschmeyer(*counts)),
        ):
            if not isinstance(answer, Refused) and bare == 0:
                answer = _only_marked(sum(c for c, _ in later))
            if isinstance(answer, Refused):
                self._refused(key, title, answer, tuple(group), about=about)
            else:
                self._told(key, title, about, answer, ids, ())

    def _marks_of(self, group: list[int]) -> tuple[list[int], list[int], list[int]]:
        """Scanned fish, marked ones among them, and marked fish in the water just before, by survey. An animal counts as
        marked from its putting back until it is handled and not put back, or taken out elsewhere."""
        found = self.captures
        marked = np.zeros(len(found.seen), dtype=np.bool_)
        examined, recaptured, at_large = [], [], []
        for index in group:
            seen = found.seen[:, index]
            marked &= found.gone_year >= self.records.occasions[index].year
            examined.append(int(seen.sum() + found.unmarked[index]))
            recaptured.append(int((seen & marked).sum()))
            at_large.append(int(marked.sum()))
            marked[seen] = found.back[seen, index]
        return examined, recaptured, at_large

    # --- over years -------------------------------------------------------------------------------------------------

    def _open(self) -> None:
        records = self.records
        groups = closed_groups(records)
        title = "number of fish (open water, Jolly-Seber)"
        if len(groups) < 3:
            if len(records.occasions) > 2:
                why = Refused(
                    f"{some(len(groups), 'time')} of survey more than {CLOSED_DAYS} days apart.",
                    "Three or more: the first and the last give no number.",
                )
                self._refused("jolly_seber", title, why, tuple(range(len(records.occasions))))
            return
        pooled = self.captures.pooled(groups)
        found = jolly_seber(pooled.summary())
        ids = record_ids(records, self.species, range(len(records.occasions)))
        if isinstance(found, Refused):
            self._refused("jolly_seber", title, found, tuple(range(len(records.occasions))))
            return
        names = [records.occasions[index].name for index in pooled.occasions]
        self._open_table(found, names)
        numbered = [
            (i, one.number)
            for i, one in enumerate(found.occasions)
            if one.number is not None and one.caught > one.marked_caught
        ]
        if not numbered:
            why = Refused("No survey in between has marks enough.", "More recaptures on surveys in between.")
            self._refused("jolly_seber", title, why, tuple(range(len(records.occasions))))
            return
        for place, (i, value) in enumerate(numbered):
            last = place == len(numbered) - 1
            here = found.occasions[i]
            few = min(here.marked_caught, here.seen_again) < TRUSTED_MARKED
            self.answers.append(
                Answer(
                    f"{self.species}.jolly_seber" if last else f"{self.species}.jolly_seber.{names[i]}",
                    title,
                    f"{named(self.species)}{self._sizes}, {names[i]}: {self._fish(value.value)} fish"
                    f"{self.words.limits(value.interval, decimals=0)}, {found.recaptures} recaptures over {len(names)} "
                    "surveys (Jolly-Seber).",
                    value.value,
                    "fish",
                    value.interval,
                    found.occasions[i].caught,
                    "fish",
                    found.formula,
                    found.source,
                    ids,
                    cautions=(_few_marked(here),) if few else (),
                    measured_coverage=JOLLY_FEW if few else None,
                    subject=self.species,
                )
            )
        self._plot(
            [
                Point(records.occasions[pooled.occasions[i]], value.value, value.interval)
                for i, value in numbered
            ]
        )

    def _open_table(self, found: OpenPopulation, names: list[str]) -> None:
        rows: list[tuple[Cell, ...]] = []
        every = [one.number is not None and one.caught == one.marked_caught for one in found.occasions]
        for name, one, only_marked, then in zip(
            names, found.occasions, every, [*every[1:], False], strict=True
        ):
            rows.append(
                (
                    name,
                    one.caught,
                    one.marked_caught,
                    one.released,
                    *_with_limits(None if only_marked else one.number),
                    *_share_with_limits(one.survival),
                    one.recruits.value if one.recruits and not only_marked and not then else None,
                    _only_marked(one.caught).why if only_marked else one.why or None,
                )
            )
        columns = (
            Column("survey"),
            Column("scanned"),
            Column("of these marked"),
            Column("put back marked"),
            Column("number", "fish", 0),
            Column("lower 95 %", "fish", 0),
            Column("upper 95 %", "fish", 0),
            Column("survival to the next", "", 2),
            Column("lower 95 %", "", 2),
            Column("upper 95 %", "", 2),
            Column("joined until then", "fish", 0),
            Column("why none"),
        )
        note = " ".join(
            (
                f"{found.method}. {found.source}. Survival is to the next survey, not per year; one above 1 is chance.",
                *found.cautions,
            )
        )
        title = f"Numbers of {said(self.species)} over the surveys (open water)"
        self.tables.append(Table(f"{self.species}.jolly_seber", title, columns, tuple(rows), note))

    def _plot(self, points: list[Point]) -> None:
        plot = trend_plot(
            points,
            self._fish,
            key=f"{self.species}.number_trend",
            subject=self.species,
            title=f"Number of {said(self.species)}{self._sizes}",
            name="number of fish",
            y_label="number",
            y_unit="fish",
        )
        self.plots += [plot] if plot else []

    # --- lost tags --------------------------------------------------------------------------------------------------

    def _tag_loss(self) -> TagLoss | Refused | None:
        records = self.records
        found: TagLoss | Refused | None = None
        for key, what, loss in (
            ("tag_loss", "tags lost (second mark)", by_second_mark(records, self.species)),
            ("tag_loss.two_tags", "tags lost (two tags)", by_two_tags(records, self.species)),
        ):
            if loss is None:
                continue
            if isinstance(loss.loss, Refused):
                self.answers.append(self._no(key, what, loss.loss, loss.ids))
                continue
            one = loss.loss
            n = one.kept_both + one.kept_one
            self.answers.append(
                Answer(
                    f"{self.species}.{key}",
                    what,
                    f"{named(self.species)}: {100 * one.loss:.0f} % of the tags were lost"
                    f"{self.words.limits(one.interval.times(100), '%', decimals=0)}, {n} fish seen again.",
                    100 * one.loss,
                    "%",
                    one.interval.times(100),
                    n,
                    "fish",
                    one.formula,
                    one.source,
                    loss.ids,
                    cautions=one.cautions,
                    subject=self.species,
                )
            )
            found = found if isinstance(found, TagLoss) else one
        return found

    # --- words ------------------------------------------------------------------------------------------------------

    def _fish(self, value: float) -> str:
        return f"{value:,.0f}"

    def _told(
        self,
        key: str,
        title: str,
        about: str,
        answer: Abundance,
        ids: tuple[str, ...],
        cautions: tuple[str, ...],
        *,
        headline: bool = False,
    ) -> None:
        self.answers.append(
            Answer(
                f"{self.species}.{key}",
                title,
                f"{about}: {self._fish(answer.estimate)} fish{self.words.limits(answer.interval, decimals=0)}; "
                f"{answer.marked} marked, {answer.examined} scanned, {answer.recaptured} of these marked.",
                answer.estimate,
                "fish",
                answer.interval,
                answer.examined,
                "fish",
                f"{answer.formula}; limits: {answer.interval.method} ({answer.interval_rule})",
                answer.source,
                ids,
                cautions=(*answer.cautions, *cautions),
                measured_coverage=_COVERED.get(key) if answer.recaptured < UNBIASED_RECAPTURES else None,
                subject=self.species,
                headline=headline,
            )
        )
        per_ha = self.records.facts.area_ha
        if headline and per_ha is not None:
            density = answer.estimate / per_ha
            interval = answer.interval.times(1 / per_ha)
            last = self.answers[-1]
            self.answers.append(
                replace(
                    last,
                    key=f"{last.key}.per_ha",
                    title="fish per area",
                    sentence=f"{about}: {self.words.quantity(density, 'fish/ha')}"
                    f"{self.words.limits(interval, 'fish/ha')} on {self.words.quantity(per_ha, 'ha')}.",
                    value=density,
                    unit="fish/ha",
                    interval=interval,
                    headline=False,
                )
            )

    def _refused(
        self,
        key: str,
        title: str,
        why: Refused,
        occasions: tuple[int, ...],
        cautions: tuple[str, ...] = (),
        about: str = "",
    ) -> None:
        ids = record_ids(self.records, self.species, occasions)
        self.answers.append(self._no(key, title, why, ids, about, cautions))

    def _no(
        self,
        key: str,
        title: str,
        why: Refused,
        ids: tuple[str, ...],
        about: str = "",
        cautions: tuple[str, ...] = (),
    ) -> Answer:
        return refusal(
            f"{self.species}.{key}",
            f"the {title}" if not title.startswith("the ") else title,
            why,
            about=about or named(self.species),
            n=len(ids),
            ids=ids,
            subject=self.species,
            cautions=cautions,
        )

    def _assumptions(self, given: tuple[Assumption, ...], then: int, loss: TagLoss | Refused | None) -> None:
        seen = {one.needs: one for one in given}
        days = self._days_since(then)
        if days > CLOSED_DAYS:
            seen[CLOSED] = Assumption(CLOSED, f"{days:.0f} days lie between the surveys.", True)
        if isinstance(loss, TagLoss):
            lost = f"{100 * loss.loss:.0f} % of the tags were lost, as {loss.kept_both + loss.kept_one} fish tell."
            seen[KEPT] = Assumption(KEPT, lost, loss.interval.low > 0)
        rows = tuple(assumption_row(one) for one in seen.values())
        title = f"What the number of {said(self.species)} takes for granted"
        self.tables.append(Table(f"{self.species}.assumptions", title, ASSUMPTION_COLUMNS, rows))


def _few_marked(here: Caught) -> str:
    return (
        f"{here.marked_caught} marked fish were caught then and {here.seen_again} fish seen again later; below "
        f"{TRUSTED_MARKED} the number may be far off."
    )


def _only_marked(examined: int) -> Refused:
    """Where every fish of the sample bore a mark the formulas call the marked fish all fish, with limits close by: so
    does a list of reported tags, or a crew that scans the fish that look tagged."""
    return Refused(
        f"All {examined} fish that were scanned had been tagged before: either nearly every fish is, or only tagged fish "
        "were noted.",
        "Every fish of the catch scanned, and those without a tag noted too.",
    )


ASSUMPTION_COLUMNS = (Column("it takes for granted"), Column("what the data say"), Column("verdict"))


def assumption_row(one: Assumption) -> tuple[str, str, str]:
    verdict = {True: "doubtful", False: "not contradicted", None: "not known"}[one.doubtful]
    return (one.needs, one.data, verdict)


def _share_with_limits(found: Estimated | None) -> tuple[float | None, float | None, float | None]:
    """No more than all fish survive: limits end there, the estimate stands as it came out."""
    value, low, high = _with_limits(found)
    return value, low, None if high is None else min(high, 1.0)


def _with_limits(found: Estimated | None) -> tuple[float | None, float | None, float | None]:
    if found is None:
        return None, None, None
    if found.interval is None:
        return found.value, None, None
    return found.value, found.interval.low, found.interval.high
