"""Several offices publish into one server: whoever comes first, it shows what an office with all of it would."""

import shutil
from collections import Counter
from pathlib import Path
from random import Random

import pytest

from ingest.catch_records import SaveBatch
from ingest.records import Amend, SaveFish
from ingest.store import PriorRow, load_prior_captures
from office.database import OfficeDatabase
from tests.ingest.builders import JOURNAL, TAG, amend, batch, fish, reading, run, survey
from tests.office.postgres import Server
from tests.office.publishing import assert_same, bring, office_at


def test_a_station_pulled_by_two_offices_is_there_once_with_the_corrections_of_both(
    postgres: Server, database: str, tmp_path: Path
) -> None:
    of_station = [amend(fish(1), "weight_g", "990", n=9001), amend(fish(2), "fate", "kept", n=9002)]
    with office_at(tmp_path / "a.sqlite") as one, office_at(tmp_path / "b.sqlite") as other:
        for office in (one, other):
            office.store.commit([SaveFish(fish(number)) for number in (1, 2, 3)])
            office.store.commit(of_station)
        one.store.commit([correction(one, "length_mm", "400", at="2026-07-01T08:00:00Z")])
        one.store.commit([SaveFish(fish(7, tag=None))])
        other.store.commit([correction(other, "length_mm", "401", at="2026-06-01T08:00:00Z")])
        bring(one, postgres, database)
        done = bring(other, postgres, database)
        assert (+done.added, done.conflicts) == (Counter(amendment=1), 0)
        # What the office would show if it had the other's corrections too: the later one counts.
        other.store.commit(
            [SaveFish(fish(7, tag=None)), correction(one, "length_mm", "400", at="2026-07-01T08:00:00Z")]
        )
        assert_same(other, postgres, database)
        with postgres.connect(database) as server:
            length = server.execute(
                "SELECT length_mm FROM tallywell.worked_fish WHERE fish_id = %s", (fish(1).fish_id,)
            ).fetchone()
            assert length == (400.0,)
            brought = server.execute("SELECT DISTINCT office_id FROM tallywell.fish").fetchall()
            assert brought == [(one.office_id,)]


def correction(office: OfficeDatabase, field: str, new: str, *, at: str, n: int = 1) -> Amend:
    return Amend(
        f"{office.office_id}-{n}",
        fish(1).fish_id,
        at,
        "AB",
        "paper sheet",
        field,
        "412",
        new,
        office.office_id,
        n,
    )


def test_amendments_count_in_the_office_s_order_whatever_the_clock_said(
    postgres: Server, database: str, tmp_path: Path
) -> None:
    with office_at(tmp_path / "a.sqlite") as office:
        one = fish(1)
        office.store.commit([SaveFish(one), SaveFish(fish(2))])
        for number, (field, new, at) in enumerate(
            [
                ("length_mm", "300", "2026-06-03T08:00:00Z"),
                ("length_mm", "301", "2026-06-01T08:00:00Z"),  # its clock was set back
                ("relative_weight", "101.5", "2026-06-02T08:00:00Z"),
                ("tag", "985120000000099", "2026-06-02T08:00:00.5Z"),
                ("void", "1", "2026-06-02T08:00:00Z"),
                ("void", "0", "2026-06-02T08:00:00Z"),
                ("worked_up_at", "2026-05-13T09:00:00.250Z", "2026-06-04T08:00:00Z"),
                ("run_no", None, "2026-06-04T08:00:00Z"),
                ("sex", "male", "2026-06-04T08:00:00Z"),
                ("note", None, "2026-06-04T08:00:00Z"),
            ],
            9000,
        ):
            office.store.commit(
                [
                    Amend(
                        f"amendment-{number}",
                        one.fish_id,
                        at,
                        "crew",
                        "why",
                        field,
                        None,
                        new,
                        JOURNAL,
                        number,
                    )
                ]
            )
        office.store.commit([correction(office, "weight_g", "800", at="2026-06-02T12:00:00Z")])
        bring(office, postgres, database)
        assert_same(office, postgres, database)


def random_amendments(chance: Random, origin: str, fish_numbers: range) -> list[Amend]:
    """What one origin amends, in its own order, with a clock that is set back now and then."""
    values: dict[str, tuple[str | None, ...]] = {
        "length_mm": ("398.5", "401", None),
        "weight_g": ("990", "1000.25", None),
        "relative_weight": ("97.5", None),
        "species": ("BLG", "LMB", None),
        "tag": ("985120000000077", None),
        "individual_id": ("somebody", None),
        "void": ("1", "0"),
        "status": ("confirmed", "queried"),
        "run_no": ("1", "3", None),  # the third run is of another survey
        "survey_id": ("survey-1", "survey-2"),
        "note": ("x", None),
        "sex": ("male", None),
        "worked_up_at": ("2026-05-13T09:00:00.250Z", "2026-05-14"),
    }
    amendments = []
    minute = 0
    for n in range(1, 100):
        minute = max(0, minute + chance.choice((0, 0, 1, 2, -5)))
        number = chance.choice(fish_numbers)
        for index in range(chance.choice((1, 1, 2))):  # one correction may say several things
            field = chance.choice(list(values))
            amendments.append(
                Amend(
                    f"{origin}-{n}-{index}", fish(number).fish_id, f"2026-06-01T08:{minute:02}:00Z", "AB", "why", field,
                    None, chance.choice(values[field]), origin, n,
                )
            )  # fmt: skip
    return amendments


@pytest.mark.parametrize("seed", [1, 2])
def test_random_amendments_mean_the_same_here_and_there_in_whatever_order_they_came(
    postgres: Server, database: str, tmp_path: Path, seed: int
) -> None:
    chance, numbers = Random(seed), range(1, 60)
    with office_at(tmp_path / "a.sqlite") as one, office_at(tmp_path / "b.sqlite") as other:
        origins = [
            random_amendments(chance, name, numbers) for name in (JOURNAL, one.office_id, other.office_id)
        ]
        for office in (one, other):
            office.store.commit([survey(survey_id="survey-2"), run(3, survey_id="survey-2")])
            office.store.commit([SaveFish(fish(number)) for number in numbers])
            waiting = [list(reversed(amendments)) for amendments in origins]
            arrived = []
            while waiting := [amendments for amendments in waiting if amendments]:
                arrived.append(chance.choice(waiting).pop())
            office.store.commit(arrived)
        bring(one, postgres, database)
        done = bring(other, postgres, database)
        assert (+done.added, done.conflicts) == (Counter(), 0)
        assert_same(one, postgres, database)
        assert_same(other, postgres, database)


def test_one_fish_in_two_versions_is_a_conflict_shown_once_with_both_whole(
    postgres: Server, database: str, tmp_path: Path
) -> None:
    mine, theirs = fish(1), fish(1, length_mm=500.0)
    more_readings = fish(2, readings=(*fish(2).readings, reading(n=500)))
    with office_at(tmp_path / "a.sqlite") as one, office_at(tmp_path / "b.sqlite") as other:
        one.store.commit([SaveFish(mine), SaveFish(fish(2)), SaveFish(fish(3))])
        other.store.commit(
            [SaveFish(theirs), SaveFish(more_readings), SaveFish(fish(3)), SaveFish(fish(4, tag=None))]
        )
        bring(one, postgres, database)
        done = bring(other, postgres, database)
        assert (done.added["fish"], done.conflicts) == (1, 2)
        assert bring(other, postgres, database, again=True).conflicts == 0
        one.store.commit([SaveFish(fish(4, tag=None))])
        assert_same(one, postgres, database)  # the first one stands
        with postgres.connect(database) as server:
            listed = server.execute(
                'SELECT "table", record_id, office_id, here, theirs FROM tallywell.conflict_list ORDER BY record_id'
            ).fetchall()
            parts = server.execute(
                "SELECT count(*) FROM tallywell.reading WHERE fish_id = %s", (more_readings.fish_id,)
            ).fetchone()
        assert {row[1] for row in listed} == {mine.fish_id, more_readings.fish_id}
        assert {(row[0], row[2]) for row in listed} == {("fish", other.office_id)}
        by_id = {row[1]: row[3:] for row in listed}
        here, there = by_id[mine.fish_id]
        assert (here["fish"]["length_mm"], there["fish"]["length_mm"]) == (412.0, 500.0)
        here, there = by_id[more_readings.fish_id]
        assert (len(here["reading"]), len(there["reading"])) == (3, 4)
        assert parts == (3,)  # nothing of theirs is mixed in


def test_an_amendment_in_two_versions_is_a_conflict(postgres: Server, database: str, tmp_path: Path) -> None:
    with office_at(tmp_path / "a.sqlite") as one, office_at(tmp_path / "b.sqlite") as other:
        for office, new in ((one, "398"), (other, "399")):
            office.store.commit([SaveFish(fish(1)), amend(fish(1), "length_mm", new)])
            done = bring(office, postgres, database)
        assert done.conflicts == 1
        assert_same(one, postgres, database)


def test_a_batch_in_two_versions_is_a_conflict(postgres: Server, database: str, tmp_path: Path) -> None:
    with office_at(tmp_path / "a.sqlite") as one, office_at(tmp_path / "b.sqlite") as other:
        for office, n in ((one, 40), (other, 41)):
            office.store.commit([SaveBatch(batch(1, n=n))])
            done = bring(office, postgres, database)
        assert done.conflicts == 1
        assert_same(one, postgres, database)


def test_a_history_that_two_offices_loaded_is_shown_once(
    postgres: Server, database: str, tmp_path: Path
) -> None:
    priors = [
        PriorRow(
            TAG, "2019-05-12", "Mill Pond", "LMB", 360.0, 600.0, "released", withdrawal_until="2019-06-01"
        ),
        PriorRow(TAG, "2020-05-12", "Mill Pond", "LMB", 380.0, 700.0, "void"),
    ]
    with office_at(tmp_path / "a.sqlite") as one, office_at(tmp_path / "b.sqlite") as other:
        for office in (one, other):
            load_prior_captures(office.store, priors, source="old list")
            bring(office, postgres, database)
        assert_same(one, postgres, database)
        load_prior_captures(one.store, [], source="old list")
        load_prior_captures(other.store, [], source="old list")
        bring(one, postgres, database)
        bring(other, postgres, database)
        assert_same(one, postgres, database)


def test_two_copies_of_one_office_lose_no_fish_between_them(
    postgres: Server, database: str, tmp_path: Path
) -> None:
    office_at(tmp_path / "a.sqlite").close()
    shutil.copy(tmp_path / "a.sqlite", tmp_path / "b.sqlite")
    with (
        OfficeDatabase.open(tmp_path / "a.sqlite") as one,
        OfficeDatabase.open(tmp_path / "b.sqlite") as copy,
    ):
        assert one.office_id == copy.office_id
        one.store.commit([SaveFish(fish(9, tag=None))])
        copy.store.commit([SaveFish(fish(number, tag=None)) for number in (1, 2, 9)])
        for office in (one, copy, one):
            bring(office, postgres, database)
        assert_same(copy, postgres, database)
