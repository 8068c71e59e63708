"""Commands on a two-person line.

What speaks of "this fish" means the newest one: at the measuring end, else the one passed on last, else the one
saved last. `no-weight` means the oldest, whose turn it is at the scale. `shift` and `keep` answer a stopped line.
"""

from collections.abc import Callable
from typing import TYPE_CHECKING

from ingest.assemble.command_rules import command_reading
from ingest.assemble.command_rules import on_command as on_bench_command
from ingest.assemble.line.shift import shift
from ingest.assemble.parts import LineAgain, MeasureKind, Ref
from ingest.commands import OBSERVATION_VERBS, Command, Verb
from ingest.records import Sound

if TYPE_CHECKING:
    from ingest.assemble.line.bench import LineBench

_OF_NEWEST = (Verb.SPECIES_ONCE, Verb.FATE, *OBSERVATION_VERBS, Verb.VOID)


def on_command(bench: "LineBench", command: Command, ref: Ref) -> None:
    """One command for this line."""
    own = _RULES.get(command.verb)
    if own is not None:
        own(bench, command, ref)
    elif command.verb in _OF_NEWEST and bench.state.fish is None and bench.line.queue:
        fish = bench.state.fish = bench.line.queue.pop()
        on_bench_command(bench, command, ref)
        if bench.state.fish is fish:
            bench.state.fish, bench.state.grace_until_s = None, None
            bench.put_back(fish)
    else:
        last = bench.state.saved
        on_bench_command(bench, command, ref)
        if last is not None and bench.state.saved is None:
            bench.forget(last.record.fish_id)
    bench.keep_in_step()


def _again(bench: "LineBench", command: Command, ref: Ref) -> None:
    line, fish = bench.line, bench.state.fish
    last = line.last_weight
    at_scale = last is not None and ref.instrument == last.measure.ref.instrument
    kind: MeasureKind = "weight" if at_scale else "length"
    if at_scale:
        assert last is not None
        wanted = last.fish_id
    elif fish is not None and fish.used("length") is None:
        _refuse(bench, "The fish at the measuring end has no length yet: 'again' does nothing.", ref)
        return
    elif fish is not None:
        wanted = fish.fish_id
    elif line.last_length is not None:
        wanted = line.last_length.fish_id
    else:
        _refuse(bench, "Nothing is measured yet: 'again' does nothing.", ref)
        return
    line.again = LineAgain(kind, wanted, ref.t_s)
    verb = "Weigh" if kind == "weight" else "Measure"
    sentence = f"{verb} that fish again: the next {kind} takes the place of its last one."
    bench.say_of(wanted, "measure_again", Sound.REMINDER, sentence, ref.at, part=kind)


def _no_weight(bench: "LineBench", command: Command, ref: Ref) -> None:
    line = bench.line
    if line.owed:
        entry = line.owed.pop(0)
        sentence = f"Fish {entry.number} is not weighed."
        bench.say_of(entry.saved.record.fish_id, "command_done", Sound.PART, sentence, ref.at)
        return
    fish = bench.waiting()
    if fish is None:
        _refuse(bench, "No fish waits for the scale: 'no-weight' does nothing.", ref)
        return
    if fish is bench.state.fish:
        bench.close_as_it_is(fish, "no_weight", ref)
    fish.commands.append(command_reading(command, ref))
    bench.touch(fish, ref)
    fish.no_weight = True
    sentence = f"Fish {fish.line_no} is not weighed."
    bench.say_of(fish.fish_id, "command_done", Sound.PART, sentence, ref.at)
    bench.close_weighed(fish, "no_weight", ref)


def _untagged(bench: "LineBench", command: Command, ref: Ref) -> None:
    if bench.state.fish is not None:
        on_bench_command(bench, command, ref)
        return
    bench.state.untagged_next = True
    bench.say("command_done", Sound.PART, "The next fish has no tag.", ref.at)


def _keep(bench: "LineBench", command: Command, ref: Ref) -> None:
    line, fish = bench.line, bench.state.fish
    if line.slip is not None:
        # The crew has looked: these fish are no evidence any more, or it would be stopped again at once.
        line.watched_from = line.weighed[-1].number + 1
        line.slip = None
        bench.say("command_done", Sound.PART, "The weights stay as they are; go on.", ref.at)
        return
    if fish is None or not fish.questions:
        _refuse(bench, "No fish is held and the line is not stopped: 'keep' does nothing.", ref)
        return
    fish.commands.append(command_reading(command, ref))
    bench.touch(fish, ref)
    bench.hand_on(fish, "keep", ref)


def _resume(bench: "LineBench", command: Command, ref: Ref) -> None:
    on_bench_command(bench, command, ref)
    fish = bench.state.fish
    if fish is not None:  # whose the weight was is answered now
        fish.questions = [question for question in fish.questions if question.kind != "loose_weight"]
        slip = bench.line.slip
        if slip is not None and slip.loose is not None and slip.loose.fish_id == fish.fish_id:
            bench.line.slip = None


def _refuse(bench: "LineBench", sentence: str, ref: Ref) -> None:
    bench.say("command_refused", Sound.TROUBLE, sentence, ref.at)


_RULES: dict[Verb, Callable[["LineBench", Command, Ref], None]] = {
    Verb.AGAIN: _again,
    Verb.NO_WEIGHT: _no_weight,
    Verb.UNTAGGED: _untagged,
    Verb.KEEP: _keep,
    Verb.RESUME: _resume,
    Verb.SHIFT: shift,
}
