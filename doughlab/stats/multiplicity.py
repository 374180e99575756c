"""Probabilities of the largest of several tests: Tukey, Dunnett, Holm.

Called by the means and contrasts of this room and by the planning of trials.
What is compared, and what an interval means, is left to the callers.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtrc, fdtrc, ndtr, ndtri, stdtr

from doughlab.errors import InputError, OutOfRange
from doughlab.stats.extremes import product_law, range_law, solve_upper, tail_over_scale

Floats = NDArray[np.float64]

_DIRECTIONS = {True: 15, False: 16}  # full rank (with a control) or not: powers of two
_SEED = 20240229


def tukey_sf(q: ArrayLike, k: int, df: ArrayLike) -> Floats:
    """Give the upper tail of the studentized range.

    Parameters
    ----------
    q : float or array
        Range of k means over the estimated standard error of one mean; for a pair
        ``sqrt(2) * |t|``. Negative values count as 0.
    k : int
        Number of means, 2 to 5000.
    df : float or array, broadcast with q
        Degrees of freedom of the standard error; any real number above 0, or inf.

    Returns
    -------
    array of the broadcast shape
        Probability of a larger range. Agrees to 1e-10 with direct integration; tails below
        1e-60 at infinite df are returned as 0.

    Raises
    ------
    OutOfRange
        When k or a df lies outside its range.

    References
    ----------
    Tukey, J. W. (1953), The problem of multiple comparisons; the double integral is that of
    Hartley, H. O. (1942), Biometrika 32, 309. Checked in
    tests/reference/test_multiplicity_tukey1953.py.

    Examples
    --------
    >>> print(round(float(tukey_sf(3.5, 4, 45)), 8))
    0.07775435
    """
    law = range_law(_checked_count(k))
    q_, df_ = np.broadcast_arrays(np.asarray(q, dtype=float), np.asarray(df, dtype=float))
    return tail_over_scale(law, q_, df_)


def tukey_isf(p: ArrayLike, k: int, df: ArrayLike) -> Floats:
    """Find the studentized range that is exceeded with probability p.

    Parameters
    ----------
    p : float or array
        Upper tail, above 0 and below 1.
    k : int
        Number of means, 2 to 5000.
    df : float or array, broadcast with p
        Degrees of freedom, any real number above 0, or inf.

    Returns
    -------
    array of the broadcast shape
        The quantile q; the half width of a pair is ``q / sqrt(2)`` standard errors.

    Raises
    ------
    OutOfRange
        When p, k or a df lies outside its range.

    Examples
    --------
    >>> print(round(float(tukey_isf(0.05, 4, 16)), 5))
    4.04609
    """
    law = range_law(_checked_count(k))
    p_, df_ = np.broadcast_arrays(np.asarray(p, dtype=float), np.asarray(df, dtype=float))
    _check_probability(p_)
    return solve_upper(lambda x, d: tail_over_scale(law, x, d), p_, df_)


def dunnett_p(t: ArrayLike, corr: ArrayLike, df: ArrayLike) -> Floats:
    """Adjust two-sided t tests for the largest of a correlated family.

    Parameters
    ----------
    t : array, shape (m,)
        The t statistics of the family, in the order of `corr`.
    corr : array, shape (m, m)
        Correlation matrix of the estimates.
    df : float or array, shape (m,)
        Degrees of freedom; where they differ each test is judged at its own.

    Returns
    -------
    array, shape (m,)
        Chance that the largest absolute t of the family exceeds each value.

    Raises
    ------
    InputError
        When the shapes disagree or `corr` is not a correlation matrix of full rank.

    Notes
    -----
    A correlation of the form ``l_i * l_j`` (every one-way layout against one level) is integrated
    numerically to about 1e-10. Any other goes the way told in :func:`simultaneous_p`.

    References
    ----------
    Dunnett, C. W. (1955), J. Am. Stat. Assoc. 50, 1096. Checked in
    tests/reference/test_multiplicity_dunnett1955.py.

    Examples
    --------
    >>> print(dunnett_p([1.331, 1.772], [[1, 0.5], [0.5, 1]], 27).round(2))
    [0.32 0.15]
    """
    return simultaneous_p(t, _checked_full_rank(corr), df)


def dunnett_critical(level: float, corr: ArrayLike, df: ArrayLike) -> Floats:
    """Find the half width, in standard errors, of ranges against one level.

    The same as :func:`simultaneous_critical`, which also takes families with more contrasts than
    dimensions; here the correlation matrix has to be of full rank.

    Parameters
    ----------
    level : float
        Simultaneous level, above 0 and below 1, as 0.95.
    corr : array, shape (m, m)
        Correlation matrix of the differences from the one level.
    df : float or array
        Degrees of freedom.

    Returns
    -------
    array of the shape of df
        The two-sided critical value.

    Raises
    ------
    InputError
        When `corr` is not a correlation matrix of full rank.

    Examples
    --------
    Two treatments and a control, 27 degrees of freedom.

    >>> print(round(float(dunnett_critical(0.95, [[1, 0.5], [0.5, 1]], 27)), 2))
    2.33
    """
    return simultaneous_critical(level, _checked_full_rank(corr), df)


def simultaneous_critical(level: float, corr: ArrayLike, df: ArrayLike) -> Floats:
    """Find the half width, in standard errors, for any family of contrasts.

    Parameters
    ----------
    level : float
        Simultaneous level, above 0 and below 1.
    corr : array, shape (m, m)
        Correlation matrix of the estimates; may be singular (all pairs of k means).
    df : float or array
        Degrees of freedom; any real number above 0, or inf.

    Returns
    -------
    array of the shape of df
        The value that the largest absolute t stays under with chance `level`.

    Raises
    ------
    InputError
        When `corr` is not a correlation matrix.

    Examples
    --------
    One contrast needs no adjustment.

    >>> print(round(float(simultaneous_critical(0.95, [[1.0]], 10)), 4))
    2.2281
    """
    _check_probability(np.asarray(level, dtype=float))
    tail = _family_tail(_checked_correlation(corr))
    df_ = np.asarray(df, dtype=float)
    return solve_upper(tail, np.full(df_.shape, 1.0 - level), df_)


def simultaneous_p(t: ArrayLike, corr: ArrayLike, df: ArrayLike) -> Floats:
    """Adjust two-sided t tests of any family, also a singular one.

    Parameters
    ----------
    t : array, shape (m,)
        The t statistics.
    corr : array, shape (m, m)
        Correlation matrix of the estimates; may be singular.
    df : float or array, shape (m,)
        Degrees of freedom.

    Returns
    -------
    array, shape (m,)
        Adjusted p values.

    Raises
    ------
    InputError
        When the shapes disagree or `corr` is not a correlation matrix.

    Notes
    -----
    Unless the correlations are products ``l_i * l_j`` (see :func:`dunnett_p`), the tail is averaged
    over a fixed set of Sobol directions, the length along each being integrated exactly, so the
    same question always gets the same answer. Full rank: measured within 5e-4 of the p value, with
    the nearest product as a control. Singular families (all pairs): within 1e-3 of the p value up
    to 24 means; for all pairs of equally precise means :func:`tukey_sf` is exact.

    Examples
    --------
    >>> print(simultaneous_p([2.2281], [[1.0]], 10).round(4))
    [0.05]
    """
    matrix = _checked_correlation(corr)
    t_ = np.atleast_1d(np.asarray(t, dtype=float))
    if t_.shape != (matrix.shape[0],):
        raise InputError(
            f"{t_.size} t statistics were given for a family of {matrix.shape[0]}; give one each."
        )
    df_ = np.broadcast_to(np.asarray(df, dtype=float), t_.shape)
    return _family_tail(matrix)(np.abs(t_), df_)


def holm(p: ArrayLike) -> Floats:
    """Adjust p values by Holm's step-down rule.

    Parameters
    ----------
    p : array, shape (m,)
        Unadjusted p values; blanks (NaN) stay blank and do not count.

    Returns
    -------
    array, shape (m,)
        Adjusted p values in the order given, at most 1.

    Raises
    ------
    OutOfRange
        When a p value is below 0 or above 1.

    References
    ----------
    Holm, S. (1979), Scand. J. Stat. 6, 65.

    Examples
    --------
    >>> print(holm([0.01, 0.04, 0.03]))
    [0.03 0.06 0.06]
    """
    values = np.atleast_1d(np.asarray(p, dtype=float))
    known = values[~np.isnan(values)]
    if ((known < 0) | (known > 1)).any():
        worst = float(known[(known < 0) | (known > 1)][0])
        raise OutOfRange(
            f"A p value is {worst:g}; it lies between 0 and 1.", value=worst, low=0.0, high=1.0
        )
    order = np.argsort(known, kind="stable")
    stepped = np.maximum.accumulate(known[order] * np.arange(known.size, 0, -1))
    adjusted = np.empty_like(known)
    adjusted[order] = np.minimum(stepped, 1.0)
    result = np.full(values.shape, np.nan)
    result[~np.isnan(values)] = adjusted
    return result


# ------------------------------------------------------------- families


def _family_tail(corr: Floats) -> Callable[[Floats, Floats], Floats]:
    """Choose how the tail of the largest absolute t of a family is computed."""
    corr = _without_repeats(corr)
    m = corr.shape[0]
    if m == 1:
        return lambda t, df: np.where(np.isinf(df), 2 * ndtr(-t), 2 * stdtr(df, -t))
    load = _exact_loadings(corr)
    if load is not None:
        exact = product_law(tuple(load.tolist()))
        return lambda t, df: tail_over_scale(exact, t, df)
    reach = _reach(corr.tobytes(), m)
    if reach.rank < m:
        return lambda t, df: _sphere_tail(t, df, reach)
    load = _nearest_loadings(corr)
    law = product_law(tuple(load.tolist()))
    nearest = np.outer(load, load) + np.diag(1.0 - load**2)
    control = _reach(nearest.tobytes(), m)

    def tail(t: Floats, df: Floats) -> Floats:
        ratio = _sphere_tail(t, df, reach) / _sphere_tail(t, df, control)
        return np.minimum(tail_over_scale(law, t, df) * ratio, 1.0)

    return tail


def _without_repeats(corr: Floats) -> Floats:
    """Leave out contrasts that repeat an earlier one, or its opposite, to within 1e-6."""
    repeats = np.abs(np.triu(corr, 1)).max(axis=0, initial=0.0) > 1.0 - 1e-6
    return np.ascontiguousarray(corr[np.ix_(~repeats, ~repeats)])


def _exact_loadings(corr: Floats) -> Floats | None:
    """Solve corr_ij = l_i * l_j off the diagonal, or say that it cannot be."""
    m = corr.shape[0]
    off = ~np.eye(m, dtype=bool)
    size = np.abs(corr)
    if m == 2:
        root = np.sqrt(size[0, 1])
        return np.array([root, np.copysign(root, corr[0, 1])])
    if size[off].max() < 1e-12:
        return np.zeros(m)
    if size[off].min() < 1e-12:
        return None
    logs = np.log(np.where(off, size, 1.0)).sum(axis=1)
    load = np.exp((logs - logs.sum() / (2.0 * (m - 1))) / (m - 2))
    load *= np.concatenate([[1.0], np.sign(corr[0, 1:])])
    fits = np.abs(np.outer(load, load) - corr)[off].max() < 1e-9 and np.abs(load).max() < 1 - 1e-9
    return load if fits else None


def _nearest_loadings(corr: Floats) -> Floats:
    """Fit one common factor to a correlation matrix by repeated eigenvectors."""
    load = np.full(corr.shape[0], 0.5)
    for _ in range(50):
        np.fill_diagonal(corr := corr.copy(), np.minimum(load**2, 0.98))
        values, vectors = np.linalg.eigh(corr)
        load = vectors[:, -1] * np.sqrt(max(values[-1], 0.0))
    return np.clip(load, -0.98, 0.98)


@dataclass(frozen=True)
class _Reach:
    """Largest absolute value of a family along fixed directions of its own space."""

    rank: int
    farthest: Floats


@lru_cache(maxsize=16)
def _reach(corr: bytes, m: int) -> _Reach:
    matrix = np.frombuffer(corr).reshape(m, m)
    values, vectors = np.linalg.eigh(matrix)
    keep = values > 1e-10 * values[-1]
    rank = int(keep.sum())
    root = np.linalg.cholesky(matrix) if rank == m else vectors[:, keep] * np.sqrt(values[keep])
    directions = _directions(rank, _DIRECTIONS[rank == m])
    parts = np.array_split(directions, max(1, directions.shape[0] * m // 2_000_000))
    return _Reach(rank, np.concatenate([np.abs(part @ root.T).max(axis=1) for part in parts]))


@lru_cache(maxsize=8)
def _directions(rank: int, power: int) -> Floats:
    """Spread points evenly over the unit sphere, the same ones each time."""
    from scipy.stats import qmc

    sobol = qmc.Sobol(rank, scramble=True, rng=np.random.default_rng(_SEED))
    normal = ndtri(np.clip(sobol.random_base2(power), 1e-15, 1.0 - 1e-15))
    return normal / np.linalg.norm(normal, axis=1, keepdims=True)


def _sphere_tail(t: Floats, df: Floats, reach: _Reach) -> Floats:
    """Average, over directions, the chance that the length carries the family past t."""
    chances = [
        chdtrc(reach.rank, (one / reach.farthest) ** 2).mean()
        if np.isinf(own)
        else fdtrc(reach.rank, own, (one / reach.farthest) ** 2 / reach.rank).mean()
        for one, own in zip(t.ravel(), df.ravel(), strict=True)
    ]
    return np.array(chances).reshape(t.shape)


# ------------------------------------------------------------- checks of what comes in


def _checked_count(k: int) -> int:
    if int(k) != k or not 2 <= k <= 5000:
        raise OutOfRange(
            f"The number of means is {k}; it must be a whole number from 2 to 5000.",
            value=float(k),
            low=2.0,
            high=5000.0,
        )
    return int(k)


def _check_probability(p: Floats) -> None:
    if not ((p > 0) & (p < 1)).all():
        worst = float(p.ravel()[np.argmax(~((p > 0) & (p < 1)).ravel())])
        raise OutOfRange(
            f"A probability is {worst:g}; it must be above 0 and below 1.",
            value=worst,
            low=0.0,
            high=1.0,
        )


def _checked_correlation(corr: ArrayLike) -> Floats:
    matrix = np.atleast_2d(np.asarray(corr, dtype=float))
    if matrix.ndim != 2 or matrix.shape[0] != matrix.shape[1]:
        raise InputError(f"A correlation matrix is square; this one has shape {matrix.shape}.")
    if not np.isfinite(matrix).all() or not np.allclose(matrix, matrix.T, atol=1e-8):
        raise InputError("A correlation matrix is symmetric and has no blanks; this one is not.")
    if not np.allclose(np.diag(matrix), 1.0, atol=1e-8):
        raise InputError(
            "The diagonal of a correlation matrix is 1; divide the covariances by both "
            "standard errors first."
        )
    if np.linalg.eigvalsh(matrix)[0] < -1e-8:
        raise InputError("These correlations cannot all hold at once (a negative eigenvalue).")
    return np.ascontiguousarray((matrix + matrix.T) / 2.0)


def _checked_full_rank(corr: ArrayLike) -> Floats:
    matrix = _checked_correlation(corr)
    if np.linalg.matrix_rank(matrix, hermitian=True) < matrix.shape[0]:
        raise InputError(
            "The differences from one level are linearly dependent; a level stands twice in the "
            "family. Leave one out."
        )
    return matrix
