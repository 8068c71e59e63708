"""What the assembler hands over: changes to the records, and announcements to the crew.

Everything here is a plain value. Times are RFC 3339 UTC text (`2026-05-12T13:00:00.250Z`), lengths mm, weights g.
The engine produces `Change`s and `Announcement`s; the store commits the changes of one step in one transaction;
the daemon announces only after that commit.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from hashlib import sha1
from typing import Literal, NamedTuple
from uuid import UUID

from ingest.catch_records import CatchChange

TALLYWELL_NAMESPACE = UUID("6f1d3c1e-2b4a-5f5e-9a37-0d7b8c6e1a52")


class Severity(StrEnum):
    """SERIOUS holds the fish until somebody settles it; NOTICE marks it and holds nobody."""

    SERIOUS = "serious"
    NOTICE = "notice"


class Status(StrEnum):
    """The public status of a fish (see the view `worked_fish`)."""

    SAVED = "saved"
    CONFIRMED = "confirmed"  # a serious finding stands, and the doubtful value was measured twice
    QUERIED = "queried"  # closed with a serious finding that nobody settled
    INCOMPLETE = "incomplete"  # a part that the protocol asks for is missing
    HELD = "held"
    PARKED = "parked"
    VOID = "void"  # only in `fish_all`


class TagStatus(StrEnum):
    NEW = "new"
    RECAPTURE = "recapture"
    REPEAT = "repeat"
    UNKNOWN = "unknown"
    NONE_FOUND = "none_found"
    NOT_SCANNED = "not_scanned"


class Part(StrEnum):
    TAG = "tag"
    LENGTH = "length"
    WEIGHT = "weight"
    SPECIES = "species"


@dataclass(frozen=True, slots=True)
class Finding:
    """What a check says about a fish.

    `name` is stable and public (`weight_slip`); `sentence` is what a tired person reads; `numbers` are the figures
    behind it; `suspects` are the parts to measure again; `proposes` is the value that would mend it, per part.
    """

    name: str
    severity: Severity
    sentence: str
    numbers: Mapping[str, float | str] = field(default_factory=dict)
    suspects: tuple[Part, ...] = ()
    proposes: Mapping[str, float] = field(default_factory=dict)
    settled: bool = False


ReadingRole = Literal["used", "replaced", "repeat", "echo", "candidate", "trail"]


@dataclass(frozen=True, slots=True)
class ReadingRecord:
    """One reading that belongs to a fish, and the journal frame that it came from (`journal_id`, `n`).

    `value` is mm or g for measures; `text` the code of a tag or the words of a command.
    """

    kind: Literal["tag", "length", "weight", "command"]
    role: ReadingRole
    journal_id: str
    n: int
    at: str
    instrument: str
    raw: bytes
    value: float | None = None
    text: str | None = None
    unit: str | None = None
    division: float | None = None
    load: int | None = None
    empty_before_g: float | None = None
    empty_after_g: float | None = None


class Observation(NamedTuple):
    """What was seen on a fish. `code` is that of the station's list, None for free words."""

    kind: str  # sex, maturity, mark, anomaly, sample, note
    text: str
    code: str | None = None


TagRole = Literal["primary", "second", "set_aside"]


@dataclass(frozen=True, slots=True)
class FishRecord:
    """One fish as the assembler made it. Saved again under the same `fish_id` until `closed`, never after."""

    fish_id: str
    journal_id: str
    opened_n: int
    station: str
    bench: str
    survey_id: str
    run_no: int | None
    opened_at: str
    worked_up_at: str
    species: str | None
    species_from: Literal["selected", "command", "history", "none"]
    tag: str | None
    tag_status: TagStatus
    tags: tuple[tuple[str, TagRole], ...]
    individual_id: str | None
    length_mm: float | None
    length_type: str | None
    length_unit: str | None
    weight_g: float | None
    weight_quality: Literal["measured", "too_coarse", "not_weighed"]
    relative_weight: float | None
    fate: str
    status: Status
    closed: bool
    rule: str  # the named rule that closed, held or parked it
    note: str | None
    observations: tuple[Observation, ...]
    readings: tuple[ReadingRecord, ...]
    findings: tuple[Finding, ...]
    withdrawal_until: str | None = None  # the fish was drugged and may not be eaten before this day


@dataclass(frozen=True, slots=True)
class SaveFish:
    fish: FishRecord


@dataclass(frozen=True, slots=True)
class AttachReading:
    """A reading that belongs to a fish already closed (an echo): kept with it, changes nothing."""

    fish_id: str
    reading: ReadingRecord


@dataclass(frozen=True, slots=True)
class Amend:
    """A correction of a closed fish. `field` is a column of `worked_fish`, or `void`; old and new as text or None."""

    amendment_id: str
    fish_id: str
    at: str
    who: str
    why: str
    field: str
    old: str | None
    new: str | None
    journal_id: str
    n: int


@dataclass(frozen=True, slots=True)
class AddFinding:
    """A finding that came to light after the fish was closed."""

    fish_id: str
    finding: Finding
    journal_id: str
    n: int


@dataclass(frozen=True, slots=True)
class SaveSurvey:
    """Opened, renamed or closed: the whole row each time. `water` None while the survey is provisional."""

    survey_id: str
    station: str
    name: str | None
    water: str | None
    protocol: str
    opened_at: str
    closed_at: str | None
    provisional: bool


@dataclass(frozen=True, slots=True)
class RunPlace:
    """Where a run began and ended (WGS 84 degrees, north and east positive), as instruments said, and its water; None
    where nobody said.

    water_c: as the crew read it by hand, else as an instrument said. conductivity_us_per_cm: ambient (at the
    temperature of the water, not referred to 25 C), as the crew read it.
    """

    start_lat_deg: float | None = None
    start_lon_deg: float | None = None
    end_lat_deg: float | None = None
    end_lon_deg: float | None = None
    water_c: float | None = None
    conductivity_us_per_cm: float | None = None


@dataclass(frozen=True, slots=True)
class RunMethod:
    """Where in the water a run fished and how, as the crew said; None where nobody did. `pass_no` is the number of the
    pass where one area is fished several times over."""

    area: str | None = None
    gear: str | None = None
    pass_no: int | None = None
    settings: str | None = None


@dataclass(frozen=True, slots=True)
class SaveRun:
    survey_id: str
    run_no: int
    started_at: str
    ended_at: str | None
    current_on_s: float | None
    note: str | None = None
    place: RunPlace = RunPlace()
    method: RunMethod = RunMethod()


@dataclass(frozen=True, slots=True)
class AddSighting:
    """A tag was seen without a fish record being made of it."""

    sighting_id: str
    survey_id: str
    tag: str
    at: str
    instrument: str
    why: str
    journal_id: str
    n: int


@dataclass(frozen=True, slots=True)
class SaveInboxFile:
    """A file of a hand reader was taken in. `n_seen` of its lines are sightings, `refused` are the others as
    (line, its text, why not). The file itself is kept beside the journal under its hash."""

    sha256: str
    file: str
    at: str
    n_seen: int
    refused: tuple[tuple[int, str, str], ...]
    journal_id: str
    n: int


FishChange = SaveFish | AttachReading | Amend | AddFinding
Change = FishChange | SaveSurvey | SaveRun | AddSighting | SaveInboxFile | CatchChange


class Sound(StrEnum):
    """What the crew hears: patterns of the terminal's bell (`announce.BELLS`), tones on a loudspeaker
    (`station.sounds`). STICK: the stick may be pulled out."""

    NONE = "none"
    PART = "part"
    SAVED = "saved"
    RECAPTURE = "recapture"
    HELD = "held"
    TROUBLE = "trouble"
    REMINDER = "reminder"
    STICK = "stick"


@dataclass(frozen=True, slots=True)
class Announcement:
    """Something the crew must know now. `name` is stable (`fish_saved`); `sentence` says it in plain words."""

    name: str
    sound: Sound
    sentence: str
    bench: str | None
    at: str
    fish_id: str | None = None
    facts: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class PriorCapture:
    """One earlier capture of a tag, as the station knows it."""

    at: str
    water: str | None
    survey_id: str | None
    species: str | None
    length_mm: float | None
    weight_g: float | None
    fate: str
    individual_id: str | None = None
    fish_id: str | None = None
    withdrawal_until: str | None = None


def fish_id(journal_id: str, opened_n: int) -> str:
    """The id of the fish that frame `opened_n` of this journal opened: the same live, replayed and rebuilt."""
    return _named_id(f"fish {journal_id} {opened_n}")


def derived_id(kind: str, journal_id: str, n: int, index: int = 0) -> str:
    """The id of the `index`-th thing of this kind (`amendment`, `survey`, `sighting`) that frame `n` caused."""
    return _named_id(f"{kind} {journal_id} {n} {index}")


def individual_id(tag: str) -> str:
    """The id of the individual first known by this tag."""
    return _named_id(f"individual {tag}")


def _named_id(name: str) -> str:
    """The name's UUID of version 5 (RFC 9562, section 5.5), as `uuid.uuid5` makes it at twice the cost."""
    return str(UUID(bytes=sha1(TALLYWELL_NAMESPACE.bytes + name.encode()).digest()[:16], version=5))
