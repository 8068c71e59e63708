"""The length-weight relation of one water's fish: straight line of log10 weight on log10 length, for a report.

`fishery.single.fit_length_weight` serves the checks at the work-up table (prior, floors); this one estimates, with
intervals and without a prior.
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from fishery.answers import Estimate, Interval, Refused
from fishery.arrays import Numbers, complete, same_length
from fishery.intervals import LEVEL, t_quantile

LEAST_FISH = 10
LEAST_LENGTH_RATIO = 1.2
"""Longest over shortest fish: over less the slope is a guess (proposal)."""
USUAL_SLOPES = (2.5, 3.5)
"""Range of b among 3,929 relations of 1,773 species (Froese 2006, abstract)."""
TUKEY = 4.685
"""Constant of the biweight for 95 % efficiency at the normal (Beaton and Tukey 1974, from memory)."""
MAD_EFFICIENCY = 0.37
"""Of the median absolute residual against the standard deviation, at the normal (Huber 1981, from memory)."""
START_PAIRS = 500


@dataclass(frozen=True, slots=True)
class LengthWeight:
    """log10(W in g) = log10_a + b log10(length in mm); lengths of `length_type` between `shortest_mm` and `longest_mm`.

    sd: scatter of fish about the line (log10). correction: factor from the median to the mean weight (Sprugel 1983),
    exp((ln(10) sd)^2 / 2). centre_x, level_se, slope_se: standard error of the line at the mean of x, and of the slope.
    sd_df: degrees of freedom that sd is worth.
    doubted: fish with less than half a vote (robust fit only).
    """

    log10_a: Estimate
    b: Estimate
    sd: float
    sd_df: float
    r2: float
    n: int
    correction: float
    length_type: str
    shortest_mm: float
    longest_mm: float
    centre_x: float
    level_se: float
    slope_se: float
    doubted: int
    method: str


def fit_relation(
    lengths_mm: Numbers, weights_g: Numbers, length_type: str, robust: bool = False, level: float = LEVEL
) -> LengthWeight | Refused:
    """Least squares in log10-log10 (Ricker 1975, from memory), or Tukey's biweight about it.

    robust: iterated least squares with biweights (c = 4.685) from the repeated medians line (Siegel 1982), scale from
    the median absolute residual, standard errors after Huber (1981, eq. 7.6.6, from memory): a few slips and swapped
    weights do not move the line. Intervals: t with n - 2 degrees of freedom.

    Raises ValueError if a value is missing, zero or negative.
    """
    lengths, weights = complete("lengths_mm", lengths_mm), complete("weights_g", weights_g)
    n = same_length(lengths_mm=lengths, weights_g=weights)
    if n and (lengths.min() <= 0 or weights.min() <= 0):
        raise ValueError(
            f"Least length {lengths.min()} mm, least weight {weights.min()} g: both must be above 0."
        )
    if n < LEAST_FISH or lengths.max() < LEAST_LENGTH_RATIO * lengths.min():
        span = f" of {lengths.min():.0f}-{lengths.max():.0f} mm" if n else ""
        wanted = f"{LEAST_FISH} fish or more, the longest at least {LEAST_LENGTH_RATIO} times the shortest."
        return Refused(f"{n} fish{span}, measured and weighed.", wanted)
    x, y = np.log10(lengths), np.log10(weights)
    line = robust_line(x, y) if robust else plain_line(x, y)
    if line is None:
        alike = f"{n} fish, of which those that lie along one line are all of one length."
        return Refused(alike, f"{LEAST_FISH} fish or more of many lengths.")
    # two parameters were fitted: the plain sd has allowed for them, the median of the residuals has not
    sd = line.sd * math.sqrt(n / (n - 2)) if robust else line.sd
    t = t_quantile(n - 2, level)
    interval_name = f"t interval, {n - 2} degrees of freedom"
    log10_a = line.level - line.slope * line.centre
    a_se = math.hypot(line.level_se, line.centre * line.slope_se)
    method = "biweight regression of log10 W on log10 L" if robust else "regression of log10 W on log10 L"
    source = "Tukey's biweight: Beaton and Tukey (1974)" if robust else "Ricker (1975)"
    odd: tuple[str, ...] = ()
    if not USUAL_SLOPES[0] <= line.slope <= USUAL_SLOPES[1]:
        odd = (
            f"b = {line.slope:.2f} lies outside 2.5-3.5, the range of most fish (Froese 2006): look at the pairs.",
        )

    def estimate(value: float, error: float) -> Estimate:
        interval = Interval(value - t * error, value + t * error, level, interval_name)
        return Estimate(value, "", n, interval, method, source, odd)

    return LengthWeight(
        estimate(log10_a, a_se),
        estimate(line.slope, line.slope_se),
        sd,
        (n - 2) * (MAD_EFFICIENCY if robust else 1),
        line.r2,
        n,
        math.exp((math.log(10) * sd) ** 2 / 2),
        length_type,
        float(lengths.min()),
        float(lengths.max()),
        line.centre,
        line.level_se,
        line.slope_se,
        line.doubted,
        method,
    )


def expected_weight(
    relation: LengthWeight,
    length_mm: float,
    kind: Literal["median", "mean", "one fish"] = "mean",
    level: float = LEVEL,
) -> Estimate:
    """Weight at a length, g. "median": 10^line; "mean": times `correction` (Sprugel 1983, Ecology 64:209), which is what
    sums to biomass; "one fish": the median with the interval in which one more fish is expected.

    Intervals from the t distribution on the log scale (any text on regression). The interval of the mean takes the
    correction for known.
    """
    off = math.log10(length_mm) - relation.centre_x
    log_weight = relation.log10_a.value + relation.b.value * math.log10(length_mm)
    variance = relation.level_se**2 + (relation.slope_se * off) ** 2
    df: float = relation.n - 2
    if kind == "one fish":
        variance += relation.sd**2
        df = relation.sd_df
    half = t_quantile(df, level) * math.sqrt(variance)
    factor = relation.correction if kind == "mean" else 1.0
    interval = Interval(
        factor * 10 ** (log_weight - half),
        factor * 10 ** (log_weight + half),
        level,
        "t interval on the log scale",
    )
    outside: tuple[str, ...] = ()
    if not relation.shortest_mm <= length_mm <= relation.longest_mm:
        seen = f"{relation.shortest_mm:.0f}-{relation.longest_mm:.0f} mm"
        outside = (f"{length_mm:.0f} mm lies outside the fish behind the line ({seen}).",)
    return Estimate(
        factor * 10**log_weight,
        "g",
        relation.n,
        interval,
        f"{kind} weight at length",
        "Sprugel (1983)",
        outside,
    )


@dataclass(frozen=True, slots=True)
class Line:
    """y = level + slope (x - centre), with standard errors (uncorrelated) and the scatter about it."""

    centre: float
    level: float
    slope: float
    sd: float
    level_se: float
    slope_se: float
    r2: float
    doubted: int


def plain_line(x: NDArray[np.float64], y: NDArray[np.float64]) -> Line:
    """Least squares; at least three points, not all at one x."""
    n, centre, level = len(x), float(x.mean()), float(y.mean())
    off = x - centre
    spread = float(off @ off)
    slope = float(off @ y) / spread
    rest = y - level - slope * off
    sd = math.sqrt(float(rest @ rest) / (n - 2))
    total = float((y - level) @ (y - level))
    r2 = 1 - float(rest @ rest) / total if total > 0 else 1.0
    return Line(centre, level, slope, sd, sd / math.sqrt(n), sd / math.sqrt(spread), r2, 0)


def robust_line(x: NDArray[np.float64], y: NDArray[np.float64]) -> Line | None:
    """Tukey's biweight with the scale MAD / 0.6745 of the residuals about 0, renewed in each step.

    `sd` is that scale: the scatter of the fish that are no slips. None where all the points that it listens to have one x.
    """
    n = len(x)
    slope, level = _repeated_medians(x, y)
    rest = y - level - slope * x
    weights = np.ones(n)
    scale = 0.0
    for _ in range(200):
        scale = max(float(np.median(np.abs(rest))) / 0.6745, 1e-12)
        weights = np.clip(1 - (rest / (TUKEY * scale)) ** 2, 0, None) ** 2
        centre, middle = np.average(x, weights=weights), np.average(y, weights=weights)
        heard = float(np.sum(weights * (x - centre) ** 2))
        if heard < 1e-12 * n:
            return None
        slope_now = float(np.sum(weights * (x - centre) * y)) / heard
        level_now = float(middle - slope_now * centre)
        moved = max(
            abs(slope_now - slope) * float(np.ptp(x)), abs(level_now - level + (slope_now - slope) * centre)
        )
        slope, level = slope_now, level_now
        rest = y - level - slope * x
        if moved < 1e-12:
            break
    u2 = (rest / (TUKEY * scale)) ** 2
    bends = np.where(u2 < 1, (1 - u2) * (1 - 5 * u2), 0.0)  # derivative of psi
    bend = float(bends.mean())
    psi = np.clip(1 - u2, 0, None) ** 2 * rest
    inflated = 1 + 2 * float(bends.var(ddof=1)) / (n * bend**2)
    variance = inflated * float(psi @ psi) / (n - 2) / bend
    # A slip in length lies far off along x: only fish that the line listens to may count in its spread.
    heard_x = float(np.average(x, weights=bends))
    spread = max(float(bends @ (x - heard_x) ** 2), 1e-12)
    trusted = weights >= 0.5
    about = y[trusted] - y[trusted].mean()
    r2 = 1 - float(rest[trusted] @ rest[trusted]) / float(about @ about) if float(about @ about) > 0 else 1.0
    return Line(
        heard_x,
        level + slope * heard_x,
        slope,
        scale,
        math.sqrt(variance / float(bends.sum())),
        math.sqrt(variance / spread),
        r2,
        int((~trusted).sum()),
    )


def _repeated_medians(x: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[float, float]:
    """Slope and intercept by repeated medians (Siegel 1982, Biometrika 69:242): right while half of the fish are right.

    Of many fish an even selection along the lengths is enough for a start.
    """
    order = np.lexsort((y, x))
    order = order[np.unique(np.linspace(0, len(x) - 1, min(len(x), START_PAIRS)).astype(int))]
    x, y = x[order], y[order]
    run, rise = x[:, None] - x[None, :], y[:, None] - y[None, :]
    with np.errstate(invalid="ignore", divide="ignore"):
        slopes = np.where(run != 0, rise / run, np.nan)
    usable = ~np.all(np.isnan(slopes), axis=1)
    slope = float(np.median(np.nanmedian(slopes[usable], axis=1)))
    return slope, float(np.median(y - slope * x))
