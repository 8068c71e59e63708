"""The order in which this crew takes the parts of a fish, learned from the fish before.

A fish whose parts came in an order that this crew does not use is often two fish: a scan was missed here, a
measure there. It is no reason to hold anybody, but the office should look at it.
"""

from typing import TYPE_CHECKING

from ingest.assemble.parts import BenchState, MeasureKind, OpenFish
from ingest.records import Sound, TagStatus

if TYPE_CHECKING:
    from ingest.assemble.bench import Bench

REMEMBERED = 20
ENOUGH = 3
SAY_AFTER = 3  # so many unusual fish in a row, and the crew is told
UNUSUAL_SHARE = 0.4  # an order used less often than this is not how this crew works

_KINDS: tuple[MeasureKind, ...] = ("length", "weight")
_WORDS = {"T": "tag", "L": "length", "W": "weight"}


def tags_come_first(state: BenchState, kind: str) -> bool:
    """Whether this crew usually reads tags of this kind (`new`, `found`) before it measures."""
    habit = state.habits.get(kind, [])
    return len(habit) >= ENOUGH and len([order for order in habit if order[0] == "T"]) > len(habit) / 2


def note_order(bench: "Bench", fish: OpenFish) -> None:
    """Mark a fish whose parts came in an unusual order, and remember the order. Only fish with all their measures."""
    parts = [(m.ref.t_s, kind[0].upper()) for kind in _KINDS if (m := fish.used(kind)) is not None]
    if len(parts) < len(_KINDS):
        return
    read = fish.tag_read(fish.tag)
    if read is not None:
        parts.append((read.ref.t_s, "T"))
    order = "".join(letter for _, letter in sorted(parts))
    found = read is not None and read.status is not TagStatus.NEW
    state = bench.state
    habit = state.habits.setdefault("none" if read is None else "found" if found else "new", [])
    if len(habit) < ENOUGH or habit.count(order) >= UNUSUAL_SHARE * len(habit):
        habit.append(order)
        del habit[:-REMEMBERED]
        state.unusual_orders = 0
        return
    # An unusual order is not learned: after one slip all later fish come in the same wrong order.
    words = ", ".join(_WORDS[letter] for letter in order)
    bench.mark(
        fish,
        "order_unlike_before",
        f"The parts came in the order {words}, unlike the fish before: look whether they are of one fish.",
        order=order,
    )
    state.unusual_orders += 1
    if state.unusual_orders % SAY_AFTER == 0:
        bench.say_of(
            fish.fish_id,
            "order_changed",
            Sound.REMINDER,
            f"The parts of the last {state.unusual_orders} fish came in another order than before: look whether each "
            "has its own tag.",
            fish.last.at,
        )
