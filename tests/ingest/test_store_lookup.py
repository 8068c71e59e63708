"""What the station asks while a fish is in hand."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from ingest.records import FishRecord, PriorCapture, SaveFish, Status, individual_id
from ingest.store import (
    PriorRow,
    RecordRefused,
    Store,
    load_inventory,
    load_prior_captures,
)
from tests.ingest.builders import OTHER_TAG, TAG, amend, finding, fish, ready, run, survey


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with ready(tmp_path / "bank.sqlite") as opened:
        yield opened


def ids(captures: tuple[PriorCapture, ...]) -> list[str | None]:
    return [capture.fish_id for capture in captures]


def test_captures_are_the_closed_fish_with_this_tag_oldest_first(store: Store) -> None:
    store.commit([SaveFish(fish(number)) for number in (3, 1, 2)])
    store.commit([SaveFish(fish(4, closed=False, status=Status.HELD)), SaveFish(fish(5, status=Status.VOID))])
    found = store.lookup.captures(TAG)
    assert ids(found) == [fish(1).fish_id, fish(2).fish_id, fish(3).fish_id]
    assert found[0] == PriorCapture(
        at="2026-05-12T13:00:01.000Z",
        water="Mill Pond",
        survey_id="survey-1",
        species="LMB",
        length_mm=412.0,
        weight_g=1020.5,
        fate="released",
        individual_id=individual_id(TAG),
        fish_id=fish(1).fish_id,
    )
    assert store.lookup.captures(OTHER_TAG) == ()


def test_captures_before_a_time_compare_instants_whatever_the_precision(store: Store) -> None:
    load_prior_captures(
        store,
        [
            PriorRow(TAG, at, None, None, None, None, "released")
            for at in ("2026-05-12T13:00:00Z", "2026-05-12")
        ],
        source="pack",
    )
    store.commit([SaveFish(fish(1, worked_up_at="2026-05-12T13:00:00.250Z"))])
    for before, count in (
        ("2026-05-12T13:00:00.251Z", 3),
        ("2026-05-12T13:00:00.250Z", 2),
        ("2026-05-12T13:00:00.000Z", 2),
        ("2026-05-12T13:00:00Z", 1),
        ("2026-05-12T00:00:00Z", 1),
        ("2026-05-12", 0),
    ):
        assert len(store.lookup.captures(TAG, before)) == count


def test_captures_go_over_a_retagging_and_a_second_tag(store: Store) -> None:
    first = fish(1)
    both = fish(2, tags=((TAG, "primary"), (OTHER_TAG, "second")))
    late = fish(3, tag="3E50000000", individual_id=first.individual_id)
    aside = fish(4, tag="985000000000001", tags=(("985000000000001", "primary"), (OTHER_TAG, "set_aside")))
    store.commit([SaveFish(record) for record in (first, both, late, aside)])
    load_prior_captures(
        store,
        [PriorRow("9850000", "2024-05-01", None, None, None, None, "kept", first.individual_id)],
        source="p",
    )
    animal = [None, first.fish_id, both.fish_id, late.fish_id]
    for tag in (TAG, OTHER_TAG, "3E50000000", "9850000"):
        assert ids(store.lookup.captures(tag)) == animal
    assert ids(store.lookup.captures("985000000000001")) == [aside.fish_id]
    assert store.lookup.in_survey("survey-1", OTHER_TAG) == both.fish_id


def test_amendments_count_in_every_answer(store: Store) -> None:
    store.commit([SaveFish(fish(1)), SaveFish(fish(2, tag="3E50000000", length_mm=200.0))])
    store.commit([amend(fish(1), "tag", OTHER_TAG, n=9000), amend(fish(1), "length_mm", "400", n=9001)])
    assert store.lookup.captures(TAG) == ()
    assert store.lookup.in_survey("survey-1", TAG) is None
    (found,) = store.lookup.captures(OTHER_TAG)
    assert (found.fish_id, found.length_mm, found.individual_id) == (fish(1).fish_id, 400.0, None)
    assert store.lookup.in_survey("survey-1", OTHER_TAG) == fish(1).fish_id
    store.commit([amend(fish(2), "void", "1", n=9002)])
    assert store.lookup.captures("3E50000000") == ()
    assert store.lookup.length_weights("Mill Pond", "LMB") == [(400.0, 1020.5)]


def test_in_survey_knows_the_survey_the_last_fish_and_no_open_one(store: Store) -> None:
    store.commit([survey(survey_id="survey-2"), SaveFish(fish(1)), SaveFish(fish(2))])
    store.commit([SaveFish(fish(3, closed=False, status=Status.PARKED))])
    assert store.lookup.in_survey("survey-1", TAG) == fish(2).fish_id
    assert store.lookup.in_survey("survey-2", TAG) is None


def test_captures_from_elsewhere_are_replaced_by_the_same_source_and_yield_to_own_records(
    store: Store,
) -> None:
    store.commit([SaveFish(fish(1))])
    own = PriorRow(TAG, "2026-05-12", "Mill Pond", "LMB", 1.0, 1.0, "kept", fish_id=fish(1).fish_id)
    old = PriorRow(TAG, "2025-05-12", "Long Lake", "LMB", 360.0, 600.0, "kept", None, "s0", "elsewhere")
    assert load_prior_captures(store, [own, old, old], source="pack") == 2
    assert load_prior_captures(store, [own, old], source="pack") == 2
    assert load_prior_captures(store, [old._replace(at="2024-05-12")], source="other pack") == 1
    assert [capture.at for capture in store.lookup.captures(TAG)] == [
        "2024-05-12",
        "2025-05-12",
        "2026-05-12T13:00:01.000Z",
    ]
    assert store.lookup.captures(TAG)[0].individual_id == individual_id(TAG)
    assert load_prior_captures(store, [], source="pack") == 0
    assert len(store.lookup.captures(TAG)) == 2


def test_a_history_brings_the_offices_corrections_of_own_fish_of_closed_surveys_only(store: Store) -> None:
    closed = survey(survey_id="survey-0", opened_at="2026-05-01T12:00:00Z", closed_at="2026-05-01T18:00:00Z")
    before = fish(1, survey_id="survey-0", run_no=None, worked_up_at="2026-05-01T13:00:00.000Z")
    retagged = fish(2, survey_id="survey-0", run_no=None, tag="985120000000002")
    taken_back = fish(3, survey_id="survey-0", run_no=None, tag="985120000000003")
    now = fish(4, tag="985120000000004")
    store.commit([closed, *map(SaveFish, (before, retagged, taken_back, now))])

    def said(record: FishRecord, survey_id: str | None = "survey-0", **changes: Any) -> PriorRow:
        made = PriorRow(
            record.tag or "", record.worked_up_at, "Mill Pond", "LMB", 400.0, 900.0, "removed", record.individual_id,
            survey_id, record.fish_id,
        )  # fmt: skip
        return made._replace(**changes)

    def known(tag: str | None) -> list[tuple[float | None, str]]:
        return [(one.length_mm, one.fate) for one in store.lookup.captures(tag or "")]

    load_prior_captures(store, [said(before, None)], source="told while the survey went on")
    assert known(TAG) == [(412.0, "released")]
    load_prior_captures(store, [], source="told while the survey went on")
    other = {"tag": OTHER_TAG, "individual_id": individual_id(OTHER_TAG)}
    history = [
        said(before),
        said(retagged, **other),
        said(taken_back, fate="void"),
        said(now, "survey-1"),
    ]
    load_prior_captures(store, history, source="pack")
    assert known(TAG) == [(400.0, "removed")]
    assert (known(retagged.tag), known(OTHER_TAG)) == ([], [(400.0, "removed")])
    assert known(taken_back.tag) == []
    assert known(now.tag) == [(412.0, "released")]  # the crew may still correct it
    assert store.lookup.relative_weight(before.fish_id) is None
    assert store.lookup.relative_weight(now.fish_id) == 98.5


def test_a_capture_from_elsewhere_brings_its_withdrawal_day_and_counts_once_under_two_tags(
    store: Store,
) -> None:
    drugged = PriorRow(
        TAG, "2026-05-02T10:00:00.000Z", "Mill Pond", "LMB", 400.0, 900.0, "released", "animal", "s0", "elsewhere",
        "2026-05-23",
    )  # fmt: skip
    load_prior_captures(store, [drugged, drugged._replace(tag=OTHER_TAG)], source="pack")
    for tag in (TAG, OTHER_TAG):
        (capture,) = store.lookup.captures(tag)
        assert (capture.fish_id, capture.withdrawal_until) == ("elsewhere", "2026-05-23")


def test_inventory_says_unused_until_an_earlier_survey_or_another_station_used_the_tag(store: Store) -> None:
    assert not store.lookup.inventory_loaded()
    assert load_inventory(store, [TAG, OTHER_TAG, TAG], source="box 1", at="2026-05-01T00:00:00Z") == 2
    assert load_inventory(store, [TAG], source="box 2", at="2026-05-01T00:00:00Z") == 1
    assert store.lookup.inventory_loaded()
    assert store.lookup.inventory("3E50000000") is None
    assert store.lookup.inventory(TAG) == "unused"
    store.commit([SaveFish(fish(1))])
    assert store.lookup.inventory(TAG) == "unused"
    store.commit([survey(closed_at="2026-05-12T20:00:00Z")])
    assert store.lookup.inventory(TAG) == "used"
    store.commit([amend(fish(1), "void", "1")])
    assert store.lookup.inventory(TAG) == "unused"
    load_prior_captures(
        store, [PriorRow(OTHER_TAG, "2025-01-01", None, None, None, None, "kept")], source="p"
    )
    assert store.lookup.inventory(OTHER_TAG) == "used"
    load_inventory(store, [], source="box 1", at="2026-05-01T00:00:00Z")
    assert store.lookup.inventory(OTHER_TAG) is None


def test_an_empty_tag_is_refused_whole(store: Store) -> None:
    load_inventory(store, [TAG], source="box 1", at="2026-05-01T00:00:00Z")
    with pytest.raises(RecordRefused):
        load_inventory(store, [OTHER_TAG, ""], source="box 1", at="2026-05-01T00:00:00Z")
    assert store.lookup.inventory(TAG) == "unused"


def test_parked_fish_come_back_whole(store: Store) -> None:
    parked = [
        fish(number, tag=None, closed=False, status=Status.PARKED, rule="idle", findings=(finding(),))
        for number in (7, 6)
    ]
    store.commit([survey(survey_id="survey-2"), *map(SaveFish, parked)])
    store.commit([SaveFish(fish(8, closed=False, status=Status.HELD))])
    assert store.lookup.parked("survey-1") == (parked[1], parked[0])
    assert store.lookup.parked("survey-2") == ()


def test_the_last_run_is_the_highest_number(store: Store) -> None:
    store.commit([survey(survey_id="survey-2"), run(3), run(2)])
    assert store.lookup.last_run_no("survey-1") == 3
    assert store.lookup.last_run_no("survey-2") is None


def test_length_weights_are_the_sound_pairs_of_this_water_before_a_time(store: Store) -> None:
    store.commit([survey(survey_id="s2", water="Long Lake")])
    store.commit(
        [
            SaveFish(fish(1, tag=None, length_mm=100.0)),
            SaveFish(fish(2, tag=None, species="BLG")),
            SaveFish(fish(3, tag=None, length_mm=None)),
            SaveFish(fish(4, tag=None, weight_g=None, weight_quality="not_weighed")),
            SaveFish(fish(5, tag=None, weight_quality="too_coarse")),
            SaveFish(fish(6, tag=None, status=Status.QUERIED)),
            SaveFish(fish(7, tag=None, status=Status.VOID)),
            SaveFish(fish(8, tag=None, closed=False, status=Status.HELD)),
            SaveFish(fish(9, tag=None, survey_id="s2", run_no=None)),
            SaveFish(fish(10, tag=None, length_mm=110.0)),
        ]
    )
    prior = [
        PriorRow(TAG, "2025-05-12", "Mill Pond", "LMB", 360.0, 600.0, "released"),
        PriorRow(TAG, "2025-05-12", "Mill Pond", "LMB", 360.0, None, "released"),
        PriorRow(TAG, "2025-05-12", "Mill Pond", "LMB", 1.0, 1.0, "released", fish_id=fish(1).fish_id),
    ]
    load_prior_captures(store, prior, source="pack")
    pairs = store.lookup.length_weights
    assert sorted(pairs("Mill Pond", "LMB")) == [(100.0, 1020.5), (110.0, 1020.5), (360.0, 600.0)]
    assert sorted(pairs("Mill Pond", "LMB", "2026-05-12T13:00:10.000Z")) == [(100.0, 1020.5), (360.0, 600.0)]
    assert pairs("Long Lake", "LMB") == [(412.0, 1020.5)]
    assert pairs("Long Lake", "BLG") == []
