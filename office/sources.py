"""Where snapshots come from: a database file, a folder or a stick. Every one ends as a verified copy of our own.

A live database is never copied as a file: the station that runs is asked for a snapshot, else SQLite's backup copies
it page by page under its locks. From a folder the newest good snapshot of each station is taken.
"""

import json
import os
import sqlite3
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from ingest.control import StationClient, StationError, socket_path
from ingest.frames import parse_rfc3339, rfc3339
from ingest.store.errors import translate
from ingest.store.schema import check_identity
from office.manifest import MOST_BYTES, PullRefusedError, SnapshotManifest, describe, read_manifest, verify

STICK_FOLDER = "tallywell"
_DEPTH = 3  # folders below the one that is named
_CHUNK_BYTES = 1 << 18
_PAGES = 2_000  # of a backup, between two looks at the progress

Progress = Callable[[str, int, int], None]
"""Called with what is being done, how much of it is done, and how much there is: bytes of a copy, merges."""


class Fetched(NamedTuple):
    """A verified copy of a snapshot. `where` names its source to a person; `ahead_s` is by how much the station's
    clock is ahead of ours, where that could be measured."""

    snapshot: Path
    manifest: SnapshotManifest
    where: str
    ahead_s: float | None = None


class Missed(NamedTuple):
    """A snapshot that was there and could not be used. One sentence."""

    sentence: str


@dataclass(frozen=True, slots=True)
class DatabaseFile:
    """The database of a station, at work or not, or a snapshot with its manifest beside it."""

    path: Path

    def fetch(self, staging: Path, now_s: float, progress: Progress) -> Iterator[Fetched | Missed]:
        """Copies it into the folder `staging`. Raises PullRefusedError, StoreTrouble, OSError."""
        beside = self.path.with_suffix(".json")
        if beside.is_file():
            manifest = _manifest_at(beside)
            if manifest.file == self.path.name:
                yield _copied(self.path, manifest, staging, progress)
                return
        made = _asked_station(self.path)
        if made is not None:
            yield _copied(made, _manifest_at(made.with_suffix(".json")), staging, progress)
            return
        copy = _backup(self.path, staging, progress)
        station, doubtful = _who_and_clock(copy)
        yield Fetched(copy, describe(copy, station, rfc3339(now_s), doubtful), str(self.path))


@dataclass(frozen=True, slots=True)
class Folder:
    """A folder with snapshots and their manifests: of a station, of a stick (also the stick itself), or a copy.

    `office` is the office's own database, which may lie there too.
    """

    path: Path
    office: Path | None = None

    def fetch(self, staging: Path, now_s: float, progress: Progress) -> Iterator[Fetched | Missed]:
        """Copies the newest good snapshot of each database of each station into `staging`; what could not be used is
        named.

        Where the newest has fewer rows than an older one, both are taken: a clock may have been set back. Raises
        PullRefusedError, StoreTrouble, OSError.
        """
        found, lone = _snapshots_in(self.path, self.office)
        if not found:
            yield from (Missed(sentence) for sentence in lone)
            raise PullRefusedError(
                f"There is no snapshot with a manifest in {self.path}: name the folder that the station writes its "
                f"snapshots into, a stick with the folder {STICK_FOLDER}, or a database file."
            )
        yield from (Missed(sentence) for sentence in lone)
        for offers in _by_database(found):
            yield from self._best(offers, staging, progress)

    def _best(
        self, offers: Mapping[Path, SnapshotManifest], staging: Path, progress: Progress
    ) -> Iterator[Fetched | Missed]:
        tried: set[Path] = set()
        taken: set[str] = set()
        newest = sorted(offers, key=lambda path: (parse_rfc3339(offers[path].taken_at), path), reverse=True)
        fullest = sorted(newest, key=lambda path: sum(offers[path].rows.values()), reverse=True)
        most = 0
        for order in (newest, fullest):
            for path in order:
                manifest = offers[path]
                rows = sum(manifest.rows.values())
                if order is fullest and rows <= most:
                    break
                if path in tried or manifest.sha256 in taken:
                    continue
                tried.add(path)
                try:
                    fetched = _copied(path, manifest, staging, progress)
                except PullRefusedError as refused:
                    yield Missed(str(refused))
                    continue
                most = max(most, rows)
                taken.add(manifest.sha256)
                yield fetched
                break


def find_file_source(written: str, office: Path) -> DatabaseFile | Folder:
    """What a path means to this office. Raises PullRefusedError: nothing is there, or the office itself."""
    path = Path(written)
    if path.is_dir():
        return Folder(path, office)
    if not path.is_file():
        raise PullRefusedError(
            f"There is no {written}: give a station's address (http://...), a folder, a stick or a database file."
        )
    if office.exists() and path.samefile(office):
        raise PullRefusedError(f"{written} is the office database itself: name a station's.")
    return DatabaseFile(path)


# --- files of a folder --------------------------------------------------------------------------------------------


def _snapshots_in(folder: Path, office: Path | None) -> tuple[dict[Path, SnapshotManifest], list[str]]:
    """The snapshots that have a manifest, and a sentence for each file that looks like one and is none."""
    found: dict[Path, SnapshotManifest] = {}
    said: list[str] = []
    for place, below, names in os.walk(folder):
        here = Path(place)
        if len(here.relative_to(folder).parts) >= _DEPTH:
            below.clear()
        below[:] = sorted(name for name in below if not name.startswith("."))
        databases = {name for name in names if name.endswith(".sqlite") and not name.startswith(".")}
        for name in sorted(databases):
            beside = (here / name).with_suffix(".json")
            if beside.name not in names:
                if office is not None and office.exists() and (here / name).samefile(office):
                    continue
                said.append(
                    f"{here / name} has no manifest beside it and was left out: name the file to pull it."
                )
                continue
            try:
                manifest = _manifest_at(beside)
                if manifest.file != name:
                    raise PullRefusedError(
                        f"{beside} is the manifest of {manifest.file} and stands beside {name}, which was left out: "
                        "take another snapshot."
                    )
                found[here / name] = manifest
            except PullRefusedError as refused:
                said.append(str(refused))
    return found, said


def _by_database(found: Mapping[Path, SnapshotManifest]) -> list[dict[Path, SnapshotManifest]]:
    """The snapshots of one database together. Two stations may bear one name, and one may have begun its database anew;
    snapshots of one database have surveys in common."""
    groups: list[tuple[str, frozenset[str], dict[Path, SnapshotManifest]]] = []
    for path, manifest in found.items():
        surveys, offers = manifest.surveys, {path: manifest}
        apart = []
        for group in groups:
            station, known, theirs = group
            if station == manifest.station and (known & surveys or known == surveys):
                surveys, offers = known | surveys, theirs | offers
            else:
                apart.append(group)
        groups = [*apart, (manifest.station, surveys, offers)]
    return [offers for _, _, offers in sorted(groups, key=lambda group: (group[0], min(group[2])))]


def _manifest_at(path: Path) -> SnapshotManifest:
    try:
        with path.open("rb") as file:
            text = file.read(MOST_BYTES + 1)
    except OSError as error:
        raise PullRefusedError(
            f"The manifest {path} cannot be read ({error.strerror}): plug the medium in again, or take another snapshot."
        ) from None
    return read_manifest(text[:MOST_BYTES], str(path))


def _copied(source: Path, manifest: SnapshotManifest, staging: Path, progress: Progress) -> Fetched:
    """A verified copy of a finished snapshot. Raises PullRefusedError, OSError (our own medium)."""
    copy = staging / f"{manifest.sha256}.sqlite"
    done = 0
    with _gone(source):
        old = source.open("rb")
    with old, _no_room(copy), copy.open("wb") as new:
        while True:
            with _gone(source):
                chunk = old.read(_CHUNK_BYTES)
            if not chunk:
                break
            new.write(chunk)
            done += len(chunk)
            progress(source.name, done, max(manifest.size_bytes, done))
    verify(copy, manifest, str(source))
    return Fetched(copy, manifest, str(source))


# --- a live database ----------------------------------------------------------------------------------------------


def _asked_station(database: Path) -> Path | None:
    """The snapshot that the station of this database makes when it is asked; None if no station answers."""
    if not socket_path(database).exists():
        return None
    try:
        with StationClient(database) as client:
            made = Path(client.ask("snapshot")["path"])
    except StationError:  # killed, in trouble, or another user's: the file itself can still be read
        return None
    # Relative to the station's working folder, which nobody knows here.
    path = made if made.is_absolute() else database.parent / made.parent.name / made.name
    return path if path.is_file() else None


def _backup(database: Path, staging: Path, progress: Progress) -> Path:
    """A consistent copy by SQLite's own backup, which gives the station its turns in between."""
    copy = staging / "backup.sqlite"
    copy.unlink(missing_ok=True)
    uri = f"{database.resolve().as_uri()}?mode=ro"
    try:
        with closing(sqlite3.connect(uri, uri=True, timeout=10.0, isolation_level=None)) as source:
            check_identity(source, database)
            page_bytes = source.execute("PRAGMA page_size").fetchone()[0]
            with _failing(copy), closing(sqlite3.connect(copy, isolation_level=None)) as target:

                def pages(_: int, left: int, whole: int) -> None:
                    progress(database.name, (whole - left) * page_bytes, whole * page_bytes)

                # What a crash destroys is only a copy that is not used then.
                target.execute("PRAGMA synchronous = OFF")
                source.backup(target, pages=_PAGES, progress=pages, sleep=0)
                target.execute("PRAGMA journal_mode = DELETE").fetchall()
                damage = target.execute("PRAGMA quick_check(1)").fetchone()[0]
    except sqlite3.Error as error:
        if getattr(error, "sqlite_errorcode", 0) == sqlite3.SQLITE_READONLY_ROLLBACK:
            raise PullRefusedError(
                f"The station of {database} was not stopped cleanly: start and stop it once, then pull."
            ) from None
        raise translate(error, database) from error
    if damage != "ok":
        raise PullRefusedError(
            f"The database {database} is damaged ({damage}): keep the file, and rebuild it from the journal."
        )
    return copy


def _who_and_clock(snapshot: Path) -> tuple[str, bool]:
    """The station that wrote last into this database, and whether its clock was doubtful then.

    Raises PullRefusedError: it holds no records.
    """
    try:
        with closing(sqlite3.connect(snapshot, isolation_level=None)) as connection:
            if not connection.execute("PRAGMA user_version").fetchone()[0]:
                raise PullRefusedError("The source holds no records of Tallywell: name another file.")
            last = "SELECT station FROM survey ORDER BY rtrim(opened_at, 'Z') DESC LIMIT 1"
            name = connection.execute(last).fetchone()
            state = connection.execute("SELECT state FROM checkpoint").fetchone()
    except sqlite3.Error as error:
        raise PullRefusedError(
            f"The source has not the tables of a station ({error}): name another file."
        ) from None
    try:
        doubtful = bool(json.loads(state[0])["engine"]["time"]["doubtful"]) if state else False
    except (ValueError, KeyError, TypeError):
        doubtful = False
    return (name[0] if name else "unknown"), doubtful


# --- what can go wrong --------------------------------------------------------------------------------------------


@contextmanager
def _gone(source: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise PullRefusedError(
            f"{source} went away or cannot be read ({error.strerror}): plug the medium in again and pull once more."
        ) from error


@contextmanager
def _no_room(copy: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise PullRefusedError(
            f"The copy in {copy.parent} cannot be written ({error.strerror}): make room on the office's disk and pull "
            "once more."
        ) from error


@contextmanager
def _failing(copy: Path) -> Iterator[None]:
    try:
        yield
    except sqlite3.OperationalError as error:
        if getattr(error, "sqlite_errorcode", 0) & 0xFF == sqlite3.SQLITE_FULL:
            raise PullRefusedError(
                f"There is no room for the copy in {copy.parent}: make room on the office's disk and pull once more."
            ) from error
        raise
