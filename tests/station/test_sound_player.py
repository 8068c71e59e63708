"""The loudspeaker with real processes as players: they keep what they are given instead of playing it."""

import os
import shlex
import shutil
import signal
import sys
from array import array
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest

from ingest.companions import Doors
from ingest.records import Sound
from ingest.station_config import load_station
from ingest.station_file import SoundsTable
from station.sounds.companion import Sounds, start_sounds, tones_of
from station.sounds.player import Loudspeaker
from station.sounds.programs import Running, players
from station.sounds.tones import RATE_HZ, Samples, click_into, samples_of
from tests.ingest.daemon_tools import wait_for
from tests.ingest.stations import write_station
from tests.station import recorder_player
from tests.station.needs import needed

TONES = tones_of(SoundsTable())
SPEECH = array("h", range(-11_025, 11_025))  # a second of something that is no tone


class Ears:
    """A folder in which recorders leave what they were given, and a loudspeaker that plays into it.

    `now_s` is the loudspeaker's clock: it stands still, so no news grows old while a busy computer gets to it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.now_s = 0.0
        self.told: list[tuple[str, str]] = []

    def recorder(self, ending: str = "play") -> tuple[str, ...]:
        return (sys.executable, "-S", recorder_player.__file__, str(self.folder), ending)

    @contextmanager
    def loudspeaker(
        self, *commands: Sequence[str], speaker: Sequence[str] | None = None
    ) -> Iterator[Loudspeaker]:
        speaker_made = Loudspeaker(
            commands,
            lambda: TONES,
            lambda name, text: self.told.append((name, text)),
            speaker=speaker,
            clock=lambda: self.now_s,
        )
        try:
            yield speaker_made
        finally:
            speaker_made.close()

    def hold(self, number: int) -> None:
        """The sound of this number (from 1) and those after it last until `release`, or until they are cut off."""
        (self.folder / "hold.new").write_text(str(number))
        (self.folder / "hold.new").rename(self.folder / "hold")

    def release(self) -> None:
        (self.folder / "hold").unlink()

    def heard(self) -> list[Samples]:
        """What was given to the recorders so far, in order."""
        return [samples_of(path.read_bytes()) for path in sorted(self.folder.glob("*.wav"), key=_first_s)]

    def sounds(self) -> list[str]:
        """The same by name."""
        names = {bytes(pcm): sound.value for sound, pcm in TONES.items()} | {bytes(SPEECH): "speech"}
        return [names.get(bytes(pcm), "other") for pcm in self.heard()]

    def wait_heard(self, *names: str) -> None:
        wait_for(lambda: self.sounds() == list(names), f"{names}, not {self.sounds()}")

    def wait_ready(self, number: int = 1) -> None:
        """So many recorders have been started and wait, or are through."""
        wait_for(lambda: len(list(self.folder.glob("*.waits"))) >= number, "a player that waits")


def _first_s(path: Path) -> float:
    return float(path.with_suffix(".first").read_text())


@pytest.fixture
def ears(tmp_path: Path) -> Ears:
    return Ears(tmp_path)


@pytest.fixture
def voice(tmp_path: Path) -> tuple[str, ...]:
    """A speaker that says SPEECH whatever the sentence, and keeps the sentence."""
    code = (
        "import sys; from array import array; from pathlib import Path; from station.sounds.tones import wav;"
        f"Path({str(tmp_path / 'said.txt')!r}).write_text(sys.stdin.read());"
        "sys.stdout.buffer.write(wav(array('h', range(-11_025, 11_025))))"
    )
    return (sys.executable, "-c", code)


def test_a_sound_is_given_to_a_player_that_waits_already(ears: Ears) -> None:
    with ears.loudspeaker(ears.recorder()) as loudspeaker:
        ears.wait_ready()
        loudspeaker.play(Sound.SAVED)
        ears.wait_heard("saved")
        assert len(list(ears.folder.glob("*.waits"))) == 1  # none was started for it
        ears.wait_ready(2)  # and the next one waits again
    assert ears.told == []


def test_sounds_follow_each_other_and_the_important_one_cuts_off(ears: Ears) -> None:
    with ears.loudspeaker(ears.recorder()) as loudspeaker:
        ears.wait_ready()
        ears.hold(1)
        loudspeaker.play(Sound.SAVED)
        ears.wait_heard("saved")
        loudspeaker.play(Sound.HELD)
        ears.wait_heard("saved", "held")
        ears.release()
        # The saved sound was cut off, so it is heard again after the held one.
        ears.wait_heard("saved", "held", "saved")
        wait_for(lambda: loudspeaker.quiet, "quiet")
        assert len(list(ears.folder.glob("*.over"))) == 2


def test_a_burst_is_heard_as_a_few_sounds_the_important_first(ears: Ears) -> None:
    with ears.loudspeaker(ears.recorder()) as loudspeaker:
        ears.wait_ready()
        ears.hold(1)
        for n in range(1000):
            loudspeaker.play(list(TONES)[n % len(TONES)])
        wait_for(lambda: "held" in ears.sounds(), "the most important one")
        assert len(ears.heard()) <= 2
    assert ears.told == []


def test_whoever_wants_a_sound_never_waits_for_a_player(ears: Ears) -> None:
    """This player hangs: were anything of it waited for, the test would not end."""
    with ears.loudspeaker(ears.recorder("hang"), speaker=("sleep", "3600")) as loudspeaker:
        for _ in range(1000):
            for sound in TONES:
                loudspeaker.play(sound, "Weigh again.")
    assert len(ears.heard()) <= len(TONES)


def test_a_player_that_dies_while_it_waits_is_replaced(ears: Ears) -> None:
    with ears.loudspeaker(ears.recorder()) as loudspeaker:
        ears.wait_ready()
        loudspeaker.play(Sound.PART)
        ears.wait_heard("part")
        ears.wait_ready(2)
        newest = max(ears.folder.glob("*.waits"), key=lambda path: path.name)
        os.kill(int(newest.stem.rpartition("-")[2]), signal.SIGKILL)
        ears.wait_ready(3)
        loudspeaker.play(Sound.SAVED)
        ears.wait_heard("part", "saved")
    assert ears.told == []


def test_a_player_that_dies_while_it_plays_costs_no_sound(ears: Ears) -> None:
    with ears.loudspeaker(ears.recorder()) as loudspeaker:
        ears.wait_ready()
        loudspeaker.play(Sound.PART)
        ears.wait_heard("part")
        wait_for(lambda: loudspeaker.quiet, "quiet")
        ears.hold(2)
        loudspeaker.play(Sound.HELD)
        ears.wait_heard("part", "held")
        playing = max(ears.folder.glob("*.wav"), key=_first_s)
        os.kill(int(playing.stem.rpartition("-")[2]), signal.SIGKILL)
        ears.wait_heard("part", "held", "held")
        ears.release()
    assert ears.told == []


@pytest.mark.parametrize("command", [(), ("no-such-player-anywhere",)])
def test_a_missing_player_is_said_once(ears: Ears, command: tuple[str, ...]) -> None:
    with ears.loudspeaker(*([command] if command else [])) as loudspeaker:
        wait_for(lambda: len(ears.told) == 1, "the word about it")
        for sound in TONES:
            loudspeaker.play(sound)
        wait_for(lambda: loudspeaker.quiet, "quiet")
    assert [name for name, _ in ears.told] == ["sounds_failed"]


def test_a_player_without_a_card_is_said_once_with_its_reason(ears: Ears) -> None:
    with ears.loudspeaker(ears.recorder("fail")) as loudspeaker:
        wait_for(lambda: len(ears.told) == 1, "the word about it")
        loudspeaker.play(Sound.HELD)
        wait_for(lambda: loudspeaker.quiet, "quiet")
    assert len(ears.told) == 1
    assert "invented: no card of this name" in ears.told[0][1]
    assert "works on" in ears.told[0][1]


def test_the_next_player_is_tried_if_the_first_has_no_card(ears: Ears) -> None:
    with ears.loudspeaker(("no-such-player",), ears.recorder("fail"), ears.recorder()) as loudspeaker:
        loudspeaker.play(Sound.RECAPTURE)
        ears.wait_heard("recapture")
    assert ears.told == []


def test_a_card_that_comes_back_is_said(ears: Ears, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("station.sounds.player.RETRY_S", 0.0)
    broken = ears.folder / "player"
    with ears.loudspeaker((str(broken),)) as loudspeaker:
        wait_for(lambda: len(ears.told) == 1, "the word about it")
        broken.write_text("#!/bin/sh\nexec " + " ".join(ears.recorder()) + "\n")
        broken.chmod(0o755)
        loudspeaker.play(Sound.SAVED)
        wait_for(lambda: len(ears.told) == 2, "the word that it is back")
    assert [name for name, _ in ears.told] == ["sounds_failed", "sounds_back"]


def test_a_player_that_never_ends_is_given_up(ears: Ears, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("station.sounds.player._HUNG_S", 0.2)
    with ears.loudspeaker(ears.recorder("hang")) as loudspeaker:
        loudspeaker.play(Sound.PART)
        ears.wait_heard("part")
        ears.now_s = 60.0
        wait_for(lambda: len(ears.told) == 1, "the word about it")
    assert "does not come to its end" in ears.told[0][1]


def test_closing_ends_the_players_and_waits_for_no_sound(ears: Ears) -> None:
    with ears.loudspeaker(ears.recorder("hang")) as loudspeaker:
        loudspeaker.play(Sound.HELD)
        ears.wait_heard("held")
    pids = [waits.stem.rpartition("-")[2] for waits in ears.folder.glob("*.waits")]
    wait_for(lambda: not any(Path(f"/proc/{pid}").exists() for pid in pids), "the end of the players")
    loudspeaker.play(Sound.HELD)  # after the end: nothing, and no error


def test_a_sentence_is_spoken_after_its_tone(ears: Ears, voice: tuple[str, ...]) -> None:
    with ears.loudspeaker(ears.recorder(), speaker=voice) as loudspeaker:
        loudspeaker.play(Sound.RECAPTURE, "Recapture. 412 millimetres.")
        ears.wait_heard("recapture", "speech")
    assert (ears.folder / "said.txt").read_text() == "Recapture. 412 millimetres."


def test_newer_news_cuts_speech_off(ears: Ears, voice: tuple[str, ...]) -> None:
    with ears.loudspeaker(ears.recorder(), speaker=voice) as loudspeaker:
        ears.hold(2)
        loudspeaker.play(Sound.RECAPTURE, "Recapture.")
        ears.wait_heard("recapture", "speech")
        loudspeaker.play(Sound.SAVED)
        ears.wait_heard("recapture", "speech", "saved")
        ears.release()
        wait_for(lambda: loudspeaker.quiet, "quiet")
        assert len(list(ears.folder.glob("*.over"))) == 2  # the speech did not come to its end


def test_a_click_falls_into_speech_which_goes_on(ears: Ears, voice: tuple[str, ...]) -> None:
    with ears.loudspeaker(ears.recorder(), speaker=voice) as loudspeaker:
        ears.hold(2)
        loudspeaker.play(Sound.RECAPTURE, "Recapture.")
        ears.wait_heard("recapture", "speech")
        ears.now_s = 0.4
        loudspeaker.play(Sound.PART)
        wait_for(lambda: len(ears.heard()) == 3, "the rest of the speech")
        rest = SPEECH[round(0.4 * RATE_HZ) :]
        assert ears.heard()[-1] == click_into(rest, TONES[Sound.PART])


def test_a_speaker_that_fails_is_said_once_and_the_tones_stay(ears: Ears) -> None:
    with ears.loudspeaker(ears.recorder(), speaker=("no-such-voice",)) as loudspeaker:
        loudspeaker.play(Sound.RECAPTURE, "Recapture.")
        ears.wait_heard("recapture")
        loudspeaker.play(Sound.HELD, "Weigh again.")
        ears.wait_heard("recapture", "held")
    assert [name for name, _ in ears.told] == ["speech_failed"]


def test_more_than_a_pipe_holds_reaches_the_player(ears: Ears) -> None:
    """Ten seconds of speech are 441 kB, a pipe holds 64 KiB (pipe(7))."""
    long = {**TONES, Sound.STICK: array("h", [n % 2000 for n in range(220_500)])}
    loudspeaker = Loudspeaker([ears.recorder()], lambda: long, lambda *_: None)
    try:
        loudspeaker.play(Sound.STICK)
        wait_for(lambda: len(ears.heard()) == 1, "all of it")
        assert ears.heard()[0] == long[Sound.STICK]
    finally:
        loudspeaker.close()


def test_the_systems_own_player_takes_every_sound() -> None:
    """aplay with ALSA's null device: no card is needed, and a sound that it cannot read is an error."""
    needed(shutil.which("aplay"), "aplay is not installed")
    told: list[str] = []
    loudspeaker = Loudspeaker(
        [("aplay", "-q", "-D", "null", "-")], lambda: TONES, lambda name, _: told.append(name)
    )
    try:
        for sound in TONES:
            loudspeaker.play(sound)
            wait_for(lambda: loudspeaker.quiet, "quiet")
    finally:
        loudspeaker.close()
    assert told == []


def test_a_sound_that_is_left_out_is_not_heard(ears: Ears, tmp_path: Path) -> None:
    path = write_station(tmp_path / "station")
    player = shlex.join(ears.recorder())
    path.write_text(f"""{path.read_text()}[sounds]\nplayer = '{player}'\nleave_out = ["saved"]\n""")
    told: list[object] = []
    sounds = Sounds(Doors(load_station(path), told.append, None, path))
    try:
        for sound in ("saved", "held"):
            sounds.hear({"name": "x", "sound": sound})
        ears.wait_heard("held")
        wait_for(lambda: sounds.loudspeaker.quiet, "quiet")
        assert (ears.sounds(), told) == (["held"], [])
    finally:
        sounds.close()


def test_sounds_that_are_switched_off_start_nothing(tmp_path: Path) -> None:
    path = write_station(tmp_path)
    path.write_text(path.read_text() + "[sounds]\non = false\nplayer = 'no-such-player'\n")
    told: list[object] = []
    silent = start_sounds(Doors(load_station(path), told.append, None, path))
    silent.hear({"sound": "held"})
    silent.close()
    assert told == []


def test_a_configured_player_is_the_only_one_tried() -> None:
    assert players('aplay -q -D "plughw:1" -') == [("aplay", "-q", "-D", "plughw:1", "-")]


def test_ending_a_program_ends_what_it_started(tmp_path: Path) -> None:
    child = tmp_path / "child"
    program = Running(
        ("/bin/sh", "-c", f'sleep 3600 & echo $! > "{child}.new"; mv "{child}.new" "{child}"; wait')
    )
    wait_for(child.exists, "the child")
    assert program.close() < 0
    stat = Path(f"/proc/{int(child.read_text())}/stat")
    wait_for(
        lambda: not stat.exists() or ") Z " in stat.read_text(), "the end of the child"
    )  # Z: dead, not buried
