"""From one way of measuring a fish's length (total, fork, standard) to another, by published relations only."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fishery.arrays import Numbers, floats


@dataclass(frozen=True, slots=True)
class LengthConversion:
    """wanted_mm = intercept_mm + slope given_mm, for one species.

    `residual_sd_mm` is the scatter of fish about the line, None where the source gives none. `source` names where the
    relation was published: without one a conversion cannot be made.
    """

    species: str
    given: str
    wanted: str
    slope: float
    intercept_mm: float
    residual_sd_mm: float | None
    source: str

    def __post_init__(self) -> None:
        if not self.source.strip():
            raise ValueError(
                f"The conversion {self.given} to {self.wanted} has no source: name its publication."
            )
        if self.given == self.wanted or not self.slope > 0:
            raise ValueError(
                f"{self.given} to {self.wanted} with slope {self.slope} is no conversion of lengths."
            )


LAKE_TROUT_FROM_FORK = LengthConversion(
    "lake_trout",
    "FL",
    "TL",
    1.09,
    9.05,
    None,
    "Hansen et al., North American Journal of Fisheries Management, abstract",
)
LAKE_TROUT_TO_FORK = LengthConversion(
    "lake_trout",
    "TL",
    "FL",
    0.91,
    -8.28,
    None,
    "Hansen et al., North American Journal of Fisheries Management, abstract",
)
BLUEGILL_FROM_FORK = LengthConversion(
    "bluegill",
    "FL",
    "TL",
    1.0334,
    1.67,
    4.3,
    "computed from open data of 100 bluegill of Lake Mary, Minnesota",
)
BLUEGILL_FROM_STANDARD = LengthConversion(
    "bluegill",
    "SL",
    "TL",
    1.1392,
    14.78,
    9.0,
    "computed from open data of 100 bluegill of Lake Mary, Minnesota",
)


def convert(conversion: LengthConversion, lengths_mm: Numbers) -> NDArray[np.float64]:
    """Lengths in mm of type `conversion.wanted`; missing lengths (NaN) stay missing."""
    return conversion.intercept_mm + conversion.slope * floats("lengths_mm", lengths_mm)
