"""What the store takes: every change, once, and nothing that contradicts what is stored."""

import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from ingest.catch_records import SaveBatch
from ingest.records import (
    AddFinding,
    AddSighting,
    AttachReading,
    Change,
    FishRecord,
    Observation,
    SaveFish,
    Severity,
    Status,
)
from ingest.store import (
    Checkpoint,
    ConflictingFish,
    FrameRow,
    RecordRefused,
    Store,
)
from tests.ingest.builders import (
    JOURNAL,
    TAG,
    amend,
    amend_batch,
    batch,
    finding,
    fish,
    frames,
    reading,
    ready,
    run,
    survey,
)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with ready(tmp_path / "bank.sqlite") as opened:
        yield opened


def rows(store: Store, query: str) -> list[tuple[object, ...]]:
    return store.connection.execute(query).fetchall()


def test_a_fish_comes_back_as_it_was_saved(store: Store) -> None:
    saved = fish(
        tags=((TAG, "primary"), ("3E50000000", "second"), ("985000000000001", "set_aside")),
        observations=(Observation("sex", "female"), Observation("mark", "left pelvic clip")),
        findings=(finding(), finding(severity=Severity.NOTICE, numbers={}, suspects=(), settled=True)),
        note="torn fin",
    )
    store.commit([SaveFish(saved)], frames(saved))
    assert store.lookup.saved(saved.fish_id) == saved
    assert store.lookup.saved("nobody") is None


@pytest.mark.parametrize("tag", ["000012345678901", "3E5", "12E4567890", "0000000001", "900000000000000"])
def test_a_tag_that_looks_like_a_number_stays_text(store: Store, tag: str) -> None:
    saved = fish(tag=tag)
    store.commit([SaveFish(saved)])
    store.commit([AddSighting("s1", "survey-1", tag, "2026-05-12T13:00:00Z", "wand", "lookup", JOURNAL, 5)])
    for query in (
        "SELECT tag, typeof(tag) FROM fish",
        "SELECT tag, typeof(tag) FROM worked_fish",
        "SELECT tag, typeof(tag) FROM fish_tag",
        "SELECT tag, typeof(tag) FROM sighting",
        "SELECT tag, typeof(tag) FROM tag_history",
        "SELECT text, typeof(text) FROM reading WHERE kind = 'tag'",
    ):
        assert rows(store, query) == [(tag, "text")]
    store.commit([amend(saved, "tag", "000098765432109")])
    assert rows(store, "SELECT tag, typeof(tag) FROM worked_fish") == [("000098765432109", "text")]


def test_a_fish_still_open_is_replaced_with_its_parts(store: Store) -> None:
    open_fish = fish(closed=False, status=Status.HELD, rule="held", findings=(finding(),), length_mm=None)
    store.commit([SaveFish(open_fish)])
    assert store.lookup.saved(open_fish.fish_id) == open_fish
    done = fish(observations=(Observation("sex", "male"),))
    store.commit([SaveFish(done)])
    assert store.lookup.saved(done.fish_id) == done
    assert rows(store, "SELECT count(*) FROM finding") == [(0,)]
    assert rows(store, "SELECT count(*) FROM reading") == [(3,)]


def test_a_closed_fish_handed_over_again_changes_nothing(store: Store) -> None:
    saved = fish(findings=(finding(numbers={"ratio": float("nan")}),))
    store.commit([SaveFish(saved)], frames(saved))
    store.commit([AttachReading(saved.fish_id, reading(role="echo", n=77))])
    before = list(store.connection.iterdump())
    store.commit([SaveFish(saved)], frames(saved))
    assert list(store.connection.iterdump()) == before


@pytest.mark.parametrize(
    "changed",
    [
        fish(length_mm=413.0),
        fish(tag=None, tags=((TAG, "primary"),)),
        fish(readings=fish().readings[:2]),
        fish(findings=(finding(),)),
        fish(observations=(Observation("sex", "male"),)),
        fish(tags=((TAG, "second"),)),
        fish(closed=False, status=Status.HELD),
    ],
)
def test_a_closed_fish_with_other_content_is_a_conflict_and_the_stored_one_stays(
    store: Store, changed: FishRecord
) -> None:
    saved = fish()
    store.commit([SaveFish(saved)])
    with pytest.raises(ConflictingFish, match=saved.fish_id):
        store.commit([run(2), SaveFish(changed)])
    assert store.lookup.saved(saved.fish_id) == saved
    assert store.lookup.last_run_no("survey-1") == 1


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
@pytest.mark.parametrize("measure", ["length_mm", "weight_g", "relative_weight"])
def test_a_measure_that_is_no_number_is_refused_and_not_stored_as_missing(
    store: Store, measure: str, value: float
) -> None:
    with pytest.raises(RecordRefused, match=str(value)):
        store.commit([SaveFish(replace(fish(), **{measure: value}))])  # type: ignore[arg-type]
    assert rows(store, "SELECT count(*) FROM fish") == [(0,)]


def test_later_readings_and_findings_are_added_once_and_change_nothing_else(store: Store) -> None:
    saved = fish()
    store.commit([SaveFish(saved)])
    late: list[Change] = [
        AttachReading(saved.fish_id, reading(role="echo", n=77)),
        AddFinding(saved.fish_id, finding(), JOURNAL, 78),
        AddFinding(saved.fish_id, finding(name="swap"), JOURNAL, 78),
        AddSighting("s1", "survey-1", TAG, "2026-05-12T13:00:00Z", "wand", "lookup", JOURNAL, 79),
    ]
    store.commit(late)
    store.commit(late)
    assert store.lookup.saved(saved.fish_id) == saved
    assert rows(store, "SELECT seq, role, later FROM reading") == [
        (0, "used", 0),
        (1, "used", 0),
        (2, "used", 0),
        (3, "echo", 1),
    ]
    assert rows(store, "SELECT name, later, n FROM finding") == [("weight_slip", 1, 78), ("swap", 1, 78)]
    assert rows(store, "SELECT count(*) FROM sighting") == [(1,)]


@pytest.mark.parametrize("closed", [None, False])
def test_later_rows_of_a_fish_that_is_not_closed_are_refused(store: Store, closed: bool | None) -> None:
    record = fish(closed=False)
    if closed is False:
        store.commit([SaveFish(record)])
    refused: list[Change] = [
        AttachReading(record.fish_id, reading(n=77)),
        AddFinding(record.fish_id, finding(), JOURNAL, 78),
        amend(record, "species", "BLG"),
    ]
    for change in refused:
        with pytest.raises(RecordRefused, match="only a closed fish"):
            store.commit([change])


def test_the_same_id_with_other_content_is_refused(store: Store) -> None:
    saved = fish()
    sighting = AddSighting("s1", "survey-1", TAG, "2026-05-12T13:00:00Z", "wand", "lookup", JOURNAL, 79)
    store.commit([SaveFish(saved), sighting, amend(saved, "species", "BLG")], frames(saved))
    store.commit([sighting, amend(saved, "species", "BLG")])
    with pytest.raises(RecordRefused, match=r"amendment .* different content"):
        store.commit([amend(saved, "species", "SMB")])
    other = AddSighting("s1", "survey-1", "3E50000000", sighting.at, "wand", "lookup", JOURNAL, 79)
    with pytest.raises(RecordRefused, match="sighting s1"):
        store.commit([other])
    with pytest.raises(RecordRefused, match="two journals with one id"):
        store.commit([], [FrameRow(JOURNAL, saved.readings[0].n, saved.opened_at, "reader", b"other")])
    assert rows(store, "SELECT count(*) FROM frame WHERE data = CAST('other' AS BLOB)") == [(0,)]


@pytest.mark.parametrize(
    ("field", "new", "said"),
    [
        ("length_mm", "41 cm", "give a number"),
        ("length_mm", "4_1", "give a number"),
        ("length_mm", " 41", "give a number"),
        ("weight_g", "nan", "give a number"),
        ("weight_g", "1e999", "give a number"),
        ("run_no", "1.5", "number of a run"),
        ("run_no", "²", "number of a run"),
        ("run_no", "7", "there is no run 7"),
        ("survey_id", "nowhere", "contradicts"),
        ("tag", "", "contradicts"),
        ("void", "yes", "give one of 0, 1"),
        ("void", None, "cannot be empty"),
        ("fate", None, "cannot be empty"),
        ("status", "void", "give one of"),
        ("tag_status", "lost", "give one of"),
        ("fish_id", "x", "no such field"),
        ("water", "Mill Pond", "no such field"),
        ("amended", "0", "no such field"),
    ],
)
def test_an_amendment_that_would_leave_nonsense_is_refused(
    store: Store, field: str, new: str | None, said: str
) -> None:
    saved = fish()
    store.commit([SaveFish(saved)])
    with pytest.raises(RecordRefused, match=said):
        store.commit([amend(saved, field, new)])
    assert rows(store, "SELECT count(*) FROM amendment") == [(0,)]


def test_a_fish_of_an_unknown_survey_or_run_is_refused(store: Store) -> None:
    for record in (fish(survey_id="nowhere"), fish(run_no=9)):
        with pytest.raises(RecordRefused, match="FOREIGN KEY"):
            store.commit([SaveFish(record)])


def test_a_survey_and_a_run_are_saved_whole_each_time(store: Store) -> None:
    store.commit([SaveFish(fish()), survey(water=None, name=None, provisional=True), run(ended_at=None)])
    assert rows(store, "SELECT water FROM worked_fish") == [(None,)]
    store.commit([survey(water="Long Lake", closed_at="2026-05-12T20:00:00Z"), run(current_on_s=601.5)])
    assert rows(store, "SELECT water FROM worked_fish") == [("Long Lake",)]
    assert rows(store, "SELECT ended_at, current_on_s FROM run") == [("2026-05-12T12:15:00.000Z", 601.5)]
    assert rows(store, "SELECT water FROM water ORDER BY water") == [("Long Lake",), ("Mill Pond",)]


def test_the_last_checkpoint_is_kept_and_goes_with_its_commit(store: Store) -> None:
    assert store.lookup.checkpoint() is None
    store.commit([], [], Checkpoint('{"open":1}', "a.jsonl", 100, 4))
    store.commit([], [], Checkpoint('{"open":2}', "b.jsonl", 7, 5))
    with pytest.raises(RecordRefused):
        store.commit([SaveFish(fish(run_no=9))], [], Checkpoint("{}", "c.jsonl", 0, 6))
    assert store.lookup.checkpoint() == Checkpoint('{"open":2}', "b.jsonl", 7, 5)


CLOSED_ROWS = [
    "UPDATE fish SET length_mm = 1",
    "UPDATE fish SET closed = 0",
    "DELETE FROM fish",
    "REPLACE INTO fish SELECT * FROM fish",
    "UPDATE reading SET value = 1",
    "DELETE FROM reading",
    "DELETE FROM reading WHERE later = 1",
    "REPLACE INTO reading SELECT * FROM reading",
    "REPLACE INTO reading SELECT * FROM reading WHERE later = 1",
    "UPDATE finding SET settled = 1",
    "DELETE FROM finding",
    "REPLACE INTO finding SELECT * FROM finding",
    "UPDATE fish_tag SET role = 'second'",
    "DELETE FROM fish_tag",
    "INSERT INTO fish_tag SELECT fish_id, 9, '3E50000000', 'second' FROM fish",
    "UPDATE observation SET text = ''",
    "DELETE FROM observation",
    "INSERT INTO observation SELECT fish_id, 9, 'sex', 'male', NULL FROM fish",
    "UPDATE batch SET n = 1",
    "UPDATE batch SET closed = 0",
    "DELETE FROM batch",
    "REPLACE INTO batch SELECT * FROM batch",
    "UPDATE batch_reading SET value = 1",
    "DELETE FROM batch_reading",
    "REPLACE INTO batch_reading SELECT * FROM batch_reading",
    "INSERT INTO batch_reading SELECT batch_id, 9, kind, 1, unit, '', 1, '', '', x'' FROM batch_reading LIMIT 1",
    "UPDATE batch_amendment SET new = 'x'",
    "DELETE FROM batch_amendment",
    "REPLACE INTO batch_amendment SELECT * FROM batch_amendment",
    "UPDATE amendment SET new = 'x'",
    "DELETE FROM amendment",
    "REPLACE INTO amendment SELECT * FROM amendment",
    "DELETE FROM amended",
    "UPDATE frame SET data = x''",
    "DELETE FROM frame",
]


@pytest.mark.parametrize("statement", CLOSED_ROWS)
def test_no_program_can_change_what_is_closed(tmp_path: Path, statement: str) -> None:
    path = tmp_path / "bank.sqlite"
    saved = fish(findings=(finding(),), observations=(Observation("sex", "female"),))
    with ready(path) as store:
        store.commit([SaveFish(saved)], frames(saved))
        store.commit(
            [AttachReading(saved.fish_id, reading(role="echo", n=77)), amend(saved, "species", "BLG")]
        )
        store.commit([SaveBatch(batch()), amend_batch(batch(), "fate", "died")])
    # A plain connection, as any other program would have it: no foreign keys, no recursive triggers.
    other = sqlite3.connect(path)
    before = list(other.iterdump())
    with pytest.raises(sqlite3.IntegrityError):
        other.execute(statement)
    other.rollback()
    assert list(other.iterdump()) == before
    other.close()


def test_a_batch_of_fish_is_written_again_until_it_is_closed_and_never_after(store: Store) -> None:
    def shown() -> list[tuple[object, ...]]:
        query = "SELECT total_weight_g, closed, n_subsampled FROM batch_list"
        return store.connection.execute(query).fetchall()

    store.commit([SaveBatch(batch(closed=False, total_weight_g=None, readings=batch().readings[:2]))])
    assert shown() == [(None, 0, 2)]
    for _ in range(2):
        store.commit([SaveBatch(batch())])
        assert shown() == [(800.0, 1, 3)]
    for other in (batch(n=41), batch(readings=())):
        with pytest.raises(ConflictingFish, match="handed over again with different content"):
            store.commit([SaveBatch(other)])
    assert shown() == [(800.0, 1, 3)]


def test_a_batch_with_a_weight_that_is_no_number_or_an_amendment_of_an_open_one_is_refused(
    store: Store,
) -> None:
    with pytest.raises(RecordRefused, match="a measure of it is nan"):
        store.commit([SaveBatch(batch(total_weight_g=float("nan")))])
    store.commit([SaveBatch(batch(2, closed=False))])
    with pytest.raises(RecordRefused):
        store.commit([amend_batch(batch(2), "void", "1")])
    with pytest.raises(RecordRefused):
        store.commit([SaveBatch(batch(3, run_no=9))])


def test_a_batch_is_visible_at_once_and_stored_at_its_end(tmp_path: Path) -> None:
    path = tmp_path / "bank.sqlite"
    with ready(path) as store:
        store.begin_batch()
        store.commit([SaveFish(fish(1))])
        with pytest.raises(RecordRefused):
            store.commit([SaveFish(fish(2, tag="3E50000000")), SaveFish(fish(3, run_no=9))])
        with pytest.raises(ConflictingFish):
            store.commit([SaveFish(fish(4)), SaveFish(fish(1, length_mm=1.0))])
        assert store.lookup.in_survey("survey-1", TAG) == fish(1).fish_id
        with pytest.raises(ValueError, match="batch"):
            store.begin_batch()
        with pytest.raises(ValueError, match="batch"):
            store.write(lambda connection: None)
        store.end_batch()
        with pytest.raises(ValueError, match="no batch"):
            store.end_batch()
        store.begin_batch()
        store.commit([SaveFish(fish(5))])
    with Store.open(path) as store:
        assert rows(store, "SELECT fish_id FROM fish") == [(fish(1).fish_id,)]
