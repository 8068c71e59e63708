"""What a HID report descriptor says about the input reports of a device.

Source: Device Class Definition for Human Interface Devices (HID) 1.11 (USB-IF, 2001), sections 5 and 6.2.2.
Only what locates a field is kept: no physical units, no output or feature reports.
"""

from dataclasses import dataclass, replace
from typing import Final

# Far beyond any instrument; a damaged descriptor must not make the parser work for ever.
MOST_BYTES: Final = 4096
_MOST_BITS: Final = 8 * 4096
_MOST_FIELDS: Final = 512
_MOST_USAGES: Final = 1024
_MOST_DEPTH: Final = 32

_MAIN, _GLOBAL, _LOCAL = 0, 1, 2
_INPUT, _COLLECTION, _END_COLLECTION = 0x8, 0xA, 0xC
_PAGE, _LOGICAL_MIN, _LOGICAL_MAX, _SIZE, _ID, _COUNT, _PUSH, _POP = 0x0, 0x1, 0x2, 0x7, 0x8, 0x9, 0xA, 0xB
_USAGE, _USAGE_MIN, _USAGE_MAX = 0x0, 0x1, 0x2
_LONG_ITEM = 0xFE
_CONSTANT, _VARIABLE = 0x01, 0x02


class DescriptorError(ValueError):
    """Bytes that are no report descriptor. One sentence."""


@dataclass(frozen=True, slots=True)
class InputField:
    """One run of `count` equal values of an input report.

    `bit` is the place of the first value, counted from the least significant bit of the byte after the
    report id (report 0: of the first byte). Usages are page * 65536 + id. An array field (`variable` false)
    holds indices: value v means usage number v - `logical_min`. `within` are the usages of the collections
    around the field, outermost first.
    """

    report_id: int
    bit: int
    size_bits: int
    count: int
    constant: bool
    variable: bool
    usages: tuple[int, ...]
    logical_min: int
    within: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class ReportDescriptor:
    """`pages` are all usage pages that the descriptor names. `numbered`: reports begin with their id."""

    inputs: tuple[InputField, ...]
    pages: frozenset[int]
    numbered: bool

    def input_bytes(self, report_id: int) -> int:
        """Size of the whole input report, its id included; 0 if there is no such report."""
        bits = [one.bit + one.size_bits * one.count for one in self.inputs if one.report_id == report_id]
        return (max(bits) + 7) // 8 + self.numbered if bits else 0

    @property
    def longest_input_bytes(self) -> int:
        return max((self.input_bytes(one.report_id) for one in self.inputs), default=0)


@dataclass(frozen=True, slots=True)
class _Globals:
    page: int = 0
    logical_min: int = 0
    size_bits: int = 0
    report_id: int = 0
    count: int = 0


class _Parser:
    """Walks over the items once; the state of HID 1.11 section 5.4: global items last, local ones end with
    each main item."""

    def __init__(self) -> None:
        self.inputs: list[InputField] = []
        self.pages: set[int] = set()
        self._globals = _Globals()
        self._pushed: list[_Globals] = []
        self._usages: list[tuple[int, int]] = []  # value, size of the item in bytes
        self._usage_min: tuple[int, int] | None = None
        self._within: list[int] = []
        self._bits: dict[int, int] = {}

    def item(self, kind: int, tag: int, data: bytes) -> None:
        if kind == _GLOBAL:
            self._global(tag, data)
        elif kind == _LOCAL:
            self._local(tag, data)
        elif kind == _MAIN:
            self._main(tag, int.from_bytes(data, "little"))

    def end(self) -> ReportDescriptor:
        if self._within:
            raise DescriptorError("a collection of the report descriptor is never closed")
        numbered = any(one.report_id for one in self.inputs)
        return ReportDescriptor(tuple(self.inputs), frozenset(self.pages), numbered)

    def _global(self, tag: int, data: bytes) -> None:
        value = int.from_bytes(data, "little")
        now = self._globals
        if tag == _PAGE:
            self.pages.add(value)
            now = replace(now, page=value & 0xFFFF)
        elif tag == _LOGICAL_MIN:
            now = replace(now, logical_min=int.from_bytes(data, "little", signed=True))
        elif tag == _SIZE:
            now = replace(now, size_bits=value)
        elif tag == _ID:
            if not 1 <= value <= 0xFF:
                raise DescriptorError(f"the report descriptor names a report {value}; ids are 1 to 255")
            now = replace(now, report_id=value)
        elif tag == _COUNT:
            now = replace(now, count=value)
        elif tag == _PUSH:
            self._pushed.append(now)
        elif tag == _POP:
            if not self._pushed:
                raise DescriptorError("the report descriptor takes back what it never put aside")
            now = self._pushed.pop()
        self._globals = now
        if len(self._pushed) > _MOST_DEPTH:
            raise DescriptorError("the report descriptor is nested too deeply")

    def _local(self, tag: int, data: bytes) -> None:
        value = int.from_bytes(data, "little")
        if tag == _USAGE:
            self._usages.append((value, len(data)))
        elif tag == _USAGE_MIN:
            self._usage_min = value, len(data)
        elif tag == _USAGE_MAX and self._usage_min is not None:
            first, size = self._usage_min
            if not 0 <= value - first < _MOST_USAGES:
                raise DescriptorError(f"the report descriptor has a usage range {first:#x} to {value:#x}")
            self._usages += [(usage, size) for usage in range(first, value + 1)]
            self._usage_min = None
        if len(self._usages) > _MOST_USAGES:
            raise DescriptorError("the report descriptor names too many usages for one field")

    def _main(self, tag: int, value: int) -> None:
        usages = tuple(self._whole(usage, size) for usage, size in self._usages)
        self._usages, self._usage_min = [], None
        if tag == _INPUT:
            self._input(value, usages)
        elif tag == _COLLECTION:
            self._within.append(usages[0] if usages else 0)
            if len(self._within) > _MOST_DEPTH:
                raise DescriptorError("the report descriptor is nested too deeply")
        elif tag == _END_COLLECTION:
            if not self._within:
                raise DescriptorError("the report descriptor closes a collection that it never opened")
            self._within.pop()

    def _input(self, flags: int, usages: tuple[int, ...]) -> None:
        now = self._globals
        bit = self._bits.get(now.report_id, 0)
        if now.size_bits * now.count == 0:
            return
        if now.size_bits * now.count > _MOST_BITS - bit or len(self.inputs) >= _MOST_FIELDS:
            raise DescriptorError(
                f"the report descriptor has a field of {now.count} times {now.size_bits} bits"
            )
        self._bits[now.report_id] = bit + now.size_bits * now.count
        self.inputs.append(
            InputField(
                report_id=now.report_id,
                bit=bit,
                size_bits=now.size_bits,
                count=now.count,
                constant=bool(flags & _CONSTANT),
                variable=bool(flags & _VARIABLE),
                usages=usages,
                logical_min=now.logical_min,
                within=tuple(self._within),
            )
        )

    def _whole(self, usage: int, size: int) -> int:
        """A usage of four bytes carries its page, a shorter one takes the page at its main item."""
        return usage if size == 4 else self._globals.page << 16 | usage


def parse_report_descriptor(data: bytes) -> ReportDescriptor:
    """Read a report descriptor. Raises DescriptorError, nothing else, whatever the bytes are."""
    if len(data) > MOST_BYTES:
        raise DescriptorError(f"a report descriptor of {len(data)} bytes is longer than any")
    parser = _Parser()
    at = 0
    while at < len(data):
        prefix = data[at]
        if prefix == _LONG_ITEM:
            if at + 2 >= len(data):
                raise DescriptorError("the report descriptor breaks off in a long item")
            at += 3 + data[at + 1]
            continue
        size = (0, 1, 2, 4)[prefix & 3]
        item = data[at + 1 : at + 1 + size]
        if len(item) < size:
            raise DescriptorError("the report descriptor breaks off in the middle of an item")
        parser.item(prefix >> 2 & 3, prefix >> 4, item)
        at += 1 + size
    return parser.end()
