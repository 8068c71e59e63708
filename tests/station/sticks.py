"""Real small file systems as sticks: in memory, or in a file behind a loop device. Mounting needs root."""

import contextlib
import os
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from station.sticks.mounts import MOUNT_TABLE, Mount, mounts_below
from tests.station.needs import needed


@dataclass
class Stick:
    """One stick with the folder `tallywell`, to be put in at `place` and pulled out."""

    place: Path
    image: Path | None  # None: in memory, and empty again after it was pulled out
    size: str = "8m"

    def put_in(self, *options: str, folder: bool = True) -> None:
        self.place.mkdir(parents=True, exist_ok=True)
        if self.image is None:
            mount("-t", "tmpfs", "-o", ",".join([f"size={self.size}", *options]), "stick", str(self.place))
        else:
            mount("-o", ",".join(["loop", *options]), str(self.image), str(self.place))
        if folder and "ro" not in options:
            self.folder.mkdir(exist_ok=True)

    def pull_out(self) -> None:
        """At once, whatever is being written."""
        subprocess.run(["umount", "-l", str(self.place)], check=True)

    @property
    def folder(self) -> Path:
        return self.place / "tallywell"

    @property
    def mount(self) -> Mount:
        (found,) = mounts_below([str(self.place)], Path(MOUNT_TABLE).read_text())
        return found

    @property
    def copies(self) -> list[str]:
        """Every file on it, by its path below the folder."""
        return sorted(str(path.relative_to(self.folder)) for path in self.folder.rglob("*") if path.is_file())


def mount(*arguments: str) -> None:
    done = subprocess.run(["mount", *arguments], capture_output=True, text=True)
    needed(done.returncode == 0, f"nothing can be mounted here: {done.stderr.strip()}")


@contextlib.contextmanager
def stick_at(place: Path, size: str = "8m", *, image: bool = False) -> Iterator[Stick]:
    """A stick that is not put in yet; with an `image` it has its folder already. At the end it is out, however the test
    ended."""
    needed(os.geteuid() == 0, "only root may mount")
    file = None
    if image:
        file = place.parent / f"{place.name}.img"
        file.parent.mkdir(parents=True, exist_ok=True)
        subprocess.run(["truncate", "-s", size, str(file)], check=True)
        content = file.with_suffix(".content")
        (content / "tallywell").mkdir(parents=True)
        subprocess.run(["mkfs.ext4", "-q", "-d", str(content), str(file)], check=True)
    stick = Stick(place, file, size)
    try:
        yield stick
    finally:
        while place.is_mount():
            stick.pull_out()
