"""Instruments on real pseudo-terminals, as the person with the cable sees them."""

import json
import signal
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from simulators.ptys import Pty
from tests.cli.command_line import Running, call, call_json
from tests.cli.invented_day import write_station


@pytest.fixture
def board_and_scale(tmp_path: Path) -> Iterator[tuple[Pty, Pty]]:
    with Pty(tmp_path / "board") as board, Pty(tmp_path / "scale") as scale:
        write_station(tmp_path, {"board": str(board.path), "scale": str(scale.path)})
        yield board, scale


def say_until(command: Running, port: Pty, line: bytes, shown: str) -> None:
    """Say a line until the command shows it: what ends right after the port was opened is never taken as whole."""
    command.wait_for(
        lambda: any(shown in one for one in (*command.out, *command.said)),
        lambda: port.send(line) if port.heard else None,
    )


def checks_of(folder: Path) -> list[Any]:
    with closing(sqlite3.connect(folder / "work-up.sqlite")) as connection:
        return connection.execute(
            "SELECT instrument, expected, measured, unit, note FROM check_measurement"
        ).fetchall()


def test_the_list_names_shipped_files_and_with_a_station_its_instruments(station: Path) -> None:
    found = call_json("instruments", "list", "STATION.toml", "--ports", folder=station.parent)
    assert "board_mm" in {one["name"] for one in found["shipped"]}
    assert [one["name"] for one in found["configured"]] == ["reader", "board", "scale"]
    assert isinstance(found["ports"], list)
    text = call("instruments", "list", "STATION.toml", "--ports", folder=station.parent).stdout
    assert "/dev/no-such-scale" in text
    assert "scale_state_prefix" in call("instruments", "list", folder=station.parent).stdout


def test_watch_shows_bytes_and_what_they_mean_with_their_ages(
    board_and_scale: tuple[Pty, Pty], tmp_path: Path
) -> None:
    board, _ = board_and_scale
    with Running("instruments", "watch", "STATION.toml", "board", folder=tmp_path) as command:
        say_until(command, board, b"312 mm\r", " s  312 mm\\r  ->  length 312 mm\n")
        board.send(b"\x01?\rK,08\r")
        command.wait_for(lambda: any("key 08: note on this fish: a & b" in line for line in command.out))
        assert any("  \\x01?\\r  ->  " in line for line in command.out)


@pytest.mark.parametrize(
    ("option", "shown"), [("--raw", " 312 mm\\r\n"), ("--hex", " 33 31 32 20 6D 6D 0D  ->  ")]
)
def test_watch_shows_the_bytes_alone_or_in_hexadecimal(
    board_and_scale: tuple[Pty, Pty], tmp_path: Path, option: str, shown: str
) -> None:
    board, _ = board_and_scale
    with Running("instruments", "watch", "STATION.toml", "board", option, folder=tmp_path) as command:
        say_until(command, board, b"312 mm\r", shown)


def test_watch_ends_at_its_time_with_one_document(board_and_scale: tuple[Pty, Pty], tmp_path: Path) -> None:
    board, _ = board_and_scale
    words = ("instruments", "watch", "STATION.toml", "board", "--for", "1.5", "--json")
    with Running(*words, folder=tmp_path) as command:
        command.wait_for(lambda: bool(command.out), lambda: board.send(b"312 mm\r") if board.heard else None)
        assert command.ended() == 0
        found = json.loads("".join(command.out))
    assert found["opened"] is True
    assert found["lines"][-1]["says"] == ["length 312 mm"]
    assert bytes.fromhex(found["lines"][-1]["raw_hex"]) == b"312 mm\r"


def test_watch_ends_quietly_by_ctrl_c(board_and_scale: tuple[Pty, Pty], tmp_path: Path) -> None:
    board, _ = board_and_scale
    with Running("instruments", "watch", "STATION.toml", "board", folder=tmp_path) as command:
        say_until(command, board, b"312 mm\r", "length 312 mm")
        command.process.send_signal(signal.SIGINT)
        assert command.ended() == 0
        assert "Traceback" not in "".join(command.said)


def test_watch_says_that_the_port_is_not_there(station: Path) -> None:
    done = call(
        "instruments", "watch", "STATION.toml", "scale", "--for", "0.3", folder=station.parent, expect=3
    )
    assert "/dev/no-such-scale is not there" in done.stderr


def test_no_end_of_time_is_a_time(station: Path) -> None:
    for_ever = ("--for", "inf")
    done = call("instruments", "watch", "STATION.toml", "scale", *for_ever, folder=station.parent, expect=2)
    assert "--for" in done.stderr


# 500 g at a division of 0.1 g are 5000 divisions: 2 x 1.5 x 0.1 g (OIML R 76-1:2006, Table 6 and 3.5.2).
@pytest.mark.parametrize(("shown_g", "code", "result"), [("500.3", 0, "pass"), ("500.4", 1, "FAIL")])
def test_a_check_weight_is_judged_and_kept(
    board_and_scale: tuple[Pty, Pty], tmp_path: Path, shown_g: str, code: int, result: str
) -> None:
    _, scale = board_and_scale
    line = f"+{shown_g:>8} g  \r\n".encode()
    with Running(
        "instruments", "check", "STATION.toml", "scale", "--weight", "500", folder=tmp_path
    ) as command:
        say_until(command, scale, line, f"{shown_g} g")
        assert command.ended() == code
        out = "".join(command.out)
    assert result in out
    assert "limit +- g" in out
    ((instrument, expected, measured, unit, note),) = checks_of(tmp_path)
    assert (instrument, expected, measured, unit) == ("scale", 500.0, float(shown_g), "g")
    assert note.startswith("passed" if code == 0 else "failed")
    assert shown_g in note.split("sent ")[1]


def test_a_board_is_checked_by_a_length_several_times(
    board_and_scale: tuple[Pty, Pty], tmp_path: Path
) -> None:
    board, _ = board_and_scale
    words = ("instruments", "check", "STATION.toml", "board", "--length", "300", "--times", "2", "--json")
    with Running(*words, folder=tmp_path) as command:
        say_until(command, board, b"302 mm\r", "302 mm")
        board.send(b"300 mm\r")
        assert command.ended() == 1
        found = json.loads("".join(command.out))
    assert (found["checks"][0]["error"], found["checks"][0]["passed"]) == (2.0, False)
    assert found["passed"] is False
    assert len(checks_of(tmp_path)) == 2


def test_no_reading_in_time_fails_the_check_and_keeps_nothing(
    board_and_scale: tuple[Pty, Pty], tmp_path: Path
) -> None:
    words = ("instruments", "check", "STATION.toml", "board", "--length", "300", "--for", "0.3")
    done = call(*words, folder=tmp_path, expect=1)
    assert "0 of 1 readings" in done.stderr
    assert checks_of(tmp_path) == []


def test_a_port_that_is_not_there_is_no_failed_check(station: Path) -> None:
    words = ("instruments", "check", "STATION.toml", "board", "--length", "300", "--for", "0.3")
    assert "could not be opened" in call(*words, folder=station.parent, expect=3).stderr


def test_a_load_beyond_class_iii_is_not_judged(board_and_scale: tuple[Pty, Pty], tmp_path: Path) -> None:
    _, scale = board_and_scale
    with Running(
        "instruments", "check", "STATION.toml", "scale", "--weight", "5000", folder=tmp_path
    ) as command:
        say_until(command, scale, b"+  5000.0 g  \r\n", "check with a lighter weight")
        assert command.ended() == 2


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("scale",), "either --weight G for a scale or --length MM"),
        (("scale", "--weight", "500", "--length", "300"), "either --weight G"),
        (("board", "--weight", "500"), "board is a board, not a scale"),
        (("reader", "--length", "300"), "reader is a tag reader, not a board"),
        (("net", "--weight", "500"), "it has reader, board, scale"),
    ],
)
def test_a_check_that_makes_no_sense_is_refused(station: Path, words: tuple[str, ...], said: str) -> None:
    done = call("instruments", "check", "STATION.toml", *words, folder=station.parent, expect=2)
    assert said in done.stderr
