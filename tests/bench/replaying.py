"""Recorded days into a new database as fast as it goes: fish per second, and the memory that it takes."""

import json
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from statistics import median

from tests.bench.contestants import COMMAND, BenchFailedError
from tests.bench.days import INSTRUMENT_FILES, Kind, write_day
from tests.bench.measure import Goal, Line, Samples, in_turns
from tests.bench.memory import resident_mb
from tests.ingest.desk import write_station

BARE, OURS = "bare loop over the file", "replay"
_LOOK_S = 0.02
_FISH_PER_S = Goal("ours", 2000, at_least=True)
_PEAK_MB = Goal("ours", 150)
_FLAT = Goal("ratio", 1.25)  # end of the day against its half


@dataclass(frozen=True, slots=True)
class Run:
    """One replay: fish, seconds (of the work, without the start of the interpreter), and memory in MB."""

    fish: int
    seconds: float
    peak_mb: float
    half_mb: float
    end_mb: float


def replay_days(folder: Path, kind: Kind, rounds: int, fish: int, long_day: int) -> list[Line]:
    """Replay a day of `fish` in turns with the bare loop, then one day of `long_day` fish for the memory."""
    day = folder / "day.jsonl"
    write_day(day, kind, fish)
    station = write_station(folder, scale=INSTRUMENT_FILES[kind], inventory=False)

    def rate(command: Callable[[Path, Path, Path], list[str]]) -> list[float]:
        run = _run(command(folder / "out.sqlite", day, station), folder)
        _expect(run, fish)
        return [run.fish / run.seconds]

    samples = in_turns({BARE: lambda _: rate(_bare), OURS: lambda _: rate(_ours)}, rounds)
    write_day(day, kind, long_day)
    run = _run(_ours(folder / "out.sqlite", day, station), folder)
    _expect(run, long_day)
    what = f"replay of {long_day:,} fish, {'3 lines' if kind == 'three frames' else '60 lines'} each"
    goal = _FISH_PER_S if kind == "three frames" else None
    return [
        _rate_line(f"replay of {fish:,} fish, {what.partition(', ')[2]}", samples, goal),
        Line(f"{what}", "", None, run.fish / run.seconds, "fish/s", goal=goal),
        Line(f"{what}: peak memory", "", None, run.peak_mb, "MB", goal=_PEAK_MB),
        Line(
            f"{what}: memory at its end", "at its half", run.half_mb, run.end_mb, "MB", run.end_mb / run.half_mb,
            goal=_FLAT,
        ),
    ]  # fmt: skip


def _rate_line(what: str, samples: Samples, goal: Goal | None) -> Line:
    rates = {name: [one for (one,) in rounds] for name, rounds in samples.items()}
    ratios = [ours / bare for ours, bare in zip(rates[OURS], rates[BARE], strict=True)]
    spread = min(ratios), max(ratios)
    return Line(what, BARE, median(rates[BARE]), median(rates[OURS]), "fish/s", median(ratios), spread, goal)


def _bare(database: Path, day: Path, station: Path) -> list[str]:
    return [sys.executable, "-m", "tests.bench.bare_loop", "replay", str(database), str(day)]


def _ours(database: Path, day: Path, station: Path) -> list[str]:
    options = ["--config", str(station), "--db", str(database), "--speed", "max", "--json"]
    return [str(COMMAND), "replay", str(day), *options]


def _run(command: list[str], folder: Path) -> Run:
    """The command to its end, watched from outside; what it made is removed."""
    seen_mb: list[float] = []
    peak_mb = 0.0
    with (folder / "report.json").open("w+b") as report, (folder / "errors").open("w+b") as errors:
        process = subprocess.Popen(command, stdout=report, stderr=errors)
        while process.poll() is None:
            if (now_mb := resident_mb(process.pid, "now")) is not None:
                seen_mb.append(now_mb)
            peak_mb = max(peak_mb, resident_mb(process.pid, "peak") or 0.0)
            time.sleep(_LOOK_S)
        report.seek(0)
        errors.seek(0)
        if process.returncode:
            raise BenchFailedError(f"{' '.join(command)} failed: {errors.read().decode()}")
        found = json.load(report)
    for path in folder.glob("out.*"):
        _remove(path)
    half_mb, end_mb = (seen_mb[len(seen_mb) // 2], seen_mb[-1]) if seen_mb else (0.0, 0.0)
    return Run(found["fish"], found["seconds"], peak_mb, half_mb, end_mb)


def _remove(path: Path) -> None:
    if path.is_dir():
        for inner in path.iterdir():
            _remove(inner)
        path.rmdir()
    else:
        path.unlink()


def _expect(run: Run, fish: int) -> None:
    if run.fish != fish:
        raise BenchFailedError(f"{run.fish} of {fish} fish came out of the replay")
