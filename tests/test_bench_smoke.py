"""The bench runs, on tiny sizes: what it prints is a matter of the machine, that it can be trusted is not."""

import json
import shutil
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from tests.bench.contestants import BenchFailedError
from tests.bench.measure import Goal, Line, all_of, in_turns, middle_line, percentile, table, tail_line
from tests.bench.run import MEASUREMENTS, Sizes, main, measure
from tests.office.postgres import programs
from tests.station.needs import needed

TINY = Sizes(
    rounds=1,
    live_fish=2,
    seen_fish=2,
    commits=2,
    replay_fish=3,
    replay_long_day=5,
    streaming_fish=2,
    streaming_long_day=3,
    history_fish=30,
    history_asks=3,
    idle_s=0.3,
    starts=1,
    line_days=3,
    line_fish=21,
    pull_fish=5,
    publish_fish=30,
    report_fish=40,
    histories=300,
    wr_fish=50,
)


@pytest.mark.parametrize("name", MEASUREMENTS)
def test_a_measurement_gives_positive_lines_and_leaves_nothing_behind(name: str, tmp_path: Path) -> None:
    if name == "senses":
        needed(shutil.which("chromium"), "chromium is not installed")
    if name == "publish":
        needed(programs(), "PostgreSQL is not installed")
    with ThreadPoolExecutor(1) as own:  # the browser of other tests of this worker holds the main thread
        lines, failures = own.submit(
            measure, {name: MEASUREMENTS[name]}, TINY, tmp_path / "bench-out", lambda text: None
        ).result()
    assert failures == []
    assert lines
    # Two ticks of a clock may be no time at all, and a watch that calls falsely never is a good one.
    assert all(line.ours > 0 for line in lines if name not in ("idle", "alignment"))
    assert not (tmp_path / "bench-out").exists()


def test_contestants_take_turns_and_none_is_always_first() -> None:
    said: list[str] = []

    def turn(name: str, number: int) -> list[float]:
        said.append(f"{name}{number}")
        return [float(number)]

    samples = in_turns({"a": lambda n: turn("a", n), "b": lambda n: turn("b", n)}, 2, 2)
    assert said == ["a0", "b0", "b1", "a1", "a2", "b2", "b3", "a3"]
    assert samples == {"a": [[0.0, 1.0], [2.0, 3.0]], "b": [[0.0, 1.0], [2.0, 3.0]]}
    assert all_of(samples["a"]) == [0.0, 1.0, 2.0, 3.0]


def test_the_ratio_is_the_middle_one_of_the_rounds() -> None:
    samples = {"ours": [[2.0], [9.0], [3.0]], "theirs": [[1.0], [1.0], [1.0]]}
    line = middle_line("x", samples, "ours", "theirs", "ms")
    assert (line.ratio, line.spread, line.ours) == (3.0, (2.0, 9.0), 3.0)
    assert tail_line("x", samples, "ours", "theirs", "ms").ratio == 9.0


def test_the_99th_percentile_of_two_hundred_values_leaves_two_above() -> None:
    assert percentile([float(n) for n in range(1, 201)], 0.99) == 198.0


@pytest.mark.parametrize(
    ("goal", "holds"),
    [
        (Goal("ratio", 1.5), True),
        (Goal("ratio", 1.4), False),
        (Goal("ours", 3.0), True),
        (Goal("ours", 2.9), False),
        (Goal("ours", 3.0, at_least=True), True),
        (Goal("ours", 3.1, at_least=True), False),
        (None, None),
    ],
)
def test_a_goal_holds_up_to_its_limit(goal: Goal | None, holds: bool | None) -> None:
    line = Line("x", "y", 2.0, 3.0, "ms", 1.5, None, goal)
    assert line.holds is holds
    assert table([line]).endswith({None: "1.50", True: "yes", False: "NO"}[holds])


def test_a_ratio_that_could_not_be_taken_keeps_no_goal() -> None:
    assert Line("x", "y", None, 3.0, "ms", None, None, Goal("ratio", 1.5)).holds is False


def test_the_exit_code_says_whether_every_goal_holds(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    kept = Line("x", "y", 2.0, 3.0, "ms", 1.5, None, Goal("ratio", 1.5))
    missed = Line("x", "y", 2.0, 3.0, "ms", 1.5, None, Goal("ratio", 1.4))
    where = ["--json", "--folder", str(tmp_path / "out")]
    measurements = {"kept": lambda folder, sizes: [kept], "missed": lambda folder, sizes: [missed]}
    assert main([*where, "--only", "kept"], measurements) == 0
    assert [line["holds"] for line in json.loads(capsys.readouterr().out)["lines"]] == [True]
    assert main(where, measurements) == 1
    assert [line["holds"] for line in json.loads(capsys.readouterr().out)["lines"]] == [True, False]


def test_a_measurement_that_fails_is_said_and_stops_no_other(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    def fails(folder: Path, sizes: Sizes) -> list[Line]:
        raise BenchFailedError("nothing came")

    line = Line("x", "y", 2.0, 3.0, "ms", 1.5)
    where = ["--folder", str(tmp_path / "out")]
    assert main(where, {"first": fails, "second": lambda folder, sizes: [line]}) == 1
    shown = capsys.readouterr().out
    assert "first: nothing came." in shown
    assert "1.50" in shown
