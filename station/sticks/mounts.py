"""Which sticks are mounted: from the kernel's table of mounts. Pure.

Only a mounted file system counts: a folder of the name where nothing is mounted lies on the station's own card.
"""

import re
from collections.abc import Sequence
from pathlib import PurePosixPath
from typing import NamedTuple

from ingest.disk import NETWORK_FILESYSTEMS

MOUNT_TABLE = "/proc/self/mountinfo"
_NO_STICKS = NETWORK_FILESYSTEMS | {"autofs"}  # looking into an automatic mount point would mount it


class Mount(NamedTuple):
    """One mounted file system. `number` is the kernel's for this mounting: the same stick put in again has another."""

    number: int
    path: str
    kind: str

    @property
    def name(self) -> str:
        """What a person calls it: on most systems the label of the stick."""
        return PurePosixPath(self.path).name


def mounts_below(roots: Sequence[str], table: str) -> tuple[Mount, ...]:
    """The mounts at or below these folders, in order, of the text of `/proc/self/mountinfo` (proc(5)).

    Its lines are `number parent device root path options [tags ...] - kind source super-options`, with blanks in names
    as octal. Of two mounts at one place the later one covers the earlier. What is no such line is passed over.
    """
    found: dict[str, Mount] = {}
    for line in table.splitlines():
        words = line.split(" ")
        if len(words) < 10 or "-" not in words[6:-1] or not words[0].isdigit():
            continue
        rest = words[words.index("-", 6) + 1 :]
        path = re.sub(r"\\([0-7]{3})", lambda octal: chr(int(octal[1], 8)), words[4])
        if any(PurePosixPath(path).is_relative_to(root) for root in roots):
            found.pop(path, None)
            found[path] = Mount(int(words[0]), path, rest[0])
    return tuple(one for one in found.values() if one.kind not in _NO_STICKS)
