"""Where a run begins and ends and what its water is like: what a navigation instrument said within a minute, and
what the crew read by hand."""

from functools import reduce
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.engine_state import Surroundings
from ingest.records import RunPlace, SaveRun
from ingest.run_place import FRESH_S, place_at_end, place_at_start, place_meanwhile
from ingest.store import Store
from tests.ingest.builders import ready, run
from tests.ingest.desk import Desk

GPS = """
[[instrument]]
name = "gps"
use = "gps_nmea"
port = "/dev/serial/by-id/gps"
"""
# Invented places on an invented water.
LANDING = "GPRMC,125900.00,A,4312.0000,N,08924.0000,W,0.1,,120526,,,A"
DAM = "GPRMC,131500.00,A,4312.6000,N,08924.9000,W,0.1,,120526,,,A"
VOID = "GPRMC,125930.00,V,0000.0000,N,00000.0000,E,,,120526,,,N"
NO_FIX = "GPGGA,125930.00,0000.0000,N,00000.0000,E,0,00,99.9,,M,,M,,"
WATER = "YXMTW,14.5,C"


def sentence(text: str) -> str:
    """With $, the check of NMEA 0183 (exclusive or of what stands between $ and *) and its end."""
    return f"${text}*{reduce(lambda check, char: check ^ ord(char), text, 0):02X}\r\n"


def desk_with_gps(folder: Path) -> Desk:
    return Desk.at(folder, more=GPS)


def hear(desk: Desk, text: str, after: float) -> Desk:
    return desk.wait(after).send("gps", sentence(text))


def runs(desk: Desk) -> list[SaveRun]:
    return [change for change in desk.changes if isinstance(change, SaveRun)]


def test_a_run_keeps_where_it_began_and_ended_and_its_water_temperature(tmp_path: Path) -> None:
    desk = desk_with_gps(tmp_path)
    hear(hear(desk, LANDING, 10), WATER, 1).command("run start")
    hear(desk, DAM, 600).command("run end seconds=540")
    last = runs(desk)[-1]
    place = [getattr(last.place, name) for name in RunPlace.__slots__]
    assert place[:5] == pytest.approx([43.2, -89.4, 43.21, -89.415, 14.5])
    assert last.place.conductivity_us_per_cm is None
    assert last.current_on_s == 540.0


@pytest.mark.parametrize("nothing", [VOID, NO_FIX])
def test_a_fix_that_is_none_is_no_position_and_takes_none_away(tmp_path: Path, nothing: str) -> None:
    desk = desk_with_gps(tmp_path)
    hear(desk, nothing, 10).command("run start").command("run end")
    assert runs(desk)[-1].place == RunPlace()
    hear(hear(desk, LANDING, 10), nothing, 30).command("run start")
    assert runs(desk)[-1].place.start_lat_deg == pytest.approx(43.2)


def test_an_old_fix_is_no_position(tmp_path: Path) -> None:
    desk = desk_with_gps(tmp_path)
    hear(desk, LANDING, 10).wait(60).command("run start")
    assert runs(desk)[-1].place == RunPlace()


def test_the_first_fix_soon_after_the_start_is_where_the_run_began_and_no_later_one(tmp_path: Path) -> None:
    desk = desk_with_gps(tmp_path).command("run start")
    hear(hear(desk, LANDING, 20), DAM, 30)
    assert [(one.place.start_lat_deg, one.ended_at) for one in runs(desk)] == [
        (None, None),
        (pytest.approx(43.2), None),
    ]
    late = desk.command("run end").command("run start").command("run end").wait(70)
    assert runs(hear(late, DAM, 0)) == runs(late)


def test_the_water_temperature_may_come_at_any_time_of_the_run_once(tmp_path: Path) -> None:
    desk = desk_with_gps(tmp_path).command("run start")
    hear(hear(desk, WATER, 300), "YXMTW,15.5,C", 60)
    assert [one.place.water_c for one in runs(desk)] == [None, 14.5]


def water(desk: Desk) -> tuple[float | None, float | None]:
    place = runs(desk)[-1].place
    return place.water_c, place.conductivity_us_per_cm


def test_what_the_crew_reads_of_the_water_is_the_run_s_and_not_the_next_one_s(tmp_path: Path) -> None:
    desk = Desk.at(tmp_path).command("run start temperature=14.5, conductivity=240")
    assert desk.said[-1].sentence.startswith("Run 1 begun, water 14.5 C, conductivity 240 uS/cm.")
    assert water(desk) == (14.5, 240.0)
    assert water(desk.command("run end seconds=640")) == (14.5, 240.0)
    assert water(desk.command("run start")) == (None, None)


def test_what_is_read_at_the_end_takes_the_place_of_what_was_read_at_the_start(tmp_path: Path) -> None:
    desk = Desk.at(tmp_path).command("run start temperature=41.5, conductivity=240")
    desk.command("run end seconds=640, temperature=14.5")
    assert water(desk) == (14.5, 240.0)
    said = desk.said[-1].sentence
    assert said.startswith("Run 1 ended, 640 s of current, water 14.5 C instead of 41.5 C.")


def test_a_run_that_the_next_one_ends_keeps_its_own_water(tmp_path: Path) -> None:
    desk = Desk.at(tmp_path).command("run start temperature=14.5").command("run start temperature=20")
    assert [(one.run_no, one.place.water_c) for one in runs(desk)] == [(1, 14.5), (1, 14.5), (2, 20.0)]


def test_a_temperature_read_by_hand_wins_over_an_instrument_whichever_comes_first(tmp_path: Path) -> None:
    desk = hear(desk_with_gps(tmp_path), WATER, 10).command("run start temperature=13")
    assert "water 13 C instead of 14.5 C" in desk.said[-1].sentence
    assert water(hear(desk, "YXMTW,15.5,C", 60)) == (13.0, None)
    hear(desk.command("run end").wait(60).command("run start"), WATER, 60)
    assert water(desk) == (14.5, None)
    assert water(desk.command("run end temperature=13.5")) == (13.5, None)


def test_positions_while_no_run_is_open_change_no_record(tmp_path: Path) -> None:
    desk = desk_with_gps(tmp_path)
    hear(hear(desk, LANDING, 10), WATER, 1)
    assert desk.changes == []


def test_the_places_of_a_run_are_in_the_database(tmp_path: Path) -> None:
    with ready(tmp_path / "bank.sqlite") as store:
        store.commit([run(place=RunPlace(43.2, -89.4, 43.21, -89.415, 14.5, 240.5))])
        assert places(store) == [(43.2, -89.4, 43.21, -89.415, 14.5, 240.5)]
        store.commit([run()])
        assert places(store) == [(None,) * 6]


def places(store: Store) -> list[tuple[float | None, ...]]:
    columns = "start_lat_deg, start_lon_deg, end_lat_deg, end_lon_deg, water_c, conductivity_us_per_cm"
    return store.connection.execute(f"SELECT {columns} FROM run WHERE run_no = 1").fetchall()


@given(st.floats(0, 1e6), st.floats(0, 1e4), st.floats(0, 1e4))
@settings(deadline=None, max_examples=50)
def test_nothing_said_more_than_a_minute_away_becomes_a_place(
    said_s: float, before_s: float, after_s: float
) -> None:
    around = Surroundings(43.2, -89.4, said_s)
    begun = place_at_start(around, said_s + before_s)
    assert (begun.start_lat_deg is not None) == (said_s + before_s - said_s < FRESH_S)
    ended = place_at_end(RunPlace(), around, said_s + before_s)
    assert (ended.end_lat_deg is not None) == (begun.start_lat_deg is not None)
    heard_s = said_s + after_s
    going_on = place_meanwhile(RunPlace(), Surroundings(1.0, 2.0, heard_s), said_s, heard_s)
    assert (going_on.start_lat_deg is not None) == (heard_s - said_s < FRESH_S)
