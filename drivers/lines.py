"""One piece of an instrument's stream -> what it says, by the patterns of its instrument file.

In this order: length, fixed characters, checksum, parse, range of the format. Whether a fish can be that
long is asked elsewhere. A number is taken only where a declared pattern puts it and the whole line matches;
everything else comes back as `NotMine` or `Damaged`, never as an exception.
"""

import re
from collections.abc import Mapping
from decimal import Decimal
from types import MappingProxyType
from typing import Final

from drivers.checksums import STX, verify
from drivers.declaration import Declaration, Measure
from drivers.framing import BLANK
from drivers.outcomes import (
    Damage,
    Damaged,
    KeySeen,
    LengthSeen,
    NotMine,
    Outcome,
    Piece,
    ScaleTrouble,
    TagRefused,
    TagSeen,
    Trouble,
    WeightSeen,
)
from drivers.tags import TagCodeError, find_tags
from drivers.telegrams import FDX_B_BITS, HDX_BITS, ID40_BITS, TelegramKind, decode_telegram

_LEAD: Final = BLANK + STX
_PRINTABLE: Final = bytes(range(0x20, 0x7F)) + b"\t"
_LEAST_NOISE_BYTES: Final = 4
_NOISE_SHARE: Final = 0.4  # below 60 % printable: at 9600 read at another speed it is 0 to 40 % (computed)
_NUMBER: Final = re.compile(r"[0-9]{1,7}(?:\.[0-9]{1,5})?", re.ASCII)

# Exact by the yard and pound agreement of 1959: 1 in = 25.4 mm, 1 lb = 453.59237 g, 1 oz = 1/16 lb.
_MM: Final[Mapping[str, Decimal]] = MappingProxyType(
    {"mm": Decimal(1), "cm": Decimal(10), "m": Decimal(1000), "in": Decimal("25.4")}
)
_G: Final[Mapping[str, Decimal]] = MappingProxyType(
    {"g": Decimal(1), "kg": Decimal(1000), "lb": Decimal("453.59237"), "oz": Decimal("28.349523125")}
)
_SPELLINGS: Final[Mapping[str, str]] = MappingProxyType({"inch": "in", '"': "in", "lbs": "lb"})
_OUNCES_A_POUND: Final = 16
_TELEGRAM_BYTES: Final[Mapping[TelegramKind, int]] = MappingProxyType(
    {
        TelegramKind.FDX_B: FDX_B_BITS // 8,
        TelegramKind.HDX: HDX_BITS // 8,
        TelegramKind.ID40: ID40_BITS // 8,
    }
)


class LineDecoder:
    """The decoder of one instrument file. It remembers nothing from one piece to the next.

    A `ScaleTrouble` from here always has load 0: which load it belongs to is for `drivers.settle` to say.
    """

    def __init__(self, declaration: Declaration) -> None:
        self._declaration = declaration
        self._patterns = tuple(re.compile(pattern, re.ASCII) for pattern in declaration.patterns)
        self._token_meaning = {
            token: meaning
            for meaning in type(declaration.states).model_fields
            for token in getattr(declaration.states, meaning)
        }

    def decode(self, piece: Piece) -> list[Outcome]:
        """What the piece says: one outcome, or none for an empty line."""
        if piece.too_long or not piece.ended:
            return self._unfinished(piece)
        if self._declaration.tags is not None and self._declaration.tags.telegram is not None:
            return [self._telegram(piece.data)]
        outcome = self._judge(piece.data)
        if outcome is None:
            return []
        if isinstance(outcome, Damaged) or self._vouched(piece.data):
            return [outcome]
        if piece.head and self._continues(piece.head, piece.data):
            return [
                _fragment(
                    piece.data, f"a pause broke the line {(piece.head + piece.data)[-60:]!r}: read again"
                )
            ]
        if isinstance(outcome, NotMine):
            return [outcome]
        if piece.tuned_in:
            return [_fragment(piece.data, "the first line after the port was opened may lack its beginning")]
        if self._declaration.frame.end == "STX-ETX":
            return [_fragment(piece.data, "the line has no STX at its beginning")]
        return [outcome]

    def _unfinished(self, piece: Piece) -> list[Outcome]:
        data, tags = piece.data, self._declaration.tags
        binary = tags is not None and tags.telegram is not None
        if not binary and (noise := _noise(data)):
            return [noise]
        if piece.too_long:
            longest = self._declaration.frame.max_bytes
            detail = f"no line end within {longest} bytes: speed or cable, or another frame.end?"
            return [Damaged(Damage.TOO_LONG, detail, data)]
        if not data.strip(BLANK):
            return []
        return [_fragment(data, "the line never came to its end")]

    def _telegram(self, data: bytes) -> Outcome:
        tags = self._declaration.tags
        assert tags is not None
        assert tags.telegram is not None
        size = _TELEGRAM_BYTES[tags.telegram]
        if len(data) != size:
            return _fragment(data, f"{len(data)} bytes are no whole telegram of {size}")
        return decode_telegram(data, tags.telegram, tags.bit_order)

    def _judge(self, data: bytes) -> Outcome | None:
        """The outcome of a whole line, as if nothing was known about its beginning; None for an empty
        line."""
        rule = self._declaration.checksum
        if rule is not None and rule.written == "raw":
            line = data
        else:
            line = data.strip(BLANK).lstrip(_LEAD)
        if not line:
            return None
        checked = rule is not None
        fault: str | None = None
        if rule is not None:
            verdict = verify(line, rule)
            if not verdict.missing:
                line = verdict.text
            fault = verdict.fault
        if line.translate(None, _PRINTABLE):
            return _noise(data) or _bad_bytes(line, data)
        text = line.decode("ascii")
        if fault is not None:
            # A banner carries no check and is no damage; a reading without its check is.
            if verdict.missing and isinstance(self._parse(text, data, checked=False), NotMine):
                return NotMine(data)
            return Damaged(Damage.CHECKSUM, fault, data)
        return self._parse(text, data, checked)

    def _parse(self, text: str, raw: bytes, checked: bool) -> Outcome:
        if not self._patterns:
            return self._tag(text, None, raw, checked)
        for pattern in self._patterns:
            if match := pattern.fullmatch(text):
                return self._reading(match.groupdict(), raw, checked)
        return NotMine(raw)

    def _reading(self, groups: dict[str, str | None], raw: bytes, checked: bool) -> Outcome:
        declaration = self._declaration
        key, tag = groups.get("key"), groups.get("tag")
        if key is not None and declaration.kind in ("board", "keys"):
            key = key.strip()
            return KeySeen(key, raw) if key else NotMine(raw)
        if declaration.kind == "tag_reader":
            return self._tag(tag or "", groups.get("antenna"), raw, checked)
        if declaration.kind == "scale":
            return self._weight(groups, raw)
        return self._length(groups, raw)

    def _tag(self, text: str, antenna: str | None, raw: bytes, checked: bool) -> Outcome:
        tags = self._declaration.tags
        assert tags is not None
        try:
            code = find_tags(text, tags.forms)
        except TagCodeError as fault:
            return TagRefused(str(fault), raw)
        return NotMine(raw) if code is None else TagSeen(code.text, raw, checked, antenna)

    def _weight(self, groups: dict[str, str | None], raw: bytes) -> Outcome:
        meaning = None
        if "state" in groups:
            token = (groups["state"] or "").strip()
            meaning = self._token_meaning.get(token)
            if meaning is None:
                return Damaged(
                    Damage.FORM, f"the state {token!r} is not in the instrument file: add it to [states]", raw
                )
            if meaning in ("overload", "underload", "no_value"):
                return ScaleTrouble(Trouble(meaning), 0, raw)
        if not (groups.get("value") or "").strip():
            return ScaleTrouble(Trouble.NO_VALUE, 0, raw)
        measured = _measured(groups, self._measure, _G)
        if isinstance(measured, str):
            return Damaged(Damage.FORM, measured, raw)
        weight_g, division_g, unit = measured
        stable = {"stable": True, "unstable": False}.get(meaning or "")
        return WeightSeen(float(weight_g), unit, stable, raw, float(division_g))

    def _length(self, groups: dict[str, str | None], raw: bytes) -> Outcome:
        if not (groups.get("value") or "").strip():
            return NotMine(raw)
        measured = _measured(groups, self._measure, _MM)
        if isinstance(measured, str):
            return Damaged(Damage.FORM, measured, raw)
        length_mm, division_mm, unit = float(measured[0]), float(measured[1]), measured[2]
        ruler_max_mm = self._measure.ruler_max_mm
        if length_mm < 0:
            return Damaged(Damage.FORM, f"a length of {length_mm:g} mm is less than nothing", raw)
        if length_mm == 0:
            return NotMine(raw)
        if ruler_max_mm is not None and length_mm > ruler_max_mm:
            for zone in self._declaration.key_zones:
                if zone.from_mm <= length_mm < zone.to_mm:
                    return KeySeen(zone.key, raw)
            detail = f"{length_mm:g} mm is beyond the ruler ({ruler_max_mm:g} mm) and in no key zone"
            return Damaged(Damage.FORM, detail, raw)
        return LengthSeen(length_mm, unit, raw, division_mm)

    @property
    def _measure(self) -> Measure:
        assert self._declaration.measure is not None  # the declaration refuses a scale or a board without
        return self._declaration.measure

    def _vouched(self, data: bytes) -> bool:
        """Whether the line itself proves that its beginning is there."""
        if self._declaration.checksum is not None:
            return True
        return STX in data and STX in data[: len(data) - len(data.lstrip(_LEAD))]

    def _continues(self, head: bytes, tail: bytes) -> bool:
        """Whether what came before the pause can be the beginning of this line: 41 + 2.3 must never become
        2.3."""
        for start in range(len(head)):
            if head[start:].strip(BLANK):
                outcome = self._judge(head[start:] + tail)
                if not isinstance(outcome, NotMine | Damaged | None):
                    return True
        return False


Measured = tuple[Decimal, Decimal, str]


def _measured(
    groups: dict[str, str | None], measure: Measure, units: Mapping[str, Decimal]
) -> Measured | str:
    """(value, division, unit as sent), value and division in mm or g by `units`; or why it is no measure."""
    shown = (groups.get("unit") or "").strip()
    unit = shown.lower()
    unit = _SPELLINGS.get(unit, unit) or measure.unit
    if unit not in units:
        return f"{shown!r} is no unit; known are {', '.join(units)}"
    number = _number(groups["value"] or "", measure.decimal_comma)
    if number is None:
        return f"{groups['value']!r} is no number of at most 7 digits and 5 decimals"
    ounces = groups.get("ounces")
    if ounces is not None:
        more = _number(ounces, measure.decimal_comma)
        if more is None or more >= _OUNCES_A_POUND:
            return f"{ounces!r} is no number of ounces below 16"
        number, unit = number * _OUNCES_A_POUND + more, "oz"
    sign = (groups.get("sign") or "").strip()
    if sign not in ("", "+", "-"):
        return f"{sign!r} is no sign"
    scale = measure.factor * units[unit]
    exponent = number.as_tuple().exponent
    assert isinstance(exponent, int)  # the number pattern knows no nan and no infinity
    value = number * scale
    return (-value if sign == "-" else value), Decimal(measure.step).scaleb(exponent) * scale, unit


def _number(text: str, decimal_comma: bool) -> Decimal | None:
    text = text.strip()
    if decimal_comma:
        text = text.replace(".", "x").replace(",", ".")
    return Decimal(text) if _NUMBER.fullmatch(text) else None


def _noise(data: bytes) -> Damaged | None:
    """What a wrong speed makes of a line: mostly no text. The journal keeps the bytes, the message shows a
    few."""
    odd = len(data.translate(None, _PRINTABLE + b"\r\n\x02\x03"))
    if odd < _LEAST_NOISE_BYTES or odd <= _NOISE_SHARE * len(data):
        return None
    share = 100 * (len(data) - odd) // len(data)
    return Damaged(
        Damage.SPEED, f"only {share} % of it is text ({data[-8:].hex(' ')}): speed or cable?", data
    )


def _bad_bytes(line: bytes, data: bytes) -> Damaged:
    bad = line.translate(None, _PRINTABLE)
    count = f"{len(bad)} bytes are" if len(bad) > 1 else "a byte is"
    return Damaged(Damage.FORM, f"{count} no text ({bad[:8].hex(' ')}): parity or cable?", data)


def _fragment(data: bytes, detail: str) -> Damaged:
    return Damaged(Damage.FRAGMENT, detail, data)
