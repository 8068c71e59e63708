"""The likelihood of Cormack-Jolly-Seber over a few sums, its maximum, and how sharp it is (see `fishery.survival`)."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import chdtri, expit, ndtri

from fishery.answers import Interval
from fishery.histories import Summary

Floats = npt.NDArray[np.float64]

AT_BOUND = 8.0
"""A rate whose logit went beyond this (0.9997) is reported as 0 or 1."""
FARTHEST = 15.0
LONGEST = 3.0  # of a step, on the logit scale
STEPS = 100
LEAST_INFORMATION = 1e-3
"""A direction on the logit scale with less information (standard error above 30) is not estimable."""


@dataclass(frozen=True, slots=True)
class Rate:
    """One survival or recapture rate with the intervals (survival) or occasions (recapture) it holds for, from 0.

    product: this is survival of the last interval times recapture of the last occasion, which the data cannot tell
    apart. estimate None: the data say nothing about it. se None: estimate at 0 or 1.
    """

    holds_for: tuple[int, ...]
    estimate: float | None
    se: float | None
    interval: Interval | None
    product: bool = False


class Fit:
    """Maximum of the likelihood over the logits of the rates: survival groups first, then recapture groups."""

    def __init__(
        self,
        summary: Summary,
        phi_group: npt.NDArray[np.int64],
        p_group: npt.NDArray[np.int64],
        span: Floats,
        *,
        product: bool,
    ) -> None:
        self.phi_group, self.p_group, self.product = phi_group, p_group, product
        self.phis = int(phi_group.max()) + 1
        self.size = self.phis + int(p_group.max()) + 1 - product
        self._span = np.append(span[:-1], 1.0) if product else span
        self._marked = summary.marked_caught[1:].astype(np.float64)
        self._missed = summary.missed[1:].astype(np.float64)
        self._alive = self._marked + self._missed
        self._gone = (summary.released - summary.seen_again)[:-1].astype(np.float64)

    def run(self) -> None:
        self.at = self._best(np.zeros(self.size), np.ones(self.size, dtype=np.bool_))
        self.minus = self.cost(self.at)[0]
        self._inside = np.abs(self.at) < AT_BOUND
        self._covariance, self._blind = self._spread()

    def cost(self, logits: Floats) -> tuple[float, Floats]:
        """-ln L and its gradient; `_alive` times ln S etc., chi backwards, its derivatives forwards."""
        rates = expit(logits)
        phi = rates[: self.phis][self.phi_group]
        ps = np.append(rates[self.phis :], 1.0) if self.product else rates[self.phis :]
        p = ps[self.p_group]
        survived = phi**self._span
        gaps = len(survived)
        chi = np.ones(gaps + 1)
        for i in range(gaps - 1, -1, -1):
            chi[i] = 1 - survived[i] * (1 - (1 - p[i]) * chi[i + 1])
        tiny = 1e-300
        value = (
            self._alive @ np.log(np.maximum(survived, tiny))
            + self._marked @ np.log(np.maximum(p, tiny))
            + self._missed @ np.log(np.maximum(1 - p, tiny))
            + self._gone @ np.log(np.maximum(chi[:-1], tiny))
        )
        by_s = self._alive / np.maximum(survived, tiny)
        # on the logit scale at once: d ln p = 1 - p, d ln(1 - p) = -p, so that nothing is divided by 0 at the bounds
        by_p = self._marked * (1 - p) - self._missed * p
        carried = 0.0
        for i in range(gaps):
            pull = self._gone[i] / max(chi[i], tiny) + carried
            by_s[i] -= pull * (1 - (1 - p[i]) * chi[i + 1])
            by_p[i] -= pull * survived[i] * chi[i + 1] * p[i] * (1 - p[i])
            carried = pull * survived[i] * (1 - p[i])
        by_phi = by_s * self._span * survived * (1 - phi)
        slope = np.zeros(self.size + self.product)
        np.add.at(slope, self.phi_group, by_phi)
        np.add.at(slope, self.phis + self.p_group, by_p)
        return -float(value), -slope[: self.size]

    def _best(self, start: Floats, free: npt.NDArray[np.bool_], *, gain: float = 1e-11) -> Floats:
        """The best logits with those that are not `free` held, within +-`FARTHEST`, to a last gain below `gain`.

        Newton steps, damped until they gain (Levenberg 1944; Marquardt 1963). Own, because the library's search hands
        vectors of ten numbers to a threaded BLAS, which costs milliseconds a step on a busy machine.
        """
        at = start.copy()
        value, slope = self.cost(at)
        damping = 1e-6
        for _ in range(STEPS if free.any() else 0):
            values, vectors = np.linalg.eigh(self._information(at, free)[np.ix_(free, free)])
            along = vectors.T @ slope[free]
            while damping < 1e12:
                step = np.zeros(self.size)
                step[free] = vectors @ (along / (np.abs(values) + damping))
                reach = float(np.abs(step).max())
                tried = np.clip(at - step * min(1.0, LONGEST / max(reach, 1e-300)), -FARTHEST, FARTHEST)
                new_value, new_slope = self.cost(tried)
                if new_value <= value:
                    break
                damping *= 10
            else:
                break
            gained = value - new_value
            at, value, slope, damping = tried, new_value, new_slope, max(damping / 10, 1e-12)
            if gained < gain and damping < 1:
                break
        return at

    def _information(self, at: Floats, free: npt.NDArray[np.bool_]) -> Floats:
        """Second derivatives of -ln L, from differences of the slopes; 0 outside `free`."""
        size, h = self.size, 1e-4
        rows = np.zeros((size, size))
        for i in np.flatnonzero(free):
            step = np.zeros(size)
            step[i] = h
            rows[i] = (self.cost(at + step)[1] - self.cost(at - step)[1]) / (2 * h)
        return np.asarray((rows + rows.T) / 2)

    def _spread(self) -> tuple[Floats, npt.NDArray[np.bool_]]:
        """Covariance of the logits, and which of them the data do not tell."""
        inner = np.flatnonzero(self._inside)
        covariance = np.zeros((self.size, self.size))
        blind = np.zeros(self.size, dtype=np.bool_)
        if inner.size:
            values, vectors = np.linalg.eigh(self._information(self.at, self._inside)[np.ix_(inner, inner)])
            seen = values > LEAST_INFORMATION
            blind[inner] = (np.abs(vectors[:, ~seen]) > 0.1).any(axis=1)
            part = (vectors[:, seen] / values[seen]) @ vectors[:, seen].T
            covariance[np.ix_(inner, inner)] = part
        return covariance, blind

    def rate(self, i: int, level: float) -> Rate:
        is_phi = i < self.phis
        places = (
            np.flatnonzero(self.phi_group == i)
            if is_phi
            else np.flatnonzero(self.p_group == i - self.phis) + 1
        )
        holds_for = tuple(int(one) for one in places)
        product = self.product and is_phi and holds_for[-1] == len(self.phi_group) - 1
        if self._blind[i]:
            return Rate(holds_for, None, None, None, product)
        if not self._inside[i]:
            return self._at_bound(i, holds_for, product, level)
        estimate = float(expit(self.at[i]))
        spread = math.sqrt(self._covariance[i, i])
        half = float(ndtri((1 + level) / 2)) * spread
        limits = expit(np.array([self.at[i] - half, self.at[i] + half]))
        interval = Interval(float(limits[0]), float(limits[1]), level, "normal on the logit scale")
        return Rate(holds_for, estimate, spread * estimate * (1 - estimate), interval, product)

    def _at_bound(self, i: int, holds_for: tuple[int, ...], product: bool, level: float) -> Rate:
        """A rate at 0 or 1: one end by profile likelihood; no rate where even the other bound is as likely."""
        drop = float(chdtri(1, 1 - level)) / 2
        others = np.arange(self.size) != i

        step = -math.copysign(1.0, self.at[i])
        near = self.at.copy()

        def moved(start: Floats, logit: float) -> Floats:
            held = start.copy()
            held[i] = logit
            return self._best(held, others, gain=1e-4)

        # Outwards in steps, each search from the one before: far from the best, some logits lie on flat ground.
        while self.cost(near)[0] - self.minus <= drop:
            inside = near
            if abs(near[i]) >= FARTHEST and near[i] * step > 0:
                return Rate(holds_for, None, None, None, product)
            near = moved(near, float(np.clip(near[i] + step, -FARTHEST, FARTHEST)))
        outside = float(near[i])
        while abs(outside - inside[i]) > 0.01:
            middle = moved(inside, (outside + float(inside[i])) / 2)
            if self.cost(middle)[0] - self.minus <= drop:
                inside = middle
            else:
                outside = float(middle[i])
        end = float(expit(outside))
        top = self.at[i] > 0
        interval = Interval(end if top else 0.0, 1.0 if top else end, level, "profile likelihood")
        return Rate(holds_for, 1.0 if top else 0.0, None, interval, product)
