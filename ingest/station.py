"""The configuration of a station as a value: read, checked as a whole, ready to use."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

from drivers.declaration import Declaration
from drivers.transport.settings import PortSettings
from ingest.assemble.settings import BenchRules
from ingest.checks import Limits
from ingest.commands import Command
from ingest.inventory import HistoryRow, InventoryTag
from ingest.protocol import Protocol
from ingest.species import LengthType, SpeciesBook
from ingest.station_file import StationFile
from ingest.station_sources import Source
from ingest.tag_table import TableProblem


@dataclass(frozen=True, slots=True)
class StationBench:
    """One bench. `species` is the slug selected at the start, None if the crew must say."""

    name: str
    rules: BenchRules
    species: str | None
    length_type: LengthType


@dataclass(frozen=True, slots=True)
class StationInstrument:
    """One instrument with its file's declaration, the station's own settings already put in."""

    name: str
    bench: str
    declaration: Declaration
    port: PortSettings
    keys: Mapping[str, Command]


@dataclass(frozen=True, slots=True)
class Station:
    """Everything that is configured. `file` holds the plain settings ([station], [survey]).

    folder: what the paths of the file are relative to. tag_commands: canonical code of a command tag to
    its command. problems: rows and cells of inventory and history that are not used as they stand: to be
    shown, never fatal. sources: every file that can change a record, as read.
    """

    folder: Path
    file: StationFile
    benches: Mapping[str, StationBench]
    instruments: tuple[StationInstrument, ...]
    limits: Limits
    species: SpeciesBook
    protocol: Protocol
    tag_commands: Mapping[str, Command]
    inventory: tuple[InventoryTag, ...]
    history: tuple[HistoryRow, ...]
    problems: tuple[TableProblem, ...]
    sources: tuple[Source, ...]

    @property
    def name(self) -> str:
        return self.file.station.name

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.file.station.timezone)

    @property
    def database(self) -> Path:
        return self.folder / self.file.station.database

    @property
    def journal(self) -> Path:
        return self.folder / self.file.station.journal

    @property
    def journal_mirror(self) -> Path | None:
        mirror = self.file.station.journal_mirror
        return None if mirror is None else self.folder / mirror

    @property
    def log(self) -> Path:
        return self.folder / self.file.station.log
