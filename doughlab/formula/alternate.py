"""Alternate: the two steps of a nonlinear mixed fit, curves and variances.

`nonlinear` alternates them until neither moves.
What is told about a fit, and its ranges, stand there.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from doughlab.errors import InputError, NotEstimable

Floats = NDArray[np.float64]
Codes = NDArray[np.intp]
CurveValue = Callable[[Any, Floats], tuple[Floats, Floats]]

_MOST_STEPS = 40  # numerical; rule of this project


@dataclass(frozen=True)
class CurveShape:
    """A curve with named parameters.

    Attributes
    ----------
    name : str
    parameters : tuple of str, length k
    value : callable (x, parameters (n, k)) -> values (n,), slopes (n, k)
        `x` is whatever the caller gives: an array (n,) or rows of something else.

    Examples
    --------
    >>> line = CurveShape("line", ("level", "slope"), lambda x, p: (
    ...     p[:, 0] + p[:, 1] * x, np.column_stack([np.ones(len(x)), x])))
    >>> line.parameters
    ('level', 'slope')
    """

    name: str
    parameters: tuple[str, ...]
    value: CurveValue


@dataclass(frozen=True)
class RandomTerm:
    """A parameter that differs between groups.

    Attributes
    ----------
    name : str
        Such as "batch: level".
    parameter : str
        Which parameter of the curve.
    codes : int array, shape (n,)
        Group of each value, from 0.


    Examples
    --------
    >>> RandomTerm("batch: level", "level", np.array([0, 0, 1])).size
    2
    """

    name: str
    parameter: str
    codes: Codes

    @property
    def size(self) -> int:
        """How many groups."""
        return int(self.codes.max()) + 1


@dataclass(frozen=True)
class Spread:
    """What Satterthwaite's degrees of freedom need, found once after the fit."""

    covariance: Floats
    pulls: Floats  # (variances, p, p): derivative of the covariance by each variance
    information: Floats

    def degrees(self, rows: Floats) -> Floats:
        """Give the degrees of freedom of linear combinations, at least 1."""
        variance = np.einsum("ij,jk,ik->i", rows, self.covariance, rows)
        slopes = np.einsum("ij,vjk,ik->iv", rows, self.pulls, rows)
        spread = np.einsum("iv,vw,iw->i", slopes, np.linalg.pinv(self.information), slopes)
        with np.errstate(divide="ignore", invalid="ignore"):
            df = np.where(spread > 0, 2.0 * variance**2 / spread, np.inf)
        return np.maximum(df, 1.0)


class Problem:
    """The data of one fit, and the two steps that are alternated."""

    def __init__(
        self,
        shape: CurveShape,
        x: Any,
        y: Floats,
        fixed: Mapping[str, tuple[Sequence[str], Floats]],
        random: tuple[RandomTerm, ...],
        reml: bool,
    ) -> None:
        self.shape, self.x, self.y, self.random, self.reml = shape, x, y, random, reml
        missing = [p for p in shape.parameters if p not in fixed]
        if missing:
            raise InputError(f"No design is given for {', '.join(missing)} of '{shape.name}'.")
        self.designs = [np.asarray(fixed[p][1], dtype=float) for p in shape.parameters]
        self.names = tuple(f"{p}: {c}" for p in shape.parameters for c in fixed[p][0])
        edges = np.cumsum([0, *(d.shape[1] for d in self.designs)])
        self.columns = tuple(slice(a, b) for a, b in pairwise(edges))
        self.p, self.n = int(edges[-1]), len(y)
        sizes = np.cumsum([0, *(t.size for t in random)])
        self.places = tuple(slice(a, b) for a, b in pairwise(sizes))
        self.q = int(sizes[-1])
        self.on = [shape.parameters.index(t.parameter) for t in random]
        if self.n <= self.p:
            raise NotEstimable(f"{self.n} values cannot tell {self.p} coefficients. Record more.")

    def scales(self, ratios: Floats) -> Floats:
        """Give the standard deviation ratio of every random column."""
        out = np.zeros(self.q)
        for place, ratio in zip(self.places, ratios, strict=True):
            out[place] = math.sqrt(ratio)
        return out

    def evaluate(self, beta: Floats, b: Floats) -> tuple[Floats, Floats, Floats]:
        """Give values, slopes by coefficient and slopes by random column."""
        phi = np.column_stack(
            [d @ beta[c] for d, c in zip(self.designs, self.columns, strict=True)]
        )
        for term, place, k in zip(self.random, self.places, self.on, strict=True):
            phi[:, k] += b[place][term.codes]
        value, slopes = self.shape.value(self.x, phi)
        x = np.hstack([slopes[:, [k]] * d for k, d in enumerate(self.designs)])
        z = np.zeros((self.n, self.q))
        rows = np.arange(self.n)
        for term, place, k in zip(self.random, self.places, self.on, strict=True):
            z[rows, place.start + term.codes] = slopes[:, k]
        return value, x, z

    def follow_curves(self, beta: Floats, u: Floats, ratios: Floats) -> tuple[Floats, Floats]:
        """Settle coefficients and deviations for given variances, by damped steps."""
        scale = self.scales(ratios)

        def size(b: Floats, v: Floats) -> float:
            with np.errstate(over="ignore", invalid="ignore"):
                rest = self.y - self.evaluate(b, scale * v)[0]
            total = float(rest @ rest + v @ v)
            return total if math.isfinite(total) else math.inf

        now, damping = size(beta, u), 1e-3
        for _ in range(_MOST_STEPS):
            value, x, z = self.evaluate(beta, scale * u)
            lower = np.hstack([np.zeros((self.q, self.p)), np.eye(self.q)])
            whole = np.vstack([np.hstack([x, z * scale]), lower])
            rest = np.concatenate([self.y - value, -u])
            while True:
                step = _damped_step(whole, rest, damping)
                tried = size(beta + step[: self.p], u + step[self.p :])
                if tried <= now * (1 + 1e-14):
                    break
                damping *= 10.0
                if damping > 1e8:
                    return beta, u
            beta, u, now = beta + step[: self.p], u + step[self.p :], tried
            damping = max(damping / 10.0, 1e-16)
            if np.all(np.abs(step[: self.p]) <= 1e-11 * (np.abs(beta) + 1e-6)):
                break
        return beta, u

    def linearise(self, beta: Floats, u: Floats, ratios: Floats) -> Linear:
        """Replace the curves by their tangents where they stand."""
        b = self.scales(ratios) * u
        value, x, z = self.evaluate(beta, b)
        return Linear(self, x, z, self.y - value + z @ b)


def _damped_step(matrix: Floats, target: Floats, damping: float) -> Floats:
    """Solve least squares on columns of one length, drawn towards no step at all."""
    size = np.sqrt(np.sum(matrix**2, axis=0))
    if not np.isfinite(size).all():
        raise NotEstimable("The curve runs out of all bounds here. Give other starting values.")
    size[size == 0] = 1.0
    scaled = matrix / size
    normal = scaled.T @ scaled + damping * np.eye(len(size))
    try:
        step = np.linalg.solve(normal, scaled.T @ target)
    except np.linalg.LinAlgError:
        step = np.linalg.lstsq(normal, scaled.T @ target, rcond=1e-12)[0]
    return np.asarray(step / size)


@dataclass(frozen=True)
class State:
    """The linear mixed model at given variance ratios."""

    shift: Floats
    squares: float
    deviance: float
    inverse: Floats
    inner: Floats  # Z' P Z
    pull: Floats  # Z' P w


class Linear:
    """The linearised model: w = x shift + z b + e, variances by scoring."""

    def __init__(self, problem: Problem, x: Floats, z: Floats, w: Floats) -> None:
        self.problem, self.x, self.z, self.w = problem, x, z, w
        self.xx, self.zz, self.zx = x.T @ x, z.T @ z, z.T @ x
        self.xw, self.zw, self.ww = x.T @ w, z.T @ w, float(w @ w)
        self.freedom = problem.n - (problem.p if problem.reml else 0)

    def state(self, ratios: Floats) -> State:
        """Solve the linear mixed model at given variance ratios."""
        scale = self.problem.scales(ratios)
        q = self.problem.q
        lower = np.linalg.cholesky(scale[:, None] * self.zz * scale + np.eye(q))

        def weighed(columns: Floats) -> Floats:
            """Multiply Z' V^-1 with something, from Z' times it."""
            half = np.linalg.solve(lower, scale.reshape(-1, *[1] * (columns.ndim - 1)) * columns)
            back = np.linalg.solve(lower.T, half)
            return columns - self.zz @ (scale.reshape(-1, *[1] * (columns.ndim - 1)) * back)

        zvx, zvw = weighed(self.zx), weighed(self.zw)
        half_x = np.linalg.solve(lower, scale[:, None] * self.zx)
        half_w = np.linalg.solve(lower, scale * self.zw)
        xvx, xvw = self.xx - half_x.T @ half_x, self.xw - half_x.T @ half_w
        inverse = _invert(xvx)
        shift = inverse @ xvw
        squares = max(self.ww - float(half_w @ half_w) - float(xvw @ shift), 1e-300)
        inner = weighed(self.zz) - zvx @ inverse @ zvx.T
        pull = zvw - zvx @ shift
        deviance = 2.0 * float(np.sum(np.log(np.diag(lower))))
        deviance += self.freedom * (1.0 + math.log(2.0 * math.pi * squares / self.freedom))
        if self.problem.reml:
            deviance += float(np.linalg.slogdet(xvx)[1])
        if not self.problem.reml:
            inner = weighed(self.zz)
        return State(shift, squares, deviance, inverse, inner, pull)

    def settle(self, ratios: Floats) -> tuple[Floats, Floats]:
        """Find the variance ratios, none below zero; give the shift of the coefficients too."""
        state = self.state(ratios)
        for _ in range(_MOST_STEPS):
            if not len(ratios):
                break
            step, free = self._score_step(state, ratios)
            share, moved = 1.0, False
            while share > 1e-8:
                tried = np.maximum(ratios + share * step, 0.0)
                found = self.state(tried)
                if found.deviance <= state.deviance + 1e-13 * abs(state.deviance):
                    moved = True
                    break
                share /= 2.0
            if not moved:
                break
            done = np.all(np.abs(tried - ratios) <= 1e-11 * (tried + 1e-6)) or not free.any()
            ratios, state = tried, found
            if done:
                break
        return ratios, state.shift

    def _score_step(self, state: State, ratios: Floats) -> tuple[Floats, NDArray[np.bool_]]:
        """Give a scoring step on the free ratios; those at zero that want below stay."""
        places = self.problem.places
        variance = state.squares / self.freedom
        traces = np.array([np.trace(state.inner[s, s]) for s in places])
        pulls = np.array([float(state.pull[s] @ state.pull[s]) for s in places])
        score = -0.5 * (traces - pulls / variance)
        information = np.array(
            [[0.5 * float(np.sum(state.inner[a, b] ** 2)) for b in places] for a in places]
        )
        information -= np.outer(traces, traces) / (2.0 * self.freedom)
        free = (ratios > 0) | (score > 0)
        step = np.zeros(len(ratios))
        if free.any():
            chosen = information[np.ix_(free, free)]
            chosen = chosen + 1e-10 * np.trace(chosen) * np.eye(len(chosen))
            step[free] = np.linalg.solve(chosen, score[free])
        return step, free

    def effects(self, ratios: Floats) -> Floats:
        """Predict the deviations, in units of their standard deviation ratio."""
        scale = self.problem.scales(ratios)
        state = self.state(ratios)
        rest = self.zw - self.zx @ state.shift
        whole = scale[:, None] * self.zz * scale + np.eye(self.problem.q)
        return np.asarray(np.linalg.solve(whole, scale * rest))

    def spread(self, ratios: Floats, variance: float) -> Spread:
        """Work out what Satterthwaite's degrees of freedom need, once."""
        n = self.problem.n
        whole = np.eye(n)
        pieces = []
        for place, ratio in zip(self.problem.places, ratios, strict=True):
            piece = self.z[:, place] @ self.z[:, place].T
            pieces.append(piece)
            whole += ratio * piece
        pieces.append(np.eye(n))
        weights = np.linalg.inv(whole) / variance
        covariance = _invert(self.x.T @ weights @ self.x)
        to_beta = covariance @ self.x.T @ weights
        keep = weights - weights @ self.x @ to_beta
        kept = [keep @ piece for piece in pieces]
        information = np.array([[0.5 * float(np.sum(a * b.T)) for b in kept] for a in kept])
        pulls = np.array([to_beta @ piece @ to_beta.T for piece in pieces])
        return Spread(covariance, pulls, information)


def _invert(matrix: Floats) -> Floats:
    """Invert a symmetric positive matrix after scaling; refuse one that is singular."""
    size = np.sqrt(np.diag(matrix))
    if (size == 0).any():
        raise NotEstimable("A coefficient of the curve has nothing to rest on.")
    scaled = matrix / np.outer(size, size)
    if np.linalg.cond(scaled) > 1e13:
        raise NotEstimable(
            "The values cannot tell the coefficients of the curve apart. Record more points, "
            "above all where it bends."
        )
    return np.asarray(np.linalg.inv(scaled) / np.outer(size, size))
