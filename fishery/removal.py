"""How many fish of an unwanted species are left: removal over passes of equal effort (Zippin, Carle and Strub).

`catches` are the fish removed in each pass, in order; all passes cover the same shore with the same effort, close
enough in time that no fish comes or goes. For unequal effort see `fishery.leslie`.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from scipy.optimize import brentq, minimize_scalar
from scipy.special import chdtri, gammaln

from fishery.answers import Interval, Refused
from fishery.assumptions import ChiSquare, scatter, tested

Method = Literal["carle_strub", "zippin"]

LEAST_CATCH = 10
"""Fish in all passes, below which nothing is estimated (proposal)."""
TRUSTED_FISH = {2: 200, 3: 50}
"""Standard errors of fewer fish are doubtful (Bohlin et al. 1989), by number of passes."""
MANY = 1e9
"""Fish: an interval that reaches this is open."""

PEARSON_PASSES = 3

SOURCES = {
    "carle_strub": "Carle and Strub 1978, Biometrics 34:621; variance Zippin 1956",
    "zippin": "Zippin 1956, Biometrics 12:163; 1958, J. Wildl. Manage. 22:82",
}
FORMULAS = {
    "carle_strub": "least N >= T with (N + 1)/(N - T + 1) prod((kN - X - T + 1 + k - i)/(kN - X + 2 + k - i)) <= 1; "
    "p = T / (kN - X), X = sum((k - i) c_i)",
    "zippin": "q/p - k q^k/(1 - q^k) = sum((i - 1) c_i)/T; N = T / (1 - q^k)",
}
BIAS_CAUTION = (
    "Fish that stay are harder to catch pass by pass, so removal tends to overstate efficiency and understate numbers "
    "(Riley and Fausch 1992; Peterson et al. 2004, stream salmonids)."
)


@dataclass(frozen=True, slots=True)
class Removal:
    """Fish before the first pass (`estimate`, interval) and after the last (`left`, `left_interval`).

    catchability p: chance of a fish to be caught in one pass. fit: catches against expected ones. equal_catchability:
    was the first pass as efficient as the later ones? interval.high may be infinite: no upper limit.
    """

    catches: tuple[int, ...]
    total: int
    estimate: float
    se: float
    interval: Interval
    left: float
    left_interval: Interval
    catchability: float
    catchability_se: float
    fit: ChiSquare
    equal_catchability: ChiSquare
    method: str
    formula: str
    source: str
    cautions: tuple[str, ...]


def removal(
    catches: Sequence[int], *, method: Method = "carle_strub", level: float = 0.95
) -> Removal | Refused:
    """Number of fish from catches of two or more equal passes.

    Carle and Strub's weighted likelihood has the smaller bias and error (Carle and Strub 1978); Zippin's is its classic.
    SE(N)^2 = N (1 - q^k) q^k / ((1 - q^k)^2 - (k p)^2 q^(k - 1)), SE(p)^2 = (q p)^2 (1 - q^k) / (N (q (1 - q^k)^2 -
    (k p)^2 q^k)) (Zippin 1956; Seber 1982 p. 312). The interval is where twice the log likelihood of the removal model
    lies within chi-square of its maximum (profile over p): it is lop-sided as it should be and never below the catch.

    Refused for one pass, fewer than `LEAST_CATCH` fish, or catches that do not fall, sum((k + 1 - 2 i) c_i) <= 0, where
    no finite number is the likeliest (Seber and Le Cren 1967; Seber 1982 p. 312). Raises ValueError for negative catches.
    """
    c = _checked(catches)
    k, total = len(c), sum(c)
    if k < 2:
        return Refused(f"{k} pass.", "Two passes of equal effort, three or more for a test of the fit.")
    if total < LEAST_CATCH:
        return Refused(
            f"{total} fish in {k} passes.", f"{LEAST_CATCH} fish or more; pool species or sites where alike."
        )
    if not falls(c):
        told = ", ".join(str(one) for one in c)
        return Refused(
            f"Catches do not fall from pass to pass ({told}).", "Further passes, until catches clearly fall."
        )
    n, p = (float(carle_strub(c)), 0.0) if method == "carle_strub" else zippin(c)
    x = _weighted(c)
    if method == "carle_strub":
        p = total / (k * n - x)
    q = 1 - p
    caught = 1 - q**k
    bottom = caught**2 - (k * p) ** 2 * q ** (k - 1)
    se = math.sqrt(n * caught * q**k / bottom)
    interval = _profile(c, n, level)
    if k == 2:
        fit = tested("catches against expected", 0.0, 0)
    else:
        fit = scatter("catches against expected", c, [n * p * q**i for i in range(k)], 2)
    alike = equal_catchability(c)
    return Removal(
        catches=c,
        total=total,
        estimate=n,
        se=se,
        interval=interval,
        left=n - total,
        left_interval=Interval(interval.low - total, interval.high - total, level, interval.method),
        catchability=p,
        catchability_se=q * p * math.sqrt(caught / (n * q * bottom)) if q > 0 else 0.0,
        fit=fit,
        equal_catchability=alike,
        method="Carle and Strub" if method == "carle_strub" else "Zippin",
        formula=FORMULAS[method],
        source=SOURCES[method],
        cautions=_cautions(k, n, fit, alike, interval),
    )


def falls(catches: Sequence[int]) -> bool:
    """Whether catches fall enough for a finite likeliest number: sum((k + 1 - 2 i) c_i) > 0, i from 1 (Seber 1982)."""
    k = len(catches)
    return sum((k - 1 - 2 * i) * one for i, one in enumerate(catches)) > 0


def carle_strub(catches: Sequence[int]) -> int:
    """Number of fish by Carle and Strub 1978 (both prior weights 1): the least N >= T with
    (N + 1)/(N - T + 1) prod((kN - X - T + 1 + k - i)/(kN - X + 2 + k - i)) <= 1, X = sum((k - i) c_i).

    Also finite where catches do not fall; it then rests on the prior, not on the data. Raises ValueError for negative
    catches or none.
    """
    c = _checked(catches)
    k, total, x = len(c), sum(c), _weighted(c)
    if total == 0:
        raise ValueError("No fish was caught in any pass: nothing to estimate from.")

    def beyond(n: int) -> bool:
        ratio = math.log((n + 1) / (n - total + 1))
        for i in range(1, k + 1):
            ratio += math.log((k * n - x - total + 1 + k - i) / (k * n - x + 2 + k - i))
        return ratio <= 1e-12

    low, high = total - 1, total
    while not beyond(high):
        low, high = high, high + 2 * (high - total) + 1
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if beyond(middle) else (middle, high)
    return high


def zippin(catches: Sequence[int]) -> tuple[float, float]:
    """Number of fish and catchability by Zippin 1956: q/p - k q^k/(1 - q^k) = sum((i - 1) c_i)/T, N = T/(1 - q^k).

    Raises ValueError where catches do not fall (see `falls`) or one pass took all.
    """
    c = _checked(catches)
    k, total = len(c), sum(c)
    if not falls(c):
        raise ValueError(
            f"Catches of {', '.join(map(str, c))} do not fall: the likeliest number is not finite."
        )
    mean_pass = sum(i * one for i, one in enumerate(c)) / total
    if mean_pass == 0:
        return float(total), 1.0

    def gap(q: float) -> float:
        return q / (1 - q) - k * q**k / (1 - q**k) - mean_pass

    q = float(brentq(gap, 1e-12, 1 - 1e-7, xtol=1e-14))
    return total / (1 - q**k), 1 - q


def equal_catchability(catches: Sequence[int]) -> ChiSquare:
    """Likelihood ratio of one catchability for all passes against another one for the first pass (Schnute 1983, Can. J.
    Fish. Aquat. Sci. 40:2153); 1 degree of freedom, no test for two passes."""
    c = _checked(catches)
    name = "first pass against later ones"
    if len(c) < PEARSON_PASSES or not falls(c) or sum(c[1:]) == 0 or sum(c) == 0:
        return tested(name, 0.0, 0)
    return tested(name, max(0.0, 2 * (_best(_loglik_two, c)[1] - _best(_loglik, c)[1])), 1)


@dataclass(frozen=True, slots=True)
class PassesNeeded:
    """Further passes like those made until no more than `wanted_left` fish are expected to be left.

    low, high: at the limits of the number of fish, each with the catchability that goes with it; high may be infinite.
    """

    passes: int
    low: int
    high: float
    wanted_left: float
    level: float
    formula: str
    cautions: tuple[str, ...]


def passes_needed(answer: Removal, wanted_left: float) -> PassesNeeded:
    """Least j with (N - T) (1 - p)^j <= `wanted_left` fish (own algebra on the removal model).

    Raises ValueError for a wanted number of 0 or less: no number of passes is expected to leave none.
    """
    if not 0 < wanted_left < math.inf:
        raise ValueError(f"{wanted_left} fish left cannot be aimed at: give a number above 0.")

    def passes(n: float, p: float) -> float:
        left = n - answer.total
        if left <= wanted_left:
            return 0
        if p >= 1:
            return 1
        return (
            math.inf
            if n == math.inf
            else max(0, math.ceil(math.log(wanted_left / left) / math.log1p(-p) - 1e-9))
        )

    k, x = len(answer.catches), _weighted(answer.catches)

    def at(n: float) -> float:
        return passes(n, answer.total / (k * n - x) if n < math.inf else 0.0)

    return PassesNeeded(
        int(passes(answer.estimate, answer.catchability)),
        int(at(answer.interval.low)),
        at(answer.interval.high),
        wanted_left,
        answer.interval.level,
        "(N - T) (1 - p)^j <= wanted",
        ("Fish that stay are harder to catch: expect more passes than this.", *answer.cautions),
    )


def _weighted(c: Sequence[int]) -> int:
    return sum((len(c) - 1 - i) * one for i, one in enumerate(c))


def _loglik(c: Sequence[int], n: float) -> float:
    """Log likelihood of N fish at the best catchability for it, without terms that depend on the catches alone."""
    k, total, x = len(c), sum(c), _weighted(c)
    p = total / (k * n - x)
    spared = k * n - x - total
    return (
        float(gammaln(n + 1) - gammaln(n - total + 1))
        + total * math.log(p)
        + (spared and spared * math.log1p(-p))
    )


def _loglik_two(c: Sequence[int], n: float) -> float:
    first, later = c[0], c[1:]
    k, total, x = len(later), sum(later), _weighted(later)
    rest = n - first
    p1, p2 = first / n, total / (k * rest - x)
    out = float(gammaln(n + 1) - gammaln(n - sum(c) + 1)) + (first and first * math.log(p1))
    out += (rest and rest * math.log1p(-p1)) + total * math.log(p2)
    spared = k * rest - x - total
    return out + (spared and spared * math.log1p(-p2))


def _best(loglik: Callable[[Sequence[int], float], float], c: Sequence[int]) -> tuple[float, float]:
    """The whole number of fish, the catch or more, where the likelihood peaks, and its height. It has one peak."""
    total = sum(c)
    found = minimize_scalar(
        lambda x: -loglik(c, total + math.expm1(x)), bounds=(0, math.log(MANY)), method="bounded"
    )
    near = round(math.expm1(float(found.x)))
    height, extra = max((loglik(c, float(total + one)), one) for one in {0, max(0, near - 1), near, near + 1})
    return float(total + extra), height


def _profile(c: Sequence[int], near: float, level: float) -> Interval:
    total = float(sum(c))
    peak, top = _best(_loglik, c)
    drop = float(chdtri(1, 1 - level)) / 2

    def over(n: float) -> float:
        return _loglik(c, n) - top + drop

    low = total if over(total) >= 0 else float(brentq(over, total, peak))
    high = math.inf if over(MANY) >= 0 else float(brentq(over, peak, MANY, xtol=1e-6))
    return Interval(min(low, near), max(high, near), level, "profile likelihood of the removal model")


def _cautions(k: int, n: float, fit: ChiSquare, alike: ChiSquare, interval: Interval) -> tuple[str, ...]:
    said = [BIAS_CAUTION]
    bound = TRUSTED_FISH.get(k, 0)
    if n < bound:
        said.append(
            f"{k} passes want about {bound} fish or more for a trusty standard error (Bohlin et al. 1989)."
        )
    if k == 2:
        said.append(
            "Two passes cannot show whether catchability stayed the same: make three (Riley and Fausch 1992)."
        )
    if alike.df and alike.p < 0.05:
        said.append(f"The first pass was not as efficient as the later ones (P {alike.p:.3g}).")
    elif fit.df and fit.p < 0.05:
        said.append(f"Catches do not follow the model (P {fit.p:.3g}).")
    if interval.high == math.inf:
        said.append("The data set no upper limit.")
    return tuple(said)


def _checked(catches: Sequence[int]) -> tuple[int, ...]:
    c = tuple(int(one) for one in catches)
    if any(one != whole for one, whole in zip(catches, c, strict=True)) or min(c, default=0) < 0:
        raise ValueError(f"Catches of {', '.join(map(str, catches))}: give whole numbers of 0 or more fish.")
    return c
