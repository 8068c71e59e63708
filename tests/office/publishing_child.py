"""A publication in a process of its own, so that it can be killed: `python -m tests.office.publishing_child DB ADDRESS
FISH_AT_ONCE`. It prints how many fish are through after each batch."""

import sys
from pathlib import Path

from office.database import OfficeDatabase
from office.publish.publisher import publish


def main(path: Path, address: str, fish_at_once: int) -> None:
    with OfficeDatabase.open(path) as office:
        publish(
            office.connection,
            office.office_id,
            address,
            fish_at_once=fish_at_once,
            progress=lambda done, of: print(done, flush=True),
        )


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]))
