"""NMEA 0183 sentences -> positions and water temperatures.

Understood are GGA, RMC and GLL (position) and MTW (water temperature) of any talker; depths (DPT, DBT) and
all else are clean lines that say nothing here. A check is required. A sentence without a valid fix is no
position: latitude and longitude 0 are a place, so an empty or void fix must never become them.

Field order: NMEA 0183 as described by the receivers' manuals and the underway-data notes of CalCOFI; the
fix qualities and mode letters are common practice.
"""

import re
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Final

from drivers.declaration import Checksum, Declaration
from drivers.lines import LineDecoder
from drivers.outcomes import KeySeen, NotMine, Outcome, Piece, PositionSeen, TemperatureSeen

_CHECK: Final = Checksum(form="xor8", separator="*", skip_first=1)
_SENTENCE: Final = re.compile(r"[A-Z]{2}(?P<type>[A-Z]{3}),(?P<fields>.*)", re.ASCII)
_LATITUDE: Final = re.compile(r"(?P<deg>[0-9]{2})(?P<min>[0-5][0-9](?:\.[0-9]{1,8})?)", re.ASCII)
_LONGITUDE: Final = re.compile(r"(?P<deg>[0-9]{3})(?P<min>[0-5][0-9](?:\.[0-9]{1,8})?)", re.ASCII)
_TEMPERATURE: Final = re.compile(r"[+-]?[0-9]{1,2}(?:\.[0-9]{1,4})?", re.ASCII)
_HDOP: Final = re.compile(r"[0-9]{1,3}(?:\.[0-9]{1,4})?", re.ASCII)
_TIME: Final = re.compile(r"(?P<hms>[0-9]{6})(?:\.(?P<fraction>[0-9]{1,6}))?", re.ASCII)
_MEASURED_FIX: Final = frozenset("12345")  # 0 none, 6 dead reckoning, 7 typed in, 8 simulated
_MEASURED_MODE: Final = frozenset("ADFPR")  # autonomous, differential, float, precise, real-time; not N E M S


class NmeaDecoder:
    """The decoder of one navigation instrument. It remembers nothing from one piece to the next."""

    def __init__(self, declaration: Declaration) -> None:
        sentence = Declaration(
            name="nmea_sentence",
            kind="keys",
            summary="Any sentence that begins with $ and bears its check",
            patterns=(r"\$(?P<key>.*)",),
            frame=declaration.frame,
            checksum=_CHECK,
        )
        self._lines = LineDecoder(sentence)

    def decode(self, piece: Piece) -> list[Outcome]:
        """What the piece says: one outcome, or none for an empty line."""
        return [
            _sentence(outcome.key, outcome.raw) if isinstance(outcome, KeySeen) else outcome
            for outcome in self._lines.decode(piece)
        ]


def _sentence(text: str, raw: bytes) -> Outcome:
    match = _SENTENCE.fullmatch(text)
    if match is None:
        return NotMine(raw)
    fields = match["fields"].split(",")
    reading: Outcome | None = None
    if match["type"] == "GGA":
        reading = _gga(fields, raw)
    elif match["type"] == "RMC":
        reading = _rmc(fields, raw)
    elif match["type"] == "GLL":
        reading = _gll(fields, raw)
    elif match["type"] == "MTW":
        reading = _mtw(fields, raw)
    return NotMine(raw) if reading is None else reading


def _gga(fields: Sequence[str], raw: bytes) -> PositionSeen | None:
    """time, latitude, N/S, longitude, E/W, fix quality, satellites, HDOP, ..."""
    if len(fields) < 8 or fields[5] not in _MEASURED_FIX:
        return None
    hdop = float(fields[7]) if _HDOP.fullmatch(fields[7]) else None
    return _position(fields[1:5], raw, hdop=hdop)


def _rmc(fields: Sequence[str], raw: bytes) -> PositionSeen | None:
    """time, status, latitude, N/S, longitude, E/W, speed, course, date, variation, E/W, mode (since 2.3)"""
    if len(fields) < 9 or fields[1] != "A" or not _measured(fields[11:12]):
        return None
    return _position(fields[2:6], raw, fix_utc=_utc(fields[8], fields[0]))


def _gll(fields: Sequence[str], raw: bytes) -> PositionSeen | None:
    """latitude, N/S, longitude, E/W, time, status, mode (since 2.3)"""
    if len(fields) < 6 or fields[5] != "A" or not _measured(fields[6:7]):
        return None
    return _position(fields[0:4], raw)


def _mtw(fields: Sequence[str], raw: bytes) -> TemperatureSeen | None:
    """degrees, C"""
    if len(fields) < 2 or fields[1] != "C" or not _TEMPERATURE.fullmatch(fields[0]):
        return None
    return TemperatureSeen(float(fields[0]), raw)


def _measured(mode: Sequence[str]) -> bool:
    """Whether the mode letter, in sentences that have one, speaks of a measured fix."""
    return not mode or mode[0] in ("", *_MEASURED_MODE)


def _position(
    fields: Sequence[str], raw: bytes, fix_utc: str | None = None, hdop: float | None = None
) -> PositionSeen | None:
    """ddmm.mmmm, N/S, dddmm.mmmm, E/W"""
    latitude, north, longitude, east = fields
    lat, lon = _LATITUDE.fullmatch(latitude), _LONGITUDE.fullmatch(longitude)
    if lat is None or lon is None or north not in ("N", "S") or east not in ("E", "W"):
        return None
    lat_deg, lon_deg = (int(one["deg"]) + float(one["min"]) / 60 for one in (lat, lon))
    if lat_deg > 90 or lon_deg > 180:
        return None
    return PositionSeen(
        lat_deg if north == "N" else -lat_deg, lon_deg if east == "E" else -lon_deg, raw, fix_utc, hdop
    )


def _utc(date: str, time: str) -> str | None:
    """ddmmyy and hhmmss.sss as RFC 3339; None if they are no date. The year is taken to be 20yy."""
    match = _TIME.fullmatch(time)
    if match is None or not re.fullmatch("[0-9]{6}", date, re.ASCII):
        return None
    try:
        moment = datetime.strptime(date + match["hms"], "%d%m%y%H%M%S").replace(tzinfo=UTC)
    except ValueError:
        return None
    moment = moment.replace(year=2000 + moment.year % 100)
    fraction = f".{match['fraction']}" if match["fraction"] else ""
    return f"{moment:%Y-%m-%dT%H:%M:%S}{fraction}Z"
