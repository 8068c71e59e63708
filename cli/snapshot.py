"""A verified copy of the database for a place that a person names."""

import hashlib
from pathlib import Path
from typing import Any

from cli.daemon import running_station
from cli.errors import RefusedError


def take_snapshot(database: Path, target: Path) -> dict[str, Any]:
    """Copy the database to `target`, whole or not at all; what the copy is.

    While a station runs it makes the snapshot itself, and that file is copied and checked again.

    Raises:
        RefusedError: there is no such database or folder, or the copy came out wrong.
        StoreTrouble, OSError: a medium failed.
    """
    _refuse_other_files(database)
    if target.is_dir():
        raise RefusedError(f"{target} is a folder: give the name of the file to make in it.")
    if not target.absolute().parent.is_dir():
        raise RefusedError(f"There is no folder {target.absolute().parent}: make it first.")
    if target.exists():
        if target.samefile(database):
            raise RefusedError(f"{target} is the database itself: give another name.")
        _refuse_other_database(database, target)  # only an older snapshot may be replaced
    with running_station(database) as client:
        answer = None if client is None else client.ask("snapshot")
    if answer is None:
        return _from_file(database, target)
    return _copied(answer, database, target)


def _refuse_other_files(database: Path) -> None:
    """Raises RefusedError for what is no database of Tallywell."""
    from cli.target import reading

    with reading(database):
        pass


def _refuse_other_database(database: Path, target: Path) -> None:
    """Raises RefusedError for what has a survey or a table that `database` has not: another station's, an office's."""
    from cli.target import reading

    known = "SELECT survey_id FROM survey UNION ALL SELECT name FROM sqlite_schema"
    with reading(database) as ours, reading(target) as theirs:
        more = {*theirs.execute(known)} - {*ours.execute(known)}
    if more:
        raise RefusedError(f"{target} is no older snapshot of {database}: give another name.")


def _from_file(database: Path, target: Path) -> dict[str, Any]:
    from ingest.store import Store, snapshot

    with Store.open(database) as store:
        made = snapshot(store, target)
    return _plain(target, made.sha256, dict(made.counts))


def _copied(answer: dict[str, Any], database: Path, target: Path) -> dict[str, Any]:
    from ingest.disk import write_whole

    made = Path(answer["path"])
    if not made.is_absolute():  # relative to the station's working folder, which nobody knows here
        made = database.parent / made.parent.name / made.name
    write_whole(target, made.read_bytes())
    with target.open("rb") as file:
        sha256 = hashlib.file_digest(file, "sha256").hexdigest()
    if sha256 != answer["sha256"]:
        target.unlink()
        raise RefusedError(
            f"The copy {target} came out different from {made}: check the medium and try again."
        )
    return _plain(target, sha256, answer["rows"])


def _plain(path: Path, sha256: str, rows: dict[str, int]) -> dict[str, Any]:
    return {"path": str(path), "sha256": sha256, "size_bytes": path.stat().st_size, "rows": rows}
