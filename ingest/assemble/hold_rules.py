"""How a held fish is settled: by measuring again, never by guessing.

A new value counts only if it is independent of the one in doubt: another load on the scale, at least
`independent_s` later. It settles the question when it agrees with what the finding proposed, when a value comes twice
in agreement, or when the fish's own tag was read again first. Anything else is the next fish's.
"""

from typing import TYPE_CHECKING

from ingest.assemble.parts import Mark, Measure, MeasureKind, OpenFish, Question, Ref
from ingest.records import Part, Severity, Sound

if TYPE_CHECKING:
    from ingest.assemble.bench import Bench


def independent(bench: "Bench", measure: Measure, earlier: Measure) -> bool:
    """Whether this measure is one of its own, not a repeat of one trigger."""
    if (
        measure.load is not None
        and measure.load == earlier.load
        and measure.ref.instrument == earlier.ref.instrument
    ):
        return False
    return measure.ref.t_s - earlier.last_t_s >= bench.context.rules.independent_s


def _agree(bench: "Bench", kind: MeasureKind, one: float, other: float, division: float) -> bool:
    rules = bench.context.rules
    return rules.lengths_agree(one, other) if kind == "length" else rules.weights_agree(one, other, division)


def _repeats(bench: "Bench", kind: MeasureKind, measure: Measure, among: list[Measure]) -> Measure | None:
    """The newest earlier value that this one confirms: in agreement and independent."""
    for earlier in reversed(among):
        if _agree(bench, kind, earlier.value, measure.value, max(earlier.division, measure.division)):
            return earlier if independent(bench, measure, earlier) else None
    return None


def answer_two_measures(
    bench: "Bench", fish: OpenFish, kind: MeasureKind, measure: Measure, question: Question
) -> None:
    """Two different values stand for one place: the one that is measured twice wins."""
    trail = fish.trail(kind)
    standing = [m for m in trail if m.role in ("used", "candidate")]
    confirmed = _repeats(bench, kind, measure, standing)
    bench.touch(fish, measure.ref)
    if confirmed is None:
        same = any(
            _agree(bench, kind, m.value, measure.value, max(m.division, measure.division)) for m in standing
        )
        measure.role = "repeat" if same else "candidate"
        trail.append(measure)
        return
    for other in standing:
        other.role = "replaced"
    measure.role = "used"
    trail.append(measure)
    fish.questions.remove(question)
    unit = "mm" if kind == "length" else "g"
    values = ", ".join(
        f"{m.value:g} {unit}" for m in standing
    )  # each with its unit: a page may show another one
    bench.mark(fish, f"two_{kind}s", f"Measured as {values}; {measure.value:g} {unit} came twice.")
    bench.say("settled", Sound.PART, f"{measure.value:g} {unit} it is.", measure.ref.at, part=kind)
    bench.review(fish, measure.ref)


def answer_finding(
    bench: "Bench", fish: OpenFish, kind: MeasureKind, measure: Measure, current: Measure, question: Question
) -> None:
    """A value in doubt was measured again."""
    bench.touch(fish, measure.ref)
    division = max(current.division, measure.division)
    if not independent(bench, measure, current):
        measure.role = "repeat"
        current.last_t_s = max(current.last_t_s, measure.ref.t_s)
        fish.trail(kind).append(measure)
        return
    proposal = question.proposes.get(kind)
    if proposal is not None and _near_proposal(bench, kind, measure, proposal):
        _accept(bench, fish, kind, measure, current, question, "agrees_with_proposal")
        return
    if _agree(bench, kind, current.value, measure.value, division):
        _confirm_standing(bench, fish, kind, measure, current, question)
        return
    candidate = fish.candidate(kind)
    if candidate is not None and _repeats(bench, kind, measure, [candidate]) is not None:
        candidate.role = "replaced"
        _accept(bench, fish, kind, measure, current, question, "came_twice")
        return
    if question.tag_reread:
        _accept(bench, fish, kind, measure, current, question, "tag_read_again")
        return
    if candidate is not None:
        # A third value: the first doubtful one opens the next fish, and this one is judged there.
        bench.release_candidates(fish, "other_value_opens_next", measure.ref)
        _hand_on(bench, kind, measure)
        return
    other_kind: MeasureKind = "weight" if kind == "length" else "length"
    if fish.candidate(other_kind) is not None:
        bench.release_candidates(fish, "other_value_opens_next", measure.ref)
        _hand_on(bench, kind, measure)
        return
    measure.role = "candidate"
    fish.trail(kind).append(measure)
    unit = "mm" if kind == "length" else "g"
    bench.say(
        "measure_once_more",
        Sound.REMINDER,
        f"{measure.value:g} {unit} instead of {current.value:g}: measure the {kind} once more, or go on with the next fish.",
        measure.ref.at,
        part=kind,
    )


def _near_proposal(bench: "Bench", kind: MeasureKind, measure: Measure, proposal: float) -> bool:
    """A proposal comes from a rounded value, so it binds more loosely than a second measure does."""
    return abs(measure.value - proposal) <= max(0.05 * proposal, measure.division) or _agree(
        bench, kind, measure.value, proposal, measure.division
    )


def _confirm_standing(
    bench: "Bench", fish: OpenFish, kind: MeasureKind, measure: Measure, current: Measure, question: Question
) -> None:
    """The doubtful value came again: it is real. The finding stays, confirmed."""
    measure.role = "repeat"
    current.last_t_s = measure.ref.t_s
    fish.trail(kind).append(measure)
    other_kind: MeasureKind = "weight" if kind == "length" else "length"
    candidate = fish.candidate(other_kind)
    other = fish.used(other_kind)
    if candidate is not None and other is not None:
        # The other value was doubted and measured differently; this agreement shows that the same fish is in hand.
        other.role = "replaced"
        candidate.role = "used"
    if (doubted := fish.candidate(kind)) is not None:
        doubted.role = "replaced"
    fish.confirmed.append(question.finding)
    fish.questions.remove(question)
    bench.say("settled", Sound.PART, f"{kind.capitalize()} confirmed.", measure.ref.at, part=kind)
    bench.review(fish, measure.ref)


def _accept(
    bench: "Bench",
    fish: OpenFish,
    kind: MeasureKind,
    measure: Measure,
    current: Measure,
    question: Question,
    why: str,
) -> None:
    """The new value is this fish's: it takes the place of the doubtful one, which stays in the trail."""
    current.role = "replaced"
    measure.role = "used"
    fish.trail(kind).append(measure)
    fish.questions = [q for q in fish.questions if q is not question]
    unit = "mm" if kind == "length" else "g"
    fish.marks.append(
        Mark(question.finding, Severity.SERIOUS, question.sentence, question.numbers, settled=True)
    )
    bench.mark(
        fish,
        f"{kind}_mended",
        f"{question.finding.replace('_', ' ')}: {current.value:g} {unit} became {measure.value:g} {unit} by a new measure.",
        first=current.value,
        then=measure.value,
        why=why,
    )
    if why == "came_twice":
        fish.confirmed.append(question.finding)
    bench.say(
        "settled",
        Sound.PART,
        f"{kind.capitalize()} is now {measure.value:g} {unit}.",
        measure.ref.at,
        part=kind,
    )
    bench.review(fish, measure.ref)


def _hand_on(bench: "Bench", kind: MeasureKind, measure: Measure) -> None:
    """Judge a measure for the fish that is in hand now (the one that a candidate just opened)."""
    fish = bench.state.fish
    assert fish is not None
    current = fish.used(kind)
    if current is not None:
        current.role = "replaced"
    measure.role = "used"
    fish.trail(kind).append(measure)
    bench.touch(fish, measure.ref)
    bench.say_measure(kind, measure)
    if current is not None:
        bench.mark(
            fish,
            f"{kind}_replaced",
            f"The {kind} was measured again: {current.value:g}, then {measure.value:g}.",
            first=current.value,
            then=measure.value,
        )
    bench.review(fish, measure.ref)


def tag_was_reread(bench: "Bench", fish: OpenFish, ref: Ref) -> None:
    """The held fish's own tag was read again: the next value of a suspect part is surely its own."""
    kinds: tuple[MeasureKind, ...] = ("length", "weight")
    for question in [q for q in fish.questions if q.kind == "finding"]:
        question.tag_reread = True
        for kind in kinds:
            candidate, current = fish.candidate(kind), fish.used(kind)
            if candidate is not None and current is not None and Part(kind) in question.suspects:
                fish.trail(kind).remove(candidate)
                _accept(bench, fish, kind, candidate, current, question, "tag_read_again")
                return
