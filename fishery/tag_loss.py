"""Marks that were lost, and what they do to a two-sample estimate."""

import math
from dataclasses import dataclass

from fishery.abundance import Abundance, chapman
from fishery.answers import Interval, Refused
from fishery.intervals import wilson_share

LEAST_DOUBLE = 5
"""Double-tagged fish seen again, below which no loss is reported (proposal)."""


@dataclass(frozen=True, slots=True)
class TagLoss:
    """Probability that one tag was lost, from fish seen again with both tags and with one. still_known: share of
    double-tagged fish that still bear a tag, 1 - loss^2."""

    loss: float
    interval: Interval
    kept_both: int
    kept_one: int
    still_known: float
    method: str
    formula: str
    source: str
    cautions: tuple[str, ...]


def double_tag_loss(one_left: int, both_left: int, level: float = 0.95) -> TagLoss | Refused:
    """Loss per tag from double-tagged fish seen again with one and with both tags: m1 / (m1 + 2 m2).

    Both tags alike, lost independently, fish without any tag left not known as such (Hyun et al. 2012, Trans. Am.
    Fish. Soc. 141, Table 7; Seber 1982 p. 94). Interval: score limits of the share s of fish with one tag among those
    with any, m1 / (m1 + m2) = 2 loss / (1 + loss), turned back by loss = s / (2 - s).

    Refused with fewer than `LEAST_DOUBLE` such fish. Raises ValueError for negative counts.
    """
    if min(one_left, both_left) < 0:
        raise ValueError(f"Counts of {one_left} and {both_left}: give 0 or more fish.")
    seen = one_left + both_left
    if seen < LEAST_DOUBLE:
        return Refused(
            f"{seen} double-tagged fish were seen again.",
            f"{LEAST_DOUBLE} or more, and 30 for a useful interval.",
        )
    loss = one_left / (one_left + 2 * both_left)
    share = wilson_share(one_left, seen, level)
    return TagLoss(
        loss=loss,
        interval=Interval(share.low / (2 - share.low), share.high / (2 - share.high), level, share.method),
        kept_both=both_left,
        kept_one=one_left,
        still_known=1 - loss * loss,
        method="double tagging",
        formula="loss = m1 / (m1 + 2 m2)",
        source="Hyun et al. 2012; Seber 1982",
        cautions=("Holds only if the two tags are alike and are lost independently of one another.",),
    )


def chapman_with_loss(
    single_tagged: int,
    double_tagged: int,
    examined: int,
    recaptured: int,
    lost: TagLoss,
    *,
    one_of_two_is_known: bool = True,
    level: float = 0.95,
) -> Abundance | Refused:
    """Chapman's estimate with the marked fish that still bear a mark: nA (1 - loss) + nBB (1 - loss^2).

    one_of_two_is_known False counts double-tagged fish only while both tags are there, nBB (1 - loss)^2: the printed
    estimate of Hyun et al. 2012 Table 7 does that. The standard error is that of Chapman for so many marks and takes
    the loss as known, as printed there. The interval does not: on the log scale the distances of its limits are those
    for a known loss and those that the limits of the loss make, added in quadrature (Zou and Donner 2008, Stat. Med.
    27:1693, from memory).

    Refused and raising as `chapman`.
    """
    marks = [
        single_tagged * (1 - loss)
        + double_tagged * (1 - loss * loss if one_of_two_is_known else (1 - loss) ** 2)
        for loss in (lost.loss, lost.interval.low, lost.interval.high)
    ]
    marked = marks[0]
    answer = chapman(max(recaptured, round(marked)), examined, recaptured, level=level)
    if isinstance(answer, Refused):
        return answer
    estimate = (marked + 1) * (examined + 1) / (recaptured + 1) - 1
    spread = (marked + 1) * (examined + 1) * max(marked - recaptured, 0) * (examined - recaptured)
    down = math.hypot(math.log(answer.estimate / answer.interval.low), math.log(marked / marks[2]))
    up = math.hypot(math.log(answer.interval.high / answer.estimate), math.log(marks[1] / marked))
    return Abundance(
        estimate=estimate,
        se=math.sqrt(spread / ((recaptured + 1) ** 2 * (recaptured + 2))),
        interval=Interval(
            estimate * math.exp(-down),
            estimate * math.exp(up),
            level,
            f"{answer.interval.method}, widened by the loss",
        ),
        interval_rule=answer.interval_rule,
        marked=answer.marked,
        examined=examined,
        recaptured=recaptured,
        method=f"{answer.method}, {100 * lost.loss:.3g} % of tags lost",
        formula=f"M = nA (1 - loss) + nBB (1 - loss^2); {answer.formula}",
        source=f"Hyun et al. 2012 Table 7; {answer.source}",
        assumptions=answer.assumptions,
        cautions=(*answer.cautions, "The standard error takes the loss as known; the interval does not."),
    )
