"""Invented waters: what is known about them agrees with what stands in the records."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from sqlite3 import Connection
from statistics import mean
from typing import Any
from uuid import UUID

import pytest

from fishery.single import MM_PER_INCH
from ingest.store import Store
from simulators.waters import (
    HERON_LAKE,
    MILL_POND,
    REED_WEIHER,
    Flaws,
    Plan,
    Population,
    Truth,
    plan_of_size,
    write_water,
)

PLAIN = Plan(
    "Still Pond",
    (
        Population("largemouth_bass", 400, recruits=150, tag_loss=0.1, second_mark=1.0),
        Population("common_carp", 120, capture=0.4, tag_from_mm=None, fate="removed"),
    ),
    years=3,
    passes=2,
    empty_areas=1,
)

SHORT_MILL_POND = replace(MILL_POND, years=2)


@contextmanager
def written(plan: Plan, folder: Path, seed: int = 1) -> Iterator[tuple[Truth, Connection]]:
    with Store.open(folder / "water.sqlite") as store:
        yield write_water(store, plan, seed), store.connection


def number(connection: Connection, query: str, *parameters: Any) -> Any:
    return connection.execute(query, parameters).fetchone()[0]


@pytest.mark.parametrize("plan", [SHORT_MILL_POND, HERON_LAKE, REED_WEIHER, replace(PLAIN, provenance=True)])
def test_the_views_count_what_the_truth_says(plan: Plan, tmp_path: Path) -> None:
    with written(plan, tmp_path) as (truth, connection):
        assert number(connection, "SELECT count(*) FROM fish_all") == truth.fish
        assert number(connection, "SELECT count(*) FROM worked_fish") == truth.fish - truth.void
        counted = connection.execute("SELECT species, sum(n) FROM batch_list GROUP BY species").fetchall()
        assert dict(counted) == dict(truth.in_batches)
        for occasion in truth.occasions:
            caught = dict(
                connection.execute(
                    "SELECT species, sum(n_measured + n_counted + n_in_batches) FROM catch WHERE survey_id = ? GROUP BY 1",
                    (occasion.survey_id,),
                ).fetchall()
            )
            for slug, seen in occasion.stocks.items():
                twice = number(
                    connection,
                    "SELECT count(*) FROM worked_fish WHERE survey_id = ? AND species = ? AND tag_status = 'repeat'",
                    occasion.survey_id,
                    slug,
                )
                assert caught.get(slug, 0) == seen.caught + twice == sum(seen.by_pass.values()) + twice
                assert number(
                    connection,
                    "SELECT count(*) FROM worked_fish WHERE survey_id = ? AND species = ? AND tag_status = 'new'",
                    occasion.survey_id,
                    slug,
                ) == (seen.newly_tagged)
                assert seen.caught <= seen.alive


@pytest.mark.parametrize("plan", [SHORT_MILL_POND, replace(PLAIN, provenance=True)])
def test_the_records_are_sound(plan: Plan, tmp_path: Path) -> None:
    with written(plan, tmp_path) as (_, connection):
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
        assert number(connection, "PRAGMA integrity_check") == "ok"
        ids = connection.execute(
            "SELECT fish_id FROM fish UNION ALL SELECT individual_id FROM fish WHERE tag IS NOT NULL "
            "UNION ALL SELECT survey_id FROM survey UNION ALL SELECT batch_id FROM batch"
        ).fetchall()
        assert {UUID(one).version for (one,) in ids} == {5}
        assert number(connection, "SELECT count(*) FROM fish WHERE closed = 0") == 0
        assert number(connection, "SELECT count(*) FROM survey WHERE closed_at IS NULL") == 0
        for view in ("tag_history", "run_list", "finding_list", "observation_list"):
            assert number(connection, f"SELECT count(*) FROM {view}") > 0


def test_the_same_seed_gives_the_same_records(tmp_path: Path) -> None:
    def dump(name: str, seed: int) -> list[str]:
        folder = tmp_path / name
        folder.mkdir()
        with written(replace(REED_WEIHER, provenance=True), folder, seed) as (_, connection):
            # The schema's own bookkeeping says when it was made.
            return [line for line in connection.iterdump() if "migrations" not in line]

    assert dump("one", 1) == dump("two", 1)
    assert dump("three", 2) != dump("one-more", 1)


def test_two_waters_share_a_database_and_no_tag(tmp_path: Path) -> None:
    with Store.open(tmp_path / "waters.sqlite") as store:
        write_water(store, PLAIN)
        write_water(store, REED_WEIHER)
        shared = store.connection.execute(
            "SELECT tag FROM worked_fish WHERE tag IS NOT NULL GROUP BY tag HAVING count(DISTINCT water) > 1"
        ).fetchall()
        waters = store.connection.execute("SELECT water FROM water ORDER BY 1").fetchall()
    assert shared == []
    assert waters == [("Still Pond",), ("Öster Schilfweiher (Łąka)",)]


def test_a_crew_without_flaws_recaptures_what_is_known_and_finds_the_true_condition(tmp_path: Path) -> None:
    with written(replace(PLAIN, years=5), tmp_path) as (truth, connection):
        for occasion in truth.occasions:
            bass = occasion.stocks["largemouth_bass"]
            read = "SELECT count(*) FROM worked_fish WHERE survey_id = ? AND tag_status = 'recapture'"
            assert number(connection, read, occasion.survey_id) == bass.recaptured <= bass.tagged
            gone = "SELECT count(*) FROM worked_fish WHERE survey_id = ? AND fate = 'removed'"
            assert number(connection, gone, occasion.survey_id) == occasion.stocks["common_carp"].removed
        lost = sum(truth.tags_lost.values())
        marked_again = number(
            connection,
            "SELECT count(*) FROM worked_fish AS w JOIN observation_list AS o ON o.fish_id = w.fish_id "
            "WHERE w.tag_status = 'new' AND o.code = 'LP' AND w.survey_id <> ?",
            truth.occasions[0].survey_id,
        )
        wr = [
            row[0]
            for row in connection.execute(
                "SELECT relative_weight FROM worked_fish WHERE species = 'largemouth_bass' AND relative_weight IS NOT NULL"
            )
        ]
        assert lost > 0
        assert marked_again > 0  # every new tag brings its mark along, a lost one's mark was there before
        assert len(wr) > 500
        # The standard error of the mean is about 11.5 / sqrt(n), 0.4: four of them.
        assert mean(wr) == pytest.approx(truth.mean_wr["largemouth_bass"], abs=1.7)
        assert number(connection, "SELECT count(*) FROM finding WHERE severity = 'serious'") == 0


def test_fish_grow_as_planned(tmp_path: Path) -> None:
    plan = replace(
        PLAIN,
        years=2,
        populations=(replace(PLAIN.populations[0], k_per_year=0.3, linf_mm=500.0, linf_sd_mm=0),),
    )
    with written(plan, tmp_path) as (_, connection):
        steps = connection.execute(
            "SELECT length_mm - mm_since, mm_since, days_since FROM tag_history WHERE mm_since IS NOT NULL"
        ).fetchall()
    # Fabens (1965): the increment is (Linf - L1)(1 - exp(-K dt)).
    errors = [
        grown - (500 - before) * (1 - 2.718281828459045 ** (-0.3 * days / 365.25))
        for before, grown, days in steps
    ]
    assert len(errors) > 50
    assert mean(errors) == pytest.approx(0, abs=1.0)


def test_flaws_leave_the_marks_that_the_station_leaves(tmp_path: Path) -> None:
    flaws = Flaws(0.1, 0.1, 0.2, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1)
    with written(replace(PLAIN, flaws=flaws, provenance=True), tmp_path) as (truth, connection):
        names = {name for (name,) in connection.execute("SELECT DISTINCT name FROM finding")}
        statuses = {one for (one,) in connection.execute("SELECT DISTINCT status FROM fish_all")}
        fields = {one for (one,) in connection.execute("SELECT DISTINCT field FROM amendment")}
        assert {
            "tag_not_read",
            "weight_slip",
            "weight_mended",
            "relative_weight_far_off",
            "already_done",
        } <= names
        assert statuses == {"saved", "confirmed", "queried", "incomplete", "void"}
        assert fields >= {"void", "length_mm", "weight_g", "relative_weight", "status"}
        assert truth.void > 0
        # An amended length left no relative weight of the length before.
        stale = connection.execute(
            "SELECT count(*) FROM amendment AS a WHERE a.field = 'length_mm' AND NOT EXISTS (SELECT 1 FROM amendment AS b "
            "WHERE b.fish_id = a.fish_id AND b.field = 'relative_weight' AND b.n = a.n) "
            "AND (SELECT relative_weight FROM fish_all AS f WHERE f.fish_id = a.fish_id) IS NOT NULL"
        ).fetchone()
        assert stale == (0,)


def test_every_value_traces_to_the_bytes_of_a_frame(tmp_path: Path) -> None:
    with written(replace(HERON_LAKE, provenance=True), tmp_path) as (truth, connection):
        rows = connection.execute(
            "SELECT f.length_mm, f.weight_g, f.tag, r.kind, r.value, r.text, r.raw, m.data FROM fish AS f "
            "JOIN reading AS r ON r.fish_id = f.fish_id AND r.role = 'used' "
            "LEFT JOIN frame AS m ON m.journal_id = r.journal_id AND m.n = r.n"
        ).fetchall()
        assert len(truth.animal_of) == truth.fish - truth.void
    assert len(rows) > 2000
    for length_mm, weight_g, tag, kind, value, text, raw, data in rows:
        assert raw == data
        if kind == "tag":
            assert (text, raw) == (tag, f"{tag}\r\n".encode())
        elif kind == "length":
            assert value == length_mm
            assert float(raw.split()[0]) == pytest.approx(length_mm / MM_PER_INCH, abs=1e-9)
        else:
            assert value == weight_g
            assert float(raw.split(b"+")[1].split()[0]) * 453.59237 == pytest.approx(weight_g, abs=1e-6)


def test_a_lake_in_inches_holds_tenths_of_an_inch(tmp_path: Path) -> None:
    with written(HERON_LAKE, tmp_path) as (_, connection):
        lengths = connection.execute(
            "SELECT DISTINCT length_mm FROM fish WHERE length_unit = 'in'"
        ).fetchall()
        assert number(connection, "SELECT count(*) FROM fish WHERE length_unit = 'mm'") == 0
        stocked = connection.execute("SELECT n, mean_length_mm FROM stocking").fetchall()
    tenths = [mm / 2.54 for (mm,) in lengths]
    assert len(tenths) > 50
    assert all(abs(one - round(one)) < 1e-6 for one in tenths)
    assert stocked == [(80, 203.2)] * 4


def test_a_plan_of_a_size_gives_about_so_many_fish(tmp_path: Path) -> None:
    with written(plan_of_size(3000, 5), tmp_path) as (truth, connection):
        assert truth.fish == pytest.approx(3000, rel=0.1)
        years = number(connection, "SELECT count(DISTINCT substr(worked_up_at, 1, 4)) FROM worked_fish")
    assert years == 5


def test_an_unknown_species_is_named(tmp_path: Path) -> None:
    plan = replace(PLAIN, populations=(Population("snark", 10),))
    with Store.open(tmp_path / "x.sqlite") as store, pytest.raises(ValueError, match="'snark'"):
        write_water(store, plan)


def test_as_many_live_on_as_planned_and_tags_are_lost_as_planned(tmp_path: Path) -> None:
    stock = replace(PLAIN.populations[0], animals=3000, recruits=0, survival=0.6, tag_loss=0.1)
    with written(replace(PLAIN, populations=(stock,), years=2), tmp_path) as (truth, _):
        first, second = (one.stocks[stock.species] for one in truth.occasions)
    assert first.alive == 3000
    # Four standard errors of a share among 3,000, and of the tags among those that live.
    assert second.alive / 3000 == pytest.approx(0.6, abs=4 * (0.6 * 0.4 / 3000) ** 0.5)
    tagged = first.newly_tagged * 0.6
    assert truth.tags_lost[stock.species] / tagged == pytest.approx(0.1, abs=4 * (0.1 * 0.9 / tagged) ** 0.5)
    assert second.tagged == pytest.approx(tagged * 0.9, rel=0.1)
