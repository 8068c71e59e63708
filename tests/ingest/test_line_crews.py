"""Random two-person crews, held against the truth: slips are found soon, few weights stay with a neighbour unseen."""

from pathlib import Path

import pytest

from simulators.line_crew import NO_MISTAKES, LineCrew
from tests.ingest.line_runs import LineTally, run_lines

LATE_SHARE = 0.1  # by 8 fish; mishaps of these crews come thick, and those close together are found later
UNMARKED_SHARE = 0.01


def _holds(tally: LineTally) -> None:
    counts = tally.counts
    assert counts["false"] <= 1 + counts["weighed"] / 2000
    assert len(tally.delays) > 0.5 * counts["mishaps"], (
        "the line was hardly ever stopped: the test shows nothing"
    )
    assert sum(delay > 8 for delay in tally.delays) <= LATE_SHARE * len(tally.delays)
    assert counts["unmarked"] <= UNMARKED_SHARE * counts["weighed"]


def test_crews_that_listen_keep_nearly_every_weight_with_its_fish(tmp_path: Path) -> None:
    tally = run_lines(LineCrew(), range(12), 60, tmp_path)
    print(f"two-person lines: {tally}")
    _holds(tally)


def test_a_faultless_line_is_never_stopped_and_mixes_nothing(tmp_path: Path) -> None:
    tally = run_lines(LineCrew(mistakes=NO_MISTAKES), range(5), 60, tmp_path)
    print(f"faultless lines: {tally}")
    assert tally.delays == []
    assert tally.counts["false"] == 0
    assert tally.counts["mixed"] == 0


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_hundreds_of_lines(tmp_path: Path) -> None:
    tally = run_lines(LineCrew(), range(1000, 1400), 60, tmp_path)
    print(f"two-person lines: {tally}")
    _holds(tally)
