"""Raw telegrams of tags, bit by bit: checked, read, and built from a code (the simulator needs that).

A telegram is a text of the characters 0 and 1 in order of arrival. `decode_telegram` takes it as packed
bytes.

FDX-B (ISO 11785): a ring of 128 bits. Header 1 and ten 0; then 13 times a control bit 1 and 8 payload bits.
Payload: 64 bits of the code, 16 of CRC, 24 of trailer; every field but the CRC goes lowest bit first. CRC:
generator 0x1021, start 0, no final xor, over the 64 code bits in order of arrival, sent highest bit first:
the same as `crc_hqx`. It does not cover the trailer. Sources: protocol_fdx_b.c of an open RFID multi-tool
firmware, cmdlffdxb.c and crc16.c of an open RFID research tool (layout, CRC); checked on three published
telegrams.

HDX (ISO 11785), unproven: start byte 01111110, 64 bits of the code, 16 of CRC. Order of the fields from an
engineering thesis on a weighbridge for penguins, section 5.3; never checked against a recording. A trailer is
not expected.

40-bit tags of 125 kHz: 64 bits. Nine 1; ten rows of 4 data bits and an even row parity; 4 even
column parities; stop bit 0. Source: the notes "rfid-packet" of nigh.github.io.
"""

from binascii import crc_hqx
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType
from typing import Final

from drivers.outcomes import TagRefused, TagSeen
from drivers.tags import TagCode, TagCodeError, TagForm, id40_code, iso_code_from_id64, write_tag


class TelegramKind(StrEnum):
    FDX_B = "fdx_b"
    HDX = "hdx"
    ID40 = "id40"


class BitOrder(StrEnum):
    """Which bit of a byte arrived first when a reader packed a telegram."""

    MSB_FIRST = "msb_first"
    LSB_FIRST = "lsb_first"


class TelegramError(ValueError):
    """A telegram is none, or is damaged. The message is one sentence."""


@dataclass(frozen=True, slots=True)
class Telegram:
    """A telegram whose checks all held. `trailer` (24 bits, only of FDX-B) is not covered by any check."""

    code: TagCode
    trailer: int | None = None


FDX_B_BITS: Final = 128
HDX_BITS: Final = 88
ID40_BITS: Final = 64
_FDX_B_HEADER: Final = "10000000000"
_HDX_START: Final = "01111110"
_ID40_HEADER: Final = "111111111"


def decode_telegram(data: bytes, kind: TelegramKind, order: BitOrder) -> TagSeen | TagRefused:
    """What the bytes of one whole telegram say (16 of FDX-B, 11 of HDX, 8 of a 40-bit tag). Never raises.

    A telegram that only makes sense in the other bit order is refused, and the reason says so.
    """
    try:
        code = _READERS[kind](unpack_bits(data, order)).code
    except (TelegramError, TagCodeError) as error:
        return TagRefused(_with_hint(str(error), data, kind, order), data)
    return TagSeen(code.text, data, checked=True)


def read_fdx_b(bits: str) -> Telegram:
    """Read an FDX-B telegram that begins anywhere in its ring of 128 bits.

    Raises TelegramError if header, control bits or CRC are wrong, TagCodeError if its number is no tag code.
    """
    _demand_length(bits, FDX_B_BITS, "FDX-B")
    twice = bits + bits
    starts = [at for at in range(FDX_B_BITS) if twice.startswith(_FDX_B_HEADER, at)]
    if len(starts) != 1:
        raise _damaged("FDX-B", f"its header stands {len(starts)} times in it and not once")
    ring = twice[starts[0] : starts[0] + FDX_B_BITS]
    groups = [ring[at : at + 9] for at in range(len(_FDX_B_HEADER), FDX_B_BITS, 9)]
    for number, group in enumerate(groups, 1):
        if group[0] != "1":
            raise _damaged("FDX-B", f"control bit {number} of 13 is 0")
    payload = "".join(group[1:] for group in groups)
    id64 = _checked_id64(payload[:64], payload[64:80], "FDX-B")
    return Telegram(iso_code_from_id64(id64), trailer=int(payload[:79:-1], 2))


def build_fdx_b(code: TagCode, *, trailer: int = 0) -> str:
    """The 128 bits of the FDX-B telegram of an ISO code, from its header on; `trailer` has 24 bits.

    Raises TagCodeError for a 40-bit code, TelegramError for a larger trailer.
    """
    if not 0 <= trailer < 1 << 24:
        raise TelegramError(f"The trailer {trailer} does not fit 24 bits; give 0 to 16777215.")
    payload = _id_and_crc(code) + f"{trailer:024b}"[::-1]
    return _FDX_B_HEADER + "".join(f"1{payload[at : at + 8]}" for at in range(0, len(payload), 8))


def read_hdx(bits: str) -> Telegram:
    """Read the 88 bits of an HDX telegram. The layout is unproven (see above).

    Raises TelegramError if start byte or CRC are wrong, TagCodeError if its number is no tag code.
    """
    _demand_length(bits, HDX_BITS, "HDX")
    if not bits.startswith(_HDX_START):
        raise _damaged("HDX", f"it starts with {bits[:8]} and not with {_HDX_START}")
    return Telegram(iso_code_from_id64(_checked_id64(bits[8:72], bits[72:88], "HDX")))


def build_hdx(code: TagCode) -> str:
    """The 88 bits of the HDX telegram of an ISO code (unproven); TagCodeError for a 40-bit code."""
    return _HDX_START + _id_and_crc(code)


def read_id40(bits: str) -> Telegram:
    """Read the 64 bits of the frame of a 40-bit tag, from its header on.

    It is not looked for at other rotations: its parities are so weak that one wrong bit can make the whole
    frame of another code begin somewhere else in the ring.

    Raises TelegramError if header, stop bit or a parity is wrong.
    """
    _demand_length(bits, ID40_BITS, "40-bit")
    if not bits.startswith(_ID40_HEADER):
        raise _damaged("40-bit", f"it starts with {bits[:9]} and not with {_ID40_HEADER}")
    rows = [bits[at : at + 5] for at in range(len(_ID40_HEADER), 59, 5)]
    for number, row in enumerate(rows, 1):
        if row.count("1") % 2:
            raise _damaged("40-bit", f"the parity of row {number} of 10 is wrong")
    for number in range(4):
        if ("".join(row[number] for row in rows) + bits[59 + number]).count("1") % 2:
            raise _damaged("40-bit", f"the parity of column {number + 1} of 4 is wrong")
    if bits[-1] != "0":
        raise _damaged("40-bit", "its stop bit is 1")
    return Telegram(id40_code(int("".join(row[:4] for row in rows), 2)))


def build_id40(code: TagCode) -> str:
    """The 64 bits of the frame of a 40-bit code, from its header on; TagCodeError for an ISO code."""
    rows = [f"{int(digit, 16):04b}" for digit in write_tag(code, TagForm.ID40_HEX)]
    columns = ["".join(row[number] for row in rows) for number in range(4)]
    return _ID40_HEADER + "".join(row + _even(row) for row in rows) + "".join(map(_even, columns)) + "0"


def pack_bits(bits: str, order: BitOrder) -> bytes:
    """Bits in order of arrival as bytes; a last byte that is not full is filled with 0."""
    octets = [bits[at : at + 8].ljust(8, "0") for at in range(0, len(bits), 8)]
    return bytes(int(octet if order is BitOrder.MSB_FIRST else octet[::-1], 2) for octet in octets)


def unpack_bits(data: bytes, order: BitOrder) -> str:
    """The bits of packed bytes in order of arrival."""
    octets = [f"{byte:08b}" for byte in data]
    return "".join(octet if order is BitOrder.MSB_FIRST else octet[::-1] for octet in octets)


_READERS: Final[Mapping[TelegramKind, Callable[[str], Telegram]]] = MappingProxyType(
    {TelegramKind.FDX_B: read_fdx_b, TelegramKind.HDX: read_hdx, TelegramKind.ID40: read_id40}
)


def _with_hint(why: str, data: bytes, kind: TelegramKind, order: BitOrder) -> str:
    other = BitOrder.LSB_FIRST if order is BitOrder.MSB_FIRST else BitOrder.MSB_FIRST
    try:
        code = _READERS[kind](unpack_bits(data, other)).code
    except (TelegramError, TagCodeError):
        return why
    return (
        f"The telegram reads as {code.text} with its bits {other}, and not as {order}; "
        "check the bit order in the settings of the reader."
    )


def _demand_length(bits: str, length: int, name: str) -> None:
    if len(bits) != length or bits.strip("01"):
        raise TelegramError(
            f"{len(bits)} bits are no {name} telegram, which has {length}; "
            "read the tag again, or check the kind of telegram in the settings of the reader."
        )


def _id_and_crc(code: TagCode) -> str:
    id_bits = f"{code.id64():064b}"[::-1]
    return id_bits + f"{_crc(id_bits):016b}"


def _checked_id64(id_bits: str, crc_bits: str, name: str) -> int:
    if (computed := _crc(id_bits)) != int(crc_bits, 2):
        raise _damaged(name, f"its CRC is {int(crc_bits, 2):04X}, computed {computed:04X}")
    return int(id_bits[::-1], 2)


def _crc(id_bits: str) -> int:
    return crc_hqx(pack_bits(id_bits, BitOrder.MSB_FIRST), 0)


def _even(bits: str) -> str:
    return str(bits.count("1") % 2)


def _damaged(name: str, detail: str) -> TelegramError:
    return TelegramError(f"The {name} telegram is damaged: {detail}; read the tag again.")
