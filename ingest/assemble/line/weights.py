"""A weight and its fish: given to the oldest that waits, moved between saved ones, or kept as one that nobody owns."""

from dataclasses import replace
from typing import TYPE_CHECKING

from ingest.assemble.closing import (
    amend,
    amend_relative_weight,
    measure_reading,
    number_text,
    serious_findings,
    weight_quality,
)
from ingest.assemble.parts import Measure, OpenFish, Question, Ref, SavedFish, WeighedFish
from ingest.protocol import needed_parts
from ingest.records import AddFinding, Finding, Part, Sound, Status, TagStatus, fish_id

if TYPE_CHECKING:
    from ingest.assemble.line.bench import LineBench

STOPPED = "weight_of_neighbour"
STOPPED_SENTENCE = "The line was off by one when this fish was weighed: its weight may be its neighbour's."


def give_weight(bench: "LineBench", measure: Measure, ref: Ref) -> str | None:
    """To the oldest fish that waits for its weight. Its id, or None if no fish waits."""
    line = bench.line
    measure.role = "used"
    if line.owed:
        entry = line.owed.pop(0)
        set_weight(bench, entry, measure, "weighed again after the line was shifted")
        line.weighed.append(entry)
        bench.trim()
        _say_taken(bench, entry.saved.record.fish_id, entry.number, measure, ref)
        return entry.saved.record.fish_id
    fish = bench.waiting()
    if fish is None:
        return None
    if fish is bench.state.fish:
        bench.close_as_it_is(fish, "weight_came", ref)
    fish.weights.append(measure)
    bench.touch(fish, ref)
    bench.part_came(fish, "scale_")
    if line.slip is not None:
        bench.mark(fish, STOPPED, STOPPED_SENTENCE)
    _say_taken(bench, fish.fish_id, fish.line_no or 0, measure, ref)
    bench.close_weighed(fish, "line_weight", ref)
    return fish.fish_id


def _say_taken(bench: "LineBench", of_fish: str, number: int, measure: Measure, ref: Ref) -> None:
    bench.say_of(
        of_fish,
        "part_taken",
        Sound.PART,
        f"Weight {measure.value:g} g: fish {number}.",
        ref.at,
        part="weight",
        value=measure.value,
        number=number,
    )


def keep_loose(bench: "LineBench", measure: Measure, ref: Ref) -> str:
    """A weight without a fish: durable, with a question, as a parked fish of which nothing else is known."""
    measure.role = "used"
    fish = OpenFish(
        fish_id=fish_id(ref.journal_id, ref.n),
        opened=ref,
        last=ref,
        last_t_s=ref.t_s,
        species=None,
        species_from="none",
        run_no=bench.context.survey.work_up_run,
        weights=[measure],
    )
    sentence = (
        f"{measure.value:g} g belongs to no fish of the line: 'resume' and measure the fish, "
        "or it stays as a weight alone."
    )
    fish.questions.append(Question("loose_weight", ref.t_s, sentence))
    bench.state.parked.append(fish)
    bench.store_unclosed(fish, Status.HELD, "loose_weight")
    bench.say_of(fish.fish_id, "loose_weight", Sound.HELD, sentence, ref.at, weight_g=measure.value)
    return fish.fish_id


def open_fish(bench: "LineBench", wanted: str) -> OpenFish | None:
    """The fish of this id that is not saved yet: at the measuring end, between the people, or parked."""
    state = bench.state
    here = [*state.line.queue, *state.parked, *([state.fish] if state.fish is not None else [])]
    return next((fish for fish in here if fish.fish_id == wanted), None)


def set_weight(bench: "LineBench", entry: WeighedFish, measure: Measure | None, why: str) -> None:
    """Amend a saved fish to this weight (None: it has none), with all that follows from it."""
    with bench.as_saved(entry) as saved:
        record = saved.record
        if measure is not None:
            bench.attach(record.fish_id, measure_reading("weight", measure))
        weight_g = measure.value if measure is not None else None
        amend(bench, "weight_g", number_text(record.weight_g), number_text(weight_g), why)
        saved.weight_g = weight_g
        saved.weight_division_g = measure.division if measure is not None else 1.0
        amend_relative_weight(bench)
        quality = weight_quality(weight_g, saved.weight_division_g, bench.context)
        status = _status(bench, saved)
        amend(bench, "weight_quality", record.weight_quality, quality, why)
        amend(bench, "status", record.status.value, status.value, why)
        saved.record = replace(saved.record, weight_g=weight_g, weight_quality=quality, status=status)
    entry.weight = measure


def add_finding(bench: "LineBench", entry: WeighedFish, finding: Finding) -> None:
    bench.changes.append(AddFinding(entry.saved.record.fish_id, finding, bench.step.journal_id, bench.step.n))


def _status(bench: "LineBench", saved: SavedFish) -> Status:
    """What the saved fish is with the weight that it has now."""
    record, context = saved.record, bench.context
    needs = needed_parts(context.protocol, record.species, saved.length_mm, context.survey.weighed)
    tag_missing = needs.tag and record.tag is None and record.tag_status is not TagStatus.NONE_FOUND
    if saved.weight_g is None or saved.length_mm is None or tag_missing:
        return Status.INCOMPLETE
    # What the old weight was suspected of is gone with it; other questions (two tags) stay.
    open_still = any(Part.WEIGHT not in finding.suspects for finding in record.findings)
    if open_still or serious_findings(saved, context, record.worked_up_at):
        return Status.QUERIED
    return Status.CONFIRMED if record.status is Status.CONFIRMED else Status.SAVED
