"""What README and DEVELOPERS tell people to type is what the program takes, and nothing that they could type is left out."""

import re
import shlex
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import typer.main

from cli.contents import PANELS
from cli.main import app
from ingest.commands import CommandError, parse_command

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
BOTH = README + DEVELOPERS

NAMES = tuple(name for names in PANELS.values() for name in names)
PROGRAM = re.compile(r"(?:\S*/bin/)?tallywell (?=[a-z])")


def blocks(text: str, language: str) -> str:
    return "\n".join(re.findall(rf"^```{language}\n(.*?)^```", text, re.MULTILINE | re.DOTALL))


def inline(text: str) -> Iterator[str]:
    yield from re.findall(r"`([^`\n]+)`", re.sub(r"^```.*?^```", "", text, flags=re.MULTILINE | re.DOTALL))


def command_lines(text: str) -> Iterator[str]:
    """Every `tallywell ...` that a reader could type: whole lines of the blocks, and what stands within a sentence."""
    for line in (*blocks(text, "sh").splitlines(), *inline(text)):
        found = PROGRAM.search(line)
        if found:
            yield line[found.end() :]


def refusal(line: str) -> str:
    """Why the program would refuse these arguments; empty: it takes them. Nothing is run and no file is opened."""
    command: Any = typer.main.get_command(app)
    args = shlex.split(line, comments=True)
    name = "tallywell"
    while hasattr(command, "commands"):
        if not args or args[0] not in command.commands:
            return f"{name}: no command {args[:1]}"
        name = f"{name} {args[0]}"
        command = command.commands[args.pop(0)]
    try:
        command.make_context(name, args)
    except Exception as error:
        if hasattr(error, "format_message"):
            return f"{name}: {error.format_message()}"
        raise
    return ""


LINES = sorted({*command_lines(README), *command_lines(DEVELOPERS)})


@pytest.mark.parametrize("line", LINES)
def test_what_the_texts_say_to_type_is_taken(line: str) -> None:
    assert refusal(line) == ""


@pytest.mark.parametrize(
    "line",
    [
        "answer weather",
        "fish list --dbase day.sqlite",
        "fish trace",
        "office export odt --out tables",
        "instruments check STATION.toml scale --weight heavy",
    ],
)
def test_what_the_program_does_not_take_would_be_noticed(line: str) -> None:
    assert refusal(line) != ""


@pytest.mark.parametrize("name", NAMES)
def test_every_command_is_shown(name: str) -> None:
    assert any(f"{line} ".startswith(f"{name} ") for line in command_lines(README))


def test_commands_of_the_crew_are_such() -> None:
    given = [shlex.split(line, comments=True) for line in LINES if line.startswith("command ")]
    assert given
    for words in given:
        parse_command(words[1])
    with pytest.raises(CommandError):
        parse_command("dance")


def test_files_that_the_texts_name_are_there() -> None:
    linked = re.findall(r"\]\(([^)#:]+)\)", BOTH)
    named = [
        word.lstrip("(").rstrip(".,;:)")
        for word in re.split(r"[\s`]", BOTH)
        if word.startswith(("config/", ".ci/", "tests/", "office/", "station/", "ingest/", "drivers/", "fishery/"))
    ]  # fmt: skip
    assert len(linked) > 4
    assert len(named) > 30
    missing = [
        one
        for one in (*linked, *named)
        if "<" not in one and not (ROOT / one).exists() and not (ROOT / f"{one}.py").exists()
    ]
    assert missing == []


def test_what_is_to_be_made_can_be_made() -> None:
    can = set(re.findall(r"^([a-z-]+):", (ROOT / "Makefile").read_text(encoding="utf-8"), re.MULTILINE))
    said = set(re.findall(r"^make ([a-z-]+)|`make ([a-z-]+)", BOTH, re.MULTILINE))
    assert {first or second for first, second in said} <= can


def test_the_table_of_folders_is_the_house() -> None:
    shown = set(re.findall(r"^\| `([a-z]+)/` \|", README, re.MULTILINE))
    there = {one.name for one in ROOT.iterdir() if (one / "__init__.py").exists()} | {"config", "tests"}
    assert shown == there


def test_the_map_names_every_package() -> None:
    packages = [
        one.parent.relative_to(ROOT).as_posix()
        for folder in ("drivers", "ingest", "station", "office", "simulators")
        for one in (ROOT / folder).glob("*/__init__.py")
    ]
    assert len(packages) > 8
    assert [one for one in packages if one not in DEVELOPERS] == []
