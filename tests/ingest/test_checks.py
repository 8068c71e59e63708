"""The plausibility checks against the numbers that they were given, on both sides of each boundary."""

import csv
import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from fishery.single import fit_length_weight, standard_weight_g
from ingest.checks import FishFacts, Limits, check_fish, scale_off_zero, too_coarse
from ingest.records import Finding, Part, PriorCapture, Severity
from ingest.shipped import shipped_config
from ingest.species import Species, SpeciesBook, load_species

LIMITS = Limits()
SPECIES = ("largemouth_bass", "bluegill", "walleye", "rainbow_trout", "channel_catfish")
NOW = datetime(2026, 5, 12, 13, tzinfo=UTC)
REAL = Path(__file__).parents[1] / "fishery" / "data"


@pytest.fixture(scope="module")
def book() -> SpeciesBook:
    return load_species(shipped_config() / "species")


def species_of(book: SpeciesBook, slug: str) -> Species:
    species = book.get(slug)
    assert species is not None
    return species


def facts(species: Species, length_mm: float | None, weight_g: float | None, **other: object) -> FishFacts:
    equation = species.equation()
    line = equation.line if equation else None
    plain = FishFacts(
        species=species,
        length_mm=length_mm,
        weight_g=weight_g,
        weight_division_g=0.1,
        standard_weight_g=standard_weight_g(line, length_mm) if line and length_mm else None,
        relation=None,
        tag="985000000000001",
        prior=(),
        species_by_crew=False,
        at="2026-05-12T13:00:00Z",
        equation=line,
    )
    return replace(plain, **other)  # type: ignore[arg-type]


def names(found: tuple[Finding, ...], severity: Severity | None = None) -> list[str]:
    return [finding.name for finding in found if severity in (None, finding.severity)]


def ws_g(species: Species, length_mm: float) -> float:
    """Ws by the formula itself, log10(Ws) = a + b x + c x^2 (Wege and Anderson 1978; Gerow et al. 2005)."""
    equation = species.equation()
    assert equation is not None
    line = equation.line
    assert (line.min_mm or 0) <= length_mm <= (line.max_mm or 9999)
    x = math.log10(length_mm)
    return float(10 ** (line.log10_a + line.b * x + line.c * x * x))


def lengths_of(species: Species) -> tuple[float, ...]:
    equation = species.equation()
    assert equation is not None
    least = equation.line.min_mm or 100.0
    return (least * 1.2, least * 2.0)


# Exact by the international yard and pound agreement of 1959: 1 in = 25.4 mm, 1 lb = 453.59237 g, 1 oz = 1/16 lb.
SLIPS = [
    (Part.WEIGHT, 10.0, "ten times too high"),
    (Part.WEIGHT, 0.1, "ten times too low"),
    (Part.WEIGHT, 28.349523125, "grams read as ounces"),
    (Part.WEIGHT, 1 / 28.349523125, "ounces read as grams"),
    (Part.WEIGHT, 453.59237, "grams read as pounds"),
    (Part.WEIGHT, 1 / 453.59237, "pounds read as grams"),
    (Part.LENGTH, 10.0, "ten times too long"),
    (Part.LENGTH, 0.1, "ten times too short"),
    (Part.LENGTH, 25.4, "millimetres read as inches"),
    (Part.LENGTH, 1 / 25.4, "inches read as millimetres"),
]


@pytest.mark.parametrize("slug", SPECIES)
@pytest.mark.parametrize("condition", [0.8, 0.95, 1.15])
@pytest.mark.parametrize(("part", "factor", "words"), SLIPS)
def test_a_slip_is_named_and_the_true_value_proposed(
    book: SpeciesBook, slug: str, condition: float, part: Part, factor: float, words: str
) -> None:
    species = species_of(book, slug)
    for length_mm in lengths_of(species):
        weight_g = condition * ws_g(species, length_mm)
        slipped = (
            facts(species, length_mm, weight_g * factor)
            if part is Part.WEIGHT
            else facts(species, length_mm * factor, weight_g)
        )
        (finding,) = [f for f in check_fish(slipped, LIMITS) if f.severity is Severity.SERIOUS]
        assert finding.name == f"{part.value}_slip", finding.sentence
        assert words in finding.sentence
        assert finding.suspects == (part,)
        true = weight_g if part is Part.WEIGHT else length_mm
        assert finding.proposes[part.value] == pytest.approx(true)


def test_a_slip_above_the_maximum_is_one_question(book: SpeciesBook) -> None:
    bass = species_of(book, "largemouth_bass")
    found = check_fish(facts(bass, 560.0, 24350.0), LIMITS)
    assert names(found, Severity.SERIOUS) == ["weight_slip"]


@pytest.mark.parametrize(
    ("wr", "name", "severity"),
    [
        (39.9, "relative_weight_far_off", Severity.SERIOUS),
        (40.1, "relative_weight_unusual", Severity.NOTICE),
        (59.9, "relative_weight_unusual", Severity.NOTICE),
        (60.1, None, None),
        (139.9, None, None),
        (140.1, "relative_weight_unusual", Severity.NOTICE),
        (199.9, "relative_weight_unusual", Severity.NOTICE),
        (200.1, "relative_weight_far_off", Severity.SERIOUS),
    ],
)
def test_relative_weight_on_both_sides_of_each_limit(
    book: SpeciesBook, wr: float, name: str | None, severity: Severity | None
) -> None:
    bass = species_of(book, "largemouth_bass")
    found = check_fish(facts(bass, 400.0, wr / 100 * ws_g(bass, 400.0)), LIMITS)
    assert [(f.name, f.severity) for f in found] == ([] if name is None else [(name, severity)])


def test_a_far_off_relative_weight_suspects_length_weight_and_species(book: SpeciesBook) -> None:
    bass = species_of(book, "largemouth_bass")
    (finding,) = check_fish(facts(bass, 312.0, 1000.0), LIMITS)
    assert finding.suspects == (Part.LENGTH, Part.WEIGHT, Part.SPECIES)
    assert not finding.proposes


def test_no_relative_weight_below_the_least_length(book: SpeciesBook) -> None:
    bass = species_of(book, "largemouth_bass")
    assert check_fish(facts(bass, 149.0, 100.0), LIMITS) == ()
    assert names(check_fish(facts(bass, 150.0, 100.0), LIMITS)) == ["relative_weight_far_off"]


def test_a_station_may_set_its_own_window(book: SpeciesBook) -> None:
    bass = species_of(book, "largemouth_bass")
    narrow = Limits(wr_serious=(70.0, 130.0), wr_notice=(80.0, 120.0))
    assert names(check_fish(facts(bass, 400.0, 1.31 * ws_g(bass, 400.0)), narrow)) == [
        "relative_weight_far_off"
    ]
    assert names(check_fish(facts(bass, 400.0, 1.25 * ws_g(bass, 400.0)), narrow)) == [
        "relative_weight_unusual"
    ]


@pytest.mark.parametrize("weight_g", [0.0, -3.0])
def test_a_weight_that_is_not_positive_is_serious(book: SpeciesBook, weight_g: float) -> None:
    found = check_fish(facts(species_of(book, "bluegill"), 150.0, weight_g), LIMITS)
    assert names(found, Severity.SERIOUS) == ["weight_not_positive"]


@pytest.mark.parametrize("slug", SPECIES)
def test_only_more_than_the_species_maximum_is_serious(book: SpeciesBook, slug: str) -> None:
    species = species_of(book, slug)
    most_mm, most_g = species.max_length_mm, species.max_weight_g
    assert most_mm is not None
    assert most_g is not None
    assert check_fish(facts(species, most_mm, None), LIMITS) == ()
    assert check_fish(facts(species, None, most_g), LIMITS) == ()
    assert names(check_fish(facts(species, most_mm + 1, None), LIMITS)) == ["length_above_maximum"]
    assert names(check_fish(facts(species, None, most_g + 1), LIMITS)) == ["weight_above_maximum"]


def before(
    length_mm: float | None, at: str = "2025-05-12T13:00:00Z", **other: str
) -> tuple[PriorCapture, ...]:
    fate, species = other.get("fate", "released"), other.get("species", "largemouth_bass")
    return (PriorCapture(at, "Alder Pond", None, species, length_mm, None, fate),)


@pytest.mark.parametrize(
    ("then_mm", "now_mm", "shrank"),
    [
        (300, 290, False),
        (300, 289, True),
        (400, 388, False),
        (400, 387, True),
        (200, 190, False),
        (200, 189, True),
    ],
)
def test_shrinking_by_more_than_10_mm_and_3_percent(
    book: SpeciesBook, then_mm: float, now_mm: float, shrank: bool
) -> None:
    found = check_fish(
        facts(species_of(book, "largemouth_bass"), now_mm, None, prior=before(then_mm)), LIMITS
    )
    assert names(found, Severity.NOTICE) == (["shrank"] if shrank else [])
    assert names(found, Severity.SERIOUS) == []
    if shrank:
        assert found[0].suspects == (Part.LENGTH, Part.TAG)


def test_growth_faster_than_the_cited_limit(book: SpeciesBook) -> None:
    bass = species_of(book, "largemouth_bass")
    limit = bass.growth_limit(100.0)
    assert limit is not None
    then, most = "2026-02-01T13:00:00Z", limit.mm_per_day * 100  # 100 days before the day of these tests
    slow = facts(bass, 300.0 + most - 1, None, prior=before(300.0, then))
    fast = facts(bass, 300.0 + most + 1, None, prior=before(300.0, then))
    assert check_fish(slow, LIMITS) == ()
    assert names(check_fish(fast, LIMITS), Severity.NOTICE) == ["grew_fast"]
    day_before = facts(bass, 320.0, None, prior=before(300.0, "2026-05-11T13:00:00Z"))
    assert check_fish(day_before, LIMITS) == ()  # too short a time for any rate


def test_history_with_a_date_that_is_none_is_judged_by_length_alone(book: SpeciesBook) -> None:
    bass = species_of(book, "largemouth_bass")
    assert names(check_fish(facts(bass, 280.0, None, prior=before(300.0, "last spring")), LIMITS)) == [
        "shrank"
    ]


@pytest.mark.parametrize(
    ("fate", "gone"),
    [("removed", True), ("died", True), ("kept", True), ("released", False), ("escaped", False)],
)
def test_a_tag_recorded_as_gone(book: SpeciesBook, fate: str, gone: bool) -> None:
    found = check_fish(
        facts(species_of(book, "largemouth_bass"), 305.0, None, prior=before(300.0, fate=fate)), LIMITS
    )
    assert names(found, Severity.NOTICE) == (["recorded_as_gone"] if gone else [])


def test_another_species_last_time_counts_only_if_the_crew_said_the_species(book: SpeciesBook) -> None:
    bass, prior = species_of(book, "largemouth_bass"), before(300.0, species="bluegill")
    said = facts(bass, 305.0, None, prior=prior, species_by_crew=True)
    assert names(check_fish(said, LIMITS)) == ["other_species_last_time"]
    assert check_fish(replace(said, species_by_crew=False), LIMITS) == ()


def test_unlike_this_water_is_a_notice(book: SpeciesBook) -> None:
    bass = species_of(book, "largemouth_bass")
    equation = bass.equation()
    assert equation is not None
    lengths = [200.0 + 5 * i for i in range(40)]
    weights = [0.9 * ws_g(bass, mm) * (1.02 if i % 2 else 0.98) for i, mm in enumerate(lengths)]
    relation = fit_length_weight(lengths, weights, equation.line)
    usual = 0.9 * ws_g(bass, 300.0)
    assert check_fish(facts(bass, 300.0, usual * 1.10, relation=relation), LIMITS) == ()
    found = check_fish(facts(bass, 300.0, usual * 1.52, relation=relation), LIMITS)
    assert names(found, Severity.NOTICE) == ["unlike_this_water"]
    assert names(found, Severity.SERIOUS) == []


def test_a_weight_below_20_divisions_is_too_coarse(book: SpeciesBook) -> None:
    # OIML R 76-1: the least load of a scale of class III is 20 verification intervals.
    assert too_coarse(19.9, 1.0, LIMITS)
    assert not too_coarse(20.0, 1.0, LIMITS)
    found = check_fish(facts(species_of(book, "bluegill"), 60.0, 4.0, weight_division_g=1.0), LIMITS)
    assert names(found) == ["scale_too_coarse"]


@pytest.mark.parametrize(
    ("empty_g", "weight_g", "division_g", "off", "at_once"),
    [
        (2.0, 50.0, 1.0, False, False),  # two divisions are nothing
        (2.1, 50.0, 1.0, True, False),
        (4.0, 400.0, 1.0, False, False),  # 1 % of this fish
        (4.1, 400.0, 1.0, True, False),
        (-4.1, 400.0, 1.0, True, False),
        (20.0, 400.0, 1.0, True, False),  # 5 % of this fish
        (20.1, 400.0, 1.0, True, True),
    ],
)
def test_an_empty_scale_off_zero(
    empty_g: float, weight_g: float, division_g: float, off: bool, at_once: bool
) -> None:
    assert scale_off_zero(empty_g, weight_g, division_g, LIMITS) == (off, at_once)


def test_serious_findings_come_first(book: SpeciesBook) -> None:
    bass = species_of(book, "largemouth_bass")
    found = check_fish(facts(bass, 280.0, 1000.0, prior=before(300.0)), LIMITS)
    assert [f.severity for f in found] == [Severity.SERIOUS, Severity.NOTICE]


def rows(name: str) -> list[dict[str, str]]:
    lines = (REAL / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def held(found: tuple[Finding, ...]) -> bool:
    return any(finding.severity is Severity.SERIOUS for finding in found)


def test_at_most_one_real_fish_in_a_hundred_would_be_held(book: SpeciesBook) -> None:
    """Cutthroat trout: 150 fish of Box 10.1 in Guy and Brown, editors (2007). Walleye: the 10, 50 and 90 % lines of
    33,597 fish of 102 populations (Ranney 2018, table 3), which stand for fish that are thin, usual and fat."""
    fish = [
        facts(species_of(book, "cutthroat_trout"), float(row["tl_mm"]), float(row["weight_g"]))
        for row in rows("wr_cutthroat_box10_1.csv")
    ] + [
        facts(species_of(book, "walleye"), float(row["length_mm"]), float(row[quantile]))
        for row in rows("walleye_quantiles_ranney2018.csv")
        for quantile in ("0.10", "0.50", "0.90")
    ]
    assert len(fish) > 200
    assert sum(held(check_fish(one, LIMITS)) for one in fish) <= len(fish) / 100


def test_at_most_one_real_recapture_in_a_hundred_would_be_held(book: SpeciesBook) -> None:
    """102 rainbow trout of the Kenai River (Quinn and Deriso 1999, table 4.10): what measuring errors do to growth and
    shrinkage is a notice at most and holds nobody."""
    trout = species_of(book, "rainbow_trout")
    found = [
        check_fish(
            facts(
                trout,
                float(row["length_recapture_mm"]),
                None,
                prior=before(
                    float(row["length_mark_mm"]), f"{days_back:%Y-%m-%dT%H:%M:%SZ}", species="rainbow_trout"
                ),
            ),
            LIMITS,
        )
        for row in rows("growth_rainbow_trout_kenai.csv")
        for days_back in [NOW - timedelta(days=365.25 * float(row["years_at_large"]))]
    ]
    assert len(found) == 102
    assert not any(held(one) for one in found)
    assert sum("grew_fast" in names(one) for one in found) <= 1
