"""`make bench`: what the station costs, against baselines taken in the same run on the same machine.

`python -m tests.bench.run [--quick] [--json] [--only NAME ...] [--folder DIR]`. Every time is worth something
only beside its baseline: disks and machines differ by a factor of a hundred.
"""

import argparse
import json
import os
import platform
import shutil
import signal
import sqlite3
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path

from tests.bench.alignment import watch_alignment
from tests.bench.answering import answer_all
from tests.bench.commits import compare_journal_modes
from tests.bench.contestants import BenchFailedError
from tests.bench.history import ask_histories
from tests.bench.idle import idle_cpu
from tests.bench.latency import news_of_fish
from tests.bench.measure import LEAST_ROUNDS, Line, table
from tests.bench.publishing import publish_fish
from tests.bench.pulling import pull_days
from tests.bench.replaying import replay_days
from tests.bench.reporting import report_and_answers
from tests.bench.senses import seen_and_heard
from tests.bench.startup import start_commands

FOLDER = Path(__file__).resolve().parents[2] / "bench-out"


@dataclass(frozen=True, slots=True)
class Sizes:
    """How much of everything. `rounds` is how often each contestant has its turn."""

    rounds: int = LEAST_ROUNDS
    live_fish: int = 80
    seen_fish: int = 40
    commits: int = 60
    replay_fish: int = 2_000
    replay_long_day: int = 100_000
    streaming_fish: int = 200
    streaming_long_day: int = 5_000
    history_fish: int = 1_000_000
    history_asks: int = 200
    idle_s: float = 20.0
    starts: int = 11
    line_days: int = 207
    line_fish: int = 2_100
    pull_fish: int = 100_000
    publish_fish: int = 1_000_000
    report_fish: int = 50_000
    histories: int = 100_000
    wr_fish: int = 1_000_000


QUICK = Sizes(
    live_fish=20,
    seen_fish=10,
    commits=30,
    replay_fish=500,
    replay_long_day=10_000,
    streaming_fish=50,
    streaming_long_day=500,
    history_fish=30_000,
    history_asks=50,
    idle_s=10.0,
    starts=5,
    line_days=30,
    line_fish=300,
    pull_fish=10_000,
    publish_fish=20_000,
    report_fish=10_000,
    histories=20_000,
    wr_fish=200_000,
)

Measurement = Callable[[Path, Sizes], list[Line]]
MEASUREMENTS: Mapping[str, Measurement] = {
    "latency": lambda folder, size: news_of_fish(folder, size.rounds, size.live_fish),
    "senses": lambda folder, size: seen_and_heard(folder, size.rounds, size.seen_fish),
    "commits": lambda folder, size: compare_journal_modes(folder, size.rounds, size.commits),
    "replay": lambda folder, size: replay_days(
        folder, "three frames", size.rounds, size.replay_fish, size.replay_long_day
    ),
    "streaming": lambda folder, size: replay_days(
        folder, "streaming", size.rounds, size.streaming_fish, size.streaming_long_day
    ),
    "history": lambda folder, size: ask_histories(folder, size.rounds, size.history_fish, size.history_asks),
    "idle": lambda folder, size: idle_cpu(folder, size.rounds, size.idle_s),
    "startup": lambda _, size: start_commands(size.starts),
    "alignment": lambda _, size: watch_alignment(size.line_days, size.line_fish),
    "pull": lambda folder, size: pull_days(folder, size.rounds, size.pull_fish),
    "publish": lambda folder, size: publish_fish(folder, size.rounds, size.publish_fish),
    "answers": lambda folder, size: answer_all(folder, size.rounds, size.report_fish),
    "report": lambda folder, size: report_and_answers(
        folder, size.rounds, size.report_fish, size.histories, size.wr_fish
    ),
}


def machine(load: float) -> str:
    """What the numbers were taken on; `load` is the load average before the first measurement."""
    cores = os.cpu_count() or 1
    busy = " (busy with other work: worth little, most of all where the disk is in it)"
    return (
        f"{cores} cores ({platform.machine()}), load {load:.1f}{busy if load > cores / 4 else ''}, "
        f"Python {platform.python_version()}, SQLite {sqlite3.sqlite_version}"
    )


def measure(
    measurements: Mapping[str, Measurement], sizes: Sizes, folder: Path, tell: Callable[[str], object]
) -> tuple[list[Line], list[str]]:
    """The lines of all measurements, and a sentence for each that failed. What they write is removed again."""
    lines: list[Line] = []
    failures: list[str] = []
    for name, take in measurements.items():
        tell(f"measuring {name} ...")
        with _emptied(folder / name) as place:
            try:
                lines += take(place, sizes)
            except BenchFailedError as failure:
                failures.append(f"{name}: {failure}.")
    return lines, failures


def main(arguments: list[str] | None = None, measurements: Mapping[str, Measurement] = MEASUREMENTS) -> int:
    """Exit code 0 if every goal holds, 1 if one does not or could not be measured."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench.run", description="Timings against baselines of the same run."
    )
    parser.add_argument("--quick", action="store_true", help="a minute instead of five: smaller everything")
    parser.add_argument("--json", action="store_true", help="one JSON document instead of a table")
    parser.add_argument("--only", nargs="+", choices=measurements, help="these measurements only")
    parser.add_argument(
        "--folder", type=Path, default=FOLDER, help="where to work: the disk that is measured"
    )
    options = parser.parse_args(arguments)
    load = os.getloadavg()[0]
    lines, failures = measure(
        {name: measurements[name] for name in options.only or measurements},
        QUICK if options.quick else Sizes(),
        options.folder,
        lambda text: print(text, file=sys.stderr, flush=True),
    )
    if options.json:
        found = {
            "machine": machine(load),
            "lines": [{**asdict(line), "holds": line.holds} for line in lines],
            "failures": failures,
        }
        print(json.dumps(found, indent=2))
    else:
        print(machine(load))
        print(table(lines))
        print(*failures, sep="\n", end="\n" if failures else "")
    return int(bool(failures) or any(line.holds is False for line in lines))


@contextmanager
def _emptied(folder: Path) -> Iterator[Path]:
    """A new folder, removed at the end, with the folders above it if they are empty."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        if not any(folder.parent.iterdir()):
            folder.parent.rmdir()


if __name__ == "__main__":
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))  # told to stop, it still cleans up
    sys.exit(main())
