"""`tallywell office pull`: from a source to the office database, each snapshot whole or not at all."""

import json
import sqlite3
from collections.abc import Mapping
from contextlib import closing, suppress
from dataclasses import dataclass, field
from pathlib import Path

from sqlite_utils.migrations import Migrations

from ingest.frames import rfc3339
from ingest.store.errors import DatabaseTooNew, NotOurDatabase, RecordRefused, translate
from ingest.store.schema import check_identity, migrate, migrations
from office.clocks import clock_notices
from office.database import OfficeDatabase
from office.manifest import PullRefusedError
from office.merge import attached, merge
from office.network import Address, TokenBook, find_address
from office.sources import DatabaseFile, Fetched, Folder, Missed, Progress, find_file_source

Source = Address | DatabaseFile | Folder


@dataclass(frozen=True, slots=True)
class Pulled:
    """One snapshot that was merged. `added`: rows by table; `conflicts`: ids of the new ones; `still_open`: fish and
    batches that were not final yet; `notices`: sentences for the person who pulls."""

    station: str
    where: str
    sha256: str
    taken_at: str
    schema_version: int
    added: Mapping[str, int]
    conflicts: tuple[str, ...]
    still_open: int
    notices: tuple[str, ...]


@dataclass(slots=True)
class PullReport:
    """What a pull did, snapshot by snapshot, and what it had to leave out."""

    pulled: list[Pulled] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)


def find_source(written: str, office: Path, code: str | None = None) -> Source:
    """What is written after `pull`: an address, a folder, a stick or a database file; `code` is that of a pairing.

    Raises PullRefusedError.
    """
    address = find_address(written, TokenBook(office.with_name(office.name + ".tokens")), code)
    if address is not None:
        return address
    if code is not None:
        raise PullRefusedError("A code is for the address of a station (http://...): leave it out.")
    return find_file_source(written, office)


def pull(office: OfficeDatabase, source: Source, now_s: float, progress: Progress) -> PullReport:
    """Fetch, verify and merge every snapshot that the source has. `now_s` is the wall clock, seconds since 1970.

    What one station gave that cannot be used is left out and named; the others come. Raises PullRefusedError, StoreTrouble,
    OSError; what was merged before stays, of the rest nothing.
    """
    report = PullReport()
    staging = office.path.absolute().with_name(office.path.name + ".pulls")
    staging.mkdir(mode=0o700, exist_ok=True)
    try:
        for one in source.fetch(staging, now_s, progress):
            if isinstance(one, Missed):
                report.left_out.append(one.sentence)
                continue
            try:
                merging = f"merging {one.manifest.station}"
                progress(merging, 0, 1)
                report.pulled.append(_take(office, one, now_s))
                progress(merging, 1, 1)
            except PullRefusedError as refused:  # the other stations of a stick come all the same
                report.left_out.append(str(refused))
            except RecordRefused as refused:
                report.left_out.append(f"{one.where}: {refused}")
            finally:
                one.snapshot.unlink(missing_ok=True)
    except PullRefusedError as refused:
        if report.left_out and not report.pulled:
            raise PullRefusedError(" ".join([*report.left_out, str(refused)])) from None
        raise
    finally:
        for copy in staging.glob("*.sqlite*"):  # what arrived of a file over the network stays, as .part
            copy.unlink(missing_ok=True)
        with suppress(OSError):
            staging.rmdir()
    if report.left_out and not report.pulled:
        raise PullRefusedError(" ".join(report.left_out))
    return report


def bring_up_to_date(copy: Path, where: str, history: Migrations) -> None:
    """Bring our copy of a snapshot of an older release to the schema of this one. Raises PullRefusedError, StoreTrouble."""
    try:
        with closing(sqlite3.connect(copy, isolation_level=None)) as connection:
            check_identity(connection, copy)
            if not connection.execute("PRAGMA user_version").fetchone()[0]:
                raise PullRefusedError(f"{where} holds no records of Tallywell: name another source.")
            connection.execute("PRAGMA synchronous = OFF")
            migrate(connection, history)
    except NotOurDatabase:
        raise PullRefusedError(f"{where} is a database of another program: name another source.") from None
    except DatabaseTooNew:
        raise PullRefusedError(
            f"{where} was made by a newer Tallywell: update the office's program, then pull again."
        ) from None
    except sqlite3.Error as error:
        raise translate(error, copy) from error


def _take(office: OfficeDatabase, fetched: Fetched, now_s: float) -> Pulled:
    manifest, where = fetched.manifest, fetched.where
    bring_up_to_date(fetched.snapshot, where, migrations())
    done: list[Pulled] = []
    at = rfc3339(now_s)

    def work(connection: sqlite3.Connection) -> None:
        _check_tables(connection, where)
        notices = clock_notices(connection, manifest, now_s, fetched.ahead_s)
        merged = merge(connection, manifest.station, at)
        one = Pulled(
            station=manifest.station,
            where=where,
            sha256=manifest.sha256,
            taken_at=manifest.taken_at,
            schema_version=manifest.schema_version,
            added=merged.added,
            conflicts=tuple(merged.conflicts),
            still_open=merged.still_open,
            notices=tuple(notices),
        )
        _note(connection, one, manifest.clock_doubtful, at)
        done.append(one)

    try:
        with attached(office.connection, fetched.snapshot):
            office.write(work)
    except sqlite3.Error as error:
        raise translate(error, office.path) from error
    return done[0]


def _check_tables(connection: sqlite3.Connection, where: str) -> None:
    """Whether theirs has the very tables of a station. Raises PullRefusedError."""
    query = "SELECT name, sql FROM {}.sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite%'"
    ours, theirs = (dict(connection.execute(query.format(schema))) for schema in ("main", "theirs"))
    for name in _STATION_TABLES:
        if ours.get(name) != theirs.get(name):
            raise PullRefusedError(
                f"The table {name} of {where} is not as this release makes it: somebody changed the file; rebuild it from "
                "the journal."
            )


def _note(connection: sqlite3.Connection, one: Pulled, doubtful: bool, at: str) -> None:
    connection.execute(
        "INSERT INTO main.pull (at, source, station, sha256, taken_at, clock_doubtful, schema_version, added, notices) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            at,
            one.where,
            one.station,
            one.sha256,
            one.taken_at,
            doubtful,
            one.schema_version,
            json.dumps(dict(one.added)),
            json.dumps(one.notices, ensure_ascii=False),
        ),
    )


_STATION_TABLES = (
    "water", "survey", "run", "fish", "fish_tag", "reading", "frame", "finding", "observation", "amendment", "batch",
    "batch_reading", "batch_amendment", "treatment", "crew", "sighting", "check_measurement", "inbox_file",
    "local_relation", "checkpoint",
)  # fmt: skip
