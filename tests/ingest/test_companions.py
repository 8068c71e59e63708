"""What runs beside the ingest hears everything, and whatever goes wrong with it costs no fish."""

from pathlib import Path

from tests.ingest.daemon_tools import quick_station, station_on, wait_for

COMPANIONS = """
import sys
from pathlib import Path
from ingest.daemon import run_station
from ingest.announce import Tell
from ingest.records import Sound

class Listener:
    def __init__(self, doors):
        self.file = open(doors.station.folder / "heard.txt", "a", buffering=1)
        doors.deliver(Tell("listens", Sound.NONE, "A companion listens."))
    def hear(self, announcement):
        print(announcement["name"], file=self.file)
    def close(self):
        print("closed", file=self.file)
        raise RuntimeError("even now")

class Deaf(Listener):
    def hear(self, announcement):
        raise RuntimeError("cannot hear")

def absent(doors):
    raise OSError("is not there")

sys.exit(run_station(Path(sys.argv[1]), companions=[absent, Deaf, Listener]))
"""


def test_companions_hear_all_that_is_said_and_their_faults_are_told_once(tmp_path: Path) -> None:
    with station_on(quick_station(tmp_path), program=COMPANIONS) as child:
        child.work_up("999000000000001")
        wait_for(lambda: "failed: cannot hear" in child.said(), "word of it", child.process)
        child.work_up("999000000000002")
        assert [fish["status"] for fish in child.fish()] == ["saved", "saved"]
        assert child.signal() == 0
    said = child.said()
    assert said.count("A part of the station is missing: is not there") == 1
    assert said.count("A part of the station failed: cannot hear") == 1
    assert said.count("A companion listens.") == 2
    heard = (tmp_path / "heard.txt").read_text().split()
    assert heard.count("fish_saved") == 2
    assert heard.count("companion_failed") == 2
    assert heard.count("closed") == 2
