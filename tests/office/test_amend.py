"""Corrections in the open: judged as at the station, all of it or nothing, and taken back by one more."""

from math import log10
from pathlib import Path

import pytest

from ingest.catch_records import SaveBatch
from ingest.records import Severity, individual_id
from ingest.store import load_inventory
from office.amend import Outcome, Wanted
from office.amend_list import read_list
from office.database import OfficeDatabase
from tests.ingest import builders
from tests.office.offices import amending, bass, contents, office_with, shown

FISH, OTHER = bass(1), bass(2)
# log10 Ws = -5.528 + 3.273 log10 TL (Henson 1991, as in the species file): 1073 g at 412 mm.
WR_980_G = round(100 * 980 / 10 ** (-5.528 + 3.273 * log10(412)), 1)


@pytest.fixture
def office(tmp_path: Path) -> OfficeDatabase:
    return office_with(tmp_path / "office.sqlite", FISH, OTHER, SaveBatch(builders.batch(1)))


def amended(
    office: OfficeDatabase, fish_id: str = FISH.fish_id, confirm: bool = False, **fields: str
) -> Outcome:
    return amending(office).amend([Wanted(fish_id, fields, "wet sheet")], confirm=confirm)


def refusal(outcome: Outcome) -> str:
    (verdict,) = outcome.verdicts
    assert not outcome.stored
    assert verdict.refused is not None
    return verdict.refused


def test_who_when_why_old_and_new_stay_on_record_with_the_frame_behind_them(office: OfficeDatabase) -> None:
    outcome = amended(office, weight_g="980")
    (row,) = office.connection.execute(
        "SELECT amendment_id, at, who, why, old, new, journal_id, n FROM amendment WHERE field = 'weight_g'"
    )
    said = (
        outcome.verdicts[0].amendment_ids[0],
        "2026-11-20T09:00:00.000Z",
        "AB",
        "wet sheet",
        "1020.5",
        "980",
    )
    assert row == (*said, office.office_id, 1)
    (frame,) = office.connection.execute("SELECT journal_id, n, event, data FROM frame WHERE event = 'amend'")
    assert frame[:3] == (office.office_id, 1, "amend")
    assert b'"weight_g": "980"' in frame[3]


def test_relative_weight_follows_weight_and_length(office: OfficeDatabase) -> None:
    outcome = amended(office, weight_g="980")
    row = shown(office, FISH.fish_id)
    assert (row["weight_g"], row["relative_weight"]) == (980.0, WR_980_G)
    assert ("relative_weight", "98.5", str(row["relative_weight"])) in outcome.verdicts[0].changes


def test_a_weight_too_small_for_its_scale_is_marked_and_gives_no_relative_weight(
    office: OfficeDatabase,
) -> None:
    assert amended(
        office, confirm=True, weight_g="9"
    ).stored  # the scale shows half grams: 20 divisions are 10 g
    row = shown(office, FISH.fish_id)
    assert (row["weight_quality"], row["relative_weight"]) == ("too_coarse", None)


def test_a_new_tag_brings_its_individual_and_what_it_is_known_as(office: OfficeDatabase) -> None:
    load_inventory(office.store, ["985000000000777"], source="stock.csv", at="2026-05-01T00:00:00Z")
    assert amended(office, tag="985.000000000777").stored
    row = shown(office, FISH.fish_id)
    assert (row["tag"], row["tag_status"]) == ("985000000000777", "new")
    assert row["individual_id"] == individual_id("985000000000777")
    assert amended(office, OTHER.fish_id, tag="956000000000001").stored
    assert shown(office, OTHER.fish_id)["tag_status"] == "unknown"
    assert amended(office, tag="").stored
    row = shown(office, FISH.fish_id)
    assert (row["tag"], row["individual_id"], row["tag_status"]) == (None, None, "not_scanned")


def test_what_somebody_gives_is_not_worked_out(office: OfficeDatabase) -> None:
    assert amended(office, tag="956000000000001", tag_status="recapture").stored
    assert shown(office, FISH.fish_id)["tag_status"] == "recapture"


def test_an_individual_is_joined_over_a_re_tagging_by_naming_its_other_tag(office: OfficeDatabase) -> None:
    assert OTHER.tag is not None
    assert amended(office, individual_id=OTHER.tag).stored
    tags = office.connection.execute("SELECT DISTINCT individual_id FROM worked_fish").fetchall()
    assert tags == [(OTHER.individual_id,)]


def test_two_fish_that_swap_their_tags_are_right_only_together(office: OfficeDatabase) -> None:
    assert FISH.tag is not None
    assert OTHER.tag is not None
    wishes = [
        Wanted(FISH.fish_id, {"tag": OTHER.tag}, "swapped in the tub"),
        Wanted(OTHER.fish_id, {"tag": FISH.tag}, "swapped in the tub"),
    ]
    assert amending(office).amend(wishes).stored
    for fish, tag in ((FISH, OTHER.tag), (OTHER, FISH.tag)):
        row = shown(office, fish.fish_id)
        assert (row["tag"], row["tag_status"], row["individual_id"]) == (tag, "new", individual_id(tag))


def test_a_serious_finding_needs_confirm_and_is_kept_as_settled(office: OfficeDatabase) -> None:
    outcome = amended(office, weight_g="102")
    assert not outcome.stored
    assert outcome.verdicts[0].needs_confirm
    assert [one.name for one in outcome.verdicts[0].findings if one.severity is Severity.SERIOUS] == [
        "weight_slip"
    ]
    assert office.connection.execute("SELECT count(*) FROM amendment").fetchone() == (0,)
    assert amended(office, confirm=True, weight_g="102").stored
    found = office.connection.execute("SELECT name, settled, later, journal_id FROM finding").fetchall()
    assert found == [("weight_slip", 1, 1, office.office_id)]


def test_a_finding_that_was_there_before_does_not_stand_in_the_way_of_another_field(
    office: OfficeDatabase,
) -> None:
    assert amended(office, confirm=True, weight_g="102").stored
    assert amended(office, fate="removed").stored


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"length_mm": "4O0"}, 'length_mm "4O0" is no number'),
        ({"length_mm": "0"}, "above 0"),
        ({"weight_g": "1e3"}, "no number of grams"),
        ({"species": "largemouth bas"}, 'did you mean "largemouth_bass"?'),
        ({"tag": "9.0E+14"}, "its digits are lost"),
        ({"fate": ""}, "fate cannot be empty"),
        ({"fate": "eaten"}, "known are released"),
        ({"status": "held"}, "known are saved"),
        ({"run_no": "7"}, "has no run 7"),
        ({"survey_id": "nowhere"}, "no survey"),
        ({"relative_weight": "99"}, "follows from length"),
        ({"colour": "red"}, "no field of a fish"),
        ({"length_type": "", "length_mm": "300"}, "needs its type"),
        ({"weight_g": "1020.50"}, "Nothing would change"),
        ({"worked_up_at": "yesterday"}, "no date"),
        ({"void": "maybe"}, "yes or no"),
    ],
)
def test_what_cannot_be_used_is_refused_in_a_sentence(
    office: OfficeDatabase, fields: dict[str, str], said: str
) -> None:
    assert said in refusal(amending(office).amend([Wanted(FISH.fish_id, fields, "wet sheet")]))
    assert office.connection.execute("SELECT count(*) FROM amendment").fetchone() == (0,)


def test_a_fish_is_named_by_the_beginning_of_its_id(office: OfficeDatabase) -> None:
    assert amended(office, FISH.fish_id[:6].upper(), fate="died").stored
    assert "There is no fish or batch" in refusal(amended(office, "fff", fate="kept"))
    assert "no fish or batch" in refusal(amended(office, "ffffffff", fate="kept"))


def test_an_open_fish_is_left_to_its_station(tmp_path: Path) -> None:
    held = bass(3, closed=False, status="held")
    with office_with(tmp_path / "o.sqlite", held) as office:
        assert "still open at its station" in refusal(amended(office, held.fish_id, fate="died"))


def test_a_fish_moves_to_another_survey_with_its_run_and_back(tmp_path: Path) -> None:
    other = builders.survey(survey_id="survey-2", water="Heron Lake")
    with office_with(tmp_path / "o.sqlite", FISH, other, builders.run(7, survey_id="survey-2")) as office:
        assert "has no run 1" in refusal(amended(office, survey_id="survey-2"))
        moved = amended(office, run_no="7", survey_id="survey-2")
        assert moved.stored
        row = shown(office, FISH.fish_id)
        assert (row["water"], row["run_no"]) == ("Heron Lake", 7)
        assert amending(office).undo(moved.verdicts[0].amendment_ids[:1], why="x").stored
        row = shown(office, FISH.fish_id)
        assert (row["water"], row["run_no"]) == ("Mill Pond", 1)
        assert office.connection.execute("PRAGMA foreign_key_check").fetchall() == []


def test_a_void_fish_comes_back(office: OfficeDatabase) -> None:
    assert amended(office, void="yes").stored
    assert office.connection.execute("SELECT count(*) FROM worked_fish").fetchone() == (1,)
    assert amended(office, void="no").stored
    assert office.connection.execute("SELECT count(*) FROM worked_fish").fetchone() == (2,)


def test_a_batch_is_corrected_and_taken_back(office: OfficeDatabase) -> None:
    batch = builders.batch(1)
    outcome = amended(office, batch.batch_id, species="Bluegill")
    assert outcome.stored
    assert office.connection.execute("SELECT species FROM batch_list").fetchone() == ("bluegill",)
    undone = amending(office).undo(outcome.verdicts[0].amendment_ids, why="no")
    assert undone.stored
    assert office.connection.execute("SELECT species FROM batch_list").fetchone() == (batch.species,)
    assert "no field of a batch" in refusal(amended(office, batch.batch_id, length_mm="100"))


def test_the_last_correction_counts_even_where_a_clock_is_behind(office: OfficeDatabase) -> None:
    assert amended(office, fate="removed").stored
    early = amending(office, at="2020-01-01T00:00:00.000Z")
    assert early.amend([Wanted(FISH.fish_id, {"fate": "kept"}, "seen")]).stored
    assert shown(office, FISH.fish_id)["fate"] == "kept"


# --- undoing ------------------------------------------------------------------------------------------------------


def test_undoing_gives_back_every_field_of_the_correction(office: OfficeDatabase) -> None:
    before = shown(office, FISH.fish_id)
    outcome = amended(
        office, tag="956000000000001", length_mm="300", species="bluegill", note="pale", confirm=True
    )
    undone = amending(office).undo([outcome.verdicts[0].amendment_ids[2][:8]], why="was right")
    assert undone.stored
    assert shown(office, FISH.fish_id) | {"amended": 0} == before


def test_a_later_correction_of_the_same_value_is_undone_first(office: OfficeDatabase) -> None:
    first = amended(office, length_mm="400").verdicts[0].amendment_ids[0]
    second = amended(office, length_mm="401").verdicts[0].amendment_ids[0]
    assert "undo that first" in refusal(amending(office).undo([first], why="x"))
    assert second[:8] in refusal(amending(office).undo([first], why="x"))
    assert amending(office).undo([second, first], why="x").stored
    assert shown(office, FISH.fish_id)["length_mm"] == 412.0
    assert "undone on 2026-11-20 already" in refusal(amending(office).undo([first], why="x"))


def test_another_value_that_was_corrected_later_stays_and_the_relative_weight_follows(
    office: OfficeDatabase,
) -> None:
    length = amended(office, length_mm="400").verdicts[0].amendment_ids[0]
    amended(office, weight_g="980")
    with_both = shown(office, FISH.fish_id)["relative_weight"]
    assert amending(office).undo([length], why="x").stored
    row = shown(office, FISH.fish_id)
    assert (row["length_mm"], row["weight_g"]) == (412.0, 980.0)
    assert row["relative_weight"] == WR_980_G != with_both


def test_an_undoing_can_be_undone(office: OfficeDatabase) -> None:
    made = amended(office, length_mm="400").verdicts[0].amendment_ids[0]
    undone = amending(office).undo([made], why="x").verdicts[0].amendment_ids[0]
    assert amending(office).undo([undone], why="x").stored
    assert shown(office, FISH.fish_id)["length_mm"] == 400.0
    assert amending(office).undo([made], why="x").stored
    assert shown(office, FISH.fish_id)["length_mm"] == 412.0


def test_the_crews_own_amendment_can_be_undone_too(tmp_path: Path) -> None:
    by_crew = builders.amend(FISH, "weight_g", "900")
    with office_with(tmp_path / "o.sqlite", FISH, by_crew) as office:
        assert shown(office, FISH.fish_id)["relative_weight"] is None
        assert amending(office).undo([by_crew.amendment_id], why="the first one was right").stored
        row = shown(office, FISH.fish_id)
        assert (row["weight_g"], row["relative_weight"]) == (1020.5, 98.5)


def test_unknown_amendments_are_named(office: OfficeDatabase) -> None:
    assert 'There is no amendment "12345678"' in refusal(amending(office).undo(["12345678"], why="x"))


# --- lists --------------------------------------------------------------------------------------------------------

HEADING = "fish_id,old_length_mm,new_length_mm,old_tag,new_tag,why,sentence\n"


def test_a_list_is_judged_line_by_line_and_stored_only_as_a_whole(office: OfficeDatabase) -> None:
    text = (
        f'{HEADING}{FISH.fish_id},412,400,,,"sheet, side 2",looked at\n'
        f"{OTHER.fish_id},411,401,,,,\n"
        f"{OTHER.fish_id},,,,,,nothing to correct\n"
    )
    wishes, problems, untouched = read_list(text, "checked")
    assert (problems, untouched) == ([], 1)
    before = contents(office.connection, ("amendment", "frame"))
    outcome = amending(office).amend(wishes)
    assert not outcome.stored
    assert [verdict.line for verdict in outcome.verdicts] == [2, 3]
    assert outcome.verdicts[0].good
    assert (
        outcome.verdicts[1].refused == 'length_mm is 412 now, not "411" as the list says: look at it again.'
    )
    assert contents(office.connection, ("amendment", "frame")) == before
    mended, _, _ = read_list(text.replace("411", "412.0"), "checked")
    assert not amending(office).amend(mended, trial=True).stored
    assert contents(office.connection, ("amendment", "frame")) == before
    assert amending(office).amend(mended).stored
    assert shown(office, OTHER.fish_id)["length_mm"] == 401.0
    whys = office.connection.execute("SELECT DISTINCT why FROM amendment ORDER BY why").fetchall()
    assert whys == [("checked",), ("sheet, side 2",)]


def test_a_fish_that_stands_on_two_lines_is_refused(office: OfficeDatabase) -> None:
    text = f"{HEADING}{FISH.fish_id},412,400,,,,\n{FISH.fish_id[:8]},412,401,,,,\n"
    wishes, _, _ = read_list(text, "checked")
    outcome = amending(office).amend(wishes)
    assert not outcome.stored
    assert "stands on line 2 too" in (outcome.verdicts[1].refused or "")


def test_a_tag_that_a_spreadsheet_damaged_is_refused_with_the_reason(office: OfficeDatabase) -> None:
    text = f"{HEADING}{FISH.fish_id},,,9.8512E+14,956000000000001,,\n"
    wishes, _, _ = read_list(text, "checked")
    assert 'not "9.8512E+14" as the list says' in refusal(amending(office).amend(wishes))
    text = f"{HEADING}{FISH.fish_id},,,'{FISH.tag},9.56E+14,,\n"
    wishes, _, _ = read_list(text, "checked")
    assert "its digits are lost" in refusal(amending(office).amend(wishes))


def test_empty_is_written_as_such(office: OfficeDatabase) -> None:
    wishes, _, _ = read_list(f"{HEADING}{FISH.fish_id},,,'{FISH.tag},(empty),,\n", "no tag in it")
    assert amending(office).amend(wishes).stored
    assert shown(office, FISH.fish_id)["tag"] is None
    wishes, _, _ = read_list(f"{HEADING}{FISH.fish_id},,,(empty),'{FISH.tag},,\n", "found again")
    assert amending(office).amend(wishes).stored
    assert shown(office, FISH.fish_id)["tag"] == FISH.tag


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "there is no heading"),
        ("tag,new_tag,old_tag\n", "no column is headed fish_id"),
        ("fish_id,length\n", "asks for nothing"),
        ("fish_id,new_fate\n", "needs the column old_fate"),
        ("fish_id,new_fate,old_fate,new_fate\n", "two columns are headed new_fate"),
        ("fish_id;new_fate;old_fate\nabcd;kept;died;x\n", "more cells"),
        ("fish_id\tnew_fate\told_fate\n\tkept\tdied\n", "names no record"),
        ('fish_id,new_fate,old_fate\nabcd,"kept,died\n', "mend the quotes"),
    ],
)
def test_a_list_that_is_none_is_refused_in_a_sentence(text: str, said: str) -> None:
    _, problems, _ = read_list(text, "x")
    assert any(said in one.text for one in problems), problems
