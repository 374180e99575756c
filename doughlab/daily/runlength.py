"""Average run lengths: how long a chart runs before it signals, with and without a shift.

`doughlab daily` chooses and explains its limits with them: how often a false alarm, how soon a
drift is found.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from doughlab.errors import InputError

Floats = NDArray[np.floating[Any]]


def ewma_run_length(weight: float, width: float, *, shift: float = 0.0, points: int = 101) -> float:
    """Give the average run length of a two-sided EWMA with steady-state limits.

    Parameters
    ----------
    weight : float
        Of the newest value, above 0 and up to 1.
    width : float
        Limit, in standard deviations of the average.
    shift : float
        Of the mean, in standard deviations of a value.
    points : int
        Of the Gauss-Legendre rule.

    Raises
    ------
    InputError
        For a weight or width that cannot be.

    References
    ----------
    Integral equation: Crowder (1987), Technometrics 29, 401; values to compare: Lucas & Saccucci
    (1990), Technometrics 32, 1 (both from memory).

    Examples
    --------
    >>> round(ewma_run_length(0.1, 2.814)), round(ewma_run_length(0.1, 2.814, shift=1.0), 1)
    (500, 10.3)
    """
    if not 0.0 < weight <= 1.0 or not width > 0.0:
        raise InputError(
            f"weight {weight:g} must lie above 0 and up to 1, width {width:g} above 0."
        )
    limit = width * np.sqrt(weight / (2.0 - weight))
    nodes, weights = np.polynomial.legendre.leggauss(points)
    z, w = limit * nodes, limit * weights
    density = _density((z[None, :] - (1.0 - weight) * z[:, None]) / weight - shift) / weight
    length = np.linalg.solve(np.eye(points) - density * w, np.ones(points))
    start = _density(z / weight - shift) / weight
    return float(1.0 + (start * w) @ length)


def cusum_run_length(
    slack: float, limit: float, *, shift: float = 0.0, points: int = 101, sides: int = 2
) -> float:
    """Give the average run length of a CUSUM that starts at zero.

    Parameters
    ----------
    slack, limit : float
        In standard deviations of a value.
    shift : float
        Of the mean, in standard deviations.
    points : int
        Of the Gauss-Legendre rule.
    sides : {1, 2}
        2 for an upper and a lower sum kept together.

    Raises
    ------
    InputError
        For a slack or limit that cannot be.

    References
    ----------
    Integral equation of Page (1954), Biometrika 41, 100; both sides: 1/L = 1/L+ + 1/L- (Kemp 1961).
    Values to compare: Montgomery's table for slack 0.5 (all from memory).

    Examples
    --------
    >>> round(cusum_run_length(0.5, 5)), round(cusum_run_length(0.5, 5, shift=1.0), 1)
    (465, 10.4)
    """
    if slack < 0.0 or not limit > 0.0 or sides not in (1, 2):
        raise InputError(f"slack {slack:g} must not lie below 0, limit {limit:g} above 0.")
    up = _one_side(slack, limit, shift, points)
    if sides == 1:
        return up
    return 1.0 / (1.0 / up + 1.0 / _one_side(slack, limit, -shift, points))


def _one_side(slack: float, limit: float, shift: float, points: int) -> float:
    """Solve Page's equation: the sum is at zero with a mass, else spread over 0 to the limit."""
    nodes, weights = np.polynomial.legendre.leggauss(points)
    z, w = 0.5 * limit * (nodes + 1.0), 0.5 * limit * weights
    start = np.concatenate([[0.0], z])
    system = np.eye(points + 1)
    system[:, 0] -= ndtr(slack - shift - start)
    system[:, 1:] -= _density(z[None, :] - start[:, None] + slack - shift) * w
    return float(np.linalg.solve(system, np.ones(points + 1))[0])


def _density(x: Floats) -> Floats:
    return np.exp(-0.5 * x * x) / np.sqrt(2.0 * np.pi)
