"""The office's commands as a person gives them."""

import json
import os
import pty
import subprocess
from pathlib import Path

import pytest

from ingest.records import SaveFish
from tests.cli.command_line import PROGRAM, call, call_json, environment
from tests.ingest.builders import amend, fish, reading, ready, run, survey
from tests.office.pulling import checkpoint, station, write_snapshot


@pytest.fixture
def stick(tmp_path: Path) -> Path:
    """A folder of an office, with the stick of a station of three fish in it."""
    with station(tmp_path / "bank.sqlite") as store:
        store.commit([amend(fish(1), "fate", "died")])
        write_snapshot(store, tmp_path / "stick" / "tallywell")
    return tmp_path


def test_a_day_is_pulled_in_one_command_and_said_in_one_line(stick: Path) -> None:
    done = call("office", "pull", "stick", folder=stick)
    assert done.stdout == "bank, as of 2026-05-12 18:00 UTC: 3 fish, 1 amendment new.\n"
    assert done.stderr == ""
    assert call("office", "pull", "stick", folder=stick).stdout.endswith("nothing new.\n")
    assert (stick / "office.sqlite").is_file()


def test_the_records_of_the_office_read_like_those_of_a_station(stick: Path) -> None:
    call("office", "pull", "bank.sqlite", folder=stick)
    listed = call_json("fish", "list", "--db", "office.sqlite", folder=stick)["fish"]
    assert [one["fate"] for one in listed] == ["died", "released", "released"]


def test_the_status_names_stations_and_what_is_held(stick: Path) -> None:
    call("office", "pull", "stick", folder=stick)
    found = call_json("office", "status", folder=stick)
    assert (found["holds"]["fish"], found["holds"]["amendments"], found["conflicts"]) == (3, 1, 0)
    (one,) = found["stations"]
    assert (one["station"], one["fish"], one["as_of"]) == ("bank", 3, "2026-05-12T18:00:00.000Z")
    text = call("office", "status", folder=stick).stdout
    assert "bank" in text
    assert "2026-05-12 18:00" in text


def test_bytes_that_differ_are_shown_as_they_were_sent(stick: Path) -> None:
    for number, raw in enumerate((b"412 mm\r\n", b"421 mm\r\n")):
        with ready(stick / f"{number}.sqlite") as store:
            store.commit([SaveFish(fish(1, readings=(reading(raw=raw),)))])
        call("office", "pull", f"{number}.sqlite", folder=stick)
    listed = call("office", "conflicts", "list", folder=stick).stdout
    assert r"412 mm\r\n" in listed
    assert r"421 mm\r\n" in listed


def test_a_conflict_is_shown_decided_and_gone(stick: Path) -> None:
    call("office", "pull", "stick", folder=stick)
    with ready(stick / "other.sqlite") as store:
        store.commit([survey(), run(), SaveFish(fish(1, length_mm=399.0))], (), checkpoint(100.0))
    said = call("office", "pull", "other.sqlite", folder=stick).stdout
    assert "1 conflict to be decided" in said
    assert "tallywell office conflicts list" in said
    listed = call("office", "conflicts", "list", folder=stick).stdout
    assert "length_mm" in listed
    assert "399.0" in listed
    (conflict,) = call_json("office", "conflicts", "list", folder=stick)["conflicts"]
    words = ("office", "conflicts", "decide", conflict["conflict_id"][:6])
    call(*words, "--keep", "both", "--who", "AB", "--why", "sheet", folder=stick, expect=2)
    done = call(*words, "--keep", "theirs", "--who", "AB", "--why", "sheet", folder=stick)
    assert "Amended: length_mm" in done.stdout
    assert call("office", "conflicts", "list", folder=stick).stdout == "There is no conflict to be decided.\n"
    assert "AB kept theirs" in call("office", "conflicts", "list", "--all", folder=stick).stdout
    shown = call_json("fish", "trace", fish(1).fish_id, "--db", "office.sqlite", folder=stick)
    assert shown["fish"]["length_mm"] == 399.0


def test_what_is_left_out_is_a_failed_check(stick: Path) -> None:
    (stick / "stick" / "tallywell" / "lone.sqlite").write_bytes(b"x")
    done = call("office", "pull", "stick", folder=stick, expect=1)
    assert "3 fish" in done.stdout
    assert "Left out:" in done.stdout
    found = call_json("office", "pull", "stick", folder=stick, expect=1)
    assert len(found["left_out"]) == 1


@pytest.mark.parametrize(
    "words",
    [
        ("pull", "nowhere"),
        ("pull", "bank.sqlite", "--office", "bank.sqlite"),
        ("pull", "bank.sqlite", "--code", "1"),
        ("pull", "http://"),
        ("pull", "stick", "--office", "no/such/folder/office.sqlite"),
        ("status",),
        ("status", "--office", "bank.sqlite"),
        ("conflicts", "list", "--office", "bank.sqlite"),
        ("conflicts", "decide", "x", "--keep", "ours", "--who", "A", "--why", "B"),
    ],
)
def test_what_cannot_be_done_is_one_sentence_and_code_2(stick: Path, words: tuple[str, ...]) -> None:
    done = call("office", *words, folder=stick, expect=2)
    assert done.stdout == ""
    assert done.stderr.rstrip().endswith(".")


def test_a_mistyped_name_makes_no_office(stick: Path) -> None:
    words = ("--keep", "ours", "--who", "A", "--why", "B", "--office", "ofice.sqlite")
    done = call("office", "conflicts", "decide", "x", *words, folder=stick, expect=2)
    assert "There is no office database ofice.sqlite" in done.stderr
    assert not (stick / "ofice.sqlite").exists()


def test_a_terminal_shows_how_far_it_is(stick: Path) -> None:
    ours, theirs = pty.openpty()
    done = subprocess.run(
        [PROGRAM, "office", "pull", "stick"],
        cwd=stick, env=environment(), stdout=subprocess.PIPE, stderr=theirs, timeout=60, check=True,
    )  # fmt: skip
    os.close(theirs)
    shown = os.read(ours, 65536).decode()
    os.close(ours)
    assert "100%" in shown
    assert b"3 fish" in done.stdout
    assert json.loads(call("office", "status", "--json", folder=stick).stdout)["conflicts"] == 0
