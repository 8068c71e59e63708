"""What a pull takes over, and that it takes it once."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from ingest.catch_records import SaveBatch
from ingest.records import AddFinding, AttachReading, SaveFish, Status
from ingest.store import Store
from office.database import OfficeDatabase
from office.manifest import PullRefusedError
from simulators.waters import MILL_POND, write_water
from tests.ingest.builders import (
    JOURNAL,
    OTHER_TAG,
    TAG,
    amend,
    batch,
    finding,
    fish,
    frames,
    reading,
    ready,
    run,
    survey,
)
from tests.ingest.released_database import fill
from tests.office.pulling import checkpoint, dump, ids, pull_one, shown, station, write_snapshot


@pytest.fixture
def office(tmp_path: Path) -> Iterator[OfficeDatabase]:
    with OfficeDatabase.open(tmp_path / "office.sqlite") as opened:
        yield opened


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with ready(tmp_path / "bank.sqlite") as opened:
        yield opened


def test_everything_final_arrives_and_the_views_are_those_of_the_station(
    tmp_path: Path, office: OfficeDatabase, store: Store
) -> None:
    fill(store)
    parked = store.lookup.parked("survey-1")
    pulled = pull_one(office, write_snapshot(store, tmp_path))
    assert pulled.still_open == 1
    assert (pulled.added["fish"], pulled.added["amendment"], pulled.added["batch"]) == (1, 1, 1)
    here, there = shown(office.connection), shown(store.connection)
    for view in ("worked_fish", "finding_list", "observation_list", "batch_list"):
        assert here[view] == [row for row in there[view] if row[0] != parked[0].fish_id]
    assert office.store.lookup.saved(fish(1).fish_id) == store.lookup.saved(fish(1).fish_id)
    for table in ("frame", "reading", "treatment", "crew", "amendment", "batch_reading"):
        query = f"SELECT * FROM {table} ORDER BY 1, 2"
        mine = [row for row in store.connection.execute(query) if row[0] != parked[0].fish_id]
        assert office.connection.execute(query).fetchall() == mine
    assert office.connection.execute("PRAGMA foreign_key_check").fetchall() == []


def test_pulling_twice_changes_nothing_but_the_log(
    tmp_path: Path, office: OfficeDatabase, store: Store
) -> None:
    fill(store)
    snapshot = write_snapshot(store, tmp_path)
    pull_one(office, snapshot)
    before = dump(office.connection)
    again = pull_one(office, snapshot)
    assert again.added == {}
    assert dump(office.connection) == before
    assert office.connection.execute("SELECT count(*) FROM pull").fetchone() == (2,)


def test_an_open_fish_comes_when_it_is_closed(tmp_path: Path, office: OfficeDatabase, store: Store) -> None:
    store.commit([SaveFish(fish(1, closed=False, status=Status.PARKED))])
    assert pull_one(office, write_snapshot(store, tmp_path)).still_open == 1
    assert ids(office.connection) == set()
    store.commit([SaveFish(fish(1))])
    assert pull_one(office, write_snapshot(store, tmp_path)).added["fish"] == 1
    assert ids(office.connection) == {fish(1).fish_id}


def test_what_came_to_a_fish_after_it_was_closed_arrives_later_and_once(
    tmp_path: Path, office: OfficeDatabase, store: Store
) -> None:
    store.commit([SaveFish(fish(1))], frames(fish(1)))
    pull_one(office, write_snapshot(store, tmp_path))
    own = finding(name="looked_at", numbers={})
    office.store.commit([AddFinding(fish(1).fish_id, own, office.office_id, 1)])
    store.commit([AddFinding(fish(1).fish_id, finding(), JOURNAL, 78)])
    store.commit([AttachReading(fish(1).fish_id, reading(role="echo", n=77))])
    added = pull_one(office, write_snapshot(store, tmp_path)).added
    assert added == {"finding": 1, "reading": 1}
    assert pull_one(office, write_snapshot(store, tmp_path)).added == {}
    names = office.connection.execute("SELECT name, later FROM finding ORDER BY seq").fetchall()
    assert names == [("looked_at", 1), ("weight_slip", 1)]


def test_a_survey_named_and_a_run_ended_later_are_taken_over_and_never_rolled_back(
    tmp_path: Path, office: OfficeDatabase
) -> None:
    with Store.open(tmp_path / "bank.sqlite") as store:
        store.commit(
            [survey(name=None, water=None, provisional=True), run(ended_at=None, current_on_s=None)],
            (),
            checkpoint(10.0),
        )
        early = write_snapshot(store, tmp_path / "early")
        store.commit([survey(), run()], (), checkpoint(20.0))
        late = write_snapshot(store, tmp_path / "late")
    for source, expected in (
        (early, (None, None)),
        (late, ("Mill Pond", 600.0)),
        (early, ("Mill Pond", 600.0)),
    ):
        assert pull_one(office, source).conflicts == ()
        (row,) = office.connection.execute("SELECT water, current_on_s FROM run_list").fetchall()
        assert row == expected


def test_a_station_whose_clock_was_set_back_still_tells_its_later_state(
    tmp_path: Path, office: OfficeDatabase
) -> None:
    with Store.open(tmp_path / "bank.sqlite") as store:
        store.commit([survey(name="first")], (), checkpoint(10.0))
        early = write_snapshot(store, tmp_path / "early", at="2026-05-12T18:00:00.000Z")
        store.commit([survey(name="second")], (), checkpoint(20.0))
        late = write_snapshot(store, tmp_path / "late", at="1970-01-01T00:05:00.000Z")
    pull_one(office, late)
    pull_one(office, early)
    assert office.connection.execute("SELECT name FROM survey").fetchall() == [("second",)]


def test_two_stations_at_one_water_with_one_name_of_the_survey_stay_apart_and_join_their_fish(
    tmp_path: Path, office: OfficeDatabase
) -> None:
    seen: list[str] = []
    for number, name in enumerate(("bank", "deck")):
        with Store.open(tmp_path / f"{name}.sqlite") as store:
            one = survey(survey_id=f"survey-of-{name}", station=name)
            store.commit([one, run(survey_id=one.survey_id)], (), checkpoint(10.0))
            record = fish(
                1, survey_id=one.survey_id, station=name, fish_id=f"fish-of-{name}", journal_id=name
            )
            at = f"2026-05-{12 + number}T13:00:00.000Z"
            store.commit([SaveFish(replace(record, worked_up_at=at, readings=()))])
            assert pull_one(office, write_snapshot(store, tmp_path / name, name=name)).conflicts == ()
            seen.append(record.individual_id or "")
    assert seen[0] == seen[1]
    steps = office.connection.execute("SELECT fish_id, days_since FROM tag_history ORDER BY at").fetchall()
    assert steps == [("fish-of-bank", None), ("fish-of-deck", 1.0)]
    assert office.connection.execute("SELECT count(DISTINCT survey_id) FROM run_list").fetchone() == (2,)


def test_a_station_that_began_its_database_anew_adds_to_what_it_gave_before(
    tmp_path: Path, office: OfficeDatabase
) -> None:
    with station(tmp_path / "bank.sqlite", 3, t_s=5000.0) as store:
        old = write_snapshot(store, tmp_path / "old")
    (tmp_path / "bank.sqlite").unlink()
    with Store.open(tmp_path / "bank.sqlite") as store:
        store.commit([survey(survey_id="survey-2"), run(survey_id="survey-2")], (), checkpoint(10.0))
        store.commit(
            [SaveFish(fish(1, survey_id="survey-2", fish_id="other", journal_id="journal-2", readings=()))]
        )
        new = write_snapshot(store, tmp_path / "new")
    for source in (new, old, new):
        assert pull_one(office, source).conflicts == ()
    assert ids(office.connection) == {"other", *(fish(number).fish_id for number in (1, 2, 3))}


def test_a_rebuilt_station_gives_nothing_new(tmp_path: Path, office: OfficeDatabase) -> None:
    for name in ("first", "rebuilt"):
        with station(tmp_path / f"{name}.sqlite") as store:
            store.commit([amend(fish(1), "length_mm", "398"), SaveFish(fish(9, tag=OTHER_TAG))])
            added = pull_one(office, write_snapshot(store, tmp_path / name)).added
    assert added == {}


def test_only_closed_batches_travel(tmp_path: Path, office: OfficeDatabase, store: Store) -> None:
    store.commit([SaveBatch(batch(1)), SaveBatch(batch(2, closed=False))])
    assert pull_one(office, write_snapshot(store, tmp_path)).still_open == 1
    assert office.connection.execute("SELECT batch_id FROM batch").fetchall() == [(batch(1).batch_id,)]
    store.commit([SaveBatch(batch(2, n=41))])
    assert pull_one(office, write_snapshot(store, tmp_path)).added["batch"] == 1


def test_an_office_passes_on_what_it_pulled_and_amended(tmp_path: Path, office: OfficeDatabase) -> None:
    with station(tmp_path / "bank.sqlite") as store:
        snapshot = write_snapshot(store, tmp_path / "s")
    with OfficeDatabase.open(tmp_path / "other.sqlite") as other:
        pull_one(other, snapshot)
        other.store.commit([replace(amend(fish(1), "fate", "died"), journal_id=other.office_id)])
    pull_one(office, tmp_path / "other.sqlite")
    assert office.connection.execute("SELECT fate, count(*) FROM worked_fish GROUP BY 1").fetchall() == [
        ("died", 1),
        ("released", 2),
    ]
    assert pull_one(office, snapshot).added == {}
    assert TAG in {tag for (tag,) in office.connection.execute("SELECT tag FROM tag_history")}


def test_years_of_an_invented_water_arrive_whole_and_once(tmp_path: Path, office: OfficeDatabase) -> None:
    plan = replace(MILL_POND, years=2)
    with Store.open(tmp_path / "bank.sqlite") as store:
        write_water(store, plan)
        snapshot = write_snapshot(store, tmp_path / "s")
        there = shown(store.connection)
    open_fish = {row[0] for row in there["fish_all"] if row[-2] == 0}
    first = pull_one(office, snapshot)
    assert first.conflicts == ()
    here, before = shown(office.connection), dump(office.connection)
    for view in ("worked_fish", "finding_list", "observation_list"):
        assert here[view] == [row for row in there[view] if row[0] not in open_fish]
    assert here["batch_list"] == [row for row in there["batch_list"] if row[-1]]
    if not open_fish:
        assert here == there
    assert office.connection.execute("PRAGMA foreign_key_check").fetchall() == []
    assert pull_one(office, snapshot).added == {}
    assert dump(office.connection) == before


def test_a_merge_that_fails_leaves_nothing_behind_and_can_be_made_again(
    tmp_path: Path, office: OfficeDatabase, store: Store
) -> None:
    fill(store)
    snapshot = write_snapshot(store, tmp_path)
    forbids = "CREATE TEMP TRIGGER full BEFORE INSERT ON main.crew BEGIN SELECT RAISE(ABORT, 'no more'); END"
    office.connection.execute(forbids)
    before = dump(office.connection)
    with pytest.raises(PullRefusedError, match="no more"):
        pull_one(office, snapshot)
    assert dump(office.connection) == before
    office.connection.execute("DROP TRIGGER temp.full")
    assert pull_one(office, snapshot).added["crew"] == 1
