"""Inventories on their way to the station."""

from pathlib import Path

from ingest.station_config import load_station
from tests.cli.command_line import call, call_json
from tests.cli.invented_day import RECAPTURED, REMOVED_CARD, STOCK

NEW = "985000000000201"


def _write(folder: Path, text: str, name: str = "new.csv") -> str:
    (folder / name).write_text(text)
    return name


def test_a_good_inventory_is_copied_as_it_is_and_the_station_knows_its_tags(station: Path) -> None:
    folder = station.parent
    name = _write(folder, f"tag;box\r\n985.{NEW[3:]};7\r\n")
    found = call_json("tags", "import", name, folder=folder)
    assert found["files"][0]["tags"] == 1
    assert (folder / "inventory" / name).read_bytes() == (folder / name).read_bytes()
    assert NEW in {row.tag for row in load_station(station).inventory}


def test_importing_twice_changes_nothing_and_says_so(station: Path) -> None:
    name = _write(station.parent, f"tag\n{NEW}\n")
    call("tags", "import", name, folder=station.parent)
    assert "already in" in call("tags", "import", name, folder=station.parent).stdout


def test_a_row_that_a_spreadsheet_spoilt_stops_the_import_and_is_named(station: Path) -> None:
    folder = station.parent
    name = _write(folder, f"tag\n{NEW}\n9.85E+14\n")
    found = call_json("tags", "import", name, folder=folder, expect=1)["files"][0]
    assert [(one["line"], one["left_out"]) for one in found["problems"]] == [(3, "row")]
    assert not (folder / "inventory" / name).exists()
    done = call("tags", "import", name, folder=folder, expect=1)
    assert "spreadsheet" in done.stdout
    assert "--skip-bad-rows" in done.stdout


def test_bad_rows_can_be_skipped_knowingly(station: Path) -> None:
    name = _write(station.parent, f"tag\n{NEW}\n9.85E+14\n")
    call("tags", "import", name, "--skip-bad-rows", folder=station.parent)
    assert (station.parent / "inventory" / name).exists()


def test_the_code_of_a_command_card_never_becomes_a_tag_for_fish(station: Path) -> None:
    name = _write(station.parent, f"tag\n{REMOVED_CARD}\n")
    done = call("tags", "import", name, "--skip-bad-rows", folder=station.parent, expect=1)
    assert "command card" in done.stdout
    load_station(station)


def test_another_file_of_the_same_name_is_not_overwritten(station: Path) -> None:
    before = (station.parent / "inventory" / "stock.csv").read_bytes()
    name = _write(station.parent, f"tag\n{NEW}\n", "stock.csv")
    assert "another name" in call("tags", "import", name, folder=station.parent, expect=1).stdout
    assert (station.parent / "inventory" / "stock.csv").read_bytes() == before


def test_tags_that_are_in_a_fish_or_in_another_inventory_are_pointed_out(station: Path) -> None:
    name = _write(station.parent, f"tag\n{NEW}\n{RECAPTURED}\n{STOCK[0]}\n")
    known = call_json("tags", "import", name, folder=station.parent)["files"][0]["known_elsewhere"]
    assert [(one["tag"], one["line"]) for one in known] == [(RECAPTURED, 3), (STOCK[0], 4)]


def test_the_list_says_which_tags_are_used_since_when(replayed: Path) -> None:
    found = call_json("tags", "list", folder=replayed)
    used = {row["tag"]: row["used_at"] for row in found["tags"]}
    assert set(used) == set(STOCK)
    assert [tag for tag in STOCK if used[tag]] == [*STOCK[:2]]  # the third fish was made void
    assert found["n_unused"] == 4
    text = call("tags", "list", "--unused", folder=replayed).stdout
    assert STOCK[0] not in text
    assert "6 tags, 4 unused." in text


def test_the_database_alone_knows_the_inventory_too(replayed: Path) -> None:
    by_config = call_json("tags", "list", folder=replayed)
    by_database = call_json("tags", "list", "--db", "work-up.sqlite", folder=replayed)
    assert by_database["n_unused"] == by_config["n_unused"]
    assert {row["tag"] for row in by_database["tags"]} == set(STOCK)


def test_a_station_that_has_not_run_lists_its_inventory(station: Path) -> None:
    assert call_json("tags", "list", folder=station.parent)["n_unused"] == len(STOCK)
