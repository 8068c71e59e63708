"""From the file of a station, or from the texts that the journal kept of it, to a checked `Station`."""

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import cast, get_args

from ingest.station import Station, StationBench, StationInstrument
from ingest.station_build import StationBuilder
from ingest.station_file import StationFile
from ingest.station_sources import Complaints, PackToUse, Source, SourceKind, read_sources, source_text
from ingest.toml_file import ConfigError, Problem, parse_toml

__all__ = ["Source", "Station", "StationBench", "StationInstrument", "load_station", "station_from_sources"]


def load_station(path: Path, *, pack: PackToUse = "in place") -> Station:
    """The station of this file. Raises only ConfigError, with every problem that could be found at once.

    `pack`: the bytes of a history pack to be tried instead of the one in place, or None for none.
    """
    sources, shown = read_sources(path, pack)
    return _station(sources, shown, path.parent)


def station_from_sources(sources: Iterable[tuple[str, str, bytes]], folder: Path = Path()) -> Station:
    """The same station from its kept sources (kind, name, bytes). Raises only ConfigError.

    Nothing is read from disk; `folder` is only what the station's paths shall be relative to.
    """
    kept = []
    for kind, name, data in sources:
        if kind not in get_args(SourceKind):
            known = ", ".join(get_args(SourceKind))
            raise ConfigError((Problem(name, f'"{kind}" is no kind of source; known are {known}.'),))
        kept.append(Source(cast(SourceKind, kind), name, data))
    return _station(tuple(kept), {source: source.name for source in kept}, folder)


def _station(sources: tuple[Source, ...], shown: Mapping[Source, str], folder: Path) -> Station:
    stations = [source for source in sources if source.kind == "station"]
    if len(stations) != 1:
        text = f"{len(stations)} station files were kept; exactly one is needed."
        raise ConfigError((Problem("sources", text),))
    text = source_text(stations[0], shown[stations[0]])
    file = parse_toml(text, StationFile, shown[stations[0]])
    return StationBuilder(file, Complaints(shown[stations[0]], text), sources, shown).build(folder)
