"""Takes a file of a hand reader into the journal and the records, once, whatever its name.

What was taken is known by the hash of its bytes in the table `inbox_file`; the bytes themselves are kept beside the
journal under that hash. The file in the folder is left where it is.
"""

import sqlite3
from dataclasses import dataclass
from datetime import tzinfo
from hashlib import sha256
from typing import Final

from ingest.frames import Frame
from ingest.inbox_rules import EVENT
from ingest.recorder import Recorder
from ingest.records import Announcement, Sound
from ingest.sighting_files import RefusedLine, parse_sightings
from ingest.store import Store
from ingest.store.errors import translate

SOURCE: Final = "inbox"
MOST_BYTES: Final = 256 << 10  # its sightings must fit into one line of the journal
MOST_REFUSED: Final = 100  # so many refused lines are listed; all of them are in the kept file


@dataclass(frozen=True, slots=True)
class ArrivedFile:
    """A file that lies complete in the inbox. `data` None: it is too big to be taken."""

    name: str
    data: bytes | None


def take_file(
    recorder: Recorder, store: Store, file: ArrivedFile, t_s: float, zone: tzinfo
) -> list[Announcement]:
    """Take in one file, at journal time `t_s`; nothing if its content was taken before, or says nothing.

    To be called only while no commit waits. Raises `StoreTrouble` if the database cannot be asked.
    """
    if file.data is None:
        said = f"{file.name} in the inbox is bigger than {MOST_BYTES >> 10} KiB: split it into smaller files."
        return [recorder.say("inbox_refused", Sound.TROUBLE, said)]
    digest = sha256(file.data).hexdigest()
    sighted, refused = parse_sightings(file.data, zone)
    if not (sighted or refused) or _is_taken(store, digest):
        return []
    if recorder.journal is not None:
        recorder.journal.keep_content(file.data)
    body = {
        "file": file.name,
        "sha256": digest,
        "seen": [[one.tag, one.at] for one in sighted],
        "refused": [[one.line, one.text, one.why] for one in _listed(refused)],
    }
    return recorder.feed(Frame(0, t_s, "", SOURCE, None, EVENT, body))


def _listed(refused: tuple[RefusedLine, ...]) -> tuple[RefusedLine, ...]:
    if len(refused) <= MOST_REFUSED:
        return refused
    next_one = refused[MOST_REFUSED]
    rest = len(refused) - MOST_REFUSED
    return (
        *refused[:MOST_REFUSED],
        RefusedLine(next_one.line, "", f"{rest} more lines are refused from here on."),
    )


def _is_taken(store: Store, digest: str) -> bool:
    try:
        found = store.connection.execute("SELECT 1 FROM inbox_file WHERE sha256 = ?", (digest,)).fetchall()
    except sqlite3.Error as error:
        raise translate(error, store.path) from error
    return bool(found)
