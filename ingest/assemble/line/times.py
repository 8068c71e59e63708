"""When nothing happens at a two-person line, when the station starts anew, and when the day ends."""

from typing import TYPE_CHECKING

from ingest.assemble.command_rules import close_all as close_bench
from ingest.assemble.command_rules import on_stop as stop_bench
from ingest.assemble.line.watch import mark_at_end
from ingest.assemble.parts import LineState, Ref
from ingest.assemble.timer_rules import on_restart as restart_bench
from ingest.assemble.timer_rules import on_time as bench_time
from ingest.records import Status

if TYPE_CHECKING:
    from ingest.assemble.line.bench import LineBench


def on_time(bench: "LineBench", ref: Ref) -> None:
    """The deadline of the measuring end has come. Fish between the two people wait as long as it takes."""
    state = bench.state
    fish = state.fish
    if fish is not None and state.grace_until_s is not None and state.grace_until_s <= ref.t_s:
        state.grace_until_s = None
        bench.hand_on(fish, "complete", ref)
        return
    bench_time(bench, ref)


def on_restart(bench: "LineBench", ref: Ref) -> None:
    """Another boot: nobody knows which fish comes next. All that wait are parked; what is saved can still be shifted."""
    line = bench.line
    queue, line.queue, line.owed = line.queue, [], []
    for fish in queue:
        fish.line_no = None
        bench.park(fish, "restart", ref)
    line.again = line.last_length = line.last_weight = None
    restart_bench(bench, ref)


def on_stop(bench: "LineBench", ref: Ref) -> None:
    """The daemon stops: the fish between are made durable, and a quick restart goes on with them."""
    for fish in bench.line.queue:
        bench.store_unclosed(fish, Status.HELD if fish.questions else Status.PARKED, "stopped")
    stop_bench(bench, ref)


def close_all(bench: "LineBench", rule: str, ref: Ref) -> None:
    """The survey closes, or the bench is taken away: the fish between are saved without a weight."""
    mark_at_end(bench)
    close_bench(bench, rule, ref)
    for fish in list(bench.line.queue):
        bench.close_weighed(fish, rule, ref)
    bench.state.saved = None
    bench.state.line = LineState()
