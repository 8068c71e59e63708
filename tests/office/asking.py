"""Asks a pond of tests for its answers."""

from typing import Any

from ingest.shipped import shipped_config
from ingest.species import load_species
from office.answers.compose import chapter
from office.answers.model import Answer, Chapter, Table
from office.answers.reading import read_records
from office.answers.records import Records
from office.answers.units import Units
from office.answers.waters import WaterFacts, WatersFile
from tests.office.ponds import Pond

BOOK = load_species(shipped_config() / "species")
SPRING, LATER = "2026-05-01", "2026-05-15"


def records(pond: Pond, facts: dict[str, Any] | None = None, **scope: Any) -> Records:
    pond.save()
    waters = WatersFile(water={"Mill Pond": WaterFacts.model_validate(facts or {})})
    return read_records(pond.store.connection, waters, **scope)


def asked(
    pond: Pond, key: str, facts: dict[str, Any] | None = None, units: Units = "metric", **scope: Any
) -> Chapter:
    return chapter(records(pond, facts, **scope), BOOK, key, units)


def bass(pond: Pond, key: str, what: str, facts: dict[str, Any] | None = None) -> Answer:
    return asked(pond, key, facts).answer(f"largemouth_bass.{what}")


def a_table(made: Chapter, key: str) -> Table:
    return next(one for one in made.tables if one.key == key)
