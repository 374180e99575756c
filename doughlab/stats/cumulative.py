"""Likelihood of ordered categories with random intercepts, and its maximum.

Called by ordinal, which turns tables into codes and numbers into tables.
Formulas, tests and predictions are left to it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logsumexp

from doughlab.stats.curvature import Curvature

Floats = NDArray[np.float64]
Codes = NDArray[np.int64]

_ZERO_SD = 1e-3  # a standard deviation below this is taken to zero
_FLAT = 1e-5  # curvature below this share of the largest: no maximum in that direction
_FAR = -1e10


@dataclass(frozen=True)
class Problem:
    """Ordered responses with fixed columns and random groupings.

    Attributes
    ----------
    y : int array, shape (n,)
        Category of each row, 0 to c - 1, each used at least once.
    matrix : array, shape (n, p)
        Fixed columns without an intercept; the thresholds take its place.
    groups : tuple of int array, shape (n,)
        Group of each row, one array per random term.
    sizes : tuple of int
        Number of groups of each random term.
    nodes : int
        1 for Laplace's approximation; more are Gauss-Hermite nodes, for one random term.
    """

    y: Codes
    matrix: Floats
    groups: tuple[Codes, ...]
    sizes: tuple[int, ...]
    nodes: int = 1

    @property
    def cuts(self) -> int:
        """Count the thresholds."""
        return int(self.y.max())

    def split(self, psi: Floats) -> tuple[Floats, Floats, Floats]:
        """Take parameters apart: thresholds, coefficients, standard deviations."""
        cuts, p = self.cuts, self.matrix.shape[1]
        steps = np.concatenate([psi[:1], np.exp(psi[1:cuts])])
        return np.cumsum(steps), psi[cuts : cuts + p], psi[cuts + p :]


@dataclass(frozen=True)
class Maximum:
    """Where the likelihood is largest.

    Attributes
    ----------
    thresholds, coefficients, deviations : array
        Estimates; deviations are standard deviations of the random terms, 0 or more.
    log_likelihood : float
    covariance : array, shape (c - 1 + p, c - 1 + p)
        Of thresholds and coefficients, from the curvature of the whole likelihood.
    modes, mode_variances : array, shape (number of groups,)
        Most likely effect of each group, and its conditional variance.
    gradient : float
        Largest absolute slope left.
    flat : array, shape (c - 1 + p,) or None
        Direction in which the likelihood has no maximum, if there is one.
    """

    thresholds: Floats
    coefficients: Floats
    deviations: Floats
    log_likelihood: float
    covariance: Floats
    modes: Floats
    mode_variances: Floats
    gradient: float
    flat: Floats | None


@dataclass(frozen=True)
class _Pieces:
    """What one row contributes, and its derivatives by the linear predictor."""

    logp: Floats
    upper: Floats  # F at the upper threshold; 1 in the last category
    lower: Floats  # F at the lower threshold; 0 in the first
    gap_slope: Floats  # derivative of log(1 - exp(-gap)) by the gap between the thresholds

    @property
    def slope(self) -> Floats:
        return self.upper + self.lower - 1.0

    @property
    def upper_density(self) -> Floats:
        return self.upper * (1.0 - self.upper)

    @property
    def lower_density(self) -> Floats:
        return self.lower * (1.0 - self.lower)

    @property
    def weight(self) -> Floats:
        return self.upper_density + self.lower_density


def _pieces(y: Codes, theta: Floats, eta: Floats) -> _Pieces:
    """Split log(F(a) - F(b)) into log F(a) + log(1 - F(b)) + log(1 - exp(b - a)).

    The identity holds for the logistic curve; it keeps every digit in the tails and makes the
    curvature by the linear predictor a plain sum.
    """
    ends = np.concatenate([[-np.inf], theta, [np.inf]])
    upper_at, lower_at = ends[y + 1] - eta, ends[y] - eta
    gap = np.concatenate([[np.inf], np.diff(theta), [np.inf]])[y]
    inner = np.isfinite(gap)
    safe = np.where(inner, gap, 1.0)
    gap_log = np.where(inner, np.log(-np.expm1(-safe)), 0.0)
    gap_slope = np.where(inner, 1.0 / np.expm1(safe), 0.0)
    logp = -np.logaddexp(0.0, -upper_at) - np.logaddexp(0.0, lower_at) + gap_log
    return _Pieces(logp, expit(upper_at), expit(lower_at), gap_slope)


@dataclass(frozen=True)
class _Mode:
    """Random effects (in standard deviations) at their most likely, given the parameters."""

    effects: Floats
    pieces: _Pieces
    curvature: Curvature | None
    log_joint: float


@dataclass(frozen=True)
class _Inner:
    """Averages over the nodes of each group, weighted by what they add to the likelihood."""

    upper: Floats  # per row, F at the upper threshold
    lower: Floats
    by_sd: list[float]  # direct derivative by each standard deviation
    stretch: Floats  # per group, factor on the derivative of the log width; 1 for Laplace
    lean: Floats  # per group, slope of the joint likelihood over the nodes; 0 for Laplace


class _Likelihood:
    """Evaluates a problem; keeps the last mode as the next start."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self.first = np.concatenate([[0], np.cumsum(problem.sizes)]).astype(np.int64)
        self.places = [g + f for g, f in zip(problem.groups, self.first, strict=False)]
        self.start = np.zeros(int(self.first[-1]))
        self.last: tuple[bytes, _Mode] | None = None

    def spread(self, effects: Floats, sd: Floats) -> Floats:
        """Give each row the sum of its random effects."""
        total = np.zeros(self.problem.y.size)
        for place, one in zip(self.places, sd, strict=True):
            total += one * effects[place]
        return total

    def gather(self, values: Floats, sd: Floats) -> Floats:
        """Sum row values into groups, times the standard deviations."""
        parts = [
            one * np.bincount(g, values, m)
            for g, m, one in zip(self.problem.groups, self.problem.sizes, sd, strict=True)
        ]
        return np.concatenate([*parts, np.zeros(0)])

    def curvature(self, weight: Floats, sd: Floats) -> Curvature:
        """Give minus the curvature of the joint likelihood by the random effects."""
        return Curvature(weight, self.problem.groups, self.problem.sizes, sd)

    def mode_at(self, psi: Floats) -> _Mode:
        """Find the mode at these parameters, or take it from the last call."""
        key = psi.tobytes()
        if self.last is None or self.last[0] != key:
            theta, beta, sd = self.problem.split(psi)
            self.last = (key, self.find_mode(theta, self.problem.matrix @ beta, sd))
        return self.last[1]

    def find_mode(self, theta: Floats, fixed: Floats, sd: Floats) -> _Mode:
        """Find the most likely random effects by Newton's method with halving."""
        y, v = self.problem.y, self.start
        if not v.size:
            pieces = _pieces(y, theta, fixed)
            return _Mode(v, pieces, None, float(pieces.logp.sum()))

        def joint(effects: Floats) -> tuple[_Pieces, float]:
            pieces = _pieces(y, theta, fixed + self.spread(effects, sd))
            return pieces, float(pieces.logp.sum() - effects @ effects / 2.0)

        pieces, value = joint(v)
        if not np.isfinite(value):
            v = np.zeros_like(v)
            pieces, value = joint(v)
        for _ in range(60):
            step = self.curvature(pieces.weight, sd).solve(self.gather(pieces.slope, sd) - v)
            for _ in range(30):
                new_pieces, new_value = joint(v + step)
                if new_value >= value - 1e-12 * abs(value):
                    break
                step = step / 2.0
            v, pieces, value = v + step, new_pieces, new_value
            if np.abs(step).max() < 1e-10:
                break
        self.start = v
        return _Mode(v, pieces, self.curvature(pieces.weight, sd), value)

    def value(self, psi: Floats) -> float:
        """Give the log likelihood; a large negative number where it cannot be computed."""
        with np.errstate(over="ignore", divide="ignore", invalid="ignore"):
            found = self._value(psi)
        return found if np.isfinite(found) else _FAR

    def _value(self, psi: Floats) -> float:
        mode = self.mode_at(psi)
        if mode.curvature is None:
            return mode.log_joint
        if self.problem.nodes == 1:
            return mode.log_joint - 0.5 * mode.curvature.log_det
        width = np.sqrt(mode.curvature.diagonal)
        _, _, logs = self._at_nodes(psi, mode, mode.curvature)
        total = logsumexp(logs, axis=0) - np.log(width) - 0.5 * np.log(np.pi)
        return float(total.sum())

    def _at_nodes(
        self, psi: Floats, mode: _Mode, curvature: Curvature
    ) -> tuple[Floats, _Pieces, Floats]:
        """Give effects, row pieces and log weights at the nodes around each group's mode."""
        problem, (theta, beta, sd) = self.problem, self.problem.split(psi)
        nodes, weights = np.polynomial.hermite.hermgauss(problem.nodes)
        group, m = problem.groups[0], problem.sizes[0]
        effects = mode.effects + np.sqrt(2.0 / curvature.diagonal) * nodes[:, None]
        pieces = _pieces(problem.y, theta, problem.matrix @ beta + sd[0] * effects[:, group])
        logs = _sum_groups(pieces.logp, group, m) - effects**2 / 2.0
        return effects, pieces, logs + (nodes**2 + np.log(weights))[:, None]

    def gradient(self, psi: Floats) -> Floats:
        """Give the exact derivative of the approximate log likelihood by the parameters."""
        theta, _, sd = self.problem.split(psi)
        mode = self.mode_at(psi)
        p, inner = mode.pieces, self._inner(psi, mode)
        leverage, pull, own = self._leverage(mode, sd, inner)
        up, low = p.upper_density, p.lower_density
        up_turn, low_turn = up * (1.0 - 2.0 * p.upper), low * (1.0 - 2.0 * p.lower)
        moved = 0.5 * leverage * (up_turn + low_turn) + 0.5 * pull * p.weight
        by_eta = inner.upper + inner.lower - 1.0 + moved
        by_upper = 1.0 - inner.upper + p.gap_slope - 0.5 * leverage * up_turn - 0.5 * pull * up
        by_lower = -inner.lower - p.gap_slope - 0.5 * leverage * low_turn - 0.5 * pull * low
        cuts, y = theta.size, self.problem.y
        by_theta = np.bincount(y, by_upper, cuts + 1)[:cuts] + np.bincount(y, by_lower)[1:]
        by_step = np.cumsum(by_theta[::-1])[::-1] * np.concatenate([[1.0], np.diff(theta)])
        by_sd = [
            direct + float(moved @ mode.effects[place]) - extra
            for direct, place, extra in zip(inner.by_sd, self.places, own, strict=True)
        ]
        return np.concatenate([by_step, by_eta @ self.problem.matrix, by_sd])

    def _inner(self, psi: Floats, mode: _Mode) -> _Inner:
        """Average what the gradient needs over the nodes; at the mode itself for Laplace."""
        p = mode.pieces
        if self.problem.nodes == 1 or mode.curvature is None:
            direct = [float(p.slope @ mode.effects[place]) for place in self.places]
            still = np.zeros(mode.effects.size)
            return _Inner(p.upper, p.lower, direct, still + 1.0, still)
        effects, at, logs = self._at_nodes(psi, mode, mode.curvature)
        sd, group, m = self.problem.split(psi)[2][0], self.problem.groups[0], self.problem.sizes[0]
        share = np.exp(logs - logsumexp(logs, axis=0))
        row = share[:, group]
        slope = sd * _sum_groups(at.slope, group, m) - effects
        return _Inner(
            (row * at.upper).sum(axis=0),
            (row * at.lower).sum(axis=0),
            [float((row * at.slope * effects[:, group]).sum())],
            1.0 + (share * slope * (effects - mode.effects)).sum(axis=0),
            (share * slope).sum(axis=0),
        )

    def _leverage(
        self, mode: _Mode, sd: Floats, inner: _Inner
    ) -> tuple[Floats, Floats, list[float]]:
        """Give what the width and the shift of the mode add to each derivative.

        Per row its leverage, and the pull of the shifting mode; per random term the direct
        derivative by its standard deviation.
        """
        n = self.problem.y.size
        if mode.curvature is None:
            return np.zeros(n), np.zeros(n), []
        p = mode.pieces
        shares = mode.curvature.shares()
        if self.problem.nodes > 1:
            shares = [shares[0] * inner.stretch[self.places[0]]]
        leverage = np.zeros(n)
        for one, share in zip(sd, shares, strict=True):
            leverage += one * share
        turn = -p.upper_density * (1.0 - 2.0 * p.upper) - p.lower_density * (1.0 - 2.0 * p.lower)
        drift = mode.curvature.solve(self.gather(leverage * turn, sd) - 2.0 * inner.lean)
        own = []
        for k, share in enumerate(shares):
            block = slice(self.first[k], self.first[k + 1])
            slopes = np.bincount(self.problem.groups[k], p.slope, self.problem.sizes[k])
            own.append(float(p.weight @ share + 0.5 * drift[block] @ slopes))
        return leverage, self.spread(drift, sd), own


def _sum_groups(values: Floats, group: Codes, m: int) -> Floats:
    """Sum row values, shape (nodes, n), into groups, shape (nodes, m)."""
    cell = np.arange(values.shape[0])[:, None] * m + group
    sums = np.bincount(cell.ravel(), values.ravel(), values.shape[0] * m)
    return np.asarray(sums, dtype=float).reshape(-1, m)


def maximise(problem: Problem) -> Maximum:
    """Find the largest likelihood of a problem.

    Parameters
    ----------
    problem : Problem

    Returns
    -------
    Maximum
        A standard deviation that goes to zero is returned as exactly 0.

    Notes
    -----
    Quasi-Newton steps from the fit without random terms, then Newton steps on differences of the
    gradient. The gradient is that of the approximation itself: it carries the shift of each mode
    and the change of its width.
    """
    plain = Problem(problem.y, problem.matrix, (), ())
    psi = _climb(_Likelihood(plain), _start(plain))
    if problem.groups:
        laplace = Problem(problem.y, problem.matrix, problem.groups, problem.sizes)
        psi = _climb_random(_Likelihood(laplace), psi)
        if problem.nodes > 1:
            psi = _climb(_Likelihood(problem), psi)
    return _finish(_Likelihood(problem), psi)


def _climb_random(likelihood: _Likelihood, fixed: Floats) -> Floats:
    """Climb from two sizes of the random effects where the first ends at zero."""
    terms = len(likelihood.problem.groups)
    first = _climb(likelihood, np.concatenate([fixed, np.full(terms, 1.0)]))
    if (np.abs(first[fixed.size :]) > _ZERO_SD).all():
        return first
    second = _climb(likelihood, np.concatenate([fixed, np.full(terms, 0.3)]))
    return second if likelihood.value(second) > likelihood.value(first) + 1e-7 else first


def _start(problem: Problem) -> Floats:
    """Start at the thresholds of the plain shares."""
    counts = np.bincount(problem.y).astype(float)
    below = np.cumsum(counts)[:-1] / counts.sum()
    theta = np.log(below / (1.0 - below))
    steps = np.log(np.diff(theta))
    return np.concatenate([theta[:1], steps, np.zeros(problem.matrix.shape[1])])


def _climb(likelihood: _Likelihood, start: Floats) -> Floats:
    from scipy.optimize import minimize

    found = minimize(
        lambda psi: -likelihood.value(psi),
        start,
        jac=lambda psi: -likelihood.gradient(psi),
        method="BFGS",
        options={"gtol": 1e-6, "maxiter": 500},
    )
    return np.asarray(found.x)


def _finish(likelihood: _Likelihood, psi: Floats) -> Maximum:
    """Sharpen the optimum, take vanishing deviations to zero, and read off the curvature."""
    problem = likelihood.problem
    fixed = problem.cuts + problem.matrix.shape[1]
    free = np.zeros(psi.size, dtype=bool)
    for _ in range(20):
        small = np.abs(psi) < _ZERO_SD
        small[:fixed] = False
        psi = np.where(small, 0.0, psi)
        if (free == small).any():
            free = ~small
            values, vectors = np.linalg.eigh(_hessian(likelihood, psi, free, order=2))
            steep = values < -_FLAT * np.abs(values).max()
        slope = likelihood.gradient(psi)[free]
        step = vectors[:, steep] @ ((vectors[:, steep].T @ slope) / -values[steep])
        if np.abs(step).max(initial=0.0) > 1.0:
            break
        psi = psi.copy()
        psi[free] += step
        if np.abs(step).max(initial=0.0) < 1e-9:
            break
    return _read_maximum(likelihood, psi, free, fixed)


def _read_maximum(
    likelihood: _Likelihood, psi: Floats, free: NDArray[np.bool_], fixed: int
) -> Maximum:
    problem = likelihood.problem
    hessian = -_hessian(likelihood, psi, free)
    values, vectors = np.linalg.eigh(hessian)
    jacobian = _threshold_jacobian(problem, psi)
    good = values > _FLAT * values.max()
    inverse = (vectors[:, good] / values[good]) @ vectors[:, good].T
    covariance = jacobian @ inverse[:fixed, :fixed] @ jacobian.T
    flat = None if good.all() else jacobian @ vectors[:fixed, np.argmin(values)]
    theta, beta, sd = problem.split(psi)
    mode = likelihood.mode_at(psi)
    scale = np.repeat(sd, problem.sizes)
    spread = np.zeros(0)
    if mode.curvature is not None:
        spread = mode.curvature.variances() * scale**2
    slope = likelihood.gradient(psi)[free]
    return Maximum(
        theta,
        beta,
        np.abs(sd),
        likelihood.value(psi),
        covariance,
        mode.effects * scale,
        spread,
        float(np.abs(slope).max()),
        flat,
    )


def _hessian(
    likelihood: _Likelihood, psi: Floats, free: NDArray[np.bool_], *, order: int = 4
) -> Floats:
    """Difference the gradient over the free parameters."""
    stencil = [(-1, -0.5), (1, 0.5)]
    if order == 4:
        stencil = [(-2, 1 / 12), (-1, -8 / 12), (1, 8 / 12), (2, -1 / 12)]
    rows = []
    for place in np.flatnonzero(free):
        h = 1e-3 * max(1.0, abs(psi[place]))
        row = np.zeros(int(free.sum()))
        for k, share in stencil:
            moved = psi.copy()
            moved[place] += k * h
            row += share / h * likelihood.gradient(moved)[free]
        rows.append(row)
    matrix = np.array(rows)
    return (matrix + matrix.T) / 2.0


def _threshold_jacobian(problem: Problem, psi: Floats) -> Floats:
    """Differentiate thresholds and coefficients by the parameters."""
    cuts, p = problem.cuts, problem.matrix.shape[1]
    jacobian = np.eye(cuts + p)
    steps = np.concatenate([[1.0], np.exp(psi[1:cuts])])
    jacobian[:cuts, :cuts] = np.tril(np.ones((cuts, cuts))) * steps
    return jacobian
