"""Survival between surveys and the chance of being caught: Cormack-Jolly-Seber by likelihood on a few sums.

The likelihood needs of all histories only how many fish were released and seen again, caught marked and missed on each
occasion (`fishery.histories.Summary`), so a hundred thousand histories cost no more than a hundred.
Apparent survival: a fish that left the water for good counts like a dead one.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from fishery.answers import Refused
from fishery.assumptions import Assumption, judged, unseen
from fishery.histories import Summary, goodness_of_fit
from fishery.survival_fit import Fit, Rate

Structure = Literal["constant", "time"] | Sequence[int]

LEAST_RECAPTURES = 5
"""Recaptures in all, below which nothing is fitted (proposal)."""
FORMULA = (
    "L = prod S_t^(z + m) p_j^m (1 - p_j)^z chi_i^(R - r), chi_i = 1 - S_i (1 - (1 - p_i+1) chi_i+1), S = phi^years; "
    "AICc = -2 ln L + 2 K + 2 K (K + 1) / (n - K - 1), n releases"
)
SOURCE = "Cormack 1964; Jolly 1965; Seber 1965; Lebreton et al. 1992, Ecol. Monogr. 62:67"


@dataclass(frozen=True, slots=True)
class SurvivalModel:
    """A fitted model. survival: per year (or per interval, without `years`); releases: n of the AICc, sum of R_i."""

    survival: tuple[Rate, ...]
    recapture: tuple[Rate, ...]
    name: str
    neg2loglik: float
    parameters: int
    aicc: float
    releases: int
    recaptures: int
    overdispersion: float
    formula: str
    source: str
    assumptions: tuple[Assumption, ...]
    cautions: tuple[str, ...]


def cormack_jolly_seber(
    summary: Summary,
    survival: Structure = "constant",
    recapture: Structure = "constant",
    *,
    years: Sequence[float] | None = None,
    level: float = 0.95,
) -> SurvivalModel | Refused:
    """Fit survival phi and recapture p, each "constant", by "time", or by a group number for every interval (occasion).

    `years`, one per interval between occasions, makes survival annual, S = phi^years; without it each interval counts
    as one. Standard errors from the information (second derivatives at the maximum); intervals on the logit scale,
    turned back; by profile likelihood for a rate estimated at 0 or 1. With both by time the last survival and recapture
    cannot be told apart: their product is given, and K counts it once.

    Refused for fewer than three occasions or `LEAST_RECAPTURES` recaptures. Raises ValueError where a structure or
    `years` does not fit the occasions.
    """
    gaps = summary.occasions - 1
    phi_group = _groups(survival, gaps, "survival")
    p_group = _groups(recapture, gaps, "recapture")
    span = np.ones(gaps) if years is None else np.asarray(years, dtype=np.float64)
    if span.shape != (gaps,) or not (np.isfinite(span) & (span > 0)).all():
        raise ValueError(f"{span.size} spans of years for {gaps} intervals: give one above 0 for each.")
    recaptures = int(summary.seen_again.sum())
    if gaps < 2 or recaptures < LEAST_RECAPTURES:
        return Refused(
            f"{recaptures} recaptures over {summary.occasions} occasions.",
            f"Three occasions or more with {LEAST_RECAPTURES} recaptures; 20 or more for useful limits.",
        )
    alone = (phi_group == phi_group[-1]).sum() == 1 and (p_group == p_group[-1]).sum() == 1
    fit = Fit(summary, phi_group, p_group, span, product=bool(alone))
    fit.run()
    releases = int(summary.released[:-1].sum())
    rates = [fit.rate(i, level) for i in range(fit.size)]
    fitted = sum(one.estimate is not None for one in rates)
    phis, ps = rates[: fit.phis], rates[fit.phis :]
    if alone:
        ps = [*ps, Rate((gaps,), None, None, None, product=True)]
    fits = goodness_of_fit(summary)
    return SurvivalModel(
        survival=tuple(phis),
        recapture=tuple(ps),
        name=f"phi({_named(survival)}) p({_named(recapture)})",
        neg2loglik=2 * fit.minus,
        parameters=fitted,
        aicc=aicc(2 * fit.minus, fitted, releases),
        releases=releases,
        recaptures=recaptures,
        overdispersion=fits.overdispersion,
        formula=FORMULA,
        source=SOURCE,
        assumptions=(
            judged("Newly marked fish survive and stay like the others.", fits.new_against_old),
            judged(
                "Fish just caught are caught as readily as those missed.", fits.just_caught_against_missed
            ),
            unseen("No fish lost its mark, and every tag on a scanned fish was read.", "a second mark"),
            unseen("A fish that left does not come back.", "tags found elsewhere"),
        ),
        cautions=_cautions(rates, alone),
    )


def aicc(neg2loglik: float, parameters: int, n: int) -> float:
    """Akaike's criterion with small-sample correction, -2 ln L + 2 K + 2 K (K + 1) / (n - K - 1); infinite where
    n <= K + 1 (Hurvich and Tsai 1989, Biometrika 76:297)."""
    if n <= parameters + 1:
        return math.inf
    return neg2loglik + 2 * parameters + 2 * parameters * (parameters + 1) / (n - parameters - 1)


@dataclass(frozen=True, slots=True)
class Ranked:
    """A model with its distance in AICc from the best and its Akaike weight (share of the evidence)."""

    model: SurvivalModel
    delta: float
    weight: float


def rank(models: Sequence[SurvivalModel]) -> tuple[Ranked, ...]:
    """The models of one data set by AICc, best first (Burnham and Anderson 2002, from memory).

    Raises ValueError for no model, or where one has an infinite AICc throughout.
    """
    best = min((one.aicc for one in models), default=math.inf)
    if best == math.inf:
        raise ValueError("No model has a finite AICc: too few releases for so many rates.")
    weights = [math.exp(-(one.aicc - best) / 2) for one in models]
    told = [Ranked(one, one.aicc - best, w / sum(weights)) for one, w in zip(models, weights, strict=True)]
    return tuple(sorted(told, key=lambda one: one.delta))


def _groups(structure: Structure, gaps: int, name: str) -> npt.NDArray[np.int64]:
    if structure == "constant":
        return np.zeros(gaps, dtype=np.int64)
    if structure == "time":
        return np.arange(gaps, dtype=np.int64)
    groups = list(structure)
    if len(groups) != gaps:
        raise ValueError(f"{len(groups)} groups of {name} for {gaps} intervals: give one for each.")
    kinds = sorted(set(groups), key=groups.index)
    return np.array([kinds.index(one) for one in groups], dtype=np.int64)


def _named(structure: Structure) -> str:
    if structure == "constant":
        return "."
    return "t" if structure == "time" else "groups"


def _cautions(rates: Sequence[Rate], alone: bool) -> tuple[str, ...]:
    said = []
    if alone:
        said.append("Last survival and last recapture cannot be told apart: their product is given.")
    if any(one.estimate is not None and one.se is None for one in rates):
        said.append(
            "A rate came out at 0 or 1: few fish speak for it; its interval is by profile likelihood."
        )
    if any(one.estimate is None for one in rates):
        said.append("A rate is not told by the data: no fish of its interval or occasion was seen again.")
    return tuple(said)
