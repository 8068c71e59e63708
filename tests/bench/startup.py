"""How long a command lets one wait before it does anything."""

import subprocess
import sys
import time

from tests.bench.contestants import COMMAND
from tests.bench.measure import Goal, Line, in_turns, middle_line

NOTHING = "python -c pass"


def start_commands(rounds: int) -> list[Line]:
    """Time `tallywell --help` and an interpreter that does nothing; values in ms."""
    samples = in_turns(
        {
            NOTHING: lambda _: [_timed([sys.executable, "-c", "pass"])],
            "help": lambda _: [_timed([str(COMMAND), "--help"])],
        },
        rounds,
    )
    goal = Goal("ours", 400)
    return [middle_line("tallywell --help", samples, "help", NOTHING, "ms", goal=goal)]


def _timed(command: list[str]) -> float:
    began_s = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return (time.perf_counter() - began_s) * 1000
