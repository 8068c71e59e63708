"""Whether the weights of a two-person line still belong to the fish that they were given to.

One person measures, another weighs, a few fish lie between: the first weight goes to the first fish. When a weighing
is missed, or a weight comes that no waiting fish has, every later fish gets its neighbour's weight. One such fish looks
plausible; several in a row do not. This module compares how likely the weights are, given the lengths, with the pairing
as it is and with the pairing shifted by one from some fish on.

The comparison is a likelihood ratio with unknown starting point, looked at again after every weight: the largest gain
over all starts in the window, which is the form of the cumulative sum test (Page 1954, Biometrika 41:100; from memory).
Its two questions, and how they are settled:

* Looking often and at many starts makes chance finds. For a cumulative sum of log likelihood ratios the mean number of
  observations between false calls is at least e^h for a threshold h (Lorden 1971, Ann. Math. Stat. 42:1897; from
  memory): 3,000 fish per direction for h = 8. That bound is met only where each fish says little. Mis-paired fish that
  differ in size cost so much that a wrong start is given up at once, and a run of fewer than `LEAST_FISH` is never
  called; `tests/bench/alignment.py` prints what is left over a range of spreads.
* Two neighbours swapped, or one wrong weight, look like a slip for one or two fish. The density of a pair is bounded
  from below (`OUTLIER_SHARE`), so a few wild pairs cannot reach the threshold, and the fish after them take it back.
  A slip must also be likelier than the likeliest swap of two neighbours.

* Two slips close together put the line off by two, where a shift by one fits no better than none. They are tried too,
  once the last weights do not fit their own fish; the first of them is what is called.
* A weight that comes when no fish waits is proof that there was one too many (`surplus_slip`): the only question is which.

The level of a water's fish (relative weight 75 or 110) is unknown: it is integrated out over a normal prior, one level
for each group (species), the same for both pairings. So a thin water is not taken for a slip.

Standard library only; pure.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean, pstdev
from typing import Literal

from fishery.single import OUTLIER_DENSITY, OUTLIER_SHARE, Relation

LEAST_GAIN = 8.0
"""Natural log of the likelihood ratio from which a slip is called. 7 would do if waters scattered as assumed; in one
that scatters more (`SCATTER_SD`) it made 5 false calls in 5,000 simulated fish at a CV of length of 20 %, and 18 in
6,000 at 6 %. 8 costs no fish at 20 %, where four mis-paired fish gain 20 and more."""
LEAST_FISH = 4
"""Weights from the slip on that must speak for it."""
WINDOW = 20
"""Fish looked back on."""

SCATTER_SD = 0.06
"""SD of log10 W about the line within one water, where the water has no relation of its own. Waters of open data of bass,
perch and walleye have 0.03 to 0.07 (see `ingest.checks.Limits.residual_sd`); the upper part is taken, because too small
a scatter makes false calls and too large a one only finds a slip a fish later."""
LEAST_SCATTER_SD = 0.04
"""A narrower fit of few fish is not believed, as in the checks."""
LEVEL_SD = 0.06
"""Prior SD (log10) of a water's level about the line: relative weight 75 lies 1.5 SD below the mean of waters, 110 1.2 SD
above it. Wider than populations differ (0.033, see `fishery.single`), because the season counts too (proposal)."""
LEVEL_STEP = 0.015
LEVEL_STEPS = 13  # on either side: +-0.195, relative weight 59 to 145

DOUBLE_SHARE = 0.5
DOUBLE_SD = 0.01
"""Half of the weights too many are the fish before, weighed twice; both weights then differ by 2 % (proposal)."""
LEAST_SPREAD_SD = 0.05
"""A weight without a fish may have any weight of this line's fish, which are never taken to be more alike than this."""

UNMEASURED_SHARE = 0.01
"""A weight taken to be of a fish that nobody has measured yet: next to impossible (proposal)."""
SWAP_SHARE = 0.02
"""How often two neighbours come to the scale in the wrong order (proposal)."""
SECOND_SLIP_SHARE = 0.02
"""How often a slip is followed by a second one before the first is found (proposal)."""

WATCHABLE_RATIO = 1.0
"""Spread of expected log10 W over scatter, below which a slip stays unseen for long. A shifted pair differs from its
line by two independent fish, so each fish adds about the square of this ratio to the gain: at 1, seven or eight fish."""


@dataclass(frozen=True, slots=True)
class Measured:
    """A fish of the line as far as it matters here. `relation` None: no line for its species, or no length.

    Fish of one `group` share the unknown level.
    """

    length_mm: float | None
    relation: Relation | None
    group: str = ""

    @property
    def expected(self) -> float | None:
        """Expected log10 of the weight in g; None without line or length."""
        line = self.relation
        if line is None or self.length_mm is None or self.length_mm <= 0:
            return None
        x = math.log10(self.length_mm)
        return line.log10_a + line.b * x + line.c * x * x

    @property
    def sd(self) -> float:
        line = self.relation
        return SCATTER_SD if line is None or line.n == 0 else max(line.sd, LEAST_SCATTER_SD)


SlipKind = Literal["missed", "extra"]


@dataclass(frozen=True, slots=True)
class Slip:
    """From index `at` of the weights on, the pairing is off by one.

    missed: fish `at` was not weighed; weight i >= at belongs to fish i + 1.
    extra: weight `at` belongs to no fish of the line; weight i > at belongs to fish i - 1.

    gain: natural log of the likelihood ratio against the pairing as it is, two swapped neighbours allowed. fish: how
    many weights speak. earliest, latest: the starts that are nearly as likely (within a factor of e^3 of the best).
    """

    kind: SlipKind
    at: int
    gain: float
    fish: int
    earliest: int
    latest: int


NEARLY = 3.0

FAR_SD = 6.0  # so far from the line only the flat share of the density is left; most shifted pairs are
_FAR_LOG_DENSITY = math.log(OUTLIER_SHARE * OUTLIER_DENSITY)

_Start = tuple[float, SlipKind, int]


def find_slip(fish: Sequence[Measured], weights_g: Sequence[float]) -> Slip | None:
    """The slip that stops the line, or None: a gain of `LEAST_GAIN` or more over at least `LEAST_FISH` weights.

    The best start of all is asked for its weights, not the best of those with enough of them: otherwise three wild
    pairs would call a slip one fish too early.

    `fish` are in the order of the line; weight i was given to fish i; fish beyond the last weight wait to be weighed.
    Raises ValueError if there are more weights than fish.
    """
    slip = best_slip(fish, weights_g)
    return slip if slip is not None and slip.gain >= LEAST_GAIN and slip.fish >= LEAST_FISH else None


def best_slip(fish: Sequence[Measured], weights_g: Sequence[float]) -> Slip | None:
    """The most likely slip, however unlikely it is and however few weights speak; None without weights."""
    count = len(weights_g)
    if count > len(fish):
        raise ValueError(f"{count} weights for {len(fish)} fish: give every weight its fish.")
    if not weights_g:
        return None
    gains = _Gains(fish, weights_g)
    swap, _ = gains.best_swap()
    less = max(0.0, swap)
    one = _best([(gains.of(kind, at) - less, kind, at) for kind in _KINDS for at in range(count)], count)
    if gains.last_weights_fit():
        return one
    two = _best([(gains.of_two(kind, at) - less, kind, at) for kind in _KINDS for at in range(count)], count)
    return max(one, two, key=lambda slip: slip.gain)


def find_swap(fish: Sequence[Measured], weights_g: Sequence[float]) -> int | None:
    """Index of the first of two neighbours whose weights were most likely swapped, or None.

    Asked after every weight it names a swap once: when exactly two more fish were weighed, so that it is not the
    beginning of a slip. Arguments as in `find_slip`.
    """
    count = len(weights_g)
    if count < LEAST_FISH:
        return None
    low = max(0, count - 2 * LEAST_FISH)
    gain, at = _Gains(fish[low:count], weights_g[low:]).best_swap()
    return low + at if gain >= LEAST_GAIN and low + at == count - LEAST_FISH else None


def is_lost(fish: Sequence[Measured], weights_g: Sequence[float]) -> bool:
    """Whether the last `2 * LEAST_FISH` weights fit their own fish far worse than no fish in particular.

    With no slip found this means that several came close together; arguments as in `find_slip`.
    """
    count, least = len(weights_g), 2 * LEAST_FISH
    if count < least:
        return False
    low = count - least
    return not _Gains(fish[low:count], weights_g[low:]).last_weights_fit(least, LEAST_GAIN)


def surplus_slip(fish: Sequence[Measured], weights_g: Sequence[float]) -> Slip | None:
    """Which weight was one too many, when the last one came and no fish waited.

    `fish` and `weights_g` as in `find_slip`, but with one weight more than fish. None if it is the last one itself;
    `gain` compares with that. Raises ValueError for any other number of weights.
    """
    count = len(weights_g)
    if count != len(fish) + 1:
        raise ValueError(f"{count} weights for {len(fish)} fish: give one weight more than fish.")
    if count < 2:
        return None
    gains = _Gains([*fish, Measured(None, None)], weights_g)
    return _best([(gains.of("extra", at), "extra", at) for at in range(count - 1)], count)


_KINDS: tuple[SlipKind, ...] = ("missed", "extra")


def _best(starts: Sequence[_Start], count: int) -> Slip:
    gain, kind, at = max(starts, key=lambda start: start[0])
    near = [start for other, named, start in starts if named == kind and other >= gain - NEARLY]
    return Slip(kind, at, gain, count - at, min(near), max(near))


def spread_ratio(fish: Sequence[Measured]) -> float | None:
    """SD of expected log10 weight over the fish, in units of the scatter about the line; None for fewer than two."""
    known = [(one.expected, one.sd) for one in fish]
    expected = [value for value, _ in known if value is not None]
    if len(expected) < 2:
        return None
    return pstdev(expected) / fmean(sd for value, sd in known if value is not None)


class _Gains:
    """Log likelihoods of the three pairings, summed so that every start costs the same few steps.

    Weights paired with a fish that has a line depend on the level of its group; all others (`loose`) do not.
    """

    def __init__(self, fish: Sequence[Measured], weights_g: Sequence[float]) -> None:
        self._count = len(weights_g)
        self._logs = [math.log10(weight) if weight > 0 else -1.0 for weight in weights_g]
        self._middle = fmean(self._logs)
        self._spread = max(pstdev(self._logs), LEAST_SPREAD_SD)
        self._loose = [self._without_fish(i) for i in range(self._count)]
        self._groups = sorted({one.group for one in fish if one.expected is not None})
        self._fish = fish
        # [shift][group][level][i]: weights before i, weight j with fish j + shift
        self._sums = {shift: self._cumulate(shift) for shift in (-1, 0, 1)}
        self._now = self._marginal([(0, 0, self._count)])

    def of(self, kind: SlipKind, at: int) -> float:
        if kind == "missed":
            return self._marginal([(0, 0, at), (1, at, self._count)]) - self._now
        return self._marginal([(0, 0, at), (-1, at + 1, self._count)]) + self._left_over(at) - self._now

    def best_swap(self) -> tuple[float, int]:
        """Gain of the likeliest swap of two neighbours, and the first of the two; minus infinity without two."""
        swaps = [
            (
                self._marginal([(0, 0, at), (1, at, at + 1), (-1, at + 1, at + 2), (0, at + 2, self._count)]),
                at,
            )
            for at in range(self._count - 1)
        ]
        gain, at = max(swaps, default=(-math.inf, 0))
        return gain - self._now + math.log(SWAP_SHARE), at

    def of_two(self, kind: SlipKind, at: int) -> float:
        """The first of two slips of one kind; the best second one is taken."""
        far = 2 if kind == "missed" else -2
        if far not in self._sums:
            self._sums[far] = self._cumulate(far)
        if kind == "missed":
            gains = [
                self._marginal([(0, 0, at), (1, at, second), (2, second, self._count)])
                for second in range(at, self._count)
            ]
        else:
            gains = [
                self._marginal([(0, 0, at), (-1, at + 1, second), (-2, second + 1, self._count)])
                + self._left_over(at)
                + self._left_over(second)
                for second in range(at + 1, self._count)
            ]
        return max(gains, default=-math.inf) - self._now + math.log(SECOND_SLIP_SHARE)

    def last_weights_fit(self, most: int = LEAST_FISH, less: float = 2.0) -> bool:
        """Whether the newest weights fit their own fish about as well as no fish in particular, or better."""
        start = max(0, self._count - most)
        own = self._marginal([(0, start, self._count)]) - self._marginal([])
        return own > sum(self._loose[start:]) - less

    def _cumulate(self, shift: int) -> tuple[list[float], dict[str, list[list[float]]]]:
        free = [0.0]
        sums: dict[str, list[list[float]]] = {
            group: [[0.0] for _ in range(2 * LEVEL_STEPS + 1)] for group in self._groups
        }
        for i, log_weight in enumerate(self._logs):
            place = i + shift
            other = self._fish[place] if 0 <= place < len(self._fish) else None
            expected = other.expected if other is not None else None
            unmeasured = math.log(UNMEASURED_SHARE) if other is None else 0.0
            free.append(free[-1] + (self._loose[i] + unmeasured if expected is None else 0.0))
            for group, levels in sums.items():
                if other is None or expected is None or other.group != group:
                    for running in levels:
                        running.append(running[-1])
                    continue
                sd = other.sd
                scale = (1 - OUTLIER_SHARE) / (sd * math.sqrt(2 * math.pi))
                for step, running in enumerate(levels):
                    z = (log_weight - expected - (step - LEVEL_STEPS) * LEVEL_STEP) / sd
                    if -FAR_SD < z < FAR_SD:
                        density = scale * math.exp(-z * z / 2) + OUTLIER_SHARE * OUTLIER_DENSITY
                        running.append(running[-1] + math.log(density))
                    else:
                        running.append(running[-1] + _FAR_LOG_DENSITY)
        return free, sums

    def _marginal(self, parts: Sequence[tuple[int, int, int]]) -> float:
        """Log likelihood of the weights in these parts (shift, from, to), the levels integrated out."""
        total = sum(self._sums[shift][0][to] - self._sums[shift][0][start] for shift, start, to in parts)
        for group in self._groups:
            terms = [
                sum(
                    self._sums[shift][1][group][step][to] - self._sums[shift][1][group][step][start]
                    for shift, start, to in parts
                )
                - ((step - LEVEL_STEPS) * LEVEL_STEP / LEVEL_SD) ** 2 / 2
                for step in range(2 * LEVEL_STEPS + 1)
            ]
            top = max(terms)
            total += top + math.log(sum(math.exp(term - top) for term in terms))
        return total

    def _without_fish(self, i: int) -> float:
        z = (self._logs[i] - self._middle) / self._spread
        return -z * z / 2 - math.log(self._spread * math.sqrt(2 * math.pi))

    def _left_over(self, i: int) -> float:
        """A weight too many: any weight, or the one before once more."""
        if i == 0:
            return self._loose[i]
        z = (self._logs[i] - self._logs[i - 1]) / DOUBLE_SD
        double = DOUBLE_SHARE * math.exp(-z * z / 2) / (DOUBLE_SD * math.sqrt(2 * math.pi))
        return math.log(double + (1 - DOUBLE_SHARE) * math.exp(self._loose[i]))
