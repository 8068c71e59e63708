"""Runs in the guest: the station's own program on USB instruments that the kernel knows as real ones.

Two serial ports (a tag reader by its path, a board by its USB ids), a weighing instrument of the HID class, and a tag
reader that types. Fish are worked up with all of them; each is unplugged, twice in the middle of what it says, and
plugged in again; the station is killed and stopped. Everything found is reported and judged outside.
"""

import json
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from ingest.control import StationClient, StationError
from ingest.rebuild import rebuild
from tests.drivers.usb_memory import DESCRIPTORS
from tests.guest.gadgets import Gadget, HidGadget, SerialGadget
from tests.guest.report import PATIENCE_S, Reporter

FOLDER = Path("/run/station")
DATABASE = FOLDER / "work-up.sqlite"
STATION = """
[station]
name = "bank"
[survey]
water = "Reedmace Pond"
name = "May"
[bench.main]
species = "largemouth_bass"
tags = "first"
[[instrument]]
name = "reader"
use = "tag_plain"
port = "/dev/ttyACM0"
[[instrument]]
name = "board"
use = "board_mm"
port = "{board}"
[[instrument]]
name = "scale"
use = "usb_scale"
port = "{scale}"
[[instrument]]
name = "wedge"
use = "usb_keyboard_tag"
port = "{wedge}"
"""
_AGAIN_S = 1.5  # after an opening, what comes first is not trusted: it is said again
_ENTER = 0x28


class Bench:
    """The instruments, the station, and a hand at both."""

    def __init__(self, report: Reporter) -> None:
        self.report = report
        self.reader = SerialGadget("reader", 3, 0)  # the first: its port is /dev/ttyACM0
        self.board = SerialGadget("board", 4, 1)
        self.scale = HidGadget("scale", 1, 2, DESCRIPTORS["scale"], 6, boot_keyboard=False)
        self.wedge = HidGadget("wedge", 2, 3, DESCRIPTORS["keyboard"], 8, boot_keyboard=True)
        self.gadgets: dict[str, Gadget] = {
            "reader": self.reader, "board": self.board, "scale": self.scale, "wedge": self.wedge
        }  # fmt: skip
        FOLDER.mkdir()
        ports = {name: self.gadgets[name].address for name in ("board", "scale", "wedge")}
        (FOLDER / "station.toml").write_text(STATION.format(**ports))
        (FOLDER / "inventory").mkdir()
        (FOLDER / "inventory/box.csv").write_text("tag\n" + "".join(f"{tag(n)}\n" for n in range(1, 40)))
        self.fish = 0
        self.process: subprocess.Popen[bytes] | None = None

    # --- the station ----------------------------------------------------------------------------------------

    def start(self) -> None:
        command = [
            str(Path(sys.executable).with_name("tallywell")),
            "station",
            "run",
            str(FOLDER / "station.toml"),
        ]
        self.process = subprocess.Popen(command)
        self.wait("an answer", self.answers)
        self.wait("all ports open", lambda: set(self.ports().values()) == {"opened"})

    def end(self, number: signal.Signals) -> int:
        assert self.process is not None
        self.process.send_signal(number)
        return self.process.wait(PATIENCE_S)

    def ask(self, what: str, **details: object) -> dict[str, Any]:
        with StationClient(DATABASE) as client:
            return client.ask(what, **details)

    def answers(self) -> bool:
        try:
            self.ask("status")
        except StationError:
            return False
        return True

    def instrument(self, name: str) -> dict[str, Any]:
        found: dict[str, Any] = self.ask("status")["instruments"][name]
        return found

    def ports(self) -> dict[str, str]:
        return {name: one["port"] for name, one in self.ask("status")["instruments"].items()}

    def count(self, name: str, outcome: str) -> int:
        number: int = self.instrument(name)["outcomes"].get(outcome, 0)
        return number

    def wait(self, what: str, condition: Callable[[], bool], within_s: float = PATIENCE_S) -> None:
        deadline = time.monotonic() + within_s
        while not condition():
            if time.monotonic() > deadline:
                raise TimeoutError(
                    f"this never came: {what}; the station says {json.dumps(self.ask('status'))}"
                )
            if self.process is not None and self.process.poll() is not None:
                raise RuntimeError(f"the station ended ({self.process.returncode}) before: {what}")
            time.sleep(0.05)  # between two looks

    # --- the hand -------------------------------------------------------------------------------------------

    def until(self, name: str, outcome: str, act: Callable[[], None]) -> None:
        """Do it until the station has understood it: what comes right after an opening is not trusted."""
        before, deadline = self.count(name, outcome), time.monotonic() + PATIENCE_S
        while self.count(name, outcome) == before:
            if time.monotonic() > deadline:
                raise TimeoutError(f"no {outcome} of the {name}: {json.dumps(self.instrument(name))}")
            act()
            again = time.monotonic() + _AGAIN_S
            while self.count(name, outcome) == before and time.monotonic() < again:
                time.sleep(0.02)  # between two looks

    def type(self, text: str) -> None:
        """Digits as a keyboard sends them: a report for each key down, one for each key up."""
        for usage in (*((0x27 if digit == "0" else 0x1D + int(digit)) for digit in text), _ENTER):
            self.wedge.say(bytes([0, 0, usage, 0, 0, 0, 0, 0]))
            self.wedge.say(bytes(8))

    def weigh(self, grams: int) -> None:
        """Put it on, wait for its one weight, take it off."""
        self.until("scale", "WeightSettled", lambda: self._rest(grams))
        self.until("scale", "PanEmpty", lambda: self._rest(0))

    def _rest(self, grams: int) -> None:
        """Ten reports at rest: report 3, status (2 zero, 4 stable), unit 2 (g), power of ten, weight."""
        status = 4 if grams else 2
        for _ in range(10):
            self.scale.say(bytes([3, status, 2, 0]) + grams.to_bytes(2, "little"))
            time.sleep(0.03)  # the rhythm of a scale

    def work_up(self, by: str) -> None:
        """One fish, its tag read by the reader or the wedge."""
        self.fish += 1
        code, saved = tag(self.fish), len(self.records())
        if by == "reader":
            self.until("reader", "TagSeen", lambda: self.reader.say(f"{code}\r\n".encode()))
        else:
            self.until("wedge", "TagSeen", lambda: self.type(code))
        self.until("board", "LengthSeen", lambda: self.board.say(b"%d mm\r\n" % length_mm(self.fish)))
        self.weigh(weight_g(self.fish))
        self.wait(f"fish {self.fish}", lambda: len(self.records()) == saved + 1)

    def records(self) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = self.ask("fish", limit=1000)["fish"]
        return [one for one in found if one["closed"]]

    def replug(self, name: str, half: Callable[[], None] | None = None) -> None:
        """Pull the plug, if wanted in the middle of what it says, wait until it is missed, and put it in again."""
        losses = self.instrument(name)["losses"]
        if half is not None:
            received = self.instrument(name)["bytes"]
            half()
            self.wait("the half", lambda: self.instrument(name)["bytes"] > received)
        began_s = time.monotonic()
        self.gadgets[name].unplug()
        self.wait("the loss", lambda: self.instrument(name)["losses"] > losses)
        missed_s = time.monotonic() - began_s
        others = {port for other, port in self.ports().items() if other != name}
        began_s = time.monotonic()
        self.gadgets[name].plug()
        self.wait("the port again", lambda: self.instrument(name)["port"] == "opened")
        self.report.say(
            replugged=name, missed_s=round(missed_s, 2), back_s=round(time.monotonic() - began_s, 2),
            others=sorted(others), nodes=sorted(path.name for path in Path("/dev").glob("ttyACM*")),
        )  # fmt: skip


def tag(number: int) -> str:
    return f"98512{number:010}"


def length_mm(number: int) -> int:
    return 280 + 7 * number


def weight_g(number: int) -> int:
    """A plausible largemouth bass of that length, in whole grams."""
    return round(1.2e-5 * length_mm(number) ** 3)


def kernel_hid() -> int:
    """How many HID interfaces the kernel's own driver has."""
    return len(list(Path("/sys/class/hidraw").glob("hidraw*")))


def main() -> None:
    report = Reporter()
    bench = Bench(report)
    bench.wait("the kernel's driver on both HID instruments", lambda: kernel_hid() == 2)
    report.say(
        kernel=Path("/proc/sys/kernel/osrelease").read_text().strip(),
        nodes=sorted(path.name for path in Path("/dev").glob("ttyACM*")),
    )
    bench.start()
    report.say(hid_while_open=kernel_hid())
    bench.work_up("reader")
    bench.work_up("wedge")

    bench.replug("reader", lambda: bench.reader.say(f"{tag(38)}"[:9].encode()))
    bench.work_up("reader")
    bench.replug("scale", lambda: bench.scale.say(bytes([3, 3, 2, 0, 50, 0])))
    bench.work_up("reader")
    bench.replug("wedge", lambda: bench.wedge.say(bytes([0, 0, 0x26, 0, 0, 0, 0, 0])))
    bench.work_up("wedge")
    bench.replug("board", lambda: bench.board.say(b"99"))
    bench.work_up("wedge")

    # Unplugged with a fish half done: it goes on where it was.
    bench.fish += 1
    bench.until("reader", "TagSeen", lambda: bench.reader.say(f"{tag(bench.fish)}\r\n".encode()))
    bench.replug("scale")
    bench.until("board", "LengthSeen", lambda: bench.board.say(b"%d mm\r\n" % length_mm(bench.fish)))
    bench.weigh(weight_g(bench.fish))
    bench.wait("the fish with the plug out", lambda: len(bench.records()) == bench.fish)

    # A kill leaves the HID instruments without the kernel's driver; the next close gives them back.
    bench.end(signal.SIGKILL)
    report.say(hid_after_kill=kernel_hid())
    bench.start()
    bench.work_up("wedge")
    instruments = bench.ask("status")["instruments"]
    records = [
        {key: one[key] for key in ("tag", "length_mm", "weight_g", "status")} for one in bench.records()[::-1]
    ]
    code = bench.end(signal.SIGTERM)
    bench.process = None
    bench.wait("the kernel's driver again", lambda: kernel_hid() == 2)
    again = rebuild(DATABASE)
    report.say(
        records=records, stopped=code, instruments=instruments, hid_after_stop=kernel_hid(),
        rebuild=again.lines(), agrees=again.agrees,
    )  # fmt: skip


if __name__ == "__main__":
    main()
