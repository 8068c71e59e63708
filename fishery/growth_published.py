"""Published growth of some species, to lay beside a water's own: curves and mean lengths at age.

Growth differs between waters by climate, food and number of fish: these are landmarks, not targets.
"""

from dataclasses import dataclass

from fishery.growth_models import von_bertalanffy
from fishery.single import MM_PER_INCH


@dataclass(frozen=True, slots=True)
class PublishedCurve:
    """Length at age = linf_mm (1 - exp(-k (age - t0))), mm; `sex` "" for both together."""

    species: str
    sex: str
    linf_mm: float
    k_per_year: float
    t0_years: float
    where: str
    source: str

    def length_at(self, age_years: float) -> float:
        """Mean length, mm."""
        return von_bertalanffy(self.linf_mm, self.k_per_year, self.t0_years, age_years)


@dataclass(frozen=True, slots=True)
class PublishedLengths:
    """Mean total length, mm, at ages `first_age`, `first_age` + 1, ... years."""

    species: str
    first_age: int
    lengths_mm: tuple[float, ...]
    where: str
    source: str

    def length_at(self, age_years: int) -> float | None:
        """Mean length, mm; None at an age that the table does not have."""
        place = age_years - self.first_age
        return self.lengths_mm[place] if 0 <= place < len(self.lengths_mm) else None


_FLORIDA = "Bonvechio, Allen and Cailteux (2005), abstract"
_INCHES = (4.6, 9.7, 15.2, 20.0, 23.4, 25.9, 28.9, 32.4, 35.1, 38.3, 39.0, 41.5, 42.8, 43.3)

CURVES: tuple[PublishedCurve, ...] = (
    PublishedCurve("largemouth_bass", "female", 644.2, 0.2064, -0.9840, "rivers of Florida", _FLORIDA),
    PublishedCurve("largemouth_bass", "male", 427.8, 0.3164, -0.9991, "rivers of Florida", _FLORIDA),
    PublishedCurve("suwannee_bass", "female", 386.1, 0.3733, -0.7772, "rivers of Florida", _FLORIDA),
    PublishedCurve("suwannee_bass", "male", 324.1, 0.4735, -0.6543, "rivers of Florida", _FLORIDA),
    PublishedCurve(
        "black_crappie", "", 350, 0.41, -0.49, "Lake Dora, Florida", "Allen and Hightower (2010), Box 2.5"
    ),
)

LENGTHS: tuple[PublishedLengths, ...] = (
    PublishedLengths(
        "largemouth_bass",
        1,
        (78.8, 166.9, 241.2, 298.5, 342.1, 365.1, 393.7),
        "Mid Lake, Wisconsin, before angling began",
        "computed from the data of Goedde and Coble (1981), 17 to 39 fish of each age",
    ),
    PublishedLengths(
        "flathead_catfish",
        1,
        tuple(round(i * MM_PER_INCH, 1) for i in _INCHES),
        "21 lakes of Oklahoma",
        "McCoy (1953)",
    ),
    PublishedLengths(
        "channel_catfish",
        1,
        (60, 145, 201, 257, 301, 344, 394, 453, 495, 528),
        "Tuttle Creek Reservoir, Kansas, 546 fish",
        "abstract of 1973",
    ),
)
