"""Arrays as the science functions take them: plain numbers, one dimension, nothing missing unless a function says so."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Numbers = Sequence[float] | NDArray[np.float64] | NDArray[np.int64]


def floats(name: str, values: Numbers) -> NDArray[np.float64]:
    """The values as floats; NaN stands for a missing one.

    Raises ValueError if they are not one-dimensional.
    """
    array = np.asarray(values, dtype=np.float64)
    if array.ndim != 1:
        raise ValueError(f"{name} has {array.ndim} dimensions: give one value for each fish.")
    return array


def complete(name: str, values: Numbers) -> NDArray[np.float64]:
    """As `floats`, but every value must be there.

    Raises ValueError naming the first place that holds no finite number: a missing value left in would turn the answer
    into NaN, and one left out silently would change its n.
    """
    array = floats(name, values)
    bad = np.flatnonzero(~np.isfinite(array))
    if bad.size:
        raise ValueError(f"{name}[{bad[0]}] is {array[bad[0]]}: leave missing values out before asking.")
    return array


def same_length(**arrays: NDArray[np.generic]) -> int:
    """The common length of the arrays. Raises ValueError with the lengths if they differ."""
    sizes = {name: len(array) for name, array in arrays.items()}
    if len(set(sizes.values())) > 1:
        told = ", ".join(f"{name} {size}" for name, size in sizes.items())
        raise ValueError(f"The arrays differ in length ({told}): give one value of each for every fish.")
    return next(iter(sizes.values()))
