"""Tags, lengths and weights of a two-person line. First in, first out: nothing but the order says whose a weight is."""

from dataclasses import replace
from typing import TYPE_CHECKING

from ingest.assemble.closing import amend_measure, measure_reading
from ingest.assemble.line.watch import watch, watch_surplus
from ingest.assemble.line.weights import give_weight, keep_loose, open_fish
from ingest.assemble.measure_rules import agree
from ingest.assemble.measure_rules import on_measure as on_bench_measure
from ingest.assemble.parts import Last, LineAgain, Measure, MeasureKind, OpenFish, Ref
from ingest.assemble.tag_rules import on_tag as on_bench_tag
from ingest.assemble.tag_rules import tag_reading
from ingest.records import Part, Sound, TagStatus

if TYPE_CHECKING:
    from ingest.assemble.line.bench import LineBench


def on_tag(bench: "LineBench", tag: str, checked: bool, ref: Ref) -> None:
    """One valid read of a tag at the measuring end."""
    fish = bench.state.fish
    between = next((one for one in bench.line.queue if one.tag_read(tag)), None)
    if between is not None and (fish is None or fish.tag_read(tag) is None):
        read = between.tag_read(tag)
        assert read is not None
        read.count += 1
        read.last_t_s = ref.t_s
        bench.say_of(
            between.fish_id, "tag_echo", Sound.NONE, f"Tag ...{tag[-4:]} is fish {between.line_no}.", ref.at
        )
        return
    saved = bench.state.saved
    if fish is None and saved is not None and tag in saved.tags:
        bench.attach(saved.record.fish_id, tag_reading(tag, "echo", ref))
        return
    before = bench.line.queue[-1] if bench.line.queue else None
    bench.state.saved = None  # the fish weighed last says nothing about what comes to the measuring end
    on_bench_tag(bench, tag, checked, ref)
    if bench.state.saved is None:
        bench.state.saved = saved
    now = bench.state.fish
    if fish is None and now is not None and before is not None:
        _after_the_fish_before(bench, now, before, tag, ref)


def _after_the_fish_before(bench: "LineBench", fish: OpenFish, before: OpenFish, tag: str, ref: Ref) -> None:
    """A tag opened this fish. Was it the tag of the one just passed on?"""
    read = fish.tag_read(tag)
    if read is None:
        return
    rules = bench.context.rules
    last_s = max((other.last_t_s for other in before.tags), default=None)
    if last_s is not None and ref.t_s - last_s <= rules.two_tags_s:
        sentence = (
            f"Tags {before.tags[-1].tag} and {tag} were read within {rules.two_tags_s:g} s: "
            "look which fish each of them is in."
        )
        for one in (before, fish):
            bench.mark(one, "two_tags_near", sentence, first=before.tags[-1].tag, then=tag)
        bench.say("two_tags_near", Sound.REMINDER, sentence, ref.at)
    late = not before.tags and rules.tags != "first" and read.status is TagStatus.NEW
    if late and ref.t_s - before.last_t_s <= rules.late_tag_s:
        sentence = f"Tag {tag} came right after a fish that was passed on without a tag: look whether it is that fish's."
        for one in (before, fish):
            bench.mark(one, "tag_after_fish_before", sentence, tag=tag)


def on_measure(bench: "LineBench", kind: MeasureKind, measure: Measure) -> None:
    """One length from the board, or one weight from a load that came to rest."""
    line = bench.line
    again = line.again
    if again is not None and measure.ref.t_s - again.t_s > bench.context.rules.open_limit_s:
        again = line.again = None
    if again is not None and again.kind == kind:
        line.again = None
        if _corrects(bench, again, measure):
            return
    if _is_echo(bench, kind, measure):
        return
    if kind == "length":
        _length(bench, measure)
    else:
        _weight(bench, measure)


def _is_echo(bench: "LineBench", kind: MeasureKind, measure: Measure) -> bool:
    """The same value again at once, or the same load: a second press, a fish that moved on the pan."""
    last = bench.line.last_length if kind == "length" else bench.line.last_weight
    if last is None:
        return False
    before = last.measure
    same_load = (
        measure.load is not None
        and measure.load == before.load
        and measure.ref.instrument == before.ref.instrument
    )
    soon = measure.ref.t_s - before.ref.t_s <= bench.context.rules.echo_s
    if not (same_load or (soon and agree(bench, kind, before, measure))):
        return False
    measure.role = "echo"
    fish = open_fish(bench, last.fish_id)
    if fish is None:
        bench.attach(last.fish_id, measure_reading(kind, measure))
    else:
        fish.trail(kind).append(measure)
    return True


# --- the measuring end --------------------------------------------------------------------------------------------


def _length(bench: "LineBench", measure: Measure) -> None:
    fish = bench.state.fish
    if fish is not None and fish.used("length") is not None:
        doubted = any(q.kind == "finding" and Part.LENGTH in q.suspects for q in fish.questions)
        if not doubted:
            bench.close_as_it_is(fish, "next_length", measure.ref)
    saved, bench.state.saved = bench.state.saved, None  # its echo would be another fish's length
    on_bench_measure(bench, "length", measure)
    if bench.state.saved is None:
        bench.state.saved = saved
    bench.line.last_length = Last(replace(measure), _holder(bench, measure))


def _holder(bench: "LineBench", measure: Measure) -> str:
    state = bench.state
    here = [*([state.fish] if state.fish is not None else []), *reversed(state.line.queue), *state.parked]
    for fish in here:
        if any(one is measure for one in fish.lengths):
            return fish.fish_id
    assert state.saved is not None  # it needed no weight: it is the fish just saved
    return state.saved.record.fish_id


# --- the scale ----------------------------------------------------------------------------------------------------


def _weight(bench: "LineBench", measure: Measure) -> None:
    line = bench.line
    holder = give_weight(bench, measure, measure.ref) or _weighed_twice(bench, measure)
    if holder is None:
        holder = keep_loose(bench, measure, measure.ref)
        line.last_weight = Last(replace(measure), holder)
        watch_surplus(bench, line.last_weight, measure.ref)
        return
    line.last_weight = Last(replace(measure), holder)
    watch(bench, measure.ref)


def _weighed_twice(bench: "LineBench", measure: Measure) -> str | None:
    """No fish waits, and the weight is that of the fish weighed last: it is that fish once more."""
    last = bench.line.last_weight
    entry = bench.entry(last.fish_id) if last is not None else None
    if last is None or entry is None or not agree(bench, "weight", last.measure, measure):
        return None
    measure.role = "repeat"
    bench.attach(last.fish_id, measure_reading("weight", measure))
    sentence = f"Weight {measure.value:g} g again: fish {entry.number} was weighed twice."
    bench.say_of(last.fish_id, "weighed_twice", Sound.PART, sentence, measure.ref.at)
    return last.fish_id


# --- `again` ------------------------------------------------------------------------------------------------------


def _corrects(bench: "LineBench", again: LineAgain, measure: Measure) -> bool:
    """The measure that `again` asked for. False if its fish is out of reach by now."""
    fish, entry = open_fish(bench, again.fish_id), bench.entry(again.fish_id)
    saved = bench.state.saved
    if fish is not None:
        _replace(bench, fish, again.kind, measure)
    elif entry is not None:
        with bench.as_saved(entry):
            amend_measure(bench, again.kind, measure)
        if again.kind == "weight":
            entry.weight = measure
    elif saved is not None and saved.record.fish_id == again.fish_id:
        amend_measure(bench, again.kind, measure)
    else:
        return False
    last = Last(replace(measure), again.fish_id)
    if again.kind == "length":
        bench.line.last_length = last
    else:
        bench.line.last_weight = last
        watch(bench, measure.ref)
    return True


def _replace(bench: "LineBench", fish: OpenFish, kind: MeasureKind, measure: Measure) -> None:
    current = fish.used(kind)
    for older in fish.trail(kind):
        if older.role in ("used", "candidate"):
            older.role = "replaced"
    measure.role = "used"
    fish.trail(kind).append(measure)
    bench.touch(fish, measure.ref)
    unit = "mm" if kind == "length" else "g"
    if current is not None:
        bench.mark(
            fish,
            f"{kind}_replaced",
            f"The {kind} was measured again: {current.value:g}, then {measure.value:g} {unit}.",
            first=current.value,
            then=measure.value,
        )
    sentence = f"{kind.capitalize()} is now {measure.value:g} {unit}."
    bench.say_of(fish.fish_id, "settled", Sound.PART, sentence, measure.ref.at, part=kind)
    if bench.state.fish is fish:
        bench.review(fish, measure.ref)
