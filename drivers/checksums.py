"""Check characters of text lines: split them off, and say whether they fit.

A closed set of forms; none of them is proof against everything (an 8-bit sum misses 1 of 256 random
damages), so the strict line pattern comes after it all the same.
"""

import binascii
import functools
import operator
import re
from dataclasses import dataclass

from drivers.declaration import Checksum

_HEX = re.compile(rb"[0-9A-Fa-f]+")
STX = b"\x02"


def compute(form: str, data: bytes) -> int:
    """The check number of `data`: 8 bits for xor8, sum8 and sum8_complement (two's complement), 16 bits for
    the CRCs.

    crc16_xmodem and crc16_ccitt_false: generator 0x1021, not reflected, start 0 and 0xFFFF; that is
    `binascii.crc_hqx` (Python library reference), check values for "123456789" 31C3 and 29B1.
    """
    if form == "xor8":
        return functools.reduce(operator.xor, data, 0)
    if form == "sum8":
        return sum(data) & 0xFF
    if form == "sum8_complement":
        return -sum(data) & 0xFF
    if form == "crc16_xmodem":
        return binascii.crc_hqx(data, 0)
    if form == "crc16_ccitt_false":
        return binascii.crc_hqx(data, 0xFFFF)
    raise ValueError(f"{form!r} is no checksum form")


def width_bytes(form: str) -> int:
    return 2 if form.startswith("crc16") else 1


@dataclass(frozen=True, slots=True)
class Checked:
    """`text` is the line without its check; `fault` says in one sentence why the check does not hold (None:
    it holds)."""

    text: bytes
    fault: str | None
    missing: bool = False  # nothing at the check's place looks like a check


def verify(line: bytes, rule: Checksum) -> Checked:
    """Check one line, given without line ends and without STX and ETX around it."""
    width = width_bytes(rule.form) * (2 if rule.written == "hex" else 1)
    separator = rule.separator.encode("latin-1", "replace")
    given, rest = line[-width:], line[:-width]
    if (
        len(given) < width
        or not rest.endswith(separator)
        or (rule.written == "hex" and not _HEX.fullmatch(given))
    ):
        return Checked(line, f"no {rule.form} check at the end of the line", missing=True)
    text = rest[: len(rest) - len(separator)]
    covered = (STX if rule.covers_stx else b"") + text[rule.skip_first :]
    covered += separator if rule.covers_separator else b""
    expected = compute(rule.form, covered).to_bytes(width_bytes(rule.form), rule.byte_order)
    received = bytes.fromhex(given.decode("ascii")) if rule.written == "hex" else given
    if received != expected:
        return Checked(
            text, f"the line says {received.hex().upper()}, its {rule.form} is {expected.hex().upper()}"
        )
    return Checked(text, None)
