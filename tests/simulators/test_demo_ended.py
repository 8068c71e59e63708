"""The demo as a process of its own. Its water and fish are invented."""

import signal
import subprocess
import sys
from pathlib import Path


def test_a_demo_that_is_told_to_end_leaves_no_process_behind(tmp_path: Path) -> None:
    folder = tmp_path / "demo"
    command = [sys.executable, "-u", "-m", "simulators.demo", "--folder", str(folder), "--speed", "1"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as demo:
        try:
            assert demo.stdout is not None
            assert demo.stderr is not None
            assert any("The page is at" in line for line in demo.stdout)
            assert len(_at_work_on(folder)) == 3
            demo.send_signal(signal.SIGTERM)
            assert "Stopped." in demo.stderr.read()
            assert demo.wait() == 130
        finally:
            demo.terminate()  # else a day of 13 minutes would be waited for
    assert _at_work_on(folder) == []


def _at_work_on(folder: Path) -> list[bytes]:
    """The command lines that name the folder: the demo, its player, its station."""
    found = []
    for process in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            words = process.read_bytes()
        except OSError:
            continue  # it has ended meanwhile
        if str(folder).encode() in words:
            found.append(words)
    return found
