"""Length categories of many fish at once: stock, quality, preferred, memorable, trophy."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from fishery.arrays import Numbers, complete, same_length
from fishery.single import MM_PER_INCH, CategoryBound

BELOW = -1
"""Index of a fish shorter than the first category (substock)."""


def categories_of(
    bounds: Sequence[CategoryBound], lengths_mm: Numbers, units: str | Sequence[str]
) -> NDArray[np.int64]:
    """Index into `bounds` of the category that each fish has reached; `BELOW` under the first.

    `units` is the unit in which a length was measured ("mm", "in"), one for all or one for each fish: the bounds in mm
    and in inches are fixed separately and never converted (Gabelhouse 1984; Willis, Murphy and Guy 1993). The same rule
    as `fishery.single.length_category`; at its bound a fish belongs to the category.

    Raises ValueError if a length is missing, or the bounds do not ascend.
    """
    lengths = complete("lengths_mm", lengths_mm)
    mm = np.array([bound.mm for bound in bounds])
    inch = np.array([bound.inch for bound in bounds])
    if not bounds or np.any(np.diff(mm) <= 0) or np.any(np.diff(inch) <= 0):
        raise ValueError(
            f"The category bounds {mm.tolist()} mm, {inch.tolist()} in do not ascend: correct them."
        )
    by_mm = np.searchsorted(mm, lengths, side="right") - 1
    if isinstance(units, str):
        return _by_inch(inch, lengths) if units == "in" else by_mm
    given = np.asarray(units)
    same_length(lengths_mm=lengths, units=given)
    return np.where(given == "in", _by_inch(inch, lengths), by_mm)


def _by_inch(inch: NDArray[np.float64], lengths_mm: NDArray[np.float64]) -> NDArray[np.int64]:
    # A length in inches was stored as mm: without rounding, 12 in may come back as 11.999999999999998.
    return np.searchsorted(inch, np.round(lengths_mm / MM_PER_INCH, 6), side="right") - 1
