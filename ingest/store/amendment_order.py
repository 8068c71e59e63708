"""In which order the amendments of one record count: the same, whatever the order in which they arrived.

A station's amendments of a record count in the order in which it stored them (its clock may have been set back
between two), and so do those of each office. Between station and offices the time decides: an amendment counts from
`at` on, or from the latest `at` before it of the same origin if that is later. At equal times an office counts after
a station, and offices in the order of their ids. Where there is only a station, that is the order of storing.
"""

from typing import Literal

# Journals of offices are named so; all others are a station's, and one record has only one station.
OFFICE_JOURNALS = "office-"

ORIGIN = f"iif(journal_id GLOB '{OFFICE_JOURNALS}*', journal_id, '')"
LAST_FIRST = "counts_at DESC, origin DESC, seq DESC"


def placed(table: Literal["amendment", "batch_amendment"], key: Literal["fish_id", "batch_id"]) -> str:
    """A query for every amendment with its place: `counts_at` and `origin`, to be ordered by `LAST_FIRST`."""
    return (
        f"SELECT *, {ORIGIN} AS origin, "
        f"max(rtrim(at, 'Z')) OVER (PARTITION BY {key}, {ORIGIN} ORDER BY seq) AS counts_at FROM {table}"
    )


def ranked(table: Literal["amendment", "batch_amendment"], key: Literal["fish_id", "batch_id"]) -> str:
    """A query for every amendment with its `rank` among those of the same field: 1 is the one that counts."""
    return (
        f"SELECT *, row_number() OVER (PARTITION BY {key}, field ORDER BY {LAST_FIRST}) AS rank "
        f"FROM ({placed(table, key)})"
    )
