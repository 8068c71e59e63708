"""What happens on a bench when nothing happens: a late tag does not come, a fish lies idle, a restart."""

from typing import TYPE_CHECKING

from ingest.assemble.parts import BenchState, Ref
from ingest.assemble.settings import BenchRules

if TYPE_CHECKING:
    from ingest.assemble.bench import Bench


def next_deadline_s(state: BenchState, rules: BenchRules) -> float | None:
    """When this bench must be looked at again (engine time), or None."""
    deadlines = []
    if state.grace_until_s is not None:
        deadlines.append(state.grace_until_s)
    if state.fish is not None:
        deadlines.append(state.fish.last_t_s + rules.open_limit_s)
    if state.again is not None:
        deadlines.append(state.again.t_s + rules.open_limit_s)
    if state.batch is not None:
        deadlines.append(state.batch.last_t_s + rules.open_limit_s)
    return min(deadlines, default=None)


def on_time(bench: "Bench", ref: Ref) -> None:
    """The deadline of this bench has come; `ref.t_s` is that deadline."""
    state = bench.state
    fish = state.fish
    if fish is not None and state.grace_until_s is not None and state.grace_until_s <= ref.t_s:
        state.grace_until_s = None
        bench.close(fish, "complete", ref)
        return
    if state.again is not None and state.again.t_s + bench.context.rules.open_limit_s <= ref.t_s:
        state.again = None
    if fish is not None and fish.last_t_s + bench.context.rules.open_limit_s <= ref.t_s:
        if fish.question("finding") is not None and any(m.role == "candidate" for _, m in fish.measures()):
            fish = bench.release_candidates(fish, "idle", ref)
        bench.park(fish, "idle", ref)


def on_restart(bench: "Bench", ref: Ref) -> None:
    """The station was switched off in between (another boot): nobody knows whose the next reading is."""
    fish = bench.state.fish
    bench.state.again = None
    bench.state.done_tag = None
    bench.state.grace_until_s = None
    if fish is not None:
        bench.park(fish, "restart", ref)
