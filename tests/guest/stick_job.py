"""Runs in the guest: the watch for sticks on a real USB stick with FAT, whose plug is pulled without any unmounting.

The stick is a mass storage gadget; this job is the hand that plugs, and the automounter. Everything found is reported and
judged outside.
"""

import hashlib
import json
import os
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

from ingest.announce import Tell
from ingest.companions import Doors
from ingest.control import Ask
from ingest.station_config import load_station
from station.sticks.companion import start_sticks
from tests.guest.gadgets import StickGadget
from tests.guest.report import PATIENCE_S, Reporter

HOME = Path("/run/station")
IMAGE = Path("/run/stick.img")
PLACE = Path("/run/media/BLUE")
FOLDER = PLACE / "tallywell"
STATION = """
[station]
name = "bank"
[[instrument]]
name = "reader"
use = "tag_plain"
port = "/dev/no-reader"
[stick]
roots = ["/run/media"]
"""
_SMALL, _LARGE = 300_000, 24 << 20  # the large one takes long enough to be pulled out of


class Hand:
    """Puts the stick in and pulls it out; the station's doors, behind which there is one snapshot."""

    def __init__(self) -> None:
        self.stick = StickGadget("stick", 3, 0, IMAGE)
        self.snapshot = make_snapshot("work-up-20260512T130000Z", _SMALL)
        self.told: list[Tell] = []

    def deliver(self, item: Ask | Tell) -> None:
        if isinstance(item, Tell):
            self.told.append(item)
        elif item.request["ask"] == "status":
            item.reply({"ok": True, "benches": {}})
        else:
            item.reply({"ok": True, "path": str(self.snapshot)})

    def mount(self) -> None:
        """What an automounter does; the folder is made the first time."""
        PLACE.mkdir(parents=True, exist_ok=True)
        subprocess.run(["mount", "-t", "vfat", self.stick.node, str(PLACE)], check=True)
        FOLDER.mkdir(exist_ok=True)

    def pull(self) -> None:
        """The plug first, then what an automounter does."""
        self.stick.unplug()
        subprocess.run(["umount", "-l", str(PLACE)], check=True)

    def put_in(self) -> None:
        self.stick.plug()
        self.mount()

    def wait_told(self, name: str, times: int = 1) -> None:
        wait(f"{times} x {name} in {self.told}", lambda: [one.name for one in self.told].count(name) >= times)

    def wait_written(self, times: int) -> None:
        self.wait_told("stick_written", times)


def wait(what: str, condition: Callable[[], bool]) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while not condition():
        if time.monotonic() > deadline:
            raise TimeoutError(f"this never came: {what}")
        time.sleep(0.01)  # between two looks


def make_snapshot(name: str, size: int) -> Path:
    path = HOME / f"{name}.sqlite"
    path.write_bytes(os.urandom(size))
    figures = {
        "file": path.name,
        "sha256": sha256(path),
        "size_bytes": size,
        "rows": {"fish": 1},
    }
    path.with_suffix(".json").write_text(json.dumps(figures))
    return path


def sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def whole(snapshot: Path) -> bool:
    """Whether the copy of this snapshot on the stick, and its manifest, are the snapshot's bytes."""
    copy = FOLDER / "bank" / snapshot.name
    pairs = [(copy.with_suffix(one), snapshot.with_suffix(one)) for one in (".sqlite", ".json")]
    return all(there.is_file() and there.read_bytes() == here.read_bytes() for there, here in pairs)


def begun() -> bool:
    return any(part.stat().st_size > 1 << 20 for part in (FOLDER / "bank").glob(".*.part"))


def main() -> None:
    report = Reporter()
    HOME.mkdir()
    (HOME / "station.toml").write_text(STATION)
    with IMAGE.open("wb") as file:
        file.truncate(80 << 20)
    subprocess.run(["/run/busybox", "mkdosfs", str(IMAGE)], check=True, stdout=subprocess.DEVNULL)
    hand = Hand()
    hand.mount()

    # Said to be safe, and pulled out at once.
    station = HOME / "station.toml"
    watch = start_sticks(Doors(load_station(station), hand.deliver, None, station))
    hand.wait_written(1)
    plain = PLACE / "plain.txt"
    plain.write_text("copied as anybody copies a file")
    hand.pull()
    hand.wait_told("stick_out")
    hand.put_in()
    hand.wait_written(2)  # the same again: found whole
    report.say(
        pulled="after it was called safe",
        whole=whole(hand.snapshot),
        plain=plain.is_file() and plain.read_text(),
    )

    # Pulled out of the middle of the next copy.
    first, hand.snapshot = hand.snapshot, make_snapshot("work-up-20260513T130000Z", _LARGE)
    watch.hear({"name": "survey_closed"})
    wait("the next copy", begun)
    hand.pull()
    hand.wait_told("stick_failed")  # the plug is out before anybody unmounts: the kernel says so by errors
    report.say(left_on_the_card=[str(path) for path in PLACE.rglob("*")])
    hand.put_in()
    manifest = FOLDER / "bank" / hand.snapshot.with_suffix(".json").name
    report.say(pulled="in the middle", whole=whole(first), manifest=manifest.exists())
    hand.wait_written(3)
    hand.pull()
    hand.put_in()
    report.say(pulled="after the next copy", whole=whole(first) and whole(hand.snapshot))
    watch.close()
    report.say(told=[one.name for one in hand.told])


if __name__ == "__main__":
    main()
