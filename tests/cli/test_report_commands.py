"""`tallywell report` as a person calls it."""

import json
from dataclasses import replace
from pathlib import Path

import pytest

from ingest.store import Store
from simulators.waters import HERON_LAKE, REED_WEIHER, write_water
from tests.cli.command_line import call


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An office with two invented waters."""
    place = tmp_path_factory.mktemp("office")
    with Store.open(place / "office.sqlite") as store:
        write_water(store, REED_WEIHER)
        write_water(store, replace(HERON_LAKE, years=1, areas=2))
    return place


def test_a_report_of_one_water_is_written_and_summed_up(folder: Path) -> None:
    before = (folder / "office.sqlite").read_bytes()
    done = call(
        "report", "--water", "heron lake", "--units", "inch_pound", "--date", "2026-08-01", folder=folder
    )
    assert done.stdout.startswith("Heron Lake: Fish survey of 2023-05-12")
    assert "Written: report/report.html and report/report.pdf" in done.stdout
    page = (folder / "report" / "report.html").read_text()
    assert "2026-08-01" in page
    assert "inches, pounds" in page
    assert (folder / "report" / "report.pdf").read_bytes().startswith(b"%PDF")
    assert (folder / "office.sqlite").read_bytes() == before


def test_an_earlier_survey_is_reported_as_of_its_day(folder: Path) -> None:
    done = call("report", "office.sqlite", "--survey", "Öster Schilfweiher (Łąka) 2025-05-12", "--out", "old", "--json",
                folder=folder)  # fmt: skip
    found = json.loads(done.stdout)
    assert (found["title"], found["date"]) == ("Öster Schilfweiher (Łąka)", "2025-05-12")
    assert "report.pdf" in found["files"]
    assert all((folder / "old" / name).is_file() for name in found["files"])
    assert "2026" not in (folder / "old" / "answers.csv").read_text()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "several waters: name one of Heron Lake"),
        (("--water", "Loch Nowhere"), 'no water "Loch Nowhere"'),
        (("--survey", "nowhere"), 'no survey "nowhere"'),
        (("--water", "Heron Lake", "--date", "yesterday"), '"yesterday" is no day'),
        (("--water", "Heron Lake", "--species", "snark"), "no snark"),
        (("--water", "Heron Lake", "--out", "office.sqlite"), "is a file: name a folder"),
        (("nothing.sqlite",), "no database nothing.sqlite"),
    ],
)
def test_what_cannot_be_reported_is_refused_in_one_sentence(
    folder: Path, words: tuple[str, ...], said: str
) -> None:
    done = call("report", *words, folder=folder, expect=2)
    assert said in done.stderr
    assert done.stdout == ""
