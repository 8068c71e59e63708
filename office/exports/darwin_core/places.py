"""Where an event was, as exactly as its owner wants to tell. Degrees of WGS 84."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

_DATUM = "EPSG:4326"
_METRES_PER_DEGREE = 111_320.0  # of latitude, and of longitude on the equator; rounded up


@dataclass(frozen=True, slots=True)
class Coordinates:
    """How coordinates go out: exact, withheld, or as the middle of a cell of `cell_deg` degrees.

    A cell and not a random shift: a random shift of every visit averages out to the true place. After A. D. Chapman
    (2020), Current Best Practices for Generalizing Sensitive Species Occurrence Data, GBIF (from memory).
    """

    how: Literal["exact", "withheld", "cell"] = "exact"
    cell_deg: float = 0.0


def place_of(run: Mapping[str, Any], coordinates: Coordinates) -> dict[str, Any]:
    """The location terms of a run: its start, else its end; the line between them where coordinates are exact.

    What the receiver's error was is not known, so exact coordinates carry no uncertainty.
    """
    start = _point(run["start_lat_deg"], run["start_lon_deg"])
    end = _point(run["end_lat_deg"], run["end_lon_deg"])
    point = start or end
    if point is None:
        return {}
    if coordinates.how == "withheld":
        return {"informationWithheld": "coordinates withheld at the owner's wish"}
    if coordinates.how == "cell":
        return _generalised(point, coordinates.cell_deg)
    terms: dict[str, Any] = {
        "decimalLatitude": point[0],
        "decimalLongitude": point[1],
        "geodeticDatum": _DATUM,
    }
    if start and end and start != end:
        terms["footprintWKT"] = f"LINESTRING ({start[1]!r} {start[0]!r}, {end[1]!r} {end[0]!r})"
        terms["footprintSRS"] = _DATUM
    return terms


def _point(latitude: float | None, longitude: float | None) -> tuple[float, float] | None:
    return None if latitude is None or longitude is None else (latitude, longitude)


def _generalised(point: tuple[float, float], cell_deg: float) -> dict[str, Any]:
    south, west = (math.floor(value / cell_deg) * cell_deg for value in point)
    nearest_equator = 0.0 if south < 0 < south + cell_deg else min(abs(south), abs(south + cell_deg))
    high = cell_deg * _METRES_PER_DEGREE
    wide = high * math.cos(math.radians(nearest_equator))
    digits = max(0, math.ceil(-math.log10(cell_deg))) + 2
    return {
        "decimalLatitude": round(max(-90.0, min(90.0, south + cell_deg / 2)), digits),
        "decimalLongitude": round(max(-180.0, min(180.0, west + cell_deg / 2)), digits),
        "geodeticDatum": _DATUM,
        "coordinateUncertaintyInMeters": math.ceil(math.hypot(high, wide) / 2),
        "coordinatePrecision": cell_deg,
        "dataGeneralizations": f"coordinates are the middle of a cell of {cell_deg:g} degrees",
    }
