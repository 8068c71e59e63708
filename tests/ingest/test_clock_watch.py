"""A wall clock that steps, or cannot be true."""

import time
from pathlib import Path

from ingest.clock_watch import ClockWatch
from ingest.frames import parse_rfc3339
from ingest.rebuild import rebuild
from tests.ingest.daemon_tools import quick_station, station_on, wait_for
from tests.ingest.stations import MAY_2026_S, Live, fish, write_station

WALL_S = 1_778_590_800.0


def test_small_differences_are_no_step() -> None:
    watch = ClockWatch(WALL_S, 100.0, 0.0, doubtful=False)
    assert [watch.look(WALL_S + t + 0.4, 100.0 + t) for t in range(1, 5)] == [None] * 4


def test_a_step_is_noted_once_in_both_directions() -> None:
    watch = ClockWatch(WALL_S, 100.0, 0.0, doubtful=False)
    assert watch.look(WALL_S + 3601, 101.0) == {"step_s": 3600.0, "doubtful": False}
    assert watch.look(WALL_S + 3602, 102.0) is None
    assert watch.look(WALL_S + 3, 103.0) == {"step_s": -3600.0, "doubtful": False}


def test_a_slow_drift_is_noted_when_it_has_become_half_a_second() -> None:
    watch = ClockWatch(WALL_S, 0.0, 0.0, doubtful=False)
    noted = [watch.look(WALL_S + t * 1.01, float(t)) for t in range(1, 101)]
    assert [one["step_s"] for one in noted if one is not None] == [0.51]


def test_a_clock_before_any_possible_time_is_doubtful_until_it_is_set() -> None:
    watch = ClockWatch(0.0, 10.0, not_before_s=WALL_S, doubtful=False)
    assert watch.look(1.0, 11.0) == {"doubtful": True}
    assert watch.look(2.0, 12.0) is None
    assert watch.look(WALL_S + 5, 13.0) == {"step_s": WALL_S + 2, "doubtful": False}


def test_it_looks_once_a_second() -> None:
    watch = ClockWatch(WALL_S, 0.0, 0.0, doubtful=False)
    assert watch.look(WALL_S, 0.0) is None
    assert watch.look(WALL_S + 3600, 0.9) is None
    assert watch.look(WALL_S + 3601, 1.0) is not None


def test_fish_worked_up_with_a_doubtful_clock_are_marked_and_a_rebuild_knows_it(tmp_path: Path) -> None:
    live = Live(write_station(tmp_path), 100.0, wall_s=0.0)
    live.event(101.0, "bank", "clock", doubtful=True)
    later_s = fish(live, 110.0, "985120000000101")
    live.event(later_s + 1, "bank", "clock", step_s=MAY_2026_S, doubtful=False)
    fish(live, later_s + 30, "985120000000102")
    live.stop(later_s + 60)
    with live.station.database.open("rb"):
        report = rebuild(live.station.database)
    assert report.agrees, "\n".join(report.lines())
    said = [one for one in live.heard if one.name == "fish_saved"]
    findings = [one.facts["findings"] for one in said]
    assert "clock_doubtful" in str(findings[0])
    assert "clock_doubtful" not in str(findings[1])
    assert [one.at[:4] for one in said] == ["1970", "2026"]


def test_a_new_boot_of_the_computer_is_no_step_of_the_wall_clock(tmp_path: Path) -> None:
    toml = quick_station(tmp_path)
    for boot in ("first", "second", "third"):
        name = tmp_path / f"boot-{boot}"
        name.write_text(boot, encoding="ascii")
        other_boot = f"import pathlib, ingest.daemon; ingest.daemon._BOOT_ID = pathlib.Path({str(name)!r})"
        with station_on(toml, broken=other_boot) as station:
            before = len(station.fish())
            station.work_up(f"98512000000010{before}", 300 + before)
            wait_for(lambda before=before, station=station: len(station.fish()) > before, "the fish")  # type: ignore[misc]
            dates = [parse_rfc3339(str(one["worked_up_at"])) for one in station.fish()]
            station.signal()
    assert "stepped" not in (tmp_path / "tallywell.log").read_text()
    assert all(abs(date_s - time.time()) < 3600 for date_s in dates), dates


SLOW_DISK = """
import time, ingest.loop, ingest.recorder
ingest.loop.FLUSH_S = 0.1
retry = ingest.recorder.Recorder.retry
def slow(self, **how):
    time.sleep(0.7)  # a card at its worst: longer than what counts as a step
    print("slowly", flush=True)
    return retry(self, **how)
ingest.recorder.Recorder.retry = slow
"""


def test_a_slow_disk_is_no_step_of_the_wall_clock(tmp_path: Path) -> None:
    with station_on(quick_station(tmp_path), broken=SLOW_DISK) as station:
        already = station.said().count("slowly")
        wait_for(lambda: station.said().count("slowly") >= already + 3, "three slow turns", station.process)
        assert station.signal() == 0
    assert "stepped" not in (tmp_path / "tallywell.log").read_text()
