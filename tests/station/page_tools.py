"""A real station with its page, in a process of its own, on pseudo-terminals."""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from tests.ingest.daemon_tools import Child, quick_station, station_on, wait_for

PROGRAM = (
    "import sys; from pathlib import Path; from ingest.daemon import run_station; "
    "from station.serving import start_page; "
    "sys.exit(run_station(Path(sys.argv[1]), companions=[start_page]))"
)
_ADDRESS = re.compile(r"The page is at (http://\S+/)")


def with_page(toml: Path, lines: str = "") -> Path:
    """The station's file with a table [page]: any free port, and these lines."""
    toml.write_text(f"{toml.read_text()}[page]\nport = 0\n{lines}\n")
    return toml


def address_of(child: Child) -> str:
    """Where the page is, as the station said last; without the `/` at the end."""
    wait_for(lambda: _ADDRESS.search(child.said()) is not None, "the page's address", child.process)
    found: list[str] = _ADDRESS.findall(child.said())
    return found[-1].rstrip("/")


@contextmanager
def page_on(folder: Path, lines: str = "", **how: Any) -> Iterator[tuple[Child, str]]:
    """A station that is ready (as `quick_station`) and the address of its page."""
    with station_on(with_page(quick_station(folder), lines), program=PROGRAM, **how) as child:
        yield child, address_of(child)
