"""The unit file: systemd itself finds no fault in it, and what it takes away leaves the ports reachable.

That the settings below are what serial and USB instruments need was tried with systemd 252 as the first process of a
virtual machine with real device nodes: PrivateDevices= hides the ports, a class of devices counts only when its driver
is loaded before the service.
"""

import configparser
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

FOLDER = Path(__file__).parents[2] / "config" / "systemd"
UNIT = FOLDER / "tallywell@.service"
ANALYZE = shutil.which("systemd-analyze")

needs_systemd = pytest.mark.skipif(
    ANALYZE is None,
    reason="systemd-analyze is not here (Debian package systemd)",
)


@pytest.fixture
def unit(tmp_path: Path) -> Path:
    """The unit for a station `bank`, with a program that exists on this computer."""
    text = UNIT.read_text()
    program = "/opt/tallywell/bin/tallywell"
    assert program in text
    path = tmp_path / "tallywell@bank.service"
    path.write_text(text.replace(program, sys.executable))
    return path


def analyze(*arguments: str) -> subprocess.CompletedProcess[str]:
    assert ANALYZE is not None
    return subprocess.run([ANALYZE, *arguments], capture_output=True, text=True, timeout=60, check=False)


@needs_systemd
def test_systemd_finds_no_fault_in_the_unit(unit: Path) -> None:
    done = analyze("verify", "--recursive-errors=yes", "--man=no", str(unit))
    assert (done.returncode, done.stderr) == (0, "")


@needs_systemd
def test_a_fault_in_the_unit_would_be_found(unit: Path) -> None:
    unit.write_text(unit.read_text().replace("WatchdogSec=", "WatchdogSecs="))
    assert "WatchdogSecs" in analyze("verify", "--recursive-errors=yes", "--man=no", str(unit)).stderr


@needs_systemd
def test_the_service_is_exposed_little(unit: Path) -> None:
    # 30 stands for an exposure of 3.0 of 10; systemd calls up to 2 "OK" and up to 5 "MEDIUM".
    done = analyze("security", "--offline=true", "--threshold=30", "--no-pager", str(unit))
    assert done.returncode == 0, done.stdout[-300:]


def test_what_the_ports_need_is_not_taken_away() -> None:
    service: dict[str, list[str]] = {}
    for line in UNIT.read_text().splitlines():
        key, equals, value = line.partition("=")
        if equals and not line.startswith("#"):
            service.setdefault(key, []).append(value)
    assert service["PrivateDevices"] == ["no"]
    assert {f"char-{one} rw" for one in ("ttyACM", "ttyUSB", "usb_device", "alsa")} <= set(
        service["DeviceAllow"]
    )
    assert service["SupplementaryGroups"] == ["dialout audio"]
    assert "ProcSubset" not in service  # the boot id is in /proc/sys
    assert service["Type"] == ["notify"]
    assert service["Restart"] == ["always"]
    assert service["StartLimitIntervalSec"] == ["0"]
    assert "AF_UNIX" in service["RestrictAddressFamilies"][0].split()


def test_the_unit_waits_for_the_drivers_that_it_admits() -> None:
    unit = configparser.ConfigParser(strict=False, interpolation=None)
    unit.read_string(UNIT.read_text())
    assert "systemd-modules-load.service" in unit["Unit"]["After"]
    modules = [
        line for line in (FOLDER / "tallywell-modules.conf").read_text().splitlines() if line[0] != "#"
    ]
    assert modules == ["cdc_acm", "usbserial", "snd"]
