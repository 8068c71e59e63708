"""Power transfer to fish in water of another conductivity: advice on comparing settings, never a control.

Electrical output can kill people. These figures tell a biologist why catches at two conductivities are not
comparable at equal settings; whoever sets the gear follows its manual, the local code and the crew leader.
"""

import math
from dataclasses import dataclass

FISH_US_PER_CM = 115.0
"""Effective conductivity of fish: gives little error from 12 to 1,030 uS/cm, but rests on few estimates (Miranda and
Dolan 2003)."""
TESTED_US_PER_CM = (12.0, 1030.0)
TEMPERATURE_SHARE = 0.0191
"""Change of conductivity per degree Celsius (Standard Methods 2510B, from a secondary listing)."""

SOURCE = "Kolz 1989 (formula from memory, derived again from a source feeding a load); Miranda and Dolan 2003"
FORMULA = "multiplier = (1 + q)^2 / (4 q), q = fish / water conductivity"

SAFETY_CAUTIONS = (
    "Output can kill, and water multiplies the chance of a shock (Australian Code of Electrofishing Practice 1997; "
    "USGS Open-File Report 93-104).",
    "Every member of the crew is trained on the gear and in resuscitation, and a named leader answers for checklist, "
    "inspection and emergency plan (USGS Open-File Report 93-104).",
    "Only commercially built gear in good order, built and inspected to a national standard (USGS Open-File Report "
    "93-104; FAO/EIFAC).",
    "This is a comparison of conductivities, not a setting: local code, permit and the gear's manual decide.",
)


@dataclass(frozen=True, slots=True)
class PowerAdvice:
    """What it takes in this water to put the same power into fish as where water and fish conduct alike.

    power, voltage and current are multiples of the values at matched conductivity, for one fixed electrode set.
    """

    water_us_per_cm: float
    fish_us_per_cm: float
    power: float
    voltage: float
    current: float
    formula: str
    source: str
    cautions: tuple[str, ...]


def power_multiplier(water_us_per_cm: float, fish_us_per_cm: float = FISH_US_PER_CM) -> float:
    """Power needed relative to matched conductivity, without unit: (1 + q)^2 / (4 q), q = fish / water (Kolz 1989).

    Ambient conductivities in uS/cm. Raises ValueError unless both are above zero.
    """
    for name, value in (("water", water_us_per_cm), ("fish", fish_us_per_cm)):
        if not 0 < value < math.inf:
            raise ValueError(f"A {name} conductivity of {value} uS/cm is none: give a value above 0.")
    q = fish_us_per_cm / water_us_per_cm
    return (1 + q) ** 2 / (4 * q)


def power_advice(water_us_per_cm: float, fish_us_per_cm: float = FISH_US_PER_CM) -> PowerAdvice:
    """Multiples of power, voltage and current for `water_us_per_cm` (ambient, not referred to 25 C).

    With one electrode set its resistance goes as 1 / conductivity, so voltage = sqrt(power fish / water) and
    current = sqrt(power water / fish) (own algebra).
    """
    power = power_multiplier(water_us_per_cm, fish_us_per_cm)
    low, high = TESTED_US_PER_CM
    outside = (
        ()
        if low <= water_us_per_cm <= high
        else (f"{water_us_per_cm:g} uS/cm is outside {low:g} to {high:g} uS/cm, where the model was tested.",)
    )
    return PowerAdvice(
        water_us_per_cm,
        fish_us_per_cm,
        power,
        math.sqrt(power * fish_us_per_cm / water_us_per_cm),
        math.sqrt(power * water_us_per_cm / fish_us_per_cm),
        FORMULA,
        SOURCE,
        outside + SAFETY_CAUTIONS,
    )


def power_in_fish(applied_w: float, water_us_per_cm: float, fish_us_per_cm: float = FISH_US_PER_CM) -> float:
    """Applied power referred to matched conductivity, W: applied / multiplier. Compares settings of two surveys.

    Raises ValueError for negative power or a conductivity not above zero.
    """
    if not 0 <= applied_w < math.inf:
        raise ValueError(f"A power of {applied_w} W is none: give 0 or more.")
    return applied_w / power_multiplier(water_us_per_cm, fish_us_per_cm)


def ambient_conductivity_us_per_cm(at_25_us_per_cm: float, water_c: float) -> float:
    """Conductivity at the water's own temperature from the specific conductance at 25 C, both uS/cm.

    C = C25 (1 + 0.0191 (T - 25)) (Standard Methods 2510B, from a secondary listing). Ambient conductivity is what
    the current meets (USGS Open-File Report 93-104). Raises ValueError outside 0 to 45 C, where the line ends.
    """
    if not 0 <= water_c <= 45:
        raise ValueError(f"Water of {water_c} C is out of range: give 0 to 45 C.")
    return at_25_us_per_cm * (1 + TEMPERATURE_SHARE * (water_c - 25))
