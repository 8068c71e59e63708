"""The journals of one database in the order in which they were written, and their frames.

File names begin with the wall clock, which may be wrong; so the first frame of each journal (event `start`)
says which journal came before it (`after`) and for which database it was written.
"""

from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from ingest.disk import catch_up
from ingest.frames import BadLine, Frame, Header
from ingest.journal_reading import Position, heal_tail, journal_files, read_journal


@dataclass(frozen=True, slots=True)
class JournalRun:
    """One journal: its header and its files in order.

    `after` is the id of the journal before it, `database` the file name of the database that it was written
    for; None where the journal does not say so.
    """

    header: Header
    files: tuple[Path, ...]
    after: str | None
    database: str | None


@dataclass(frozen=True, slots=True)
class SetAside:
    """A line that cannot be understood: where it stands, why, and its bytes."""

    file: Path
    bad: BadLine

    def __str__(self) -> str:
        return f"{self.file.name}, line {self.bad.line_no}: {self.bad.why}"


def start_body(database: str, after: str | None, **facts: object) -> dict[str, object]:
    """The body of the event `start` that a journal begins with."""
    return {"database": database, "after": after, **facts}


def journal_runs(folder: Path, database: str | None = None) -> list[JournalRun]:
    """The journals in `folder`, each after the one that it names; others by name.

    With `database` without those that were written for another one.

    Raises:
        OSError: a file cannot be read.
    """
    headers: dict[str, Header] = {}
    files: dict[str, list[Path]] = {}
    starts: dict[str, Frame | None] = {}
    for path in journal_files(folder):
        header, first = _beginning(path)
        if header is None:
            continue
        headers.setdefault(header.journal_id, header)
        files.setdefault(header.journal_id, []).append(path)
        starts.setdefault(header.journal_id, first)
    runs = [_run(headers[one], files[one], starts[one]) for one in headers]
    return _in_order([run for run in runs if database is None or run.database in (None, database)])


def run_items(run: JournalRun, after: Position | None = None) -> Iterator[Frame | SetAside]:
    """The frames of one journal in order, each number once, and the lines that cannot be understood.

    With `after` only what follows that place; nothing if its file is not there.
    """
    last_n = 0
    reached = after is None
    for path in run.files:
        place = None
        if not reached:
            if after is None or path.name != after.file:
                continue
            place, reached, last_n = after, True, after.n
        for entry in read_journal(path, place):
            if isinstance(entry.item, BadLine):
                yield SetAside(path, entry.item)
            elif isinstance(entry.item, Frame) and entry.item.n > last_n:
                last_n = entry.item.n
                yield entry.item


def heal_copies(folder: Path, mirror: Path | None) -> list[Path]:
    """Make every journal file end on a whole line, and complete each medium from the other.

    Gives the files that were set aside on the way. A medium that cannot be read or written is left alone.
    """
    aside: list[Path] = []
    names: dict[str, list[Path]] = {}
    for place in (folder, mirror):
        if place is None or not place.is_dir():
            continue
        for path in journal_files(place):
            with suppress(OSError):
                if (cut := heal_tail(path)) is not None:
                    aside.append(cut)
                names.setdefault(path.name, []).append(path)
    for name, copies in names.items():
        longest = max(copies, key=lambda path: path.stat().st_size)
        for place in (folder, mirror):
            if place is not None and place.is_dir() and place != longest.parent:
                with suppress(OSError):
                    if (differs := catch_up(longest, place / name)) is not None:
                        aside.append(differs)
    return aside


def _beginning(path: Path) -> tuple[Header | None, Frame | None]:
    header: Header | None = None
    for entry in read_journal(path):
        if isinstance(entry.item, Header):
            header = entry.item
        elif isinstance(entry.item, Frame):
            return header, entry.item
    return header, None


def _run(header: Header, files: Iterable[Path], first: Frame | None) -> JournalRun:
    body = first.body if first is not None and first.event == "start" else {}
    after, database = body.get("after"), body.get("database")
    return JournalRun(
        header,
        tuple(files),
        after if isinstance(after, str) else None,
        database if isinstance(database, str) else None,
    )


def _in_order(runs: list[JournalRun]) -> list[JournalRun]:
    known = {run.header.journal_id for run in runs}
    followers: dict[str | None, list[JournalRun]] = {}
    for run in runs:
        followers.setdefault(run.after if run.after in known else None, []).append(run)
    ordered: list[JournalRun] = []
    waiting = list(reversed(followers.pop(None, [])))
    while waiting:
        run = waiting.pop()
        ordered.append(run)
        waiting.extend(reversed(followers.pop(run.header.journal_id, [])))
    # Two journals that name each other cannot be brought into order; they are read all the same.
    return ordered + [run for rest in followers.values() for run in rest]
