"""Numbers, survival and recruits of an open water, occasion by occasion: Jolly and Seber.

Wants every fish that was scanned, marked or not, as caught; a fish found dead or removed is caught but not released.
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import ndtri

from fishery.answers import Interval, Refused
from fishery.assumptions import Assumption, judged, unseen
from fishery.histories import Summary, goodness_of_fit

Estimator = Literal["bias_corrected", "jolly"]

LEAST_OCCASIONS = 3
LEAST_MARKED = 3
"""Marked fish caught, and fish seen again later, below which an occasion gets no number (proposal)."""
NONE_MISSED = "no marked fish is known to have been missed (z = 0): the formula would call all fish caught"
"""N = (n + 1) m / (m + 1) would lie below the catch n itself, and have no standard error."""
TRUSTED_MARKED = 10
"""Wanted of both for little bias (Seber 1982 p. 204, from memory)."""

FORMULA = (
    "M = m + (R + 1) z / (r + 1), N = (n + 1) M / (m + 1), phi = M_i+1 / (M_i - m_i + R_i), "
    "B = N_i+1 - phi (N_i - n_i + R_i)"
)
JOLLY_FORMULA = (
    "M = m + R z / r, N = n M / m, phi = M_i+1 / (M_i - m_i + R_i), B = N_i+1 - phi (N_i - n_i + R_i)"
)
SOURCE = "Jolly 1965; Seber 1965; Pollock et al. 1990, Wildl. Monogr. 107, eq. 4.6-4.14, 4.18"


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its standard error and interval; both None where the formula has none (nothing seen again)."""

    value: float
    se: float | None
    interval: Interval | None


@dataclass(frozen=True, slots=True)
class Occasion:
    """One occasion, from 0. number N and marked M at it; survival phi and recruits B from it to the next.

    None where it cannot be told: the first and last occasions by the method, others with too few marked fish (`why`).
    survival may exceed 1 and recruits be negative by chance; they are not cut, so that sums stay unbiased.
    """

    index: int
    caught: int
    marked_caught: int
    released: int
    seen_again: int
    missed: int
    marked: Estimate | None
    number: Estimate | None
    survival: Estimate | None
    recruits: Estimate | None
    why: str


@dataclass(frozen=True, slots=True)
class OpenPopulation:
    """Jolly-Seber estimates of all occasions. fish: captures in all."""

    occasions: tuple[Occasion, ...]
    fish: int
    recaptures: int
    level: float
    method: str
    formula: str
    source: str
    assumptions: tuple[Assumption, ...]
    cautions: tuple[str, ...]


def jolly_seber(
    summary: Summary, *, estimator: Estimator = "bias_corrected", level: float = 0.95
) -> OpenPopulation | Refused:
    """Numbers on each occasion, survival and recruits between them, from `fishery.histories.summarize`.

    "bias_corrected" (Seber 1982; Pollock et al. 1990 eq. 4.6-4.7) or "jolly", as Jolly printed them in 1965. Standard
    errors: V(M) = (M - m)(M - m + R)(1/r - 1/R); V(N) = N (N - n) ((M - m + R)/M (1/r - 1/R) + (1 - M/N)/m);
    V(phi) = phi^2 ((M' - m')(M' - m' + R')/M'^2 (1/r' - 1/R') + (M - m)/(M - m + R) (1/r - 1/R) + (1 - phi)/M'), primes
    for the next occasion; V(B) likewise (eq. 4.14). They tell how the estimate scatters about the fish that were there.

    Intervals: of N lognormal about the fish not caught, n + (N - n) e^(+-z s), which keeps N at or above n; of phi
    lognormal; of B normal. They are of large samples.

    An occasion on which no marked fish is known to have been missed (z = 0) has no number.

    Refused for fewer than three occasions, or where no occasion has `LEAST_MARKED` marked fish caught and as many seen
    again.
    """
    k = summary.occasions
    if k < LEAST_OCCASIONS:
        return Refused(f"{k} occasions.", "Three or more: with two, use the closed estimate or return rates.")
    whys = [_why(summary, i) for i in range(k)]
    if not any(not why for why in whys):
        return Refused(
            f"On no occasion were {LEAST_MARKED} marked fish caught and {LEAST_MARKED} of its fish seen again.",
            f"An occasion between others with {TRUSTED_MARKED} or more of both.",
        )
    parts = _Parts(summary, estimator, level)
    told = [not why for why in whys]
    occasions = []
    for i in range(k):
        here = told[i]
        nexts = i + 1 < k and told[i + 1]
        pair = nexts and (here or (i == 0 and summary.seen_again[0] >= LEAST_MARKED))
        occasions.append(
            Occasion(
                index=i,
                caught=int(summary.caught[i]),
                marked_caught=int(summary.marked_caught[i]),
                released=int(summary.released[i]),
                seen_again=int(summary.seen_again[i]),
                missed=int(summary.missed[i]),
                marked=parts.marked(i) if here else None,
                number=parts.number(i) if here and summary.missed[i] else None,
                survival=parts.survival(i) if pair else None,
                recruits=parts.recruits(i) if here and nexts and summary.missed[i : i + 2].all() else None,
                why=whys[i] or ("" if summary.missed[i] else NONE_MISSED),
            )
        )
    fits = goodness_of_fit(summary)
    return OpenPopulation(
        occasions=tuple(occasions),
        fish=int(summary.caught.sum()),
        recaptures=int(summary.marked_caught.sum()),
        level=level,
        method="Jolly-Seber"
        + (", bias-corrected" if estimator == "bias_corrected" else ", as in Jolly 1965"),
        formula=FORMULA if estimator == "bias_corrected" else JOLLY_FORMULA,
        source=SOURCE,
        assumptions=(
            judged("Newly marked fish survive and stay like the others.", fits.new_against_old),
            judged(
                "Fish just caught are caught as readily as those missed.", fits.just_caught_against_missed
            ),
            unseen(
                "Unmarked fish are caught as readily as marked ones: without it N is biased.",
                "a closed survey within",
            ),
            unseen("No fish lost its mark, and every tag on a scanned fish was read.", "a second mark"),
        ),
        cautions=_cautions(occasions),
    )


def _why(summary: Summary, i: int) -> str:
    if i == 0:
        return "first occasion: no fish was marked before"
    if i == summary.occasions - 1:
        return "last occasion: no fish was seen later"
    m, r = int(summary.marked_caught[i]), int(summary.seen_again[i])
    if min(m, r) < LEAST_MARKED:
        return f"{m} marked fish caught and {r} of its fish seen again: {LEAST_MARKED} of both are needed"
    return ""


def _cautions(occasions: list[Occasion]) -> tuple[str, ...]:
    said = []
    thin = [
        one.index + 1
        for one in occasions
        if one.number and min(one.marked_caught, one.seen_again) < TRUSTED_MARKED
    ]
    if thin:
        said.append(
            f"Fewer than {TRUSTED_MARKED} marked fish caught or seen again on occasion {_listed(thin)}: biased."
        )
    high = [one.index + 1 for one in occasions if one.survival and one.survival.value > 1]
    if high:
        said.append(f"Survival above 1 by chance after occasion {_listed(high)}: read it as 1.")
    negative = [one.index + 1 for one in occasions if one.recruits and one.recruits.value < 0]
    if negative:
        said.append(f"Recruits below 0 by chance after occasion {_listed(negative)}: read them as none.")
    return tuple(said)


def _listed(places: list[int]) -> str:
    return ", ".join(str(one) for one in places)


class _Parts:
    """The formulas. A difference 1/r - 1/R is 0 when all that were released were seen again."""

    def __init__(self, summary: Summary, estimator: Estimator, level: float) -> None:
        self.n, self.m, self.released, self.again, z = (
            one.astype(np.float64)
            for one in (
                summary.caught,
                summary.marked_caught,
                summary.released,
                summary.seen_again,
                summary.missed,
            )
        )
        with np.errstate(divide="ignore", invalid="ignore"):  # occasions without fish: never asked for
            self.slack = 1 / self.again - 1 / self.released
            if estimator == "bias_corrected":
                self.big_m = self.m + (self.released + 1) * z / (self.again + 1)
                self.big_n = (self.n + 1) * self.big_m / (self.m + 1)
            else:
                self.big_m = self.m + self.released * z / self.again
                self.big_n = self.n * self.big_m / self.m
        self.big_m[0] = 0.0
        self.level = level
        self.z = float(ndtri((1 + level) / 2))

    def marked(self, i: int) -> Estimate:
        value, left = float(self.big_m[i]), float(self.big_m[i] - self.m[i])
        return self._above(value, float(self.m[i]), left * (left + self.released[i]) * self.slack[i])

    def number(self, i: int) -> Estimate:
        big_n, big_m, n = self.big_n[i], self.big_m[i], self.n[i]
        inner = (big_m - self.m[i] + self.released[i]) / big_m * self.slack[i] + self._unmarked(i) / self.m[i]
        return self._above(float(big_n), float(n), float(big_n * (big_n - n) * inner))

    def survival(self, i: int) -> Estimate:
        value = self._phi(i)
        variance = value**2 * (self._next_slack(i) + self._here_slack(i) + (1 - value) / self.big_m[i + 1])
        if value == 0 or variance < 0:
            return Estimate(value, None, None)
        se = math.sqrt(variance)
        spread = math.exp(self.z * se / value)
        return Estimate(value, se, Interval(value / spread, value * spread, self.level, "lognormal"))

    def recruits(self, i: int) -> Estimate:
        phi, big_n, after = self._phi(i), self.big_n[i], self.big_n[i + 1]
        value = float(after - phi * (big_n - self.n[i] + self.released[i]))
        gone = self.big_m[i] - self.m[i] + self.released[i]
        unmarked, marked_share = self._unmarked(i), 1 - self._unmarked(i)
        variance = (
            value**2 * self._next_slack(i)
            + self._here_slack(i) * (phi * self.released[i] * unmarked / marked_share) ** 2
            + (big_n - self.n[i]) * (after - value) * unmarked * (1 - phi) / gone
            + after * (after - self.n[i + 1]) * self._unmarked(i + 1) / self.m[i + 1]
            + phi**2 * big_n * (big_n - self.n[i]) * unmarked / self.m[i]
        )
        if variance < 0:
            return Estimate(value, None, None)
        se = math.sqrt(float(variance))
        return Estimate(value, se, Interval(value - self.z * se, value + self.z * se, self.level, "normal"))

    def _phi(self, i: int) -> float:
        return float(self.big_m[i + 1] / (self.big_m[i] - self.m[i] + self.released[i]))

    def _unmarked(self, i: int) -> float:
        """(N - M) / N and not (n - m) / n: with it the printed standard errors come out."""
        return max(0.0, float(1 - self.big_m[i] / self.big_n[i]))

    def _next_slack(self, i: int) -> float:
        left = self.big_m[i + 1] - self.m[i + 1]
        return float(left * (left + self.released[i + 1]) / self.big_m[i + 1] ** 2 * self.slack[i + 1])

    def _here_slack(self, i: int) -> float:
        left = self.big_m[i] - self.m[i]
        return float(left / (left + self.released[i]) * self.slack[i]) if left > 0 else 0.0

    def _above(self, value: float, floor: float, variance: float) -> Estimate:
        if variance < 0:
            return Estimate(value, None, None)
        se, over = math.sqrt(variance), value - floor
        if over <= 0:
            return Estimate(value, se, Interval(value, value, self.level, "all were caught"))
        spread = math.exp(self.z * math.sqrt(math.log1p((se / over) ** 2)))
        return Estimate(
            value,
            se,
            Interval(
                floor + over / spread, floor + over * spread, self.level, "lognormal above those caught"
            ),
        )
