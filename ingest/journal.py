"""Writing the journal, on one medium or two. Its files are described, and read, in `ingest.journal_reading`."""

import hashlib
import os
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from math import inf
from pathlib import Path
from typing import NamedTuple

from ingest.disk import AppendFile, catch_up, trouble_sentence, write_whole
from ingest.frames import (
    Frame,
    Header,
    encode_frame,
    encode_header,
)
from ingest.journal_reading import (
    Position,
    heal_tail,
    journal_files,
    journal_stem,
    last_frame,
    part_of,
    read_journal,
)
from ingest.kept_content import keep_content

PART_BYTES = 64 << 20
MEMORY_BYTES = 64 << 20
BALLAST_BYTES = 8 << 20


@dataclass(frozen=True, slots=True)
class OnDisk:
    """Which media hold everything that was appended."""

    journal: bool
    mirror: bool

    @property
    def safe(self) -> bool:
        """Whether at least one medium holds everything: only then may anything be announced."""
        return self.journal or self.mirror


class Rescued(NamedTuple):
    """How many frames no medium of the journal took, and where they are now; None: nowhere."""

    frames: int
    path: Path | None


class JournalWriter:
    """Appends frames to one journal, on the folder's medium and, if there is one, on a mirror.

    No fault of a medium is raised. `trouble` says in plain words what is wrong (the text stays the same as
    long as the state does, so a caller speaks when it changes); frames wait in memory in order, every
    `append` and `flush` tries again, and a medium that comes back is completed from the other. Opening a
    journal that exists already heals both copies and goes on after its last frame (`next_n`, `last_t_s`).

    If no medium can go on with its file without a hole (deleted under us), a new part begins with all
    frames that were not yet durable: parts may then repeat frames, and a reader skips numbers that it has.
    """

    def __init__(
        self,
        folder: Path,
        header: Header,
        survey: str = "provisional",
        mirror: Path | None = None,
        *,
        part_bytes: int = PART_BYTES,
        memory_bytes: int = MEMORY_BYTES,
        ballast_bytes: int = BALLAST_BYTES,
        at_once: bool = True,
    ) -> None:
        """`ballast_bytes` lie in a reserve file and are given back when the disk is full; 0: none.

        Without `at_once` lines go to the operating system with the next `flush` only: for work that can be done
        again after a kill, such as a replay.

        Raises:
            ValueError: the header cannot be written.
        """
        self.header = header
        self.next_n, self.last_t_s = 1, -inf
        self.set_aside: list[Path] = []  # half lines and differing copies found on the way
        self._header_line = encode_header(header)
        self._stem = journal_stem(header, survey)
        self._folders = [folder] if mirror is None else [folder, mirror]
        self._part_bytes = part_bytes
        self._memory_bytes = memory_bytes
        self._at_once = at_once
        self._refused = 0
        self._contents: list[dict[str, bytes]] = [{} for _ in self._folders]
        self._ballast = folder / "ballast"
        self._ballast_used = False
        with suppress(OSError):  # a folder that cannot be made shows as trouble when its file is written
            folder.mkdir(parents=True, exist_ok=True)
        if mirror is not None and mirror.parent.is_dir():
            with suppress(OSError):
                mirror.mkdir(exist_ok=True)
        self._mirror_not_on = self._foreign_device()
        if ballast_bytes:
            self._put_ballast_by(ballast_bytes)
        self._part, size = self._found()
        self._media = self._opened_media(size)
        if size == 0:
            self._append_line(self._header_line)
        self.flush()

    @property
    def trouble(self) -> str | None:
        """What is wrong with the media, in plain words; None if nothing is."""
        parts = [medium.trouble for medium in self._media if medium.trouble]
        if self._refused:
            parts.append(
                f"The memory is full, {self._refused} frames were not kept: make room on a medium now."
            )
        if self._ballast_used:
            parts.append("The disk was full and its reserve is used up: free space before the day goes on.")
        return " ".join(parts) or None

    @property
    def mirror_on_same_medium(self) -> bool:
        """Whether the mirror lies on the journal's own medium, and so protects against little."""
        return len(self._folders) > 1 and self._mirror_not_on is None

    @property
    def position(self) -> Position:
        """The place after the last frame appended."""
        return Position(self._media[0].path.name, self._media[0].end, self.next_n - 1)

    def append(self, frame: Frame) -> None:
        """Hand a frame to the operating system (see `at_once`); it is durable only after a `flush` that says so.

        Build frames with n = `next_n` and t_s = max(t, `last_t_s`): only what the journal can read back is
        taken.

        Raises:
            ValueError: n does not grow, t runs backwards, or a value cannot be written (a bug of the caller).
        """
        if frame.n < self.next_n or frame.t_s < self.last_t_s:
            raise ValueError(
                f"frame {frame.n} at {frame.t_s} s does not follow {self.next_n - 1} at {self.last_t_s} s"
            )
        line = encode_frame(frame)
        full = self._full()
        if full:
            self.flush()
            full = self._full()
        self.next_n, self.last_t_s = frame.n + 1, frame.t_s
        if full:
            self._refused += 1
        else:
            self._append_line(line)

    def flush(self) -> OnDisk:
        """Make everything appended durable, and say on which media it is."""
        done = self._sync()
        if not any(done) and any(medium.behind for medium in self._media):
            self._begin_part(max((medium.waiting for medium in self._media), key=len))
            done = self._sync()
        if any(done) and self._media[0].end >= self._part_bytes:
            self.rotate()
            done = self._sync()
        for folder, contents in zip(self._folders, self._contents, strict=True):
            with suppress(
                OSError
            ):  # the same fault shows as the medium's trouble; the next flush tries again
                for sha256, data in list(contents.items()):
                    keep_content(folder, data)
                    del contents[sha256]
        held = [ok and not contents for ok, contents in zip(done, self._contents, strict=True)]
        return OnDisk(held[0], held[-1] and len(held) > 1)

    def rotate(self) -> bool:
        """Begin a new part; False if no medium holds all of the old one yet (then the old one goes on)."""
        complete = [medium.sync() for medium in self._media]
        if not any(complete):
            return False
        self._begin_part([])
        for medium, was_complete in zip(self._media, complete, strict=True):
            if not was_complete:
                medium.fall_behind("waits for the parts before it")
        return True

    def keep_content(self, data: bytes) -> str:
        """Keep a text beside the journal on every medium; `flush` says when it is durable."""
        sha256 = hashlib.sha256(data).hexdigest()
        for contents in self._contents:
            contents[sha256] = data
        return sha256

    def rescue(self, folders: Iterable[Path]) -> Rescued | None:
        """At the end: put the frames that no medium took, as a part of their own, into the first folder that does.

        None if a medium holds everything. A part that is moved beside the others before the journal goes on
        is read like any other.
        """
        if self.flush().safe:
            return None
        whole = [medium.waiting for medium in self._media if not medium.behind]
        waiting = min(whole, key=len) if whole else max((medium.waiting for medium in self._media), key=len)
        lines = [line for line in waiting if line != self._header_line]
        if not lines:
            return None
        for folder in folders:
            part = self._part + 1
            while (path := folder / f"{self._stem}-{part:03d}.jsonl").exists():
                part += 1
            with suppress(OSError):  # the next folder may lie on another medium
                write_whole(path, self._header_line + b"".join(lines))
                return Rescued(len(lines), path)
        return Rescued(len(lines), None)

    def close(self) -> OnDisk:
        """Flush, and let go of the files."""
        held = self.flush()
        for medium in self._media:
            medium.close()
        return held

    def _full(self) -> bool:
        return all(medium.full for medium in self._media)

    def _append_line(self, line: bytes) -> None:
        for medium in self._media:
            medium.append(line)

    def _sync(self) -> list[bool]:
        done = [medium.sync() for medium in self._media]
        for index, medium in enumerate(self._media):
            if medium.behind and done[1 - index :][:1] == [True] and len(done) > 1:
                done[index] = self._refill(index)
        return done

    def _refill(self, index: int) -> bool:
        """Complete every part of this journal on one medium from the other, which holds all."""
        medium = self._media[index]
        try:
            medium.check_medium()
            for source in self._parts(self._folders[1 - index]):
                self._note(catch_up(source, self._folders[index] / source.name))
        except OSError as error:
            medium.trouble = trouble_sentence(error, medium.path)
            return False
        medium.refilled()
        return medium.sync()

    def _begin_part(self, waiting: list[bytes]) -> None:
        for medium in self._media:
            medium.close()
        self._part += 1
        self._media = self._opened_media(0)
        for line in [self._header_line, *(line for line in waiting if line != self._header_line)]:
            self._append_line(line)

    def _opened_media(self, size: int) -> list[AppendFile]:
        name = f"{self._stem}-{self._part:03d}.jsonl"
        return [
            AppendFile(
                folder / name,
                size,
                memory_bytes=self._memory_bytes,
                not_on_device=self._mirror_not_on if index else None,
                release=None if index else self._release_ballast,
                at_once=self._at_once,
            )
            for index, folder in enumerate(self._folders)
        ]

    def _found(self) -> tuple[int, int]:
        """The part to write and the bytes that it has already, after healing and comparing all copies."""
        copies: dict[int, list[Path]] = {}
        for folder in self._folders:
            with suppress(
                OSError
            ):  # what cannot be healed now is completed from the other copy, or set aside
                for path in self._parts(folder):
                    self._note(heal_tail(path))
                    copies.setdefault(part_of(path), []).append(path)
        if not copies:
            return 1, 0
        for paths in copies.values():
            longest = max(paths, key=lambda path: path.stat().st_size)
            for folder in self._folders:
                if folder != longest.parent:
                    with suppress(OSError):
                        self._note(catch_up(longest, folder / longest.name))
            paths[:] = [longest]
        part = max(copies)
        newest = copies[part][0]
        first = next(read_journal(newest), None)
        if (
            first is not None
            and isinstance(first.item, Header)
            and first.item.journal_id != self.header.journal_id
        ):
            return part + 1, 0
        for number in sorted(copies, reverse=True):
            frame = last_frame(copies[number][0], self.header)
            if frame is not None:
                self.next_n, self.last_t_s = frame.n + 1, frame.t_s
                break
        if first is None or first.item != self.header:
            return part + 1, 0
        return part, newest.stat().st_size

    def _parts(self, folder: Path) -> list[Path]:
        return [path for path in journal_files(folder) if path.name.startswith(self._stem + "-")]

    def _note(self, path: Path | None) -> None:
        if path is not None:
            self.set_aside.append(path)

    def _foreign_device(self) -> int | None:
        """The device that the mirror must not lie on; None if it lies on the journal's own by choice."""
        if len(self._folders) < 2:
            return None
        journal, mirror = self._folders
        try:
            device = journal.stat().st_dev
        except OSError:
            return None
        try:
            return None if mirror.stat().st_dev == device else device
        except OSError:
            return device

    def _put_ballast_by(self, size: int) -> None:
        try:
            space = os.statvfs(self._ballast.parent)
            if self._ballast.exists() or space.f_bavail * space.f_frsize < 4 * size:
                return
            with open(self._ballast, "xb") as file:
                os.posix_fallocate(file.fileno(), 0, size)
        except OSError:
            with suppress(OSError):  # a reserve is a comfort: without it the day still runs
                self._ballast.unlink(missing_ok=True)

    def _release_ballast(self) -> bool:
        try:
            self._ballast.unlink()
        except OSError:
            return False
        self._ballast_used = True
        return True
