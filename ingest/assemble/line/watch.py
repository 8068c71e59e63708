"""The watch over the pairing: after every weight, does the line still give each fish its own?"""

from dataclasses import replace
from typing import TYPE_CHECKING

from fishery.alignment import (
    LEAST_FISH,
    WATCHABLE_RATIO,
    WINDOW,
    Measured,
    Slip,
    best_slip,
    find_slip,
    find_swap,
    is_lost,
    spread_ratio,
    surplus_slip,
)
from fishery.single import Relation, prior_relation
from ingest.assemble.facts import equation_of, local_relation
from ingest.assemble.line.weights import STOPPED, STOPPED_SENTENCE, add_finding
from ingest.assemble.parts import Last, LineSlip, Ref, WeighedFish
from ingest.records import Finding, Severity, Sound

if TYPE_CHECKING:
    from ingest.assemble.line.bench import LineBench

LEAST_GAIN_KNOWN = 3.0
"""Enough where it is known that the line slipped, and the weights only tell where (proposal)."""
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
        _stop(bench, entries, _named(entries, found), ref)
        return
    if is_lost(_fish(bench, entries), _weights(entries)):
        _say_lost(bench, entries, ref)
        return
    _mark_swap(bench, entries)
    if len(entries) >= ENOUGH_TO_JUDGE and not line.said_unwatchable:
        ratio = spread_ratio(_fish(bench, entries))
        if ratio is None or ratio < WATCHABLE_RATIO:
            line.said_unwatchable = True
            _say_unwatchable(bench, ratio, ref)


def _say_lost(bench: "LineBench", entries: list[WeighedFish], ref: Ref) -> None:
    """Several slips close together: no shift mends it. Say so, mark the fish, and look at the next ones anew."""
    off = entries[-2 * LEAST_FISH :]
    first, last = off[0].number, off[-1].number
    sentence = (
        f"Stop, the order of the line is lost: the weights of fish {first} to {last} fit neither their own fish nor the "
        "next. Weigh what lies on the table again and begin anew with an empty table."
    )
    for entry in off:
        add_finding(bench, entry, Finding("line_lost", Severity.NOTICE, sentence))
    bench.line.watched_from = last + 1
    bench.say("line_lost", Sound.HELD, sentence, ref.at, first=first, last=last)


def _mark_swap(bench: "LineBench", entries: list[WeighedFish]) -> None:
    at = find_swap(_fish(bench, entries), _weights(entries))
    if at is None:
        return
    first, second = entries[at].number, entries[at + 1].number
    sentence = f"Fish {first} and {second} seem to have one another's weight: they may have been swapped."
    for entry in entries[at : at + 2]:
        add_finding(bench, entry, Finding("weights_swapped", Severity.NOTICE, sentence))


def watch_surplus(bench: "LineBench", loose: Last, ref: Ref) -> None:
    """A weight came and no fish waited: one weight was too many, this one or one before it."""
    line = bench.line
    if line.slip is not None:
        _say_stopped(bench, line.slip, ref)
        return
    entries = _entries(bench)
    known = [_measured(bench, one.saved.length_mm, one.saved.record.species) for one in entries]
    found = surplus_slip(known, [*_weights(entries), loose.measure.value])
    if found is not None and found.gain >= LEAST_GAIN_KNOWN:
        _stop(bench, entries, replace(_named(entries, found), loose=loose, upto=entries[-1].number), ref)


def mark_at_end(bench: "LineBench") -> None:
    """The day ends: a slip too young to be called is left as a mark on the fish that it may have mixed."""
    slip = likeliest_slip(bench) if bench.line.slip is None else None
    if slip is not None:
        _mark(bench, _entries(bench), slip)


def _mark(bench: "LineBench", entries: list[WeighedFish], slip: LineSlip) -> None:
    for entry in entries:
        if entry.number >= slip.earliest:
            add_finding(bench, entry, Finding(STOPPED, Severity.NOTICE, STOPPED_SENTENCE))


def _stop(bench: "LineBench", entries: list[WeighedFish], slip: LineSlip, ref: Ref) -> None:
    bench.line.slip = slip
    _mark(bench, entries, slip)
    _say_stopped(bench, slip, ref)


def likeliest_slip(bench: "LineBench") -> LineSlip | None:
    """Where the line most likely slipped, for a crew that says that it did; None if nothing points to a place."""
    entries = _entries(bench)
    found = best_slip(_fish(bench, entries), _weights(entries))
    return _named(entries, found) if found is not None and found.gain >= LEAST_GAIN_KNOWN else None


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
    return [_measured(bench, length_mm, species) for length_mm, species in known]


def _measured(bench: "LineBench", length_mm: float | None, species: str | None) -> Measured:
    return Measured(length_mm, _relation(bench, species), species or "")


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
