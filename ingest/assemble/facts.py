"""What follows from the parts of a fish: what is missing, what the checks say, how it grew."""

from collections.abc import Iterator, Sequence
from dataclasses import replace

from fishery.single import (
    Relation,
    StandardWeight,
    days_between,
    fit_length_weight,
    growth_between,
    log_likelihood_pair,
    prior_relation,
    standard_weight_g,
)
from ingest.assemble.context import Context
from ingest.assemble.parts import OpenFish
from ingest.catch_records import SaveRelation
from ingest.checks import FishFacts, check_fish, scale_off_zero
from ingest.protocol import Needs, needed_parts
from ingest.records import Finding, Part, PriorCapture, Severity
from ingest.water_relations import relation_key


def needs_of(fish: OpenFish, context: Context) -> Needs:
    """What the protocol asks of this fish, its length being what it is."""
    length = fish.used("length")
    length_mm = length.value if length else None
    key = ("needs", fish.fish_id, fish.species, length_mm)
    if key not in context.memo:
        context.memo[key] = needed_parts(context.protocol, fish.species, length_mm, context.survey.weighed)
    needs: Needs = context.memo[key]
    return needs


def missing_parts(fish: OpenFish, context: Context) -> set[Part]:
    """The parts that the protocol asks of this fish and that are not there (nor waived by the crew)."""
    length = fish.used("length")
    needs = needs_of(fish, context)
    missing: set[Part] = set()
    if needs.tag and not fish.untagged and fish.tag is None:
        missing.add(Part.TAG)
    if needs.length and length is None:
        missing.add(Part.LENGTH)
    if needs.weight and not fish.no_weight and fish.used("weight") is None:
        missing.add(Part.WEIGHT)
    return missing


def prior_of(fish: OpenFish) -> tuple[PriorCapture, ...]:
    read = fish.tag_read(fish.tag)
    return read.prior if read else ()


def fish_findings(fish: OpenFish, context: Context) -> tuple[Finding, ...]:
    """All findings of this fish: computed from its values, open questions, and the marks that events left on it."""
    found = list(value_findings(fish, context))
    found += [
        Finding(q.kind, Severity.SERIOUS, q.sentence, q.numbers, q.suspects)
        for q in fish.questions
        if q.kind != "finding"
    ]
    found += [Finding(m.name, m.severity, m.sentence, m.numbers, settled=m.settled) for m in fish.marks]
    if fish.species is None:
        found.append(Finding("no_species", Severity.NOTICE, "No species was chosen for this fish."))
    if context.clock_doubtful:
        found.append(Finding("clock_doubtful", Severity.NOTICE, "The station's clock cannot be trusted."))
    return tuple(found)


def value_findings(fish: OpenFish, context: Context) -> tuple[Finding, ...]:
    """What the checks say of the values as they stand. A finding that was confirmed by measuring twice is settled."""
    length, weight = fish.used("length"), fish.used("weight")
    prior = prior_of(fish)
    if length is None and weight is None and not prior:
        return ()  # every check speaks of a measure or of an earlier capture
    length_mm = length.value if length else None
    weight_g = weight.value if weight else None
    by_crew = fish.species_from == "command"
    confirmed = tuple(fish.confirmed)
    key = (
        "values",
        fish.fish_id,
        fish.species,
        by_crew,
        length_mm,
        weight_g,
        fish.tag,
        fish.last.at,
        confirmed,
    )
    if key not in context.memo:
        facts = FishFacts(
            species=context.species(fish.species),
            length_mm=length_mm,
            weight_g=weight_g,
            weight_division_g=weight.division if weight else 1.0,
            standard_weight_g=standard_weight_of(fish.species, length_mm, context),
            relation=local_relation(fish.species, context),
            tag=fish.tag,
            prior=prior,
            species_by_crew=by_crew,
            at=fish.last.at,
            equation=equation_of(fish.species, context),
        )
        context.memo[key] = tuple(
            replace(found, settled=True) if found.name in confirmed else found
            for found in check_fish(facts, context.limits)
        )
    findings: tuple[Finding, ...] = context.memo[key]
    return findings


def standard_weight_of(slug: str | None, length_mm: float | None, context: Context) -> float | None:
    """Ws in g by the species' recommended equation; None without one, outside its lengths, or for another length type."""
    line = equation_of(slug, context)
    return None if line is None or length_mm is None else standard_weight_g(line, length_mm)


def equation_of(slug: str | None, context: Context) -> StandardWeight | None:
    """The species' recommended equation; None without one, or for another length type than this bench measures."""
    species = context.species(slug)
    line = species.recommended if species else None
    return line if line is not None and line.length_type == context.length_type else None


def local_relation(slug: str | None, context: Context) -> Relation | None:
    """This water's own relation for a species, frozen at the survey's first fish of it; None for too few fish.

    Of what the station's own records say and what a history pack brought, the one that rests on more fish: the pack's
    fish and the station's are partly the same, so the two are never added.
    """
    survey = context.survey
    if slug is None or survey.water is None:
        return None
    if slug not in survey.relations:
        pairs = context.lookup.length_weights(survey.water, slug, survey.opened_at)
        species = context.species(slug)
        own = fit_length_weight(
            [mm for mm, _ in pairs], [g for _, g in pairs], species.recommended if species else None
        )
        packed = context.relations.get(relation_key(survey.water, slug))
        survey.relations[slug] = packed if own is None or (packed and packed.n > own.n) else own
        context.frozen.append(slug)
    return survey.relations[slug]


def frozen_relations(context: Context) -> Iterator[SaveRelation]:
    """The relations that this step has frozen for the survey, for the record: estimates of weights rest on them."""
    survey = context.survey
    for slug in context.frozen:
        relation = survey.relations.get(slug)
        if relation is not None:
            yield SaveRelation(
                survey.survey_id, slug, relation.log10_a, relation.b, relation.c, relation.sd, relation.n
            )


def better_fitting_trail(fish: OpenFish, context: Context) -> tuple[Finding, ...]:
    """A replaced length or weight that fits this fish far better than what took its place (tested at closing)."""
    replaced = [(kind, old) for kind, old in fish.measures() if old.role == "replaced"]
    if not replaced:
        return ()
    length, weight = fish.used("length"), fish.used("weight")
    relation = local_relation(fish.species, context)
    if relation is None:
        species = context.species(fish.species)
        equation = species.equation() if species else None
        relation = prior_relation(equation.line) if equation else None
    if relation is None or length is None or weight is None or weight.value <= 0 or length.value <= 0:
        return ()
    now = log_likelihood_pair(relation, length.value, weight.value)

    def gain(mm: float, g: float) -> float:
        return log_likelihood_pair(relation, mm, g) - now if mm > 0 and g > 0 else 0.0

    trials = [
        (gain(old.value, weight.value) if kind == "length" else gain(length.value, old.value), kind, old)
        for kind, old in replaced
    ]
    better, kind, old = max(trials, key=lambda trial: trial[0])
    if better < context.rules.better_fit:
        return ()
    used = length if kind == "length" else weight
    unit = "mm" if kind == "length" else "g"
    return (
        Finding(
            "replaced_value_fits_better",
            Severity.NOTICE,
            f"The first {kind}, {old.value:g} {unit}, fits this fish far better than {used.value:g} {unit}.",
            {"first": old.value, "then": used.value, "log_likelihood_gain": round(better, 1)},
        ),
    )


def zero_finding(fish: OpenFish, fish_in_a_row: int, context: Context) -> tuple[int, Finding | None]:
    """Whether the scale was off zero for this fish: (fish in a row now, the finding if it is to be said)."""
    weight = fish.used("weight")
    if weight is None or weight.empty_before_g is None:
        return fish_in_a_row, None
    off, at_once = scale_off_zero(weight.empty_before_g, weight.value, weight.division, context.limits)
    if not off:
        return 0, None
    fish_in_a_row += 1
    if not (at_once or fish_in_a_row >= 3):
        return fish_in_a_row, None
    return fish_in_a_row, Finding(
        "scale_not_zeroed",
        Severity.NOTICE,
        f"The empty scale read {weight.empty_before_g:g} g before this fish: re-zero it.",
        {"empty_g": weight.empty_before_g, "weight": weight.value},
    )


def captures_facts(prior: Sequence[PriorCapture]) -> dict[str, object]:
    """Earlier captures for a screen, oldest first."""
    return {
        "captures": [
            {
                "at": c.at,
                "water": c.water,
                "species": c.species,
                "length_mm": c.length_mm,
                "weight_g": c.weight_g,
                "fate": c.fate,
                "withdrawal_until": c.withdrawal_until,
            }
            for c in prior
        ]
    }


def recapture_facts(fish: OpenFish) -> dict[str, object]:
    """History and growth of a recaptured fish for a screen: earlier captures, and growth since the last one."""
    prior = prior_of(fish)
    if not prior:
        return {}
    length, weight = fish.used("length"), fish.used("weight")
    last = prior[-1]
    facts = captures_facts(prior)
    try:
        days = days_between(last.at, fish.last.at)
    except ValueError:
        return facts
    grown = growth_between(
        days,
        last.length_mm,
        length.value if length else None,
        last.weight_g,
        weight.value if weight else None,
    )
    facts["days_since"] = round(grown.days, 1)
    for name, value in (
        ("mm_since", grown.length_mm),
        ("g_since", grown.weight_g),
        ("mm_per_30_days", grown.mm_per_30_days),
    ):
        if value is not None:
            facts[name] = round(value, 2)
    return facts
