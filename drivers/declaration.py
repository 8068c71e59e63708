"""What an instrument file (TOML) may say about one kind of instrument, checked before the first byte is read.

Every option is explained in `config/instruments/README.md`. `Declaration` is a pydantic model: a caller
that wants line numbers validates the parsed file itself and words pydantic's `ValidationError`;
`load_declaration` is the short way.
"""

import re
import tomllib
from decimal import Decimal
from typing import Annotated, Literal, Self

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    StrictBool,
    ValidationError,
    field_validator,
    model_validator,
)

from drivers.tags import HEX16_FORMS, TagForm
from drivers.telegrams import BitOrder, TelegramKind

LENGTH_UNITS = ("mm", "cm", "m", "in")
WEIGHT_UNITS = ("g", "kg", "lb", "oz")
GROUPS = frozenset({"value", "ounces", "unit", "sign", "state", "tag", "key", "antenna"})

_SHORT_FORMS = frozenset({TagForm.ID40_HEX, TagForm.ID40_DECIMAL})

Seconds = Annotated[float, Field(gt=0, le=86_400, allow_inf_nan=False)]
Grams = Annotated[float, Field(ge=0, le=1_000_000, allow_inf_nan=False)]


class DeclarationError(ValueError):
    """An instrument file that cannot be used. `messages` has one sentence for each thing wrong: file, key,
    what to do."""

    def __init__(self, messages: list[str]) -> None:
        super().__init__("\n".join(messages))
        self.messages = messages


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class LineSettings(_Table):
    """RS-232 settings; a network or USB transport takes from them what it can use.

    `usb` says what a `usb:` address means: a serial port, or an instrument of the HID class.
    """

    baud: int = Field(default=9600, ge=50, le=4_000_000)
    data_bits: Literal[7, 8] = 8
    parity: Literal["none", "even", "odd", "mark", "space"] = "none"
    stop_bits: Literal[1, 2] = 1
    dtr: StrictBool = True
    rts: StrictBool = True
    usb: Literal["serial", "hid"] = "serial"


class FrameRule(_Table):
    """Where one message of the instrument ends.

    `end`: CR, LF, CRLF; ANY of CR, LF, CRLF, ETX; STX-ETX; IDLE (a pause of `idle_s`); REPORT (a USB report
    is a message). `max_bytes` counts everything of the longest message, its end included. Bytes that wait
    `stale_s` for their line end are a fragment.
    """

    end: Literal["CR", "LF", "CRLF", "ANY", "STX-ETX", "IDLE", "REPORT"]
    max_bytes: int = Field(ge=2, le=4096)
    stale_s: Seconds = 2.0
    idle_s: Seconds | None = None

    @model_validator(mode="after")
    def _idle_needs_its_gap(self) -> Self:
        if (self.end == "IDLE") != (self.idle_s is not None):
            raise ValueError(
                '`idle_s` (seconds of silence that end a message) belongs to end = "IDLE", and only to it'
            )
        return self


class Checksum(_Table):
    """The check characters before the end of the line, and what they cover.

    Covered is the line without line ends, STX/ETX, its first `skip_first` characters, the separator and the
    check itself; `covers_stx` and `covers_separator` add those. Forms: see `drivers.checksums`.
    """

    form: Literal["xor8", "sum8", "sum8_complement", "crc16_xmodem", "crc16_ccitt_false"]
    written: Literal["hex", "raw"] = "hex"
    byte_order: Literal["big", "little"] = "big"
    separator: str = Field(default="", max_length=4)
    skip_first: int = Field(default=0, ge=0, le=16)
    covers_stx: StrictBool = False
    covers_separator: StrictBool = False


class Measure(_Table):
    """How the number of a scale or a board becomes grams or millimetres.

    `unit` is the unit of a line that carries none. The value is number x `factor` x unit; `step` says that
    the last digit moves in steps of 1, 2 or 5. A length above `ruler_max_mm` is a key zone or a fault,
    never a fish.
    """

    unit: Literal["mm", "cm", "m", "in", "g", "kg", "lb", "oz"]
    factor: Decimal = Field(default=Decimal(1), gt=0, le=10_000, allow_inf_nan=False)
    step: Literal[1, 2, 5] = 1
    decimal_comma: StrictBool = False
    ruler_max_mm: float | None = Field(default=None, gt=0, le=10_000, allow_inf_nan=False)


class States(_Table):
    """The tokens that the group `state` may catch ("" = the group caught nothing), by what the scale means
    by them."""

    stable: tuple[str, ...] = ()
    unstable: tuple[str, ...] = ()
    neutral: tuple[str, ...] = ()  # says nothing about rest
    overload: tuple[str, ...] = ()
    underload: tuple[str, ...] = ()
    no_value: tuple[str, ...] = ()

    @model_validator(mode="after")
    def _one_meaning_each(self) -> Self:
        seen: dict[str, str] = {}
        for meaning in States.model_fields:
            for token in getattr(self, meaning):
                if token in seen:
                    raise ValueError(
                        f"the token {token!r} stands under `{seen[token]}` and `{meaning}`; keep one of them"
                    )
                seen[token] = meaning
        return self


class TagRule(_Table):
    """In which written forms the reader sends a tag code (`drivers.tags`), or that it sends raw air
    telegrams.

    The order of 16 hex digits is the reader's setting, so `forms` names one such order at most.
    `bit_order`: which bit of a telegram's byte arrived first.
    """

    forms: tuple[TagForm, ...] = ()
    telegram: TelegramKind | None = None
    bit_order: BitOrder = BitOrder.MSB_FIRST

    @model_validator(mode="after")
    def _forms_or_telegram(self) -> Self:
        if bool(self.forms) == (self.telegram is not None):
            raise ValueError(
                "give either `forms` (the reader sends text) or `telegram` (it sends raw telegram bytes)"
            )
        orders = [form for form in self.forms if form in HEX16_FORMS]
        if len(orders) > 1:
            raise ValueError(
                f"`forms` names {' and '.join(orders)}: keep the one order that the reader is set to"
            )
        return self


class KeyZone(_Table):
    """A zone beyond the ruler that arrives as a length: from `from_mm` (included) to `to_mm` (excluded)."""

    key: str = Field(min_length=1, max_length=64)
    from_mm: float = Field(gt=0, allow_inf_nan=False)
    to_mm: float = Field(gt=0, allow_inf_nan=False)

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.to_mm <= self.from_mm:
            raise ValueError(f"`to_mm` ({self.to_mm:g}) must be greater than `from_mm` ({self.from_mm:g})")
        return self


class SettleRule(_Table):
    """When a scale's lines become the one weight of a load (`drivers.settle`).

    `mode` stream: the scale talks all the time; each: every line is one weighing. A load is a rise of more
    than `threshold_g` over the empty level, which is followed as long as it stays within +-`empty_band_g`.
    A scale without a word for rest is at rest when `window_lines` lines over `window_s` differ by
    `spread_divisions` at most. A load that does not come to rest within `unsettled_s` is trouble. Two equal
    lines within `repeat_s` are one weighing (mode each).
    """

    mode: Literal["stream", "each"] = "stream"
    threshold_g: Grams = 5.0
    empty_band_g: Grams = 20.0
    window_s: Seconds = 0.6
    window_lines: int = Field(default=4, ge=2, le=1000)
    spread_divisions: int = Field(default=2, ge=0, le=1000)
    unsettled_s: Seconds = 8.0
    repeat_s: Seconds = 1.0


class KeyboardRule(_Table):
    """How the keys of a USB keyboard become lines (`drivers.hid_keyboard`).

    A scan ends with Enter, Tab or `silence_s` without a report; `enter` needed: by Enter or Tab only, what
    stops without is a fragment. `each_key`: every key is a line of its own (number pads, pedals).
    """

    silence_s: Seconds = 0.1
    enter: Literal["optional", "needed"] = "optional"
    each_key: StrictBool = False
    max_chars: int = Field(default=80, ge=1, le=1024)


class Declaration(_Table):
    """One instrument file.

    `decoder`: lines of text (`drivers.lines`), reports of a USB weighing instrument or of a USB keyboard, or
    NMEA 0183 sentences. `symbology`: a line may begin with the prefix of ISO/IEC 15424.
    """

    name: str = Field(pattern=r"^[a-z][a-z0-9_]*$")
    kind: Literal["tag_reader", "scale", "board", "keys", "navigation"]
    summary: str = Field(min_length=1)
    decoder: Literal["lines", "hid_scale", "hid_keyboard", "nmea"] = "lines"
    line: LineSettings = LineSettings()
    frame: FrameRule
    patterns: tuple[str, ...] = ()
    measure: Measure | None = None
    states: States = States()
    checksum: Checksum | None = None
    tags: TagRule | None = None
    key_zones: tuple[KeyZone, ...] = ()
    settle: SettleRule = SettleRule()
    keyboard: KeyboardRule = KeyboardRule()
    symbology: StrictBool = False
    witness: Literal["known", "repeat"] = "known"
    silence_s: Seconds | None = None

    @field_validator("patterns")
    @classmethod
    def _patterns_compile(cls, patterns: tuple[str, ...]) -> tuple[str, ...]:
        for pattern in patterns:
            try:
                groups = re.compile(pattern, re.ASCII).groupindex.keys()
            except re.error as fault:
                raise ValueError(
                    f"{pattern!r} is no regular expression ({fault}); write it in single quotes"
                ) from None
            if unknown := groups - GROUPS:
                raise ValueError(
                    f"{pattern!r} has the group {min(unknown)!r}; known are {', '.join(sorted(GROUPS))}"
                )
        return patterns

    @model_validator(mode="after")
    def _fits_its_kind(self) -> Self:
        faults = [*self._measure_faults(), *self._pattern_faults(), *self._decoder_faults()]
        if (self.kind == "tag_reader") != (self.tags is not None):
            faults.append('`tags` belongs to kind = "tag_reader", and only to it')
        if (
            self.tags is not None
            and self.tags.telegram
            and (self.frame.end != "IDLE" or self.patterns or self.checksum)
        ):
            faults.append('a raw `telegram` needs frame.end = "IDLE" and neither `patterns` nor `checksum`')
        if self.kind != "scale":
            faults += [
                f"`{key}` belongs to a scale" for key in ("states", "settle") if key in self.model_fields_set
            ]
        if self.key_zones and self.kind != "board":
            faults.append("`key_zones` belongs to a board")
        if self.checksum is not None and self.checksum.written == "raw" and self.frame.end != "IDLE":
            faults.append('`checksum.written` = "raw" may look like a line end; it needs frame.end = "IDLE"')
        if faults:
            raise ValueError("; ".join(faults))
        return self

    def _decoder_faults(self) -> list[str]:
        faults = []
        hid = self.decoder in ("hid_scale", "hid_keyboard")
        if hid != (self.frame.end == "REPORT") or hid != (self.line.usb == "hid"):
            faults.append(
                'frame.end = "REPORT", line.usb = "hid" and decoder = "hid_scale" or "hid_keyboard" go together'
            )
        fitting = {
            "lines": ("tag_reader", "scale", "board", "keys"),
            "hid_scale": ("scale",),
            # Of a measure, a lost report would make another one that looks as good.
            "hid_keyboard": ("tag_reader", "keys"),
            "nmea": ("navigation",),
        }[self.decoder]
        if self.kind not in fitting:
            faults.append(
                f'decoder = "{self.decoder}" goes with kind = {" or ".join(fitting)}, not {self.kind}'
            )
        if self.decoder in ("hid_scale", "nmea"):
            faults += [
                f'`{key}` has no meaning with decoder = "{self.decoder}"'
                for key in ("patterns", "states", "checksum", "symbology")
                if key in self.model_fields_set
            ]
        if "keyboard" in self.model_fields_set and self.decoder != "hid_keyboard":
            faults.append('`keyboard` belongs to decoder = "hid_keyboard"')
        if self.decoder == "hid_keyboard" and self.tags is not None:
            forms = set(self.tags.forms)
            if not self.patterns:
                faults.append(
                    'a tag reader of decoder = "hid_keyboard" needs `patterns` for whole codes: '
                    "a code that lost a report must fit none"
                )
            if forms & _SHORT_FORMS and forms - _SHORT_FORMS:
                faults.append(
                    "`forms` mixes codes of 10 characters with longer ones: a rest would pass for one"
                )
        return faults

    def _measure_faults(self) -> list[str]:
        if self.kind not in ("scale", "board"):
            return ["`measure` belongs to a scale or a board"] if self.measure is not None else []
        if self.measure is None:
            return [f"a {self.kind} needs `[measure]` with its `unit`"]
        units = WEIGHT_UNITS if self.kind == "scale" else LENGTH_UNITS
        faults = []
        if self.measure.unit not in units:
            faults.append(
                f"`measure.unit` of a {self.kind} is one of {', '.join(units)}, not {self.measure.unit!r}"
            )
        ruler_max_mm = self.measure.ruler_max_mm
        if (self.kind == "board") != (ruler_max_mm is not None):
            faults.append("`measure.ruler_max_mm` belongs to a board, and every board needs it")
        elif ruler_max_mm is not None:
            faults += [
                f"the key zone {zone.key!r} begins at {zone.from_mm:g} mm, on the ruler ({ruler_max_mm:g} mm)"
                for zone in self.key_zones
                if zone.from_mm <= ruler_max_mm
            ]
        return faults

    def _pattern_faults(self) -> list[str]:
        if self.kind == "navigation" or self.decoder == "hid_scale":
            return []
        wanted = {"scale": "value", "board": "value", "keys": "key", "tag_reader": "tag"}[self.kind]
        groups = [set(re.compile(pattern).groupindex) for pattern in self.patterns]
        faults = []
        if not any(wanted in names for names in groups) and (self.patterns or self.kind != "tag_reader"):
            faults.append(f"`patterns` of a {self.kind} needs one with the group (?P<{wanted}>...)")
        useful = {
            "scale": {"value", "state"},
            "board": {"value", "key"},
            "keys": {"key"},
            "tag_reader": {"tag"},
        }[self.kind]
        for pattern, names in zip(self.patterns, groups, strict=True):
            if not names & useful:
                faults.append(
                    f"the pattern {pattern!r} catches nothing of use; name one of {', '.join(sorted(useful))}"
                )
            if "ounces" in names and (self.measure is None or self.measure.unit != "lb"):
                faults.append('the group `ounces` goes with measure.unit = "lb"')
        return faults


def load_declaration(text: str, name: str) -> Declaration:
    """Read an instrument file from its text. `name` (the file's name) stands in every message of
    `DeclarationError`."""
    try:
        return Declaration.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as fault:
        raise DeclarationError([f"{name}: this is not TOML: {fault}"]) from None
    except ValidationError as fault:
        messages = []
        for error in fault.errors(include_url=False):
            key = ".".join(str(part) for part in error["loc"])
            what = error["msg"].removeprefix("Value error, ")
            given = f" (given: {error['input']!r})" if isinstance(error["input"], str | int | float) else ""
            messages.append(f"{name}: {key + ': ' if key else ''}{what}{given}")
        raise DeclarationError(messages) from None
