"""The word for the kind of code that a barcode or QR reader may put before the text: "]Q1UNDO" is UNDO.

Source: ISO/IEC 15424, data carrier identifiers: "]", a code letter (A Code 39, C Code 128, d Data Matrix,
E EAN/UPC, Q QR), and a modifier of one character.
"""

import re
from dataclasses import replace
from typing import Final

from drivers.framing import BLANK, STX
from drivers.lines import LineDecoder
from drivers.outcomes import KeySeen, Outcome, Piece, TagSeen

_PREFIX: Final = re.compile(rb"([" + re.escape(BLANK + STX) + rb"]*)(\][A-Za-z][0-9A-Za-z])(?=.)", re.DOTALL)


def split_symbology(data: bytes) -> tuple[str | None, bytes]:
    """The prefix, if there is one with something after it, and the bytes without it. Taken off once only."""
    match = _PREFIX.match(data)
    if match is None:
        return None, data
    return match[2].decode("ascii"), match[1] + data[match.end() :]


class SymbologyDecoder:
    """A `LineDecoder` that sees the line without the prefix; the outcomes keep it, and all bytes."""

    def __init__(self, lines: LineDecoder) -> None:
        self._lines = lines

    def decode(self, piece: Piece) -> list[Outcome]:
        symbology, rest = split_symbology(piece.data)
        if symbology is None:
            return self._lines.decode(piece)
        outcomes: list[Outcome] = []
        for outcome in self._lines.decode(replace(piece, data=rest)):
            if isinstance(outcome, KeySeen | TagSeen):
                outcome = replace(outcome, symbology=symbology)
            outcomes.append(replace(outcome, raw=piece.data))
        return outcomes
