"""Chapter: how many fish live from year to year? Cormack-Jolly-Seber from the captures of each tag."""

import numpy as np

from fishery.answers import Refused
from fishery.survival import FORMULA, SOURCE, Ranked, Structure, SurvivalModel, cormack_jolly_seber, rank
from fishery.survival_fit import Rate
from ingest.species import SpeciesBook
from office.answers.abundance import ASSUMPTION_COLUMNS, assumption_row
from office.answers.marks import CLOSED_DAYS, Captures, captures, closed_groups, record_ids
from office.answers.model import Answer, Cell, Chapter, Column, Table
from office.answers.records import Records, said
from office.answers.telling import named, refusal, some
from office.answers.units import Words, number

_SHAPES: tuple[tuple[Structure, Structure], ...] = (
    ("constant", "constant"),
    ("time", "constant"),
    ("constant", "time"),
    ("time", "time"),
)
_IN_WORDS = {
    "phi(.) p(.)": "one survival, one recapture rate",
    "phi(t) p(.)": "survival differs between surveys, one recapture rate",
    "phi(.) p(t)": "one survival, recapture rate differs between surveys",
    "phi(t) p(t)": "both differ between surveys",
}


def survival(records: Records, book: SpeciesBook, words: Words) -> Chapter:
    """Yearly survival and the chance of being caught, by species, over all occasions; models compared by AICc."""
    answers: list[Answer] = []
    tables: list[Table] = []
    for species in records.species:
        found = captures(records, species)
        if found is None:
            continue
        more, shown = _of_species(records, species, found, words)
        answers += more
        tables += shown
    if not answers:
        why = Refused(
            f"No tagged fish{records.until}.",
            "Fish tagged and scanned on three surveys or more, a season or more apart.",
        )
        answers = [refusal("survival", "Survival", why)]
    return Chapter(
        "survival",
        "Survival",
        tuple(answers),
        tuple(tables),
        (),
        (
            "Survival is apparent: a fish that left the water for good counts like a dead one.",
            f"Surveys within {CLOSED_DAYS} days are taken as one (proposal).",
        ),
    )


def _of_species(
    records: Records, species: str, found: Captures, words: Words
) -> tuple[list[Answer], list[Table]]:
    groups = closed_groups(records)
    every = tuple(range(len(records.occasions)))
    ids = record_ids(records, species, every)
    about = named(species)
    title = "survival from year to year"
    if len(groups) < 3:
        why = Refused(
            f"{some(len(groups), 'time')} of survey more than {CLOSED_DAYS} days apart.",
            "Three or more, with fish tagged on the first and scanned on the others.",
        )
        return [_no(species, title, why, ids)], []
    pooled = found.pooled(groups)
    years = np.diff([records.occasions[index].year for index in pooled.occasions])
    summary = pooled.summary()
    fits: list[SurvivalModel] = []
    refused: Refused | None = None
    for shape, catching in _SHAPES:
        fit = cormack_jolly_seber(summary, shape, catching, years=[float(one) for one in years])
        if isinstance(fit, SurvivalModel):
            fits.append(fit)
        else:
            refused = refused or fit
    if not any(np.isfinite(one.aicc) for one in fits):
        why = refused or Refused("No model fits the few recaptures.", "More recaptures.")
        return [_no(species, title, why, ids)], []
    ranked = rank([one for one in fits if np.isfinite(one.aicc)])
    best = ranked[0].model
    answers = [
        *_rates(records, species, best, pooled, words, ids, title),
        _model_answer(species, ranked, about, ids),
    ]
    tables = [_models(species, ranked), _rates_table(records, species, best, pooled)]
    rows = tuple(assumption_row(one) for one in best.assumptions)
    taken = f"What the survival of {said(species)} takes for granted"
    tables.append(Table(f"{species}.survival_assumptions", taken, ASSUMPTION_COLUMNS, rows))
    return answers, tables


def _rates(
    records: Records,
    species: str,
    best: SurvivalModel,
    pooled: Captures,
    words: Words,
    ids: tuple[str, ...],
    title: str,
) -> list[Answer]:
    """One answer for each survival and recapture rate of the best model, in percent; the first survival is the headline."""
    names = [records.occasions[index].name for index in pooled.occasions]
    found = []
    for kind, rates in (("survival", best.survival), ("recapture", best.recapture)):
        for place, one in enumerate(rates):
            if one.estimate is None:
                continue
            alone = len(rates) == 1
            when = _when(one, names, kind)
            what = title if kind == "survival" else "chance of being caught on a survey"
            interval = None if one.interval is None else one.interval.times(100)
            product = " (times the chance of being caught at its end)" if one.product else ""
            yearly = " a year" if kind == "survival" and not one.product else ""
            found.append(
                Answer(
                    f"{species}.{kind}" if alone else f"{species}.{kind}.{place + 1}",
                    what,
                    f"{named(species)}, {when}: {what} {100 * one.estimate:.0f} %{yearly}{product}"
                    f"{words.limits(interval, '%', decimals=0)}, {best.releases} releases, {best.recaptures} seen again.",
                    100 * one.estimate,
                    "%",
                    interval,
                    best.releases,
                    "releases",
                    best.formula,
                    best.source,
                    ids,
                    cautions=best.cautions,
                    subject=species,
                    headline=alone and kind == "survival",
                )
            )
    return found


def _when(rate: Rate, names: list[str], kind: str) -> str:
    first, last = rate.holds_for[0], rate.holds_for[-1]
    if kind == "survival":
        return f"{names[first]} to {names[last + 1]}"
    return names[first] if first == last else f"{names[first]} to {names[last]}"


def _model_answer(species: str, ranked: tuple[Ranked, ...], about: str, ids: tuple[str, ...]) -> Answer:
    best = ranked[0]
    return Answer(
        f"{species}.survival_model",
        "model of survival that the data favour",
        f"{about}: {_IN_WORDS[best.model.name]} (weight {best.weight:.2f} of {len(ranked)} models).",
        best.weight,
        "",
        None,
        best.model.releases,
        "releases",
        FORMULA,
        f"{SOURCE}; AICc: Hurvich and Tsai 1989",
        ids,
        cautions=_overdispersed(best.model),
        subject=species,
    )


def _overdispersed(model: SurvivalModel) -> tuple[str, ...]:
    if model.overdispersion <= 1.5:
        return ()
    return (
        f"Fish do not behave alike (overdispersion {number(model.overdispersion, 2)}): the true limits are about "
        f"{number(model.overdispersion**0.5, 2)} times as wide.",
    )


def _models(species: str, ranked: tuple[Ranked, ...]) -> Table:
    rows: tuple[tuple[Cell, ...], ...] = tuple(
        (
            _IN_WORDS[one.model.name],
            one.model.parameters,
            one.model.neg2loglik,
            one.model.aicc,
            one.delta,
            one.weight,
        )
        for one in ranked
    )
    columns = (
        Column("model"),
        Column("parameters"),
        Column("-2 ln L", "", 2),
        Column("AICc", "", 2),
        Column("difference", "", 2),
        Column("weight", "", 2),
    )
    note = f"{ranked[0].model.releases} releases. {SOURCE}."
    return Table(f"{species}.models", f"Models of survival of {said(species)}", columns, rows, note)


def _rates_table(records: Records, species: str, best: SurvivalModel, pooled: Captures) -> Table:
    names = [records.occasions[index].name for index in pooled.occasions]
    rows: list[tuple[Cell, ...]] = []
    for kind, rates in (("survival", best.survival), ("recapture", best.recapture)):
        for one in rates:
            limits = (None, None) if one.interval is None else (one.interval.low, one.interval.high)
            note = "survival times recapture" if one.product else None
            estimate = one.estimate if one.estimate is not None else None
            rows.append((kind, _when(one, names, kind), estimate, one.se, *limits, note))
    columns = (
        Column("rate"),
        Column("when"),
        Column("estimate", "", 3),
        Column("standard error", "", 3),
        Column("lower 95 %", "", 3),
        Column("upper 95 %", "", 3),
        Column("note"),
    )
    title = f"Survival and recapture of {said(species)}: {_IN_WORDS[best.name]}"
    return Table(f"{species}.survival", title, columns, tuple(rows), "Survival per year.")


def _no(species: str, title: str, why: Refused, ids: tuple[str, ...]) -> Answer:
    return refusal(
        f"{species}.survival", title, why, about=named(species), n=len(ids), ids=ids, subject=species
    )
