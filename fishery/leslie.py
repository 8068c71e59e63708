"""How many fish of an unwanted species are left: depletion over passes or dates of unequal effort (Leslie).

Catch per effort falls in a line as catches add up; where it reaches zero, all fish are out.
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.special import stdtr

from fishery.answers import Interval, Refused
from fishery.arrays import Numbers, complete
from fishery.intervals import t_quantile

Floats = npt.NDArray[np.float64]
Cumulated = Literal["before", "half"]

LEAST_STEPS = 3
FORMULA = "C/f = q N - q K, K the catch before (plus half of the step's own); N = intercept / q"
SOURCE = (
    "Leslie and Davis 1939, J. Anim. Ecol. 8:94; Ricker 1975 ch. 6 (half of the step's catch); Fieller 1954"
)


@dataclass(frozen=True, slots=True)
class Depletion:
    """Fish before the first step (`estimate`), left after the last (`left`), and catchability q per unit of effort.

    p_slope: P of a slope this steep by chance. interval.high may be infinite: the slope may be zero.
    """

    catches: tuple[float, ...]
    efforts: tuple[float, ...]
    total: float
    estimate: float
    se: float
    interval: Interval
    left: float
    left_interval: Interval
    catchability: float
    catchability_se: float
    catchability_interval: Interval
    intercept: float
    r_squared: float
    p_slope: float
    method: str
    formula: str
    source: str
    cautions: tuple[str, ...]


def leslie(
    catches: Numbers, efforts: Numbers, *, cumulated: Cumulated = "before", level: float = 0.95
) -> Depletion | Refused:
    """Number of fish from the line of catch per effort on the catch so far, shape (steps,) both.

    cumulated: "before" takes the catch before each step (Leslie and Davis 1939), "half" adds half of its own (Ricker
    1975). efforts in any one unit (hours of current-on time); q is per that unit. Interval of q: t with n - 2 degrees
    of freedom; of N: Fieller's for the point where the line meets zero, at least the catch. SE(N) by the delta method.

    Refused for fewer than three steps, a step without effort, or catch per effort that does not fall. Raises ValueError
    for negative or missing values.
    """
    c, f = complete("catches", catches), complete("efforts", efforts)
    if len(c) != len(f) or (c < 0).any() or (f < 0).any():
        raise ValueError(f"{len(c)} catches and {len(f)} efforts: give 0 or more of both for every step.")
    steps = len(c)
    if steps < LEAST_STEPS or not (f > 0).all():
        return Refused(
            f"{int((f > 0).sum())} of {steps} steps have an effort.",
            "Three steps or more, each with its effort.",
        )
    line = _Line(np.cumsum(c) - (c if cumulated == "before" else c / 2), c / f)
    # A fall of no more than rounding is none: catch per effort that stays the same may give a slope of -1e-17.
    if line.spread == 0 or line.slope * math.sqrt(line.spread) > -1e-12 * abs(line.mean_y):
        return Refused(
            "Catch per effort does not fall as fish are taken out.", "Further steps, until it clearly falls."
        )
    total = float(c.sum())
    meets, q = line.mean_x - line.mean_y / line.slope, -line.slope
    t = t_quantile(steps - 2, level)
    low, high = line.zero_limits(t)
    interval = Interval(max(low, total), max(high, total), level, "Fieller's, where the line meets zero")
    se_q = math.sqrt(line.variance / line.spread)
    p_slope = 2 * float(stdtr(steps - 2, -q / se_q)) if se_q > 0 else 0.0
    return Depletion(
        catches=tuple(float(one) for one in c),
        efforts=tuple(float(one) for one in f),
        total=total,
        estimate=max(meets, total),
        se=math.sqrt(line.variance * (1 / steps + (meets - line.mean_x) ** 2 / line.spread)) / q,
        interval=interval,
        left=max(0.0, meets - total),
        left_interval=Interval(interval.low - total, interval.high - total, level, interval.method),
        catchability=q,
        catchability_se=se_q,
        catchability_interval=Interval(
            q - t * se_q, q + t * se_q, level, f"t, {steps - 2} degrees of freedom"
        ),
        intercept=line.mean_y - line.slope * line.mean_x,
        r_squared=line.r_squared,
        p_slope=p_slope,
        method="Leslie" if cumulated == "before" else "Leslie, half of the step's own catch added",
        formula=FORMULA,
        source=SOURCE,
        cautions=_cautions(meets, total, p_slope, interval),
    )


@dataclass(frozen=True, slots=True)
class EffortNeeded:
    """Further effort until `wanted_left` fish are expected to be left, in the unit of the efforts; high may be
    infinite. mean_steps: the same in steps of the mean effort so far."""

    effort: float
    interval: Interval
    mean_steps: float
    wanted_left: float
    formula: str


def effort_needed(answer: Depletion, wanted_left: float) -> EffortNeeded:
    """E = ln(left / wanted) / q: each unit of effort takes the share q of the fish that are left (Ricker 1975).

    Limits: at the limits of N, each with the slope of the line through that zero. Raises ValueError for a wanted number
    of 0 or less.
    """
    if not 0 < wanted_left < math.inf:
        raise ValueError(f"{wanted_left} fish left cannot be aimed at: give a number above 0.")
    c, f = np.array(answer.catches), np.array(answer.efforts)
    half = answer.method != "Leslie"
    x, y = np.cumsum(c) - (c / 2 if half else c), c / f

    def effort(n: float, q: float) -> float:
        left = n - answer.total
        if left <= wanted_left:
            return 0.0
        return math.inf if q <= 0 or n == math.inf else math.log(left / wanted_left) / q

    def through(n: float) -> float:
        return 0.0 if n == math.inf else float((y * (n - x)).sum() / ((n - x) ** 2).sum())

    low, high = (effort(n, through(n)) for n in (answer.interval.low, answer.interval.high))
    value = effort(answer.estimate, answer.catchability)
    return EffortNeeded(
        value,
        Interval(low, high, answer.interval.level, "at the limits of the number of fish"),
        value / float(f.mean()),
        wanted_left,
        "E = ln(left / wanted) / q",
    )


def _cautions(meets: float, total: float, p_slope: float, interval: Interval) -> tuple[str, ...]:
    said = [
        "The line wants the same catchability throughout and no fish coming in: cold fronts and new fish bend it."
    ]
    if p_slope > 0.05:
        said.append(f"The fall of catch per effort may be chance (P {p_slope:.2g}).")
    if interval.high == math.inf:
        said.append("The data set no upper limit.")
    if meets < total:
        said.append(
            f"The line meets zero at {meets:.0f} fish, below the {total:.0f} already taken: taken as none left."
        )
    return tuple(said)


class _Line:
    """Least squares of y on x."""

    def __init__(self, x: Floats, y: Floats) -> None:
        self.n = len(x)
        self.mean_x, self.mean_y = float(x.mean()), float(y.mean())
        self.spread = float(((x - self.mean_x) ** 2).sum())
        self.slope = float(((x - self.mean_x) * y).sum()) / self.spread if self.spread else 0.0
        rest = float(((y - self.mean_y - self.slope * (x - self.mean_x)) ** 2).sum())
        whole = float(((y - self.mean_y) ** 2).sum())
        self.variance = rest / (self.n - 2)
        self.r_squared = 1 - rest / whole if whole else 0.0

    def zero_limits(self, t: float) -> tuple[float, float]:
        """Where a falling line may meet zero, (b^2 - g) d^2 + 2 y b d + y^2 - t^2 s^2 / n <= 0 with d from the mean."""
        a = self.slope**2 - t * t * self.variance / self.spread
        b = self.mean_y * self.slope
        c = self.mean_y**2 - t * t * self.variance / self.n
        inner = b * b - a * c
        if inner < 0:
            return -math.inf, math.inf
        if a <= 0:
            # not steeper than chance: everything beyond the nearer crossing
            return self.mean_x + (c / (-2 * b) if a == 0 else (-b - math.sqrt(inner)) / a), math.inf
        return self.mean_x + (-b - math.sqrt(inner)) / a, self.mean_x + (-b + math.sqrt(inner)) / a
