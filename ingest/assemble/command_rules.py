"""Commands of the crew on one bench: to the fish in hand, or, with none in hand, to the fish saved last.

On a fish in hand a command acts directly; on a saved one it is an amendment. Sound and sentence name the fish.
"""

from collections.abc import Callable
from typing import TYPE_CHECKING

from ingest.assemble.closing import amend, amend_relative_weight
from ingest.assemble.facts import missing_parts
from ingest.assemble.parts import Again, MeasureKind, OpenFish, Ref
from ingest.assemble.tag_rules import resume, say_recapture
from ingest.commands import OBSERVATION_VERBS, Command, Verb
from ingest.records import Observation, ReadingRecord, Sound, Status, TagStatus

if TYPE_CHECKING:
    from ingest.assemble.bench import Bench

_Rule = Callable[["Bench", Command, Ref], None]
_ONE_OF_A_KIND = ("sex", "maturity")  # of these a fish has one; said again they replace what was said


def on_command(bench: "Bench", command: Command, ref: Ref) -> None:
    """One command for this bench (survey and run commands are the station's and never come here)."""
    fish = bench.state.fish
    if fish is not None:
        fish.commands.append(command_reading(command, ref))
        bench.touch(fish, ref)
    RULES[command.verb](bench, command, ref)


def command_reading(command: Command, ref: Ref) -> ReadingRecord:
    return ReadingRecord(
        kind="command",
        role="used",
        journal_id=ref.journal_id,
        n=ref.n,
        at=ref.at,
        instrument=ref.instrument,
        raw=ref.raw,
        text=str(command),
    )


def _species(bench: "Bench", command: Command, ref: Ref) -> None:
    species = bench.context.book.find(command.argument or "")
    if species is None:
        _refuse(bench, f"No species '{command.argument}' is known: look at its name in config/species.", ref)
        return
    bench.state.species = species.slug
    fish = bench.state.fish
    if fish is not None and fish.species_from in ("selected", "none"):
        fish.species, fish.species_from = species.slug, "selected"
        bench.say("species_selected", Sound.PART, f"{species.common} from now on, this fish too.", ref.at)
        bench.review(fish, ref)
        return
    bench.say("species_selected", Sound.PART, f"{species.common} from now on.", ref.at, species=species.slug)


def _species_once(bench: "Bench", command: Command, ref: Ref) -> None:
    species = bench.context.book.find(command.argument or "")
    if species is None:
        _refuse(bench, f"No species '{command.argument}' is known: look at its name in config/species.", ref)
        return
    fish, saved = bench.state.fish, bench.state.saved
    if fish is not None:
        fish.species, fish.species_from = species.slug, "command"
        bench.say("command_done", Sound.PART, f"This fish is {species.common}.", ref.at)
        bench.review(fish, ref)
    elif saved is not None:
        amend(bench, "species", saved.record.species, species.slug, "species by command")
        amend_relative_weight(bench)
        _say_amended(bench, f"the fish saved last is {species.common}", ref)
    else:
        _no_fish(bench, command, ref)


def _fate(bench: "Bench", command: Command, ref: Ref) -> None:
    fish, saved = bench.state.fish, bench.state.saved
    fate = command.argument or ""
    if fish is not None:
        fish.fate = fate
        bench.say("command_done", Sound.PART, f"This fish: {fate}.", ref.at)
        if fate == "escaped":
            bench.close(fish, "escaped", ref)
        else:
            bench.review(fish, ref)
    elif saved is not None:
        amend(bench, "fate", saved.record.fate, fate, "fate by command")
        _say_amended(bench, f"the fish saved last: {fate}", ref)
    else:
        _no_fish(bench, command, ref)


def _observe(kind: str) -> _Rule:
    def rule(bench: "Bench", command: Command, ref: Ref) -> None:
        fish, saved = bench.state.fish, bench.state.saved
        code, text = _coded(bench, kind, command.argument or "")
        if fish is not None:
            fish.observations.append(Observation(kind, text, code))
            if kind == "note":
                fish.note = text if fish.note is None else f"{fish.note}; {text}"
            bench.say("command_done", Sound.PART, f"{kind.capitalize()}: {text}.", ref.at)
            if fish.stored:
                bench.review(fish, ref)
        elif saved is not None:
            seen = [one.text for one in saved.record.observations if one.kind == kind]
            text = text if code is None else f"{text} ({code})"
            if kind in _ONE_OF_A_KIND:
                old, new = seen[-1] if seen else None, text
            else:
                # What was seen before stays: the amended text stands for all of the kind.
                old = saved.record.note if kind == "note" else "; ".join(seen) or None
                new = f"{old}; {text}" if old else text
            amend(bench, kind, old, new, f"{kind} by command")
            _say_amended(bench, f"the fish saved last, {kind}: {text}", ref)
        else:
            _no_fish(bench, command, ref)

    return rule


def _coded(bench: "Bench", kind: str, said: str) -> tuple[str | None, str]:
    """Code and text of an observation: the station's list knows the code, or the words are free."""
    codes = bench.context.observations.get(kind, {})
    code = next((one for one in codes if one.lower() == said.lower()), None)
    return (None, said) if code is None else (code, codes[code])


def _untagged(bench: "Bench", command: Command, ref: Ref) -> None:
    fish, saved = bench.state.fish, bench.state.saved
    if fish is not None and fish.tags:
        bench.mark(
            fish,
            "untagged_with_tag",
            "'untagged' was said while this fish's tag was read: look whether its measures are of the next fish.",
        )
        _refuse(bench, "A tag was read with this fish: is it still in hand? 'next' closes it.", ref)
    elif fish is not None:
        fish.untagged = True
        bench.say("command_done", Sound.PART, "No tag in this fish.", ref.at)
        bench.review(fish, ref)
    elif saved is not None and saved.record.tag is None and saved.record.tag_status.value == "not_scanned":
        amend(bench, "tag_status", saved.record.tag_status.value, "none_found", "untagged by command")
        _say_amended(bench, "the fish saved last has no tag", ref)
    else:
        bench.state.untagged_next = True
        bench.say("command_done", Sound.PART, "The next fish has no tag.", ref.at)


def _again(bench: "Bench", command: Command, ref: Ref) -> None:
    fish, saved = bench.state.fish, bench.state.saved
    if fish is not None:
        kinds: tuple[MeasureKind, ...] = ("length", "weight")
        newest = max(
            (m for kind in kinds if (m := fish.used(kind)) is not None),
            key=lambda m: m.ref.t_s,
            default=None,
        )
        if newest is None:
            _refuse(bench, "Nothing of this fish is measured yet.", ref)
            return
        kind = "length" if newest in fish.lengths else "weight"
        for measure in fish.trail("length" if kind == "length" else "weight"):
            if measure.role in ("used", "candidate"):
                measure.role = "replaced"
        fish.questions = [q for q in fish.questions if q.kind != f"two_{kind}s"]
        bench.say("measure_again", Sound.REMINDER, f"Measure the {kind} again.", ref.at, part=kind)
        bench.review(fish, ref)
    elif saved is not None:
        bench.state.again = Again(saved.record.fish_id, ref.t_s)
        bench.say_of(
            saved.record.fish_id,
            "measure_again",
            Sound.REMINDER,
            "Measure the fish saved last again, its length or its weight: that one value is corrected.",
            ref.at,
        )
    else:
        _no_fish(bench, command, ref)


def _void(bench: "Bench", command: Command, ref: Ref) -> None:
    fish, saved = bench.state.fish, bench.state.saved
    if fish is not None:
        bench.close(fish, "void", ref, status=Status.VOID)
    elif saved is not None:
        amend(bench, "void", "0", "1", "void by command")
        _say_amended(bench, "the fish saved last is void", ref)
        bench.state.saved = bench.state.again = None
    else:
        _no_fish(bench, command, ref)


def _keep(bench: "Bench", command: Command, ref: Ref) -> None:
    fish = bench.state.fish
    if fish is None or not fish.questions:
        _refuse(bench, "No fish is held: 'keep' does nothing.", ref)
        return
    bench.close(fish, "keep", ref)


def _next(bench: "Bench", command: Command, ref: Ref) -> None:
    fish = bench.state.fish
    bench.state.again = None
    bench.state.done_tag = None
    if fish is None:
        _refuse(bench, "No fish is in hand: 'next' does nothing.", ref)
    elif any(m.role == "candidate" for _, m in fish.measures()):
        # Two values were the question, and 'next' answers it: the first is this fish's, the other the next one's.
        fish.questions = [q for q in fish.questions if q.kind not in ("two_lengths", "two_weights")]
        follower = bench.release_candidates(fish, "next", ref)
        bench.review(follower, ref)
    else:
        bench.close_as_it_is(fish, "next", ref)


def _both(bench: "Bench", command: Command, ref: Ref) -> None:
    fish = bench.state.fish
    question = fish.question("two_tags") if fish is not None else None
    if fish is None or question is None:
        _refuse(bench, "No fish is held with two tags: 'both' does nothing.", ref)
        return
    known = sorted(fish.tags, key=lambda read: (not read.prior, read.ref.t_s))
    fish.tag, fish.second_tag = known[0].tag, known[1].tag
    fish.questions.remove(question)
    bench.mark(fish, "carries_two_tags", f"This fish carries two tags: {fish.tag} and {fish.second_tag}.")
    if known[0].prior and fish.species_from != "command" and known[0].prior[-1].species:
        fish.species, fish.species_from = known[0].prior[-1].species, "history"
    bench.say("command_done", Sound.PART, "Both tags are this fish's.", ref.at)
    if known[0].status is TagStatus.RECAPTURE:
        say_recapture(bench, fish, known[0], ref)
    bench.review(fish, ref)


def _resume(bench: "Bench", command: Command, ref: Ref) -> None:
    if not bench.state.parked:
        _refuse(bench, "No fish is parked.", ref)
        return
    fish = bench.state.fish
    if fish is not None:
        bench.close_as_it_is(fish, "resume", ref)
    parked = bench.state.parked[-1]
    resume(bench, parked, ref)
    parked.commands.append(command_reading(command, ref))
    bench.review(parked, ref)


def _no_weight(bench: "Bench", command: Command, ref: Ref) -> None:
    fish = bench.state.fish
    if fish is None:
        _no_fish(bench, command, ref)
        return
    fish.no_weight = True
    bench.say("command_done", Sound.PART, "This fish is not weighed.", ref.at)
    bench.review(fish, ref)


def _shift(bench: "Bench", command: Command, ref: Ref) -> None:
    _refuse(bench, "Here is no two-person line whose weights could be shifted: 'shift' does nothing.", ref)


def _say_amended(bench: "Bench", what: str, ref: Ref) -> None:
    saved = bench.state.saved
    assert saved is not None
    bench.say_of(saved.record.fish_id, "fish_amended", Sound.SAVED, f"Corrected: {what}.", ref.at)


def _no_fish(bench: "Bench", command: Command, ref: Ref) -> None:
    _refuse(bench, no_fish_for(command), ref)


def no_fish_for(command: Command) -> str:
    return f"No fish is in hand and none was saved just now: '{command}' does nothing."


def _refuse(bench: "Bench", sentence: str, ref: Ref) -> None:
    bench.say("command_refused", Sound.TROUBLE, sentence, ref.at)


RULES: dict[Verb, _Rule] = {
    Verb.SPECIES: _species,
    Verb.SPECIES_ONCE: _species_once,
    Verb.FATE: _fate,
    **{verb: _observe(verb.value) for verb in OBSERVATION_VERBS},
    Verb.UNTAGGED: _untagged,
    Verb.AGAIN: _again,
    Verb.VOID: _void,
    Verb.KEEP: _keep,
    Verb.NEXT: _next,
    Verb.BOTH: _both,
    Verb.RESUME: _resume,
    Verb.NO_WEIGHT: _no_weight,
    Verb.SHIFT: _shift,
}


def close_all(bench: "Bench", rule: str, ref: Ref) -> None:
    """The survey closes, or the bench is taken away: whatever is in hand or parked is closed as far as it got."""
    fish = bench.state.fish
    if fish is not None:
        finish(bench, fish, rule, ref)
    for parked in bench.state.parked:
        bench.close(parked, rule, ref)
    bench.state.parked = []
    bench.state.saved = None
    bench.state.done_tag = None
    bench.state.again = None
    bench.state.habits = {}
    bench.state.unusual_orders = 0


def finish(bench: "Bench", fish: OpenFish, rule: str, ref: Ref) -> None:
    """Close the fish in hand, and the follower that a doubtful value opens."""
    if fish.question("finding") is not None and any(m.role == "candidate" for _, m in fish.measures()):
        follower = bench.release_candidates(fish, rule, ref)
        bench.close_as_it_is(follower, rule, ref)
        return
    bench.close_as_it_is(fish, rule, ref)


def on_stop(bench: "Bench", ref: Ref) -> None:
    """The daemon stops: what is complete is saved, what is not is made durable as parked (a quick restart goes on)."""
    fish = bench.state.fish
    if fish is None:
        return
    if not fish.questions and not missing_parts(fish, bench.context):
        bench.close(fish, "complete", ref)
        return
    if not fish.questions:
        bench.store_unclosed(fish, Status.PARKED, "stopped")
