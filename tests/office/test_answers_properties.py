"""Whatever small database: every chapter answers or refuses in a sentence, and never fails."""

import json
import tempfile
from datetime import date, timedelta
from math import isfinite
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ingest.shipped import shipped_config
from ingest.species import load_species
from ingest.store import Store
from office.answers.compose import all_chapters, fish_chapter
from office.answers.model import Answer, Chapter
from office.answers.reading import read_records
from office.answers.waters import WatersFile
from tests.office.ponds import Pond, tag

BOOK = load_species(shipped_config() / "species")
WATERS = WatersFile.model_validate(
    {
        "water": {
            "Mill Pond": {
                "area_ha": 2.5,
                "conductivity_us_per_cm": 300.0,
                "second_marks": {"2024": "LV", "2025": "RV"},
                "wanted_left": {"common_carp": 3.0},
                "stocking": [
                    {"species": "bluegill", "on": "2024-01-01", "all": True},
                    {"species": "largemouth_bass", "on": "2024-01-01", "mark": "clip"},
                ],
            }
        }
    }
)

FISH = st.fixed_dictionaries(
    {
        "species": st.sampled_from(
            ["largemouth_bass", "bluegill", "common_carp", "walleye", "an_unknown_kind", None]
        ),
        "tag": st.none() | st.integers(0, 12).map(tag),
        "tag_status": st.sampled_from(["new", "recapture", "repeat", "unknown", "none_found", "not_scanned"]),
        "length_mm": st.none() | st.sampled_from([0.0, 1.0, 254.0, 300.0]) | st.floats(20, 900),
        "length_type": st.sampled_from(["TL", "FL", "SL", None]),
        "length_unit": st.sampled_from(["mm", "in", None]),
        "weight_g": st.none() | st.sampled_from([-3.0, 0.0, 500.0]) | st.floats(0.1, 9000),
        "fate": st.sampled_from(["released", "released", "removed", "kept", "died", "escaped"]),
        "status": st.sampled_from(["saved", "confirmed", "queried", "incomplete", "held", "parked"]),
        "run": st.integers(0, 3),
        "marks": st.lists(st.sampled_from(["LV", "RV", "clip"]), max_size=2, unique=True),
        "division": st.none() | st.sampled_from([0.0, 0.5, 20.0]),
        "finding": st.none()
        | st.tuples(
            st.just("weight_slip"),
            st.just("serious"),
            st.sampled_from(['["weight"]', '["length", "tag"]', '["species"]']),
        ),
        "second_tag": st.none() | st.integers(20, 24).map(tag),
    }
)
SURVEY = st.fixed_dictionaries(
    {
        "days_on": st.sampled_from([0, 1, 14, 200, 366]),
        "runs": st.lists(
            st.tuples(
                st.none() | st.floats(1, 4000),
                st.none() | st.integers(1, 3),
                st.sampled_from([None, "bay", "dam"]),
                st.sampled_from([None, "DC 60 Hz", "PDC 30 Hz 20 % 150 uS/cm 200 W"]),
            ),
            max_size=3,
        ),
        "fish": st.lists(FISH, max_size=12),
        "again": st.integers(1, 6),
        "batch": st.none() | st.tuples(st.integers(1, 30), st.none() | st.floats(1, 5000)),
    }
)


def write(pond: Pond, surveys: list[dict[str, Any]]) -> None:
    day = date(2024, 5, 1)
    for place, one in enumerate(surveys):
        day += timedelta(days=one["days_on"])
        survey = pond.survey(day.isoformat(), survey_id=f"survey-{place}")
        for run_no, (seconds, pass_no, area, settings_text) in enumerate(one["runs"], 1):
            pond.run(survey, run_no, seconds, pass_no=pass_no, area=area, settings=settings_text)
        # some fish several times over, so that fits have something to fit
        for row in one["fish"] * one["again"]:
            in_run = row["run"] if 1 <= row["run"] <= len(one["runs"]) else None
            more = {key: row[key] for key in row if key not in ("run", "second_tag")}
            second = row["second_tag"] if row["tag"] else None
            closed = int(row["status"] not in ("held", "parked"))
            pond.fish(survey, run_no=in_run, second_tag=second, closed=closed, **more)
        if one["batch"]:
            pond.species = "common_carp"
            n, weight = one["batch"]
            pond.count(survey, n, run_no=1 if one["runs"] else None, fate="removed", weight_g=weight)
    pond.save()


def check(answer: Answer, known: set[str]) -> None:
    assert answer.sentence.endswith((".", "?")), answer.sentence
    assert answer.title
    assert "nan" not in answer.sentence.lower().split(), answer.sentence
    if answer.refused is None:
        assert answer.formula, answer.key
        assert answer.source, answer.key
        assert answer.value is None or isfinite(answer.value), answer
    else:
        assert answer.wanted, answer.key
        assert answer.value is None
    if answer.interval is not None and answer.value is not None:
        slack = 1e-9 * max(abs(answer.value), 1)
        assert answer.interval.low - slack <= answer.value <= answer.interval.high + slack, answer
    assert set(answer.fish_ids) <= known
    assert len(set(answer.fish_ids)) == len(answer.fish_ids)


def check_chapter(made: Chapter, known: set[str]) -> None:
    json.dumps(made.to_json(), allow_nan=False)
    assert made.answers
    keys = [one.key for one in made.answers]
    assert len(set(keys)) == len(keys), keys
    for answer in made.answers:
        check(answer, known)
    for table in made.tables:
        assert all(len(row) == len(table.columns) for row in table.rows), table.key
    for plot in made.plots:
        assert plot.described
        for series in plot.series:
            assert len(series.x) == len(series.y)
            assert all(isfinite(one) for one in (*series.x, *series.y)), plot.key
            assert len(series.low) in (0, len(series.y))


WATER = (st.lists(SURVEY, max_size=5), st.sampled_from(["metric", "inch_pound"]))
SLOW = [HealthCheck.too_slow, HealthCheck.data_too_large]


@settings(deadline=None, max_examples=80, suppress_health_check=SLOW)
@given(*WATER)
def test_every_small_water_is_answered(surveys: list[dict[str, Any]], units: Any) -> None:
    answer_all(surveys, units)


@pytest.mark.long
@pytest.mark.timeout(1800)
@settings(deadline=None, max_examples=3000, suppress_health_check=SLOW)
@given(*WATER)
def test_every_small_water_is_answered_many_times(surveys: list[dict[str, Any]], units: Any) -> None:
    answer_all(surveys, units)


def answer_all(surveys: list[dict[str, Any]], units: Any) -> None:
    with tempfile.TemporaryDirectory() as folder, Store.open(Path(folder) / "pond.sqlite") as store:
        pond = Pond(store)
        write(pond, surveys)
        records = read_records(store.connection, WATERS)
        known = {fish_id for (fish_id,) in store.connection.execute("SELECT fish_id FROM worked_fish")}
        assert set(records.fish.ids) == known
        for made in all_chapters(records, BOOK, units):
            check_chapter(made, known)
        for tags in records.tags[:2]:
            check_chapter(fish_chapter(records, BOOK, tags[0], units), known)


def test_one_fish_one_species_one_survey(tmp_path: Path) -> None:
    with Store.open(tmp_path / "pond.sqlite") as store:
        pond = Pond(store, water="Öster Schilfweiher (Łąka)")
        survey = pond.survey("2026-05-01")
        fish = pond.fish(survey, tag(1), length_mm=300.0, weight_g=400.0)
        pond.save()
        made = {one.key: one for one in all_chapters(read_records(store.connection), BOOK)}
    for one in made.values():
        check_chapter(one, {fish})
    assert made["condition"].answer("largemouth_bass.wr").refused == "1 fish with a relative weight."
    assert made["structure"].answer("largemouth_bass.psd").value == 100
    assert made["growth"].answers[0].refused
    assert (
        made["catch"].answers[0].refused
        == "0 runs, none with seconds of current-on time. 1 fish of no run is left out."
    )
    assert (
        made["abundance"].answer("largemouth_bass.chapman").refused
        == "Only one survey has tagged fish put back."
    )
    assert made["survival"].answer("largemouth_bass.survival").refused
    assert made["removal"].answers[0].refused == "No fish was removed, 2026-05-01."
