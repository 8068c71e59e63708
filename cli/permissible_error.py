"""How far a scale or a board may be off in a check with a known weight or length. Pure.

Scales: OIML R 76-1:2006, Table 6 (maximum permissible errors on initial verification) for class III, and 3.5.2: in
service twice as much. e is the verification scale interval; here the division that the scale sends. Class III ends at
10 000 e (Table 3). What OIML does with rounding (finding the error before rounding with small extra weights) needs a
laboratory and is not done here: the shown value counts.
Boards: one division either way (common practice).
"""

from dataclasses import dataclass
from typing import Literal

_CLASS_III = ((500, 0.5), (2000, 1.0), (10_000, 1.5))  # up to so many e, so many e on initial verification
_IN_SERVICE = 2.0
_ROUNDING = 1e-6  # of a division: 0.1 + 0.2 must not fail a check


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a check came to. All values in the unit of the measure (g or mm)."""

    kind: Literal["weight", "length"]
    expected: float
    measured: float
    division: float
    limit: float
    rule: str

    @property
    def error(self) -> float:
        return self.measured - self.expected

    @property
    def passed(self) -> bool:
        return abs(self.error) <= self.limit + _ROUNDING * self.division


def class_iii_limit_g(load_g: float, division_g: float) -> float:
    """The maximum permissible error in service, in g. Raises ValueError outside of 0 to 10 000 divisions."""
    load_e = load_g / division_g
    for most_e, error_e in _CLASS_III:
        if 0 <= load_e <= most_e + _ROUNDING:
            return _IN_SERVICE * error_e * division_g
    raise ValueError(
        f"{load_g:g} g is {load_e:.0f} divisions of {division_g:g} g, and class III ends at 10000: "
        "check with a lighter weight."
    )


def judge(kind: Literal["weight", "length"], expected: float, measured: float, division: float) -> Verdict:
    """Raises ValueError where no limit is defined."""
    if kind == "weight":
        limit = class_iii_limit_g(expected, division)
        return Verdict(kind, expected, measured, division, limit, "OIML R 76-1 class III, in service")
    return Verdict(kind, expected, measured, division, division, "one division either way")
