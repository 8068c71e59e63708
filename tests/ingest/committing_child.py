"""A process that commits fish after fish and says each one aloud once it is stored, until it is killed.

Run as `python -m tests.ingest.committing_child DATABASE FIRST_NUMBER JOURNAL_MODE [LAST_NUMBER]`. Trouble is said
aloud too (`! StoreBroken`), and the same fish is tried again.
"""

import sys
from itertools import count
from pathlib import Path

from ingest.records import SaveFish
from ingest.store import JournalMode, Store, StoreTrouble
from tests.ingest.builders import fish, frames, run, survey


def main(path: Path, first: int, mode: JournalMode, last: int | None) -> None:
    with Store.open(path, journal_mode=mode) as store:
        store.commit([survey(), run()])
        print("ready", flush=True)
        for number in count(first) if last is None else range(first, last + 1):
            record = fish(number, tag=f"9851200{number:08}")
            while True:
                try:
                    store.commit([SaveFish(record)], frames(record))
                    break
                except StoreTrouble as trouble:
                    print("!", type(trouble).__name__, flush=True)
            print(number, flush=True)


if __name__ == "__main__":
    main(
        Path(sys.argv[1]),
        int(sys.argv[2]),
        JournalMode(sys.argv[3]),
        int(sys.argv[4]) if len(sys.argv) > 4 else None,
    )
