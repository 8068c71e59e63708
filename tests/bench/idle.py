"""What the station costs while nothing happens: a scale streams ten lines a second, and nobody weighs."""

import os
import time
from contextlib import ExitStack
from functools import partial
from pathlib import Path

from tests.bench.contestants import Contestant, bare_loop, daemon
from tests.bench.measure import Goal, Line, in_turns

LINES_PER_S = 10
_TICK_S = 1 / os.sysconf("SC_CLK_TCK")


def idle_cpu(folder: Path, rounds: int, seconds: float) -> list[Line]:
    """CPU time (user and system, all threads) in % of one core, over `seconds` in all."""
    with ExitStack() as closing:
        contestants = [
            closing.enter_context(bare_loop(folder / "bare", journal=True)),
            closing.enter_context(daemon(folder / "daemon", scale="scale_state_prefix")),
        ]
        bare, ours = (contestant.name for contestant in contestants)
        runs = {one.name: partial(_one_round, one, seconds / rounds) for one in contestants}
        used = in_turns(runs, rounds)
    # The clock of the kernel ticks a hundred times a second, so only the sum over all rounds is worth a ratio.
    theirs, mine = (sum(share for (share,) in used[name]) / rounds for name in (bare, ours))
    goal = Goal("ours", 2.0)
    what = f"idle CPU, {LINES_PER_S} scale lines/s"
    return [Line(what, bare, theirs, mine, "% of a core", mine / theirs if theirs else None, None, goal)]


def _one_round(contestant: Contestant, seconds: float, turn: int) -> list[float]:
    before_s, begun_s = _cpu_s(contestant.process.pid), time.monotonic()
    for tick in range(max(1, round(seconds * LINES_PER_S))):
        contestant.send("scale", b"ST,+%06.1f g\r\n" % (tick % 3 / 10))
        time.sleep(max(0.0, begun_s + (tick + 1) / LINES_PER_S - time.monotonic()))
    return [100 * (_cpu_s(contestant.process.pid) - before_s) / (time.monotonic() - begun_s)]


def _cpu_s(pid: int) -> float:
    """User and system time of all threads of a process so far (proc(5): fields 14 and 15)."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) * _TICK_S
