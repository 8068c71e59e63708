"""The settings that durability rests on: set on every connection, and read back.

SQLite's own default (DELETE with FULL) is not among them: cutting the power, it can lose the last
acknowledged transaction, because the deletion of the journal file itself is not synchronised. See "EXTRA" in
https://www.sqlite.org/pragma.html#pragma_synchronous and section 3 of
https://www.sqlite.org/atomiccommit.html.
"""

import sqlite3
from enum import StrEnum

from ingest.store.errors import UnsafeSettings


class JournalMode(StrEnum):
    """How SQLite makes a commit survive a power cut; the `synchronous` level follows from it."""

    TRUNCATE = "truncate"
    PERSIST = "persist"
    DELETE = "delete"
    WAL = "wal"


_FULL, _EXTRA = 2, 3
_SYNCHRONOUS = {
    JournalMode.TRUNCATE: _FULL,
    JournalMode.PERSIST: _FULL,
    JournalMode.DELETE: _EXTRA,
    JournalMode.WAL: _FULL,
}


def settle_pragmas(connection: sqlite3.Connection, mode: JournalMode) -> dict[str, int | str]:
    """Set every pragma we rely on and return what SQLite says they are now.

    Raises `UnsafeSettings` if one was not taken, `sqlite3.OperationalError` if another program is in the way.
    """
    # Triggers must also see rows that a REPLACE removes; temporary files must not die of a full /tmp.
    wanted: dict[str, int | str] = {
        "journal_mode": mode.value,
        "synchronous": _SYNCHRONOUS[mode],
        "foreign_keys": 1,
        "recursive_triggers": 1,
        "trusted_schema": 0,
        "temp_store": 2,
    }
    found: dict[str, int | str] = {}
    for name, want in wanted.items():
        connection.execute(f"PRAGMA {name}={want}").fetchall()
        found[name] = connection.execute(f"PRAGMA {name}").fetchone()[0]
        if found[name] != want:
            raise UnsafeSettings(
                f"SQLite {sqlite3.sqlite_version} runs with {name}={found[name]} instead of {want}: "
                "records would not be safe; choose another journal mode."
            )
    return found
