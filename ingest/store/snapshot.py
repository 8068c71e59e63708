"""A finished, verified copy of the live database: the only thing that leaves the station."""

import hashlib
import os
import sqlite3
from collections.abc import Mapping
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

from ingest.store.errors import StoreBroken, translate
from ingest.store.owner import sync_folder
from ingest.store.store import Store


@dataclass(frozen=True, slots=True)
class Manifest:
    """What a snapshot is: whoever copies it on can check that it arrived whole."""

    path: Path
    sha256: str
    size_bytes: int
    schema_version: int
    sqlite_version: str
    counts: Mapping[str, int]  # rows per table


def snapshot(store: Store, target: Path) -> Manifest:
    """Copy the database, as it is now, to `target`; an older snapshot there is replaced only by a good new
    one.

    The copy is one file (rollback journal, never WAL), so it can be read from a read-only medium. Raises
    `StoreTrouble`, and leaves `target` as it was.
    """
    if store.connection.in_transaction:
        raise ValueError("end the batch before a snapshot is taken")
    folder = target.absolute().parent
    part = folder / f".{target.name}.part"
    try:
        part.unlink(missing_ok=True)
        try:
            store.connection.execute("VACUUM INTO ?", (str(part),))
            manifest = verify(store, part, target)
            _sync_file(part)
            os.replace(part, target)
            # On FAT a rename can leave an empty file unless the file itself is synchronised once more.
            _sync_file(target)
            sync_folder(folder)
        finally:
            part.unlink(missing_ok=True)
    except (sqlite3.Error, OSError) as error:
        raise translate(error, target) from error
    return manifest


def verify(store: Store, part: Path, target: Path) -> Manifest:
    """Check that `part` is a whole copy of the store, and describe it as `target`. Raises `StoreBroken`."""
    with closing(sqlite3.connect(part, isolation_level=None)) as copy:
        mode = copy.execute("PRAGMA journal_mode").fetchone()[0]
        damage = copy.execute("PRAGMA integrity_check(1)").fetchone()[0]
        orphans = copy.execute("PRAGMA foreign_key_check").fetchall()
        version = copy.execute("PRAGMA user_version").fetchone()[0]
        counts = _counts(copy)
    if (mode, damage, orphans, version) != ("delete", "ok", [], store.schema_version):
        raise StoreBroken(
            f"The snapshot {target} came out damaged ({damage}, journal mode {mode}, {len(orphans)} "
            f"orphans): "
            "it was thrown away; check the medium and try again."
        )
    if counts != _counts(store.connection):
        raise StoreBroken(
            f"The snapshot {target} lacks rows: it was thrown away; check the medium and try again."
        )
    with part.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
    return Manifest(
        target, digest, part.stat().st_size, version, sqlite3.sqlite_version, MappingProxyType(counts)
    )


def _counts(connection: sqlite3.Connection) -> dict[str, int]:
    tables = connection.execute(
        "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite%' ORDER BY name"
    ).fetchall()
    return {name: connection.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0] for (name,) in tables}


def _sync_file(path: Path) -> None:
    fd = os.open(path, os.O_RDWR)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)
