"""Fish from elsewhere in an office database: the checks of the station, nothing twice, nothing overwritten."""

from datetime import UTC, datetime
from pathlib import Path

import pytest

from ingest.records import Finding, individual_id
from ingest.store import load_inventory
from office.amend import Wanted
from office.amend_list import read_list
from office.database import OfficeDatabase
from office.importing.difference_list import difference_csv
from office.importing.importing import ImportOutcome, RowVerdict
from office.importing.tables import TableRefusedError
from office.publish.publisher import publish
from office.review.reading import evidence, review
from tests.ingest import builders
from tests.office.offices import amending, bass, book, contents, office_with, one_row, shown
from tests.office.postgres import Server
from tests.office.tables_of_fish import (
    HEADING,
    OTHER_TAG,
    PLAIN,
    TAG,
    csv_of,
    imported,
    saved,
    the_one,
    workbook_of,
)

EVERYTHING = (
    "fish", "fish_tag", "reading", "finding", "observation", "frame", "amendment", "survey", "run", "water",
    "imported_file", "imported_row",
)  # fmt: skip
BASS = ("2025-06-14", "largemouth bass", TAG, "368", "735", "released")
OTHER = ("2025-06-14", "bluegill", OTHER_TAG, "142", "57", "kept")
BARE = ("2025-06-14", "bluegill", "", "138", "", "")
KEYED = PLAIN.replace("[columns]", '[columns]\nkey = "card"')
REPORTS = PLAIN.replace('kind = "survey"', 'kind = "reports"').replace("electrofishing", "angling")


@pytest.fixture
def office(tmp_path: Path) -> OfficeDatabase:
    return OfficeDatabase.open(tmp_path / "office.sqlite")


def kinds(outcome: ImportOutcome) -> list[str]:
    return [one.kind for one in outcome.verdicts]


def names(findings: tuple[Finding, ...]) -> set[str]:
    return {one.name for one in findings}


def reasons(verdict: RowVerdict) -> str:
    assert verdict.kind == "refused"
    return " ".join(verdict.reasons)


# --- taken ---------------------------------------------------------------------------------------------------


def test_a_row_becomes_a_fish_with_its_bytes_behind_it(office: OfficeDatabase) -> None:
    verdict = the_one(imported(office, csv_of(BASS)))
    fish_id = verdict.fish_id or ""
    row = shown(office, fish_id)
    expected = {
        "station": "import", "bench": "plain", "water": "Mill Pond", "run_no": 1, "species": "largemouth_bass", "tag": TAG,
        "tag_status": "new", "length_mm": 368.0, "length_type": "TL", "weight_g": 735.0, "weight_quality": "measured",
        "fate": "released", "status": "saved", "worked_up_at": "2025-06-14T17:00:00.000Z", "closed": 1,
        "individual_id": individual_id(TAG), "rule": "imported",
    }  # fmt: skip
    assert {name: row[name] for name in expected} == expected
    assert 90 < row["relative_weight"] < 110
    source = one_row(office.connection, "SELECT journal_id, opened_n FROM fish WHERE fish_id = ?", fish_id)
    assert source["journal_id"].startswith("import:")
    assert source["opened_n"] == 2
    frame = one_row(
        office.connection, "SELECT n, source, data FROM frame WHERE journal_id = ?", source["journal_id"]
    )
    assert frame == {"n": 2, "source": "file", "data": ",".join(BASS).encode()}
    behind = {one.value: one.raw for one in evidence(office.connection, fish_id)}
    assert behind == {"tag": TAG.encode(), "length": b"368", "weight": b"735"}


def test_the_method_is_that_of_the_run_and_each_area_has_one(office: OfficeDatabase) -> None:
    text = PLAIN.replace("[columns]", '[columns]\narea = "shore"')
    heading = (*HEADING, "shore")
    imported(office, csv_of((*BASS, "west"), (*OTHER, "east"), (*BARE, "west"), heading=heading), text)
    runs = office.connection.execute(
        "SELECT run_no, area, gear, current_on_s, (SELECT count(*) FROM fish AS f WHERE f.run_no = run.run_no) FROM run"
    ).fetchall()
    assert runs == [(1, "west", "electrofishing", None, 2), (2, "east", "electrofishing", None, 1)]
    (survey,) = office.connection.execute("SELECT protocol, opened_at, closed_at FROM survey").fetchall()
    assert survey == ("imported survey", "2025-06-14T05:00:00.000Z", "2025-06-15T05:00:00.000Z")


def test_two_files_of_one_day_meet_in_one_survey_and_methods_do_not(office: OfficeDatabase) -> None:
    imported(office, csv_of(BASS), name="one.csv")
    imported(office, csv_of(OTHER), PLAIN.replace('"Mill Pond"', '"mill pond"'), name="two.csv")
    imported(office, csv_of(BARE), REPORTS, name="three.csv")
    rows = office.connection.execute("SELECT water, protocol FROM survey ORDER BY protocol").fetchall()
    assert rows == [("Mill Pond", "imported reports"), ("Mill Pond", "imported survey")]


def test_inches_pounds_and_a_decimal_comma_are_converted_exactly(office: OfficeDatabase) -> None:
    text = PLAIN.replace('[units]\nlength = "mm"\nweight = "g"', '[units]\nlength = "in"\nweight = "lb"')
    text = text.replace("[columns]", '[file]\ndecimal = ","\n[columns]')
    data = csv_of(("2025-06-14", "largemouth bass", TAG, '"14,5"', '"1,62"', "released"))
    row = shown(office, the_one(imported(office, data, text)).fish_id or "")
    assert (row["length_mm"], row["weight_g"]) == (368.3, 734.8196394)  # 25.4 and 453.59237 (1959)


def test_a_measure_that_cannot_be_read_is_left_out_and_kept_as_it_stood(office: OfficeDatabase) -> None:
    data = csv_of(("2025-06-14", "largemouth bass", TAG, "368", "about 700", "released"))
    verdict = the_one(imported(office, data))
    row = shown(office, verdict.fish_id or "")
    assert (row["weight_g"], row["weight_quality"], row["status"]) == (None, "not_weighed", "incomplete")
    assert names(verdict.findings) == {"value_left_out"}
    behind = {one.value: (one.role, one.raw) for one in evidence(office.connection, row["fish_id"])}
    assert behind["weight"] == ("trail", b"about 700")


def test_the_checks_of_the_station_query_a_slip_and_store_it(office: OfficeDatabase) -> None:
    data = csv_of(("2025-06-14", "largemouth bass", TAG, "368", "7350", "released"))
    verdict = the_one(imported(office, data))
    assert "weight_slip" in names(verdict.findings)
    assert (verdict.status, shown(office, verdict.fish_id or "")["weight_g"]) == ("queried", 7350.0)
    assert [one.fish.fish_id for one in review(office.connection, book())] == [verdict.fish_id]


def test_rows_are_judged_in_the_order_of_their_days(office: OfficeDatabase) -> None:
    later = ("2025-08-20", "largemouth bass", TAG, "340", "735", "released")
    outcome = imported(office, csv_of(later, BASS))
    assert [one.tag_status for one in outcome.verdicts] == ["recapture", "new"]
    assert "shrank" in names(outcome.verdicts[0].findings)


def test_a_recapture_takes_its_species_from_history(office: OfficeDatabase) -> None:
    imported(office, csv_of(BASS))
    data = csv_of(("2025-08-20", "", TAG, "381", "", "released"), ("2025-08-20", "", "", "381", "", ""))
    first, second = imported(office, data, name="later.csv").verdicts
    assert (first.species, second.species) == ("largemouth_bass", None)
    assert names(second.findings) == {"no_species"}


def test_an_animal_reported_that_no_record_knows_is_unknown(office: OfficeDatabase) -> None:
    load_inventory(office.store, [OTHER_TAG], source="stock.csv", at="2025-01-01T00:00:00Z")
    outcome = imported(office, csv_of(BASS, OTHER), REPORTS)
    assert [one.tag_status for one in outcome.verdicts] == ["unknown", "unknown"]


def test_no_tag_is_none_found_only_where_somebody_looked(office: OfficeDatabase) -> None:
    text = PLAIN.replace("[dates]", '[tags]\nnone = ["none"]\n[dates]')
    rows = (BARE, ("2025-06-14", "bluegill", "None", "138", "", ""))
    assert [one.tag_status for one in imported(office, csv_of(*rows), text).verdicts] == [
        "not_scanned",
        "none_found",
    ]
    looked = text.replace("[tags]", '[tags]\nempty = "none_found"').replace("Mill Pond", "Heron Lake")
    assert imported(office, csv_of(BARE), looked).verdicts[0].tag_status == "none_found"


def test_a_capture_told_twice_is_said(tmp_path: Path) -> None:
    with office_with(tmp_path / "office.sqlite", bass(1, tag=TAG)) as office:
        day = ("2026-05-12", "largemouth bass", TAG, "412", "1020", "released")
        verdict = the_one(imported(office, csv_of(day), REPORTS))
        assert names(verdict.findings) == {"captured_same_day"}
        assert verdict.tag_status == "recapture"


def test_a_workbook_with_numbers_for_tags_gives_the_same_fish_as_the_text(office: OfficeDatabase) -> None:
    imported(office, csv_of(BASS, BARE))
    book = workbook_of(
        ("2025-06-14", "largemouth bass", int(TAG), 368, 735.0, "released"),
        (datetime(2025, 6, 14), "bluegill", None, 138, None, None),
    )
    assert kinds(imported(office, saved(book), name="fish.xlsx")) == ["known", "known"]


# --- refused -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("row", "reason"),
    [
        (("", "bluegill", TAG, "142", "57", ""), "day: the row has no date"),
        (("14/06/2025", "bluegill", TAG, "142", "57", ""), "more than one way"),
        (("2026-11-21", "bluegill", TAG, "142", "57", ""), "has not come yet"),
        (("2025-06-14", "blugill", TAG, "142", "57", ""), 'did you mean "bluegill"'),
        (("2025-06-14", "bluegill", "9.99E+14", "142", "57", ""), "its digits are lost"),
        (("2025-06-14", "bluegill", "99900000000017", "142", "57", ""), "drops leading zeros"),
        (("2025-06-14", "bluegill", "999001000000000", "142", "57", ""), "cut its last digits"),
        (("2025-06-14", "bluegill", "#VALUE!", "142", "57", ""), "error of a formula"),
        (("2025-06-14", "bluegill", TAG, "142", "57", "relesed"), 'did you mean "released"'),
        (("2025-06-14", "bluegill", TAG, "142", "57", "", "more"), "more cells than the heading"),
    ],
)
def test_a_row_that_cannot_be_used_is_refused_with_its_reason(
    office: OfficeDatabase, row: tuple[str, ...], reason: str
) -> None:
    before = contents(office.connection, EVERYTHING)
    assert reason in reasons(the_one(imported(office, csv_of(row))))
    assert contents(office.connection, EVERYTHING) == before


def test_every_reason_against_a_row_is_given_at_once(office: OfficeDatabase) -> None:
    verdict = the_one(imported(office, csv_of(("", "perhaps", "9.99E+14", "", "", ""))))
    assert len(verdict.reasons) == 3


def test_the_others_are_taken_and_the_mended_row_comes_later(office: OfficeDatabase) -> None:
    bad = ("2025-06-14", "bluegill", "9.99E+14", "142", "57", "kept")
    assert kinds(imported(office, csv_of(BASS, bad, BARE))) == ["new", "refused", "new"]
    assert kinds(imported(office, csv_of(BASS, OTHER, BARE))) == ["known", "new", "known"]


def test_many_tags_that_end_in_zeros_were_cut_and_one_is_only_doubted(office: OfficeDatabase) -> None:
    one = imported(office, csv_of(("2025-06-14", "bluegill", "999000000123000", "142", "57", "")), trial=True)
    assert names(the_one(one).findings) == {"row_doubtful"}
    rows = [("2025-06-14", "bluegill", f"999000000{n:03}000", "142", "57", "") for n in range(1, 4)]
    assert kinds(imported(office, csv_of(*rows))) == ["refused"] * 3
    written = [("2025-06-14", "bluegill", f"999.000000{n:03}000", "142", "57", "") for n in range(1, 4)]
    assert kinds(imported(office, csv_of(*written), trial=True)) == ["new"] * 3


def test_a_time_later_today_has_not_come_yet(office: OfficeDatabase) -> None:
    text = PLAIN.replace("[columns]", '[columns]\ntime = "at"')
    now = datetime(2025, 6, 14, 18, tzinfo=UTC)  # 13:00 at the water
    data = csv_of((*BASS, "13:30"), (*OTHER, "12:30"), heading=(*HEADING, "at"))
    assert kinds(imported(office, data, text, at=now)) == ["refused", "new"]


def test_a_method_must_be_known_or_explained(office: OfficeDatabase) -> None:
    text = PLAIN.replace('method = "electrofishing"', "").replace("[columns]", '[columns]\nmethod = "how"')
    data = csv_of((*BASS, "anglin"), (*OTHER, "rod"), heading=(*HEADING, "how"))
    first, second = imported(office, data, text, trial=True).verdicts
    assert 'did you mean "angling"' in reasons(first)
    assert "Or say in [methods]" in reasons(second)
    taken = imported(office, data, text + '[methods]\n"rod" = "angling"\n').verdicts[1]
    assert taken.row is not None
    assert taken.row.method == "angling"


def test_a_species_of_the_mapping_that_is_none_is_refused_before_any_row(office: OfficeDatabase) -> None:
    with pytest.raises(TableRefusedError, match="mapping names a species"):
        imported(office, csv_of(BASS), PLAIN + '[species]\n"perch" = "perchh"\n')


def test_a_water_that_is_new_is_said_with_the_one_that_it_looks_like(office: OfficeDatabase) -> None:
    imported(office, csv_of(BASS))
    other = imported(office, csv_of(OTHER), PLAIN.replace("Mill Pond", "Mil Pond"), trial=True)
    assert other.new_waters == {"Mil Pond": "Mill Pond"}


# --- again, corrected, moved ---------------------------------------------------------------------------------


def test_a_trial_says_what_applying_does_and_leaves_no_trace(office: OfficeDatabase) -> None:
    bad = ("2025-06-14", "bluegill", "9.99E+14", "142", "57", "kept")
    later = ("2025-08-20", "largemouth bass", TAG, "381", "7350", "released")
    data = csv_of(BASS, bad, later, BARE)
    before = contents(office.connection, EVERYTHING)
    trial = imported(office, data, trial=True)
    assert contents(office.connection, EVERYTHING) == before
    assert not trial.stored
    real = imported(office, data)
    assert (real.verdicts, real.new_waters, real.stored) == (trial.verdicts, trial.new_waters, True)


def test_the_same_file_twice_changes_nothing(office: OfficeDatabase) -> None:
    data = csv_of(BASS, BASS, BARE, BARE, OTHER)
    assert kinds(imported(office, data)) == ["new"] * 5
    before = contents(office.connection, EVERYTHING)
    assert kinds(imported(office, data)) == ["known"] * 5
    assert contents(office.connection, EVERYTHING) == before


def test_two_offices_give_a_row_the_same_record(tmp_path: Path) -> None:
    seen = []
    for number in (1, 2):
        with OfficeDatabase.open(tmp_path / f"{number}.sqlite") as office:
            imported(office, csv_of(BASS, BARE))
            seen.append(
                contents(office.connection, ("fish", "fish_tag", "reading", "finding", "survey", "run"))
            )
    assert seen[0] == seen[1]


def test_rows_put_in_between_and_turned_around_are_known_again(office: OfficeDatabase) -> None:
    imported(office, csv_of(BASS, OTHER, BARE))
    new = ("2025-06-15", "bluegill", "", "120", "", "")
    assert kinds(imported(office, csv_of(new, BARE, BASS, OTHER))) == ["new", "known", "known", "known"]


def test_a_corrected_value_differs_and_is_left_to_an_amendment(office: OfficeDatabase) -> None:
    fish_id = imported(office, csv_of(BASS, OTHER)).verdicts[0].fish_id or ""
    before = contents(office.connection, EVERYTHING[:-2])
    data = csv_of(("2025-06-14", "largemouth bass", TAG, "386", "735", "kept"), OTHER)
    outcome = imported(office, data)
    assert kinds(outcome) == ["differs", "known"]
    assert outcome.verdicts[0].fish_id == fish_id
    assert [(one.field, one.stored, one.file) for one in outcome.verdicts[0].differences] == [
        ("length_mm", "368", "386"),
        ("fate", "released", "kept"),
    ]
    assert contents(office.connection, EVERYTHING[:-2]) == before

    wishes, problems, _ = read_list(difference_csv(outcome.verdicts, "fish.csv"), "corrected file")
    assert not problems
    assert amending(office).amend(wishes).stored
    assert shown(office, fish_id)["length_mm"] == 386.0
    assert kinds(imported(office, data)) == ["known", "known"]
    assert kinds(imported(office, csv_of(BASS, OTHER))) == [
        "known",
        "known",
    ]  # as it was saved: nothing new either


def test_the_same_file_with_a_corrected_mapping_differs_and_makes_no_second_fish(
    office: OfficeDatabase,
) -> None:
    imported(office, csv_of(BASS, BARE))
    inches = PLAIN.replace('[units]\nlength = "mm"', '[units]\nlength = "cm"')
    outcome = imported(office, csv_of(BASS, BARE), inches)
    assert kinds(outcome) == ["differs", "differs"]
    assert [one.file for one in outcome.verdicts[1].differences] == ["1380"]
    other = imported(office, csv_of(BASS, BARE), PLAIN.replace("Mill Pond", "Heron Lake"))
    assert kinds(other) == ["differs", "differs"]
    assert [one.field for one in other.verdicts[0].differences if not one.amendable] == ["survey_id"]
    assert office.connection.execute("SELECT count(*) FROM fish").fetchone() == (2,)


def test_a_row_without_a_tag_that_was_corrected_is_no_second_fish(office: OfficeDatabase) -> None:
    imported(office, csv_of(BASS, BARE))
    mended = ("2025-06-14", "bluegill", "", "183", "", "")
    outcome = imported(office, csv_of(BASS, mended))
    assert kinds(outcome) == ["known", "refused"]
    assert "row 3 of an earlier file" in reasons(outcome.verdicts[1])


def test_a_corrected_row_that_moved_in_the_file_is_no_second_fish(office: OfficeDatabase) -> None:
    imported(office, csv_of(BASS, BARE))
    mended = ("2025-06-14", "bluegill", "", "183", "", "")
    assert kinds(imported(office, csv_of(mended, BASS))) == ["refused", "known"]


def test_a_cell_that_cannot_be_read_says_nothing_against_a_stored_value(office: OfficeDatabase) -> None:
    imported(office, csv_of(BASS))
    assert kinds(imported(office, csv_of((*BASS[:3], "36 8", *BASS[4:])))) == ["known"]


def test_a_corrected_tag_is_no_second_fish_until_the_first_is_void(office: OfficeDatabase) -> None:
    first = imported(office, csv_of(BASS, OTHER)).verdicts[1].fish_id or ""
    mended = ("2025-06-14", "bluegill", "999000000000032", "142", "57", "kept")
    assert first[:8] in reasons(imported(office, csv_of(BASS, mended)).verdicts[1])
    assert amending(office).amend([Wanted(first, {"void": "yes"}, "another fish")]).stored
    assert kinds(imported(office, csv_of(BASS, mended))) == ["known", "new"]


def test_a_row_taken_out_of_the_file_is_said(office: OfficeDatabase) -> None:
    lost = imported(office, csv_of(BASS, OTHER)).verdicts[1].fish_id
    outcome = imported(office, csv_of(BASS))
    assert (kinds(outcome), outcome.gone) == (["known"], {lost: 3})


def test_another_year_under_the_same_name_is_another_file(office: OfficeDatabase) -> None:
    imported(office, csv_of(BASS, OTHER))
    rows = [
        ("2026-06-14", "largemouth bass", TAG, "391", "", "released"),
        ("2026-06-14", "bluegill", "", "150", "", ""),
    ]
    assert kinds(imported(office, csv_of(*rows))) == ["new", "new"]


def test_a_key_ties_a_row_to_its_fish_whatever_else_is_corrected(office: OfficeDatabase) -> None:
    heading = (*HEADING, "card")
    imported(office, csv_of((*BASS, "A1"), (*BARE, "A2"), heading=heading), KEYED)
    mended = ("2025-06-13", "largemouth bass", OTHER_TAG, "370", "735", "released", "A1")
    outcome = imported(office, csv_of((*BARE, "A2"), mended, heading=heading), KEYED, name="later.csv")
    assert kinds(outcome) == ["known", "differs"]
    assert {one.field for one in outcome.verdicts[1].differences} == {
        "worked_up_at",
        "tag",
        "length_mm",
        "survey_id",
    }


def test_keys_given_later_find_the_fish_that_were_there_before(office: OfficeDatabase) -> None:
    imported(office, csv_of(BASS, BARE))
    heading = (*HEADING, "card")
    assert (
        kinds(imported(office, csv_of((*BASS, "A1"), (*BARE, "A2"), heading=heading), KEYED)) == ["known"] * 2
    )
    mended = ("2025-06-14", "bluegill", "", "183", "", "")
    again = imported(office, csv_of((*BASS, "A1"), (*mended, "A2"), heading=heading), KEYED)
    assert kinds(again) == ["known", "differs"]


def test_a_key_stands_once_and_on_every_row(office: OfficeDatabase) -> None:
    outcome = imported(
        office, csv_of((*BASS, "A1"), (*OTHER, "A1"), (*BARE, ""), heading=(*HEADING, "card")), KEYED
    )
    assert kinds(outcome) == ["new", "refused", "refused"]
    assert "stands on row 2 too" in reasons(outcome.verdicts[1])
    assert "give the row its key" in reasons(outcome.verdicts[2])


def test_two_sheets_of_one_workbook_are_two_tables(office: OfficeDatabase) -> None:
    book = workbook_of(BASS)
    sheet = book.create_sheet("more")
    for row in (HEADING, OTHER):
        sheet.append(row)
    for name in ("Sheet", "more"):
        text = PLAIN.replace("[columns]", f'[file]\nsheet = "{name}"\n[columns]')
        assert the_one(imported(office, saved(book), text, name="fish.xlsx")).kind == "new"
        assert the_one(imported(office, saved(book), text, name="fish.xlsx")).kind == "known"


def test_a_fish_moved_to_another_survey_takes_its_run_along(tmp_path: Path) -> None:
    with office_with(tmp_path / "office.sqlite") as office:
        heading = (*HEADING, "card")
        other_day = ("2025-06-15", "bluegill", "", "120", "", "", "A2")
        fish_id = (
            imported(office, csv_of((*BASS, "A1"), other_day, heading=heading), KEYED).verdicts[0].fish_id
            or ""
        )
        moved = ("2025-06-15", *BASS[1:], "A1")
        outcome = imported(office, csv_of(moved, other_day, heading=heading), KEYED)
        wishes, _, _ = read_list(difference_csv(outcome.verdicts, "fish.csv"), "corrected file")
        assert amending(office).amend(wishes).stored
        row = shown(office, fish_id)
        assert (row["worked_up_at"], row["run_no"]) == ("2025-06-15T17:00:00.000Z", 1)
        assert row["survey_id"] != builders.survey().survey_id
        assert kinds(imported(office, csv_of(moved, other_day, heading=heading), KEYED)) == ["known", "known"]


def test_imported_fish_are_published_and_read_the_same_on_the_server(
    office: OfficeDatabase, postgres: Server, database: str
) -> None:
    imported(office, csv_of(BASS, BARE, ("2025-06-14", "bluegill", OTHER_TAG, "about 140", "57", "kept")))
    address = postgres.address(database)
    assert publish(office.connection, office.office_id, address).conflicts == 0
    columns = "fish_id, water, run_no, species, tag, length_mm, weight_g, status"
    here = office.connection.execute(f"SELECT {columns} FROM worked_fish ORDER BY fish_id").fetchall()
    with postgres.connect(database) as server:
        assert (
            server.execute(f"SELECT {columns} FROM tallywell.worked_fish ORDER BY fish_id").fetchall() == here
        )
        methods = server.execute("SELECT DISTINCT gear FROM tallywell.run_list").fetchall()
    assert methods == [("electrofishing",)]
