"""What a snapshot says of itself, and whether it is what it says. The station writes the manifest beside each snapshot."""

import hashlib
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from ingest.frames import parse_rfc3339
from ingest.store.errors import translate
from ingest.store.schema import SCHEMA_VERSION

MOST_BYTES = 1 << 20  # of a manifest: what is bigger is none


class PullRefusedError(Exception):
    """The source cannot be pulled from, or what it gave cannot be used; the office database is as it was. One
    sentence."""


class SnapshotManifest(BaseModel):
    """What a snapshot is. `rows` counts by table, `taken_at` (RFC 3339 UTC) is by the station's own clock, `surveys` are
    the ids of all that it holds; more keys than these may follow."""

    model_config = ConfigDict(frozen=True, strict=True, extra="ignore")

    file: Annotated[str, Field(pattern=r"^[^/\\\x00]{1,200}$")]
    sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    size_bytes: Annotated[int, Field(gt=0)]
    schema_version: Annotated[int, Field(ge=1)]
    sqlite_version: str
    rows: dict[str, Annotated[int, Field(ge=0)]]
    station: Annotated[str, Field(min_length=1)]
    taken_at: str
    clock_doubtful: bool
    surveys: frozenset[str] = frozenset()

    @field_validator("file")
    @classmethod
    def _is_a_name(cls, name: str) -> str:
        if name in (".", ".."):
            raise ValueError("a name of a file is wanted")
        return name

    @field_validator("taken_at")
    @classmethod
    def _is_a_time(cls, text: str) -> str:
        parse_rfc3339(text)
        return text


def read_manifest(text: bytes, where: str) -> SnapshotManifest:
    """The manifest that was found at `where`. Raises PullRefusedError: it is damaged, or of a newer release."""
    try:
        manifest = SnapshotManifest.model_validate_json(text)
    except ValidationError as error:
        first = error.errors()[0]
        key = ".".join(map(str, first["loc"]))
        what = f"{key}: {first['msg']}" if key else first["msg"]
        raise PullRefusedError(
            f"The manifest {where} is damaged or none of Tallywell ({what}): take another snapshot."
        ) from None
    if manifest.schema_version > SCHEMA_VERSION:
        raise PullRefusedError(
            f"The snapshot of the manifest {where} was made by a newer Tallywell (schema {manifest.schema_version}, this "
            f"one knows {SCHEMA_VERSION}): update the office's program, then pull again."
        )
    return manifest


def describe(snapshot: Path, station: str, taken_at: str, clock_doubtful: bool) -> SnapshotManifest:
    """The manifest of a snapshot that has none. Raises OSError, StoreTrouble."""
    try:
        with closing(sqlite3.connect(snapshot, isolation_level=None)) as connection:
            version = connection.execute("PRAGMA user_version").fetchone()[0]
            rows = count_rows(connection)
    except sqlite3.Error as error:
        raise translate(error, snapshot) from error
    return SnapshotManifest(
        file=snapshot.name,
        sha256=sha256_of(snapshot),
        size_bytes=snapshot.stat().st_size,
        schema_version=version,
        sqlite_version=sqlite3.sqlite_version,
        rows=rows,
        station=station,
        taken_at=taken_at,
        clock_doubtful=clock_doubtful,
    )


def verify(snapshot: Path, manifest: SnapshotManifest, where: str) -> None:
    """Whether `snapshot`, a copy of our own, is what the manifest says; `where` names the source in the sentence.

    Raises PullRefusedError, OSError.
    """
    size = snapshot.stat().st_size
    if size != manifest.size_bytes:
        raise PullRefusedError(
            f"{where} has {size} bytes and its manifest says {manifest.size_bytes}: it is cut off, or the manifest "
            "is that of another file; take another snapshot."
        )
    if sha256_of(snapshot) != manifest.sha256:
        raise PullRefusedError(
            f"{where} is not what its manifest says (SHA-256): it was damaged on the way, or the manifest is that of "
            "another file; take another snapshot."
        )
    try:
        with closing(sqlite3.connect(snapshot, isolation_level=None)) as connection:
            version = connection.execute("PRAGMA user_version").fetchone()[0]
            rows = count_rows(connection)
    except sqlite3.Error as error:
        raise PullRefusedError(
            f"{where} is no database that can be read ({error}): take another snapshot."
        ) from None
    if version != manifest.schema_version:
        raise PullRefusedError(
            f"{where} has schema {version} and its manifest says {manifest.schema_version}: take another snapshot."
        )
    wrong = [
        table for table in sorted(rows.keys() | manifest.rows) if rows.get(table) != manifest.rows.get(table)
    ]
    if wrong:
        table = wrong[0]
        raise PullRefusedError(
            f"{where} has {rows.get(table, 'no')} rows in {table} and its manifest says "
            f"{manifest.rows.get(table, 'none')}: take another snapshot."
        )


def count_rows(connection: sqlite3.Connection) -> dict[str, int]:
    """Rows of each table, counted as the station counts them."""
    tables = connection.execute(
        "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite%' ORDER BY name"
    ).fetchall()
    quoted = [(name, name.replace('"', '""')) for (name,) in tables]
    return {name: connection.execute(f'SELECT count(*) FROM "{safe}"').fetchone()[0] for name, safe in quoted}


def sha256_of(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
