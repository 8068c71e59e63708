"""Snapshots of the live database: on request, after a survey was closed, and every hour in which something
changed. Each is a finished file with its figures beside it; the oldest are removed."""

import json
from itertools import count
from pathlib import Path

from ingest.disk import write_whole
from ingest.frames import parse_rfc3339, rfc3339
from ingest.store import Manifest, Store, snapshot

KEEP = 24
EVERY_S = 3600.0
# By these a reader knows one database of a station from another, begun anew or of a second station of the same name.
_SURVEYS = "SELECT survey_id FROM survey ORDER BY survey_id"


class Snapshots:
    """Decides when a snapshot is due, and takes it into `folder`. Times are monotonic seconds."""

    def __init__(self, store: Store, folder: Path, now_s: float, keep: int = KEEP) -> None:
        self._store = store
        self._folder = folder
        self._keep = keep
        self._taken_s = now_s
        self._changed = 0
        self._asked = False
        self._last: Manifest | None = None

    def want(self) -> None:
        """Take one at the next opportunity."""
        self._asked = True

    def due(self, now_s: float, changed: int) -> bool:
        """Whether one is due; `changed` is how many changes were stored so far."""
        return self._asked or (changed != self._changed and now_s - self._taken_s >= EVERY_S)

    def fresh(self, changed: int) -> Manifest | None:
        """The last one, if it is still there and nothing was stored since."""
        last = self._last
        return last if last is not None and changed == self._changed and last.path.exists() else None

    def take(
        self, now_s: float, changed: int, stamp: str, station: str, clock_doubtful: bool = False
    ) -> Manifest:
        """Take one now; `stamp` (RFC 3339 UTC, as the station's clock shows it) becomes part of its name, with its
        milliseconds. No other is replaced: a name that is taken already gives way to the next free millisecond.

        Raises:
            StoreTrouble: it could not be made; the next try comes with the next hour or request.
            OSError: as before.
        """
        self._asked, self._taken_s = False, now_s
        self._folder.mkdir(parents=True, exist_ok=True)
        stem = self._store.path.stem
        manifest = snapshot(self._store, self._free_path(stem, stamp))
        self._changed, self._last = changed, manifest
        figures = {
            "file": manifest.path.name,
            "sha256": manifest.sha256,
            "size_bytes": manifest.size_bytes,
            "schema_version": manifest.schema_version,
            "sqlite_version": manifest.sqlite_version,
            "rows": dict(manifest.counts),
            "station": station,
            "taken_at": stamp,
            "clock_doubtful": clock_doubtful,
            "surveys": [key for (key,) in self._store.connection.execute(_SURVEYS)],
        }
        write_whole(manifest.path.with_suffix(".json"), json.dumps(figures, indent=1).encode() + b"\n")
        # With the clock set back the newest has the oldest name: it stays all the same.
        others = sorted(set(self._folder.glob(f"{stem}-*Z.sqlite")) - {manifest.path})
        for old in others[: 1 - self._keep or None]:
            old.unlink(missing_ok=True)
            old.with_suffix(".json").unlink(missing_ok=True)
        return manifest

    def _free_path(self, stem: str, stamp: str) -> Path:
        times = (rfc3339(parse_rfc3339(stamp) + later_ms / 1000) for later_ms in count())
        names = (f"{stem}-{at.replace('-', '').replace(':', '')}.sqlite" for at in times)
        return next(path for name in names if not (path := self._folder / name).exists())
