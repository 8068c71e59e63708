"""The program as a whole: what it loads, and that its help says what a newcomer needs."""

import subprocess
import sys
from collections.abc import Iterator
from typing import Any, get_args, get_type_hints

import pytest
import typer.main
from typer.testing import CliRunner

from cli.contents import PANELS
from cli.main import app

NAMES = tuple(name for names in PANELS.values() for name in names)


def leaves(command: Any, name: str = "") -> Iterator[tuple[str, Any]]:
    if hasattr(command, "commands"):
        for below, one in command.commands.items():
            yield from leaves(one, f"{name} {below}".strip())
    else:
        yield name, command


COMMANDS = dict(leaves(typer.main.get_command(app)))


def options_of(name: str) -> set[str]:
    return {written for option in COMMANDS[name].params for written in option.opts}


def test_nothing_heavy_is_loaded_before_a_command_runs() -> None:
    heavy = (
        "numpy",
        "scipy",
        "sqlite_utils",
        "pydantic",
        "serial",
        "usb",
        "sqlite3",
        "rich",
        "ingest",
        "drivers",
    )
    code = f"import sys, cli.main; print([one for one in {heavy!r} if one in sys.modules])"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True
    )
    assert done.stdout.strip() == "[]"


def test_ctrl_c_while_the_commands_load_is_no_traceback() -> None:
    code = (
        "import sys\n"
        "class Interrupted:\n"
        "    def find_spec(self, name, path, target=None):\n"
        "        if name == 'typer': raise KeyboardInterrupt\n"
        "sys.meta_path.insert(0, Interrupted())\n"
        "from cli.__main__ import run\n"
        "run()"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert (done.returncode, done.stdout, done.stderr) == (130, "", "")


def test_the_table_of_contents_names_every_command_once() -> None:
    assert sorted(NAMES) == sorted(COMMANDS)


def test_help_lists_the_commands_in_the_order_of_the_day() -> None:
    text = CliRunner().invoke(app, ["--help"]).output
    places = [text.index(f"\n{panel}:") for panel in PANELS]
    assert places == sorted(places)
    of_commands = [text.index(f"\n  {name} ") for name in NAMES]
    assert of_commands == sorted(of_commands)
    assert "Exit codes" in text


@pytest.mark.parametrize("name", NAMES)
def test_every_command_explains_itself_and_all_it_takes(name: str) -> None:
    result = CliRunner().invoke(app, [*name.split(), "--help"])
    assert result.exit_code == 0
    first_line = COMMANDS[name].help.splitlines()[0]
    assert first_line.endswith(".")
    assert len(first_line) <= 58, "it must fit into one line of the table of contents"
    for option in COMMANDS[name].params:
        assert option.help, f"{name}: {option.name} is not explained"


@pytest.mark.parametrize("name", NAMES)
def test_every_command_can_print_json(name: str) -> None:
    assert ("--json" in options_of(name)) == (name != "station run")


@pytest.mark.parametrize("name", NAMES)
def test_help_of_a_measure_says_its_unit(name: str) -> None:
    hints = get_type_hints(COMMANDS[name].callback)
    measures = [key for key, hint in hints.items() if hint is float or float in get_args(hint)]
    for option in COMMANDS[name].params:
        if option.name in measures:
            assert any(unit in option.help for unit in ("in g", "in mm", "seconds")), option.name


def test_some_commands_take_a_measure() -> None:
    taken = [
        name for name in NAMES if float in get_args(get_type_hints(COMMANDS[name].callback).get("seconds"))
    ]
    assert taken == ["run end"]


@pytest.mark.parametrize(
    ("name", "units"),
    [
        ("fish list", ("mm", "g", "%")),
        ("fish history", ("mm", "g", "days")),
        ("fish trace", ("mm", "g")),
        ("instruments check", ("(g)", "mm")),
        ("survey status", ("mm", "g")),
        ("station status", ("mm", "g", "seconds")),
        ("instruments watch", ("mm", "g", "seconds")),
    ],
)
def test_help_of_commands_that_show_measures_names_their_units(name: str, units: tuple[str, ...]) -> None:
    for unit in units:
        assert unit in COMMANDS[name].help


def test_a_group_alone_shows_its_help() -> None:
    for group in ("station", "tags", "instruments", "survey", "run", "fish"):
        assert "Commands:" in CliRunner().invoke(app, [group]).output
