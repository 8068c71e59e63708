"""`station sounds`: the table, the WAV files, and what is said where nothing can be played."""

import json
import wave
from pathlib import Path

import pytest

from ingest.records import Sound
from tests.cli.command_line import call
from tests.ingest.stations import write_station

NAMES = [sound.value for sound in Sound if sound is not Sound.NONE]


def test_every_sound_is_shown_with_its_rhythm_and_meaning(tmp_path: Path) -> None:
    shown = call("station", "sounds", folder=tmp_path).stdout
    assert [line.split()[0] for line in shown.splitlines()[1:]] == sorted(NAMES, key=NAMES.index)
    rhythms = {
        one["rhythm"]
        for one in json.loads(call("station", "sounds", "--json", folder=tmp_path).stdout)["sounds"]
    }
    assert len(rhythms) == len(NAMES)


def test_the_files_hold_the_sounds_of_the_set(tmp_path: Path) -> None:
    for name in ("clear", "low"):
        call("station", "sounds", "--write", name, "--set", name, folder=tmp_path)
        assert sorted(path.stem for path in (tmp_path / name).iterdir()) == sorted(NAMES)
        with wave.open(str(tmp_path / name / "held.wav")) as file:
            assert file.getnframes() == round(0.74 * file.getframerate())
    assert (tmp_path / "low" / "held.wav").read_bytes() != (tmp_path / "clear" / "held.wav").read_bytes()


def test_a_sound_is_played_by_the_stations_own_player(tmp_path: Path) -> None:
    path = write_station(tmp_path)
    kept = tmp_path / "kept.wav"
    player = tmp_path / "player"
    player.write_text(f'#!/bin/sh\ncat > "{kept}.$$" && [ -s "{kept}.$$" ] && mv "{kept}.$$" "{kept}"\n')
    player.chmod(0o755)
    path.write_text(path.read_text() + f"[sounds]\nplayer = '{player}'\nvolume = 0.5\n")
    done = call("station", "sounds", path, "--play", "saved", "--json", folder=tmp_path)
    assert json.loads(done.stdout)["played"] == ["saved"]
    call("station", "sounds", path, "--write", "out", folder=tmp_path)
    assert kept.read_bytes() == (tmp_path / "out" / "saved.wav").read_bytes()


def test_without_a_player_one_sentence_says_so(tmp_path: Path) -> None:
    path = write_station(tmp_path)
    path.write_text(path.read_text() + "[sounds]\nplayer = 'no-such-player'\n")
    done = call("station", "sounds", path, "--play", "all", folder=tmp_path, expect=3)
    assert done.stderr.startswith("There are no sounds (no-such-player: No such file or directory)")
    assert len(done.stderr.splitlines()) == 1


@pytest.mark.parametrize(
    ("words", "says"),
    [(("--play", "trumpet"), '"trumpet" is no sound'), (("--set", "loud"), '"loud" is no set of sounds')],
)
def test_a_name_that_is_none_is_refused(tmp_path: Path, words: tuple[str, str], says: str) -> None:
    assert says in call("station", "sounds", *words, folder=tmp_path, expect=2).stderr


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("volume = 2.0", "volume"),
        ('set = "loud"', "set"),
        ('player = "aplay \\"x"', "is no command"),
        ('player = " "', "plays nothing"),
        ('leave_out = ["beep"]', "leave_out"),
        ('voice = "-w/etc/x"', "voice"),
    ],
)
def test_a_mistake_in_the_table_of_sounds_is_named(tmp_path: Path, line: str, says: str) -> None:
    path = write_station(tmp_path)
    path.write_text(path.read_text() + f"[sounds]\n{line}\n")
    assert says in call("station", "check", path, folder=tmp_path, expect=2).stderr
