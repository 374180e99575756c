"""Probabilities of the largest of several tests: Tukey, Dunnett, Holm.

Called by the means and contrasts of this room and by the planning of trials.
What is compared, and what an interval means, is left to the callers.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import ArrayLike, NDArray
from scipy.fft import dct
from scipy.special import chdtrc, fdtrc, gammaln, log_ndtr, ndtr, ndtri, stdtr

from doughlab.errors import InputError, OutOfRange

Floats = NDArray[np.float64]

_NODES_W = 257
_LOG_DROP = 26.0  # what lies below exp(-26) of the peak is left out of an integral
_STEP_U = 0.06  # step in log scale; halving it changes nothing above 1e-12
_DIRECTIONS = {True: 14, False: 16}  # full rank (with a control) or not: powers of two
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
    law = _tukey_law(_checked_count(k))
    q_, df_ = np.broadcast_arrays(np.asarray(q, dtype=float), np.asarray(df, dtype=float))
    return _tail(law, q_, df_)


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
    law = _tukey_law(_checked_count(k))
    p_, df_ = np.broadcast_arrays(np.asarray(p, dtype=float), np.asarray(df, dtype=float))
    _check_probability(p_)
    return _solve_upper(lambda x, d: _tail(law, x, d), p_, df_)


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
    return _solve_upper(tail, np.full(df_.shape, 1.0 - level), df_)


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
    The tail is averaged over a fixed set of Sobol directions, the length along each being
    integrated exactly, so the same question always gets the same answer. Full rank: measured
    within 1e-3 of the p value, mostly 1e-4, with the nearest product ``l_i * l_j`` as a control.
    Singular families (all pairs): within 1e-3 of the p value up to 24 means; for all pairs of
    equally precise means :func:`tukey_sf` is exact.

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


# ------------------------------------------------------------- laws with a known scale


@dataclass(frozen=True)
class _Law:
    """Log upper tail of a statistic at known scale, as a Chebyshev series on [0, top].

    `steep` bounds its fall: the log tail is never steeper than -steep * w**2 for large w.
    """

    series: Floats
    top: float
    steep: float

    def log_sf(self, w: Floats) -> Floats:
        """Evaluate the log tail; minus infinity beyond the top."""
        inside = chebyshev.chebval(np.minimum(w, self.top) * (2.0 / self.top) - 1.0, self.series)
        return np.where(w < self.top, np.minimum(inside, 0.0), -np.inf)


def _law_from(sf: Callable[[Floats], Floats], top: float, steep: float) -> _Law:
    """Interpolate a tail at Chebyshev nodes and drop the coefficients that are rounding."""
    angles = np.pi * (np.arange(_NODES_W) + 0.5) / _NODES_W
    nodes = top * (np.cos(angles) + 1.0) / 2.0
    series = dct(np.log(sf(nodes)), type=2) / _NODES_W
    series[0] /= 2.0
    needed = np.flatnonzero(np.abs(series) > 2e-13)
    return _Law(series[: int(needed[-1]) + 1 if needed.size else 1], top, steep)


@lru_cache(maxsize=64)
def _tukey_law(k: int) -> _Law:
    """Tail of the range of k standard normals, kept accurate in relative terms."""

    def sf(w: Floats) -> Floats:
        z = -9.0 + np.linspace(0.0, 1.0, 361) * (18.0 + w[:, None] / 2.0)
        step = z[:, 1] - z[:, 0]
        log_below = log_ndtr(z)
        share = np.exp(np.minimum(log_ndtr(z - w[:, None]) - log_below, -1e-300))
        with np.errstate(divide="ignore"):
            miss = -np.expm1((k - 1) * np.log1p(-share))
        weight = np.exp(-0.5 * z * z + (k - 1) * log_below)
        return k / np.sqrt(2.0 * np.pi) * step * (weight * miss).sum(axis=1)

    return _law_from(sf, 24.0, 0.25)


@lru_cache(maxsize=64)
def _product_law(loadings: tuple[float, ...]) -> _Law:
    """Tail of the largest absolute value of normals with correlation l_i * l_j."""
    load = np.array(loadings)
    own = np.sqrt(1.0 - load**2)
    finest = float(np.min(own / np.maximum(np.abs(load), 0.25)))
    points = int(np.clip(np.ceil(20.0 / (0.12 * min(1.0, 2.0 * finest))), 200, 20000))
    z = np.linspace(-10.0, 10.0, points)
    weight = np.exp(-0.5 * z * z) * (z[1] - z[0]) / np.sqrt(2.0 * np.pi)

    def sf(w: Floats) -> Floats:
        log_inside = np.zeros((w.size, z.size))
        with np.errstate(divide="ignore"):
            for one, rest in zip(load, own, strict=True):
                shift = one * z[None, :]
                outside = ndtr((-w[:, None] - shift) / rest) + ndtr((shift - w[:, None]) / rest)
                log_inside += np.log1p(-np.minimum(outside, 1.0))
        return -np.expm1(log_inside) @ weight

    return _law_from(sf, 9.0, 0.5)


# ------------------------------------------------------------- the estimated scale


def _tail(law: _Law, q: Floats, df: Floats) -> Floats:
    """Average a law's tail over the scale s, where df * s**2 is chi-square on df."""
    if df.size and not (np.nan_to_num(df, nan=1.0) > 0).all():
        worst = float(np.nanmin(df))
        raise OutOfRange(
            f"Degrees of freedom are {worst:g}; they must be above 0.",
            value=worst,
            low=0.0,
            high=None,
        )
    flat_q, flat_df = np.maximum(q.ravel(), 0.0), df.ravel()
    result = np.where(flat_q > 0, np.exp(law.log_sf(np.nan_to_num(flat_q))), 1.0)
    result[np.isnan(flat_q) | np.isnan(flat_df)] = np.nan
    todo = np.flatnonzero(np.isfinite(flat_df) & np.isfinite(flat_q) & (flat_q > 0))
    todo = todo[np.argsort(flat_df[todo])]  # small df need long rows: keep them together
    for start in range(0, todo.size, 64):
        part = todo[start : start + 64]
        result[part] = _scale_mean(law, flat_q[part], flat_df[part])
    result[np.isposinf(flat_q)] = 0.0
    return result.reshape(q.shape)


def _scale_mean(law: _Law, q: Floats, df: Floats) -> Floats:
    """Integrate over u = log s by the trapezoidal rule, which is spectrally accurate here."""
    drop = 2.0 * _LOG_DROP / df
    left = np.minimum(drop + np.sqrt(2.0 * drop), drop + 1.0) / 2.0
    right = np.log1p(drop + np.sqrt(2.0 * drop)) / 2.0
    low = -left - 0.5 * np.log1p(2.0 * law.steep * q**2 / df)
    points = int(max(120, np.ceil((right - low).max() / _STEP_U)))
    u = low[:, None] + np.linspace(0.0, 1.0, points) * (right - low)[:, None]
    exponent = df[:, None] * (u - np.expm1(2.0 * u) / 2.0) + law.log_sf(q[:, None] * np.exp(u))
    return np.exp(_log_scale_constant(df)) * np.exp(exponent).sum(axis=1) * (u[:, 1] - u[:, 0])


def _log_scale_constant(df: Floats) -> Floats:
    """Log of 2 a**a exp(-a) / Gamma(a) for a = df / 2, by Stirling's series where df is large."""
    a = df / 2.0
    exact = a * np.log(a) - a - gammaln(a)
    series = 0.5 * np.log(a / (2.0 * np.pi)) - 1.0 / (12.0 * a) + 1.0 / (360.0 * a**3)
    return np.log(2.0) + np.where(df < 200.0, exact, series)


def _solve_upper(tail: Callable[[Floats, Floats], Floats], p: Floats, df: Floats) -> Floats:
    """Solve tail(x, df) = p for x > 0, in logarithms, by a secant kept in its bracket."""
    flat_p, flat_df = p.ravel(), df.ravel()
    low, high = np.full_like(flat_p, 0.0), np.full_like(flat_p, 1.5)
    todo = np.arange(flat_p.size)

    def miss(at: Floats, rows: NDArray[np.intp]) -> Floats:
        with np.errstate(divide="ignore"):
            log_tail = np.log(tail(np.exp(at), flat_df[rows]))
        return np.maximum(log_tail, -745.0) - np.log(flat_p[rows])

    f_low, f = miss(low, todo), miss(high, todo)
    while (rows := np.flatnonzero((f > 0) & (high < 600))).size:
        low[rows], f_low[rows] = high[rows], f[rows]
        high[rows] += 1.0
        f[rows] = miss(high[rows], rows)
    while (rows := np.flatnonzero((f_low < 0) & (low > -600))).size:
        high[rows], f[rows] = low[rows], f_low[rows]
        low[rows] -= 2.0
        f_low[rows] = miss(low[rows], rows)
    x, before, f_before = high.copy(), low.copy(), f_low
    for _ in range(200):
        slope = (f[todo] - f_before[todo]) / (x[todo] - before[todo])
        step = x[todo] - f[todo] / np.where(slope < 0, slope, -np.inf)
        inside = (step > low[todo]) & (step < high[todo])
        before[todo], f_before[todo] = x[todo], f[todo]
        x[todo] = np.where(inside, step, (low[todo] + high[todo]) / 2.0)
        f[todo] = miss(x[todo], todo)
        low[todo] = np.where(f[todo] > 0, x[todo], low[todo])
        high[todo] = np.where(f[todo] > 0, high[todo], x[todo])
        moved = np.abs(x[todo] - before[todo]) > 1e-13
        todo = todo[moved & (np.abs(f[todo]) > 1e-12) & (high[todo] - low[todo] > 1e-14)]
        if not todo.size:
            break
    return np.where(np.isnan(flat_df), np.nan, np.exp(x)).reshape(p.shape)


# ------------------------------------------------------------- families


def _family_tail(corr: Floats) -> Callable[[Floats, Floats], Floats]:
    """Choose how the tail of the largest absolute t of a family is computed."""
    m = corr.shape[0]
    if m == 1:
        return lambda t, df: np.where(np.isinf(df), 2 * ndtr(-t), 2 * stdtr(df, -t))
    load = _exact_loadings(corr)
    if load is not None:
        exact = _product_law(tuple(load.tolist()))
        return lambda t, df: _tail(exact, t, df)
    reach = _reach(corr.tobytes(), m)
    if reach.rank < m:
        return lambda t, df: _sphere_tail(t, df, reach)
    load = _nearest_loadings(corr)
    law = _product_law(tuple(load.tolist()))
    nearest = np.outer(load, load) + np.diag(1.0 - load**2)
    control = _reach(nearest.tobytes(), m)

    def tail(t: Floats, df: Floats) -> Floats:
        ratio = _sphere_tail(t, df, reach) / _sphere_tail(t, df, control)
        return np.minimum(_tail(law, t, df) * ratio, 1.0)

    return tail


def _exact_loadings(corr: Floats) -> Floats | None:
    """Solve corr_ij = l_i * l_j off the diagonal, or say that it cannot be."""
    m = corr.shape[0]
    off = ~np.eye(m, dtype=bool)
    size = np.abs(corr)
    if m == 2:
        root = np.sqrt(np.minimum(size[0, 1], 1.0 - 1e-7))
        return np.array([root, np.copysign(root, corr[0, 1])])
    if size[off].max() < 1e-12:
        return np.zeros(m)
    if size[off].min() < 1e-12:
        return None
    logs = np.log(np.where(off, size, 1.0)).sum(axis=1)
    load = np.exp((logs - logs.sum() / (2.0 * (m - 1))) / (m - 2))
    load *= np.concatenate([[1.0], np.sign(corr[0, 1:])])
    fits = np.abs(np.outer(load, load) - corr)[off].max() < 1e-9 and np.abs(load).max() < 1 - 1e-7
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
