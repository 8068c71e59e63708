"""Weight of fish per hectare: taken out, and still in the water."""

import math
from dataclasses import dataclass

from fishery.answers import Interval, Refused
from fishery.arrays import Numbers, complete
from fishery.intervals import mean_interval, t_quantile

LEAST_WEIGHED = 5
"""Weighed fish that may stand for those not weighed (proposal)."""
G_PER_KG = 1000.0


@dataclass(frozen=True, slots=True)
class Biomass:
    """kg per hectare. weighed: fish on the scale; fish: all that the figure is about."""

    kg_per_ha: float
    kg: float
    interval: Interval
    weighed: int
    fish: float
    area_ha: float
    method: str
    formula: str
    source: str
    cautions: tuple[str, ...]


def catch_biomass(weights_g: Numbers, counted: int, area_ha: float, level: float = 0.95) -> Biomass | Refused:
    """Weight of `counted` fish taken out, of which those with `weights_g` (n,) were weighed; fish only counted get the
    mean: B = (sum(w) + u mean(w)) / area, u = counted - n. Interval: t with n - 1 degrees of freedom on the weight of the
    u fish, SE = u s sqrt(1 / n + 1 / u) (these u fish, not the mean of all; Cochran 1977, finite populations, from
    memory); without width where all were weighed.

    Refused where fewer than `LEAST_WEIGHED` weighed fish would stand for others. Raises ValueError for a weight or area
    not above 0, or fewer counted than weighed fish.
    """
    w = complete("weights_g", weights_g)
    n = len(w)
    if (w <= 0).any() or not 0 < area_ha < math.inf or counted < n:
        raise ValueError(
            f"{n} weights, {counted} fish, {area_ha} ha: weights and area above 0, every weighed fish counted."
        )
    others = counted - n
    if others and n < LEAST_WEIGHED:
        return Refused(
            f"{n} of {counted} fish were weighed.", f"{LEAST_WEIGHED} weighed fish or more, taken at random."
        )
    total = float(w.sum()) / G_PER_KG
    if others:
        weight = others * float(w.mean())
        half = t_quantile(n - 1, level) * others * float(w.std(ddof=1)) * math.sqrt(1 / n + 1 / others)
        ends = [total + one / G_PER_KG for one in (max(weight - half, 0.0), weight + half)]
        total += weight / G_PER_KG
        how = f"t, {n - 1} degrees of freedom, for the fish not weighed"
    else:
        ends, how = [total, total], "all fish were weighed"
    return Biomass(
        total / area_ha,
        total,
        Interval(ends[0] / area_ha, ends[1] / area_ha, level, how),
        n,
        counted,
        area_ha,
        "weighed fish, mean weight for the others",
        "B = (sum(w) + u mean(w)) / area; SE = u s sqrt(1/n + 1/u), u fish not weighed",
        "definition",
        ("Weighed fish stand for the others: weigh at random, not the large ones.",) if others else (),
    )


def standing_biomass(
    number: float, limits: Interval, weights_g: Numbers, area_ha: float
) -> Biomass | Refused:
    """Weight of the `number` of fish in the water (an estimate with its `limits`), from the mean of `weights_g` (n,).

    B = N mean(w) / area. Limits of the product from the limits of both: on the log scale the distances from the estimate
    add in quadrature (Zou and Donner 2008, Stat. Med. 27:1693, from memory); the level is that of `limits`. An upper
    limit without end stays so.

    Refused for fewer than `LEAST_WEIGHED` weights. Raises ValueError for a weight or area not above 0 or limits that do
    not hold the number.
    """
    w = complete("weights_g", weights_g)
    if (w <= 0).any() or not 0 < area_ha < math.inf or number < 0 or not limits.holds(number):
        raise ValueError(
            f"{number} fish, {area_ha} ha: weights and area above 0, and limits that hold the number."
        )
    if len(w) < LEAST_WEIGHED:
        return Refused(
            f"{len(w)} fish were weighed.", f"{LEAST_WEIGHED} weighed fish or more, taken at random."
        )
    mean, spread = float(w.mean()), mean_interval(w, limits.level)
    value = number * mean / G_PER_KG

    def away(near: float, far: float, light: float) -> float:
        if min(near, far, light) <= 0 or math.inf in (near, far):
            return math.inf
        return math.hypot(math.log(near / far), math.log(mean / light))

    if number > 0:
        down = away(number, limits.low, spread.low)
        up = away(number, limits.high, spread.high)
        low, high = value * math.exp(-down), value * math.exp(up) if up < math.inf else math.inf
    else:
        low, high = 0.0, limits.high * mean / G_PER_KG
    return Biomass(
        value / area_ha,
        value,
        Interval(low / area_ha, high / area_ha, limits.level, "limits of number and mean weight combined"),
        len(w),
        number,
        area_ha,
        "number times mean weight",
        "B = N mean(w) / area",
        "definition; limits: Zou and Donner 2008",
        (
            "The mean weight is that of the catch; gear takes large fish first, so it overstates the fish left.",
        ),
    )
