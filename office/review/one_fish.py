"""What to ask about one fish: its own values, its history, and what the crew left open. Pure."""

from collections.abc import Iterator, Sequence

from fishery.single import Relation, standard_weight_g
from ingest.checks import FishFacts, Limits, check_fish
from ingest.records import Finding, PriorCapture, Severity
from ingest.species import SpeciesBook
from office.review.questions import Mark, Question, ReviewFish

# What events left on a fish and no value shows again. Left out: what only explains, and what a whole day bears.
_EVENTS = frozenset(
    (
        "two_tags_near", "tag_after_saved_fish", "tag_after_failed_scan", "tag_after_fish_before", "untagged_with_tag",
        "saved_tag_nearby", "already_done", "tag_used_before", "began_with_doubtful_value", "replaced_value_fits_better",
        "weights_swapped", "weight_of_neighbour", "line_lost", "slip_place_uncertain",
    )
)  # fmt: skip
_OF_WEIGHTS = frozenset(("weights_swapped", "weight_of_neighbour", "line_lost", "slip_place_uncertain"))


def findings_now(
    fish: ReviewFish,
    prior: Sequence[PriorCapture],
    relation: Relation | None,
    book: SpeciesBook,
    limits: Limits,
) -> tuple[Finding, ...]:
    """The station's checks on the values as they read now, with the history that the office knows."""
    species = book.get(fish.species)
    line = species.recommended if species else None
    equation = line if line is not None and line.length_type == fish.length_type else None
    facts = FishFacts(
        species=species,
        length_mm=fish.length_mm,
        weight_g=fish.weight_g,
        weight_division_g=fish.division_g,
        standard_weight_g=standard_weight_g(equation, fish.length_mm)
        if equation and fish.length_mm
        else None,
        relation=relation,
        tag=fish.tag,
        prior=tuple(prior),
        species_by_crew=True,
        at=fish.worked_up_at,
        equation=equation,
    )
    return tuple(one for one in check_fish(facts, limits) if one.name != "scale_too_coarse")


def fish_questions(
    fish: ReviewFish, marks: Sequence[Mark], found: Sequence[Finding], prior: Sequence[PriorCapture]
) -> Iterator[Question]:
    """The questions of one fish, the gravest first; `found` are its `findings_now`."""
    if fish.looked_at:
        return
    if not fish.closed:
        said = f"It is still {fish.status} at its station: go on with it there, or close the survey."
        yield Question("still_open", fish.fish_id, said)
        return
    settled = {mark.name for mark in marks if mark.settled}
    serious = [one for one in found if one.severity is Severity.SERIOUS and one.name not in settled]
    if fish.status == "queried":
        yield Question("queried", fish.fish_id, _why_queried(marks, serious))
    else:
        yield from (Question(one.name, fish.fish_id, one.sentence) for one in serious)
    if fish.status == "incomplete":
        yield Question("incomplete", fish.fish_id, _what_is_missing(fish))
    yield from _tag_questions(fish, prior)
    if fish.species is None:
        yield Question("no_species", fish.fish_id, "Nobody said which species it is.")
    for one in found:
        if one.severity is Severity.NOTICE:
            before = prior[-1].fish_id if prior else None
            others = (
                (before,) if before and one.name in ("shrank", "grew_fast", "other_species_last_time") else ()
            )
            yield Question(one.name, fish.fish_id, one.sentence, others)
    for mark in marks:
        mended = mark.name in _OF_WEIGHTS and "weight_g" in fish.amended
        if mark.name in _EVENTS and not mark.settled and not mended:
            yield Question(mark.name, fish.fish_id, mark.sentence)


def _why_queried(marks: Sequence[Mark], serious: Sequence[Finding]) -> str:
    now = [one.sentence for one in serious]
    # What a check said of values that read otherwise now is history; a question of the assembler stays one.
    asked = [
        mark.sentence for mark in marks if mark.serious and not mark.settled and not _of_a_check(mark.name)
    ]
    reasons = " ".join(dict.fromkeys((*now, *asked)))
    if reasons:
        return f"Nobody settled it: {reasons}"
    return "It was kept as queried; as its values read now no check finds a serious doubt: confirm it, or leave it so."


def _of_a_check(name: str) -> bool:
    return name.endswith(("_slip", "_above_maximum")) or name in (
        "relative_weight_far_off",
        "weight_not_positive",
    )


def _what_is_missing(fish: ReviewFish) -> str:
    values = (("tag", fish.tag), ("length", fish.length_mm), ("weight", fish.weight_g))
    missing = [name for name, value in values if value is None]
    if not missing:
        return "It was closed as incomplete and has all its parts now: give it the status saved."
    return f"The protocol asks for a part that it lacks; it has no {' and no '.join(missing)}."


def _tag_questions(fish: ReviewFish, prior: Sequence[PriorCapture]) -> Iterator[Question]:
    if fish.tag is None:
        return
    earlier = [one for one in prior if one.survey_id != fish.survey_id]
    if fish.tag_status in ("new", "unknown") and earlier:
        last = earlier[-1]
        where = f" in {last.water}" if last.water else ""
        said = (
            f"The station took tag {fish.tag} for {fish.tag_status}, but this animal was captured on {last.at[:10]}{where}: "
            "it is a recapture."
        )
        yield Question("known_after_all", fish.fish_id, said, (last.fish_id,) if last.fish_id else ())
    elif fish.tag_status == "unknown":
        said = f"Tag {fish.tag} is in no inventory and no history: it comes from elsewhere, or was misread."
        yield Question("unknown_tag", fish.fish_id, said)
