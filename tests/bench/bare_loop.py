"""The least that could do the job: read, match, one INSERT for each fish. What our own path is measured
against.

`python -m tests.bench.bare_loop live DATABASE TAG BOARD SCALE [--journal FILE]` reads three serial ports until it is
told to stop, and writes a line to its standard output when a fish is durable. `... replay DATABASE CAPTURE` reads a
recorded day and prints `{"fish": n, "seconds": s}`. Nothing is checked, nothing survives a mix-up: no station.
"""

import argparse
import fcntl
import json
import os
import re
import select
import sqlite3
import sys
import termios
import time
import uuid
from pathlib import Path

import serial

SOURCES = ("reader", "board", "scale")
_SHAPES = {
    "reader": re.compile(rb"\s*([0-9]{15})"),
    "board": re.compile(rb"\s*([0-9]+) mm"),
    "scale": re.compile(rb"(?:ST,)?\s*([+-] *[0-9.]+) g"),
}
_TABLE = """CREATE TABLE fish (fish_id TEXT NOT NULL PRIMARY KEY, at REAL NOT NULL, tag TEXT NOT NULL,
    length_mm REAL NOT NULL, weight_g REAL NOT NULL, raw BLOB NOT NULL) STRICT"""
_INSERT = "INSERT INTO fish VALUES (?, ?, ?, ?, ?, ?)"
REPLAY_BATCH = 1000  # fish in one transaction

Row = tuple[str, float, str, float, float, bytes]


class Parts:
    """The newest line of each instrument until there is one of all three."""

    def __init__(self) -> None:
        self._found: dict[str, tuple[str, bytes]] = {}

    def take(self, source: str, line: bytes) -> Row | None:
        match = _SHAPES[source].match(line)
        if match is None:
            return None
        self._found[source] = match[1].decode(), line
        if len(self._found) < len(SOURCES):
            return None
        (tag, _), (length, _), (weight, _) = values = [self._found[name] for name in SOURCES]
        self._found.clear()
        raw = b"".join(line for _, line in values)
        return str(uuid.uuid4()), time.time(), tag, float(length), float(weight.replace(" ", "")), raw


def open_database(path: Path, journal_mode: str = "truncate") -> sqlite3.Connection:
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute(f"PRAGMA journal_mode={journal_mode}").fetchall()
    connection.execute("PRAGMA synchronous=FULL")
    connection.execute(_TABLE)
    connection.execute("CREATE INDEX fish_by_tag ON fish (tag)")
    return connection


def live(connection: sqlite3.Connection, ports: dict[str, str], journal: Path | None) -> None:
    """For ever: chunks from the ports, lines out of them, a row for each fish.

    With a journal, every line is appended to it, and it is on the disk before the row is.
    """
    links = {name: serial.Serial(port, exclusive=True, timeout=0) for name, port in ports.items()}
    for link in links.values():
        fcntl.ioctl(link.fileno(), termios.TIOCEXCL)  # open to the end, for whoever waits for that
    journal_fd = None if journal is None else os.open(journal, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
    by_fd = {link.fileno(): (name, link, bytearray()) for name, link in links.items()}
    poll = select.poll()
    for fd in by_fd:
        poll.register(fd, select.POLLIN)
    parts = Parts()
    while True:
        for fd, _ in poll.poll():
            name, link, buffer = by_fd[fd]
            buffer += link.read(link.in_waiting or 1)
            *lines, rest = bytes(buffer).split(b"\r")
            buffer[:] = rest
            for line in lines:
                if journal_fd is not None:
                    frame = {"t": time.monotonic(), "from": name, "data": line.decode("latin-1")}
                    os.write(journal_fd, json.dumps(frame).encode() + b"\n")
                row = parts.take(name, line)
                if row is None:
                    continue
                if journal_fd is not None:
                    os.fdatasync(journal_fd)
                connection.execute(_INSERT, row)
                os.write(1, row[2].encode() + b"\n")


def replay(connection: sqlite3.Connection, capture: Path) -> int:
    """A recorded day as fast as it goes, many fish in one transaction; returns how many."""
    parts = Parts()
    fish = 0
    with capture.open("rb") as file:
        connection.execute("BEGIN")
        for raw in file:
            frame = json.loads(raw)
            if "data" not in frame:
                continue
            row = parts.take(frame["from"], frame["data"].encode("latin-1"))
            if row is not None:
                connection.execute(_INSERT, row)
                fish += 1
                if fish % REPLAY_BATCH == 0:
                    connection.execute("COMMIT")
                    connection.execute("BEGIN")
        connection.execute("COMMIT")
    return fish


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.bare_loop", description=__doc__)
    jobs = parser.add_subparsers(dest="job", required=True)
    job = jobs.add_parser("live")
    job.add_argument("database", type=Path)
    job.add_argument("ports", nargs=3, metavar="PORT")
    job.add_argument("--journal", type=Path)
    job = jobs.add_parser("replay")
    job.add_argument("database", type=Path)
    job.add_argument("capture", type=Path)
    options = parser.parse_args(arguments)
    connection = open_database(options.database)
    if options.job == "live":
        live(connection, dict(zip(SOURCES, options.ports, strict=True)), options.journal)
    began_s = time.perf_counter()
    fish = replay(connection, options.capture)
    seconds = time.perf_counter() - began_s
    print(json.dumps({"fish": fish, "seconds": seconds}))
    return 0


if __name__ == "__main__":
    sys.exit(main())
