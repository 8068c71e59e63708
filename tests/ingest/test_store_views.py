"""What people read: amended values everywhere, void fish nowhere, every column explained."""

import math
from collections.abc import Iterator
from pathlib import Path

import pytest

from ingest.catch_records import SaveBatch, SaveRelation
from ingest.records import AddFinding, Observation, SaveFish, Status
from ingest.store import PriorRow, Store, load_prior_captures
from tests.ingest.builders import (
    JOURNAL,
    OTHER_TAG,
    TAG,
    amend,
    amend_batch,
    batch,
    count,
    finding,
    fish,
    ready,
    run,
    survey,
)

# From the middle fish of a length to the mean one, with a scatter of 0.05 (Sprugel 1983, Ecology 64:209).
MEAN = math.exp((math.log(10) * 0.05) ** 2 / 2)

WORKED_FISH = (
    "fish_id, station, bench, water, survey_id, run_no, worked_up_at, species, tag, tag_status, length_mm, "
    "length_type, weight_g, weight_quality, fate, status, relative_weight, individual_id, amended, note, "
    "withdrawal_until"
)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with ready(tmp_path / "bank.sqlite") as opened:
        yield opened


def rows(store: Store, query: str) -> list[tuple[object, ...]]:
    return store.connection.execute(query).fetchall()


def columns(store: Store, view: str) -> list[str]:
    return [row[0] for row in store.connection.execute(f'SELECT * FROM "{view}"').description]


def test_every_column_of_every_view_is_explained_and_nothing_else_is(store: Store) -> None:
    views = [str(name) for (name,) in rows(store, "SELECT name FROM sqlite_schema WHERE type = 'view'")]
    assert set(views) == {
        "worked_fish", "fish_all", "catch", "tag_history", "finding_list", "observation_list", "batch_list",
        "run_list",
    }  # fmt: skip
    there = {(view, column) for view in views for column in columns(store, view)}
    assert {tuple(row) for row in rows(store, 'SELECT view, "column" FROM column_doc')} == there
    assert all(row[0] for row in rows(store, "SELECT meaning FROM column_doc"))
    for column, unit in rows(store, 'SELECT "column", unit FROM column_doc'):
        suffix = {"mm": "mm", "g": "g"}.get(str(column).rpartition("_")[2])
        assert suffix is None or unit == suffix


def test_worked_fish_has_exactly_the_published_columns(store: Store) -> None:
    assert ", ".join(columns(store, "worked_fish")) == WORKED_FISH
    assert ", ".join(columns(store, "fish_all")) == f"{WORKED_FISH}, void, closed, rule"


def test_a_saved_fish_is_shown_as_it_was_saved(store: Store) -> None:
    store.commit([SaveFish(fish(note="torn fin"))])
    at = "2026-05-12T13:00:01.000Z"
    shown: tuple[object, ...] = (
        fish().fish_id,
        "bank",
        "left",
        "Mill Pond",
        "survey-1",
        1,
        at,
        "LMB",
        TAG,
        "new",
    )
    shown += (
        412.0,
        "total",
        1020.5,
        "measured",
        "released",
        "saved",
        98.5,
        fish().individual_id,
        0,
        "torn fin",
        None,
    )
    assert rows(store, "SELECT * FROM worked_fish") == [shown]
    assert rows(store, "SELECT * FROM fish_all") == [(*shown, 0, 1, "all_parts_in")]


@pytest.mark.parametrize(
    ("field", "new", "shown"),
    [
        ("bench", "right", "right"),
        ("run_no", "2", 2),
        ("run_no", None, None),
        ("worked_up_at", "2026-05-12T14:00:00.000Z", "2026-05-12T14:00:00.000Z"),
        ("species", "BLG", "BLG"),
        ("species", None, None),
        ("tag", OTHER_TAG, OTHER_TAG),
        ("tag", None, None),
        ("tag_status", "recapture", "recapture"),
        ("length_mm", "398.5", 398.5),
        ("length_mm", "4e2", 400.0),
        ("length_mm", None, None),
        ("length_type", "fork", "fork"),
        ("weight_g", "+102.05", 102.05),
        ("weight_quality", "too_coarse", "too_coarse"),
        ("fate", "died", "died"),
        ("status", "confirmed", "confirmed"),
        ("relative_weight", "101.25", 101.25),
        ("individual_id", "somebody", "somebody"),
        ("note", "12E4567890", "12E4567890"),
    ],
)
def test_an_amended_value_is_shown_in_place_of_the_old_one(
    store: Store, field: str, new: str | None, shown: object
) -> None:
    store.commit([run(2), SaveFish(fish()), SaveFish(fish(2, tag=None))])
    store.commit([amend(fish(), field, new)])
    for view in ("worked_fish", "fish_all"):
        assert rows(
            store, f"SELECT {field}, amended FROM {view} WHERE tag_status <> 'x' ORDER BY fish_id"
        ) in (
            [(shown, 1), (getattr(fish(2, tag=None), field), 0)],
            [(getattr(fish(2, tag=None), field), 0), (shown, 1)],
        )
    assert store.lookup.saved(fish().fish_id) == fish()


def test_the_last_of_several_amendments_counts(store: Store) -> None:
    store.commit([SaveFish(fish())])
    store.commit([amend(fish(), "species", "BLG", n=9000), amend(fish(), "species", None, n=9001)])
    store.commit([amend(fish(), "species", "SMB", n=8000)])
    assert rows(store, "SELECT species FROM worked_fish") == [("SMB",)]


def test_a_fish_amended_to_another_survey_belongs_to_its_water(store: Store) -> None:
    store.commit([survey(survey_id="survey-2", water="Long Lake"), SaveFish(fish())])
    store.commit([amend(fish(), "run_no", None, n=9000), amend(fish(), "survey_id", "survey-2", n=9001)])
    assert rows(store, "SELECT survey_id, water, run_no FROM worked_fish") == [
        ("survey-2", "Long Lake", None)
    ]
    assert store.lookup.captures(TAG)[0].water == "Long Lake"
    assert store.lookup.in_survey("survey-1", TAG) is None


@pytest.mark.parametrize("field", ["length_mm", "weight_g", "species", "length_type"])
def test_no_stale_relative_weight_is_shown(store: Store, field: str) -> None:
    new = "400" if field.endswith(("mm", "g")) else "other"
    store.commit([SaveFish(fish())])
    store.commit([amend(fish(), field, new, n=9000)])
    assert rows(store, "SELECT relative_weight FROM worked_fish") == [(None,)]
    store.commit([amend(fish(), "relative_weight", "91.5", n=9001)])
    assert rows(store, "SELECT relative_weight FROM worked_fish") == [(91.5,)]
    store.commit([amend(fish(), field, None if field != "length_type" else "fork", n=9002)])
    assert rows(store, "SELECT relative_weight FROM worked_fish") == [(None,)]
    # one correction of both, in whatever order
    store.commit([amend(fish(), "relative_weight", "88", n=9003), amend(fish(), field, new, n=9003, index=1)])
    assert rows(store, "SELECT relative_weight FROM worked_fish") == [(88.0,)]


def test_an_individual_does_not_outlive_the_amendment_of_its_tag(store: Store) -> None:
    store.commit([SaveFish(fish())])
    store.commit([amend(fish(), "tag", OTHER_TAG, n=9000)])
    assert rows(store, "SELECT individual_id FROM worked_fish") == [(None,)]
    store.commit(
        [
            amend(fish(), "individual_id", "somebody", n=9001),
            amend(fish(), "tag", "3E50000000", n=9001, index=1),
        ]
    )
    assert rows(store, "SELECT tag, individual_id FROM worked_fish") == [("3E50000000", "somebody")]


def test_void_fish_are_shown_in_fish_all_only_and_can_come_back(store: Store) -> None:
    at_the_bench = fish(2, tag=OTHER_TAG, status=Status.VOID)
    store.commit([SaveFish(fish(findings=(finding(),))), SaveFish(at_the_bench)])
    store.commit([AddFinding(fish().fish_id, finding(name="swap"), JOURNAL, 9)])
    store.commit([amend(fish(), "void", "1")])
    for view in ("worked_fish", "tag_history", "finding_list", "catch WHERE species IS NOT NULL"):
        assert rows(store, f"SELECT * FROM {view}") == []
    assert rows(store, "SELECT DISTINCT void, status FROM fish_all") == [(1, "void")]
    store.commit([amend(fish(), "void", "0", n=9001), amend(at_the_bench, "void", "0", n=9001, index=1)])
    assert sorted(rows(store, "SELECT status FROM worked_fish")) == [("queried",), ("saved",)]
    assert rows(store, "SELECT count(*) FROM finding_list") == [(2,)]


def test_catch_counts_measured_weighed_counted_and_batches_by_length_class(store: Store) -> None:
    store.commit([run(2), run(3)])
    lengths = [(199.9, 100.0), (200.0, 110.0), (209.9, None), (4.7 * 25.4 * 10 / 11.938, None), (None, 50.0)]
    store.commit(
        [
            SaveFish(
                fish(i, tag=None, length_mm=mm, weight_g=g, weight_quality="measured" if g else "not_weighed")
            )
            for i, (mm, g) in enumerate(lengths)
        ]
    )
    records = batch(1, readings=()), count(2, 7), count(3, 9, run_no=2, species="BLG"), count(4, 5), batch(5)
    store.commit([SaveBatch(record) for record in records])
    store.commit([amend_batch(record, "void", "1", n=9500 + at) for at, record in enumerate(records[3:])])
    head = "SELECT run_no, species, length_class_mm, n_measured, n_weighed, n_counted, n_in_batches, weight_measured_g"
    expected = [
        (1, "LMB", None, 0, 1, 8, 40, 850.0),
        (1, "LMB", 100, 1, 0, 0, 0, 0.0),
        (1, "LMB", 190, 1, 1, 0, 0, 100.0),
        (1, "LMB", 200, 2, 1, 0, 0, 110.0),
        (2, "BLG", None, 0, 0, 9, 0, 0.0),
        (3, None, None, 0, 0, 0, 0, 0.0),
    ]
    assert rows(store, f"{head} FROM catch ORDER BY 1, 2, 3") == expected
    estimate = (
        "SELECT weight_estimated_g FROM catch WHERE length_class_mm IN (190, 200) ORDER BY length_class_mm"
    )
    assert rows(store, estimate) == [(0.0,), (None,)]
    store.commit([SaveRelation("survey-1", "LMB", -5.0, 3.0, 0.0, 0.05, 40)])
    (nothing,), (estimated,) = rows(store, estimate)
    assert nothing == 0.0
    assert isinstance(estimated, float)
    assert math.isclose(estimated, 1e-5 * 209.9**3 * MEAN)
    store.commit([SaveRelation("survey-1", "LMB", -4.0, 2.0, 0.2, 0.05, 40)])
    _, (estimated,) = rows(store, estimate)
    assert isinstance(estimated, float)
    x = math.log10(209.9)
    assert math.isclose(estimated, 10 ** (-4 + 2 * x + 0.2 * x * x) * MEAN)


def catch(store: Store, columns: str) -> list[tuple[object, ...]]:
    return rows(store, f"SELECT {columns} FROM catch ORDER BY species, length_class_mm")


def test_the_subsample_of_a_batch_is_among_its_fish_and_not_counted_again(store: Store) -> None:
    store.commit([SaveBatch(batch())])
    shown = catch(store, "length_class_mm, n_measured, n_in_batches, n_subsampled, weight_measured_g")
    assert shown == [(None, 0, 40, 0, 800.0), (100, 0, 0, 2, 0.0), (120, 0, 0, 1, 0.0)]


def test_a_batch_without_a_weight_is_estimated_from_its_subsample(store: Store) -> None:
    store.commit([SaveBatch(batch(total_weight_g=None)), SaveBatch(count(2, 9))])
    assert catch(store, "weight_measured_g, weight_estimated_g")[0] == (0.0, None)
    store.commit([SaveRelation("survey-1", "LMB", -5.0, 3.0, 0.0, 0.05, 40)])
    (estimated,) = catch(store, "weight_estimated_g")[0]
    assert isinstance(estimated, float)
    assert math.isclose(estimated, 40 * 1e-5 * (101.0**3 + 109.0**3 + 120.0**3) / 3 * MEAN)


def test_the_newest_amendment_of_a_batch_counts(store: Store) -> None:
    store.commit([SaveBatch(batch(species=None, note="muddy"))])
    fields = [
        ("species", "BLG"),
        ("species", "LMB"),
        ("fate", "died"),
        ("note", "clear"),
        ("void", "1"),
        ("void", "0"),
    ]
    for at, (name, new) in enumerate(fields):
        store.commit([amend_batch(batch(), name, new, n=9500 + at)])
    query = "SELECT species, fate, note, n, n_subsampled, amended, water FROM batch_list"
    assert rows(store, query) == [("LMB", "died", "clear", 40, 3, 1, "Mill Pond")]
    store.commit([amend_batch(batch(), "void", "1", n=9600)])
    assert rows(store, query) == []
    assert rows(store, "SELECT run_no, n_caught FROM run_list") == [(1, 0)]


def test_an_amended_length_moves_a_fish_to_another_class(store: Store) -> None:
    store.commit([SaveFish(fish())])
    store.commit([amend(fish(), "length_mm", "388"), amend(fish(), "run_no", None, n=9001)])
    assert rows(store, "SELECT run_no, species, length_class_mm FROM catch ORDER BY run_no") == [
        (None, "LMB", 380),
        (1, None, None),
    ]


def test_tag_history_steps_from_capture_to_capture_over_a_retagging(store: Store) -> None:
    store.commit([survey(survey_id="s2", opened_at="2026-05-22T00:00:00Z")])
    first = fish(1)
    retagged = fish(
        2, survey_id="s2", run_no=None, worked_up_at="2026-05-22T13:00:01Z", tag=OTHER_TAG, length_mm=420.0,
        tags=((OTHER_TAG, "primary"), (TAG, "second")), individual_id=first.individual_id, weight_g=None,
    )  # fmt: skip
    store.commit([SaveFish(first), SaveFish(retagged), SaveFish(fish(3, closed=False, status=Status.PARKED))])
    prior = [
        PriorRow(TAG, "2025-05-12", "Mill Pond", "LMB", 360.0, 600.0, "released"),
        PriorRow(TAG, "2026-05-12", "Mill Pond", "LMB", 1.0, 1.0, "released", fish_id=first.fish_id),
    ]
    load_prior_captures(store, prior, source="pack")
    query = (
        "SELECT tag, at, round(days_since, 3), mm_since, g_since, fish_id FROM tag_history ORDER BY at, tag"
    )
    assert rows(store, query) == [
        (TAG, "2025-05-12", None, None, None, None),
        (TAG, "2026-05-12T13:00:01.000Z", 365.542, 52.0, 420.5, first.fish_id),
        (OTHER_TAG, "2026-05-22T13:00:01Z", 10.0, 8.0, None, retagged.fish_id),
        (TAG, "2026-05-22T13:00:01Z", 10.0, 8.0, None, retagged.fish_id),
    ]
    store.commit([amend(first, "length_mm", "410"), amend(retagged, "tag", "3E50000000", n=9001)])
    assert rows(store, query)[1][3] == 50.0
    # Its individual went with its tag, and nothing else is known of the new one: no step is claimed.
    assert ("3E50000000", "2026-05-22T13:00:01Z", None, None, None, retagged.fish_id) in rows(store, query)


def test_a_capture_without_individual_is_joined_by_its_tag(store: Store) -> None:
    lost = fish(2, tag=OTHER_TAG, worked_up_at="2026-05-13T13:00:01.000Z")
    store.commit([SaveFish(fish(1)), SaveFish(lost)])
    store.commit([amend(lost, "tag", TAG)])
    assert rows(store, "SELECT tag, days_since FROM tag_history ORDER BY at") == [(TAG, None), (TAG, 1.0)]


def test_finding_list_shows_first_and_later_findings(store: Store) -> None:
    store.commit([SaveFish(fish(findings=(finding(settled=True),)))])
    store.commit([AddFinding(fish().fish_id, finding(name="swap", numbers={}), JOURNAL, 9)])
    store.commit([amend(fish(), "tag", OTHER_TAG)])
    assert rows(
        store, "SELECT name, tag, severity, settled, later, suspects FROM finding_list ORDER BY name"
    ) == [
        ("swap", OTHER_TAG, "serious", 0, 1, '["weight", "length"]'),
        ("weight_slip", OTHER_TAG, "serious", 1, 0, '["weight", "length"]'),
    ]
    assert rows(store, "SELECT json_extract(numbers, '$.factor') FROM finding_list WHERE later = 0") == [
        (10,)
    ]


def test_an_amended_observation_stands_for_all_of_its_kind(store: Store) -> None:
    seen = (Observation("sex", "female"), Observation("mark", "left"), Observation("mark", "right"))
    store.commit(
        [
            SaveFish(fish(observations=seen)),
            SaveFish(fish(2, tag=None, observations=(Observation("sex", "male"),))),
        ]
    )
    store.commit(
        [
            amend(fish(), "mark", "none", n=9000),
            amend(fish(), "mark", "top", n=9001),
            amend(fish(), "sample", "A17", n=9002),
            amend(fish(2, tag=None), "sex", None, n=9003),
        ]
    )
    assert rows(store, "SELECT fish_id, kind, text, amended FROM observation_list ORDER BY kind") == [
        (fish().fish_id, "mark", "top", 1),
        (fish().fish_id, "sample", "A17", 1),
        (fish().fish_id, "sex", "female", 0),
    ]
    store.commit([amend(fish(), "void", "1", n=9004)])
    assert rows(store, "SELECT * FROM observation_list") == []


@pytest.mark.parametrize("column", ["fish_id", "tag", "individual_id", "survey_id", "water"])
def test_a_fish_is_found_by_index_and_never_by_reading_them_all(store: Store, column: str) -> None:
    for view in ("worked_fish", "fish_all"):
        plan = [
            str(row[3])
            for row in rows(store, f"EXPLAIN QUERY PLAN SELECT * FROM {view} WHERE {column} = 'x'")
        ]
        assert not [
            step
            for step in plan
            if step.startswith(("SCAN f", "SCAN a", "SCAN s")) and step != "SCAN fish_all"
        ]
