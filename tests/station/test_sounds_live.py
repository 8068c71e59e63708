"""The sounds of a real station with instruments on pseudo-terminals; a recorder stands in for the loudspeaker."""

import contextlib
import shlex
import sys
from collections.abc import Iterator
from pathlib import Path

from ingest.station_file import SoundsTable
from station.sounds.companion import tones_of
from station.sounds.tones import samples_of
from tests.ingest.daemon_tools import Child, quick_station, station_on, wait_for, weighing
from tests.ingest.stations import length, tag
from tests.station import recorder_player

MARKED = "999000000000077"
PROGRAM = (
    "import sys; from pathlib import Path; from ingest.daemon import run_station; "
    "from station.sounds.companion import start_sounds; "
    "sys.exit(run_station(Path(sys.argv[1]), companions=[start_sounds]))"
)
# No news grows old while a busy computer gets to it.
PATIENT = "import station.sounds.turns as turns; turns.PATIENCE_S = turns.CLICK_PATIENCE_S = 60.0"
NAMES = {bytes(pcm): sound.value for sound, pcm in tones_of(SoundsTable()).items()}


def station_file(folder: Path, sounds: str) -> Path:
    """A quick station that knows one fish, with these lines in its table of sounds."""
    path = quick_station(folder)
    (folder / "history").mkdir()
    (folder / "history" / "before.csv").write_text(
        "tag,date,water,species,length_mm,weight_g\n"
        f"{MARKED},2025-05-12,Reedmace Pond,largemouth_bass,300,350\n"
    )
    path.write_text(f"{path.read_text()}[sounds]\n{sounds}\n")
    return path


@contextlib.contextmanager
def heard_station(folder: Path) -> Iterator[tuple[Child, "Ears"]]:
    ears = Ears(folder / "heard")
    ears.folder.mkdir()
    player = shlex.join([sys.executable, "-S", recorder_player.__file__, str(ears.folder)])
    path = station_file(folder, f"player = '{player}'")
    with station_on(path, program=PROGRAM, broken=PATIENT) as child:
        yield child, ears


class Ears:
    """What the loudspeaker was given."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def sounds(self) -> list[str]:
        wavs = sorted(self.folder.glob("*.wav"), key=lambda one: float(one.with_suffix(".first").read_text()))
        return [NAMES.get(bytes(samples_of(path.read_bytes())), "speech") for path in wavs]

    def wait(self, *last: str) -> None:
        wait_for(lambda: self.sounds()[-len(last) :] == list(last), f"{last} after {self.sounds()}")


def test_a_recapture_is_heard_when_its_tag_is_read_before_length_and_weight(tmp_path: Path) -> None:
    with heard_station(tmp_path) as (child, ears):
        child.send("reader", tag(MARKED), "TagSeen")
        ears.wait("recapture")
        assert child.ask("status")["benches"]["main"]["in_hand"]["missing"] == ["length", "weight"]
        child.send("board", length(312), "LengthSeen")
        ears.wait("recapture", "part")
        child.send("scale", weighing(412.0), "WeightSettled")
        ears.wait("saved")
        assert [one["tag"] for one in child.fish()] == [MARKED]
        assert child.signal() == 0


def test_a_held_fish_has_its_own_sound(tmp_path: Path) -> None:
    with heard_station(tmp_path) as (child, ears):
        child.send("reader", tag("999000000000011"), "TagSeen")
        child.send("board", length(312), "LengthSeen")
        child.send("scale", weighing(41.2), "WeightSettled")
        ears.wait("held")


def test_without_a_loudspeaker_the_station_says_so_once_and_works(tmp_path: Path) -> None:
    path = station_file(tmp_path, "player = 'no-such-player'")
    with station_on(path, program=PROGRAM) as child:
        for number in range(3):
            child.work_up(f"99900000000001{number}")
        assert len(child.fish()) == 3
        wait_for(lambda: "There are no sounds (no-such-player: " in child.said(), "the word about it")
        assert child.said().count("There are no sounds") == 1
        assert child.signal() == 0


def test_a_loudspeaker_that_hangs_delays_no_fish_and_no_stop(tmp_path: Path) -> None:
    path = station_file(tmp_path, "player = 'sleep 3600'")
    with station_on(path, program=PROGRAM) as child:
        for number in range(3):
            child.work_up(f"99900000000001{number}")
        assert len(child.fish()) == 3
        assert child.signal() == 0
