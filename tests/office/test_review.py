"""The review: what is asked about which fish, and the bytes behind it. All fish are invented."""

import csv
import io
from dataclasses import replace
from math import log10
from pathlib import Path
from random import Random

import pytest

from ingest.records import AddFinding, Change, FishRecord, Severity
from ingest.store import PriorRow, load_inventory, load_prior_captures
from office.amend import Wanted
from office.amend_list import read_list
from office.database import OfficeDatabase
from office.review.questions import Doubtful
from office.review.reading import review
from office.review.review_csv import review_csv
from simulators.waters import REED_WEIHER, write_water
from tests.ingest import builders
from tests.office.offices import amending, bass, book, office_with

GOOD = bass(1)


def asked(office: OfficeDatabase, water: str | None = None, survey: str | None = None) -> dict[str, Doubtful]:
    found = review(office.connection, book(), survey_id=survey, water=water)
    return {one.fish.fish_id: one for one in found}


def names(office: OfficeDatabase, fish: FishRecord) -> set[str]:
    one = asked(office).get(fish.fish_id)
    return {question.name for question in one.questions} if one else set()


def sentences(office: OfficeDatabase, fish: FishRecord) -> str:
    return " ".join(question.sentence for question in asked(office)[fish.fish_id].questions)


def office_of(tmp_path: Path, *more: Change | FishRecord) -> OfficeDatabase:
    return office_with(tmp_path / "office.sqlite", *more)


def earlier(fish: FishRecord, **changes: object) -> PriorRow:
    made = PriorRow(
        fish.tag or "",
        "2025-05-12T13:00:00Z",
        "Mill Pond",
        fish.species,
        380.0,
        800.0,
        "released",
        fish.individual_id,
    )
    return made._replace(**changes)  # type: ignore[arg-type]


def test_nothing_is_asked_about_good_fish(tmp_path: Path) -> None:
    with office_of(
        tmp_path, GOOD, bass(2), bass(3, tag=None, tag_status="none_found", relative_weight=98.5)
    ) as office:
        assert asked(office) == {}


def test_a_queried_fish_says_what_nobody_settled(tmp_path: Path) -> None:
    slip = builders.finding(sentence="ten times too low")
    fish = bass(1, status="queried", weight_g=102.0, findings=(slip,))
    with office_of(tmp_path, fish) as office:
        assert names(office, fish) == {"queried"}
        assert "Nobody settled it: 412 mm and 102 g do not fit Largemouth Bass" in sentences(office, fish)
        amending(office).amend([Wanted(fish.fish_id, {"weight_g": "1020"}, "display")])
        assert "no check finds a serious doubt" in sentences(office, fish)
        amending(office).amend([Wanted(fish.fish_id, {"status": "confirmed"}, "display")])
        assert asked(office) == {}


def test_an_incomplete_fish_says_what_it_lacks(tmp_path: Path) -> None:
    fish = bass(1, status="incomplete", weight_g=None, weight_quality="not_weighed", relative_weight=None)
    with office_of(tmp_path, fish) as office:
        assert "it has no weight" in sentences(office, fish)


@pytest.mark.parametrize("status", ["held", "parked"])
def test_what_is_still_open_at_its_station_is_named(tmp_path: Path, status: str) -> None:
    fish = bass(1, closed=False, status=status)
    with office_of(tmp_path, fish) as office:
        assert f"still {status} at its station" in sentences(office, fish)


def test_an_unknown_tag_is_asked_about_unless_it_is_a_recapture_after_all(tmp_path: Path) -> None:
    fish = bass(1, tag_status="unknown")
    with office_of(tmp_path, fish) as office:
        assert names(office, fish) == {"unknown_tag"}
        load_prior_captures(office.store, [earlier(fish)], source="2025.csv")
        assert names(office, fish) == {"known_after_all"}
        assert "captured on 2025-05-12 in Mill Pond" in sentences(office, fish)
        amending(office).amend([Wanted(fish.fish_id, {"tag_status": "recapture"}, "joined")])
        assert names(office, fish) == set()


def test_one_tag_twice_in_a_survey_names_both_fish(tmp_path: Path) -> None:
    twice = bass(2, tag=GOOD.tag, tag_status="repeat")
    with office_of(tmp_path, GOOD, twice, bass(3)) as office:
        found = asked(office)
        assert {*found} == {GOOD.fish_id, twice.fish_id}
        (question,) = found[GOOD.fish_id].questions
        assert (question.name, question.others) == ("tag_twice", (twice.fish_id,))
        amending(office).amend([Wanted(twice.fish_id, {"void": "yes"}, "saved twice")])
        assert asked(office) == {}


def test_one_tag_on_two_species_shrunk_and_fast_grown_fish_are_named_with_the_capture_before(
    tmp_path: Path,
) -> None:
    fish = [bass(number, tag_status="recapture") for number in (1, 2, 3, 4)]
    with office_of(tmp_path, *fish) as office:
        history = [
            earlier(fish[0], species="bluegill", length_mm=400.0),
            earlier(fish[1], length_mm=440.0),
            earlier(fish[2], at="2026-04-12T13:00:00Z", length_mm=150.0),
            earlier(fish[3], fate="removed", length_mm=400.0),
        ]
        load_prior_captures(office.store, history, source="2025.csv")
        assert [names(office, one) for one in fish] == [
            {"other_species_last_time"},
            {"shrank"},
            {"grew_fast"},
            {"recorded_as_gone"},
        ]


def test_a_tag_that_looks_like_a_known_one_is_asked_about_only_if_nothing_vouches_for_it(
    tmp_path: Path,
) -> None:
    assert GOOD.tag is not None
    swapped = GOOD.tag[:-7] + "0" * 5 + "10"
    digit = GOOD.tag[:-3] + "901"
    strangers = [bass(2, tag=swapped, tag_status="unknown"), bass(3, tag=digit, tag_status="unknown")]
    neighbour = bass(4, tag=GOOD.tag[:-1] + "2")
    with office_of(tmp_path, GOOD, *strangers, neighbour) as office:
        load_inventory(office.store, [GOOD.tag], source="stock.csv", at="2026-05-01T00:00:00Z")
        for one in strangers:
            assert names(office, one) == {"unknown_tag", "tag_alike"}
            assert GOOD.tag in sentences(office, one)
        assert names(office, neighbour) == set()  # boxes hold consecutive codes


def test_marks_of_the_day_are_listed_until_the_weight_they_speak_of_is_amended(tmp_path: Path) -> None:
    mark = replace(
        builders.finding(), name="weights_swapped", severity=Severity.NOTICE, sentence="may be swapped"
    )
    with office_of(tmp_path, GOOD, AddFinding(GOOD.fish_id, mark, builders.JOURNAL, 77)) as office:
        assert names(office, GOOD) == {"weights_swapped"}
        amending(office).amend([Wanted(GOOD.fish_id, {"weight_g": "1000"}, "swapped back")])
        assert names(office, GOOD) == set()


def _line(shift_from: int | None) -> list[FishRecord]:
    """Forty bass of all sizes in the order of the line; from `shift_from` on each has the next one's weight."""
    random = Random(5)
    lengths = [round(random.uniform(220, 480)) for _ in range(41)]
    weights = [round(10 ** (-5.528 + 3.273 * log10(mm) - 0.03 + random.gauss(0, 0.04)), 1) for mm in lengths]
    if shift_from is not None:
        weights = weights[:shift_from] + weights[shift_from + 1 :]
    return [
        bass(number, length_mm=float(mm), weight_g=g, relative_weight=None)
        for number, (mm, g) in enumerate(zip(lengths, weights, strict=False), start=1)
    ][:40]


def test_weights_that_slipped_by_one_are_named_from_the_fish_where_it_began(tmp_path: Path) -> None:
    fish = _line(shift_from=18)
    with office_of(tmp_path, *fish) as office:
        slipped = {
            key for key, one in asked(office).items() if any(q.name == "off_by_one" for q in one.questions)
        }
        marked = [place for place, one in enumerate(fish) if one.fish_id in slipped]
        assert abs(marked[0] - 18) <= 1
        assert marked == list(range(marked[0], marked[-1] + 1))
        assert marked[-1] >= 36


def test_a_line_that_kept_its_order_is_left_alone(tmp_path: Path) -> None:
    with office_of(tmp_path, *_line(None)) as office:
        assert not [
            one for one in asked(office).values() if any(q.name == "off_by_one" for q in one.questions)
        ]


def test_every_value_shows_the_bytes_behind_it_and_who_amended_it(tmp_path: Path) -> None:
    fish = bass(1, status="queried")
    with office_of(tmp_path, fish) as office:
        amending(office).amend([Wanted(fish.fish_id, {"length_mm": "411"}, "sheet")])
        found = asked(office)[fish.fish_id].evidence
        assert [(one.value, one.raw) for one in found if one.role == "used"] == [
            ("tag", b"985 120012345678\r\n"),
            ("length", b"412 mm\r\n"),
            ("weight", b"ST,+1020.5 g\r\n"),
        ]
        assert [(one.value, one.shown, one.source) for one in found if one.role == "amended"] == [
            ("length", "411", "AB")
        ]


def test_the_list_is_filled_in_and_goes_back_through_amend(tmp_path: Path) -> None:
    fish = bass(1, status="queried", weight_g=102.0, note="=1+1")
    with office_of(tmp_path, fish, bass(2)) as office:
        text = review_csv(list(asked(office).values()))
        (row,) = csv.DictReader(io.StringIO(text, newline=""))
        assert row["old_tag"] == f"'{fish.tag}"
        assert row["weight_bytes"] == 'scale 1020.5 g "ST,+1020.5 g\\r\\n" (used)'
        wishes, problems, untouched = read_list(text, "display")
        assert (wishes, problems, untouched) == ([], [], 1)
        row |= {"new_weight_g": "1020", "new_status": "confirmed"}
        out = io.StringIO(newline="")
        writer = csv.DictWriter(out, [*row])
        writer.writeheader()
        writer.writerow(row)
        wishes, problems, _ = read_list(out.getvalue(), "display")
        assert problems == []
        assert amending(office).amend(wishes).stored
        assert asked(office) == {}


def test_a_selection_leaves_out_other_waters_but_knows_their_history(tmp_path: Path) -> None:
    other = builders.survey(survey_id="survey-2", water="Heron Lake", opened_at="2026-05-20T12:00:00Z")
    there = bass(2, survey_id="survey-2", run_no=None, tag=GOOD.tag, tag_status="new", length_mm=300.0, weight_g=350.0,
                 worked_up_at="2026-05-20T13:00:00Z")  # fmt: skip
    with office_of(tmp_path, GOOD, other, there) as office:
        assert asked(office, water="Mill Pond") == {}
        found = asked(office, water="Heron Lake")[there.fish_id]
        assert {question.name for question in found.questions} >= {"known_after_all", "shrank"}
        assert {*asked(office, survey="survey-2")} == {there.fish_id}


def test_the_review_of_an_invented_water_asks_about_few_and_reads_only(tmp_path: Path) -> None:
    with OfficeDatabase.open(tmp_path / "office.sqlite") as office:
        write_water(office.store, REED_WEIHER, seed=3)
        (fish,) = office.connection.execute("SELECT count(*) FROM worked_fish").fetchone()
        before = office.connection.total_changes
        found = asked(office, water=REED_WEIHER.water)
        assert office.connection.total_changes == before
        assert len(found) < 0.1 * fish
