"""The species that a command knows: the shipped ones, and files of one's own before them."""

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ingest.species import SpeciesBook


def species_book(own: Path | None = None) -> "SpeciesBook":
    """The shipped species and those of the folder `own`. Raises ConfigError: a file cannot be used."""
    from ingest.shipped import shipped_config
    from ingest.species import load_species

    return load_species(shipped_config() / "species", *([own] if own is not None else []))


def station_species(config: Path | None) -> "SpeciesBook":
    """The shipped species and those of the folder that the station's file names. Raises ConfigError."""
    if config is None:
        return species_book()
    from ingest.station_file import StationFile
    from ingest.toml_file import load_toml

    own = load_toml(config, StationFile).station.species
    return species_book(config.parent / own if own is not None else None)
