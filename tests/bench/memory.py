"""The memory of a program that runs."""

import re
from pathlib import Path
from typing import Literal


def resident_mb(pid: int, which: Literal["now", "peak"]) -> float | None:
    """Resident memory in MB (proc(5): VmRSS, VmHWM); None once the process has ended.

    The peak is to be read while it runs: what the system says at its end counts the memory of the process that started
    it too.
    """
    try:
        status = Path(f"/proc/{pid}/status").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return None
    name = {"now": "VmRSS", "peak": "VmHWM"}[which]
    found = re.search(rf"^{name}:\s+(\d+) kB", status, re.MULTILINE)
    return int(found[1]) / 1024 if found else None
