"""Growth of marked fish between two captures: of each fish, with the error of measuring, and of all of them together."""

import math
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from fishery.answers import Estimate, Refused
from fishery.arrays import Numbers, complete, floats, same_length
from fishery.intervals import LEVEL, mean_interval
from fishery.single import MIN_RATE_DAYS

LENGTH_SD_MM = 5.8
"""SD of one length measurement of a fish at large: from 69 fish recaptured within 36 days (data of Campbell and Collins
1975), whose increments had an SD of 8.2 mm."""
DAYS_PER_YEAR = 365.25
FEW_FISH = 10


class NoRate(IntEnum):
    """Why a fish has no rate."""

    GIVEN = 0
    MISSING = 1
    TOO_SOON = 2
    WITHIN_ERROR = 3


@dataclass(frozen=True, slots=True, eq=False)
class Change:
    """What one measure did between captures, one value for each fish, in its unit (mm or g); NaN: not known.

    gain: later - earlier, always given when measured twice. gain_se: its standard error from measuring alone. why: values
    of `NoRate`; the rates are NaN exactly where it is not GIVEN. per_30_days, per_year: the gain spread evenly over the
    days, which growth is not (Casselman 1990: pike grew ten times faster in June than in winter): a rate of less than a
    year describes its own season, `per_year` most of all. rate_se_per_year: measuring error of `per_year`.
    """

    gain: NDArray[np.float64]
    gain_se: NDArray[np.float64]
    per_30_days: NDArray[np.float64]
    per_year: NDArray[np.float64]
    rate_se_per_year: NDArray[np.float64]
    why: NDArray[np.uint8]


def change_between(
    days: Numbers, earlier: Numbers, later: Numbers, sd: float | Numbers, level: float = LEVEL
) -> Change:
    """Change of length (mm) or weight (g) of each fish between two captures `days` apart.

    `sd`: standard deviation of one measurement, one for all or one for each fish (`LENGTH_SD_MM` where nothing better is
    known; a scale's division / sqrt(12) at the least). gain_se = sqrt(2) sd. A rate is given only after `MIN_RATE_DAYS`
    and if the gain is larger than its error: |gain| > z gain_se. So the fish *with* a rate are the fast growers; for a
    mean of many fish use `mean_rate`, which leaves none of them out.

    Raises ValueError if arrays differ in length, or a time is missing or negative, or an sd is not positive.
    """
    time = complete("days", days)
    before, after = floats("earlier", earlier), floats("later", later)
    each = np.full(len(time), float(sd)) if isinstance(sd, (int, float)) else complete("sd", sd)
    same_length(days=time, earlier=before, later=after, sd=each)
    if len(time) and (time.min() < 0 or each.min() <= 0):
        raise ValueError(
            f"Least time {time.min()} days, least sd {each.min()}: time must not run back, sd be above 0."
        )
    gain = after - before
    gain_se = np.sqrt(2.0) * each
    why = np.zeros(len(time), dtype=np.uint8)
    missing = ~np.isfinite(gain)
    with np.errstate(invalid="ignore"):
        why[np.abs(gain) <= float(ndtri((1 + level) / 2)) * gain_se] = NoRate.WITHIN_ERROR
    why[time < MIN_RATE_DAYS] = NoRate.TOO_SOON
    why[missing] = NoRate.MISSING
    span = np.where(why == NoRate.GIVEN, time, np.nan)
    return Change(
        np.where(missing, np.nan, gain),
        gain_se,
        30 * gain / span,
        DAYS_PER_YEAR * gain / span,
        DAYS_PER_YEAR * gain_se / span,
        why,
    )


def mean_rate(
    days: Numbers,
    earlier: Numbers,
    later: Numbers,
    unit: str,
    per_days: float = DAYS_PER_YEAR,
    level: float = LEVEL,
) -> Estimate | Refused:
    """Mean growth rate over fish, `unit` per `per_days` days: mean of the fishes' rates (Ricker 1975, from memory), t
    interval over fish.

    All fish of `MIN_RATE_DAYS` or more count, those that seem to have shrunk too: leaving out what lies within the error
    of measuring would leave the fast growers. That error is inside the spread between fish, hence in the interval.
    """
    time = complete("days", days)
    before, after = complete("earlier", earlier), complete("later", later)
    same_length(days=time, earlier=before, later=after)
    long_enough = time >= MIN_RATE_DAYS
    n = int(long_enough.sum())
    if n < 2:
        return Refused(
            f"{n} fish at large for {MIN_RATE_DAYS:.0f} days or more.", "2 such fish, better 10 or more."
        )
    rates = per_days * (after - before)[long_enough] / time[long_enough]
    cautions = [f"Only {n} fish."] if n < FEW_FISH else []
    if float(time[long_enough].max()) < DAYS_PER_YEAR * 0.75:
        cautions.append("All times are shorter than a year: the rate is one of this season (Casselman 1990).")
    return Estimate(
        float(rates.mean()),
        f"{unit} per {per_days:g} days",
        n,
        mean_interval(rates, level),
        "mean over fish of (later - earlier) / days",
        "Ricker (1975)",
        tuple(cautions),
    )


@dataclass(frozen=True, slots=True)
class LengthAtAge:
    """Mean length of the fish of one age, mm; `sd` of one fish, None below two fish."""

    age_years: float
    mean: Estimate | Refused
    sd: float | None


def mean_length_at_age(
    ages_years: Numbers, lengths_mm: Numbers, level: float = LEVEL
) -> tuple[LengthAtAge, ...]:
    """Mean length at each age that occurs (known from the stocking, or read), with Student's t interval.

    Ages are taken as given: round them to the unit wanted (whole years, months / 12) before.
    """
    ages, lengths = complete("ages_years", ages_years), complete("lengths_mm", lengths_mm)
    same_length(ages_years=ages, lengths_mm=lengths)
    found = []
    for age in np.unique(ages):
        mine = lengths[ages == age]
        n = len(mine)
        few = (f"Only {n} fish.",) if n < FEW_FISH else ()
        mean: Estimate | Refused = Refused(f"{n} fish of age {age:g}.", "2 fish of an age for an interval.")
        if n > 1:
            interval = mean_interval(mine, level)
            mean = Estimate(
                float(mine.mean()),
                "mm",
                n,
                interval,
                "mean length of the fish of one age",
                "common practice",
                few,
            )
        found.append(LengthAtAge(float(age), mean, float(mine.std(ddof=1)) if n > 1 else None))
    return tuple(found)


def time_for_error(rate_mm_per_day: float, sd_mm: float = LENGTH_SD_MM, level: float = LEVEL) -> float:
    """Days at large after which growth at this rate exceeds its error of measuring: t = z sqrt(2) sd / rate.

    At 0.1 mm/day and 5.8 mm it is 161 days: the advice to give to who wants rates sooner. Raises ValueError for a rate
    of 0 or below.
    """
    if rate_mm_per_day <= 0:
        raise ValueError(f"A rate of {rate_mm_per_day} mm/day never exceeds an error: give one above 0.")
    return float(ndtri((1 + level) / 2)) * math.sqrt(2) * sd_mm / rate_mm_per_day
