"""Runs and whose fish are worked up, treatments, crew, and what is observed on a fish.

All agents, codes, tags and waters are invented.
"""

from dataclasses import replace
from pathlib import Path

import pytest

from ingest.assemble.tag_rules import recapture_sentence
from ingest.catch_records import AddCrew, SaveTreatment
from ingest.records import Observation, PriorCapture, RunMethod, SaveRun
from tests.ingest.desk import KNOWN, STOCK, Desk
from tests.ingest.stations import Live, fish, tag, write_station

CODES = """
[observations.mark]
AD = "adipose fin clipped"
[observations.anomaly]
LES = "lesion"
"""


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk.at(tmp_path)


def work_up(desk: Desk, number: int) -> Desk:
    return desk.scan(STOCK[number]).length(312 + number).weigh(412 + number)


def runs(desk: Desk) -> list[SaveRun]:
    """The latest row of each run."""
    latest = {change.run_no: change for change in desk.changes if isinstance(change, SaveRun)}
    return list(latest.values())


def treatments(desk: Desk) -> list[SaveTreatment]:
    latest = {c.treatment_id: c for c in desk.changes if isinstance(c, SaveTreatment)}
    return list(latest.values())


def test_a_run_keeps_how_it_was_fished(desk: Desk) -> None:
    desk.command("run start area=upper bay, gear=boat, pass=2, settings=DC 60 Hz, 25 %").command(
        "run end seconds=640"
    )
    (run,) = runs(desk)
    assert run.method == RunMethod("upper bay", "boat", 2, "DC 60 Hz, 25 %")
    assert (run.ended_at is not None, run.current_on_s) == (True, 640.0)


def test_what_the_crew_says_of_one_run_is_not_the_next_one_s(desk: Desk) -> None:
    desk.command("run start area=upper bay, pass=1").command("run start")
    assert [run.method for run in runs(desk)] == [RunMethod("upper bay", None, 1), RunMethod()]


def test_fish_belong_to_the_run_that_ended_last_not_to_the_one_fished_meanwhile(desk: Desk) -> None:
    desk.command("run start").command("run end").command("run start")
    assert desk.said[-1].sentence == "Run 2 begun. Fish worked up now belong to run 1."
    work_up(desk, 0).command("count +3").command("run end")
    work_up(desk, 1)
    assert [fish.run_no for fish in desk.closed] == [1, 2]
    counted = [change.batch.run_no for change in desk.changes if hasattr(change, "batch")]
    assert counted == [1]


def test_the_crew_says_which_run_is_worked_up_until_it_says_otherwise(desk: Desk) -> None:
    for _ in range(2):
        desk.command("run start").command("run end")
    work_up(desk.command("work-up run 1"), 0)
    work_up(desk.command("run start").command("run end"), 1)
    work_up(desk.command("work-up run last"), 2)
    assert [fish.run_no for fish in desk.closed] == [1, 1, 3]


def test_a_run_that_never_began_is_not_worked_up(desk: Desk) -> None:
    desk.command("work-up run 1")
    assert desk.said[-1].name == "command_refused"
    work_up(desk.command("run start"), 0).command("work-up run 2")
    assert desk.said[-1].sentence == "There is no run 2 yet: the last one is 1."
    assert desk.only.run_no == 1


def test_treated_fish_say_until_when_they_may_not_be_eaten(desk: Desk) -> None:
    work_up(desk, 0).command("treatment agent=example, dose=40 mg/l, withdrawal=2026-06-02")
    work_up(desk, 1).command("treatment end")
    work_up(desk, 2)
    assert [fish.withdrawal_until for fish in desk.closed] == [None, "2026-06-02", None]
    saved = [said for said in desk.said if said.name == "fish_saved"]
    assert [said.facts.get("drug_treated_until") for said in saved] == [None, "2026-06-02", None]
    assert "drug-treated, not to be eaten before 2026-06-02" in saved[1].sentence
    (row,) = treatments(desk)
    assert (row.agent, row.dose, row.withdrawal_until) == ("example", "40 mg/l", "2026-06-02")
    assert row.ended_at is not None


def test_a_treatment_of_one_run_is_not_of_the_others_and_the_longer_wait_counts(desk: Desk) -> None:
    desk.command("run start").command("run end").command("run start").command("run end")
    desk.command("treatment agent=example, withdrawal=2026-05-20")
    desk.command("treatment agent=other, withdrawal=2026-06-02, run=1")
    work_up(desk.command("work-up run 1"), 0)
    work_up(desk.command("work-up run 2"), 1)
    assert [fish.withdrawal_until for fish in desk.closed] == ["2026-06-02", "2026-05-20"]


def test_a_new_treatment_takes_the_place_of_the_one_before_and_the_survey_s_end_ends_it(desk: Desk) -> None:
    desk.command("treatment agent=example, withdrawal=2026-05-20").command("treatment agent=other")
    first, second = treatments(desk)
    assert first.ended_at is not None
    assert second.ended_at is None
    desk.command("survey close")
    assert all(row.ended_at is not None for row in treatments(desk))


def test_a_treatment_of_no_run_and_an_end_of_none_are_refused(desk: Desk) -> None:
    desk.command("treatment agent=example, run=3").command("treatment end")
    assert [said.name for said in desk.said[-2:]] == ["command_refused", "command_refused"]
    assert treatments(desk) == []


@pytest.mark.parametrize(("until", "said"), [("2026-05-13", True), ("2026-05-12", False), (None, False)])
def test_a_recapture_says_the_withdrawal_that_is_not_over(desk: Desk, until: str | None, said: bool) -> None:
    history = desk.lookup.history[KNOWN]
    history[0] = replace(history[0], withdrawal_until=until)
    desk.scan(KNOWN)
    (sentence,) = desk.heard("recapture")
    assert ("not to be eaten before 2026-05-13" in sentence) is said


@pytest.mark.parametrize(
    ("at", "said"),
    [("2026-05-13T03:00:00Z", True), ("2026-05-13T11:59:59Z", True), ("2026-05-13T12:00:00Z", False)],
)
def test_a_withdrawal_lasts_until_its_day_has_begun_everywhere(at: str, said: bool) -> None:
    captured = PriorCapture(
        "2026-05-01T13:00:00Z", None, None, None, 310.0, 400.0, "released", None, None, "2026-05-13"
    )
    assert ("not to be eaten before" in recapture_sentence("...0001", (captured,), at)) is said


def test_a_fish_drugged_in_an_earlier_survey_says_so_when_it_comes_back(tmp_path: Path) -> None:
    live = Live(write_station(tmp_path), 100.0)
    live.event(105.0, "control", "command", command="treatment agent=example, withdrawal=2026-06-02")
    later_s = fish(live, 110.0, "985120000000101")
    live.event(later_s + 1, "control", "command", command="survey close")
    live.hear(later_s + 60, "reader", tag("985120000000101"))
    said = [one for one in live.heard if one.name == "recapture"]
    live.stop(later_s + 70)
    assert "not to be eaten before 2026-06-02" in said[-1].sentence


def test_the_crew_at_each_post_is_kept_by_code(desk: Desk) -> None:
    desk.command("crew netter=AB, tagger=C7").command("run start").command("crew tagger=AB")
    rows = [change for change in desk.changes if isinstance(change, AddCrew)]
    assert [(row.post, row.code, row.run_no) for row in rows] == [
        ("netter", "AB", None), ("tagger", "C7", None), ("tagger", "AB", 1),
    ]  # fmt: skip
    assert len({row.crew_id for row in rows}) == 3


def test_observations_of_the_fish_in_hand_know_the_station_s_codes(tmp_path: Path) -> None:
    desk = Desk.at(tmp_path, more=CODES)
    desk.scan(STOCK[0]).command("mark ad").command("mark old hook scar").command("sample S-014").command(
        "maturity ripe"
    )
    desk.length(312).weigh(412)
    assert desk.only.observations == (
        Observation("mark", "adipose fin clipped", "AD"),
        Observation("mark", "old hook scar"),
        Observation("sample", "S-014"),
        Observation("maturity", "ripe"),
    )


def test_a_code_is_a_key_and_amends_the_fish_saved_last(tmp_path: Path) -> None:
    cards = '[[instrument]]\nname = "cards"\nuse = "keys_barcode"\nport = "/dev/serial/by-id/cards"\n'
    desk = Desk.at(tmp_path, more=CODES + cards)
    work_up(desk.scan(STOCK[0]).command("anomaly thin"), 0).send("cards", "LES\r\n").wait(1).send(
        "cards", "AD\r\n"
    )
    desk.command("sex F").command("sex M")
    made = [(amended.field, amended.old, amended.new) for amended in desk.amendments]
    assert made == [
        ("anomaly", "thin", "thin; lesion (LES)"),
        ("mark", None, "adipose fin clipped (AD)"),
        ("sex", None, "F"),
        ("sex", "F", "M"),
    ]
