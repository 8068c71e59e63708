"""Where a run begins and ends and what its water is like, from what instruments said shortly before or after, and
from what the crew read by hand, which wins. Pure.

Nothing is interpolated and nothing old is used: a receiver that lost its fix an hour ago knows where the boat was
then. A void fix never gets here (see `drivers.nmea`).
"""

from dataclasses import replace
from typing import Final

from ingest.engine_state import Surroundings
from ingest.records import RunPlace

FRESH_S: Final = 60.0  # what was said longer ago does not count as now


def place_at_start(around: Surroundings, t_s: float) -> RunPlace:
    """What is known of a run that begins at `t_s` (engine time)."""
    place = RunPlace()
    if _fresh(around.fix_t_s, t_s):
        place = replace(place, start_lat_deg=around.lat_deg, start_lon_deg=around.lon_deg)
    return replace(place, water_c=around.water_c) if _fresh(around.water_t_s, t_s) else place


def place_meanwhile(place: RunPlace, around: Surroundings, started_t_s: float, t_s: float) -> RunPlace:
    """The same of an open run, with what was said just now (`t_s`): the first fix within a minute of the start, and
    the first temperature at any time, fill what the start did not know."""
    if place.start_lat_deg is None and around.fix_t_s == t_s and t_s - started_t_s < FRESH_S:
        place = replace(place, start_lat_deg=around.lat_deg, start_lon_deg=around.lon_deg)
    if place.water_c is None and around.water_t_s == t_s:
        place = replace(place, water_c=around.water_c)
    return place


def place_at_end(place: RunPlace, around: Surroundings, t_s: float) -> RunPlace:
    """The same of a run that ends at `t_s`."""
    if not _fresh(around.fix_t_s, t_s):
        return place
    return replace(place, end_lat_deg=around.lat_deg, end_lon_deg=around.lon_deg)


def place_with_hand_readings(
    place: RunPlace, water_c: float | None, conductivity_us_per_cm: float | None
) -> RunPlace:
    """The same with what the crew read by hand just now. It takes the place of what an instrument said, and of what
    the crew read of this run before; None, which nobody read, takes the place of nothing."""
    if water_c is not None:
        place = replace(place, water_c=water_c)
    if conductivity_us_per_cm is not None:
        place = replace(place, conductivity_us_per_cm=conductivity_us_per_cm)
    return place


def _fresh(said_t_s: float | None, t_s: float) -> bool:
    return said_t_s is not None and t_s - said_t_s < FRESH_S
