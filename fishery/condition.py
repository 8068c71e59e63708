"""How heavy fish are for their length: relative weight of many fish, its means, its trend, its change in one fish."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from fishery.answers import Estimate, Interval, Refused
from fishery.arrays import Numbers, complete, floats, same_length
from fishery.intervals import LEVEL, mean_interval, t_quantile
from fishery.length_types import LengthConversion, convert
from fishery.single import StandardWeight

LEAST_DIVISIONS = 20
"""A weight of fewer scale divisions is rounded by up to 2.5 %: too coarse (proposal; Wege and Anderson 1978 ask for 1 %,
second hand)."""
FEW_FISH = 10
"""Fish in a length group from which on its mean is given without a word about its n (proposal)."""
LEAST_SURVEYS = 3
SEASON_DAYS = 45

LIBERAL = (
    "Wr of one fish depends on its length in mean and spread, so tests and intervals that take the normal distribution "
    "for granted are too liberal (N. Am. J. Fish. Manage. 2003, M02-126, abstract): compare within length groups."
)
SOURCE = "Wege and Anderson (1978)"


class Why(IntEnum):
    """Why a fish has no relative weight."""

    GIVEN = 0
    MISSING = 1
    TOO_SHORT = 2
    TOO_LONG = 3
    OTHER_LENGTH_TYPE = 4
    TOO_COARSE = 5


@dataclass(frozen=True, slots=True, eq=False)
class RelativeWeights:
    """`wr`: relative weight of each fish, without unit; NaN exactly where `why` (values of `Why`) is not GIVEN.

    `lengths_mm` are of the equation's length type, converted where `converted` says so.
    """

    equation: StandardWeight
    wr: NDArray[np.float64]
    why: NDArray[np.uint8]
    lengths_mm: NDArray[np.float64]
    converted: int

    @property
    def given(self) -> NDArray[np.bool_]:
        return np.asarray(self.why == Why.GIVEN, dtype=np.bool_)

    @property
    def left_out(self) -> dict[Why, int]:
        """How many fish have none, by reason."""
        found = np.bincount(self.why, minlength=len(Why))
        return {why: int(found[why]) for why in Why if why is not Why.GIVEN and found[why]}


def relative_weights(
    equation: StandardWeight,
    lengths_mm: Numbers,
    weights_g: Numbers,
    length_types: str | Sequence[str],
    scale_divisions_g: float | Numbers = 0.0,
    conversions: Mapping[str, LengthConversion] | None = None,
) -> RelativeWeights:
    """Wr = 100 W / Ws of every fish (Wege and Anderson 1978), log10 Ws = a + b x + c x^2, x = log10(length in mm).

    `length_types` ("TL", "FL", "SL"): one for all or one for each fish. A fish measured another way than the equation
    wants has no Wr, unless `conversions` (by the type given) brings it over. NaN and values of 0 or below are missing.
    `scale_divisions_g` (0: unknown): a fish is too coarsely weighed if its *standard* weight is below `LEAST_DIVISIONS`
    divisions. Its own weight must not decide: leaving out the lightest fish of a length would raise the mean of the rest.

    Raises ValueError if arrays differ in length or a conversion leads to another type.
    """
    lengths, weights = floats("lengths_mm", lengths_mm), floats("weights_g", weights_g)
    same_length(lengths_mm=lengths, weights_g=weights)
    lengths, foreign, converted = _in_type(equation.length_type, lengths, length_types, conversions or {})
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        # natural logarithms: numpy's exp is several times faster than its 10 ** x
        x = np.log(lengths)
        log_ws = (equation.b + equation.c / math.log(10) * x) * x if equation.c else equation.b * x
        log_ws += equation.log10_a * math.log(10)
        wr = np.exp(math.log(100) - log_ws)
        wr *= weights
        # no length or weight above 0, or one that is none: never a Wr between 0 and infinity
        usable = (wr > 0) & (wr < np.inf)
        coarse = _too_coarse(log_ws, scale_divisions_g)
    why = np.zeros(len(lengths), dtype=np.uint8)
    marks = [(coarse, Why.TOO_COARSE)] if coarse is not None else []
    if equation.max_mm is not None:
        marks.append((lengths > equation.max_mm, Why.TOO_LONG))
    if equation.min_mm is not None:
        marks.append((lengths < equation.min_mm, Why.TOO_SHORT))
    marks.append((~usable, Why.MISSING))
    if foreign is not None:
        marks.append((foreign, Why.OTHER_LENGTH_TYPE))
    for mask, reason in marks:
        np.putmask(why, mask, reason)
    np.putmask(wr, why != Why.GIVEN, np.nan)
    return RelativeWeights(equation, wr, why, lengths, converted)


def _in_type(
    wanted: str,
    lengths: NDArray[np.float64],
    types: str | Sequence[str],
    ways: Mapping[str, LengthConversion],
) -> tuple[NDArray[np.float64], NDArray[np.bool_] | None, int]:
    """Lengths of the wanted type, which fish are of another type still, and how many were converted."""
    if isinstance(types, str):
        if types == wanted:
            return lengths, None, 0
        types = [types] * len(lengths)
    given = np.asarray(types, dtype=object)
    same_length(lengths_mm=lengths, length_types=given)
    lengths, converted = lengths.copy(), 0
    foreign = np.asarray(given != wanted, dtype=np.bool_)
    for kind, way in ways.items():
        if (way.given, way.wanted) != (kind, wanted):
            raise ValueError(
                f"The conversion for {kind} leads from {way.given} to {way.wanted}, wanted is {wanted}."
            )
        mine = np.asarray(given == kind, dtype=np.bool_)
        lengths[mine] = convert(way, lengths[mine])
        foreign &= ~mine
        converted += int(mine.sum())
    return lengths, foreign, converted


def _too_coarse(log_ws: NDArray[np.float64], divisions_g: float | Numbers) -> NDArray[np.bool_] | None:
    if isinstance(divisions_g, (int, float)):
        return None if divisions_g <= 0 else log_ws < math.log(LEAST_DIVISIONS * divisions_g)
    each = complete("scale_divisions_g", divisions_g)
    same_length(weights_g=log_ws, scale_divisions_g=each)
    return np.asarray(log_ws < np.log(LEAST_DIVISIONS * np.maximum(each, 0.0)), dtype=np.bool_)


@dataclass(frozen=True, slots=True)
class GroupCondition:
    """Condition of the fish of one length category. `sd`: of Wr, None below two fish."""

    name: str
    mean: Estimate | Refused
    sd: float | None
    median: float | None


def mean_condition(wr: Numbers, level: float = LEVEL) -> Estimate | Refused:
    """Mean Wr with Student's t interval; the values must be there (`RelativeWeights.wr[given]`)."""
    values = complete("wr", wr)
    n = len(values)
    if n < 2:
        return Refused(
            f"{n} fish with a relative weight.",
            f"2 fish for an interval, {FEW_FISH} or more for a useful one.",
        )
    few = (f"Only {n} fish: one odd fish moves the mean.",) if n < FEW_FISH else ()
    return Estimate(
        float(values.mean()),
        "",
        n,
        mean_interval(values, level),
        "mean of Wr = 100 W / Ws",
        SOURCE,
        (*few, LIBERAL),
    )


def condition_by_group(
    wr: Numbers, groups: NDArray[np.int64], names: Sequence[str], level: float = LEVEL
) -> tuple[GroupCondition, ...]:
    """Mean Wr of each group in the order of `names`; group -1 (substock) and other numbers outside are not counted.

    `groups` come from `fishery.categories.categories_of`. Groups without fish are refused by name, not dropped.
    """
    values = complete("wr", wr)
    same_length(wr=values, groups=groups)
    found = []
    for index, name in enumerate(names):
        mine = values[groups == index]
        found.append(
            GroupCondition(
                name,
                mean_condition(mine, level),
                float(mine.std(ddof=1)) if len(mine) > 1 else None,
                float(np.median(mine)) if len(mine) else None,
            )
        )
    return tuple(found)


def slope_with_length(wr: Numbers, lengths_mm: Numbers, level: float = LEVEL) -> Estimate | Refused:
    """Change of Wr per 100 mm of length (least squares). A mean over lengths hides it: look before averaging
    (Murphy, Willis and Springer 1991, abstract)."""
    return _slope(
        complete("lengths_mm", lengths_mm) / 100,
        complete("wr", wr),
        "fish",
        "Wr per 100 mm",
        level,
        (LIBERAL,),
    )


def condition_trend(
    years: Numbers, survey_means: Numbers, survey_n: Sequence[int], level: float = LEVEL
) -> Estimate | Refused:
    """Change of mean Wr per year over surveys: least squares through the survey means.

    `years` are decimal dates (2026.42). The survey is the unit, not the fish: all fish of a survey share its season and
    weather, so thousands of them still are one look at the water. t interval with (surveys - 2) degrees of freedom.
    """
    when, means = complete("years", years), complete("survey_means", survey_means)
    same_length(years=when, survey_means=means, survey_n=np.asarray(survey_n))
    cautions = []
    if len(when) and _season_spread_days(when) > SEASON_DAYS:
        cautions.append(
            f"The surveys lie {_season_spread_days(when):.0f} days apart in the season: Wr has seasons of its own "
            "(Blackwell, Brown and Willis 2000, abstract), which this slope cannot tell from change."
        )
    if len(survey_n) and max(survey_n) > 5 * max(min(survey_n), 1):
        cautions.append(f"Surveys of {min(survey_n)} and of {max(survey_n)} fish count the same.")
    return _slope(when, means, "surveys", "Wr per year", level, tuple(cautions))


def _season_spread_days(years: NDArray[np.float64]) -> float:
    """Shortest stretch of the yearly round that holds all dates, days."""
    days = np.sort((years % 1.0) * 365.25)
    gaps = np.append(np.diff(days), days[0] + 365.25 - days[-1])
    return float(365.25 - gaps.max())


def _slope(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    what: str,
    unit: str,
    level: float,
    cautions: tuple[str, ...],
) -> Estimate | Refused:
    n = same_length(x=x, y=y)
    if n < LEAST_SURVEYS or np.ptp(x) == 0:
        alike = "of one length" if what == "fish" else "at one time"
        at = "" if n == 0 or np.ptp(x) > 0 else f", all {alike}"
        return Refused(f"{n} {what}{at}.", f"{LEAST_SURVEYS} {what} or more, not all {alike}.")
    off = x - x.mean()
    spread = float(off @ off)
    slope = float(off @ y) / spread
    rest = y - y.mean() - slope * off
    error = math.sqrt(float(rest @ rest) / (n - 2) / spread)
    half = t_quantile(n - 2, level) * error
    interval = Interval(slope - half, slope + half, level, f"t interval, {n - 2} degrees of freedom")
    return Estimate(
        slope,
        unit,
        n,
        interval,
        "slope of a straight line by least squares",
        "any text on regression",
        cautions,
    )


def paired_change(
    fish: Sequence[str], earlier: Numbers, later: Numbers, unit: str = "", level: float = LEVEL
) -> Estimate | Refused:
    """Mean change within recaptured fish (Wr, or any one measure): mean of later - earlier, t interval (Student 1908).

    Each fish is its own comparison, so differences between fish drop out. One pair for each fish: a fish that came back
    twice brings its first and last value.
    """
    before, after = complete("earlier", earlier), complete("later", later)
    n = same_length(fish=np.asarray(fish, dtype=object), earlier=before, later=after)
    if len(set(fish)) < n:
        return Refused(
            f"{n} pairs of {len(set(fish))} fish.", "One pair for each fish: its first and its last value."
        )
    if n < 2:
        return Refused(f"{n} fish measured twice.", "2 fish measured twice, better 10 or more.")
    gains = after - before
    few = (f"Only {n} fish.",) if n < FEW_FISH else ()
    return Estimate(
        float(gains.mean()),
        unit,
        n,
        mean_interval(gains, level),
        "mean of later - earlier within fish",
        "Student (1908)",
        (*few, "Recaptured fish are those that lived and were caught again; they may differ from the rest."),
    )
