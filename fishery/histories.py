"""Capture histories and the few sums that the open-population models need of them.

A history is one fish over k occasions: True where it was handled and its tag read. A fish handled twice on one occasion
counts once. A fish that was not put back (died, removed) ends there: `released` False.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fishery.assumptions import ChiSquare, summed, two_by_two

Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Summary:
    """Sums over fish, arrays over k occasions (fish). Enough for Jolly-Seber and Cormack-Jolly-Seber.

    caught n_i, marked_caught m_i (caught before), released R_i, seen_again r_i (of the R_i, caught later), missed z_i
    (caught before and after i, not at i); `next_capture` (k, k): of the R_i fish, those next caught at j. The last
    occasion has no later one: its R counts, r is 0.

    old_seen_again, old_released: the part of r_i and R_i that had been caught before i (for goodness of fit).
    """

    caught: Ints
    marked_caught: Ints
    released: Ints
    seen_again: Ints
    missed: Ints
    next_capture: Ints
    old_released: Ints
    old_seen_again: Ints

    @property
    def occasions(self) -> int:
        return len(self.caught)


def summarize(
    histories: npt.ArrayLike, count: npt.ArrayLike | None = None, released: npt.ArrayLike | None = None
) -> Summary:
    """Sums of `histories`, shape (fish, occasions), 0 or 1.

    count, shape (fish,): how many fish have this history (1). released, shape (fish,): whether the fish was put back
    after its last capture (True). A history without a capture adds nothing.

    Raises ValueError for other shapes, other values than 0 and 1, or negative counts.
    """
    seen = np.asarray(histories)
    if seen.ndim != 2 or seen.shape[1] < 2:
        raise ValueError(f"Histories of shape {seen.shape}: give fish by two or more occasions.")
    if seen.dtype != np.bool_:
        if not np.isin(seen, (0, 1)).all():
            raise ValueError("A history holds other values than 0 and 1.")
        seen = seen.astype(np.bool_)
    fish, k = seen.shape
    weight = np.ones(fish, dtype=np.int64) if count is None else np.asarray(count, dtype=np.int64)
    back = np.ones(fish, dtype=np.bool_) if released is None else np.asarray(released, dtype=np.bool_)
    if weight.shape != (fish,) or back.shape != (fish,) or (weight < 0).any():
        raise ValueError(f"{fish} histories need {fish} counts of 0 or more and {fish} entries of released.")
    if fish == 0:
        zero = np.zeros(k, dtype=np.int64)
        return Summary(zero, zero, zero, zero, zero, np.zeros((k, k), dtype=np.int64), zero, zero)
    return _summed(np.ascontiguousarray(seen.T), weight, back)


def _summed(seen: npt.NDArray[np.bool_], weight: Ints, back: npt.NDArray[np.bool_]) -> Summary:
    k, fish = seen.shape
    last_of_all = k - 1 - np.argmax(seen[::-1], axis=0)
    before = np.full(fish, -1, dtype=np.int64)  # occasion of the capture before, -1: none yet
    earlier = np.zeros(fish, dtype=np.bool_)  # whether there was one before that
    flows = np.zeros((k, k), dtype=np.int64)
    old_again = np.zeros(k, dtype=np.int64)
    rows: dict[str, list[int]] = {"caught": [], "marked": [], "released": [], "old": []}
    for j in range(k):
        now = np.flatnonzero(seen[j])
        known = now[before[now] >= 0]
        flows[:, j] = np.bincount(before[known], weights=weight[known], minlength=k)
        twice = known[earlier[known]]
        old_again += np.bincount(before[twice], weights=weight[twice], minlength=k).astype(np.int64)
        put_back = now[back[now] | (last_of_all[now] > j)]
        rows["caught"].append(int(weight[now].sum()))
        rows["marked"].append(int(weight[known].sum()))
        rows["released"].append(int(weight[put_back].sum()))
        rows["old"].append(int(weight[put_back[before[put_back] >= 0]].sum()))
        earlier[known] = True
        before[now] = j
    return from_sums(
        np.array(rows["caught"]),
        np.array(rows["released"]),
        flows,
        old_released=np.array(rows["old"]),
        old_seen_again=old_again,
    )


def from_sums(
    caught: Ints,
    released: Ints,
    next_capture: Ints,
    *,
    old_released: Ints | None = None,
    old_seen_again: Ints | None = None,
) -> Summary:
    """The sums from a published table: n_i, R_i, and fish by last release i and next capture j (upper triangle, k by k).

    Without `old_...` the goodness of fit of new against old fish has no data. Raises ValueError where more fish come
    back than were released or caught.
    """
    flows = np.asarray(next_capture, dtype=np.int64)
    k = len(caught)
    if flows.shape != (k, k) or np.tril(flows).any() or (flows < 0).any():
        raise ValueError(
            "Give releases by next capture as a square table with nothing on or below the diagonal."
        )
    back, marked = flows.sum(axis=1), flows.sum(axis=0)
    if (back > released).any() or (marked > caught).any():
        raise ValueError("More fish come back than were released, or more marked fish than fish were caught.")
    missed = np.array([int(flows[:i, i + 1 :].sum()) for i in range(k)], dtype=np.int64)
    nobody = np.zeros(k, dtype=np.int64)
    return Summary(
        np.asarray(caught, dtype=np.int64),
        marked,
        np.asarray(released, dtype=np.int64),
        back,
        missed,
        flows,
        nobody if old_released is None else old_released,
        nobody if old_seen_again is None else old_seen_again,
    )


@dataclass(frozen=True, slots=True)
class GoodnessOfFit:
    """Do fish of one occasion share one chance of survival and recapture? (Pollock et al. 1990; Burnham et al. 1987)

    new_against_old (TEST 3.SR): are fish seen for the first time seen again as often as others? Passing fish, and fish
    that handling drove off or killed, are not. just_caught_against_missed (TEST 2.CT): is a fish that was caught at i
    as likely to be caught at i + 1 as one that was there and missed? Shy or hooked fish are not.
    overdispersion: chi-square / df of both, never below 1; multiply variances by it.
    """

    new_against_old: ChiSquare
    just_caught_against_missed: ChiSquare
    overdispersion: float


def goodness_of_fit(summary: Summary) -> GoodnessOfFit:
    """Both tests, each a sum over occasions of Pearson's chi-square (sparse tables: Fisher's exact P as chi-square);
    occasions with an empty margin add nothing."""
    k = summary.occasions
    fresh, old = "new against old fish", "caught against missed fish"
    new_released = summary.released - summary.old_released
    new_again = summary.seen_again - summary.old_seen_again
    flows = summary.next_capture
    first, second = [], []
    for i in range(1, k - 1):
        table = (
            (int(new_again[i]), int(new_released[i] - new_again[i])),
            (int(summary.old_seen_again[i]), int(summary.old_released[i] - summary.old_seen_again[i])),
        )
        first.append(two_by_two(fresh, table))
        if i < k - 2:
            away = (int(flows[:i, i + 1].sum()), int(flows[:i, i + 2 :].sum()))
            here = (int(flows[i, i + 1]), int(flows[i, i + 2 :].sum()))
            second.append(two_by_two(old, (away, here)))
    new, caught = summed(fresh, first), summed(old, second)
    df = new.df + caught.df
    ratio = (new.statistic + caught.statistic) / df if df else 1.0
    return GoodnessOfFit(new, caught, max(1.0, ratio))
