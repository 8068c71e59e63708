"""What a pull says of the clocks: with two of them, one is wrong, and the times of records rest on it."""

import sqlite3

from ingest.frames import parse_rfc3339, rfc3339
from office.manifest import SnapshotManifest

SKEW_S = 60.0


def clock_notices(
    connection: sqlite3.Connection, manifest: SnapshotManifest, now_s: float, ahead_s: float | None
) -> list[str]:
    """Sentences on the clock of the attached snapshot `theirs`; `now_s` is the office's clock, `ahead_s` by how much the
    station's is ahead, where it was measured."""
    name, said = manifest.station, []
    if manifest.clock_doubtful:
        said.append(
            f"The station {name} does not trust its own clock: set it, and look at the times of its records."
        )
    if ahead_s is not None and abs(ahead_s) > SKEW_S:
        way = "ahead of" if ahead_s > 0 else "behind"
        said.append(
            f"The clock of the station {name} is {_length(abs(ahead_s))} {way} this computer's: set the wrong one."
        )
    elif parse_rfc3339(manifest.taken_at) > now_s + SKEW_S:
        ahead = _length(parse_rfc3339(manifest.taken_at) - now_s)
        said.append(
            f"By its own clock the station {name} took this snapshot {ahead} from now: set the clock that is wrong."
        )
    marked = _count(
        connection, "SELECT count(DISTINCT fish_id) FROM theirs.finding WHERE name = 'clock_doubtful'"
    )
    if marked:
        said.append(
            f"{marked} fish of this snapshot were worked up while the station did not trust its clock."
        )
    limit = rfc3339(now_s + SKEW_S)
    later = "SELECT count(*) FROM theirs.{} WHERE rtrim({}, 'Z') > rtrim(?, 'Z')"
    fish = _count(connection, later.format("fish", "worked_up_at"), limit)
    amended = _count(connection, later.format("amendment", "at"), limit)
    if fish or amended:
        said.append(
            f"{fish} fish and {amended} amendments of this snapshot bear times that are still to come: one of the two "
            "clocks is wrong, and until it has come such an amendment counts before one of the office."
        )
    return said


def _count(connection: sqlite3.Connection, query: str, *values: str) -> int:
    found: int = connection.execute(query, values).fetchone()[0]
    return found


def _length(seconds: float) -> str:
    if seconds < 7200:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.0f} h" if seconds < 172800 else f"{seconds / 86400:.0f} days"
