"""The years before the day of the demo: an invented pond that was surveyed each spring, as a database of its own.

Its fish are those that the day meets again, so that tags, growth and the office's answers fit together.
"""

import math
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

from fishery.single import days_between
from ingest.store import Store
from simulators.truth import Earlier
from simulators.water_plan import Truth
from simulators.waters import BASS, BLUEGILL, CARP, USUAL_FLAWS, Plan, Population, write_water

POND = "Reedmace Pond"
SEED = 1
_FIRST_YEAR, _YEARS = 2022, 4
_DAY = "2026-05-12T12:00:00Z"  # the season that the day of the demo stands for

_CRAPPIE = Population(
    "black_crappie",
    140,
    recruits=70,
    survival=0.5,
    linf_mm=330,
    k_per_year=0.4,
    capture=0.2,
    tag_from_mm=None,
)
_PLAN = Plan(
    POND,
    (
        replace(BASS, animals=260, recruits=90, second_mark=0.0),
        replace(BLUEGILL, animals=240, recruits=130, tag_from_mm=130),
        _CRAPPIE,
        replace(CARP, animals=90, recruits=10),
    ),
    first_year=_FIRST_YEAR,
    years=_YEARS,
    areas=4,
    empty_areas=1,
    passes=2,
    unevenness=0.3,
    flaws=USUAL_FLAWS,
    station="demo",
    provenance=True,
)  # fmt: skip

# The last capture of each animal that went back into the water with a tag.
_LAST = """
    SELECT tag, max(at), water, species, length_mm, weight_g FROM tag_history
    WHERE fate = 'released' AND length_mm IS NOT NULL AND weight_g IS NOT NULL
        AND individual_id NOT IN (SELECT individual_id FROM tag_history WHERE fate <> 'released')
    GROUP BY individual_id ORDER BY tag"""


def write_years(database: Path) -> Truth:
    """Write the earlier surveys into a new database, as the pond's own station would have left it."""
    with Store.open(database) as store:
        return write_water(store, _PLAN, SEED)


def last_captures(database: Path) -> tuple[Earlier, ...]:
    """The fish that may be met again, each as it was when it was last seen."""
    with closing(sqlite3.connect(f"file:{database}?mode=ro", uri=True)) as connection:
        return tuple(
            Earlier(tag, at, water, species, length_mm, weight_g)
            for tag, at, water, species, length_mm, weight_g in connection.execute(_LAST)
        )


def chance_to_live(one: Earlier) -> float:
    """The probability that the animal lives on until the day, from how long ago it was seen."""
    return float(_stock(one).survival ** _years_since(one))


def length_on_the_day_mm(one: Earlier) -> float:
    """How long it is on the day, by the von Bertalanffy curve that its water was invented with."""
    stock = _stock(one)
    gap_mm = max(stock.linf_mm - one.length_mm, 5.0)  # some grow longer than the mean animal ever will
    return one.length_mm + gap_mm * (1 - math.exp(-stock.k_per_year * _years_since(one)))


def _stock(one: Earlier) -> Population:
    return next(stock for stock in _PLAN.populations if stock.species == one.species)


def _years_since(one: Earlier) -> float:
    return days_between(one.at, _DAY) / 365.25
