"""Constants of control charts, by numerical integration for the normal distribution.

`chart` takes them; ISO 7870-2 tabulates them under the same letters. Nothing is read from a table.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import gammaln, ndtr

from doughlab.errors import InputError

_REACH = 9.0  # standard deviations; beyond it the normal holds less than 1e-18
_NODES = 400


@dataclass(frozen=True)
class ChartConstants:
    """Constants for groups of n values.

    Attributes
    ----------
    n : int
    d2, d3 : float
        Mean and standard deviation of the range, in standard deviations.
    c4 : float
        Mean of the standard deviation of n values, in standard deviations.
    """

    n: int
    d2: float
    d3: float
    c4: float

    @property
    def a2(self) -> float:
        """Limits of means from the mean range: 3 / (d2 sqrt n)."""
        return 3.0 / (self.d2 * self.n**0.5)

    @property
    def a3(self) -> float:
        """Limits of means from the mean standard deviation: 3 / (c4 sqrt n)."""
        return 3.0 / (self.c4 * self.n**0.5)

    @property
    def range_factors(self) -> tuple[float, float]:
        """Limits of ranges, as factors of their mean (D3, D4); never below 0."""
        half = 3.0 * self.d3 / self.d2
        return max(0.0, 1.0 - half), 1.0 + half

    @property
    def spread_factors(self) -> tuple[float, float]:
        """Limits of standard deviations, as factors of their mean (B3, B4); never below 0."""
        half = 3.0 * (1.0 - self.c4**2) ** 0.5 / self.c4
        return max(0.0, 1.0 - half), 1.0 + half


@lru_cache(maxsize=64)
def chart_constants(n: int) -> ChartConstants:
    """Compute the constants for groups of n values.

    Parameters
    ----------
    n : int
        2 to 50.

    Raises
    ------
    InputError
        For another size.

    References
    ----------
    Mean range: the integral of 1 - F^n - (1 - F)^n; its second moment: twice the integral over
    x < y of 1 - F(y)^n - (1 - F(x))^n + (F(y) - F(x))^n (Tippett 1925, Biometrika 17, from memory).
    c4: sqrt(2 / (n - 1)) gamma(n / 2) / gamma((n - 1) / 2).
    Checked in tests/reference/test_charts_nist2012.py.

    Examples
    --------
    >>> found = chart_constants(5)
    >>> round(found.d2, 4), round(found.d3, 4), round(found.c4, 4)
    (2.3259, 0.8641, 0.94)
    """
    if not 2 <= n <= 50:
        raise InputError(f"A group of {n} values has no chart constants here; give 2 to 50.")
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    x, w = _REACH * nodes, _REACH * weights
    below = ndtr(x)
    d2 = float(w @ (1.0 - below**n - (1.0 - below) ** n))
    # x < y by their place: y is x plus a part of what is left up to the end of the reach
    share, part = 0.5 * (nodes + 1.0), 0.5 * weights
    y = x[:, None] + share[None, :] * (_REACH - x)[:, None]
    high = ndtr(y)
    inner = 1.0 - high**n - (1.0 - below[:, None]) ** n + (high - below[:, None]) ** n
    second = 2.0 * float(w @ ((inner @ part) * (_REACH - x)))
    c4 = float(np.sqrt(2.0 / (n - 1)) * np.exp(gammaln(n / 2) - gammaln((n - 1) / 2)))
    return ChartConstants(n, d2, float(np.sqrt(second - d2**2)), c4)
