"""A station takes a history pack: from a stick, a folder or the network, always by these functions.

The pack is verified whole, tried with the station's own files, and put in place by one rename. A running station sees
the new file as it sees any other, and uses it when nobody has a fish in hand; one that starts later reads it then.
"""

from dataclasses import dataclass
from pathlib import Path

from ingest.disk import write_whole
from ingest.packs import Pack, PackError, find_pack, read_pack
from ingest.station import Station
from ingest.station_config import load_station
from ingest.toml_file import ConfigError


@dataclass(frozen=True, slots=True)
class Taken:
    """What came of it. `changed` is False for a pack that is in place already. `sentence` is for the crew."""

    pack: Pack
    path: Path
    changed: bool
    sentence: str


def find_pack_for(place: Path, station_file: Path) -> tuple[Path, bytes]:
    """The pack of a folder or stick that this station would rather have (see `find_pack`). Raises as `take_pack`."""
    return find_pack(place, _water(load_station(station_file, pack=None)))


def take_pack(data: bytes, station_file: Path, *, shown: str = "The pack", force: bool = False) -> Taken:
    """Put a pack in place for the station of this file; `shown` names it in messages.

    An older pack replaces a newer one only with `force`, and so does one for other waters the one for the water at which
    the station works. Raises PackError: it is damaged, older, for elsewhere, or the station could not start with it;
    ConfigError: the station's own file is not valid; OSError: it cannot be written.
    """
    pack = read_pack(data, shown)
    before = load_station(station_file, pack=None)
    path = before.pack
    there = _in_place(path)
    if there is not None and there[1] == data:
        return Taken(pack, path, False, f"The history pack of {pack.made_at[:10]} is in use already.")
    if there is not None and pack.age <= there[0].age and not force:
        raise PackError(
            f"{shown} was made on {_moment(pack)}, the one in use on {_moment(there[0])}: the newer one stays, "
            "unless 'station pack' is given --force."
        )
    water = _water(before)
    if there is not None and there[0].is_for(water) and not pack.is_for(water) and not force:
        raise PackError(
            f"{shown} is for {', '.join(pack.waters)} and this station works at {water}, which the one in use is for: that "
            "one stays, unless 'station pack' is given --force."
        )
    try:
        load_station(station_file, pack=data)
    except ConfigError as error:
        raise PackError(f"{shown} was not taken, the station could not start with it: {error}") from None
    path.parent.mkdir(parents=True, exist_ok=True)
    write_whole(path, data)
    return Taken(pack, path, True, _sentence(pack, water))


def _water(station: Station) -> str | None:
    """The water at which the station works, as its file says."""
    return station.file.survey.water if station.file.survey else None


def _in_place(path: Path) -> tuple[Pack, bytes] | None:
    """The pack that is in place, if it is one: a damaged one is in nobody's way."""
    try:
        data = path.read_bytes()
        return read_pack(data, str(path)), data
    except (FileNotFoundError, PackError):
        return None


def _moment(pack: Pack) -> str:
    return pack.made_at[:16].replace("T", " ") + " UTC"


def _sentence(pack: Pack, water: str | None) -> str:
    said = f"History pack of {pack.made_at[:10]} taken, for {', '.join(pack.waters)}."
    if water is not None and not pack.is_for(water):
        said += f" This station works at {water}: look whether it is the right pack."
    return said
