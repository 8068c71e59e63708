"""`tallywell office import` as a person calls it, with the examples that are shipped."""

import csv
from pathlib import Path

import pytest

from ingest.shipped import shipped_config
from tests.cli.command_line import call, call_json

EXAMPLES = shipped_config() / "import"
PAPER = ("office", "import", EXAMPLES / "paper_2019.csv", "--mapping", EXAMPLES / "paper_2019.toml")
ANGLERS = ("office", "import", EXAMPLES / "anglers.csv", "--mapping", EXAMPLES / "anglers.toml")
APPLY = ("--apply", "--who", "AB")


def test_a_trial_judges_every_row_and_makes_no_database(tmp_path: Path) -> None:
    said = call(*PAPER, folder=tmp_path).stdout
    assert (
        "Row 3: would be taken: largemouth bass, tag 999000000000017 (new), 241 mm, 178 g, released" in said
    )
    assert "serious: 250 mm and 1950 g do not fit" in said
    assert 'The water "Mill Pond" is new' in said
    assert "4 rows would be taken; nothing was stored yet." in said
    assert not any(tmp_path.iterdir())


def test_refused_rows_are_listed_and_give_exit_code_1_while_the_others_are_taken(tmp_path: Path) -> None:
    call(*PAPER, *APPLY, folder=tmp_path)
    said = call(*ANGLERS, *APPLY, folder=tmp_path, expect=1).stdout
    assert 'Row 4: REFUSED. Tag number: "9.99E+14" is what a spreadsheet makes of a long number' in said
    assert "tag 999000000000017 (recapture), 368.3 mm" in said
    assert "4 rows taken, 1 refused." in said
    assert "0 rows taken, 4 known." in call(*PAPER, *APPLY, folder=tmp_path).stdout


def test_json_holds_every_row_with_its_verdict(tmp_path: Path) -> None:
    call(*PAPER, *APPLY, folder=tmp_path)
    call(*ANGLERS, *APPLY, folder=tmp_path, expect=1)
    document = call_json(*ANGLERS, folder=tmp_path, expect=1)
    assert [one["verdict"] for one in document["rows"]] == ["known", "known", "refused", "known", "known"]
    assert document["stored"] is False


def test_the_bytes_the_row_and_who_brought_it_are_traced(tmp_path: Path) -> None:
    call(*PAPER, *APPLY, folder=tmp_path)
    (fish, *_) = call_json(*PAPER, folder=tmp_path)["rows"]
    said = call("fish", "trace", fish["fish_id"], "--db", "office.sqlite", folder=tmp_path).stdout
    assert "Row 3 of paper_2019.csv, imported on 20" in said
    assert "by AB:\n12.05.2019;west;Forellenbarsch;999000000000017;24,1;178" in said
    assert 'weight: file 1950 g "1950" (used)' in call("office", "review", folder=tmp_path).stdout


def test_differences_become_a_list_that_amend_takes(tmp_path: Path) -> None:
    call(*PAPER, *APPLY, folder=tmp_path)
    corrected = tmp_path / "paper_2019.csv"
    corrected.write_text(PAPER[2].read_text("utf-8").replace(";1950", ";195"), "utf-8")
    words = ("office", "import", corrected, "--mapping", PAPER[4], "--differences", "list.csv")
    said = call(*words, folder=tmp_path, expect=1).stdout
    assert "Row 6: DIFFERS from fish" in said
    assert "weight_g 1950 -> 195" in said
    (line,) = csv.DictReader((tmp_path / "list.csv").read_text("utf-8").splitlines())
    assert (line["old_weight_g"], line["new_weight_g"], line["new_tag"]) == ("1950", "195", "")
    call("office", "amend", "--from", "list.csv", "--who", "AB", "--why", "sheet", "--apply", folder=tmp_path)
    assert "4 known." in call(*words, folder=tmp_path).stdout


def test_a_list_that_has_no_place_is_said_before_anything_is_stored(tmp_path: Path) -> None:
    done = call(*PAPER, *APPLY, "--differences", ".", folder=tmp_path, expect=2)
    assert ". is a folder: name a file." in done.stderr
    assert "4 rows would be taken" in call(*PAPER, folder=tmp_path).stdout


def test_imported_fish_are_exported_and_packed_like_others(tmp_path: Path) -> None:
    call(*PAPER, *APPLY, folder=tmp_path)
    call("office", "export", "csv", "--out", "tables", folder=tmp_path)
    call("office", "export", "darwin-core", "--out", "fish.zip", "--coordinates", "withheld", folder=tmp_path)
    with (tmp_path / "tables" / "worked_fish.csv").open(encoding="utf-8") as file:
        assert {row["tag"] for row in csv.DictReader(file)} == {"999000000000017", "999000000000023", ""}
    with (tmp_path / "tables" / "run_list.csv").open(encoding="utf-8") as file:
        assert {row["gear"] for row in csv.DictReader(file)} == {"electrofishing"}
    said = call("office", "pack", "Mill Pond", "--out", "stick", folder=tmp_path).stdout
    assert "2 capture" in said or "2 tag" in said, said


@pytest.mark.parametrize("garbage", [b"", b"\xff\xfe\x00", b"noise\0", b"PK\3\4"])
def test_no_table_and_no_mapping_is_one_plain_sentence(tmp_path: Path, garbage: bytes) -> None:
    for name in ("none.csv", "none.xlsx", "none.toml"):
        (tmp_path / name).write_bytes(garbage)
    for table in ("none.csv", "none.xlsx", "missing.csv"):
        said = call("office", "import", table, "--mapping", PAPER[4], folder=tmp_path, expect=2).stderr
        assert table in said
        assert "Traceback" not in said
    for mapping in ("none.toml", "missing.toml"):
        said = call("office", "import", PAPER[2], "--mapping", mapping, folder=tmp_path, expect=2).stderr
        assert mapping in said
    assert not (tmp_path / "office.sqlite").exists()


def test_who_imports_must_be_said(tmp_path: Path) -> None:
    assert "--who CODE" in call(*PAPER, "--apply", folder=tmp_path, expect=2).stderr
