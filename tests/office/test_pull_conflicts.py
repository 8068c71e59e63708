"""What two sides hold different bytes of: both are kept, and a person decides."""

import shutil
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from ingest.catch_records import AddCrew, SaveBatch
from ingest.records import Change, SaveFish, Status
from ingest.store import FrameRow, RecordRefused
from office.amend import Wanted
from office.conflicts import Conflict, conflicts
from office.database import OfficeDatabase
from office.decisions import DecisionRefusedError, decide_conflict
from tests.ingest.builders import (
    JOURNAL,
    OTHER_TAG,
    amend,
    amend_batch,
    batch,
    finding,
    fish,
    reading,
    ready,
    run,
    survey,
)
from tests.office.offices import amending, bass, office_with
from tests.office.pulling import checkpoint, dump, pull_one, shown, write_snapshot

NOW = "2026-05-14T09:00:00.000Z"


@pytest.fixture
def office(tmp_path: Path) -> Iterator[OfficeDatabase]:
    with OfficeDatabase.open(tmp_path / "office.sqlite") as opened:
        yield opened


def give(
    office: OfficeDatabase, folder: Path, *changes: Change, frame: FrameRow | None = None, t_s: float = 50.0
) -> int:
    """A station with these changes, pulled; how many conflicts were new."""
    (folder / "bank.sqlite").unlink(missing_ok=True)
    with ready(folder / "bank.sqlite") as store:
        store.commit(changes, [frame] if frame else [], checkpoint(t_s))
        return len(pull_one(office, write_snapshot(store, folder / "s")).conflicts)


def only(office: OfficeDatabase) -> Conflict:
    (conflict,) = conflicts(office.connection)
    return conflict


def decide(office: OfficeDatabase, keep: str, written: str | None = None) -> str:
    chosen = written or only(office).conflict_id[:8]
    return decide_conflict(office, chosen, keep, who="AB", why="looked at the sheet", at=NOW).did


def value(office: OfficeDatabase, columns: str) -> tuple[Any, ...]:
    (row,) = office.connection.execute(f"SELECT {columns} FROM fish_all").fetchall()
    return tuple(row)


def test_a_fish_with_other_bytes_is_listed_whole_and_ours_stays(
    tmp_path: Path, office: OfficeDatabase
) -> None:
    give(office, tmp_path, SaveFish(fish(1)))
    before = shown(office.connection)
    other = fish(1, length_mm=399.0, observations=(), findings=(finding(),))
    assert give(office, tmp_path, SaveFish(other)) == 1
    assert shown(office.connection) == before
    conflict = only(office)
    assert (conflict.kind, conflict.record_id, conflict.fish_id) == ("fish", other.fish_id, other.fish_id)
    assert [what for what, _, _ in conflict.differences] == ["length_mm", "finding"]
    assert conflict.theirs["reading"][0]["raw"] == {"hex": b"985 120012345678\r\n".hex()}


def test_a_conflict_is_listed_once_and_a_decision_is_final(tmp_path: Path, office: OfficeDatabase) -> None:
    give(office, tmp_path, SaveFish(fish(1)))
    other = SaveFish(fish(1, species="BLG"))
    assert [give(office, tmp_path, other) for _ in range(2)] == [1, 0]
    chosen = only(office).conflict_id
    assert decide(office, "ours") == "Nothing had to be changed."
    assert give(office, tmp_path, other) == 0
    assert conflicts(office.connection) == []
    (decided,) = conflicts(office.connection, decided=True)
    assert decided.decision is not None
    assert (decided.decision["keep"], decided.decision["who"]) == ("ours", "AB")
    with pytest.raises(DecisionRefusedError, match="AB decided this conflict on 2026-05-14"):
        decide(office, "theirs", chosen)


@pytest.mark.parametrize(
    "part",
    [
        {"tags": ((OTHER_TAG, "primary"),)},
        {"readings": fish(1).readings[:2]},
        {"readings": (*fish(1).readings, reading(n=40))},
        {"readings": (*fish(1).readings[:2], replace(fish(1).readings[2], raw=b"other"))},
        {"findings": (finding(),)},
        {"observations": (("sex", "male", None),)},
    ],
)
def test_any_part_that_differs_is_a_conflict(
    tmp_path: Path, office: OfficeDatabase, part: dict[str, Any]
) -> None:
    give(office, tmp_path, SaveFish(fish(1)))
    assert give(office, tmp_path, SaveFish(fish(1, **part))) == 1
    assert only(office).kind == "fish"


def test_theirs_comes_into_force_by_amendments(tmp_path: Path, office: OfficeDatabase) -> None:
    give(office, tmp_path, SaveFish(fish(1)), amend(fish(1), "fate", "died"))
    theirs = fish(
        1, length_mm=399.5, weight_g=None, weight_quality="not_weighed", relative_weight=None, tag=OTHER_TAG
    )
    give(office, tmp_path, SaveFish(theirs), amend(fish(1), "fate", "died"))
    saved = office.store.lookup.saved(fish(1).fish_id)
    assert decide(office, "theirs").startswith("Amended: ")
    assert value(office, "length_mm, weight_g, weight_quality, relative_weight, tag, individual_id, fate, species") == (
        399.5, None, "not_weighed", None, OTHER_TAG, theirs.individual_id, "died", "LMB",
    )  # fmt: skip
    assert office.store.lookup.saved(fish(1).fish_id) == saved
    said = office.connection.execute(
        "SELECT DISTINCT who, why FROM amendment WHERE journal_id = ?", (office.office_id,)
    )
    assert said.fetchall() == [("AB", "looked at the sheet")]


def test_a_relative_weight_that_both_agree_on_outlives_the_amendment(
    tmp_path: Path, office: OfficeDatabase
) -> None:
    give(office, tmp_path, SaveFish(fish(1)))
    give(office, tmp_path, SaveFish(fish(1, length_mm=413.0)))
    decide(office, "theirs")
    assert value(office, "length_mm, relative_weight") == (413.0, 98.5)


def test_a_fish_that_is_void_on_one_side_only(tmp_path: Path, office: OfficeDatabase) -> None:
    give(office, tmp_path, SaveFish(fish(1)))
    give(office, tmp_path, SaveFish(fish(1, status=Status.VOID)))
    decide(office, "theirs")
    assert value(office, "void, status") == (1, "void")
    give(office, tmp_path, SaveFish(fish(2, status=Status.VOID)))
    give(office, tmp_path, SaveFish(fish(2)))
    decide(office, "theirs")
    rows = office.connection.execute("SELECT void, status FROM fish_all ORDER BY void").fetchall()
    assert rows == [(0, "saved"), (1, "void")]


def test_two_corrections_of_one_value_are_shown_and_the_newer_counts_meanwhile(
    tmp_path: Path, office: OfficeDatabase
) -> None:
    give(office, tmp_path, SaveFish(fish(1)))
    ours = replace(
        amend(fish(1), "length_mm", "390", n=1), journal_id=office.office_id, at="2026-06-02T10:00:00.000Z"
    )
    office.store.commit([ours])
    theirs = amend(fish(1), "length_mm", "395"), amend(fish(1), "relative_weight", "97", index=1)
    assert give(office, tmp_path, SaveFish(fish(1)), *theirs, amend(fish(1), "species", "BLG", n=9100)) == 1
    conflict = only(office)
    assert (conflict.kind, conflict.fish_id) == ("both amended fish", fish(1).fish_id)
    assert (conflict.ours["new"], conflict.theirs["new"]) == ("390", "395")
    assert value(office, "length_mm, species") == (390.0, "BLG")
    decide(office, "theirs")
    assert value(office, "length_mm, relative_weight, species") == (395.0, 97.0, "BLG")


def test_ours_is_made_to_count_where_the_clock_of_the_station_is_ahead(
    tmp_path: Path, office: OfficeDatabase
) -> None:
    give(office, tmp_path, SaveFish(fish(1)))
    office.store.commit([replace(amend(fish(1), "fate", "died", n=1), journal_id=office.office_id)])
    ahead = replace(amend(fish(1), "fate", "removed"), at="2031-01-01T00:00:00.000Z")
    assert give(office, tmp_path, SaveFish(fish(1)), ahead) == 1
    assert value(office, "fate") == ("removed",)
    decide(office, "ours")
    assert value(office, "fate") == ("died",)


def test_a_correction_that_says_the_same_or_was_known_is_no_conflict(
    tmp_path: Path, office: OfficeDatabase
) -> None:
    theirs = amend(fish(1), "fate", "died"), amend(fish(1), "species", "BLG", n=9001)
    give(office, tmp_path, SaveFish(fish(1)), theirs[1])
    later = {"journal_id": office.office_id, "at": "2026-06-02T10:00:00.000Z"}
    office.store.commit([replace(amend(fish(1), "fate", "died", n=1), **later)])  # type: ignore[arg-type]
    office.store.commit([replace(amend(fish(1), "species", "SMB", n=2), **later)])  # type: ignore[arg-type]
    assert give(office, tmp_path, SaveFish(fish(1)), *theirs) == 0


def test_one_amendment_with_two_texts_is_a_conflict(tmp_path: Path, office: OfficeDatabase) -> None:
    give(office, tmp_path, SaveFish(fish(1)), amend(fish(1), "fate", "died"))
    assert give(office, tmp_path, SaveFish(fish(1)), amend(fish(1), "fate", "removed")) == 1
    assert only(office).kind == "amendment"
    assert value(office, "fate") == ("died",)
    decide(office, "theirs")
    assert value(office, "fate") == ("removed",)


def test_a_batch_with_other_fish_in_it(tmp_path: Path, office: OfficeDatabase) -> None:
    give(office, tmp_path, SaveBatch(batch(1)), SaveBatch(batch(2)))
    assert give(office, tmp_path, SaveBatch(batch(1, fate="removed")), SaveBatch(batch(2, n=41))) == 2
    fate, number = sorted(conflicts(office.connection), key=lambda one: one.theirs["batch"][0]["n"])
    decide(office, "theirs", fate.conflict_id)
    with pytest.raises(DecisionRefusedError, match="cannot be amended"):
        decide(office, "theirs", number.conflict_id)
    decide(office, "ours", number.conflict_id)
    rows = office.connection.execute("SELECT n, fate FROM batch_list ORDER BY fate").fetchall()
    assert rows == [(40, "released"), (40, "removed")]


def test_both_corrected_a_batch(tmp_path: Path, office: OfficeDatabase) -> None:
    give(office, tmp_path, SaveBatch(batch(1)))
    ours = replace(amend_batch(batch(1), "species", "BLG", n=1), journal_id=office.office_id)
    office.store.commit([ours])
    assert give(office, tmp_path, SaveBatch(batch(1)), amend_batch(batch(1), "species", "SMB")) == 1
    assert only(office).kind == "both amended batch"
    decide(office, "theirs")
    assert office.connection.execute("SELECT species FROM batch_list").fetchall() == [("SMB",)]


def test_a_survey_that_reads_otherwise_at_the_same_moment(tmp_path: Path, office: OfficeDatabase) -> None:
    give(office, tmp_path, survey(name="May"))
    assert give(office, tmp_path, survey(name="June", water="Long Lake")) == 1
    assert [what for what, _, _ in only(office).differences] == ["name", "water"]
    decide(office, "theirs")
    assert office.connection.execute("SELECT name, water FROM survey").fetchall() == [("June", "Long Lake")]
    give(office, tmp_path, survey(name="June", water="Long Lake"), run(current_on_s=90.0))
    assert only(office).kind == "run"
    decide(office, "theirs")
    assert office.connection.execute("SELECT current_on_s FROM run").fetchall() == [(90.0,)]


def test_frames_of_one_number_with_different_bytes_cannot_both_count(
    tmp_path: Path, office: OfficeDatabase
) -> None:
    at = "2026-05-12T13:00:00.000Z"
    give(office, tmp_path, SaveFish(fish(1)), frame=FrameRow(JOURNAL, 11, at, "board", b"412 mm\r\n"))
    assert (
        give(office, tmp_path, SaveFish(fish(1)), frame=FrameRow(JOURNAL, 11, at, "board", b"421 mm\r\n"))
        == 1
    )
    assert only(office).theirs["data"] == {"hex": b"421 mm\r\n".hex()}
    before = dump(office.connection)
    with pytest.raises(DecisionRefusedError, match="cannot be amended"):
        decide(office, "theirs")
    assert dump(office.connection) == before
    decide(office, "ours")


def test_the_crew_of_one_moment(tmp_path: Path, office: OfficeDatabase) -> None:
    crew = AddCrew("c1", "survey-1", 1, "tagger", "AB", "2026-05-12T13:00:00.000Z", JOURNAL, 80)
    give(office, tmp_path, crew)
    assert give(office, tmp_path, replace(crew, code="CD")) == 1
    assert only(office).kind == "crew"


def test_what_cannot_be_decided_is_said(tmp_path: Path, office: OfficeDatabase) -> None:
    give(office, tmp_path, SaveFish(fish(1)), SaveFish(fish(2, tag=None)))
    give(
        office,
        tmp_path,
        SaveFish(fish(1, species="BLG")),
        SaveFish(fish(2, tag=None, status=Status.HELD, closed=True)),
    )
    with pytest.raises(DecisionRefusedError, match="There is no conflict"):
        decide(office, "ours", "nothing")
    with pytest.raises(DecisionRefusedError, match="neither ours nor theirs"):
        decide(office, "mine", conflicts(office.connection)[0].conflict_id)
    with pytest.raises(DecisionRefusedError, match="There is no conflict"):
        decide(office, "ours", " ")
    with pytest.raises(DecisionRefusedError, match="Say who decides"):
        decide_conflict(office, conflicts(office.connection)[0].conflict_id, "ours", who=" ", why="x", at=NOW)


def test_a_decision_that_the_store_refuses_changes_nothing(tmp_path: Path, office: OfficeDatabase) -> None:
    give(office, tmp_path, SaveFish(fish(1)))
    give(office, tmp_path, SaveFish(replace(fish(1), weight_quality="guessed")))  # type: ignore[arg-type]
    before = dump(office.connection)
    with pytest.raises(RecordRefused, match="weight_quality"):
        decide(office, "theirs")
    assert dump(office.connection) == before


def test_two_copies_of_one_office_that_both_went_on_mix_no_corrections(tmp_path: Path) -> None:
    first, second = bass(1), bass(2)
    office_with(tmp_path / "desk.sqlite", first, second).close()
    shutil.copy(tmp_path / "desk.sqlite", tmp_path / "laptop.sqlite")
    with OfficeDatabase.open(tmp_path / "laptop.sqlite") as laptop:
        wish = Wanted(second.fish_id, {"species": "bluegill", "weight_g": "123"}, "sheet 2")
        assert amending(laptop).amend([wish], confirm=True).stored
    with OfficeDatabase.open(tmp_path / "desk.sqlite") as desk:
        assert amending(desk).amend([Wanted(first.fish_id, {"length_mm": "401"}, "sheet 1")]).stored
        before = shown(desk.connection)
        pull_one(desk, tmp_path / "laptop.sqlite")
        assert shown(desk.connection) == before
        for conflict in conflicts(desk.connection):
            if conflict.kind == "amendment":
                with suppress(DecisionRefusedError):  # the relative weight, which follows
                    decide(desk, "theirs", conflict.conflict_id)
        read = "SELECT species, length_mm, weight_g FROM fish_all WHERE fish_id = ?"
        assert desk.connection.execute(read, (first.fish_id,)).fetchone() == (
            "largemouth_bass",
            401.0,
            1020.5,
        )
        assert desk.connection.execute(read, (second.fish_id,)).fetchone() == ("bluegill", 412.0, 123.0)


def test_an_observation_that_theirs_took_back_is_taken_back(tmp_path: Path, office: OfficeDatabase) -> None:
    give(office, tmp_path, SaveFish(fish(1)))
    ours = replace(
        amend(fish(1), "sex", "female", n=1), journal_id=office.office_id, at="2026-06-02T10:00:00.000Z"
    )
    office.store.commit([ours])
    assert give(office, tmp_path, SaveFish(fish(1)), amend(fish(1), "sex", None)) == 1
    seen = "SELECT text FROM observation_list WHERE kind = 'sex'"
    assert office.connection.execute(seen).fetchall() == [("female",)]
    assert decide(office, "theirs") == "Amended: sex."
    assert office.connection.execute(seen).fetchall() == []


def test_a_run_that_the_survey_has_not_is_none_and_stops_no_pull(tmp_path: Path) -> None:
    """One office moves a fish to another survey, the other one gives it another run of the old survey."""
    other = survey(survey_id="survey-2", name="the day after"), run(7, survey_id="survey-2")
    with (
        office_with(tmp_path / "a.sqlite", bass(1), *other) as first,
        office_with(tmp_path / "b.sqlite", bass(1), *other) as second,
    ):
        moved = Wanted(bass(1).fish_id, {"survey_id": "survey-2", "run_no": "7"}, "wrong day")
        assert amending(first, "2026-06-02T08:00:00.000Z").amend([moved]).stored
        other_run = Wanted(bass(1).fish_id, {"run_no": "2"}, "wrong run")
        assert amending(second, "2026-06-02T09:00:00.000Z").amend([other_run]).stored
    with OfficeDatabase.open(tmp_path / "a.sqlite") as first:
        assert pull_one(first, tmp_path / "b.sqlite").conflicts
        assert value(first, "survey_id, run_no") == ("survey-2", None)
        with pytest.raises(DecisionRefusedError, match="has no run 2"):
            decide(first, "theirs")
        decide(first, "ours")
        assert value(first, "survey_id, run_no") == ("survey-2", 7)
    with OfficeDatabase.open(tmp_path / "b.sqlite") as second:
        pull_one(second, tmp_path / "a.sqlite")
        assert value(second, "survey_id, run_no") == ("survey-2", 7)


def test_a_run_comes_back_with_its_survey(tmp_path: Path) -> None:
    other = survey(survey_id="survey-2"), run(7, survey_id="survey-2")
    with office_with(tmp_path / "a.sqlite", bass(1), *other) as office:
        for n, field, new, shown_run in (
            (1, "run_no", "7", None),
            (2, "survey_id", "survey-2", 7),
            (3, "run_no", None, None),
            (4, "run_no", "2", None),
            (5, "survey_id", "survey-1", 2),
        ):
            office.store.commit([amend(bass(1), field, new, n=n)])
            assert value(office, "run_no") == (shown_run,)
