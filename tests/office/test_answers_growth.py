"""Which captures and ages growth is told from."""

import math

import numpy as np
import pytest

from ingest.store import PriorRow
from tests.office.asking import SPRING, a_table, asked, bass
from tests.office.ponds import Pond, tag


def test_growth_is_told_from_files_of_other_stations_too(pond: Pond) -> None:
    survey = pond.survey("2026-05-01")
    for number in range(12):
        pond.fish(survey, tag(number), length_mm=330.0 + number, tag_status="recapture")
    pond.prior(
        *(
            PriorRow(tag(n), "2025-05-01", "Mill Pond", "largemouth_bass", 300.0 + n, 350.0, "released")
            for n in range(12)
        )
    )
    answer = bass(pond, "growth", "mm_per_year")
    assert answer.value == pytest.approx(30.0, rel=0.01)
    assert answer.n == 12
    assert len(answer.fish_ids) == 12
    assert any("name no length type" in one for one in answer.cautions)


def test_stocked_fish_of_known_age(pond: Pond) -> None:
    pond.species = "channel_catfish"
    for year, length in ((2023, 150.0), (2024, 210.0), (2025, 255.0), (2026, 290.0)):
        survey = pond.survey(f"{year}-06-01")
        for step in range(5):
            pond.fish(survey, length_mm=length + step, at=f"{year}-06-01T13:00:00Z")
    facts = {"stocking": [{"species": "channel_catfish", "on": "2022-05-20", "age_years": 1.0, "all": True}]}
    made = asked(pond, "growth", facts)
    rows = a_table(made, "channel_catfish.length_at_age").rows
    assert [row[0] for row in rows] == [2, 3, 4, 5]
    assert [row[2] for row in rows] == [152, 212, 257, 292]
    # mean lengths of Tuttle Creek Reservoir at ages 2 to 5, as the published table has them
    assert [row[5] for row in rows] == [145, 201, 257, 301]
    assert made.answer("channel_catfish.at_age.linf").value is not None


def test_published_lengths_are_told_at_the_age_that_the_fish_had(pond: Pond) -> None:
    # 1.9 years old, before their second birthday: 60 mm at age 1 and 145 at age 2 (Tuttle Creek) make 136 mm, not 60
    pond.species = "channel_catfish"
    survey = pond.survey("2023-04-14")
    for step in range(5):
        pond.fish(survey, length_mm=150.0 + step)
    facts = {"stocking": [{"species": "channel_catfish", "on": "2022-05-20", "age_years": 1.0, "all": True}]}
    (row,) = a_table(asked(pond, "growth", facts), "channel_catfish.length_at_age").rows
    assert row[0] == 1
    assert row[5] == pytest.approx(136.5)


def test_a_batch_mark_tells_a_stocking(pond: Pond) -> None:
    survey = pond.survey("2026-06-01")
    for step in range(6):
        pond.fish(survey, length_mm=200.0 + step, marks=["right pelvic clip"])
        pond.fish(survey, length_mm=400.0 + step)
    cohort = {"species": "largemouth_bass", "on": "2025-06-01", "age_years": 1.0, "mark": "Right pelvic clip"}
    answer = bass(pond, "growth", "length_at_age.2", {"stocking": [cohort]})
    assert answer.value == pytest.approx(202.5)
    assert answer.n == 6


def test_growth_of_different_length_types_is_not_compared(pond: Pond) -> None:
    first, second = pond.survey("2025-05-01"), pond.survey("2026-05-01")
    for number in range(12):
        pond.fish(first, tag(number), length_mm=300.0, length_type="FL" if number < 4 else "TL")
        pond.fish(second, tag(number), length_mm=330.0, tag_status="recapture")
    assert bass(pond, "growth", "mm_per_year").n == 8


def test_a_season_of_growth_is_found_where_there_are_fish_enough(pond: Pond) -> None:
    # growth only in the summer half of the year: (1 + sin) about the middle of the year, height near 1
    days = ("2024-01-15", "2024-04-15", "2024-07-15", "2024-10-15", "2025-01-15", "2025-07-15", "2025-10-15")
    surveys = [pond.survey(day) for day in days]
    rng = np.random.default_rng(4)

    def grown(start: float, t1: float, t2: float) -> float:
        def phase(t: float) -> float:
            return 0.95 * math.sin(2 * np.pi * (t - 0.55)) / (2 * np.pi)

        return float(start + (500 - start) * (1 - np.exp(-0.4 * (t2 - t1 + phase(t2) - phase(t1)))))

    years = [2024 + x for x in (0.04, 0.29, 0.54, 0.79)] + [2025 + x for x in (0.04, 0.54, 0.79)]
    for number in range(360):
        one, other = sorted(rng.choice(len(days), 2, replace=False))
        start = float(rng.uniform(150, 420))
        pond.fish(surveys[one], tag(number), length_mm=start)
        end = grown(start, years[one], years[other]) + float(rng.normal(0, 2))
        pond.fish(surveys[other], tag(number), length_mm=end, tag_status="recapture")
    made = asked(pond, "growth")
    season = made.answer("largemouth_bass.francis.season")
    assert season.value == pytest.approx(0.95, abs=0.15)
    assert "months into the year" in season.sentence
    assert made.answer("largemouth_bass.francis.k").value == pytest.approx(0.4, rel=0.1)


def test_inches_and_pounds_are_converted_in_values_tables_plots_and_sentences(pond: Pond) -> None:
    first, second = pond.survey("2025-05-01"), pond.survey("2026-05-01")
    for number in range(12):
        pond.fish(first, tag(number), length_mm=254.0 + 5 * number, weight_g=250.0)
        pond.fish(
            second, tag(number), length_mm=304.8 + 5 * number, weight_g=450.0 + number, tag_status="recapture"
        )
    metric, inch = (asked(pond, "growth", units=units) for units in ("metric", "inch_pound"))
    one, other = (made.answer("largemouth_bass.mm_per_year") for made in (metric, inch))
    assert one.value is not None
    assert one.interval is not None
    assert other.interval is not None
    assert (one.unit, other.unit) == ("mm per year", "in per year")
    assert other.value == pytest.approx(one.value / 25.4)
    assert other.interval.low == pytest.approx(one.interval.low / 25.4)
    assert "growth in length 2.00 in per year" in other.sentence
    row, same = (a_table(made, "largemouth_bass.growth").rows[0] for made in (metric, inch))
    assert same[2:4] == pytest.approx((float(row[2] or 0) / 25.4, float(row[3] or 0) / 25.4))
    drawn, redrawn = (made.plots[0] for made in (metric, inch))
    assert redrawn.x_unit == "in"
    assert redrawn.series[0].x[0] == pytest.approx(drawn.series[0].x[0] / 25.4)


@pytest.mark.parametrize(("last", "headline"), [("2026-06-10", False), ("2027-05-01", True)])
def test_growth_over_weeks_is_told_but_is_no_headline(pond: Pond, last: str, headline: bool) -> None:
    first, then = pond.survey(SPRING), pond.survey(last)
    for number in range(12):
        pond.fish(first, tag(number), length_mm=250.0 + number)
        pond.fish(then, tag(number), length_mm=262.0 + 1.2 * number, tag_status="recapture")
    answer = bass(pond, "growth", "mm_per_year")
    assert answer.value is not None
    assert answer.headline is headline
