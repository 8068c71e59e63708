"""The answers of many fish: a whole report, survival from many histories, relative weight of a million fish."""

import subprocess
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
import numpy.typing as npt

from fishery.answers import Refused
from fishery.condition import relative_weights
from fishery.histories import summarize
from fishery.single import StandardWeight
from fishery.survival import cormack_jolly_seber
from ingest.store import Store
from simulators.waters import plan_of_size, write_water
from tests.bench.contestants import COMMAND, BenchFailedError
from tests.bench.measure import Goal, Line, Samples, in_turns, middle_line
from tests.bench.memory import resident_mb

YEARS = 10
OURS = "tallywell report"
BARE = "rows read, 20 bare plots drawn"
_REPORT_ROUNDS = 3  # a report takes seconds: what a round more would tell is not worth them
_OCCASIONS = 10
_LOOK_S = 0.01
_HENSON = StandardWeight(-5.528, 3.273, 0.0, 150.0, None, "TL", "Henson (1991)")
# What cannot be left out of any report: the libraries, the rows, paper with axes on it.
_BARE_PROGRAM = """
import io, sqlite3, sys
import fpdf, scipy.stats, scipy.optimize
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
rows = sqlite3.connect(sys.argv[1]).execute("SELECT length_mm, weight_g FROM worked_fish").fetchall()
x, y = zip(*[row for row in rows[:1500]])
for _ in range(20):
    figure = Figure(figsize=(6.8, 3), dpi=150)
    FigureCanvasAgg(figure)
    figure.add_subplot().plot(x, y, "o")
    for form in ("svg", "png"):
        figure.savefig(io.BytesIO(), format=form)
"""


def report_and_answers(folder: Path, rounds: int, fish: int, histories: int, wr_fish: int) -> list[Line]:
    """A report of `fish` over ten years (s, MB), survival of `histories` (s), Wr of `wr_fish` (ms)."""
    return [
        *_report(folder, min(rounds, _REPORT_ROUNDS), fish),
        _survival(rounds, histories),
        _wr(rounds, wr_fish),
    ]


def _report(folder: Path, rounds: int, fish: int) -> list[Line]:
    database = folder / "water.sqlite"
    with Store.open(database) as store:
        write_water(store, plan_of_size(fish, YEARS))
    peaks: list[float] = []

    def ours(_: int) -> list[float]:
        seconds, peak_mb = _run([str(COMMAND), "report", str(database), "--out", str(folder / "report")])
        peaks.append(peak_mb)
        return [seconds]

    bare = [sys.executable, "-c", _BARE_PROGRAM, str(database)]
    samples = in_turns({BARE: lambda _: [_run(bare)[0]], OURS: ours}, rounds)
    what = f"report of {fish:,} fish over {YEARS} years"
    return [
        middle_line(what, samples, OURS, BARE, "s", goal=Goal("ours", 10)),
        Line(f"{what}: peak memory", "", None, max(peaks), "MB", goal=Goal("ours", 400)),
    ]


def _run(command: list[str]) -> tuple[float, float]:
    """Seconds and peak resident memory (MB) of a program. Raises BenchFailedError."""
    began_s, peak_mb = time.perf_counter(), 0.0
    with subprocess.Popen(command, stdout=subprocess.DEVNULL) as process:
        while process.poll() is None:
            peak_mb = max(peak_mb, resident_mb(process.pid, "peak") or 0.0)
            time.sleep(_LOOK_S)
        took_s = time.perf_counter() - began_s
    if process.returncode:
        raise BenchFailedError(f"{command[0]} ended with code {process.returncode}")
    return took_s, peak_mb


def _survival(rounds: int, n: int) -> Line:
    seen = _histories(n)
    years = [1.0] * (_OCCASIONS - 1)

    def ours() -> None:
        summary = summarize(seen)
        for survival in ("constant", "time"):
            for recapture in ("constant", "time"):
                if isinstance(cormack_jolly_seber(summary, survival, recapture, years=years), Refused):
                    raise BenchFailedError("the histories did not do for a model")

    samples = _timed({"bare": partial(np.unique, seen, axis=0, return_counts=True), "ours": ours}, rounds)
    what = f"survival and recapture, 4 models, {n:,} histories"
    return middle_line(
        what, samples, "ours", "bare", "s", label="distinct histories counted", goal=Goal("ours", 5)
    )


def _histories(n: int) -> npt.NDArray[np.bool_]:
    """Animals that are marked at some time, live on with 60 % a year, and are met with 30 %."""
    rng = np.random.default_rng(n)
    first = rng.integers(0, _OCCASIONS - 1, n)[:, None]
    at = np.arange(_OCCASIONS)[None, :]
    alive = at < first + rng.geometric(0.4, n)[:, None]
    return np.asarray(
        (at == first) | ((at > first) & alive & (rng.random((n, _OCCASIONS)) < 0.3)), dtype=np.bool_
    )


def _wr(rounds: int, n: int) -> Line:
    rng = np.random.default_rng(n)
    lengths = rng.uniform(200, 550, n)
    weights = 10 ** (-5.528 + 3.273 * np.log10(lengths) + rng.normal(-0.03, 0.05, n))

    def bare() -> None:
        _ = 100 * weights / 10 ** (_HENSON.log10_a + _HENSON.b * np.log10(lengths))

    def ours() -> None:
        relative_weights(_HENSON, lengths, weights, "TL")

    samples = _timed({"bare": bare, "ours": ours}, rounds, turns=5)
    for name in samples:
        samples[name] = [[1000 * one for one in part] for part in samples[name]]
    what = f"relative weight of {n:,} fish"
    return middle_line(
        what, samples, "ours", "bare", "ms", label="the bare expression", goal=Goal("ratio", 1.5)
    )


def _timed(contestants: dict[str, Callable[[], object]], rounds: int, turns: int = 1) -> Samples:
    def one(work: Callable[[], object], _: int) -> list[float]:
        began_s = time.perf_counter()
        work()
        return [time.perf_counter() - began_s]

    return in_turns({name: partial(one, work) for name, work in contestants.items()}, rounds, turns)
