"""A writer in a process of its own, to be killed: writes frames, says what it appended and what is safe."""

import sys
from pathlib import Path

from ingest.frames import Frame, Header, rfc3339
from ingest.journal import JournalWriter

HEADER = Header("day-1", "north bank", "2026-05-12T13:00:00.000Z", "3f9a77c0-aaaa", 81.5)


def main(folder: str, mirror: str, count: str) -> None:
    """Append `count` frames and flush every third."""
    writer = JournalWriter(
        Path(folder),
        HEADER,
        "Mill Pond",
        None if mirror == "-" else Path(mirror),
        part_bytes=20_000,
        ballast_bytes=0,
    )
    last = writer.next_n + int(count)
    trouble = None
    while writer.next_n < last:
        n = writer.next_n
        writer.append(Frame(n, n / 1000, rfc3339(1778590800 + n / 1000), "scale", b"ST,+0412.0 g\r\n"))
        print("appended" if writer.trouble is None else "queued", n, flush=True)
        if n % 3 == 0 and writer.flush().safe:
            print("safe", n, flush=True)
        if writer.trouble not in (None, trouble):
            print("trouble", n, writer.trouble, flush=True)
        trouble = writer.trouble
    if writer.close().safe:
        print("safe", writer.next_n - 1, flush=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
