"""One fish at a time: standard weight, relative weight, length category, growth, and the length-weight
relation.

Pure functions on plain numbers (mm, g, days), standard library only. In all formulas x = log10(length in mm).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from statistics import median

MM_PER_INCH = 25.4  # exact: international yard and pound agreement, 1959

# --- standard weight and relative weight --------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class StandardWeight:
    """A published standard weight equation, log10(Ws in g) = log10_a + b x + c x^2.

    It holds for lengths of `length_type` ("TL") from `min_mm` to `max_mm`, both included; None is no bound.
    """

    log10_a: float
    b: float
    c: float
    min_mm: float | None
    max_mm: float | None
    length_type: str
    source: str


def standard_weight_g(equation: StandardWeight, length_mm: float) -> float | None:
    """Standard weight Ws, g; None where the equation does not apply (below its least length, above its
    greatest).

    Linear form: Wege and Anderson 1978; quadratic form: Gerow, Anderson-Sprecher and Hubert 2005.
    """
    below = equation.min_mm is not None and length_mm < equation.min_mm
    above = equation.max_mm is not None and length_mm > equation.max_mm
    if below or above or length_mm <= 0:
        return None
    x = math.log10(length_mm)
    return float(10 ** (equation.log10_a + equation.b * x + equation.c * x * x))


def relative_weight(weight_g: float, ws_g: float) -> float:
    """Relative weight Wr = 100 W / Ws, without unit (Wege and Anderson 1978). 100 is the 75th percentile."""
    return 100.0 * weight_g / ws_g


# --- length categories --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class CategoryBound:
    """The least length of one category, published in both units. They are not conversions of one another."""

    name: str
    mm: float
    inch: float


def length_category(bounds: Sequence[CategoryBound], length_mm: float, unit: str) -> str | None:
    """Name of the category that the fish has reached (at its bound it belongs to it); None below the first.

    `bounds` ascend. `unit` is the unit in which the length was measured: "in" is judged by the inch bounds,
    every other by the millimetre bounds, because the two are fixed separately and must not be converted
    (Gabelhouse 1984; Willis, Murphy and Guy 1993: white crappie stock length is 5 in and 130 mm).
    """
    # A length in inches was stored as mm: without rounding, 12 in may come back as 11.999999999999998.
    length_in = round(length_mm / MM_PER_INCH, 6)
    reached = None
    for bound in bounds:
        if (length_in >= bound.inch) if unit == "in" else (length_mm >= bound.mm):
            reached = bound.name
    return reached


# --- growth between captures --------------------------------------------------------------------------------

MIN_RATE_DAYS = 14.0
"""No rates over shorter times (proposal): one length measurement of a fish at large had an SD of about 5.8 mm
(computed from Campbell and Collins 1975, 69 fish recaptured within 36 days), which is most of such a
difference."""


@dataclass(frozen=True, slots=True)
class Growth:
    """What changed from one capture to the next. None: not measured both times, or too short a time for a
    rate."""

    days: float
    length_mm: float | None
    weight_g: float | None
    mm_per_day: float | None
    mm_per_30_days: float | None
    g_per_30_days: float | None


def days_between(earlier: str, later: str) -> float:
    """Days from one RFC 3339 time to another; a date alone is its midnight, no offset is UTC.

    Raises ValueError, naming the text, if one is no time.
    """
    return (_moment(later) - _moment(earlier)).total_seconds() / 86_400


def _moment(text: str) -> datetime:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(f"{text!r} is no RFC 3339 time; write it like 2026-05-12T13:00:00Z.") from None
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)


def growth_between(
    days: float,
    earlier_length_mm: float | None,
    later_length_mm: float | None,
    earlier_weight_g: float | None = None,
    later_weight_g: float | None = None,
) -> Growth:
    """Absolute growth and absolute growth rates, (L2 - L1) / t and (W2 - W1) / t (Ricker 1975, from memory).

    Growth is not spread evenly over a year (Casselman 1990: pike grew ten times faster in June than in
    winter), so a rate describes the time between these captures and nothing else.
    """
    length = _difference(earlier_length_mm, later_length_mm)
    weight = _difference(earlier_weight_g, later_weight_g)
    long_enough = days >= MIN_RATE_DAYS
    mm_per_day = length / days if length is not None and long_enough else None
    return Growth(
        days,
        length,
        weight,
        mm_per_day,
        None if mm_per_day is None else 30 * mm_per_day,
        30 * weight / days if weight is not None and long_enough else None,
    )


def _difference(earlier: float | None, later: float | None) -> float | None:
    return None if earlier is None or later is None else later - earlier


# --- the length-weight relation of a water ------------------------------------------------------------------

PRIOR_MEAN_WR = 92.6
PRIOR_POPULATION_SD = 0.033
PRIOR_SLOPE_SD = 0.23
"""Between populations (computed from 96 walleye populations of the data of Gerow et al. 2005): geometric
mean Wr 92.6 with SD 7.1, that is 0.033 in log10; slope b with SD 0.23."""
PRIOR_SCATTER_SD = 0.058
"""Within and between populations together, SD of log10 W about Ws (34,734 walleye of the same data)."""
LEAST_SCATTER_SD = 0.02
"""Narrower than any population seen (5th percentile of those 96: 0.030): a fit below it rests on too few
fish."""
LEAST_FISH = 20

OUTLIER_SHARE = 0.01
OUTLIER_DENSITY = 0.5
"""One pair in a hundred is taken to be plain wrong, anywhere within two decades of weight (proposal): so one
mistyped fish cannot outvote its neighbours."""


@dataclass(frozen=True, slots=True)
class Relation:
    """log10(W in g) = log10_a + b x + c x^2, and how sure it is.

    `sd` is the scatter of fish about the line (log10). `level_sd` is the standard error of the line at
    `centre_x`, `slope_sd` that of the slope. `n` fish made it; 0 is a published line alone.
    """

    log10_a: float
    b: float
    c: float
    sd: float
    n: int
    centre_x: float
    level_sd: float
    slope_sd: float


def prior_relation(equation: StandardWeight) -> Relation:
    """What to expect of a water's fish before any is known: the published line, lowered from the 75th
    percentile of populations to their mean (see `PRIOR_MEAN_WR`), with the scatter of all waters."""
    return Relation(
        log10_a=equation.log10_a + math.log10(PRIOR_MEAN_WR / 100),
        b=equation.b,
        c=equation.c,
        sd=PRIOR_SCATTER_SD,
        n=0,
        centre_x=math.log10(equation.min_mm or 100.0),
        level_sd=0.0,  # the scatter above already holds the differences between waters
        slope_sd=0.0,
    )


def fit_length_weight(
    lengths_mm: Sequence[float], weights_g: Sequence[float], prior: StandardWeight | None = None
) -> Relation | None:
    """A water's own relation, robust against wrong pairs; None for fewer than `LEAST_FISH` pairs, or if
    all have one length and there is no prior.

    Straight line in log10-log10. Start: median of the slopes from the shorter to the longer half (an
    incomplete Theil-Sen slope; Theil 1950, Sen 1968, from memory), then iterated least squares with Tukey's
    biweight (c = 4.685, 95 % efficient at the normal; Beaton and Tukey 1974, from memory), scale from the
    biweight midvariance (c = 9; Mosteller and Tukey 1977, from memory). No pair is removed, so fitting
    again to fish that passed a check does not narrow the line step by step. With a `prior`, level and slope
    are drawn to the published line as far as populations are known to differ from it (normal prior,
    `PRIOR_POPULATION_SD`, `PRIOR_SLOPE_SD`): a few fish of one size cannot tilt the line.
    """
    pairs = [
        (math.log10(le), math.log10(w)) for le, w in zip(lengths_mm, weights_g, strict=True) if le > 0 < w
    ]
    if len(pairs) < LEAST_FISH:
        return None
    base = prior_relation(prior) if prior else Relation(0, 0, 0, 0, 0, 0, 0, 0)
    xs = [x for x, _ in pairs]
    ys = [y - _line(base, x) for x, y in pairs]
    slope = _starting_slope(xs, ys)
    if slope is None and prior is None:
        return None
    slope = slope or 0.0  # fish of one length tell nothing about the slope: the prior's stands
    centre, scale, weights = median(xs), 0.0, [1.0] * len(xs)
    level = median(y - slope * (x - centre) for x, y in zip(xs, ys, strict=True))
    for _ in range(30):
        residuals = [y - level - slope * (x - centre) for x, y in zip(xs, ys, strict=True)]
        middle, scale = _middle_and_scale(residuals)
        weights = [_biweight((r - middle) / (4.685 * scale)) for r in residuals]
        centre, level, slope = _weighted_line(xs, ys, weights, slope)
    total = sum(weights)
    spread = sum(w * (x - centre) ** 2 for x, w in zip(xs, weights, strict=True))
    scale = max(scale * math.sqrt(len(xs) / (len(xs) - 2)), LEAST_SCATTER_SD)
    level_variance, slope_variance = scale**2 / total, scale**2 / max(spread, 1e-12)
    if prior:
        level, level_variance = _shrunk(level, level_variance, PRIOR_POPULATION_SD)
        slope, slope_variance = _shrunk(slope, slope_variance, PRIOR_SLOPE_SD)
    return Relation(
        log10_a=base.log10_a + level - slope * centre,
        b=base.b + slope,
        c=base.c,
        sd=scale,
        n=len(pairs),
        centre_x=centre,
        level_sd=math.sqrt(level_variance),
        slope_sd=math.sqrt(slope_variance),
    )


def expected_weight_g(relation: Relation, length_mm: float) -> float:
    """The median weight at a length, g. (The arithmetic mean of a lognormal lies higher, by
    exp((2.3026 sd)^2 / 2), 1 % at an SD of 0.06: Sprugel 1983, from memory.)"""
    return float(10 ** _line(relation, math.log10(length_mm)))


def residual_log10(relation: Relation, length_mm: float, weight_g: float) -> float:
    """log10(weight) less the line, without unit: +0.041 is 10 % heavier than expected."""
    return math.log10(weight_g) - _line(relation, math.log10(length_mm))


def residual_sd(relation: Relation, length_mm: float) -> float:
    """SD of the residual of one more fish (log10): scatter of fish and uncertainty of the line together
    (prediction variance of a straight line; any text on regression)."""
    off = math.log10(length_mm) - relation.centre_x
    return math.sqrt(relation.sd**2 + relation.level_sd**2 + (relation.slope_sd * off) ** 2)


def log_likelihood_pair(relation: Relation, length_mm: float, weight_g: float) -> float:
    """Natural log of the density of log10(weight) given the length, for comparing one pairing with another.

    Normal with `residual_sd`, mixed with a flat share for wrong values (`OUTLIER_SHARE`): bounded from below.
    """
    sd = residual_sd(relation, length_mm)
    z = residual_log10(relation, length_mm, weight_g) / sd
    normal = math.exp(-z * z / 2) / (sd * math.sqrt(2 * math.pi))
    return math.log((1 - OUTLIER_SHARE) * normal + OUTLIER_SHARE * OUTLIER_DENSITY)


def _line(relation: Relation, x: float) -> float:
    return relation.log10_a + relation.b * x + relation.c * x * x


def _starting_slope(xs: Sequence[float], ys: Sequence[float]) -> float | None:
    order = sorted(range(len(xs)), key=lambda i: xs[i])
    half = len(order) // 2
    pairs = zip(order[:half], order[-half:], strict=True)
    slopes = [(ys[j] - ys[i]) / (xs[j] - xs[i]) for i, j in pairs if xs[j] > xs[i]]
    return median(slopes) if slopes else None


def _middle_and_scale(residuals: Sequence[float]) -> tuple[float, float]:
    middle = median(residuals)
    deviation = median(abs(r - middle) for r in residuals)
    squares = [((r - middle) / max(9 * deviation, 1e-4)) ** 2 for r in residuals]
    inside = [(r - middle, u) for r, u in zip(residuals, squares, strict=True) if u < 1]
    top = math.sqrt(len(residuals) * sum(r * r * (1 - u) ** 4 for r, u in inside))
    return middle, max(top / abs(sum((1 - u) * (1 - 5 * u) for _, u in inside)), 1e-4)


def _biweight(u: float) -> float:
    return (1 - u * u) ** 2 if abs(u) < 1 else 0.0


def _weighted_line(
    xs: Sequence[float], ys: Sequence[float], weights: Sequence[float], slope: float
) -> tuple[float, float, float]:
    total = sum(weights)
    centre = sum(w * x for x, w in zip(xs, weights, strict=True)) / total
    level = sum(w * y for y, w in zip(ys, weights, strict=True)) / total
    spread = sum(w * (x - centre) ** 2 for x, w in zip(xs, weights, strict=True))
    if spread > 0:
        slope = sum(w * (x - centre) * y for x, y, w in zip(xs, ys, weights, strict=True)) / spread
    return centre, level, slope


def _shrunk(estimate: float, variance: float, prior_sd: float) -> tuple[float, float]:
    """Posterior mean and variance of a normal estimate under a normal prior around 0."""
    share = prior_sd**2 / (prior_sd**2 + variance)
    return estimate * share, variance * share
