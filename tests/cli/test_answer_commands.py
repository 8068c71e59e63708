"""`tallywell answer`: what stands on the terminal, what the JSON carries, and what is refused."""

import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from cli.contents import PANELS
from ingest.store import Store
from simulators.waters import HERON_LAKE, MILL_POND, write_water
from tests.cli.command_line import call, call_json
from tests.office.ponds import Pond, tag

CHAPTERS = [
    name.split()[1] for name in PANELS["The answers"] if name.startswith("answer ") and name != "answer fish"
]


@pytest.fixture(scope="module")
def office(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a database of two invented waters. Nobody may change it."""
    folder = tmp_path_factory.mktemp("office")
    with Store.open(folder / "office.sqlite") as store:
        write_water(store, replace(MILL_POND, first_year=2024, years=3), 3)
        write_water(store, HERON_LAKE, 3)
    return folder


@pytest.mark.parametrize("key", CHAPTERS)
def test_every_chapter_prints_numbers_with_n_and_source_in_any_width(office: Path, key: str) -> None:
    done = call("answer", key, "--water", "Mill Pond", "--db", "office.sqlite", folder=office, columns=80)
    lines = done.stdout.splitlines()
    assert "Mill Pond, 2026-05-26 (6 surveys" in lines[0]
    assert max(map(len, lines)) <= 80
    assert any(line.startswith("  n ") for line in lines)
    assert any(line.startswith("  how ") for line in lines)
    assert any(line.startswith("[1]") for line in lines) or key in ("survival", "quality")


def test_the_json_has_all_of_it(office: Path) -> None:
    told = call_json(
        "answer", "abundance", "--water", "mill pond", "--species", "Largemouth Bass", folder=office
    )
    assert told["scope"]["water"] == "Mill Pond"
    assert told["scope"]["species"] == "largemouth_bass"
    answer = next(one for one in told["answers"] if one["key"] == "largemouth_bass.chapman")
    assert answer["interval"]["low"] < answer["value"] < answer["interval"]["high"]
    assert answer["unit"] == "fish"
    assert answer["formula"].startswith("N = (M + 1)(C + 1) / (R + 1) - 1")
    assert "Chapman 1951" in answer["source"]
    assert len(answer["fish_ids"]) > answer["n"]
    assert told["tables"]


def test_an_answer_says_which_database_it_read_where_a_station_and_an_office_share_a_folder(
    office: Path, tmp_path: Path
) -> None:
    example = Path(__file__).parents[2] / "config" / "station" / "example.toml"
    (tmp_path / "STATION.toml").write_bytes(example.read_bytes())
    Store.open(tmp_path / "work-up.sqlite").close()
    (tmp_path / "office.sqlite").write_bytes((office / "office.sqlite").read_bytes())
    told = call("answer", "condition", folder=tmp_path).stdout.split("\n\n")[0]
    assert "0 fish read from work-up.sqlite" in " ".join(told.split())
    words = ("answer", "condition", "--water", "Mill Pond", "--db", "office.sqlite")
    told = call(*words, folder=tmp_path).stdout.split("\n\n")[0]
    assert "fish read from office.sqlite" in " ".join(told.split())
    assert call_json(*words, folder=tmp_path)["scope"]["database"] == "office.sqlite"


def test_the_fish_behind_a_number_are_listed_on_request(office: Path) -> None:
    words = ("answer", "structure", "--water", "Heron Lake", "--species", "bluegill")
    told = call_json(*words, folder=office)
    ids = next(one for one in told["answers"] if one["key"] == "bluegill.psd")["fish_ids"]
    text = call(*words, "--fish", folder=office).stdout
    assert all(fish_id in text for fish_id in ids)
    assert ids[0] not in call(*words, folder=office).stdout


def test_tables_on_request(office: Path) -> None:
    words = ("answer", "catch", "--water", "Heron Lake")
    assert "Catch by run" not in call(*words, folder=office).stdout
    text = call(*words, "--tables", folder=office, columns=120).stdout
    assert "Catch by run, 2026-05-12" in text
    assert "largemouth bass fish" in text


def test_inches_and_pounds(office: Path) -> None:
    words = ("answer", "growth", "--water", "Heron Lake", "--species", "largemouth_bass")
    told = call_json(*words, "--units", "inch_pound", folder=office)
    rate = next(one for one in told["answers"] if one["key"] == "largemouth_bass.mm_per_year")
    assert rate["unit"] == "in per year"
    assert "in per year" in rate["sentence"]
    assert told["units"] == "inch_pound"
    assert told["plots"][0]["described"]


def test_one_fish(office: Path) -> None:
    listed = call_json("fish", "list", "--db", "office.sqlite", "--survey", "Heron Lake", folder=office)[
        "fish"
    ]
    code = next(one["tag"] for one in listed if one["tag_status"] == "recapture")
    told = call_json("answer", "fish", code, folder=office)
    assert told["scope"]["water"] == "Heron Lake"
    assert told["title"] == f"Tag {code}"
    assert {"captures", "growth", "expected.fabens"} <= {one["key"] for one in told["answers"]}
    text = call("answer", "fish", code, folder=office, columns=100).stdout
    assert f"Captures of {code}" in text


def test_a_survey_is_asked_about_by_name_water_or_id(office: Path) -> None:
    surveys = call_json("survey", "list", "--db", "office.sqlite", folder=office)["surveys"]
    first = next(one for one in surveys if one["water"] == "Mill Pond")
    told = call_json("answer", "quality", "--survey", first["survey_id"], folder=office)
    assert told["scope"]["surveys"] == [first["survey_id"]]
    assert call_json("answer", "quality", "--survey", "last", folder=office)["scope"]["asked_about"] == [
        "2026-05-26"
    ]
    years = call_json("answer", "quality", "--water", "Mill Pond", "--years", "2024-2025", folder=office)
    assert years["scope"]["asked_about"] == ["2025-05-26"]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("condition",), "There are several waters: name one of Heron Lake, Mill Pond."),
        (("condition", "--water", "Lost Lake"), 'There is no water "Lost Lake" in this database'),
        (("condition", "--survey", "nothing"), 'There is no survey "nothing"'),
        (
            ("condition", "--water", "Mill Pond", "--species", "unicorn"),
            "There is no unicorn in these surveys: give one of",
        ),
        (
            ("condition", "--water", "Mill Pond", "--years", "soon"),
            '"soon" is no span of years: write 2022-2026',
        ),
        (("condition", "--water", "Mill Pond", "--years", "2026-2022"), '"2026-2022" is no span of years'),
        (("condition", "--water", "Mill Pond", "--waters", "none.toml"), "none.toml: there is no such file"),
        (("fish", "12"), "12"),
    ],
)
def test_what_cannot_be_asked_is_said_in_a_sentence(office: Path, words: tuple[str, ...], says: str) -> None:
    assert says in call("answer", *words, folder=office, expect=2).stderr


def test_a_refusal_is_an_answer_and_no_failure(tmp_path: Path) -> None:
    with Store.open(tmp_path / "office.sqlite") as store:
        pond = Pond(store)
        pond.fish(pond.survey("2026-05-01"), tag(1), length_mm=300.0)
        pond.save()
    text = " ".join(call("answer", "survival", folder=tmp_path).stdout.split())
    assert "cannot be told." in text
    assert "It takes three or more" in text


def test_an_empty_database_is_answered(tmp_path: Path) -> None:
    Store.open(tmp_path / "office.sqlite").close()
    for key in CHAPTERS:
        told = call_json("answer", key, folder=tmp_path)
        assert all(one["refused"] and one["wanted"] for one in told["answers"])


def test_the_file_of_the_waters_by_the_database_is_read(tmp_path: Path) -> None:
    with Store.open(tmp_path / "day.sqlite") as store:
        write_water(store, HERON_LAKE, 3)
    (tmp_path / "waters.toml").write_text('[water."Heron Lake"]\narea_ha = 10.0\n')
    told = call_json("answer", "abundance", "--db", "day.sqlite", folder=tmp_path)
    keys = {one["key"] for one in told["answers"]}
    assert "largemouth_bass.chapman.per_ha" in keys
    (tmp_path / "waters.toml").write_text('[water."Heron Lake"]\nacres = 10.0\n')
    assert "acres" in call("answer", "abundance", "--db", "day.sqlite", folder=tmp_path, expect=2).stderr


def test_the_command_of_the_removal_takes_a_level(office: Path) -> None:
    words = ("answer", "removal", "--water", "Mill Pond", "--species", "gizzard_shad", "--wanted-left", "3")
    sentences = [one["sentence"] for one in call_json(*words, folder=office)["answers"]]
    assert any("would leave 3 fish or fewer" in one for one in sentences)


def test_a_station_without_the_reports_extra_says_what_to_install(office: Path) -> None:
    code = (
        "import sys; sys.modules['numpy'] = None; from cli.main import run; "
        "sys.argv = ['tallywell', 'answer', 'condition', '--db', 'office.sqlite']; run()"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=office,
        capture_output=True,
        text=True,
        timeout=60,
        env=dict(os.environ),
    )
    assert done.returncode == 2
    assert done.stderr.strip() == 'The answers need numpy: install it with pip install "tallywell[reports]".'


def test_the_answers_change_nothing(office: Path) -> None:
    before = (office / "office.sqlite").read_bytes()
    call("answer", "condition", "--water", "Mill Pond", folder=office)
    assert (office / "office.sqlite").read_bytes() == before
    assert json.loads(call("answer", "cues", "--water", "Mill Pond", "--json", folder=office).stdout)[
        "answers"
    ]
