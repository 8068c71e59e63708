"""`tallywell office review` and `office amend` as a person calls them."""

from pathlib import Path

import pytest

from tests.cli.command_line import call, call_json
from tests.office.offices import bass, office_with

FISH, OTHER = bass(1), bass(2)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    office_with(tmp_path / "office.sqlite", FISH, OTHER).close()
    return tmp_path


def test_a_fish_is_amended_shown_and_taken_back(folder: Path) -> None:
    said = call(
        "office", "amend", FISH.fish_id[:8], "weight_g=980", "--who", "AB", "--why", "sheet", folder=folder
    )
    assert "weight_g 1020.5 -> 980" in said.stdout
    assert "1 record amended." in said.stdout
    shown = call("office", "amend", FISH.fish_id[:8], folder=folder)
    assert "980 (saved as 1020.5)" in shown.stdout
    (first, *_) = call_json("office", "amend", FISH.fish_id, folder=folder)["amendments"]
    call("office", "amend", "--undo", first["amendment_id"][:8], "--who", "AB", "--why", "no", folder=folder)
    document = call_json("office", "amend", FISH.fish_id, folder=folder)
    assert document["now"] == document["saved"]
    assert [one["undone"] for one in document["amendments"]] == [True, True, False, False]


def test_a_serious_finding_is_said_and_waits_for_confirm(folder: Path) -> None:
    words = ("office", "amend", FISH.fish_id, "weight_g=102", "--who", "AB", "--why", "sheet")
    said = call(*words, folder=folder, expect=2)
    assert "NEEDS --confirm" in said.stdout
    assert "ten times too low" in said.stdout
    assert "Nothing was stored" in said.stdout
    call(*words, "--confirm", folder=folder)


def test_a_list_is_judged_first_and_stored_with_apply(folder: Path) -> None:
    (folder / "list.csv").write_text(
        f"fish_id,old_fate,new_fate\n{FISH.fish_id},released,kept\n{OTHER.fish_id},released,\n"
    )
    words = ("office", "amend", "--from", "list.csv", "--who", "AB", "--why", "seen in the tub")
    trial = call(*words, folder=folder)
    assert (
        "1 record would be amended; nothing was stored yet. Store with --apply. 1 line without"
        in trial.stdout
    )
    document = call_json(*words, "--apply", folder=folder)
    assert document["stored"]
    assert [one["changes"] for one in document["records"]] == [
        [{"field": "fate", "old": "released", "new": "kept"}]
    ]
    again = call(*words, "--apply", folder=folder, expect=2)
    assert 'Line 2: fate is kept now, not "released"' in again.stdout


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--who", "AB"), "Give one of these"),
        ((FISH.fish_id, "fate=kept", "--from", "x.csv"), "Give one of these"),
        ((FISH.fish_id, "fate=kept"), "Say who"),
        ((FISH.fish_id, "fate=kept", "--who", "AB"), "Say why"),
        ((FISH.fish_id, "fate", "--who", "AB", "--why", "x"), "write FIELD=VALUE"),
        ((FISH.fish_id, "fate=kept", "fate=died", "--who", "AB", "--why", "x"), "given twice"),
        (("zzzz",), "no fish or batch"),
        (("--from", "no.csv", "--who", "AB"), "no.csv"),
        ((FISH.fish_id, "--office", "other.sqlite"), "There is no office database other.sqlite"),
    ],
)
def test_what_is_missing_is_said_in_a_sentence(folder: Path, words: tuple[str, ...], said: str) -> None:
    done = call("office", "amend", *words, folder=folder, expect=2)
    assert said in done.stderr


def test_a_list_of_the_review_replaces_no_file(folder: Path) -> None:
    (folder / "list.csv").write_text("an hour of work")
    done = call("office", "review", "--csv", "list.csv", folder=folder, expect=2)
    assert "list.csv exists: give another name" in done.stderr
    assert (folder / "list.csv").read_text() == "an hour of work"


def test_the_review_is_filled_in_and_amended(tmp_path: Path) -> None:
    queried = bass(1, status="queried", weight_g=102.0)
    office_with(tmp_path / "office.sqlite", queried, OTHER).close()
    said = call("office", "review", folder=tmp_path).stdout
    assert "Mill Pond" in said
    assert 'weight: scale 1020.5 g "ST,+1020.5 g\\r\\n" (used)' in said
    assert "1 fish to look at: 1 queried" in said
    call("office", "review", "--survey", "last", "--csv", "list.csv", folder=tmp_path)
    lines = (tmp_path / "list.csv").read_text().splitlines()
    (place,) = (lines[0].split(",").index("old_weight_g"),)
    head, row = lines[0], lines[1].replace(",102,,", ",102,1020,").replace("queried,,", "queried,confirmed,")
    assert head.split(",")[place + 1] == "new_weight_g"
    (tmp_path / "list.csv").write_text(f"{head}\r\n{row}\r\n")
    call(
        "office", "amend", "--from", "list.csv", "--who", "AB", "--why", "display", "--apply", folder=tmp_path
    )
    assert "Nothing to look at." in call("office", "review", "--water", "mill pond", folder=tmp_path).stdout
    document = call_json("office", "review", folder=tmp_path)
    assert document["fish"] == []
    assert "no water" in call("office", "review", "--water", "Sea", folder=tmp_path, expect=2).stderr
