"""Whose length or weight is this? The rules for every measure on a bench."""

from typing import TYPE_CHECKING

from ingest.assemble.closing import amend_measure, measure_reading
from ingest.assemble.facts import missing_parts
from ingest.assemble.hold_rules import answer_finding, answer_two_measures
from ingest.assemble.parts import Again, Measure, MeasureKind, OpenFish, Question, Ref, TagRead
from ingest.records import AddFinding, Finding, Part, Severity

if TYPE_CHECKING:
    from ingest.assemble.bench import Bench

_OTHER: dict[MeasureKind, MeasureKind] = {"length": "weight", "weight": "length"}
_UNITS: dict[MeasureKind, str] = {"length": "mm", "weight": "g"}


def agree(bench: "Bench", kind: MeasureKind, one: Measure, other: Measure) -> bool:
    """Whether two measures can be two measures of one fish."""
    rules = bench.context.rules
    if kind == "length":
        return rules.lengths_agree(one.value, other.value)
    return rules.weights_agree(one.value, other.value, max(one.division, other.division))


def on_measure(bench: "Bench", kind: MeasureKind, measure: Measure) -> None:
    """One length from the board, or one weight from a load that came to rest."""
    state = bench.state
    fish = state.fish
    if fish is None:
        if state.again is not None and _corrects(bench, state.again, kind, measure):
            state.again.kind, state.again.t_s = kind, measure.ref.t_s
            amend_measure(bench, kind, measure)
            return
        state.again = None
        if _is_echo(bench, kind, measure):
            return
        done = state.done_tag
        _doubt_saved(bench, kind, measure)
        fish = bench.open_fish(measure.ref)
        if done is not None and measure.ref.t_s - done.last_t_s <= bench.context.rules.remeasure_s:
            _second_handling(bench, fish, done)
        _fill(bench, fish, kind, measure)
        return
    if bench.context.rules.tags == "last" and fish.tags and not fish.questions:
        # Where the tag comes last, nothing follows it: this measure is the next fish's.
        bench.close_as_it_is(fish, "measure_after_tag_opens_next", measure.ref)
        on_measure(bench, kind, measure)
        return
    current = fish.used(kind)
    question = fish.question("two_lengths" if kind == "length" else "two_weights")
    if question is not None:
        answer_two_measures(bench, fish, kind, measure, question)
    elif current is None:
        if fish.question("finding") is not None and fish.candidate(_OTHER[kind]) is not None:
            fish = bench.release_candidates(fish, "other_value_opens_next", measure.ref)
        _fill(bench, fish, kind, measure)
    elif (asked := _asked_about(fish, kind)) is not None and not _still_measuring(
        bench, fish, kind, measure, current
    ):
        answer_finding(bench, fish, kind, measure, current, asked)
    elif agree(bench, kind, current, measure):
        _repeat(bench, fish, kind, measure, current)
    else:
        _different(bench, fish, kind, measure, current)


def _still_measuring(
    bench: "Bench", fish: OpenFish, kind: MeasureKind, measure: Measure, current: Measure
) -> bool:
    """Held early, with the other measure still to come: another value at once simply replaces it."""
    return (
        not agree(bench, kind, current, measure)
        and Part(_OTHER[kind]) in missing_parts(fish, bench.context)
        and measure.ref.t_s - current.last_t_s <= bench.context.rules.remeasure_s
    )


def _asked_about(fish: OpenFish, kind: MeasureKind) -> Question | None:
    part = Part(kind)
    return next((q for q in fish.questions if q.kind == "finding" and part in q.suspects), None)


def _corrects(bench: "Bench", again: Again, kind: MeasureKind, measure: Measure) -> bool:
    """`again` covers one measure, and the same one at once again; what comes then is the next fish's."""
    if again.kind is None:
        return True
    return kind == again.kind and measure.ref.t_s - again.t_s <= bench.context.rules.remeasure_s


def _is_echo(bench: "Bench", kind: MeasureKind, measure: Measure) -> bool:
    """The same length or weight right after the save, or the same load still on the scale."""
    saved = bench.state.saved
    if saved is None:
        return False
    value = saved.length_mm if kind == "length" else saved.weight_g
    same_load = (
        kind == "weight"
        and measure.load is not None
        and (measure.load, measure.ref.instrument) == (saved.load, saved.scale)
    )
    soon = measure.ref.t_s - saved.saved_t_s <= bench.context.rules.echo_s
    equal = value is not None and abs(value - measure.value) <= measure.division / 2
    if not (same_load or (soon and equal)):
        return False
    measure.role = "echo"
    bench.attach(saved.record.fish_id, measure_reading(kind, measure))
    return True


def _doubt_saved(bench: "Bench", kind: MeasureKind, measure: Measure) -> None:
    """Another value of the very part that completed the saved fish, at once: a hand may have said the first one."""
    saved, rules = bench.state.saved, bench.context.rules
    if saved is None or saved.last_kind != kind or rules.tags not in ("first", "found_first"):
        return
    if measure.ref.t_s - saved.saved_t_s > rules.remeasure_s:
        return
    unit = "mm" if kind == "length" else "g"
    value = (saved.length_mm if kind == "length" else saved.weight_g) or 0.0
    if value == measure.value:
        return
    sentence = (
        f"{measure.value:g} {unit} came right after this fish was saved with {value:g} {unit}: "
        f"look which {kind} is its own."
    )
    numbers: dict[str, float | str] = {"saved": value, "then": measure.value}
    finding = Finding(f"{kind}_came_after_save", Severity.NOTICE, sentence, numbers)
    bench.changes.append(AddFinding(saved.record.fish_id, finding, measure.ref.journal_id, measure.ref.n))


def _second_handling(bench: "Bench", fish: OpenFish, read: TagRead) -> None:
    """Measures follow a tag that is already done: the same fish a second time, with a finding."""
    fish.tags.append(read)
    fish.tag = read.tag
    if read.prior and read.prior[-1].species:
        fish.species, fish.species_from = read.prior[-1].species, "history"
    bench.mark(
        fish,
        "already_done",
        f"Tag {read.tag} was already saved in this survey; measures followed it again.",
        tag=read.tag,
    )


def _fill(bench: "Bench", fish: OpenFish, kind: MeasureKind, measure: Measure) -> None:
    _place(bench, fish, kind, measure)
    bench.review(fish, measure.ref)


def _place(bench: "Bench", fish: OpenFish, kind: MeasureKind, measure: Measure) -> None:
    measure.role = "used"
    fish.trail(kind).append(measure)
    bench.touch(fish, measure.ref)
    if kind == "weight":
        bench.part_came(fish, "scale_")
    saved = bench.state.saved
    unseen = measure.empty_before_g is None  # a scale that never showed its empty pan may have said it twice
    if kind == "weight" and unseen and saved is not None and saved.weight_g == measure.value:
        bench.mark(
            fish,
            "weight_as_before",
            f"{measure.value:g} g is the very weight of the fish before: look whether the scale said it twice.",
            weight=measure.value,
        )
    bench.say_measure(kind, measure)


def _repeat(bench: "Bench", fish: OpenFish, kind: MeasureKind, measure: Measure, current: Measure) -> None:
    """Agrees with what is there: a repeat. While the other measure is missing the newest stands."""
    fish.trail(kind).append(measure)
    if fish.used(_OTHER[kind]) is not None or measure.value == current.value:
        fish.last_t_s = measure.ref.t_s
        current.last_t_s = measure.ref.t_s
        measure.role = "repeat"
        return
    current.role = "repeat"
    measure.role = "used"
    bench.touch(fish, measure.ref)
    bench.review(fish, measure.ref)


def _different(bench: "Bench", fish: OpenFish, kind: MeasureKind, measure: Measure, current: Measure) -> None:
    missing = missing_parts(fish, bench.context)
    if not (missing & {Part.LENGTH, Part.WEIGHT}):
        # All measures were in: a different value can only be the next fish's.
        _next_fish(bench, fish, kind, measure)
        return
    if measure.ref.t_s - current.last_t_s <= bench.context.rules.remeasure_s:
        _replace(bench, fish, kind, measure, current)
        return
    measure.role = "candidate"
    fish.trail(kind).append(measure)
    bench.touch(fish, measure.ref)
    unit = _UNITS[kind]
    sentence = (
        f"Two {kind}s for this fish: {current.value:g} and {measure.value:g} {unit}. Measure it once more; "
        "or 'next', if it is another fish."
    )
    question = Question("two_lengths" if kind == "length" else "two_weights", measure.ref.t_s, sentence)
    bench.ask(fish, question, measure.ref.at)


def _replace(bench: "Bench", fish: OpenFish, kind: MeasureKind, measure: Measure, current: Measure) -> None:
    current.role = "replaced"
    unit = _UNITS[kind]
    bench.mark(
        fish,
        f"{kind}_replaced",
        f"The {kind} was measured again at once: {current.value:g}, then {measure.value:g} {unit}.",
        first=current.value,
        then=measure.value,
    )
    _fill(bench, fish, kind, measure)


def _next_fish(bench: "Bench", fish: OpenFish, kind: MeasureKind, measure: Measure) -> None:
    ref: Ref = measure.ref
    if any(m.role == "candidate" for _, m in fish.measures()):
        follower = bench.release_candidates(fish, "other_value_opens_next", ref)
        on_measure(bench, kind, measure)
        assert bench.state.fish is follower or bench.state.fish is not fish
        return
    bench.close_as_it_is(fish, "other_value_opens_next", ref)
    _fill(bench, bench.open_fish(ref), kind, measure)
