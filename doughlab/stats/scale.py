"""The spread of an estimated standard error, as log of a root mean chi-square.

Called by multiplicity, verdicts and tolerance, which integrate over it.
What is integrated is left to them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln

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
