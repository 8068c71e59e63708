"""From the last byte on the wire to the news that the fish is durable: the daemon and the bare loop, in turns."""

import time
from contextlib import ExitStack
from functools import partial
from pathlib import Path

from tests.bench.contestants import BenchFailedError, Contestant, bare_loop, daemon
from tests.bench.days import length_of, tag_of, weight_of
from tests.bench.measure import Goal, Line, in_turns, middle_line, tail_line

PAUSE_S = 0.01  # between two readings: what was read before has been dealt with, also on a busy machine
WARM_UP = 3  # fish at the start of each turn that do not count


def news_of_fish(folder: Path, rounds: int, fish: int) -> list[Line]:
    """Time from before the write of the weight's line until the news is here; values in ms.

    Every contestant is a process of its own with three ports of its own, on the same disk; each tells by a unix
    socket once its row is committed. SQLite runs with the journal mode of a station (TRUNCATE, FULL) in all.
    """
    with ExitStack() as closing:
        enter = closing.enter_context
        contestants = [
            enter(bare_loop(folder / "bare", journal=False)),
            enter(bare_loop(folder / "journaled", journal=True)),
            enter(daemon(folder / "daemon", scale="scale_print_key")),
        ]
        samples = in_turns({one.name: partial(_one_round, one, fish) for one in contestants}, rounds)
        for contestant in contestants:
            _expect_fish(contestant, rounds * (WARM_UP + fish))
        bare, journaled, ours = (contestant.name for contestant in contestants)
    what = "last byte -> news of the durable fish"
    return [
        middle_line(what, samples, ours, journaled, "ms", goal=Goal("ratio", 1.5)),
        tail_line(f"{what}, p99", samples, ours, journaled, "ms"),
        middle_line(what, samples, ours, bare, "ms"),
        tail_line(f"{what}, p99", samples, ours, bare, "ms"),
    ]


def _one_round(contestant: Contestant, fish: int, turn: int) -> list[float]:
    """The times of `fish` fish in a row.

    In a row, because ext4 lets a process that synchronises after another one wait for company (up to 15 ms,
    `max_batch_time` in ext4(5)): changing places with every fish would measure that, and the first fish do.
    """
    first = turn * (WARM_UP + fish)
    times = [_work_up(contestant, first + number) for number in range(WARM_UP + fish)]
    return times[WARM_UP:]


def _work_up(contestant: Contestant, number: int) -> float:
    """Send the three lines of a fish; ms from the last one to the news."""
    for source, text in (("reader", tag_of(number)), ("board", f"{length_of(number)} mm")):
        contestant.send(source, f"{text}\r\n".encode())
        contestant.ports[source].drain(1.0)
        time.sleep(PAUSE_S)
    began_s = time.monotonic()
    contestant.send("scale", b"+ %7.1f g\r\n" % weight_of(number))
    return (contestant.wait_saved(tag_of(number)) - began_s) * 1000


def _expect_fish(contestant: Contestant, fish: int) -> None:
    missing = {(tag_of(n), length_of(n), weight_of(n)) for n in range(fish)} - contestant.fish()
    if missing:
        raise BenchFailedError(
            f"{contestant.name} did not save {len(missing)} of {fish} fish as they were sent"
        )
