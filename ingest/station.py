"""The configuration of a station as a value: read, checked as a whole, ready to use."""

from collections.abc import Mapping
from dataclasses import dataclass, field
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
from ingest.station_file import Role, StationFile
from ingest.station_sources import Source
from ingest.tag_table import TableProblem
from ingest.water_relations import WaterRelations


@dataclass(frozen=True, slots=True)
class StationBench:
    """One bench. `species` is the slug selected at the start, None if the crew must say."""

    name: str
    rules: BenchRules
    species: str | None
    length_type: LengthType


@dataclass(frozen=True, slots=True)
class StationInstrument:
    """One instrument with its file's declaration, the station's own settings already put in.

    bench: where it stands. antennas: of a reader that serves several benches, the bench at each antenna number.
    role: a reader for "lookup" shows the history of a tag and opens no fish.
    """

    name: str
    bench: str
    declaration: Declaration
    port: PortSettings
    keys: Mapping[str, Command]
    antennas: Mapping[str, str] = field(default_factory=dict)
    role: Role = "work_up"

    @property
    def benches(self) -> frozenset[str]:
        """The benches whose fish it works up."""
        return frozenset() if self.role == "lookup" else frozenset({self.bench, *self.antennas.values()})

    def bench_at(self, antenna: str | None) -> str | None:
        """The bench of an antenna as a line names it ("1", "01"); None if the file of the station maps antennas and
        this one is not among them."""
        if not self.antennas:
            return self.bench
        return None if antenna is None else self.antennas.get(antenna_number(antenna))


def antenna_number(written: str) -> str:
    """An antenna number without leading zeros, so that "01" and "1" are one."""
    return written.lstrip("0") or "0"


def no_bench_at(setup: StationInstrument, antenna: str | None) -> str:
    """What to do about a line of an antenna that no bench has, in one sentence."""
    which = "a line without an antenna number" if antenna is None else f"antenna {antenna}"
    return (
        f"The {setup.name} read a tag by {which}, which is mapped to no bench: it was taken for bench {setup.bench}; "
        "name the antenna in the station's file."
    )


@dataclass(frozen=True, slots=True)
class Station:
    """Everything that is configured. `file` holds the plain settings ([station], [survey]).

    folder: what the paths of the file are relative to. tag_commands: canonical code of a command tag to
    its command. problems: rows and cells of inventory and history that are not used as they stand: to be
    shown, never fatal. sources: every file that can change a record, as read. relations: what a history pack knows of
    the length-weight relations of whole waters.
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
    relations: WaterRelations = field(default_factory=dict)

    @property
    def name(self) -> str:
        return self.file.station.name

    @property
    def observations(self) -> Mapping[str, Mapping[str, str]]:
        """The codes of observations and what they mean, by kind."""
        return self.file.observations

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
    def inbox(self) -> Path | None:
        inbox = self.file.station.inbox
        return None if inbox is None else self.folder / inbox

    @property
    def pack(self) -> Path:
        return self.folder / self.file.station.pack

    @property
    def log(self) -> Path:
        return self.folder / self.file.station.log
