"""Mean squares of balanced crossed groups, and ranges for what is made of them.

Called by components.py for the spread of measurements.
Data that are not balanced are left to the restricted likelihood (profile.py).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtri, fdtri

from doughlab.errors import InputError, OutOfRange

Floats = NDArray[np.floating[Any]]

DRAWS = 100_000


@dataclass(frozen=True)
class MeanSquares:
    """The analysis of variance of a balanced layout whose factors are all random.

    Attributes
    ----------
    terms : tuple of tuple of str
        Factors of each term; the last one, empty, is the residual.
    df : array, shape (q,)
        Degrees of freedom.
    sum_squares : array, shape (q,)
    expected : array, shape (q, q)
        Expected mean squares = expected @ variances of the terms.
    """

    terms: tuple[tuple[str, ...], ...]
    df: Floats
    sum_squares: Floats
    expected: Floats

    @property
    def mean_squares(self) -> Floats:
        """Give the mean squares, shape (q,)."""
        return self.sum_squares / self.df

    @property
    def rows(self) -> Floats:
        """Give the coefficients that make each variance from the mean squares, shape (q, q)."""
        return np.linalg.inv(self.expected)

    @property
    def variances(self) -> Floats:
        """Give the unbiased estimates of the variances, which may fall below zero."""
        return self.rows @ self.mean_squares


def compute_mean_squares(
    values: ArrayLike, codes: Sequence[NDArray[np.integer[Any]]], names: Sequence[str]
) -> MeanSquares:
    """Compute the mean squares of factors and their pairs, all random.

    Interactions of three and more factors are part of the residual, and so is the pair of two
    factors where no combination is repeated.

    Parameters
    ----------
    values : array, shape (n,)
    codes : sequence of int array, shape (n,)
        Levels of each factor, 0 to its number of levels - 1.
    names : sequence of str
        Of the factors.

    Returns
    -------
    MeanSquares

    Raises
    ------
    InputError
        Where the layout is not balanced, or nothing is left for the residual.

    References
    ----------
    Expected mean squares of the random model: Searle, Casella & McCulloch (1992), Variance
    Components, chapter 4 (from memory). Checked in tests/reference/test_spread_graybill1980.py.
    """
    y, levels, repeats = _as_table(values, codes)
    k = len(names)
    places: list[tuple[int, ...]] = [(i,) for i in range(k)]
    if k > 2 or repeats > 1:
        places += list(combinations(range(k), 2))
    found: dict[tuple[int, ...], float] = {(): 0.0}
    df: dict[tuple[int, ...], float] = {(): 1.0}
    for place in places:
        inner = [p for p in found if set(p) < set(place)]
        found[place] = _between(y, place) - sum(found[p] for p in inner)
        df[place] = float(np.prod([levels[i] for i in place])) - sum(df[p] for p in inner)
    rest = y.size - sum(df.values())
    if rest < 1:
        raise InputError("No value is repeated, so that repeats cannot be told from the rest.")
    centred = y - y.mean()
    total = float((centred**2).sum())
    sums = [found[p] for p in places]
    expected = np.zeros((len(places) + 1,) * 2)
    expected[:, -1] = 1.0
    for i, own in enumerate(places):
        for j, other in enumerate(places):
            if set(own) <= set(other):
                expected[i, j] = y.size / np.prod([levels[f] for f in other])
    terms = (*(tuple(names[i] for i in p) for p in places), ())
    return MeanSquares(
        terms,
        np.array([*(df[p] for p in places), rest]),
        np.array([*sums, max(0.0, total - sum(sums))]),
        expected,
    )


def is_balanced(codes: Sequence[NDArray[np.integer[Any]]]) -> bool:
    """Tell whether every combination of levels has equally many rows.

    Parameters
    ----------
    codes : sequence of int array, shape (n,)
    """
    levels = [int(c.max()) + 1 for c in codes]
    cell = np.ravel_multi_index(tuple(codes), levels)
    counts = np.bincount(cell, minlength=int(np.prod(levels)))
    return bool((counts == counts[0]).all())


def _as_table(
    values: ArrayLike, codes: Sequence[NDArray[np.integer[Any]]]
) -> tuple[Floats, list[int], int]:
    """Arrange the values by combination; repeats run along the last axis."""
    y = np.asarray(values, dtype=float)
    if not is_balanced(codes):
        raise InputError(
            "The layout is not balanced: combinations have different numbers of values. "
            "Use method='reml'."
        )
    levels = [int(c.max()) + 1 for c in codes]
    cell = np.ravel_multi_index(tuple(codes), levels)
    repeats = len(y) // int(np.prod(levels))
    table = y[np.argsort(cell, kind="stable")].reshape(*levels, repeats)
    return table - table.mean(), levels, repeats


def _between(y: Floats, place: tuple[int, ...]) -> float:
    """Sum of squares of the means of one combination of factors about zero."""
    others = tuple(i for i in range(y.ndim) if i not in place)
    means = y.mean(axis=others)
    return float((means**2).sum() * y.size / means.size)


def sum_interval(
    coefficients: ArrayLike, mean_squares: ArrayLike, *, df: ArrayLike, level: float = 0.95
) -> tuple[float, float]:
    """Find a range for a sum or difference of expected mean squares.

    Parameters
    ----------
    coefficients : array, shape (q,)
        Of the expected mean squares; zeros play no part.
    mean_squares : array, shape (q,)
        Independent, 0 or more.
    df : array, shape (q,)
        Degrees of freedom, above 0.
    level : float
        Above 0 and below 1.

    Returns
    -------
    low, high : float
        A lower end may fall below zero; a variance is then taken as zero there.

    Raises
    ------
    OutOfRange
        When the level lies outside its range.

    References
    ----------
    Modified large-sample intervals: Graybill & Wang (1980), J. Am. Stat. Assoc. 75, 869-873, for
    sums; Ting, Burdick, Graybill, Jeyaratnam & Lu (1990), J. Stat. Comput. Simul. 35, 135-143,
    where a coefficient is negative (both from memory). Checked by their exact limits and by
    simulation in tests/reference/test_spread_graybill1980.py.

    Examples
    --------
    A single mean square has its chi-square interval.

    >>> low, high = sum_interval([1.0], [4.0], df=[10])
    >>> print(round(low, 3), round(high, 3))
    1.953 12.319
    """
    if not 0.0 < level < 1.0:
        raise OutOfRange(
            f"level is {level:g}; it must be above 0 and below 1.", value=level, low=0, high=1
        )
    c, s, n = (np.asarray(x, dtype=float) for x in (coefficients, mean_squares, df))
    alpha = (1.0 - level) / 2.0
    plus, minus = c > 0, c < 0
    centre = float(c @ s)
    up = _Part(c[plus] * s[plus], n[plus])
    down = _Part(-c[minus] * s[minus], n[minus])
    low = centre - np.sqrt(max(0.0, _spread(up, down, alpha)))
    high = centre + np.sqrt(max(0.0, _spread(down, up, alpha)))
    return float(low), float(high)


@dataclass(frozen=True)
class _Part:
    """Terms of one sign: |coefficient| x mean square, and degrees of freedom."""

    size: Floats
    df: Floats


def _spread(near: _Part, far: _Part, alpha: float) -> float:
    """Square of the distance from the estimate to the end towards which `near` terms pull.

    The lower end with the terms added as `near`; the upper end with the roles exchanged, since it
    is the lower end of the negative.
    """
    g = 1.0 - near.df / chdtri(near.df, alpha)
    h = far.df / chdtri(far.df, 1.0 - alpha) - 1.0
    total = float(((g * near.size) ** 2).sum() + ((h * far.size) ** 2).sum())
    if not len(far.size) or not len(near.size):
        return total
    f = fdtri(near.df[:, None], far.df[None, :], 1.0 - alpha)
    cross = ((f - 1.0) ** 2 - (g[:, None] * f) ** 2 - h[None, :] ** 2) / f
    total += float((cross * near.size[:, None] * far.size[None, :]).sum())
    p = len(near.size)
    for i, j in combinations(range(p), 2):
        both = near.df[i] + near.df[j]
        joint = (1.0 - both / chdtri(both, alpha)) * both
        own = g[[i, j]] * near.df[[i, j]]
        star = (joint**2 - own[0] ** 2 - own[1] ** 2) / (near.df[i] * near.df[j])
        total += float(star / (p - 1) * near.size[i] * near.size[j])
    return total


def draw_variances(found: MeanSquares, *, draws: int = DRAWS, seed: int = 1) -> Floats:
    """Draw generalized pivotal quantities of all variances.

    Parameters
    ----------
    found : MeanSquares
    draws : int
    seed : int

    Returns
    -------
    array, shape (draws, q)
        Negative values are set to zero. Quantiles of any function of the columns are the ends of
        its generalized confidence interval.

    References
    ----------
    Hamada & Weerahandi (2000), J. Qual. Technol. 32, 241-253 (from memory).
    """
    rng = np.random.default_rng(seed)
    chi = rng.chisquare(found.df, size=(draws, len(found.df)))
    return np.maximum((found.sum_squares / chi) @ found.rows.T, 0.0)
