"""Live, replayed and rebuilt days have the same records, over any number of restarts."""

import sqlite3
from contextlib import closing
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.rebuild import rebuild
from ingest.records import Announcement
from simulators.crew import BASS, BLUEGILL, Crew
from simulators.day import Deed, TimedBytes
from simulators.replay import replay
from tests.ingest.stations import MAY_2026_S, Live, said_on, worked, write_day, write_station

BEGIN_S = 5000.0  # of the monotonic clock, when the day begins
_FISH = (
    "SELECT tag, tag_status, length_mm, weight_g, species, fate, status, rule FROM fish_all "
    "WHERE closed = 1 ORDER BY worked_up_at, fish_id"
)


def fish_in(path: Path) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as reader:
        return reader.execute(_FISH).fetchall()


def live_day(
    toml: Path, said: list[TimedBytes], rng: Random, kills: int, other_boots: bool = False
) -> list[Announcement]:
    """Play a day live in chunks of any size, killing the station at random places."""
    cuts = sorted(rng.sample(range(1, len(said)), kills))
    boot, offset_s, heard = 1, BEGIN_S, []
    live = Live(toml, BEGIN_S - 5)
    for index, item in enumerate(said):
        if cuts and index == cuts[0]:
            cuts.pop(0)
            live.kill()
            heard += live.heard
            now_s = offset_s + said[index - 1].t_s
            if other_boots and rng.random() < 0.5:
                boot, offset_s = boot + 1, offset_s - rng.uniform(0, 4000)
                now_s = offset_s + said[index - 1].t_s
            wall_s = MAY_2026_S + BEGIN_S - offset_s
            live = Live(toml, now_s + 0.01, f"boot-{boot}", wall_s)
            for setup in live.station.instruments:
                live.event(now_s + 0.02, setup.name, "port", state="opened")
        _say(live, offset_s, item, rng)
    live.stop(offset_s + said[-1].t_s + 1)
    return heard + live.heard


def _say(live: Live, offset_s: float, item: TimedBytes, rng: Random) -> None:
    t_s = offset_s + item.t_s
    if item.event is Deed.RESTART:
        live.event(t_s, "bank", "start")
    elif item.event is not None:
        state = "lost" if item.event is Deed.UNPLUG else "opened"
        live.event(t_s, item.instrument, "port", state=state)
    elif rng.random() < 0.1 and len(item.data) > 1:
        middle = rng.randrange(1, len(item.data))
        live.hear(t_s, item.instrument, item.data[:middle])
        live.hear(t_s, item.instrument, item.data[middle:])
    else:
        live.hear(t_s, item.instrument, item.data)


@settings(deadline=None, max_examples=6)
@given(seed=st.integers(0, 10_000), kills=st.integers(0, 5), other_boots=st.booleans())
def test_a_rebuild_gives_the_records_of_a_live_day_cut_into_restarts(
    seed: int, kills: int, other_boots: bool
) -> None:
    with TemporaryDirectory() as folder:
        day = worked(seed, 6, Crew(stocks=(BASS, BLUEGILL), tags="any" if seed % 2 else "first"))
        toml = write_station(Path(folder), day)
        heard = live_day(toml, said_on(day), Random(seed), kills, other_boots)
        report = rebuild(Path(folder) / "work-up.sqlite")
        assert report.agrees, "\n".join(report.lines())
        with closing(sqlite3.connect(Path(folder) / "work-up.sqlite")) as reader:
            stored = {one for (one,) in reader.execute("SELECT fish_id FROM fish")}
        assert {one.fish_id for one in heard if one.name == "fish_saved"} <= stored


def test_a_day_gives_the_same_fish_live_and_replayed(tmp_path: Path) -> None:
    day = worked(3, 25)
    said = said_on(day)
    toml = write_station(tmp_path, day)
    live_day(toml, said, Random(1), 0)
    report = replay([write_day(tmp_path / "day.jsonl", said)], toml, tmp_path / "again.sqlite")
    assert report.set_aside == []
    live, again = fish_in(tmp_path / "work-up.sqlite"), fish_in(tmp_path / "again.sqlite")
    assert len(live) > 20
    assert live == again


def test_the_journal_of_a_live_day_replays_to_the_very_same_records(tmp_path: Path) -> None:
    day = worked(4, 15)
    toml = write_station(tmp_path, day)
    live_day(toml, said_on(day), Random(4), 3)
    files = sorted((tmp_path / "journal").glob("*.jsonl"))
    replay(files, None, tmp_path / "again.sqlite")
    with closing(sqlite3.connect(tmp_path / "work-up.sqlite")) as reader:
        reader.execute("ATTACH ? AS again", (str(tmp_path / "again.sqlite"),))
        for table in ("fish", "reading", "finding", "survey", "sighting"):
            rows = [
                set(reader.execute(f"SELECT * FROM {where}.{table}").fetchall())
                for where in ("main", "again")
            ]
            assert rows[0] == rows[1], table
            assert rows[0] or table in ("finding", "sighting")


@pytest.mark.parametrize("away_s", [30.0, 200.0])
def test_a_fish_left_open_by_a_power_loss_is_parked_for_good_reason(tmp_path: Path, away_s: float) -> None:
    toml = write_station(tmp_path)
    first = Live(toml, 100.0)
    first.hear(110.0, "reader", b"985120000000101\r\n")
    first.wait(110.0 + away_s)  # with 200 s the fish was parked as idle before the power went
    first.kill()
    second = Live(toml, 30.0, "boot-2", MAY_2026_S + 600)
    second.kill()
    report = rebuild(first.station.database)
    assert report.agrees, "\n".join(report.lines())
    with closing(sqlite3.connect(first.station.database)) as reader:
        assert reader.execute("SELECT status, rule FROM fish").fetchall() == [
            ("parked", "idle" if away_s > 120 else "restart")
        ]
