"""The records of a replayed day, as a person asks for them."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from cli.errors import RefusedError
from cli.questions import fish_trace
from tests.cli.command_line import call, call_json, call_program
from tests.cli.invented_day import RECAPTURED, STOCK


def test_the_list_has_every_fish_that_counts_with_its_measures(replayed: Path) -> None:
    fish = call_json("fish", "list", folder=replayed)["fish"]
    assert [(one["tag"], one["length_mm"], one["weight_g"]) for one in fish] == [
        (RECAPTURED, 345.0, 560.0),
        (STOCK[0], 300.0, 385.0),
        (STOCK[1], 280.0, 300.0),
    ]
    assert [one["tag_status"] for one in fish] == ["recapture", "new", "new"]
    assert fish[2]["fate"] == "removed"
    assert fish[2]["amended"] == 1


def test_void_fish_are_listed_only_when_asked_for(replayed: Path) -> None:
    void = call_json("fish", "list", "--status", "void", folder=replayed)["fish"]
    assert [one["tag"] for one in void] == [STOCK[2]]


def test_the_list_for_people_has_units_and_the_time_of_the_station(replayed: Path) -> None:
    lines = call("fish", "list", folder=replayed, columns=140).stdout.splitlines()
    assert lines[0].split()[-1] == "findings"
    assert all(unit in lines[0].split() for unit in ("mm", "g", "%"))
    assert "08:00:12" in lines[1]  # 13:00:12 UTC in Chicago in May
    assert lines[-1] == "3 fish: 3 saved. Times of 2026-05-12: America/Chicago."


@pytest.mark.parametrize("columns", [80, 100, 140])
def test_the_list_fits_the_terminal(replayed: Path, columns: int) -> None:
    for line in call("fish", "list", folder=replayed, columns=columns).stdout.splitlines():
        assert len(line) <= columns


def test_findings_stand_below_their_fish_where_there_is_no_room_beside_it(replayed: Path) -> None:
    lines = call("fish", "list", folder=replayed, columns=80).stdout.splitlines()
    assert STOCK[0] in lines[2]
    assert lines[3].strip() == "weight slip, weight mended"


@pytest.mark.parametrize("written", ["Spring", "alder pond", "last"])
def test_a_survey_is_found_by_name_water_or_as_the_last(replayed: Path, written: str) -> None:
    assert len(call_json("fish", "list", "--survey", written, folder=replayed)["fish"]) == 3


def test_a_survey_is_found_by_the_beginning_of_its_id(replayed: Path) -> None:
    survey = call_json("survey", "list", folder=replayed)["surveys"][0]
    assert (
        call_json("survey", "status", "--survey", survey["survey_id"][:6], folder=replayed)["survey"]
        == survey
    )


def test_the_history_gives_growth_since_the_capture_before(replayed: Path) -> None:
    captures = call_json("fish", "history", f"985.{RECAPTURED[3:]}", folder=replayed)["captures"]
    assert [(one["length_mm"], one["weight_g"]) for one in captures] == [(310.0, 400.0), (345.0, 560.0)]
    assert (captures[1]["mm_since"], captures[1]["g_since"]) == (35.0, 160.0)
    assert captures[1]["days_since"] == pytest.approx(365, abs=1)
    text = call("fish", "history", RECAPTURED, folder=replayed).stdout
    assert text.startswith(f"Tag {RECAPTURED}, largemouth bass, Alder Pond\n")
    for shown in ("length mm", "+35", "+160.0", "365"):
        assert shown in text


def test_a_tag_without_captures_is_said_to_be_in_the_inventory(replayed: Path) -> None:
    text = call("fish", "history", STOCK[5], folder=replayed).stdout
    assert "never captured" in text
    assert "inventory/stock.csv" in text


def test_a_trace_shows_the_bytes_behind_every_value(replayed: Path) -> None:
    fish = call_json("fish", "list", folder=replayed)["fish"][1]
    found = call_json("fish", "trace", fish["fish_id"][:8], folder=replayed)
    by_role = {(one["kind"], one["role"]): one for one in found["readings"]}
    assert by_role["weight", "replaced"]["raw"] == "+    38.5 g  \\r\\n"
    assert by_role["weight", "used"]["value"] == 385.0
    assert by_role["length", "used"]["instrument"] == "board"
    assert bytes.fromhex(by_role["tag", "used"]["raw_hex"]).strip() == STOCK[0].encode()
    names = {one["name"]: one["settled"] for one in found["findings"]}
    assert names["weight_slip"] == 1
    text = call("fish", "trace", fish["fish_id"], folder=replayed).stdout
    for shown in ("+    38.5 g  \\r\\n", "replaced", "scale", "08:00:21.000", "slipped decimal", "settled"):
        assert shown in text


def test_a_trace_shows_who_amended_what(replayed: Path) -> None:
    fish = call_json("fish", "list", folder=replayed)["fish"][2]
    found = call_json("fish", "trace", fish["fish_id"], folder=replayed)
    assert [(one["field"], one["old"], one["new"]) for one in found["amendments"]] == [
        ("fate", "released", "removed")
    ]
    assert found["as_saved"]["fate"] == "released"
    assert "fate was released" in call("fish", "trace", fish["fish_id"], folder=replayed).stdout


def test_the_survey_status_counts_the_catch(replayed: Path) -> None:
    found = call_json("survey", "status", folder=replayed)
    assert found["catch"] == [
        {
            "species": "largemouth_bass",
            "n": 3,
            "n_tagged": 3,
            "n_recaptures": 1,
            "shortest_mm": 280.0,
            "longest_mm": 345.0,
            "weight_g": 1245.0,
            "n_removed": 1,
        }
    ]
    assert "shortest mm" in call("survey", "status", folder=replayed).stdout


def test_a_database_is_read_without_a_station_file(replayed: Path, tmp_path: Path) -> None:
    text = call("fish", "list", "--db", replayed / "work-up.sqlite", folder=tmp_path).stdout
    assert "Times of 2026-05-12: UTC." in text


def test_reading_leaves_the_database_and_its_folder_as_they_were(replayed: Path) -> None:
    before = (sorted(path.name for path in replayed.iterdir()), (replayed / "work-up.sqlite").read_bytes())
    for words in (["fish", "list"], ["fish", "history", RECAPTURED], ["survey", "status"], ["tags", "list"]):
        call(*words, folder=replayed)
    after = (sorted(path.name for path in replayed.iterdir()), (replayed / "work-up.sqlite").read_bytes())
    assert before == after


def test_what_is_not_there_is_said_with_what_there_is(replayed: Path) -> None:
    assert (
        "Alder Pond, Spring" in call("fish", "list", "--survey", "Autumn", folder=replayed, expect=2).stderr
    )
    assert "parked" in call("fish", "list", "--status", "lost", folder=replayed, expect=2).stderr
    assert "fish list" in call("fish", "trace", "zzzz", folder=replayed, expect=2).stderr
    assert "12" in call("fish", "history", "12", folder=replayed, expect=2).stderr


def test_the_installed_program_prints_the_same(replayed: Path) -> None:
    for words in (["fish", "list"], ["fish", "history", RECAPTURED], ["survey", "list", "--json"]):
        assert call_program(*words, folder=replayed).stdout == call(*words, folder=replayed).stdout


def test_nothing_is_the_beginning_of_no_id(tmp_path: Path) -> None:
    with closing(sqlite3.connect(tmp_path / "one-fish.sqlite")) as connection:
        connection.execute("CREATE TABLE fish (fish_id TEXT)")
        connection.execute("INSERT INTO fish VALUES ('5d096241-6266-5a23-86ba-dd9393e09109')")
        with pytest.raises(RefusedError, match="first four characters"):
            fish_trace(connection, " ")
