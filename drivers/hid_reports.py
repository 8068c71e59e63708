"""How the reports of a USB HID instrument stand in the journal: one report a piece, as it came.

The first piece after each opening is what the instrument says of itself: the control request for its report
descriptor as it goes over the bus (setup packet of 8 bytes: 81 06 00 22, interface, length; USB HID 1.11,
section 7.1.1) followed by the answer. So a replay knows the layout of the reports from the journal alone.
"""

import struct
from collections.abc import Mapping
from typing import Final

from drivers.framing import Scalar
from drivers.outcomes import Damage, Damaged, Piece

_SETUP: Final = struct.Struct("<BBHHH")
_DEVICE_TO_HOST_INTERFACE: Final = 0x81
_GET_DESCRIPTOR: Final = 0x06
_REPORT_DESCRIPTOR: Final = 0x2200

STALE_S: Final = 0.2
"""A USB device (or its driver) keeps reports while nobody reads and hands out the oldest first: what comes
within this time after opening may be old (measured with a stalled reader; the time is common practice)."""


def descriptor_piece(interface: int, descriptor: bytes) -> bytes:
    """The piece that carries the report descriptor of an interface."""
    setup = _SETUP.pack(
        _DEVICE_TO_HOST_INTERFACE, _GET_DESCRIPTOR, _REPORT_DESCRIPTOR, interface, len(descriptor)
    )
    return setup + descriptor


def descriptor_in(data: bytes) -> bytes | None:
    """The report descriptor that this piece carries, or None if it is a report."""
    if len(data) <= _SETUP.size:
        return None
    kind, request, value, _interface, length = _SETUP.unpack_from(data)
    if (kind, request, value) != (_DEVICE_TO_HOST_INTERFACE, _GET_DESCRIPTOR, _REPORT_DESCRIPTOR):
        return None
    return data[_SETUP.size :] if length == len(data) - _SETUP.size else None


def too_long(piece: Piece) -> list[Damaged]:
    """What to say of a report longer than the instrument file allows."""
    detail = f"a report of {len(piece.data)} bytes: another instrument on this port, or `frame.max_bytes`?"
    return [Damaged(Damage.TOO_LONG, detail, piece.data)]


class ReportCutter:
    """Cuts nothing: each call brings one whole report. Has the face of `drivers.framing.Framer`."""

    def __init__(self, max_bytes: int) -> None:
        self._max_bytes = max_bytes

    def cut(self, data: bytes, t_s: float) -> list[Piece]:
        """One piece for each report; none for no bytes, which USB gives for "nothing new"."""
        if not data:
            return []
        overlong = len(data) > self._max_bytes and descriptor_in(data) is None
        return [Piece(data, t_s, ended=not overlong, too_long=overlong)]

    def tick(self, t_s: float) -> list[Piece]:
        return []

    def hang_up(self, t_s: float) -> list[Piece]:
        return []

    def opened(self, t_s: float) -> None:
        pass

    def next_deadline_s(self) -> float | None:
        return None

    def state(self) -> dict[str, Scalar]:
        return {}

    def restore(self, state: Mapping[str, Scalar]) -> None:
        pass
