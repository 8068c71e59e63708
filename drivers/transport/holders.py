"""Who else on this computer has to do with a port: processes that hold it, programs that take ports by themselves."""

import os
from collections.abc import Collection, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

PROC = Path("/proc")


@dataclass(frozen=True, slots=True)
class Process:
    pid: int
    name: str

    def __str__(self) -> str:
        return f"{self.name} (process {self.pid})"


def holders(device: str, proc: Path = PROC) -> tuple[list[Process], bool]:
    """The other processes that have the node `device` open, and whether all processes could be looked at: those of other
    users show their files only to root."""
    wanted, found, all_seen = os.path.realpath(device), [], True
    for process in _processes(proc):
        if process.pid == os.getpid():
            continue
        folder = proc / str(process.pid) / "fd"
        try:
            names = os.listdir(folder)
        except PermissionError:
            all_seen = False
            continue
        except OSError:
            continue  # it ended meanwhile
        if any(_target(folder / name) == wanted for name in names):
            found.append(process)
    return found, all_seen


def running(names: Collection[str], proc: Path = PROC) -> list[Process]:
    """The processes with one of these names (as in /proc/PID/comm, at most 15 characters)."""
    return [process for process in _processes(proc) if process.name in names]


def _processes(proc: Path) -> Iterator[Process]:
    for pid in sorted(int(name) for name in os.listdir(proc) if name.isdecimal()):
        with suppress(OSError):
            name = (proc / str(pid) / "comm").read_text(encoding="utf-8", errors="replace").strip()
            yield Process(pid, name)


def _target(link: Path) -> str | None:
    try:
        return os.readlink(link)
    except OSError:
        return None
