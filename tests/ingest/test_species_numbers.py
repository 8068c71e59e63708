"""The shipped numbers of every species: against the listings they came from, and against one another."""

import csv
import math
from pathlib import Path

import pytest

from fishery.single import standard_weight_g
from ingest.species import Equation, HowKnown, Species, SpeciesBook, Status, load_species

ROOT = Path(__file__).parents[2]
DATA = ROOT / "tests" / "fishery" / "data"
LOG10_MM_PER_INCH, LOG10_G_PER_POUND = math.log10(25.4), math.log10(453.59237)  # exact factors of 1959


def rows(name: str) -> list[dict[str, str]]:
    lines = (DATA / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


BOOK = load_species(ROOT / "config" / "species")
SPECIES = list(BOOK.by_slug.values())
CHECKS = rows("standard_weight_checks.csv")
CATEGORY_ROWS = rows("length_categories.csv")
each_species = pytest.mark.parametrize("species", SPECIES, ids=lambda one: one.slug)


def equation_of(book: SpeciesBook, check: dict[str, str]) -> Equation:
    """The one equation of a file that a row of the listing speaks of."""
    species = book.get(check["slug"])
    assert species is not None
    group = {"30-149 mm": "juvenile"}.get(check["group"], check["group"]) or None
    found = [
        one
        for one in species.equations
        if (one.source, one.group, one.method.casefold(), str(one.percentile))
        == (check["source"], group, check["method"].casefold(), check["percentile"])
    ]
    assert len(found) == 1
    return found[0]


def test_every_species_of_the_listings_has_a_file() -> None:
    listed = {row["slug"] for row in CHECKS} | {row["slug"] for row in CATEGORY_ROWS}
    assert listed <= set(BOOK.by_slug)
    assert sum(len(one.equations) for one in SPECIES) == len(CHECKS)
    assert sum(len(one.categories) for one in SPECIES) == len(CATEGORY_ROWS)


@pytest.mark.parametrize(
    "check", CHECKS, ids=lambda c: f"{c['slug']}-{c['source']}-{c['group']}-{c['method']}"
)
def test_standard_weight_at_the_check_length(check: dict[str, str]) -> None:
    # Source of length_mm and ws_g: see the head of standard_weight_checks.csv; printed to 0.1 g.
    equation = equation_of(BOOK, check)
    assert equation.status == check["status"]
    ws_g = standard_weight_g(equation.line, float(check["length_mm"]))
    assert ws_g == pytest.approx(float(check["ws_g"]), abs=0.0501)


ENGLISH_APART = {
    "redear_sunfish": 0.020
}  # 4.7 % of weight; the paper was not seen, so only the metric form is used
ENGLISH = [check for check in CHECKS if check["log10_a_english"]]


@pytest.mark.parametrize("check", ENGLISH, ids=lambda c: f"{c['slug']}-{c['source']}-{c['group']}")
def test_metric_and_english_forms_of_an_equation_agree(check: dict[str, str]) -> None:
    # A listed pair of intercepts (g, mm and lb, in) is two witnesses for one line: log10 a is within 0.003
    # (0.7 %).
    equation = equation_of(BOOK, check)
    derived = equation.log10_a + equation.b * LOG10_MM_PER_INCH - LOG10_G_PER_POUND
    apart = derived - float(check["log10_a_english"])
    assert apart == pytest.approx(ENGLISH_APART.get(check["slug"], 0), abs=0.003)


@pytest.mark.parametrize(
    "check", [c for c in CHECKS if c["min_in"]], ids=lambda c: f"{c['slug']}-{c['group']}"
)
def test_least_lengths_in_both_units_agree(check: dict[str, str]) -> None:
    least_mm = equation_of(BOOK, check).min_mm
    assert least_mm is not None
    assert least_mm == pytest.approx(
        float(check["min_in"]) * 25.4, abs=7.6
    )  # both rounded: to 10 mm, to 0.25 in


@pytest.mark.parametrize("row", CATEGORY_ROWS, ids=lambda r: f"{r['slug']}-{r['group']}")
def test_length_categories_are_those_listed(row: dict[str, str]) -> None:
    species = BOOK.get(row["slug"])
    assert species is not None
    group = row["group"] if row["group"] not in ("", "revised", "original") else None
    found = [one for one in species.categories if one.group == group and one.source == row["source"]]
    assert len(found) == 1
    names = [name for name in ("stock", "quality", "preferred", "memorable", "trophy") if row[f"{name}_mm"]]
    assert found[0].mm.named == {name: float(row[f"{name}_mm"]) for name in names}
    assert found[0].inch.named == {name: float(row[f"{name}_in"]) for name in names}


@each_species
def test_category_lengths_in_both_units_differ_by_rounding_only(species: Species) -> None:
    for categories in species.categories:
        for bound in categories.bounds:
            # lake trout trophy: 1000 mm and 39 in (990.6 mm); the widest listed pair is 800 mm and 31 in
            assert bound.mm == pytest.approx(bound.inch * 25.4, abs=13), bound


@each_species
def test_every_corrected_or_doubtful_entry_says_so(species: Species) -> None:
    corrected = {one.slug for one in SPECIES for c in one.categories if c.corrected}
    assert corrected == {"kokanee", "saugeye", "white_perch"}
    assert all(maximum.note for maximum in species.maxima if not maximum.credible)
    assert all(equation.note for equation in species.equations if equation.status is Status.DISPUTED)


@each_species
def test_no_trophy_fish_and_no_credible_record_reaches_the_ceiling(species: Species) -> None:
    for categories in species.categories:
        trophy_mm = categories.mm.trophy
        if trophy_mm is None:
            continue
        # Trophy length is 74-80 % of the world-record length (Gabelhouse 1984, from memory).
        if species.max_length_mm is not None:
            assert species.max_length_mm >= trophy_mm / 0.80
        equation = species.equation()
        ws_g = standard_weight_g(equation.line, trophy_mm) if equation else None
        if species.max_weight_g is not None and ws_g is not None:
            assert species.max_weight_g >= 1.25 * ws_g
    for maximum in species.maxima:
        if maximum.credible:
            assert maximum.length_mm is None or maximum.length_mm <= (species.max_length_mm or 0)
            assert maximum.weight_g is None or maximum.weight_g <= (species.max_weight_g or 0)


def test_wrong_maxima_are_kept_and_bind_nothing() -> None:
    wrong = {(one.slug, m.weight_g) for one in SPECIES for m in one.maxima if not m.credible}
    assert wrong == {("redear_sunfish", 220), ("yellow_bass", 11_000)}
    redear, yellow = BOOK.get("redear_sunfish"), BOOK.get("yellow_bass")
    assert redear is not None
    assert yellow is not None
    assert (redear.max_weight_g or 0) > 2830  # angling record of 2021 (from memory)
    assert (yellow.max_weight_g or 0) < 11_000


@each_species
def test_every_species_has_growth_limits_above_the_fastest_trout_seen(species: Species) -> None:
    # 1.17 mm/day: fastest of 102 Kenai River rainbow trout (Quinn and Deriso 1999, Table 4.10).
    assert species.growth_limit(13) is None
    fortnight, season = species.growth_limit(14), species.growth_limit(365)
    assert fortnight is not None
    assert season is not None
    assert fortnight.mm_per_day > season.mm_per_day > 1.17


@each_species
def test_numbers_from_memory_never_decide_a_relative_weight(species: Species) -> None:
    for group in (None, "lentic", "lotic", "female", "male", "juvenile"):
        equation = species.equation(group)
        assert equation is None or equation.how_known is not HowKnown.MEMORY
        assert equation is None or equation.status in (Status.RECOMMENDED, Status.SUBGROUP)


@pytest.mark.parametrize(
    ("slug", "group", "source", "used_group"),
    [
        ("largemouth_bass", None, "Henson (1991)", None),
        ("rainbow_trout", None, "Simpkins and Hubert (1996)", "lentic"),
        ("rainbow_trout", "lotic", "Simpkins and Hubert (1996)", "lotic"),
        ("brown_trout", "lotic", "Milewski and Brown (1994)", "lotic"),
        ("muskellunge", None, "Neumann and Willis (1994)", "overall"),
        ("muskellunge", "female", "Neumann and Willis (1994)", "female"),
        ("walleye", None, "Murphy et al. (1990)", "overall"),
        ("walleye", "juvenile", "Flammang et al. (1999)", "juvenile"),
        ("bluegill", "lotic", "Hillman (1982)", None),
    ],
)
def test_which_equation_is_used(slug: str, group: str | None, source: str, used_group: str | None) -> None:
    species = BOOK.get(slug)
    equation = species.equation(group) if species else None
    assert equation is not None
    assert (equation.source, equation.group) == (source, used_group)


def test_no_standard_weight_where_sources_disagree_or_none_was_found() -> None:
    without = {one.slug for one in SPECIES if one.equation() is None}
    assert {"bowfin", "suwannee_bass"} <= without
    assert all(not one.equations for one in SPECIES if one.slug in without - {"suwannee_bass"})


def test_palmetto_bass_uses_the_revised_categories_and_streams_have_their_own() -> None:
    palmetto, brown = BOOK.get("palmetto_bass"), BOOK.get("brown_trout")
    assert palmetto is not None
    assert brown is not None
    newest, lotic, lake = (
        palmetto.length_categories(),
        brown.length_categories("lotic"),
        brown.length_categories(),
    )
    assert newest is not None
    assert newest.source == "Dumont and Neely (2011)"
    assert (lotic and lotic.mm.stock, lake and lake.mm.stock) == (150, 200)


def test_white_crappie_stock_length_is_130_mm_and_5_in() -> None:
    # Willis, Murphy and Guy (1993), page 11: 130 mm, not 125 or 127.
    crappie = BOOK.get("white_crappie")
    categories = crappie.length_categories() if crappie else None
    assert categories is not None
    assert (categories.bounds[0].mm, categories.bounds[0].inch) == (130, 5)
