"""Reports of a USB weighing instrument (HID usage page 0x8D) -> weights.

Source: HID Point of Sale Usage Tables 1.02 (USB-IF, 2001), now the section "Scales" of the HID Usage Tables.
The status decides: only "weight stable" is a weight. The number in a report is unsigned, its sign stands in
the status alone ("under zero"). Where the fields lie is read from the report descriptor.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from types import MappingProxyType
from typing import Final

from drivers.declaration import Declaration
from drivers.framing import Scalar
from drivers.hid_descriptor import DescriptorError, InputField, ReportDescriptor, parse_report_descriptor
from drivers.hid_reports import STALE_S, descriptor_in, too_long
from drivers.outcomes import Damage, Damaged, NotMine, Outcome, Piece, ScaleTrouble, Trouble, WeightSeen

PAGE: Final = 0x8D
_PAGE_BITS: Final = PAGE << 16
_OTHER_REPORTS: Final = frozenset(_PAGE_BITS | usage for usage in (0x30, 0x31, 0x33, 0x34, 0x35))
_DATA_REPORT: Final = _PAGE_BITS | 0x32
_WEIGHT: Final = _PAGE_BITS | 0x40
_SCALING: Final = _PAGE_BITS | 0x41
_UNIT: Final = _PAGE_BITS | 0x50  # 0x51 to 0x5C are the units themselves, in the order of `_UNITS`
_STATUS: Final = _PAGE_BITS | 0x70  # 0x71 to 0x78 are the statuses themselves

FAULT, AT_ZERO, IN_MOTION, STABLE, UNDER_ZERO, OVER_LIMIT, NEEDS_CALIBRATION, NEEDS_ZEROING = range(1, 9)
_NO_VALUE: Final = frozenset({FAULT, NEEDS_CALIBRATION, NEEDS_ZEROING})

# Unit code -> name and grams. Exact by definition (pound 1959: 453.59237 g, its grain 1/7000, troy ounce 480
# grains, pennyweight 24 grains, short ton 2000 lb; metric carat 0.2 g). The tael (5) is not one fixed mass.
_UNITS: Final[Mapping[int, tuple[str, Decimal]]] = MappingProxyType(
    {
        1: ("mg", Decimal("0.001")),
        2: ("g", Decimal(1)),
        3: ("kg", Decimal(1000)),
        4: ("ct", Decimal("0.2")),
        6: ("gr", Decimal("0.06479891")),
        7: ("dwt", Decimal("1.55517384")),
        8: ("t", Decimal(1_000_000)),
        9: ("ton", Decimal("907184.74")),
        10: ("ozt", Decimal("31.1034768")),
        11: ("oz", Decimal("28.349523125")),
        12: ("lb", Decimal("453.59237")),
    }
)
_MOST_EXPONENT: Final = 9


@dataclass(frozen=True, slots=True)
class _Place:
    """One value of a report. `codes`: usages of an array field by index; None if the value is the code."""

    bit: int
    size_bits: int
    first_index: int = 0
    codes: tuple[int, ...] | None = None

    def value(self, body: int) -> int:
        return body >> self.bit & ((1 << self.size_bits) - 1)

    def code(self, body: int, base: int) -> int:
        """The status or unit code; 0 if the value means none."""
        value = self.value(body)
        if self.codes is None:
            return value
        index = value - self.first_index
        return self.codes[index] - base if 0 <= index < len(self.codes) else 0


@dataclass(frozen=True, slots=True)
class ScaleLayout:
    """Where the data report has its four fields. `size` includes the report id (0: reports have none)."""

    report_id: int
    size: int
    status: _Place
    unit: _Place
    scaling: _Place
    weight: _Place


# By custom the data report is number 3: status, unit, power of ten, weight (least significant byte first).
_CUSTOMARY: Final = ScaleLayout(3, 6, _Place(0, 8), _Place(8, 8), _Place(16, 8), _Place(24, 16))


def scale_layout(descriptor: ReportDescriptor) -> ScaleLayout | None:
    """The data report of a weighing instrument; None if the descriptor tells of none that can be trusted.

    A descriptor of page 0x8D that does not name all four fields gets the customary report of 6 bytes,
    unless it contradicts it.
    """
    if PAGE not in descriptor.pages:
        return None
    fields = [one for one in descriptor.inputs if not one.constant and not _OTHER_REPORTS & set(one.within)]
    fields.sort(key=lambda one: _DATA_REPORT not in one.within)  # stable: the data report first
    for report_id in dict.fromkeys(one.report_id for one in fields):
        status, unit, scaling, weight = _places(fields, report_id)
        if status and unit and scaling and weight:
            size = descriptor.input_bytes(report_id)
            return ScaleLayout(report_id, size, status, unit, scaling, weight)
    customary_size = descriptor.input_bytes(_CUSTOMARY.report_id) == _CUSTOMARY.size
    if customary_size and descriptor.numbered and _as_by_custom(fields):
        return _CUSTOMARY
    return None


_KINDS: Final = ((_STATUS, _STATUS + 0xF), (_UNIT, _UNIT + 0xF), (_SCALING, _SCALING), (_WEIGHT, _WEIGHT))


def _places(fields: list[InputField], report_id: int) -> list[_Place | None]:
    """Status, unit, scaling and weight in this report, as far as its fields are named."""
    here = [one for one in fields if one.report_id == report_id]
    return [next((place for one in here if (place := _place(one, *kind))), None) for kind in _KINDS]


def _place(field: InputField, first: int, last: int) -> _Place | None:
    named = [first <= usage <= last for usage in field.usages]
    if field.variable or len(field.usages) == 1:
        if True not in named:
            return None
        index = named.index(True)
        # The last usage of a list stands for all values that follow (HID 1.11, 6.2.2.8): no single field then.
        if index >= field.count or (index == len(named) - 1 and index != field.count - 1):
            return None
        if field.usages[index] > first and first != last:
            return None  # a switch for each status or unit: not a code
        return _Place(field.bit + index * field.size_bits, field.size_bits)
    if all(named) and named and field.count == 1:
        return _Place(field.bit, field.size_bits, field.logical_min, field.usages)
    return None


def _as_by_custom(fields: list[InputField]) -> bool:
    """Whether what the descriptor names of report 3 lies where custom has it."""
    customary = (_CUSTOMARY.status, _CUSTOMARY.unit, _CUSTOMARY.scaling, _CUSTOMARY.weight)
    for field in fields:
        for (first, last), usual in zip(_KINDS, customary, strict=True):
            if field.report_id == _CUSTOMARY.report_id and any(
                first <= usage <= last for usage in field.usages
            ):
                place = _place(field, first, last)
                if place is None or (place.bit, place.size_bits) != (usual.bit, usual.size_bits):
                    return False
    return True


class HidScaleDecoder:
    """The decoder of one USB weighing instrument. It remembers the report descriptor.

    `WeightSeen` comes from status 4 (stable), 2 (centre of zero, stable, 0 g), 3 (in motion, not stable) and
    5 (under zero, negative: says nothing about rest). A `ScaleTrouble` from here has load 0, as from lines.
    """

    def __init__(self, declaration: Declaration) -> None:
        assert declaration.measure is not None  # the declaration refuses a scale without
        self._step = declaration.measure.step
        self._descriptor = b""
        self._layout: ScaleLayout | None = None
        self._fault = "its report descriptor never came: unplug it and plug it in again"
        self._opened_s: float | None = None

    def decode(self, piece: Piece) -> list[Outcome]:
        """What the piece says. Never raises; nothing for a report descriptor that can be used."""
        if not piece.data:
            return []
        if piece.too_long:
            return [*too_long(piece)]
        if (descriptor := descriptor_in(piece.data)) is not None:
            self._learn(descriptor)
            return [] if self._layout is not None else [_damaged(self._fault, piece.data)]
        if self._opened_s is not None and piece.t_s - self._opened_s < STALE_S:
            detail = "it came right after the port was opened and may be old"
            return [Damaged(Damage.STALE, detail, piece.data)]
        return [self._report(piece.data)]

    def opened(self, t_s: float) -> None:
        self._opened_s = t_s

    def hang_up(self) -> None:
        pass

    def tick(self, t_s: float) -> list[Outcome]:
        return []

    def next_deadline_s(self) -> float | None:
        return None

    def state(self) -> dict[str, Scalar]:
        return {"descriptor": self._descriptor.decode("latin-1"), "opened_s": self._opened_s}

    def restore(self, state: Mapping[str, Scalar]) -> None:
        opened_s = state["opened_s"]
        self._opened_s = None if opened_s is None else float(opened_s)
        if descriptor := str(state["descriptor"]).encode("latin-1"):
            self._learn(descriptor)

    def _learn(self, descriptor: bytes) -> None:
        self._descriptor = descriptor
        try:
            self._layout = scale_layout(parse_report_descriptor(descriptor))
            self._fault = (
                "its report descriptor tells of no weighing instrument (usage page 0x8D): "
                "another instrument on this port, or one with a report form of its own"
            )
        except DescriptorError as fault:
            self._layout, self._fault = None, str(fault)

    def _report(self, raw: bytes) -> Outcome:
        layout = self._layout
        if layout is None:
            return _damaged(self._fault, raw)
        if layout.report_id and raw[0] != layout.report_id:
            return NotMine(raw)
        if len(raw) < layout.size or raw[layout.size :].strip(b"\0"):
            return _damaged(f"{len(raw)} bytes are no whole report of {layout.size}", raw)
        body = int.from_bytes(raw[1 if layout.report_id else 0 : layout.size], "little")
        status = layout.status.code(body, _STATUS)
        if status == OVER_LIMIT:
            return ScaleTrouble(Trouble.OVERLOAD, 0, raw)
        if status in _NO_VALUE:
            return ScaleTrouble(Trouble.NO_VALUE, 0, raw)
        if status not in (AT_ZERO, IN_MOTION, STABLE, UNDER_ZERO):
            return _damaged(f"the status {layout.status.value(body)} is none of the standard", raw)
        return self._weight(layout, body, status, raw)

    def _weight(self, layout: ScaleLayout, body: int, status: int, raw: bytes) -> Outcome:
        unit = _UNITS.get(layout.unit.code(body, _UNIT))
        if unit is None:
            number = layout.unit.value(body)
            return _damaged(f"the unit {number} is no fixed mass of the standard: set the scale to g", raw)
        exponent = _signed(layout.scaling.value(body), layout.scaling.size_bits)
        if abs(exponent) > _MOST_EXPONENT:
            return _damaged(f"ten to the power of {exponent} is no scale's division", raw)
        number = layout.weight.value(body)
        if number >> (layout.weight.size_bits - 1):
            # Some scales mean a negative weight by this, against the standard.
            return _damaged(f"the number {number} may mean {_signed(number, layout.weight.size_bits)}", raw)
        if status == AT_ZERO and number:
            return _damaged(f"it says centre of zero and {number} at once", raw)
        name, grams = unit
        division_g = grams.scaleb(exponent)
        weight_g = number * division_g
        return WeightSeen(
            weight_g=float(-weight_g if status == UNDER_ZERO else weight_g),
            unit=name,
            stable={AT_ZERO: True, STABLE: True, IN_MOTION: False}.get(status),
            raw=raw,
            division_g=float(self._step * division_g),
        )


def _signed(value: int, size_bits: int) -> int:
    return value - (1 << size_bits) if value >> (size_bits - 1) else value


def _damaged(detail: str, raw: bytes) -> Damaged:
    return Damaged(Damage.FORM, detail, raw)
