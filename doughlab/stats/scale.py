"""Student's t with any df, and the spread of an estimated standard error behind it.

Called by extremes, verdicts, settle and tolerance, which integrate over that spread.
What is integrated is left to them.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaln, ndtr, ndtri, stdtr, stdtrit

Floats = NDArray[np.float64]

_LOG_DROP = 26.0  # what lies below exp(-26) of the peak is left out


def log_scale_limits(df: Floats) -> tuple[Floats, Floats]:
    """Give the range of log s that holds all but 1e-11 of its spread.

    Parameters
    ----------
    df : array
        Degrees of freedom above 0; s**2 * df is chi-square on df.

    Returns
    -------
    low, high : array, array
        Both in log units; low is negative, high positive.

    Examples
    --------
    >>> low, high = log_scale_limits(np.array([10.0]))
    >>> print(low.round(1), high.round(1))
    [-3.1] [1.1]
    """
    drop = 2.0 * _LOG_DROP / df
    low = -np.minimum(drop + np.sqrt(2.0 * drop), drop + 1.0) / 2.0
    return low, np.log1p(drop + np.sqrt(2.0 * drop)) / 2.0


def log_scale_density(u: Floats, df: Floats) -> Floats:
    """Give the log density of u = log s.

    Parameters
    ----------
    u : array
        Log of the root mean chi-square.
    df : array, broadcast with u
        Degrees of freedom above 0. Stirling's series is used from 200 on, where the gamma
        function would lose digits.

    Returns
    -------
    array of the broadcast shape

    Examples
    --------
    >>> u = np.linspace(-6, 2, 400)
    >>> print(round(float(np.exp(log_scale_density(u, np.array(5.0))).sum() * (u[1] - u[0])), 9))
    1.0
    """
    a = np.asarray(df / 2.0)
    exact = a * np.log(a) - a - gammaln(a)
    stirling = 0.5 * np.log(a / (2.0 * np.pi)) - 1.0 / (12.0 * a) + 1.0 / (360.0 * a**3)
    constant = np.log(2.0) + np.where(a < 100.0, exact, stirling)
    return constant + 2.0 * a * (u - np.expm1(2.0 * u) / 2.0)


def mean_over_scale(
    value: Callable[[Floats], Floats],
    df: Floats,
    *,
    log_top: Floats | None = None,
    log_bottom: Floats | None = None,
) -> Floats:
    """Average a smooth function of s = root of chi-square over df.

    Parameters
    ----------
    value : function
        Takes s with shape (n, nodes), gives the values in the same shape.
    df : array, shape (n,)
        Degrees of freedom above 0; at inf s is 1.
    log_top, log_bottom : array, shape (n,), optional
        Take the part below exp(log_top) or above exp(log_bottom) only, where the function ends
        there in a corner.

    Returns
    -------
    array, shape (n,)
        By Gauss-Legendre integration over log s; measured within 1e-9 for df of 1 and more.

    Examples
    --------
    >>> print(mean_over_scale(lambda s: s**2, np.array([3.0, 40.0, np.inf])).round(9))
    [1. 1. 1.]
    """
    known = np.isinf(df)
    own = np.where(known, 1.0, df)
    low, high = log_scale_limits(own)
    if log_bottom is not None:
        low = np.clip(log_bottom, low, high)
    if log_top is not None:
        high = np.clip(log_top, low, high)
    smallest = own[~known].min(initial=np.inf)
    nodes, weights = _gauss_rule(64 if smallest >= 4.0 else 200 if smallest >= 0.9 else 1200)
    u = low[:, None] + (nodes + 1.0) / 2.0 * (high - low)[:, None]
    density = np.exp(log_scale_density(u, own[:, None])) * weights * (high - low)[:, None] / 2.0
    if known.any():
        u[known] = 0.0
        density[known] = weights / 2.0
        if log_top is not None:
            density[known & (log_top <= 0)] = 0.0
        if log_bottom is not None:
            density[known & (log_bottom >= 0)] = 0.0
    return (density * value(np.exp(u))).sum(axis=1)


@lru_cache(maxsize=4)
def _gauss_rule(points: int) -> tuple[Floats, Floats]:
    nodes, weights = np.polynomial.legendre.leggauss(points)
    return nodes, weights


def student_cdf(df: ArrayLike, t: ArrayLike) -> Floats:
    """Give Student's distribution function, with the normal at infinite df.

    Parameters
    ----------
    df : float or array, above 0
        Degrees of freedom, or inf.
    t : float or array

    Returns
    -------
    array of the broadcast shape

    Examples
    --------
    >>> print(student_cdf([5.0, np.inf], 1.96).round(4))
    [0.9464 0.975 ]
    """
    own = np.asarray(df, dtype=float)
    return np.where(np.isinf(own), ndtr(t), stdtr(np.where(np.isinf(own), 1.0, own), t))


def student_quantile(df: ArrayLike, p: ArrayLike) -> Floats:
    """Give Student's quantile, with the normal at infinite df.

    Parameters
    ----------
    df : float or array, above 0
        Degrees of freedom, or inf.
    p : float or array, between 0 and 1

    Returns
    -------
    array of the broadcast shape

    Examples
    --------
    >>> print(student_quantile([5.0, np.inf], 0.975).round(4))
    [2.5706 1.96  ]
    """
    own = np.asarray(df, dtype=float)
    return np.where(np.isinf(own), ndtri(p), stdtrit(np.where(np.isinf(own), 1.0, own), p))
