"""Invented waters over many years, with known truth, written straight into a database.

For trying what reads the records: answers, reports, exports, publishing. Waters, fish, tags and crews are made up. The
rows are those that a station would have stored (`ingest.store.writer` writes them); only the journal is missing.
"""

import math
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from hashlib import sha256
from itertools import count
from pathlib import Path
from random import Random
from sqlite3 import Connection

from fishery.power_transfer import ambient_conductivity_us_per_cm
from ingest.catch_records import AddCrew, SaveTreatment
from ingest.records import RunMethod, RunPlace, SaveRun, SaveSurvey, derived_id
from ingest.shipped import shipped_config
from ingest.species import Species, load_species
from ingest.store import Store
from ingest.store.writer import Writer
from simulators.water_life import Life, year_of
from simulators.water_plan import USUAL_FLAWS, Flaws, Occasion, Plan, Population, StockSeen, Truth
from simulators.water_records import Desk, journal_of, sighting

__all__ = [
    "HERON_LAKE",
    "MILL_POND",
    "REED_WEIHER",
    "USUAL_FLAWS",
    "Flaws",
    "Occasion",
    "Plan",
    "Population",
    "StockSeen",
    "Truth",
    "plan_of_size",
    "write_water",
]

BASS = Population(
    "largemouth_bass", 900, recruits=320, survival=0.64, linf_mm=530, k_per_year=0.33, capture=0.28,
    tag_from_mm=200, tag_loss=0.04, second_mark=0.5,
)  # fmt: skip
BLUEGILL = Population(
    "bluegill", 700, recruits=380, survival=0.5, linf_mm=225, k_per_year=0.42, linf_sd_mm=8, first_age=1, wr=98.0,
    capture=0.16, tag_from_mm=150, tag_share=0.5,
)  # fmt: skip
CARP = Population(
    "common_carp", 260, recruits=25, survival=0.8, linf_mm=720, k_per_year=0.25, linf_sd_mm=30, wr=105.0,
    capture=0.34, tag_from_mm=None, fate="removed",
)  # fmt: skip
SHAD = Population(
    "gizzard_shad", 500, recruits=300, survival=0.4, linf_mm=320, k_per_year=0.5, first_age=1, capture=0.15,
    tag_from_mm=None, handling="batched", fate="removed",
)  # fmt: skip
MINNOW = Population(
    "golden_shiner", 300, recruits=250, survival=0.3, linf_mm=200, k_per_year=0.6, first_age=1, capture=0.1,
    tag_from_mm=None, handling="counted",
)  # fmt: skip

MILL_POND = Plan(
    "Mill Pond", (BASS, BLUEGILL, CARP, SHAD, MINNOW), first_year=2022, years=5, surveys_per_year=2, areas=5,
    empty_areas=1, passes=3, unevenness=0.3, scale_step_g=1.0, flaws=USUAL_FLAWS, treatment=("invented sedative", 21),
    sightings=6,
)  # fmt: skip
"""A pond with everything in it: tags, second marks, removal in three passes, batches, counts, flaws of a usual crew."""

HERON_LAKE = Plan(
    "Heron Lake", (replace(BASS, animals=600, recruits=210, stocked=80, stocked_mm=203.2), replace(BLUEGILL, animals=400)),
    first_year=2023, years=4, areas=8, unit="in", scale_step_g=4.5359237, scale_unit="lb", flaws=USUAL_FLAWS,
)  # fmt: skip
"""A lake whose crew works in inches and hundredths of a pound, and that gets fish from a hatchery."""

REED_WEIHER = Plan(
    "Öster Schilfweiher (Łąka)", (replace(BASS, animals=150, recruits=60),), first_year=2025, years=2, areas=3
)
"""One species, and a name that is not ASCII."""


def plan_of_size(fish: int, years: int = 10, *, water: str = "Mill Pond", provenance: bool = False) -> Plan:
    """A plan that gives about so many rows of fish over the years: bass and bluegill tagged, carp removed."""
    a_year = fish / years
    # Animals alive in balance: recruits / (1 - survival), and the crew has its share of them each year.
    shares = ((BASS, 0.45, 0.3), (BLUEGILL, 0.45, 0.3), (CARP, 0.1, 0.3))
    populations = []
    for stock, share, capture in shares:
        # What is removed each year dies on top of what time takes.
        lives = stock.survival * ((1 - capture) if stock.fate == "removed" else 1)
        alive = round(a_year * share / capture)
        populations.append(
            replace(stock, animals=alive, recruits=round(alive * (1 - lives)), capture=capture, tag_share=1.0)
        )
    return Plan(
        water, tuple(populations), first_year=2026 - years + 1, years=years, areas=10, unevenness=0.2,
        flaws=replace(USUAL_FLAWS, twice=0.001), provenance=provenance,
    )  # fmt: skip


def write_water(store: Store, plan: Plan, seed: int = 1) -> Truth:
    """Invent the water and write its records into the database, in one transaction; what is true of it.

    The same plan and seed give the same records. Raises StoreTrouble, RecordRefused (a water of that name with other
    records, for example), ValueError for a species that the shipped files do not know.
    """
    written: list[Truth] = []
    # A million fish touch their indexes all over: with SQLite's 2 MB of cache that takes twice as long.
    (cache,) = store.connection.execute("PRAGMA cache_size").fetchone()
    store.connection.execute("PRAGMA cache_size = -200000")
    try:
        store.write(lambda connection: written.append(_write(connection, plan, seed)))
    finally:
        store.connection.execute(f"PRAGMA cache_size = {cache}")
    return written[0]


def _write(connection: Connection, plan: Plan, seed: int) -> Truth:
    rng = Random(f"{plan.water} {plan.station} {seed}")
    life = Life(plan, rng)
    writer = Writer(connection)
    species, tags = _species(plan), _tags(plan)
    pairs: dict[str, list[tuple[float, float]]] = {}
    occasions: list[Occasion] = []
    together: dict[str, int] = {}
    animal_of: dict[str, int] = {}
    fish = void = 0
    days = [
        date(year, plan.month, 12) + timedelta(days=number * plan.days_between)
        for year in range(plan.first_year, plan.first_year + plan.years)
        for number in range(plan.surveys_per_year)
    ]
    for number, day in enumerate(days):
        if number % plan.surveys_per_year == 0:
            if number:
                life.turn_of_year(day.year)
            _stock(connection, plan, life, date(day.year, plan.month - 1, 2))
        opened = datetime(day.year, day.month, day.day, 7, tzinfo=UTC)
        journal_id = journal_of(plan, seed, number)
        desk = Desk(
            plan, rng, species, tags, journal_id, derived_id("survey", journal_id, 1), year_of(day),
            {one.species: StockSeen() for one in plan.populations}, pairs, opened,
        )  # fmt: skip
        _survey(writer, desk, life, number)
        _loose_ends(connection, desk)
        occasions.append(Occasion(desk.survey_id, day.year, _instant(opened), desk.stocks))
        fish, void = fish + desk.fish, void + desk.void
        animal_of |= desk.animal_of
        for slug, n in desk.in_batches.items():
            together[slug] = together.get(slug, 0) + n
    mean_wr = {
        one.species: one.wr * math.exp((math.log(10) * one.wr_sd_log10) ** 2 / 2) for one in plan.populations
    }
    return Truth(plan, seed, tuple(occasions), mean_wr, fish, void, together, life.tags_lost, animal_of)


def _survey(writer: Writer, desk: Desk, life: Life, number: int) -> None:
    plan, opened = desk.plan, desk.now
    for animal in life.animals:
        seen = desk.stocks[animal.stock.species]
        seen.alive += animal.alive
        seen.tagged += animal.alive and animal.tag is not None
        seen.marked += animal.alive and animal.second_mark
    head = SaveSurvey(
        desk.survey_id,
        plan.station,
        f"{plan.water} {opened:%Y-%m-%d}",
        plan.water,
        "Invented survey",
        desk.at,
        None,
        False,
    )
    writer.apply([head, *_crew_and_treatment(desk)], (), None)
    areas = plan.areas + plan.empty_areas
    caught = [(pass_no, area, animals) for pass_no, area, animals in life.caught(opened.date())]
    for pass_no in range(2, plan.passes + 2):
        caught += [(pass_no - 1, plan.areas + empty, []) for empty in range(1, plan.empty_areas + 1)]
    caught.sort(key=lambda one: one[:2])
    water_c = round(desk.rng.uniform(*plan.water_c), 1)
    ambient_us_per_cm = round(ambient_conductivity_us_per_cm(plan.conductance_us_per_cm, water_c))
    for run_no, (pass_no, area, animals) in enumerate(caught, 1):
        started = desk.at
        desk.step()
        desk.now += timedelta(seconds=plan.seconds * 1.3)
        run = SaveRun(
            desk.survey_id, run_no, started, desk.at, plan.seconds, None,
            RunPlace(water_c=water_c, conductivity_us_per_cm=ambient_us_per_cm),
            RunMethod(f"area {area}", plan.gear, pass_no if plan.passes > 1 else None, plan.settings),
        )  # fmt: skip
        desk.run_no, desk.pass_no = run_no, pass_no
        desk.pace_s = min(20.0, 10_800 / areas / max(1, len(animals)))
        desk.work_up(animals)
        desk.now += timedelta(seconds=120)
        changes, frames = desk.take()
        writer.apply([run, *changes], frames, None)
    last_tags = desk.new_tags[: plan.sightings]
    ends = [sighting(desk, tag) for tag in last_tags]
    writer.apply([*ends, replace(head, closed_at=desk.at)], (), None)


def _crew_and_treatment(desk: Desk) -> Iterator[AddCrew | SaveTreatment]:
    for post, code in (("netter", "AB"), ("tagger", "C7")):
        n = desk.step()
        crew_id = derived_id("crew", desk.journal_id, n, 0)
        yield AddCrew(crew_id, desk.survey_id, None, post, code, desk.at, desk.journal_id, n)
    if desk.plan.treatment is not None:
        agent, days = desk.plan.treatment
        n = desk.step()
        until = (desk.now.date() + timedelta(days=days)).isoformat()
        yield SaveTreatment(
            derived_id("treatment", desk.journal_id, n), desk.survey_id, None, agent, "as the invented protocol says",
            until, desk.at, None, desk.journal_id, n,
        )  # fmt: skip


def _loose_ends(connection: Connection, desk: Desk) -> None:
    """Inventory, instruments, and the check of each with a known measure."""
    plan = desk.plan
    if plan.inventory:
        connection.executemany(
            "INSERT INTO tag_inventory VALUES (?, ?, ?)",
            [
                (tag, f"inventory/{plan.water}.csv", f"{plan.first_year}-03-01T00:00:00.000Z")
                for tag in desk.new_tags
            ],
        )
    for instrument, kind, expected, unit, step in (
        ("reader", "tag", None, "", 0.0),
        ("board", "length", 300.0, "mm", 1.0),
        ("scale", "weight", 500.0, "g", plan.scale_step_g),
    ):
        connection.execute(
            "INSERT INTO instrument VALUES (?, ?, 'main', NULL, ?, ?) "
            "ON CONFLICT DO UPDATE SET last_seen_at = max(last_seen_at, excluded.last_seen_at)",
            (instrument, kind, desk.at, desk.at),
        )
        if expected is not None:
            n = desk.step()
            measured = round(expected + desk.rng.choice((-1, 0, 0, 1)) * step, 4)
            connection.execute(
                "INSERT INTO check_measurement VALUES (?, ?, ?, ?, ?, ?, NULL, ?, ?)",
                (
                    derived_id("check", desk.journal_id, n), instrument, desk.at, expected, measured, unit,
                    desk.journal_id, n,
                ),
            )  # fmt: skip


def _stock(connection: Connection, plan: Plan, life: Life, on: date) -> None:
    stocked = [one for one in plan.populations if one.stocked]
    if not stocked:
        return
    life.stock(on)
    connection.execute("INSERT INTO water (water) VALUES (?) ON CONFLICT DO NOTHING", (plan.water,))
    for number, one in enumerate(stocked):
        stocking_id = derived_id("stocking", journal_of(plan, 0, 0), on.toordinal(), number)
        connection.execute(
            "INSERT INTO stocking VALUES (?, ?, ?, ?, ?, NULL, ?, 'invented hatchery', ?)",
            (
                stocking_id, plan.water, one.species, on.isoformat(), one.stocked, one.stocked_mm,
                f"all with a {one.stocked_mark}",
            ),
        )  # fmt: skip


def _species(plan: Plan) -> dict[str, Species | None]:
    book = load_species(Path(shipped_config() / "species"))
    unknown = [one.species for one in plan.populations if book.get(one.species) is None]
    if unknown:
        raise ValueError(
            f"{unknown[0]!r} is none of the shipped species; use the name of a file in config/species."
        )
    return {one.species: book.get(one.species) for one in plan.populations}


def _tags(plan: Plan) -> Iterator[str]:
    """Tags of this water alone: test code 999 (ISO 11784), five digits of the water's name, seven that count."""
    own = int.from_bytes(sha256(f"{plan.water} {plan.station}".encode()).digest()[:4], "big") % 100_000
    return (f"999{own:05d}{number:07d}" for number in count(1))


def _instant(moment: datetime) -> str:
    return moment.strftime("%Y-%m-%dT%H:%M:%S.000Z")
