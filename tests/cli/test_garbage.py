"""Every command with everything that is not what it wants: one plain sentence, the right exit code, no traceback."""

import sqlite3
import subprocess
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from cli.contents import PANELS
from cli.main import app
from tests.cli.command_line import PROGRAM, call

STATION = [
    ["station", "check", "{file}"],
    ["station", "run", "{file}"],
    ["station", "sounds", "{file}"],
    ["station", "pair", "--config", "{file}"],
    ["station", "pack", "pack", "--config", "{file}"],
    ["tags", "cards", "{file}", "--out", "cards.html"],
    ["tags", "list", "--config", "{file}"],
    ["tags", "import", "good.csv", "--config", "{file}"],
    ["instruments", "list", "{file}"],
    ["instruments", "doctor", "{file}"],
    ["instruments", "watch", "{file}", "scale"],
    ["instruments", "check", "{file}", "scale", "--weight", "500"],
    ["station", "status", "--config", "{file}"],
    ["station", "snapshot", "out.sqlite", "--config", "{file}"],
    ["survey", "open", "--config", "{file}"],
    ["survey", "name", "x", "--config", "{file}"],
    ["run", "work-up", "1", "--config", "{file}"],
    ["survey", "close", "--config", "{file}"],
    ["survey", "status", "--config", "{file}"],
    ["survey", "list", "--config", "{file}"],
    ["run", "start", "--config", "{file}"],
    ["run", "end", "--config", "{file}"],
    ["command", "next", "--config", "{file}"],
    ["fish", "list", "--config", "{file}"],
    ["fish", "history", "985000000000001", "--config", "{file}"],
    ["fish", "trace", "abcd", "--config", "{file}"],
    ["replay", "day.jsonl", "--config", "{file}", "--db", "out.sqlite"],
    ["answer", "condition", "--config", "{file}"],
]
DATABASE = [
    ["rebuild", "{file}"],
    ["fish", "list", "--db", "{file}"],
    ["fish", "history", "985000000000001", "--db", "{file}"],
    ["fish", "trace", "abcd", "--db", "{file}"],
    ["survey", "list", "--db", "{file}"],
    ["survey", "status", "--db", "{file}"],
    ["station", "status", "--db", "{file}"],
    ["station", "snapshot", "copy.sqlite", "--db", "{file}"],
    ["tags", "list", "--db", "{file}"],
    ["replay", "{file}", "--db", "out.sqlite"],
    ["answer", "condition", "--db", "{file}"],
    ["answer", "structure", "--db", "{file}"],
    ["answer", "growth", "--db", "{file}"],
    ["answer", "catch", "--db", "{file}"],
    ["answer", "abundance", "--db", "{file}"],
    ["answer", "survival", "--db", "{file}"],
    ["answer", "removal", "--db", "{file}"],
    ["answer", "cues", "--db", "{file}"],
    ["answer", "quality", "--db", "{file}"],
    ["answer", "fish", "985000000000001", "--db", "{file}"],
    ["replay", "day.jsonl", "--db", "{file}", "--append"],
]
OFFICE = [
    ["office", "pull", "{file}"],
    ["office", "status", "--office", "{file}"],
    ["office", "conflicts", "list", "--office", "{file}"],
    [
        "office",
        "conflicts",
        "decide",
        "x",
        "--keep",
        "ours",
        "--who",
        "A",
        "--why",
        "B",
        "--office",
        "{file}",
    ],
    ["office", "review", "--office", "{file}"],
    ["office", "amend", "abcd", "fate=released", "--who", "A", "--why", "B", "--office", "{file}"],
    ["office", "import", "{file}", "--mapping", "{file}"],
    ["office", "pack", "Mill Pond", "--out", "pack", "--office", "{file}"],
    ["office", "export", "csv", "--out", "out", "--office", "{file}"],
    ["office", "publish", "postgresql://127.0.0.1:1/nothing", "--office", "{file}"],
    ["report", "{file}", "--out", "out"],
]
GARBAGE = ("missing", "folder", "empty", "noise", "text", "other.sqlite", "broken.sqlite")


@pytest.fixture
def shelf(tmp_path: Path) -> Path:
    """A folder with files of every wrong kind."""
    folder = tmp_path / "shelf"
    folder.mkdir()
    (folder / "folder").mkdir()
    (folder / "empty").touch()
    (folder / "noise").write_bytes(bytes(range(256)) * 64)
    (folder / "text").write_text("station = 'bank'\n[[instrument]\n")
    (folder / "broken.sqlite").write_bytes(b"SQLite format 3\0" + b"\xff" * 2000)
    (folder / "good.csv").write_text("tag\n985000000000123\n")
    (folder / "day.jsonl").write_text("no day at all\n")
    with closing(sqlite3.connect(folder / "other.sqlite")) as connection:
        connection.execute("CREATE TABLE thesis (page)")
        connection.commit()
    return folder


def _plain_sentence(said: str) -> bool:
    return bool(said.strip()) and "Traceback" not in said and "fault of the program" not in said


def test_the_lists_below_leave_no_command_out() -> None:
    lists = STATION + DATABASE + OFFICE
    tested = {" ".join(words[:length]) for words in lists for length in (1, 2, 3)}
    assert {name for names in PANELS.values() for name in names} <= tested


@pytest.mark.parametrize("garbage", GARBAGE)
@pytest.mark.parametrize("words", STATION, ids=" ".join)
def test_a_station_file_that_is_none(
    shelf: Path, monkeypatch: pytest.MonkeyPatch, words: list[str], garbage: str
) -> None:
    monkeypatch.chdir(shelf)
    result = CliRunner().invoke(app, [word.format(file=garbage) for word in words])
    assert result.exit_code == 2, result.output
    assert _plain_sentence(result.stderr)
    assert garbage in result.stderr
    assert result.exception is None or isinstance(result.exception, SystemExit)


@pytest.mark.parametrize("garbage", GARBAGE)
@pytest.mark.parametrize("words", DATABASE + OFFICE, ids=" ".join)
def test_a_database_or_recording_that_is_none(
    shelf: Path, monkeypatch: pytest.MonkeyPatch, words: list[str], garbage: str
) -> None:
    monkeypatch.chdir(shelf)
    before = (shelf / garbage).read_bytes() if (shelf / garbage).is_file() else None
    result = CliRunner().invoke(app, [word.format(file=garbage) for word in words])
    assert result.exit_code == 2, result.output
    assert _plain_sentence(result.stderr)
    assert result.exception is None or isinstance(result.exception, SystemExit)
    if before is not None:
        assert (shelf / garbage).read_bytes() == before


@pytest.mark.parametrize("garbage", GARBAGE)
def test_an_inventory_that_is_none(station: Path, shelf: Path, garbage: str) -> None:
    done = call("tags", "import", shelf / garbage, folder=station.parent, expect=None)
    assert done.returncode in (1, 2)
    assert _plain_sentence(done.stdout + done.stderr)
    assert [path.name for path in (station.parent / "inventory").iterdir()] == ["stock.csv"]


def test_a_folder_without_a_station_says_what_to_give(tmp_path: Path) -> None:
    for words in (["fish", "list"], ["station", "status"], ["tags", "list"]):
        assert "--config STATION.toml or --db DB" in call(*words, folder=tmp_path, expect=2).stderr
    assert "--config" in call("tags", "import", "x.csv", folder=tmp_path, expect=2).stderr


def test_two_stations_at_once_are_refused(replayed: Path) -> None:
    words = ("fish", "list", "--config", "STATION.toml", "--db", "work-up.sqlite")
    assert "give one of them" in call(*words, folder=replayed, expect=2).stderr


@settings(
    deadline=None,
    max_examples=60,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(
    st.lists(
        st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=12), max_size=4
    )
)
def test_words_that_mean_nothing(words: list[str]) -> None:
    for start in (["fish", "trace"], ["fish", "history"], ["command"], ["survey", "name"], ["rebuild"]):
        result = CliRunner().invoke(app, [*start, *words])
        assert result.exit_code in (0, 2, 3), result.output  # 0: --help may be among them
        assert result.exception is None or isinstance(result.exception, SystemExit)


def test_a_pipe_that_is_closed_early_is_no_error(replayed: Path) -> None:
    done = subprocess.run(
        ["sh", "-c", f'"{PROGRAM}" fish list --json | head -c 1'],
        cwd=replayed,
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.stderr == ""
