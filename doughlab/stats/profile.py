"""Ranges for variances, their sums and shares, from the profile of the restricted likelihood.

Called by components.py for data of any layout.
The fit itself is left to fit.py; balanced layouts also have ranges from mean_squares.py.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import chdtri, expit

from doughlab.errors import NotEstimable
from doughlab.stats.fit import prepare_design
from doughlab.stats.reml import Reduction
from doughlab.stats.result import MixedFit

Floats = NDArray[np.floating[Any]]

LEAST = 1e-9  # the residual is kept above it, where the response has variance 1


@dataclass(frozen=True)
class VarianceProfile:
    """The restricted likelihood of one response as a function of its variances.

    Attributes
    ----------
    a : array, shape (k, r, r)
        As in a Reduction.
    w : array, shape (r,)
    s0 : float
        The response, reduced and scaled to unit spread.
    rest : int
        Degrees of freedom outside the random terms.
    best : array, shape (k + 1,)
        Estimates on that scale, residual last.
    scale : float
        Spread of the response.
    """

    a: Floats
    w: Floats
    s0: float
    rest: int
    best: Floats
    scale: float

    def criterion(self, variances: Floats) -> tuple[float, Floats, Floats]:
        """Give -2 log restricted likelihood, up to a constant, its gradient and expected Hessian.

        Parameters
        ----------
        variances : array, shape (k + 1,)
            0 or more, residual last.
        """
        s = max(float(variances[-1]), 1e-11 * float(variances.max()))  # keeps V regular
        v = np.tensordot(variances[:-1], self.a, axes=1) + s * np.eye(len(self.w))
        inverse = np.linalg.inv(v)
        u = inverse @ self.w
        value = np.linalg.slogdet(v)[1] + self.rest * np.log(s) + self.w @ u + self.s0 / s
        va = np.concatenate([inverse @ self.a, inverse[None]])
        slope = np.trace(va, axis1=1, axis2=2)
        slope[:-1] -= np.einsum("irs,r,s->i", self.a, u, u)
        slope[-1] += self.rest / s - u @ u - self.s0 / s**2
        curvature = np.einsum("irs,jsr->ij", va, va)
        curvature[-1, -1] += self.rest / s**2
        return float(value), slope, curvature

    @cached_property
    def lowest(self) -> float:
        """Give the criterion at the estimates."""
        return self.criterion(np.maximum(self.best, LEAST))[0]

    @property
    def floor(self) -> Floats:
        """Give the least variances that are searched: zero, and next to it for the residual."""
        return np.append(np.zeros(len(self.a)), LEAST)

    def descend(self, row: Floats, start: Floats) -> tuple[Floats, float]:
        """Minimise the criterion while row @ variances stays as it is at the start.

        Fisher scoring, damped as by Marquardt, with an active set for the variances at zero.

        Parameters
        ----------
        row : array, shape (k + 1,)
            Zeros for a free search.
        start : array, shape (k + 1,)
        """
        floor, place = self.floor, np.maximum(start, self.floor)
        value, slope, curvature = self.criterion(place)
        damping = 1e-4
        for _ in range(150):
            matrix = curvature + damping * np.diag(np.diag(curvature) + 1e-12)
            step = _active_step(matrix, slope, row, place - floor)
            tried = np.maximum(place + step, floor)
            new = self.criterion(tried)
            gain = value - new[0]
            if gain >= 0.0:
                place, (value, slope, curvature) = tried, new
                damping = max(damping / 5.0, 1e-9)
            else:
                damping *= 4.0
            if damping > 1e12 or 0.0 <= gain < 1e-10:
                break
        return place, value

    def lowest_without(self, gone: NDArray[np.bool_]) -> float:
        """Minimise the criterion with some variances at zero; infinite for the residual."""
        if gone[-1]:
            return np.inf
        kept = replace(self, a=self.a[~gone[:-1]], best=self.best[~gone])
        free = np.zeros(len(kept.best))
        starts = (kept.best, np.full(len(free), 1.0 / len(free)))
        return min(kept.descend(free, start)[1] for start in starts)


def _active_step(matrix: Floats, slope: Floats, row: Floats, room: Floats) -> Floats:
    """Step towards the minimum of a quadratic, keeping row @ step = 0 and step >= -room.

    Variances without room stay where they are unless the slope draws them away from zero.
    """
    unit = 1.0 / np.sqrt(np.diag(matrix))
    matrix, slope, room = matrix * np.outer(unit, unit), slope * unit, room / unit
    row = row * unit / max(float(np.abs(row * unit).max()), 1e-300)
    k, tied = len(slope), bool(row.any())
    free = room > 0.0
    for _ in range(k + 1):
        n = int(free.sum())
        system, wanted = np.zeros((n + tied, n + tied)), np.zeros(n + tied)
        system[:n, :n] = matrix[np.ix_(free, free)]
        wanted[:n] = -slope[free]
        if tied:
            system[:n, n] = system[n, :n] = row[free]
        found = np.linalg.lstsq(system, wanted, rcond=1e-14)[0]
        step = np.zeros(k)
        step[free] = found[:n]
        force = slope + matrix @ step + (found[n] * row if tied else 0.0)
        drawn = np.where(free, 0.0, force)
        if drawn.min() >= -1e-9 * max(1.0, float(np.abs(slope).max())):
            break
        free[int(drawn.argmin())] = True
    short = step < -room
    share = float((room[short] / -step[short]).min()) if short.any() else 1.0
    return step * unit * share


@dataclass(frozen=True)
class _Walk:
    """Follows the lowest criterion while a sum, or a share, is moved away from its estimate.

    `own` marks the sum, or the part; `rest` what else the whole of a share holds.
    """

    profile: VarianceProfile
    own: NDArray[np.bool_]
    rest: NDArray[np.bool_] | None = None

    def lowest_at(self, move: float, starts: Sequence[Floats]) -> tuple[Floats, float]:
        """Minimise with the logarithm of the sum (or of part : rest) at `move`."""
        row = self.own.astype(float)
        if self.rest is not None:
            row -= expit(move) * (self.own | self.rest)
        found = []
        for start in starts:
            place = np.maximum(start, self.profile.floor)
            whole = 1.0 if self.rest is None else max(float(place[self.rest].sum()), LEAST)
            if not place[self.own].sum() > 0.0:
                place[self.own] = 1.0
            place[self.own] *= np.exp(move) * whole / place[self.own].sum()
            found.append(self.profile.descend(row, place))
        return min(found, key=lambda one: one[1])

    def end(self, start: float, step: float, limit: float) -> float:
        """Walk from where the criterion is inside the limit to where it leaves it.

        Returns the logarithm there; infinite where it does not leave within a factor of e^25.
        """
        flat = np.full(len(self.own), 1.0 / len(self.own))
        inner, place = start, self.profile.best
        while abs(inner - start) < 25.0:
            outer = inner + step
            found, value = self.lowest_at(outer, (place, flat))
            if value > limit:
                break
            inner, place, step = outer, found, 1.5 * step
        else:
            return float(np.copysign(np.inf, step))
        rise = {inner: -1.0, outer: value - limit}

        def beyond(move: float) -> float:
            if move not in rise:
                rise[move] = self.lowest_at(move, (place, found))[1] - limit
            return rise[move]

        return float(brentq(beyond, inner, outer, xtol=1e-7, rtol=1e-12))


def build_variance_profile(fit: MixedFit) -> VarianceProfile:
    """Prepare the profile of a fit by restricted likelihood.

    Parameters
    ----------
    fit : MixedFit

    Returns
    -------
    VarianceProfile
    """
    red = fit.prepared.reduction
    if not isinstance(red, Reduction):
        red = prepare_design(fit.design).reduction
    if not isinstance(red, Reduction):
        raise NotEstimable("The variances of this layout cannot be profiled.")
    scale = float(np.sqrt(fit.variances.sum()))
    _, w, s0 = red.project((fit.y - fit.shift) / scale)
    best = np.maximum(fit.variances.to_numpy() / scale**2, 0.0)
    return VarianceProfile(red.a, w, float(s0), red.dof - red.basis.shape[1], best, scale)


def sum_range(profile: VarianceProfile, row: Floats, *, level: float = 0.95) -> tuple[float, float]:
    """Find the range of a sum of variances.

    Parameters
    ----------
    profile : VarianceProfile
    row : array, shape (k + 1,)
        1 for each variance in the sum, else 0.
    level : float

    Returns
    -------
    low, high : float
        Where the criterion lies within the chi-square quantile on one df of its lowest; the lower
        end is exactly 0 where zero is inside.

    References
    ----------
    Venzon & Moolgavkar (1988), Appl. Stat. 37, 87-94 (from memory), on the restricted likelihood.
    Checked against R in tests/reference/test_spread_graybill1980.py.
    """
    low, high = _ends(profile, row > 0, level)
    return np.exp(low) * profile.scale**2, np.exp(high) * profile.scale**2


def share_range(
    profile: VarianceProfile, row: Floats, *, of: Floats, level: float = 0.95
) -> tuple[float, float]:
    """Find the range of the share that some variances have in a sum of variances.

    Parameters
    ----------
    profile : VarianceProfile
    row : array, shape (k + 1,)
        1 for each variance of the part, else 0.
    of : array, shape (k + 1,)
        1 for each variance of the whole; it holds the part and more.
    level : float

    Returns
    -------
    low, high : float
        Between 0 and 1, as in `sum_range`.
    """
    low, high = _ends(profile, row > 0, level, rest=(of > 0) & ~(row > 0))
    return float(expit(low)), float(expit(high))


def _ends(
    profile: VarianceProfile,
    own: NDArray[np.bool_],
    level: float,
    *,
    rest: NDArray[np.bool_] | None = None,
) -> tuple[float, float]:
    """Find both ends: logarithms of a sum, or of part : rest."""
    limit = profile.lowest + float(chdtri(1.0, 1.0 - level))
    best = np.maximum(profile.best, LEAST)
    start = float(np.log(best[own].sum() / (1.0 if rest is None else best[rest].sum())))
    ends = []
    for step, gone in ((-0.5, own), (0.5, rest)):
        if gone is not None and profile.lowest_without(gone) <= limit:
            ends.append(float(np.copysign(np.inf, step)))
            continue
        ends.append(_Walk(profile, own, rest).end(start, step, limit))
    return ends[0], ends[1]
