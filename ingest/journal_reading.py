"""Reading a journal from the disk, whole or in part, and making its last line whole.

A journal is one survey in one run of the computer. It lies in files
`<started>-<survey>-<boot>-<part>.jsonl` (`20260512T130000Z-mill-pond-3f9a77c0-001.jsonl`); all parts have
the same header, and numbers and times go on from part to part. Its lines are defined in `ingest.frames`.
"""

import os
import re
from collections.abc import Iterator
from dataclasses import dataclass
from math import inf
from pathlib import Path
from typing import NamedTuple

from ingest.disk import unused_name, write_whole
from ingest.frames import MAX_LINE_BYTES, BadLine, Frame, Header, decode_line, parse_rfc3339, rfc3339

_TAIL_READ_BYTES = 2 * MAX_LINE_BYTES
_NAME = re.compile(r"(?P<stem>.+)-(?P<part>[0-9]{3,})\.jsonl")


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


def part_of(path: Path) -> int:
    """The number of the part in the name of a journal file; 0 if it has none."""
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


def last_frame(path: Path, header: Header) -> Frame | None:
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
