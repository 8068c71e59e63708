"""The watch over the pairing: after every weight, does the line still give each fish its own?"""

from typing import TYPE_CHECKING

from fishery.alignment import WATCHABLE_RATIO, WINDOW, Measured, Slip, best_slip, find_slip, spread_ratio
from fishery.single import Relation, prior_relation
from ingest.assemble.facts import equation_of, local_relation
from ingest.assemble.line.weights import STOPPED, STOPPED_SENTENCE, add_finding
from ingest.assemble.parts import LineSlip, Ref, WeighedFish
from ingest.records import Finding, Severity, Sound

if TYPE_CHECKING:
    from ingest.assemble.line.bench import LineBench

ENOUGH_TO_JUDGE = 8  # fish before the station says that it cannot watch


def watch(bench: "LineBench", ref: Ref) -> None:
    """Stop the line when it is off by one; say once when nobody could see it."""
    line = bench.line
    if line.slip is not None:
        _say_stopped(bench, line.slip, ref)
        return
    entries = _entries(bench)
    found = find_slip(_fish(bench, entries), _weights(entries))
    if found is not None:
        line.slip = _named(entries, found)
        for entry in entries:
            if entry.number >= line.slip.earliest:
                add_finding(bench, entry, Finding(STOPPED, Severity.NOTICE, STOPPED_SENTENCE))
        _say_stopped(bench, line.slip, ref)
    elif len(entries) >= ENOUGH_TO_JUDGE and not line.said_unwatchable:
        ratio = spread_ratio(_fish(bench, entries))
        if ratio is None or ratio < WATCHABLE_RATIO:
            line.said_unwatchable = True
            _say_unwatchable(bench, ratio, ref)


def likeliest_slip(bench: "LineBench", least_gain: float) -> LineSlip | None:
    """Where the line most likely slipped, for a crew that says that it did; None if nothing points to a place."""
    entries = _entries(bench)
    found = best_slip(_fish(bench, entries), _weights(entries))
    return _named(entries, found) if found is not None and found.gain >= least_gain else None


def _entries(bench: "LineBench") -> list[WeighedFish]:
    line = bench.line
    return [one for one in line.weighed if one.number >= line.watched_from][-WINDOW:]


def _weights(entries: list[WeighedFish]) -> list[float]:
    return [entry.weight.value for entry in entries if entry.weight is not None]


def _fish(bench: "LineBench", entries: list[WeighedFish]) -> list[Measured]:
    """The weighed fish and those that wait, in the order of the line."""
    line, end = bench.line, bench.state.fish
    known = [(one.saved.length_mm, one.saved.record.species) for one in (*entries, *line.owed)]
    for fish in (*line.queue, *([end] if end is not None else [])):
        length = fish.used("length")
        known.append((length.value if length is not None else None, fish.species))
    return [Measured(length_mm, _relation(bench, species), species or "") for length_mm, species in known]


def _relation(bench: "LineBench", species: str | None) -> Relation | None:
    own = local_relation(species, bench.context)
    if own is not None:
        return own
    line = equation_of(species, bench.context)
    return None if line is None else prior_relation(line)


def _named(entries: list[WeighedFish], slip: Slip) -> LineSlip:
    """The slip in the words and numbers of the line."""
    numbers = [entry.number for entry in entries]
    number = numbers[slip.at]
    before = numbers[slip.earliest - 1] if slip.earliest > 0 else numbers[0] - 1
    where = f"between fish {before} and {numbers[slip.latest]}" if before > 0 else f"at fish {number}"
    what = "a weighing was missed" if slip.kind == "missed" else "there was a weight too many"
    sentence = (
        f"Stop, the line is off by one: {where} {what}. 'shift' gives the weights from fish {number} on to their "
        "own fish; 'keep' leaves all as it is."
    )
    return LineSlip(slip.kind, number, numbers[slip.earliest], numbers[slip.latest], sentence)


def _say_stopped(bench: "LineBench", slip: LineSlip, ref: Ref) -> None:
    bench.say(
        "line_stopped",
        Sound.HELD,
        slip.sentence,
        ref.at,
        kind=slip.kind,
        number=slip.number,
        earliest=slip.earliest,
        latest=slip.latest,
    )


def _say_unwatchable(bench: "LineBench", ratio: float | None, ref: Ref) -> None:
    why = (
        "no length-weight relation is known for these fish"
        if ratio is None
        else "these fish are too alike in size for a neighbour's weight to show"
    )
    bench.say(
        "alignment_unwatched",
        Sound.REMINDER,
        f"The order of the line cannot be watched: {why}. Watch it yourselves.",
        ref.at,
        spread_ratio=None if ratio is None else round(ratio, 2),
    )
