"""What the file of a station (TOML) may say, table by table. Every option is shown once, with its default, in
`config/station/example.toml`.

Here only what one table can be checked for alone; what must fit together is checked in
`ingest.station_config`. All paths are relative to the folder of the file.
"""

import shlex
from dataclasses import fields
from ipaddress import ip_address
from typing import Annotated, Literal, Self, TypeVar
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import BaseModel, ConfigDict, Field, StrictBool, field_validator, model_validator

from drivers.transport.settings import parse_address
from ingest.assemble.settings import BenchRules, FlowName, TagOrder
from ingest.checks import Limits
from ingest.species import LengthType

_RULES = BenchRules()
_LIMITS = Limits()

Text = Annotated[str, Field(min_length=1, max_length=200, pattern=r"^[^\x00-\x1f]*$")]  # also a path
Name = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]{0,39}$")]
Seconds = Annotated[float, Field(strict=True, gt=0, le=86_400, allow_inf_nan=False)]
Positive = Annotated[float, Field(strict=True, gt=0, le=100_000, allow_inf_nan=False)]
Antenna = Annotated[str, Field(pattern=r"^[0-9]{1,3}$")]
Role = Literal["work_up", "lookup"]
Share = Annotated[float, Field(strict=True, ge=0, le=1, allow_inf_nan=False)]

Tables = TypeVar("Tables", dict[str, "BenchTable"], tuple["InstrumentTable", ...])


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class StationTable(_Table):
    """[station]: who this is and where its files lie.

    `protocol` is the name of a shipped protocol or the path of a TOML file; `species` and `instruments`
    are folders whose files come before the shipped ones; `inventory` and `history` are paths that may hold
    `*`. `inbox` is the folder where hand readers leave files. `pack` is where a history pack of the office lies.
    """

    name: Name
    database: Text = "work-up.sqlite"
    journal: Text = "journal"
    journal_mirror: Text | None = None
    journal_mode: Literal["truncate", "wal", "persist", "delete"] = "truncate"
    timezone: str = "UTC"
    protocol: Text = "all_parts"
    species: Text | None = None
    instruments: Text | None = None
    inventory: tuple[Text, ...] = ("inventory/*.csv",)
    history: tuple[Text, ...] = ("history/*.csv",)
    log: Text = "tallywell.log"
    inbox: Text | None = None
    pack: Text = "pack.zip"

    @field_validator("timezone")
    @classmethod
    def _timezone_is_known(cls, name: str) -> str:
        try:
            ZoneInfo(name)
        except (ZoneInfoNotFoundError, ValueError, OSError):
            raise ValueError(f'"{name}" is no IANA time zone; write for example "America/Chicago".') from None
        return name


class SurveyTable(_Table):
    """[survey]: the survey that opens by itself with the first reading. Without it a provisional one
    opens."""

    water: Text
    name: Text | None = None


class BenchTable(_Table):
    """[bench.<name>]: one place where fish are worked up. The numbers are those of `BenchRules`."""

    flow: FlowName = _RULES.flow
    species: Text | None = None
    length_type: LengthType = "TL"
    tags: TagOrder = _RULES.tags
    remeasure_s: Seconds = _RULES.remeasure_s
    echo_s: Seconds = _RULES.echo_s
    tag_grace_s: Seconds = _RULES.tag_grace_s
    late_tag_s: Seconds = _RULES.late_tag_s
    open_limit_s: Seconds = _RULES.open_limit_s
    two_tags_s: Seconds = _RULES.two_tags_s
    independent_s: Seconds = _RULES.independent_s
    command_absent_s: Seconds = _RULES.command_absent_s
    length_tolerance_mm: Positive = _RULES.length_tolerance_mm
    length_tolerance_share: Share = _RULES.length_tolerance_share
    weight_tolerance_divisions: Positive = _RULES.weight_tolerance_divisions
    weight_tolerance_share: Share = _RULES.weight_tolerance_share
    better_fit: Positive = _RULES.better_fit

    def rules(self) -> BenchRules:
        return BenchRules(**{field.name: getattr(self, field.name) for field in fields(BenchRules)})


class LineOverride(_Table):
    """[instrument.line]: what differs from the line settings of the instrument's own file."""

    baud: int | None = None
    data_bits: int | None = None
    parity: str | None = None
    stop_bits: int | None = None
    dtr: StrictBool | None = None
    rts: StrictBool | None = None


class InstrumentTable(_Table):
    """[[instrument]]: one instrument, its port and its bench.

    `use` names a shipped instrument file, one of the station's own folder, or the path of a TOML file.
    `antennas` maps the antenna numbers of a reader that serves several benches. `role` "lookup" is a reader that
    shows history and notes that a tag was seen, and never opens a fish.
    `witness`, `hex_order`, `step`, `silence_s` and `line` replace what that file says; its model checks them.
    """

    name: Name
    use: Text
    port: Text
    bench: Name | None = None
    role: Role = "work_up"
    antennas: dict[Antenna, Name] = {}
    witness: str | None = None
    hex_order: Literal["hex_bit1_first", "hex_transmission", "hex_lsbyte_first"] | None = None
    step: int | None = None
    silence_s: Seconds | None = None
    line: LineOverride = LineOverride()
    keys: dict[str, str] = {}

    @field_validator("port")
    @classmethod
    def _port_has_a_known_form(cls, port: str) -> str:
        parse_address(port)
        return port


class CommandsTable(_Table):
    """[commands.tags] and [commands.keys]: which tag or key stands for which command, as text."""

    tags: dict[str, str] = {}
    keys: dict[str, str] = {}


ObservationKind = Annotated[str, Field(pattern=r"^(sex|maturity|mark|anomaly|sample|note)$")]
Codes = dict[Annotated[str, Field(pattern=r"^[!-~]([ -~]{0,30}[!-~])?$")], Text]


class ChecksTable(_Table):
    """[checks]: limits of the plausibility checks that a station may change. Meaning and sources:
    `Limits`."""

    wr_serious: tuple[Positive, Positive] | None = _LIMITS.wr_serious
    wr_notice: tuple[Positive, Positive] | None = _LIMITS.wr_notice
    shrink_mm: Positive = _LIMITS.shrink_mm
    shrink_share: Share = _LIMITS.shrink_share
    residual_sd: Positive = _LIMITS.residual_sd
    zero_divisions: Positive = _LIMITS.zero_divisions
    zero_share: Share = _LIMITS.zero_share
    zero_share_at_once: Share = _LIMITS.zero_share_at_once

    @field_validator("wr_serious", "wr_notice")
    @classmethod
    def _around_100(cls, limits: tuple[float, float] | None) -> tuple[float, float] | None:
        if limits is not None and not limits[0] < 100 < limits[1]:
            raise ValueError(f"{list(limits)} must be [least, greatest] with 100 between them.")
        return limits

    @model_validator(mode="after")
    def _notice_inside_serious(self) -> Self:
        serious, notice = self.wr_serious, self.wr_notice
        if serious and notice and not serious[0] <= notice[0] < notice[1] <= serious[1]:
            raise ValueError(f"wr_notice {list(notice)} must lie inside wr_serious {list(serious)}.")
        return self

    def limits(self) -> Limits:
        return Limits(**{name: getattr(self, name) for name in ChecksTable.model_fields})


HostName = Annotated[str, Field(pattern=r"^[A-Za-z0-9]([A-Za-z0-9.-]{0,251}[A-Za-z0-9])?$")]
PortNumber = Annotated[int, Field(strict=True, ge=0, le=65_535)]


class PageTable(_Table):
    """[page]: the page that shows the crew what to do, and who may open it.

    listen: the address of this computer to listen at; None: 127.0.0.1, with `network` all addresses. port: 0 takes any
    free one, which the station says at its start. network: whether other computers may open the page, after pairing.
    names: host names under which they may ask for it, beside its addresses. session_days: how long a pairing lasts.
    low_disk_mb: with less room for records the page says so.
    """

    on: StrictBool = True
    listen: str | None = None
    port: PortNumber = 8620
    network: StrictBool = False
    names: tuple[HostName, ...] = ()
    units: Literal["metric", "inch_pound"] = "metric"
    theme: Literal["auto", "light", "dark"] = "auto"
    low_disk_mb: Annotated[int, Field(strict=True, ge=0, le=1_000_000_000)] = 500
    session_days: Annotated[float, Field(strict=True, gt=0, le=400, allow_inf_nan=False)] = 30.0

    @field_validator("listen")
    @classmethod
    def _listen_is_an_address(cls, listen: str | None) -> str | None:
        try:
            return None if listen is None else str(ip_address(listen))
        except ValueError:
            raise ValueError(
                f'"{listen}" is no address of a computer; write for example "127.0.0.1".'
            ) from None

    @model_validator(mode="after")
    def _the_network_only_when_asked(self) -> Self:
        if not self.network and not ip_address(self.address).is_loopback:
            raise ValueError(
                f'listen = "{self.listen}" lets other computers in: say network = true too, or leave it out.'
            )
        return self

    @property
    def address(self) -> str:
        """The address to listen at."""
        return self.listen or ("0.0.0.0" if self.network else "127.0.0.1")


SoundName = Literal["part", "saved", "recapture", "held", "trouble", "reminder", "stick"]


class SoundsTable(_Table):
    """[sounds]: what the crew hears on the station's own loudspeaker.

    volume: share of full scale. set: which pitches. leave_out: sounds that shall not be heard. player: a command that
    plays a WAV file from its standard input and ends; None: the first known one that works. speech: whether a sentence
    follows the tones that ask for something, in this voice of espeak-ng.
    """

    on: StrictBool = True
    volume: Share = 0.8
    set: Literal["clear", "low"] = "clear"
    leave_out: tuple[SoundName, ...] = ()
    player: Text | None = None
    speech: StrictBool = False
    voice: Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_+-]{0,39}$")] = "en"
    words_per_minute: Annotated[int, Field(strict=True, ge=80, le=450)] = 160

    @field_validator("player")
    @classmethod
    def _player_is_a_command(cls, player: str | None) -> str | None:
        try:
            words = shlex.split(player or "x")
        except ValueError as error:
            raise ValueError(f'{player!r} is no command ({error}); write for example "aplay -q -".') from None
        if not words:
            raise ValueError("an empty command plays nothing; leave it out, or say on = false.")
        return player


class StickTable(_Table):
    """[stick]: sticks onto which the day is written by itself.

    roots: the folders below which sticks are mounted. Only a stick with a folder `tallywell` at its top is written.
    """

    on: StrictBool = True
    roots: tuple[Annotated[str, Field(pattern=r"^/[^\x00-\x1f]{1,200}$")], ...] = (
        "/media",
        "/run/media",
        "/mnt",
    )


class StationFile(_Table):
    """The whole file.

    [observations.<kind>]: the codes that a crew gives instead of words, and what they mean. Every code is a key
    too, so a printed card with it gives the observation.
    """

    station: StationTable
    survey: SurveyTable | None = None
    bench: dict[Name, BenchTable] = {"main": BenchTable()}
    instrument: tuple[InstrumentTable, ...]
    commands: CommandsTable = CommandsTable()
    observations: dict[ObservationKind, Codes] = {}
    checks: ChecksTable = ChecksTable()
    page: PageTable = PageTable()
    sounds: SoundsTable = SoundsTable()
    stick: StickTable = StickTable()

    @field_validator("bench", "instrument")
    @classmethod
    def _is_not_empty(cls, tables: Tables) -> Tables:
        if not tables:
            raise ValueError("a station needs at least one of these tables; add one.")
        return tables
