"""The real libusb and pyusb on a recorded bus, through the reader to a weight."""

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.drivers.usb_bus_record import SYSFS, write_bus
from tests.drivers.usb_memory import DESCRIPTORS

ROOT = Path(__file__).parents[2]
UMOCKDEV = shutil.which("umockdev-run")
CHILD = """
import json, sys
sys.path.insert(0, sys.argv[1])
from drivers.hid_reports import descriptor_in
from drivers.transport import Bytes, PortReader, PortSettings, PortState
from tests.drivers.pty_tools import Inbox, PATIENCE_S
inbox = Inbox()
reader = PortReader("scale", PortSettings(address="usb:ffff:0001", usb="hid"), inbox)
reader.start()
inbox.wait_for(lambda: sum(isinstance(one, Bytes) for one in inbox.all) >= 4)
stopped = reader.stop(PATIENCE_S)
pieces = [one.data for one in inbox.all if isinstance(one, Bytes)]
print(json.dumps([[piece.hex() for piece in pieces], [event.sentence for event in inbox.events], stopped]))
"""


@pytest.mark.skipif(UMOCKDEV is None, reason="needs umockdev: apt install umockdev")
def test_reports_of_a_recorded_bus_arrive_through_the_real_libusb(tmp_path: Path) -> None:
    reports = [
        bytes.fromhex(text) for text in ("03 02 02 FF 00 00", "03 03 02 FF D2 04", "03 04 02 FF D2 04")
    ]
    described, traffic = write_bus(tmp_path, DESCRIPTORS["scale"], reports)
    assert UMOCKDEV is not None, "umockdev is missing: apt install umockdev"
    command = [UMOCKDEV, "-d", str(described), "-p", f"/sys{SYSFS}={traffic}", "--"]
    done = subprocess.run(
        [*command, sys.executable, "-c", CHILD, str(ROOT)], capture_output=True, text=True, timeout=60
    )
    assert done.returncode == 0, done.stderr
    pieces, sentences, stopped = json.loads(done.stdout)
    assert bytes.fromhex(pieces[0])[8:] == DESCRIPTORS["scale"]
    assert [bytes.fromhex(piece) for piece in pieces[1:]] == reports
    assert sentences == ["scale is open at /dev/bus/usb/001/005", "scale is closed"]
    assert stopped
