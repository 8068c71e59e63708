"""A publication in a process of its own, so that it can be killed: `python -m tests.office.publishing_child DB ADDRESS
FISH_AT_ONCE`. Before the first batch and after each it prints how many fish are through, and waits for a line."""

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
            progress=_say_and_wait,
        )


def _say_and_wait(done: int, of: int) -> None:
    print(done, flush=True)
    sys.stdin.readline()


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]))
