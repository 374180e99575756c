"""One mean from several independent estimates that need not share one truth.

Called where the same difference was measured in several experiments. Whether they may be put
together is for the caller to say; ranges within one experiment are left to inference.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.stats import t

from doughlab.errors import InputError

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Combined:
    """A mean of estimates with a spread between them.

    Attributes
    ----------
    estimate, std_error : float
        In the unit of the estimates.
    low, high : float
        Range of the mean at the level asked for.
    between_sd : float
        Standard deviation of the truths, 0 or more; 0 where the estimates differ by no more than
        their own errors explain.
    df : float
        One less than the number of estimates.
    """

    estimate: float
    std_error: float
    low: float
    high: float
    between_sd: float
    df: float


def combine_estimates(
    estimates: Sequence[float], std_errors: Sequence[float], *, level: float = 0.95
) -> Combined:
    """Take the mean of estimates, each weighted by one over its variance.

    The variance of each is its own squared error plus one variance between the truths, chosen so
    that the weighted squares about the mean are as many as their degrees of freedom; 0 where they
    are fewer. The range uses Student's t with one degree of freedom less than there are estimates.

    Parameters
    ----------
    estimates : sequence of float, shape (k,), k 2 or more
    std_errors : sequence of float, shape (k,)
        Above 0, of the same unit.
    level : float
        Above 0 and below 1.

    Returns
    -------
    Combined

    Raises
    ------
    InputError
        For fewer than two estimates, lengths that differ, or errors that are not above 0.

    References
    ----------
    Paule, R. C., Mandel, J. (1982), J. Res. Natl. Bur. Stand. 87, 377-385: the variance between.
    Hartung, J., Knapp, G. (2001), Stat. Med. 20, 3875-3889: the t range; its factor is never
    taken below 1, and with the variance above it is 1.

    Examples
    --------
    >>> two = combine_estimates([-0.10, -0.10], [0.02, 0.02])
    >>> round(two.estimate, 3), two.between_sd, round(two.std_error, 4)
    (-0.1, 0.0, 0.0141)
    """
    y, errors = np.asarray(estimates, dtype=float), np.asarray(std_errors, dtype=float)
    if y.ndim != 1 or y.shape != errors.shape or y.size < 2:
        raise InputError("Give two estimates or more, each with its standard error.")
    if not (np.isfinite(y).all() and np.isfinite(errors).all() and (errors > 0).all()):
        raise InputError("Estimates must be numbers and their standard errors above 0.")
    own = errors**2
    between = _variance_between(y, own)
    weights = 1.0 / (own + between)
    mean = float(np.sum(weights * y) / np.sum(weights))
    error = float(np.sum(weights) ** -0.5)
    reach = float(t.ppf(0.5 + level / 2, y.size - 1)) * error
    return Combined(mean, error, mean - reach, mean + reach, between**0.5, float(y.size - 1))


def _variance_between(y: Floats, own: Floats) -> float:
    """Find the variance at which the weighted squares equal their degrees of freedom."""

    def excess(between: float) -> float:
        weights = 1.0 / (own + between)
        mean = np.sum(weights * y) / np.sum(weights)
        return float(np.sum(weights * (y - mean) ** 2) - (y.size - 1))

    if excess(0.0) <= 0.0:
        return 0.0
    high = float(np.sum((y - y.mean()) ** 2))
    while excess(high) > 0.0:
        high *= 2.0
    return float(brentq(excess, 0.0, high, xtol=1e-14))
