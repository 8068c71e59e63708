"""What a decoder can say about the bytes it was fed: one closed set of outcomes.

Every outcome keeps the raw bytes that it rests on. A decoder never raises for bad bytes and never invents:
what it cannot understand comes back as `NotMine` or `Damaged`, to be counted, kept and shown.
"""

from dataclasses import dataclass
from enum import StrEnum


class Damage(StrEnum):
    """Why a line is not a reading."""

    CHECKSUM = "checksum"
    FORM = "form"
    TOO_LONG = "too_long"
    FRAGMENT = "fragment"  # never terminated: hang-up, pause, or the head of a line we tuned into
    SPEED = "speed"  # looks like a wrong baud rate or cable fault
    STALE = "stale"  # came right after the port was opened: a USB device may have kept it from before


class Trouble(StrEnum):
    """What a scale says instead of a weight."""

    OVERLOAD = "overload"
    UNDERLOAD = "underload"
    UNSETTLED = "unsettled"  # loaded, but never came to rest
    NOT_EMPTIED = "not_emptied"  # at rest, but the pan was not seen empty since the last load
    NO_VALUE = "no_value"


@dataclass(frozen=True, slots=True)
class TagSeen:
    """A tag code was read. `tag` is canonical: 15 decimal digits (ISO 11784) or 10 upper-case hex digits."""

    tag: str
    raw: bytes
    checked: bool = False  # a checksum in these very bytes vouched for the code
    antenna: str | None = None
    symbology: str | None = None  # of a printed code: see `KeySeen`


@dataclass(frozen=True, slots=True)
class TagRefused:
    """Something meant as a tag code is none: malformed, out of range, wrong checksum, or two codes in one line."""

    why: str  # one sentence, names the value
    raw: bytes


@dataclass(frozen=True, slots=True)
class LengthSeen:
    """A length from a measuring board. `division_mm` is the step of the last digit as sent."""

    length_mm: float
    unit: str
    raw: bytes
    division_mm: float = 1.0


@dataclass(frozen=True, slots=True)
class WeightSeen:
    """One line of a scale, not yet judged to be at rest. `stable` is the scale's own word, None if it says none."""

    weight_g: float
    unit: str
    stable: bool | None
    raw: bytes
    division_g: float = 1.0


@dataclass(frozen=True, slots=True)
class WeightSettled:
    """One load on the scale came to rest: the one weight that this load gives.

    `load` counts the loads of this scale; two weights are independent only if their loads differ.
    `empty_before_g` is the stable reading of the empty pan before this load (None: never seen empty).
    """

    weight_g: float
    unit: str
    load: int
    raw: bytes
    division_g: float = 1.0
    empty_before_g: float | None = None


@dataclass(frozen=True, slots=True)
class PanEmpty:
    """The pan came to rest near its empty level after load number `load`."""

    empty_g: float
    load: int
    raw: bytes


@dataclass(frozen=True, slots=True)
class ScaleTrouble:
    """The scale has a load but no weight for it (once per load)."""

    trouble: Trouble
    load: int
    raw: bytes


@dataclass(frozen=True, slots=True)
class KeySeen:
    """A key zone of a measuring board, or a code of a card or pedal: a name that config maps to a command."""

    key: str
    raw: bytes
    symbology: str | None = None  # the reader's word for the kind of code, e.g. "]Q1" (ISO/IEC 15424)


@dataclass(frozen=True, slots=True)
class PositionSeen:
    """A valid fix of a satellite receiver: WGS 84 degrees, north and east positive.

    `fix_utc` (RFC 3339) is the receiver's own word, only in sentences that carry a date. `hdop` is the
    horizontal dilution of precision, without unit, smaller is better.
    """

    lat_deg: float
    lon_deg: float
    raw: bytes
    fix_utc: str | None = None
    hdop: float | None = None


@dataclass(frozen=True, slots=True)
class TemperatureSeen:
    """A water temperature in degrees Celsius."""

    temperature_c: float
    raw: bytes


@dataclass(frozen=True, slots=True)
class NotMine:
    """A whole, clean line in no shape of this instrument (a banner, an unasked line)."""

    raw: bytes


@dataclass(frozen=True, slots=True)
class Damaged:
    """Bytes that cannot be trusted. `detail` is one short sentence."""

    damage: Damage
    detail: str
    raw: bytes


Outcome = (
    TagSeen
    | TagRefused
    | LengthSeen
    | WeightSeen
    | WeightSettled
    | PanEmpty
    | ScaleTrouble
    | KeySeen
    | PositionSeen
    | TemperatureSeen
    | NotMine
    | Damaged
)


@dataclass(slots=True)  # a frozen one takes five times as long to make, and each line of a scale makes one
class Piece:
    """A run of bytes cut from an instrument's stream, before anyone judged it.

    Cutting loses nothing: all pieces of a stream, joined, are the stream. `t_s` is the monotonic time of the
    piece's last byte. `ended` says that the declared line end closed it; a piece that is not ended is a fragment
    and can never become a value. `head` holds an unterminated fragment that a long pause (not a hang-up)
    separated from this line: the decoder needs it to tell a line's broken-off tail from a whole line.
    """

    data: bytes
    t_s: float
    ended: bool
    head: bytes = b""
    tuned_in: bool = False  # first line right after the port was opened: may lack its beginning
    too_long: bool = False
