"""Invented waters of every kind that a report meets, and their reports."""

import sqlite3
from collections.abc import Mapping
from contextlib import closing
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

from ingest.shipped import shipped_config
from ingest.species import SpeciesBook, load_species
from ingest.store import Store
from office.answers.compose import all_chapters
from office.answers.model import Plot, Series
from office.answers.reading import read_records
from office.report.document import Report, Units, build_report
from office.report.facts import read_facts
from simulators.waters import HERON_LAKE, REED_WEIHER, USUAL_FLAWS, Plan, Population, write_water

_BASS = REED_WEIHER.populations[0]
_CARP = Population("common_carp", 120, capture=0.4, tag_from_mm=None, fate="removed")
HOSTILE = '<script>alert("x")</script> & $\\frac{1}{0}$ 鯉の池 {{7*7}}'

PLANS: Mapping[str, Plan | None] = {
    "no survey": None,
    "no fish": replace(REED_WEIHER, populations=(replace(_BASS, animals=0, recruits=0),), years=1),
    "one fish": replace(
        REED_WEIHER, populations=(replace(_BASS, animals=1, recruits=0, capture=1.0),), years=1
    ),
    "one species": REED_WEIHER,
    "removal": replace(
        REED_WEIHER,
        populations=(_BASS, _CARP),
        years=2,
        passes=3,
        flaws=USUAL_FLAWS,
        treatment=("sedative", 21),
    ),
    "inches": replace(HERON_LAKE, years=2, areas=4),
    "no tags": replace(REED_WEIHER, populations=(replace(_BASS, tag_from_mm=None),)),
    "hostile": replace(REED_WEIHER, water=HOSTILE, gear="<img src=x onerror=alert(1)>", station='"><b>'),
}


@cache
def species_book() -> SpeciesBook:
    return load_species(shipped_config() / "species")


@dataclass(frozen=True, slots=True)
class Case:
    name: str
    database: Path
    report: Report


def made(name: str, folder: Path, units: Units | None = None) -> Case:
    """The invented water of that name in a database in `folder`, and its report."""
    plan, path = PLANS[name], folder / "water.sqlite"
    with Store.open(path) as store:
        if plan is not None:
            write_water(store, plan, 3)
    return Case(name, path, report_of(path, units or ("inch_pound" if name == "inches" else "metric")))


def report_of(path: Path, units: Units = "metric") -> Report:
    with closing(sqlite3.connect(path)) as connection:
        records = read_records(connection)
        facts = read_facts(connection, records)
    return build_report(facts, all_chapters(records, species_book(), units), units)


def plot(*series: Series, **more: object) -> Plot:
    """A plot of these series; what is not said is of no matter."""
    given = {
        "key": "x", "kind": "growth", "title": "A title", "x_label": "length", "x_unit": "mm", "y_label": "weight",
        "y_unit": "g", "series": series,
    }  # fmt: skip
    return Plot(**{**given, **more})  # type: ignore[arg-type]
