"""Stationary points of second-order surfaces: where they lie, and whether top, bottom or saddle.

Called by the decision room with the coefficients of a fitted curve. Fitting, units and words are
left to the callers; a point is never called what its ranges do not show.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations_with_replacement
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq, minimize

from doughlab.errors import InputError, NotEstimable
from doughlab.stats.scale import student_quantile

Floats = NDArray[np.floating[Any]]

TOP, BOTTOM, SADDLE, FLAT = "top", "bottom", "saddle", "flat"
RIDGE, TROUGH, UNTOLD = "ridge", "trough", "not told"
FAR = 1e4


@dataclass(frozen=True)
class StationaryPoint:
    """Where a second-order surface is level, in the units of its axes.

    Attributes
    ----------
    location, low, high : array, shape (k,)
        The point with its 95 % range along each axis; infinite at both ends where the bend does
        not show well enough to bound it.
    value, value_low, value_high : float
        Height of the surface there, with its range.
    bends : array, shape (k,)
        Eigenvalues of the matrix of second-order coefficients, falling: how the surface bends
        along each direction of `directions`; below 0 it falls away from the point.
    bends_low, bends_high : array, shape (k,)
        Their ranges, holding together (Bonferroni).
    directions : array, shape (k, k)
        Unit directions, one per column, in the order of `bends`.

    Notes
    -----
    The range along one axis holds all values for which some point on it is not refused as level
    by its k slopes, at the t value of one number (the other axes are searched for the best): for
    one axis the interval of Fieller (1954), J. R. Stat. Soc. B 16, 175; the region it is a shadow
    of is that of Box and Hunter (1954), Biometrika 41, 190. The range of a bend takes the
    directions as known, which double linear regression does too (Bisgaard and Ankenman 1996,
    Technometrics 38, 238). All three from memory.
    """

    location: Floats
    low: Floats
    high: Floats
    value: float
    value_low: float
    value_high: float
    bends: Floats
    bends_low: Floats
    bends_high: Floats
    directions: Floats

    @property
    def looks(self) -> str:
        """What it looks like by the estimates alone: "top", "bottom", "saddle" or "flat"."""
        if (np.abs(self.bends) < 1e-12).any():
            return FLAT
        return _named(self.bends < 0, self.bends > 0)

    @property
    def nature(self) -> str:
        """What the ranges show.

        "top", "bottom" or "saddle" where every bend is shown, or a saddle by two of them;
        "ridge" (it falls away in some directions, the others are not told), "trough" (it rises
        in some, the others are not told) or "not told".
        """
        falls, rises = self.bends_high < 0, self.bends_low > 0
        if (falls | rises).all() or (falls.any() and rises.any()):
            return _named(falls, rises)
        if falls.any():
            return RIDGE
        return TROUGH if rises.any() else UNTOLD

    @property
    def open_directions(self) -> Floats:
        """The directions along which neither a fall nor a rise is shown, one per column."""
        told = (self.bends_high < 0) | (self.bends_low > 0)
        return self.directions[:, ~told]

    def inside(self, low: ArrayLike, high: ArrayLike) -> str:
        """Tell whether the point lies inside a box: "inside", "outside" or "not told".

        Parameters
        ----------
        low, high : array, shape (k,)
            Ends of the box along each axis.
        """
        lows, highs = np.asarray(low, dtype=float), np.asarray(high, dtype=float)
        if ((self.low >= lows) & (self.high <= highs)).all():
            return "inside"
        if ((self.high < lows) | (self.low > highs)).any():
            return "outside"
        return UNTOLD


def _named(falls: NDArray[np.bool_], rises: NDArray[np.bool_]) -> str:
    if falls.any() and rises.any():
        return SADDLE
    return TOP if falls.all() else BOTTOM


def list_terms(axes: int) -> tuple[tuple[int, ...], ...]:
    """List the terms of a second-order surface: constant, axes, then products, squares among them.

    Examples
    --------
    >>> list_terms(2)
    ((), (0,), (1,), (0, 0), (0, 1), (1, 1))
    """
    pairs = combinations_with_replacement(range(axes), 2)
    return ((), *((i,) for i in range(axes)), *pairs)


def build_terms(points: ArrayLike) -> Floats:
    """Give the terms of a second-order surface at points.

    Parameters
    ----------
    points : array, shape (n, k)

    Returns
    -------
    array, shape (n, 1 + k + k (k + 1) / 2)
        In the order of `list_terms`.

    Examples
    --------
    >>> print(build_terms([[2.0, 3.0]])[0])
    [1. 2. 3. 4. 6. 9.]
    """
    x = np.atleast_2d(np.asarray(points, dtype=float))
    columns = [np.prod(x[:, list(term)], axis=1) for term in list_terms(x.shape[1])]
    return np.column_stack(columns)


def find_stationary(
    coefficients: ArrayLike, covariance: ArrayLike, df: float, *, level: float = 0.95
) -> StationaryPoint:
    """Find where a second-order surface is level, with ranges.

    Parameters
    ----------
    coefficients : array, shape (1 + k + k (k + 1) / 2,)
        In the order of `list_terms`; axes best scaled so that what was tried runs from -1 to 1.
    covariance : array
        Of the coefficients.
    df : float
        Degrees of freedom of the covariance, above 0; infinite where it is known.
    level : float
        Of the ranges, above 0 and below 1.

    Returns
    -------
    StationaryPoint

    Raises
    ------
    InputError
        Where the number of coefficients belongs to no surface.
    NotEstimable
        Where the surface does not bend at all, so that it is level nowhere.

    Examples
    --------
    One axis: 3 + 2 x - x², level at 1.

    >>> p = find_stationary([3.0, 2.0, -1.0], 1e-4 * np.eye(3), df=20)
    >>> print(p.nature, p.location.round(6), round(p.value, 6))
    top [1.] 4.0
    """
    c, v = np.asarray(coefficients, dtype=float), np.asarray(covariance, dtype=float)
    k = next((k for k in range(1, 21) if len(list_terms(k)) == len(c)), 0)
    if not k or v.shape != (len(c), len(c)):
        raise InputError(f"{len(c)} coefficients belong to no second-order surface.")
    square = _square_matrix(c, k)
    values, vectors = np.linalg.eigh(square)
    if np.abs(values).min() <= 1e-12 * max(np.abs(values).max(), 1e-300):
        raise NotEstimable("The surface does not bend along one of its directions at all.")
    order = np.argsort(values)[::-1]
    bends, directions = values[order], _facing(vectors[:, order])
    location = -0.5 * np.linalg.solve(square, c[1 : k + 1])
    row = build_terms(location[None])[0]
    one = float(student_quantile(df, 0.5 + 0.5 * level))
    all_bends = float(student_quantile(df, 1.0 - (1.0 - level) / (2.0 * k)))
    rows = np.array([_bend_row(direction, k) for direction in directions.T])
    errors = np.sqrt(np.einsum("ij,jk,ik->i", rows, v, rows))
    half = one * float(np.sqrt(row @ v @ row))
    low, high = _ranges(_Slopes(c, v, k), location, directions, one**2)
    height = float(row @ c)
    return StationaryPoint(
        location, low, high, height, height - half, height + half, bends,
        bends - all_bends * errors, bends + all_bends * errors, directions,
    )  # fmt: skip


def _square_matrix(c: Floats, k: int) -> Floats:
    """Give the symmetric matrix of the second-order coefficients."""
    out = np.zeros((k, k))
    for value, term in zip(c[k + 1 :], list_terms(k)[k + 1 :], strict=True):
        i, j = term
        out[i, j] += value / 2.0
        out[j, i] += value / 2.0
    return out


def _bend_row(direction: Floats, k: int) -> Floats:
    """Give a bend along a direction as a row of coefficients."""
    row = [direction[t[0]] * direction[t[1]] if len(t) == 2 else 0.0 for t in list_terms(k)]
    return np.array(row)


def _facing(vectors: Floats) -> Floats:
    """Turn each direction so that its largest part is positive."""
    largest = np.take_along_axis(vectors, np.abs(vectors).argmax(axis=0)[None], axis=0)
    return np.asarray(vectors * np.sign(largest))


class _Slopes:
    """How far the k slopes at a point are from zero, in their own errors."""

    def __init__(self, c: Floats, v: Floats, k: int) -> None:
        self.k = k
        self.mean = np.zeros((k, k + 1))  # slopes at x: mean @ (1, x)
        parts = np.zeros((k, len(c), k + 1))
        for column, term in enumerate(list_terms(k)):
            for i in set(term):
                rest = list(term)
                rest.remove(i)
                times = float(term.count(i))
                parts[i, column, rest[0] + 1 if rest else 0] += times
        self.mean = np.einsum("icx,c->ix", parts, c)
        self.spread = np.einsum("icx,cd,jdy->ijxy", parts, v, parts)

    def distance(self, x: Floats) -> tuple[float, Floats]:
        """Give the squared distance and how it changes along each axis.

        The test of a level point compares the distance with k F.
        """
        z = np.concatenate([[1.0], x])
        half = self.spread @ z
        slope = self.mean @ z
        solved = np.linalg.solve(half @ z, slope)
        moved = np.einsum("i,ijx,j->x", solved, half, solved)
        change = 2.0 * (solved @ self.mean - moved)
        return float(slope @ solved), change[1:]

    def best(self, axis: int, at: float, start: Floats) -> tuple[float, Floats]:
        """Search the other axes for the smallest distance with one axis held."""
        others = [i for i in range(self.k) if i != axis]
        x = np.array(start, dtype=float)
        x[axis] = at
        if not others:
            return self.distance(x)[0], x
        scale = max(1.0, abs(at))

        def value(rest: Floats) -> tuple[float, Floats]:
            x[others] = rest * scale
            distance, change = self.distance(x)
            return distance, scale * change[others]

        found = minimize(value, x[others] / scale, jac=True, method="BFGS")
        x[others] = found.x * scale
        return float(found.fun), x


def _ranges(
    slopes: _Slopes, location: Floats, directions: Floats, limit: float
) -> tuple[Floats, Floats]:
    """Find the ends of the range along every axis."""
    low, high = np.full(slopes.k, -np.inf), np.full(slopes.k, np.inf)
    for axis in range(slopes.k):
        if _is_open(slopes, axis, location, directions, limit):
            continue
        low[axis] = _end(slopes, axis, location, -1.0, limit)
        high[axis] = _end(slopes, axis, location, 1.0, limit)
    return low, high


def _is_open(
    slopes: _Slopes, axis: int, location: Floats, directions: Floats, limit: float
) -> bool:
    """Tell whether points without end are not refused; both ends are alike in the limit."""
    starts = [d / d[axis] for d in directions.T if abs(d[axis]) > 1e-3]
    far = FAR * (1.0 + float(np.abs(location).max()))
    return any(slopes.best(axis, location[axis] + far, location + far * s)[0] <= limit
               for s in starts)  # fmt: skip


def _end(slopes: _Slopes, axis: int, location: Floats, side: float, limit: float) -> float:
    """Go outwards until the point is refused, then close in."""
    inner, step, start = 0.0, 1e-3 * (1.0 + abs(float(location[axis]))), location
    at = float(location[axis])
    while step < FAR * (1.0 + abs(at)):
        distance, start = slopes.best(axis, at + side * step, start)
        if distance > limit:
            break
        inner, step = step, 1.6 * step
    else:
        return side * np.inf

    def over(outward: float) -> float:
        return slopes.best(axis, at + side * outward, start)[0] - limit

    if over(inner) >= 0:
        return at + side * inner
    return at + side * float(brentq(over, inner, step, xtol=1e-8, rtol=1e-8))
