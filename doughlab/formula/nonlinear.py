"""Nonlinear mixed fits: a curve whose parameters differ from batch to batch.

The pace of ripening is estimated with it here, the curve of pH over the hold in the analysis room.
The two steps of the fit stand in `alternate`; which curve and which terms is left to the callers.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from doughlab.errors import InputError, NotEstimable
from doughlab.formula.alternate import (
    CurveShape,
    Floats,
    Linear,
    Problem,
    RandomTerm,
    Spread,
)

_MOST_ROUNDS = 200  # numerical; rule of this project


def _asymptote(x: Any, phi: Floats) -> tuple[Floats, Floats]:
    end, start, log_rate = phi.T
    rate = np.exp(log_rate)
    left = np.exp(-rate * x)
    slopes = np.column_stack([1.0 - left, left, -(start - end) * left * rate * x])
    return end + (start - end) * left, slopes


ASYMPTOTE = CurveShape("decay from start to end", ("end", "start", "log_rate"), _asymptote)


@dataclass(frozen=True)
class Prediction:
    """Points on a fitted curve.

    Attributes
    ----------
    value, std_error, df : array, shape (m,)
        Of the typical group; df by Satterthwaite on the linearised model.
    group_variance : array, shape (m,)
        Variance between groups at these points, all random terms together.

    Examples
    --------
    >>> one = np.ones(1)
    >>> Prediction(5.6 * one, 0.02 * one, 8 * one, 0.001 * one).df
    array([8.])
    """

    value: Floats
    std_error: Floats
    df: Floats
    group_variance: Floats


@dataclass(frozen=True)
class NonlinearFit:
    """A fitted nonlinear mixed model.

    Attributes
    ----------
    shape : CurveShape
    names : tuple of str, length p
        "parameter: column" of each coefficient.
    coefficients, std_errors : array, shape (p,)
    covariance : array, shape (p, p)
    variances : dict of str to float
        Random term to variance, last "residual".
    log_likelihood : float
        Restricted or full, of the linearised model, as Lindstrom and Bates define it.
    reml : bool
    rounds : int
        How often the two steps were alternated.
    effects : dict of str to array
        Predicted deviation of each group.
    residuals : array, shape (n,)
        Within groups.
    n : int
    """

    shape: CurveShape
    names: tuple[str, ...]
    coefficients: Floats
    std_errors: Floats
    covariance: Floats
    variances: dict[str, float]
    log_likelihood: float
    reml: bool
    rounds: int
    effects: dict[str, Floats]
    residuals: Floats
    n: int
    _columns: tuple[slice, ...] = field(repr=False, default=())
    _random: tuple[str, ...] = field(repr=False, default=())
    _spread: Spread | None = field(repr=False, default=None)

    def coefficient(self, name: str) -> tuple[float, float]:
        """Give a coefficient and its standard error."""
        place = self.names.index(name)
        return float(self.coefficients[place]), float(self.std_errors[place])

    def rows(self, x: Any, fixed: Mapping[str, Floats]) -> tuple[Floats, Floats, Floats]:
        """Give values (m,), slopes by coefficient (m, p) and by parameter (m, k) at points."""
        pieces = [np.atleast_2d(fixed[name]) for name in self.shape.parameters]
        phi = np.column_stack(
            [m @ self.coefficients[c] for m, c in zip(pieces, self._columns, strict=True)]
        )
        value, slopes = self.shape.value(x, phi)
        blocks = [slopes[:, [k]] * m for k, m in enumerate(pieces)]
        return value, np.hstack(blocks), slopes

    def predict(self, x: Any, fixed: Mapping[str, Floats]) -> Prediction:
        """Predict the curve of the typical group at points.

        Parameters
        ----------
        x : array, shape (m,), or what the curve takes
        fixed : mapping of parameter to array, shape (m, columns)
            Rows of the design of each parameter, columns as in the fit.

        Returns
        -------
        Prediction
        """
        value, rows, slopes = self.rows(x, fixed)
        variance = np.einsum("ij,jk,ik->i", rows, self.covariance, rows)
        between = np.zeros(len(value))
        for name, parameter in zip(self.variances, self._random, strict=False):
            between += slopes[:, self.shape.parameters.index(parameter)] ** 2 * self.variances[name]
        return Prediction(value, np.sqrt(variance), self.degrees(rows), between)

    def degrees(self, rows: Floats) -> Floats:
        """Give the degrees of freedom of linear combinations of the coefficients.

        Satterthwaite's, with the expected information of the variances; a variance at zero keeps
        its place, which is on the cautious side.
        """
        if self._spread is None:
            raise NotEstimable("This fit was made without what degrees of freedom need.")
        return self._spread.degrees(np.atleast_2d(rows))


def fit_nonlinear(
    shape: CurveShape,
    x: Any,
    y: Floats,
    *,
    fixed: Mapping[str, tuple[Sequence[str], Floats]],
    start: Sequence[float],
    random: Sequence[RandomTerm] = (),
    reml: bool = True,
) -> NonlinearFit:
    """Fit a curve whose parameters follow a design and differ between groups.

    Alternates penalised nonlinear least squares for the curves with a linear mixed model for the
    variances, until neither moves. Where the random terms enter the curve linearly the
    linearisation is exact. Random terms are independent of each other.

    Parameters
    ----------
    shape : CurveShape
    x : array, shape (n,), or what the curve takes
    y : array, shape (n,)
    fixed : mapping of parameter to (column names, matrix (n, columns))
        Design of every parameter of the curve.
    start : sequence of float, length p
        Coefficients to begin with, in the order of the parameters and their columns.
    random : sequence of RandomTerm
    reml : bool
        Restricted likelihood; False for the full one.

    Returns
    -------
    NonlinearFit

    Raises
    ------
    NotEstimable
        Where the values cannot tell the coefficients apart, or the two steps do not settle.

    References
    ----------
    Lindstrom, M. J., Bates, D. M. (1990). Nonlinear mixed effects models for repeated measures
    data. Biometrics 46, 673-687. Checked against R's nlme in
    tests/reference/test_nonlinear_mixed_nlme.py and certified values in
    tests/reference/test_nonlinear_nist_strd.py.

    Examples
    --------
    >>> x = np.arange(8.0)
    >>> y = 4.0 + 2.0 * np.exp(-0.5 * x) + 0.01 * np.cos(9 * x)
    >>> one = np.ones((8, 1))
    >>> fit = fit_nonlinear(ASYMPTOTE, x, y, start=[4.2, 5.8, -1.0],
    ...                     fixed={p: (["1"], one) for p in ASYMPTOTE.parameters})
    >>> [round(float(c), 1) for c in np.exp(fit.coefficients[2:])]
    [0.5]
    """
    problem = Problem(shape, x, np.asarray(y, dtype=float), fixed, tuple(random), reml)
    beta = np.asarray(start, dtype=float)
    if len(beta) != problem.p or not np.isfinite(beta).all():
        raise InputError(f"{problem.p} starting values are wanted; {len(beta)} were given.")
    ratios = np.full(len(random), 0.25)
    u = np.zeros(problem.q)
    rounds = 0
    while rounds < _MOST_ROUNDS:
        rounds += 1
        before = np.concatenate([beta, ratios])
        beta, u = problem.follow_curves(beta, u, ratios)
        linear = problem.linearise(beta, u, ratios)
        ratios, shift = linear.settle(ratios)
        beta = beta + shift if len(random) else beta
        u = linear.effects(ratios)
        now = np.concatenate([beta, ratios])
        if np.all(np.abs(now - before) <= 1e-9 * (np.abs(now) + 1e-4)):
            break
    else:
        raise NotEstimable(
            "The curve does not settle on these values. Give more points where it bends, or a "
            "simpler curve."
        )
    return _finish(problem, beta, u, ratios, rounds)


def _finish(problem: Problem, beta: Floats, u: Floats, ratios: Floats, rounds: int) -> NonlinearFit:
    """Gather what is told about the fit."""
    b = problem.scales(ratios) * u
    value, x, z = problem.evaluate(beta, b)
    linear = Linear(problem, x, z, problem.y - value + z @ b)
    state = linear.state(ratios)
    variance = state.squares / linear.freedom
    variances = {t.name: float(r * variance) for t, r in zip(problem.random, ratios, strict=True)}
    variances["residual"] = float(variance)
    covariance = variance * state.inverse
    return NonlinearFit(
        problem.shape,
        problem.names,
        beta,
        np.sqrt(np.diag(covariance)),
        covariance,
        variances,
        -0.5 * state.deviance,
        problem.reml,
        rounds,
        {t.name: b[place] for t, place in zip(problem.random, problem.places, strict=True)},
        problem.y - value,
        problem.n,
        problem.columns,
        tuple(t.parameter for t in problem.random),
        linear.spread(ratios, variance),
    )
