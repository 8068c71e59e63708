"""`tallywell office export` as a person gives it."""

from pathlib import Path

import pytest

from tests.cli.command_line import call, call_json
from tests.office.full_records import everything


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    everything(tmp_path / "office.sqlite").close()
    return tmp_path


@pytest.mark.parametrize(
    ("kind", "out", "there"),
    [
        ("csv", "tables", "tables/worked_fish.csv"),
        ("package", "package", "package/datapackage.json"),
        ("xlsx", "fish.xlsx", "fish.xlsx"),
        ("parquet", "lake", "lake/worked_fish"),
        ("darwin-core", "fish.zip", "fish.zip"),
    ],
)
def test_each_kind_says_what_was_written(folder: Path, kind: str, out: str, there: str) -> None:
    said = call("office", "export", kind, "--out", out, "--water", "Mill Pond", folder=folder).stdout
    assert said.startswith(f"Written to {out}: ")
    assert (folder / there).exists()


def test_the_counts_are_there_as_json(folder: Path) -> None:
    found = call_json("office", "export", "csv", "--out", "tables", "--survey", "odd-0", folder=folder)
    assert found["rows"]["worked_fish"] == 1


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("csv", "--out", "office.sqlite"), "is a file: name a folder"),
        (("xlsx", "--out", "."), "is a folder: name a file"),
        (("xlsx", "--out", "office.sqlite"), "is a database: give another name"),
        (("xlsx", "--out", "no/fish.xlsx"), "There is no folder"),
        (("csv", "--out", "a", "--water", "Milk Pond"), 'no survey of the water "Milk Pond"'),
        (("csv", "--out", "a", "--year", "1066"), "no survey of the year 1066"),
        (("csv", "--out", "a", "--survey", "autumn"), 'no survey "autumn"'),
        (("csv", "--out", "a", "--coordinates", "0.1"), "belong to darwin-core"),
        (("darwin-core", "--out", "a.zip", "--coordinates", "vague"), "give exact, withheld, or degrees"),
        (("darwin-core", "--out", "a.zip", "--about", "none.toml"), "there is no such file"),
        (("parquet", "--out", "a", "--survey", "last"), "use --water or --year"),
        (("csv", "--out", "a", "--office", "none.sqlite"), "There is no office database"),
    ],
)
def test_what_cannot_be_done_is_said_in_a_sentence(
    folder: Path, words: tuple[str, ...], sentence: str
) -> None:
    assert sentence in call("office", "export", *words, folder=folder, expect=2).stderr


def test_what_is_missing_in_the_metadata_is_said(folder: Path) -> None:
    (folder / "about.toml").write_text('title = "Invented"\nlicence = "CC0"\n')
    said = call(
        "office", "export", "darwin-core", "--out", "a.zip", "--about", "about.toml", folder=folder
    ).stdout
    assert "INSERT YOUR OWN for: abstract, organization" in said
    assert "Coordinates are exact" in said
