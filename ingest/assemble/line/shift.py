"""`shift`: the weights from one fish on go to their own fish, in the open, and the queue is set right."""

from dataclasses import replace
from typing import TYPE_CHECKING

from ingest.assemble.closing import measure_reading
from ingest.assemble.line.watch import likeliest_slip, watch
from ingest.assemble.line.weights import STOPPED, add_finding, give_weight, keep_loose, set_weight
from ingest.assemble.measure_rules import agree
from ingest.assemble.parts import Last, LineSlip, Measure, Ref, WeighedFish
from ingest.commands import Command
from ingest.records import Finding, Severity, Sound, Status

if TYPE_CHECKING:
    from ingest.assemble.line.bench import LineBench

_WHY = "the line was off by one: shifted"


def shift(bench: "LineBench", command: Command, ref: Ref) -> None:
    """Move the weights by one from the fish on where the line slipped."""
    line = bench.line
    slip = line.slip or likeliest_slip(bench)  # the crew knows that it slipped, the weights tell where
    if slip is None:
        sentence = "No fish points to where the line slipped: 'shift' does nothing; look at the last weights."
        bench.say("command_refused", Sound.TROUBLE, sentence, ref.at)
        return
    entries = [
        one
        for one in line.weighed
        if slip.number <= one.number and (not slip.upto or one.number <= slip.upto)
    ]
    earlier = [entry for entry in line.weighed if entry.number < slip.number]
    line.slip, line.again = None, None
    if slip.kind == "missed":
        done = _missed(bench, entries, ref)
    else:
        done = _extra(bench, entries, earlier[-1] if earlier else None, slip, ref)
    for entry in (*earlier, *entries):
        if entry.number >= slip.earliest and (not slip.upto or entry.number <= slip.upto):
            _settle(bench, entry, slip)
    bench.say("line_shifted", Sound.SAVED, done, ref.at, number=slip.number, kind=slip.kind)
    watch(bench, ref)  # there may have been a second one


def _missed(bench: "LineBench", entries: list[WeighedFish], ref: Ref) -> str:
    """Each weight goes one fish on; the last one to the first that waits."""
    carried: Measure | None = None
    for entry in entries:
        mine = entry.weight
        set_weight(bench, entry, carried, _WHY)
        carried = mine
    assert carried is not None
    first = entries[0]
    bench.line.weighed.remove(first)
    holder = give_weight(bench, carried, ref)
    if holder is None:
        holder = keep_loose(bench, carried, ref)
    bench.line.last_weight = Last(replace(carried), holder)
    return f"Shifted: fish {first.number} has no weight, the others from there on have their own."


def _extra(
    bench: "LineBench", entries: list[WeighedFish], before: WeighedFish | None, slip: LineSlip, ref: Ref
) -> str:
    """Each weight goes one fish back, and the first one is nobody's.

    The newest fish gets the weight that came when no fish waited; without one, it is to be weighed.
    """
    line = bench.line
    weights = [entry.weight for entry in entries]
    surplus, last = weights[0], entries[-1]
    assert surplus is not None
    found = _take_loose(bench, slip.loose, ref)
    for entry, weight in zip(entries, [*weights[1:], found], strict=True):
        set_weight(bench, entry, weight, _WHY)
    if before is not None and before.weight is not None and agree(bench, "weight", before.weight, surplus):
        surplus.role = "repeat"
        bench.attach(before.saved.record.fish_id, measure_reading("weight", surplus))
        holder, what = before.saved.record.fish_id, f"fish {before.number} had been weighed twice"
    else:
        holder, what = keep_loose(bench, surplus, ref), f"{surplus.value:g} g belongs to no fish"
    if found is not None:
        if slip.loose is not None and line.last_weight == slip.loose:
            line.last_weight = Last(replace(found), last.saved.record.fish_id)
        return f"Shifted: {what}, the others from there on have their own weight."
    line.weighed.remove(last)
    line.owed.insert(0, last)
    newest = weights[-1]
    if len(entries) > 1 and newest is not None:
        line.last_weight = Last(replace(newest), entries[-2].saved.record.fish_id)
    else:
        line.last_weight = Last(replace(surplus), holder)
    return f"Shifted: {what}. Fish {last.number} comes to the scale next."


def _take_loose(bench: "LineBench", loose: Last | None, ref: Ref) -> Measure | None:
    """The weight of a parked fish of which nothing else is known; that fish was none."""
    fish = next(
        (one for one in bench.state.parked if loose is not None and one.fish_id == loose.fish_id), None
    )
    if fish is None:
        return None
    bench.state.parked.remove(fish)
    saved = bench.state.saved
    bench.mark(fish, "weight_found_its_fish", "The line was shifted: this weight went to its own fish.")
    bench.close(fish, "shift", ref, status=Status.VOID)
    bench.state.saved = saved
    return fish.weights[-1]


def _settle(bench: "LineBench", entry: WeighedFish, slip: LineSlip) -> None:
    sentence = f"The line was off by one from fish {slip.number} on; the weights were shifted by one fish."
    add_finding(bench, entry, Finding(STOPPED, Severity.NOTICE, sentence, settled=True))
    if slip.earliest <= entry.number <= slip.latest and slip.earliest < slip.latest:
        add_finding(
            bench,
            entry,
            Finding(
                "slip_place_uncertain",
                Severity.NOTICE,
                f"Where the line slipped, fish {slip.earliest} to {slip.latest}, is not sure: look at their weights.",
                {"earliest": slip.earliest, "latest": slip.latest},
            ),
        )
