"""`tallywell office pack` and `station pack`: from the office's database to a recapture at the station."""

import json
from pathlib import Path

import pytest

from tests.cli.command_line import call, call_json
from tests.cli.invented_day import STOCK, WATER, write_day, write_station
from tests.ingest.daemon_tools import wait_for
from tests.office.offices import bass, office_with
from tests.station.page_tools import page_on

FISH = bass(1, tag=STOCK[1], fate="removed", withdrawal_until="2099-01-01")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    write_station(tmp_path)
    office_with(tmp_path / "office.sqlite", FISH, bass(2)).close()
    return tmp_path


def test_the_history_goes_along_and_the_station_knows_the_fish(folder: Path) -> None:
    said = call("office", "pack", "mill pond", "--out", "stick", folder=folder)
    assert "2 captures of 2 animals of Mill Pond" in said.stdout
    taken = call("station", "pack", "stick", "--config", "STATION.toml", folder=folder)
    assert "for Mill Pond. This station works at Alder Pond: look" in taken.stdout
    again = call_json("station", "pack", "stick", "--config", "STATION.toml", folder=folder)
    assert (again["taken"], again["waters"]) == (False, ["Mill Pond"])
    write_day(folder)
    call("replay", "day.jsonl", "--config", "STATION.toml", "--db", "work-up.sqlite", folder=folder)
    captures = call_json("fish", "history", STOCK[1], "--db", "work-up.sqlite", folder=folder)["captures"]
    assert (captures[0]["water"], captures[0]["fate"]) == ("Mill Pond", "removed")
    listed = call_json("fish", "list", "--db", "work-up.sqlite", folder=folder)["fish"]
    (fish,) = [one for one in listed if one["tag"] == STOCK[1]]
    assert fish["tag_status"] == "recapture"
    assert "recorded_as_gone" in fish["findings"]


def test_the_office_corrects_a_day_and_the_station_that_worked_it_learns_of_it(tmp_path: Path) -> None:
    write_station(tmp_path)
    day = write_day(tmp_path)
    close = {"t": 70.0, "from": "control", "event": "command", "body": {"command": "survey close"}}
    day.write_text(day.read_text() + json.dumps(close) + "\n")
    call("replay", day, "--config", "STATION.toml", "--db", "work-up.sqlite", folder=tmp_path)
    call("office", "pull", "work-up.sqlite", folder=tmp_path)
    (fish,) = [one for one in call_json("fish", "list", "--db", "office.sqlite", folder=tmp_path)["fish"]
               if one["tag"] == STOCK[1]]  # fmt: skip
    call(
        "office", "amend", fish["fish_id"], "length_mm=284", "--who", "AB", "--why", "photo", folder=tmp_path
    )
    call("office", "pack", WATER, "--out", "next", folder=tmp_path)
    call("station", "pack", "next", folder=tmp_path)
    capture = {"capture": 1, "station": "test-bank", "started": "2026-06-12T13:00:00Z"}
    said = [
        (2.0, "reader", f"{STOCK[1]}\r"),
        (6.0, "board", "290 mm\r"),
        (12.0, "scale", "+   320.0 g  \r\n"),
    ]
    lines = [capture, *({"t": t_s, "from": source, "data": data} for t_s, source, data in said)]
    (tmp_path / "june.jsonl").write_text("".join(json.dumps(line) + "\n" for line in lines))
    call(
        "replay",
        "june.jsonl",
        "--config",
        "STATION.toml",
        "--db",
        "work-up.sqlite",
        "--append",
        folder=tmp_path,
    )
    captures = call_json("fish", "history", STOCK[1], "--db", "work-up.sqlite", folder=tmp_path)["captures"]
    assert [(one["length_mm"], one["mm_since"]) for one in captures] == [(284.0, None), (290.0, 6.0)]


def test_a_stick_gets_the_pack_into_the_agreed_folder_and_gives_it_back(folder: Path) -> None:
    (folder / "stick" / "tallywell").mkdir(parents=True)
    document = call_json("office", "pack", "Mill Pond", "--out", "stick", folder=folder)
    assert Path(document["pack"]).parent == Path("stick/tallywell/pack")
    call("station", "pack", "stick", folder=folder)


def test_a_station_on_the_network_takes_the_pack_and_knows_the_fish(folder: Path) -> None:
    with page_on(folder / "bank") as (station, address):
        said = call("office", "pack", "Mill Pond", "--out", address, folder=folder).stdout
        assert f"{address}: History pack of" in said
        again = call_json("office", "pack", "Mill Pond", "--out", f"{address}/", folder=folder)
        assert again["pack"] == f"{address}/"
        wait_for(lambda: "New settings are in use" in station.said(), "the pack in use", station.process)
        station.work_up(STOCK[1])
        wait_for(lambda: len(station.fish()) == 1, "the fish", station.process)
        assert station.fish()[0]["tag_status"] == "recapture"


def test_own_species_limits_and_tags_go_along(folder: Path) -> None:
    (folder / "own").mkdir()
    (folder / "own" / "invented_bass.toml").write_text(
        'common = "Invented Bass"\nscientific = "Inventus invenit"\n'
    )
    (folder / "checks.toml").write_text("shrink_mm = 20.0\n")
    (folder / "box.csv").write_text("tag\n985.000000000999\n")
    more = ("--species", "own", "--checks", "checks.toml", "--tags", "box.csv")
    document = call_json("office", "pack", "Mill Pond", "--out", "p", *more, folder=folder)
    assert document["files"] == [
        "checks.toml", "history.csv", "inventory.csv", "relations.csv", "species/invented_bass.toml",
    ]  # fmt: skip
    assert document["unused_tags"] == 1
    call("station", "pack", "p", folder=folder)
    checked = call_json("station", "check", "STATION.toml", folder=folder)
    assert (checked["n_species"], checked["table_problems"]) == (59, [])


def test_an_older_pack_needs_force(folder: Path) -> None:
    call("office", "pack", "Mill Pond", "--out", "first", folder=folder)
    call("office", "pack", "Mill Pond", "--out", "second", folder=folder)
    call("station", "pack", "second", folder=folder)
    refused = call("station", "pack", "first", folder=folder, expect=2)
    assert "the newer one stays" in refused.stderr
    call("station", "pack", "first", "--force", folder=folder)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("office", "pack", "Sea", "--out", "p"), 'no water "Sea"'),
        (
            ("office", "pack", "Mill Pond", "--out", "p", "--office", "none.sqlite"),
            "There is no office database none.sqlite",
        ),
        (("office", "pack", "Mill Pond", "--out", "p", "--tags", "bad.csv"), "its digits are lost"),
        (("office", "pack", "Mill Pond", "--out", "p", "--checks", "bad.toml"), "bad.toml"),
        (("office", "pack", "Mill Pond", "--out", "http://127.0.0.1:9"), "cannot be reached"),
        (("office", "pack", "Mill Pond", "--out", "ftp://bank"), "is no address of a station"),
        (("station", "pack", "nowhere"), "There is no nowhere"),
        (("station", "pack", "."), "There is no history pack"),
        (("station", "pack", "bad.csv"), "damaged or no history pack"),
    ],
)
def test_what_cannot_be_done_is_said_in_a_sentence(folder: Path, words: tuple[str, ...], said: str) -> None:
    (folder / "bad.csv").write_text("tag\n9.8512E+14\n")
    (folder / "bad.toml").write_text("shrink = 20\n")
    assert said in call(*words, folder=folder, expect=2).stderr
