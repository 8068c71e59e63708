"""What an export has put in place."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Written:
    """Where it is, how many rows of each table it holds, and what its reader should know."""

    path: Path
    rows: Mapping[str, int]
    notes: tuple[str, ...] = field(default=())
