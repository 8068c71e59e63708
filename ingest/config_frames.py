"""Configuration as frames: what changed a record is in the journal, by the hash of its text.

At each start and each accepted reload one event frame `config` names every source (kind, name, SHA-256); the
texts lie beside the journal. Replay and rebuild read the same texts again. The tables of tags go into the
database whenever a configuration is taken, before the first frame after it.
"""

import json
from collections.abc import Callable, Mapping
from hashlib import sha256
from pathlib import Path

from ingest.inventory import HistoryRow
from ingest.station import Station
from ingest.station_config import station_from_sources
from ingest.store import ContentRow, PriorRow, Store, load_inventory, load_prior_captures
from ingest.toml_file import ConfigError

# One transaction for all of them: there are some sixty, and a sync on a memory card is slow.
_NOTE = "INSERT INTO content (sha256, name, kind, first_used_at) VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING"
_TABLES = {
    "inventory": "SELECT DISTINCT source FROM tag_inventory",
    "history": "SELECT DISTINCT source FROM prior_capture",
}


class LostConfigError(Exception):
    """A configuration that the journal names cannot be had any more. One sentence."""


def config_body(station: Station) -> dict[str, object]:
    """The body of the event `config` of this station."""
    return {
        "sources": [
            {"kind": source.kind, "name": source.name, "sha256": sha256(source.data).hexdigest()}
            for source in station.sources
        ]
    }


def keep_config(station: Station, keep: Callable[[bytes], str]) -> tuple[str, dict[str, object]]:
    """Keep the texts of all sources, and the list of them; gives the hash of that list, and the list as the
    body of an event `config`."""
    for source in station.sources:
        keep(source.data)
    body = config_body(station)
    return keep(_listed(body)), body


def config_hash(body: Mapping[str, object]) -> str:
    """The hash under which `keep_config` kept the list of this event `config`."""
    return sha256(_listed(body)).hexdigest()


def listed_body(data: bytes) -> Mapping[str, object]:
    """The body of the event `config` from the list that `keep_config` kept. Raises LostConfigError."""
    try:
        body = json.loads(data)
    except ValueError:
        raise LostConfigError("the kept list of a configuration is no JSON") from None
    if not isinstance(body, dict):
        raise LostConfigError("the kept list of a configuration is no JSON object")
    return body


class ConfigReader:
    """Stations from the bodies of `config` events; the same body is read only once."""

    def __init__(self, text: Callable[[str], bytes], folder: Path) -> None:
        """`text` gives the bytes kept under a hash and raises ValueError in one sentence; `folder` is what
        the paths of the station are relative to."""
        self._text = text
        self._folder = folder
        self._last: tuple[bytes, Station] | None = None

    def station(self, body: Mapping[str, object]) -> Station:
        """Raises LostConfigError: a text is missing or damaged, or this program cannot use it any more."""
        listed = _listed(body)
        if self._last is not None and self._last[0] == listed:
            return self._last[1]
        sources = body.get("sources")
        if not isinstance(sources, list):
            raise LostConfigError("a frame 'config' names no sources")
        try:
            kept = [(one["kind"], one["name"], self._text(one["sha256"])) for one in sources]
            station = station_from_sources(kept, self._folder)
        except (KeyError, TypeError):
            raise LostConfigError("a frame 'config' has a source without kind, name or sha256") from None
        except (ValueError, ConfigError) as error:
            raise LostConfigError(f"the configuration of the journal cannot be used: {error}") from None
        self._last = (listed, station)
        return station


def load_tables(store: Store, station: Station, at: str) -> None:
    """Make the station's inventory and history those of the database, and note the sources in use.

    Raises `StoreTrouble`; repeating it changes nothing.
    """
    notes = [
        ContentRow(sha256(source.data).hexdigest(), source.name, source.kind, first_used_at=at)
        for source in station.sources
    ]
    store.write(lambda connection: connection.executemany(_NOTE, notes).close())
    for kind, query in _TABLES.items():
        now = {source.name for source in station.sources if source.kind == kind}
        known = {
            name for (name,) in store.connection.execute("SELECT name FROM content WHERE kind = ?", (kind,))
        }
        loaded = {name for (name,) in store.connection.execute(query)}
        for name in sorted(now | (loaded & known)):
            if kind == "inventory":
                tags = [row.tag for row in station.inventory if row.file == name]
                load_inventory(store, tags, source=name, at=at)
            else:
                rows = [_prior(row) for row in station.history if row.file == name]
                load_prior_captures(store, rows, source=name)


def _prior(row: HistoryRow) -> PriorRow:
    capture = row.capture
    return PriorRow(
        row.tag,
        capture.at,
        capture.water,
        capture.species,
        capture.length_mm,
        capture.weight_g,
        capture.fate,
        capture.individual_id,
        capture.survey_id,
        capture.fish_id,
        capture.withdrawal_until,
    )


def _listed(body: Mapping[str, object]) -> bytes:
    return json.dumps({"sources": body.get("sources")}, sort_keys=True, separators=(",", ":")).encode()
