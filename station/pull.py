"""The database for the office, over the network: a finished snapshot with its figures, never the live file."""

import json
import re
from pathlib import Path
from typing import Any, Final

from ingest.control import error
from station.asking import Asking

SNAPSHOT_S: Final = 300.0  # a large database on a slow card
_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,200}\.sqlite")


async def manifest(asking: Asking) -> dict[str, Any]:
    """The figures of a snapshot that holds all that is stored now, or `{"ok": false, "error": sentence}`."""
    answer = await asking({"ask": "snapshot", "unless_fresh": True}, SNAPSHOT_S)
    if not answer.get("ok"):
        return answer
    try:
        figures: dict[str, Any] = json.loads(Path(str(answer["path"])).with_suffix(".json").read_bytes())
    except (OSError, ValueError) as trouble:
        return error(f"The figures of the snapshot cannot be read: {trouble}.")
    return figures


def snapshot_file(folder: Path, name: str) -> Path | None:
    """The snapshot of this name that lies in this folder with its figures beside it; None if there is none."""
    if _NAME.fullmatch(name) is None:
        return None
    path = folder / name
    whole = path.is_file() and not path.is_symlink() and path.with_suffix(".json").is_file()
    return path if whole else None
