"""Loading what the station brings along: tag inventories, captures known from elsewhere.

Each call is one durable transaction, and repeating it changes nothing.
"""

import sqlite3
from collections.abc import Iterable

from ingest.records import individual_id
from ingest.store.rows import PriorRow
from ingest.store.store import Store


def load_inventory(store: Store, tags: Iterable[str], *, source: str, at: str) -> int:
    """Make `tags` (canonical codes) the inventory of this `source`, in place of what it gave before.

    Returns how many tags it holds now. Raises `StoreTrouble`, `RecordRefused`.
    """
    rows = sorted({(tag, source, at) for tag in tags})

    def work(connection: sqlite3.Connection) -> None:
        connection.execute("DELETE FROM tag_inventory WHERE source = ?", (source,))
        connection.executemany("INSERT INTO tag_inventory (tag, source, added_at) VALUES (?, ?, ?)", rows)

    store.write(work)
    return len(rows)


def load_prior_captures(store: Store, captures: Iterable[PriorRow], *, source: str) -> int:
    """Make `captures` the history of this `source`, in place of what it gave before; returns how many it
    holds now.

    A capture without an individual gets the one that its tag stands for. Raises `StoreTrouble`,
    `RecordRefused`.
    """
    rows = [
        (*(row if row.individual_id else row._replace(individual_id=individual_id(row.tag))), source)
        for row in dict.fromkeys(captures)
    ]

    def work(connection: sqlite3.Connection) -> None:
        connection.execute("DELETE FROM prior_capture WHERE source = ?", (source,))
        connection.executemany(
            f"INSERT INTO prior_capture ({', '.join(PriorRow._fields)}, source) "
            f"VALUES ({'?, ' * len(PriorRow._fields)}?)",
            rows,
        )

    store.write(work)
    return len(rows)
