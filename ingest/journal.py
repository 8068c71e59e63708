"""The journal on the disk: reading it, and writing it on one medium or two.

A journal is one survey in one run of the computer. It lies in files
`<started>-<survey>-<boot>-<part>.jsonl` (`20260512T130000Z-mill-pond-3f9a77c0-001.jsonl`); all parts have
the same header, and numbers and times go on from part to part. Its lines are defined in `ingest.frames`.
"""

import hashlib
import os
import re
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from math import inf
from pathlib import Path
from typing import NamedTuple

from ingest.disk import AppendFile, catch_up, sync_folder, trouble_sentence, unused_name, write_whole
from ingest.frames import (
    MAX_LINE_BYTES,
    BadLine,
    Frame,
    Header,
    decode_line,
    encode_frame,
    encode_header,
    parse_rfc3339,
    rfc3339,
)

PART_BYTES = 64 << 20
MEMORY_BYTES = 64 << 20
BALLAST_BYTES = 8 << 20
_TAIL_READ_BYTES = 2 * MAX_LINE_BYTES
_NAME = re.compile(r"(?P<stem>.+)-(?P<part>[0-9]{3,})\.jsonl")
_SHA256 = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True, slots=True)
class Position:
    """A place in a journal: everything before byte `offset` of `file` was read, the last frame was `n`."""

    file: str
    offset: int
    n: int


class Entry(NamedTuple):
    """One line of a journal, and the byte offset at which the next one begins."""

    item: Header | Frame | BadLine
    end: int


@dataclass(frozen=True, slots=True)
class OnDisk:
    """Which media hold everything that was appended."""

    journal: bool
    mirror: bool

    @property
    def safe(self) -> bool:
        """Whether at least one medium holds everything: only then may anything be announced."""
        return self.journal or self.mirror


def read_journal(path: Path, after: Position | None = None) -> Iterator[Entry]:
    """The lines of a journal file in order, in constant memory; damage comes as `BadLine`, never as an error.

    With `after` only what follows that place. A last line without its end is read if it is whole, else it
    is a `BadLine`; a line above `MAX_LINE_BYTES` comes as one `BadLine` for each such piece. A second
    header in a file (two files joined) begins anew.

    Raises:
        OSError: the file cannot be opened or read.
    """
    header: Header | None = None
    last_n, last_t_s = 0, -inf
    line_no = 1
    inside_long_line = False
    with open(path, "rb") as file:
        if after is not None and after.offset > 0:
            for entry in read_journal(path):
                if isinstance(entry.item, Header):
                    header = entry.item
                    break
            line_no += _line_ends(path, after.offset)
            last_n = after.n
            file.seek(after.offset)
        offset = file.tell()
        while raw := file.readline(MAX_LINE_BYTES):
            offset += len(raw)
            ended = raw.endswith(b"\n")
            item: Header | Frame | BadLine | None
            if inside_long_line or (not ended and len(raw) == MAX_LINE_BYTES):
                item = BadLine(
                    line_no, f"the line is longer than {MAX_LINE_BYTES} bytes", raw.rstrip(b"\r\n")
                )
            else:
                item = decode_line(raw, line_no, header, last_n, last_t_s)
                if isinstance(item, BadLine) and not ended:
                    item = BadLine(line_no, f"the last line is cut: {item.why}", item.raw)
            inside_long_line = not ended
            line_no += ended
            if isinstance(item, Header):
                if header is None or item.journal_id != header.journal_id:
                    last_n, last_t_s = 0, -inf
                header = item
            elif isinstance(item, Frame):
                last_n, last_t_s = item.n, item.t_s
            if item is not None:
                yield Entry(item, offset)


def journal_files(folder: Path) -> list[Path]:
    """The journal files in `folder`, oldest first by the start in their names, parts in order."""
    found = []
    for path in folder.glob("*.jsonl"):
        match = _NAME.fullmatch(path.name)
        if match is not None:
            found.append((match["stem"], int(match["part"]), path))
    return [path for _, _, path in sorted(found)]


def journal_stem(header: Header, survey: str) -> str:
    """The common beginning of the file names of this journal, fit for any file system."""
    stamp = re.sub(r"[-:]|\.[0-9]+", "", rfc3339(parse_rfc3339(header.started)))
    slug = re.sub(r"[^a-z0-9]+", "-", survey.lower()).strip("-")[:40] or "provisional"
    boot = re.sub(r"[^0-9a-z]", "", (header.boot or "").lower())[:8] or "noboot"
    return f"{stamp}-{slug}-{boot}"


def heal_tail(path: Path) -> Path | None:
    """Make a journal file end on a whole line. A half last line (power loss) is set aside, never dropped.

    The half line goes into `<file>.<offset>.cut`, whose path is returned. A last line that only lacks its
    line end gets one.

    Raises:
        OSError: the medium failed; nothing is lost, call again.
    """
    with open(path, "r+b") as file:
        size = file.seek(0, os.SEEK_END)
        start = _last_line_start(path, size)
        if start == size:
            return None
        file.seek(start)
        tail = file.read()
        judged = decode_line(tail, 2, Header("", "", "1970-01-01T00:00:00.000Z"))
        if isinstance(judged, Header | Frame) and len(tail) < MAX_LINE_BYTES:
            file.seek(size)
            file.write(b"\n")
            cut = None
        else:
            cut = unused_name(path.with_name(f"{path.name}.{start}.cut"))
            write_whole(cut, tail)
            file.truncate(start)
        file.flush()
        os.fsync(file.fileno())
    return cut


def keep_content(folder: Path, data: bytes) -> str:
    """Keep a text (config, inventory, species) under the SHA-256 of its bytes; gives that hash in hex.

    Raises:
        OSError: the medium failed.
    """
    sha256 = hashlib.sha256(data).hexdigest()
    path = folder / "content" / sha256
    if not path.exists():
        path.parent.mkdir(parents=True, exist_ok=True)
        sync_folder(folder)
        write_whole(path, data)
    return sha256


def content(folder: Path, sha256: str) -> bytes:
    """The bytes kept under this hash.

    Raises:
        ValueError: it is not there, or is no longer what it was; one sentence.
    """
    if _SHA256.fullmatch(sha256) is None:
        raise ValueError(f"{sha256!r} is not a SHA-256 in 64 lower-case hex digits")
    path = folder / "content" / sha256
    try:
        data = path.read_bytes()
    except OSError as error:
        raise ValueError(
            f"{path} cannot be read ({error.strerror}): copy it from the second medium"
        ) from None
    if hashlib.sha256(data).hexdigest() != sha256:
        raise ValueError(f"{path} was changed or damaged: copy it from the second medium")
    return data


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
                    copies.setdefault(_part_of(path), []).append(path)
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
            frame = _last_frame(copies[number][0], self.header)
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


def _part_of(path: Path) -> int:
    match = _NAME.fullmatch(path.name)
    return int(match["part"]) if match else 0


def _line_ends(path: Path, size: int) -> int:
    """How many line ends stand in the first `size` bytes."""
    count = 0
    with open(path, "rb") as file:
        while size > 0 and (chunk := file.read(min(size, MAX_LINE_BYTES))):
            count += chunk.count(b"\n")
            size -= len(chunk)
    return count


def _last_line_start(path: Path, size: int) -> int:
    """Where the unterminated rest of the file begins; `size` if there is none."""
    with open(path, "rb") as file:
        end = size
        while end > 0:
            begin = max(0, end - MAX_LINE_BYTES)
            file.seek(begin)
            found = file.read(end - begin).rfind(b"\n")
            if found >= 0:
                return begin + found + 1
            end = begin
    return 0


def _last_frame(path: Path, header: Header) -> Frame | None:
    """The last good frame, from the end of the file if it is there, else from all of it."""
    with open(path, "rb") as file:
        file.seek(max(0, file.seek(0, os.SEEK_END) - _TAIL_READ_BYTES))
        for raw in reversed(file.read().split(b"\n")):
            item = decode_line(raw, 2, header)
            if isinstance(item, Frame):
                return item
    last = None
    for entry in read_journal(path):
        if isinstance(entry.item, Frame):
            last = entry.item
    return last
