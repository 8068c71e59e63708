"""Published examples through the whole path: written as records into a database, read back, answered.

The functions have these checks of their own (`tests/fishery`); here the records, the reading and the composing are held
to the same printed numbers.
"""

import re
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from fishery.answers import Interval
from ingest.shipped import shipped_config
from ingest.species import SpeciesBook, load_species, species_book
from ingest.store import PriorRow, Store
from office.answers.compose import chapter
from office.answers.model import Answer, Chapter
from office.answers.reading import read_records
from tests.fishery.tables import column, table
from tests.office.ponds import Pond, tag

BOOK = load_species(shipped_config() / "species")


@pytest.fixture
def pond(tmp_path: Path) -> Iterator[Pond]:
    with Store.open(tmp_path / "pond.sqlite") as store:
        yield Pond(store)


def asked(pond: Pond, key: str, book: SpeciesBook = BOOK) -> Chapter:
    pond.save()
    return chapter(read_records(pond.store.connection), book, key)


def limits(answer: Answer) -> tuple[float, float]:
    assert isinstance(answer.interval, Interval)
    return answer.interval.low, answer.interval.high


def marked_again(pond: Pond, days: tuple[str, str], marked: int, examined: int, recaptured: int) -> None:
    first, second = (pond.survey(day) for day in days)
    for number in range(marked):
        pond.fish(first, tag(number))
    for number in range(recaptured):
        pond.fish(second, tag(number), tag_status="recapture")
    for _ in range(examined - recaptured):
        pond.fish(second)


@pytest.mark.parametrize("example", ["krebs_box2.1", "pine_box11.2", "ricker_3.?", "seber_t3.7b"])
def test_chapman_numbers_as_printed(pond: Pond, example: str) -> None:
    # Krebs 1989 Box 2.1; Pine et al. 2012 Box 11.2; Ricker 1975; Seber 2002 Table 3.7 (sources in the table beside).
    row = next(one for one in table("abundance_two_samples.csv") if one["id"] == example)
    m, c, r = int(row["M"]), int(row["C"]), int(row["R"])
    marked_again(pond, ("2026-05-01", "2026-05-15"), m, c, r)
    answer = asked(pond, "abundance").answer("largemouth_bass.chapman")
    assert answer.value == pytest.approx(float(row["pub_chapman"]), abs=0.7)
    assert answer.n == c
    assert len(answer.fish_ids) == m + c
    assert f"{m} marked, {c} scanned, {r} of these marked" in answer.sentence


def test_schnabel_and_schumacher_of_the_redear_sunfish(pond: Pond) -> None:
    # Gerking 1953, Gordy Lake: Ricker 1975 has 430 with the + 1, Krebs 1989 p. 33 has 423 by Schumacher and Eschmeyer. The
    # table counts the marks at large without the three marked fish that died.
    at_large: list[int] = []
    new = 0
    for row in table("abundance_schnabel_gerking1953.csv"):
        day = f"2026-06-{int(row['t']):02}"
        survey = pond.survey(day)
        again, fresh = int(row["R_recaptured"]), int(row["new_marks"])
        assert len(at_large) == int(row["M_at_large"])
        for number in at_large[:again]:
            pond.fish(survey, tag(number), tag_status="recapture")
        for _ in range(fresh):
            pond.fish(survey, tag(new))
            at_large.append(new)
            new += 1
        for _ in range(int(row["C_caught"]) - again - fresh):
            pond.fish(survey)
    found = asked(pond, "abundance")
    assert found.answer("largemouth_bass.schnabel").value == pytest.approx(429.6, abs=0.05)
    assert found.answer("largemouth_bass.schumacher").value == pytest.approx(422.97, abs=0.005)


def test_survival_of_the_dippers_in_all_four_models(pond: Pond) -> None:
    # Lebreton et al. 1992; printed output of a likelihood program: phi .5602430 (.5105493-.6087577), p .9025835, AICc
    # 670.8660, 673.9980, 678.7481; n 426 releases of 294 animals.
    surveys = [pond.survey(f"{2001 + year}-01-01") for year in range(7)]
    number = 0
    for row in table("open_dipper_histories.csv"):
        for _ in range(int(row["n_male"]) + int(row["n_female"])):
            number += 1
            for survey, seen in zip(surveys, row["history"], strict=True):
                if seen == "1":
                    pond.fish(survey, tag(number), at=f"{survey[-10:]}T00:00:00Z")
    pond.save()
    # surveys at the turn of the year, so that every interval is one year to the second
    pond.store.write(
        lambda connection: connection.execute(
            "UPDATE survey SET opened_at = substr(opened_at, 1, 10) || 'T00:00:00Z'"
        ).close()
    )
    found = asked(pond, "survival")
    answer = found.answer("largemouth_bass.survival")
    assert answer.value == pytest.approx(56.02430, abs=2e-4)
    assert limits(answer) == pytest.approx((51.05493, 60.87577), abs=2e-3)
    assert answer.n == 426
    assert found.answer("largemouth_bass.recapture").value == pytest.approx(90.25835, abs=2e-4)
    models = next(one for one in found.tables if one.key == "largemouth_bass.models")
    assert [row[2] for row in models.rows] == pytest.approx(
        [666.8377, 659.7301, 664.4802, 656.9502], abs=5e-5
    )
    # the program counts the product of the last survival and recapture twice in its fourth model, we count it once
    assert [row[3] for row in models.rows[:3]] == pytest.approx([670.8660, 673.9980, 678.7481], abs=5e-5)


def test_numbers_of_the_cutthroat_trout_of_auke_lake(pond: Pond) -> None:
    # Harding et al. 2010, 1,684 histories over nine years; N as the reference program prints it.
    pond.species = "cutthroat_trout"
    surveys = [pond.survey(f"{1998 + year}-06-01") for year in range(9)]
    number = 0
    for row in table("open_cutthroat_histories.csv"):
        for _ in range(int(row["count"])):
            number += 1
            for survey, seen in zip(surveys, row["history"], strict=True):
                if seen == "1":
                    pond.fish(survey, tag(number))
    found = asked(pond, "abundance")
    numbers = next(one for one in found.tables if one.key == "cutthroat_trout.jolly_seber").rows
    printed = {row["year"]: row["N"] for row in table("open_cutthroat_published.csv") if row["N"]}
    assert {str(row[0])[:4]: f"{row[4]:.2f}" for row in numbers if row[4] is not None} == printed


@pytest.mark.parametrize(
    ("catches", "number", "catchability", "printed_limits"),
    [
        ((38, 26, 12), 91, 0.444, None),  # Carle and Strub 1978, example 1
        (
            (138, 55, 48),
            287,
            0.455,
            (255, 319),
        ),  # Pritchard et al. 2021, bullhead (their limits: N +- 1.96 SE)
    ],
)
def test_removal_numbers_as_printed(
    pond: Pond,
    catches: tuple[int, ...],
    number: int,
    catchability: float,
    printed_limits: tuple[int, int] | None,
) -> None:
    pond.species = "common_carp"
    survey = pond.survey("2026-07-01")
    for place, caught in enumerate(catches):
        pond.run(survey, place + 1, pass_no=place + 1, area="bay")
        single = caught // 2
        for _ in range(single):
            pond.fish(survey, run_no=place + 1, fate="removed")
        pond.count(survey, caught - single, run_no=place + 1, fate="removed")
    found = asked(pond, "removal")
    answer = found.answer("common_carp.passes")
    assert answer.value == number
    told = re.search(r"catchability ([\d.]+)", answer.sentence)
    assert told is not None
    assert float(told[1]) == pytest.approx(catchability, abs=0.0051)
    assert found.answer("common_carp.passes_left").value == number - sum(catches)
    assert found.answer("common_carp.removed").value == sum(catches)
    if printed_limits is not None:
        # profile limits are lop-sided: both ends lie above the symmetric ones
        low, high = limits(answer)
        assert printed_limits[0] < low < number < printed_limits[1] < high


def test_depletion_of_bass_by_hours_of_electrofishing(pond: Pond) -> None:
    # Maceina et al. 1995, Table 1, Conner Cove 1992: 23 12 13 14 9 7 in one hour each: N 108 on 3.3 ha (33 per ha),
    # 58-159 is the interval of the course key.
    for place, caught in enumerate((23, 12, 13, 14, 9, 7)):
        survey = pond.survey(f"2026-07-{place + 1:02}")
        pond.run(survey, seconds=3600.0)
        for _ in range(caught):
            pond.fish(survey, run_no=1, fate="removed")
    answer = asked(pond, "removal").answer("largemouth_bass.dates")
    assert answer.value == pytest.approx(108.4, abs=0.05)
    assert len(answer.fish_ids) == answer.n == 78


@pytest.mark.parametrize(("population", "group", "mean"), [("A", "lotic", 94.67), ("B", "lentic", 93.29)])
def test_relative_weight_of_cutthroat_trout(pond: Pond, population: str, group: str, mean: float) -> None:
    # Box 10.3 of Guy and Brown, editors (2007), as worked in open course notes, which use the lines below their least
    # length: so does this copy of the species' file, cut to the group of the example.
    text = (shipped_config() / "species" / "cutthroat_trout.toml").read_text(encoding="utf-8")
    head, *parts = re.split(r"(?m)^(?=\[)", text)
    kept = [one for one in parts if not one.startswith("[[standard_weight]]") or f'group = "{group}"' in one]
    book = species_book({"cutthroat_trout.toml": re.sub(r"(?m)^min_mm = .*$", "", head + "".join(kept))})
    pond.species = "cutthroat_trout"
    survey = pond.survey("2026-05-01")
    rows = [row for row in table("wr_cutthroat_box10_1.csv") if row["population"] == population]
    for row in rows:
        pond.fish(survey, length_mm=float(row["tl_mm"]), weight_g=float(row["weight_g"]))
    answer = asked(pond, "condition", book).answer("cutthroat_trout.wr")
    assert answer.value == pytest.approx(mean, abs=0.0051)
    assert answer.n == len(rows) == len(answer.fish_ids)


def test_size_structure_and_its_change_in_the_worked_box(pond: Pond) -> None:
    # Box 9.5 of Guy and Brown, editors (2007): 1996 has 85 of quality length and 77 below, 1997 has 44 and 124; the pair
    # differs with P 0.000002. PSD (calculated from the counts) 52.5 and 26.2.
    for day, quality, stock in (("1996-05-01", 85, 77), ("1997-05-01", 44, 124)):
        survey = pond.survey(day)
        for _ in range(quality):
            pond.fish(survey, length_mm=320.0)
        for _ in range(stock):
            pond.fish(survey, length_mm=220.0)
    found = asked(pond, "structure")
    psd = found.answer("largemouth_bass.psd")
    assert psd.value == pytest.approx(100 * 44 / 168)
    assert found.answer("largemouth_bass.categories_then_now").value == pytest.approx(0.000002, abs=5e-7)
    assert "PSD 52 then, 26 now" in found.answer("largemouth_bass.categories_then_now").sentence


def test_catch_per_hour_is_the_ratio_of_totals(pond: Pond) -> None:
    # Open data of 15 clusters (Lumley 2010): ratio .8497087; SE without the finite correction .0084706 (calculated).
    survey = pond.survey("2026-05-01")
    for row in table("catch_ratio_15_clusters.csv"):
        run_no = int(row["cluster"])
        pond.run(survey, run_no, seconds=3600 * float(row["x_denominator"]))
        pond.count(survey, int(row["y_numerator"]), run_no=run_no)
    answer = asked(pond, "catch").answer("largemouth_bass.cpue")
    assert answer.value == pytest.approx(0.8497087, abs=5e-8)
    assert answer.n == 15
    assert f"relative standard error {100 * 0.0084706 / 0.8497087:.0f} %" in answer.sentence


def test_growth_curve_of_the_kenai_trout(pond: Pond) -> None:
    # Data: Quinn and Deriso (1999), Table 4.10, marked elsewhere and caught here; Linf and K by a separate optimiser.
    pond.species = "rainbow_trout"
    survey = pond.survey("2026-07-01")
    rows = table("growth_rainbow_trout_kenai.csv")
    caught = datetime(2026, 7, 1, 13)
    marked, seen = column(rows, "length_mark_mm"), column(rows, "length_recapture_mm")
    priors = []
    for number, years in enumerate(column(rows, "years_at_large")):
        pond.fish(survey, tag(number), length_mm=float(seen[number]), at="2026-07-01T13:00:00Z")
        at = (caught - timedelta(days=365.25 * float(years))).isoformat(timespec="milliseconds") + "Z"
        priors.append(
            PriorRow(tag(number), at, "Mill Pond", "rainbow_trout", float(marked[number]), None, "released")
        )
    pond.prior(*priors)
    found = asked(pond, "growth")
    # calendar years of 365 and 366 days: the times at large differ from the table by up to a day
    assert found.answer("rainbow_trout.fabens.linf").value == pytest.approx(659.06, rel=2e-3)
    assert found.answer("rainbow_trout.fabens.k").value == pytest.approx(0.29544, rel=5e-3)
    assert found.answer("rainbow_trout.fabens.k").n == 102


def test_loss_of_one_of_two_tags(pond: Pond) -> None:
    # Hyun et al. 2012, Table 7: 24 seen with one of two tags, 35 with both: loss 24 / (24 + 2 * 35) = .2553.
    first, second = pond.survey("2026-05-01"), pond.survey("2026-06-01")
    for number in range(59):
        one, other = tag(2 * number), tag(2 * number + 1)
        pond.fish(first, one, second_tag=other)
        pond.fish(second, one, second_tag=other if number < 35 else None, tag_status="recapture")
    answer = asked(pond, "abundance").answer("largemouth_bass.tag_loss.two_tags")
    assert answer.value == pytest.approx(25.53, abs=0.005)
    assert answer.n == 59
