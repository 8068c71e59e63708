"""The sounds as a part of the running station: hears what is announced, and lets the crew hear it."""

from collections.abc import Callable, Mapping

from ingest.announce import Tell
from ingest.companions import Companion, Doors
from ingest.records import Sound
from ingest.station_file import SoundsTable
from station.sounds.player import Loudspeaker
from station.sounds.programs import SPEAKER, players
from station.sounds.speech import spoken
from station.sounds.tones import RHYTHMS, Samples, notes, samples


class Sounds:
    """Plays the sound of each announcement. A recapture is announced, and so heard, when its tag is read."""

    def __init__(self, doors: Doors) -> None:
        table = doors.station.file.sounds
        self._units = doors.station.file.page.units
        self._leave_out = {Sound.NONE, *map(Sound, table.leave_out)}
        self._speech = table.speech
        self.loudspeaker = loudspeaker(
            table, lambda name, sentence: doors.deliver(Tell(name, Sound.NONE, sentence))
        )

    def hear(self, announcement: Mapping[str, object]) -> None:
        sound = Sound(str(announcement["sound"]))
        if sound not in self._leave_out:
            self.loudspeaker.play(sound, spoken(announcement, self._units) if self._speech else None)

    def close(self) -> None:
        self.loudspeaker.close()


class _Silence:
    """The station's file says that there shall be none."""

    def hear(self, announcement: Mapping[str, object]) -> None:
        pass

    def close(self) -> None:
        pass


def start_sounds(doors: Doors) -> Companion:
    """For `ingest.daemon.run_station(companions=...)`."""
    return Sounds(doors) if doors.station.file.sounds.on else _Silence()


def tones_of(table: SoundsTable) -> dict[Sound, Samples]:
    """The samples of every sound, as this station wants them."""
    return {sound: samples(notes(sound, table.set), table.volume) for sound in RHYTHMS}


def loudspeaker(table: SoundsTable, tell: Callable[[str, str], None]) -> Loudspeaker:
    """The loudspeaker that this table describes; `tell` hears of its failures."""
    return Loudspeaker(
        players(table.player),
        lambda: tones_of(table),
        tell,
        speaker=speaker_command(table) if table.speech else None,
    )


def speaker_command(table: SoundsTable) -> tuple[str, ...]:
    """The program that makes speech: a sentence in, a WAV stream out."""
    loud = round(100 * table.volume)  # 100 is its default
    words = str(table.words_per_minute)
    return (SPEAKER, "-v", table.voice, "-s", words, "-a", str(loud), "--stdin", "--stdout")
