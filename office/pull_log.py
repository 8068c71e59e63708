"""What an office holds, and from which pulls: for people."""

import sqlite3
from typing import Any

_HELD = {
    "waters": "SELECT count(*) FROM water",
    "surveys": "SELECT count(*) FROM survey",
    "fish": "SELECT count(*) FROM worked_fish",
    "void_fish": "SELECT count(*) FROM fish_all WHERE void = 1",
    "batches_and_counts": "SELECT count(*) FROM batch_list",
    "tagged_individuals": "SELECT count(DISTINCT individual_id) FROM worked_fish WHERE individual_id IS NOT NULL",
    "sightings": "SELECT count(*) FROM sighting",
    "amendments": "SELECT (SELECT count(*) FROM amendment) + (SELECT count(*) FROM batch_amendment)",
}
_STATIONS = """
SELECT p.station, (SELECT count(*) FROM survey AS s WHERE s.station = p.station) AS surveys,
    (SELECT count(*) FROM fish AS f WHERE f.station = p.station) AS fish, p.at AS last_pull, p.taken_at AS as_of,
    iif(p.clock_doubtful, 'doubtful', NULL) AS clock, p.source
FROM pull AS p WHERE p.pull_id = (SELECT max(pull_id) FROM pull AS l WHERE l.station = p.station) ORDER BY p.station
"""
_UNDECIDED = "SELECT count(*) FROM conflict WHERE conflict_id NOT IN (SELECT conflict_id FROM decision)"


def office_status(connection: sqlite3.Connection) -> dict[str, Any] | None:
    """What the office holds (`holds`), its `stations` with their last pull, and the number of undecided `conflicts`;
    None if this is no office's database."""
    if not connection.execute("SELECT count(*) FROM sqlite_schema WHERE name = 'conflict'").fetchone()[0]:
        return None
    cursor = connection.execute(_STATIONS)
    names = [column[0] for column in cursor.description]
    return {
        "holds": {name: connection.execute(query).fetchone()[0] for name, query in _HELD.items()},
        "stations": [dict(zip(names, row, strict=True)) for row in cursor],
        "conflicts": connection.execute(_UNDECIDED).fetchone()[0],
    }
