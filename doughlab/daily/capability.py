"""Capability: how well the spread that a kitchen keeps fits into its window.

The numbers speak of the dough only. They stand on days that looked alike on the chart; from few
days their ranges are wide, and are given with them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import chdtri, ndtri

from doughlab.errors import InputError


@dataclass(frozen=True)
class Capability:
    """How a spread fits between two ends.

    Attributes
    ----------
    cp : float
        Width of the window over six standard deviations.
    cpk : float
        The nearer side over three standard deviations; below 0 with the mean outside.
    cpm : float or None
        Of the spread about a target; None without one.
    low_side, high_side : float
        Each side over three standard deviations.
    cp_range, cpk_range : (float, float)
        95 % ranges.

    Examples
    --------
    >>> found = measure_capability(5.55, 0.05, low=5.35, high=5.75, df=20)
    >>> round(found.cp, 2), round(found.cpk, 2), found.cpm is None
    (1.33, 1.33, True)
    """

    cp: float
    cpk: float
    cpm: float | None
    low_side: float
    high_side: float
    cp_range: tuple[float, float]
    cpk_range: tuple[float, float]


def measure_capability(
    mean: float,
    sd: float,
    *,
    low: float,
    high: float,
    df: float,
    target: float | None = None,
    level: float = 0.95,
) -> Capability:
    """Measure how a spread fits into a window.

    Parameters
    ----------
    mean, sd : float
        Of single values.
    low, high : float
        The window.
    df : float
        Degrees of freedom of sd; df + 1 values stand behind the mean.
    target : float, optional
    level : float
        Of the ranges.

    Raises
    ------
    InputError
        For a window or a spread that cannot be.

    References
    ----------
    ISO 22514-2; NIST/SEMATECH e-Handbook 6.1.6. Range of Cp by chi-square; of Cpk by Bissell
    (1990), Appl. Stat. 39, 331 (from memory).

    Examples
    --------
    >>> found = measure_capability(16, 2, low=8, high=20, df=50, target=14)
    >>> round(found.cp, 4), round(found.cpk, 4), round(found.cpm, 4)
    (1.0, 0.6667, 0.7071)
    """
    if not high > low or not sd > 0.0 or not df > 0.0:
        raise InputError("A window needs its low end below its high end, and a spread above 0.")
    cp = (high - low) / (6.0 * sd)
    sides = (mean - low) / (3.0 * sd), (high - mean) / (3.0 * sd)
    cpk = min(sides)
    cpm = None
    if target is not None:
        cpm = (high - low) / (6.0 * float(np.hypot(sd, mean - target)))
    tail = (1.0 - level) / 2.0
    cp_range = tuple(cp * float(np.sqrt(chdtri(df, q) / df)) for q in (1.0 - tail, tail))
    error = float(np.sqrt(1.0 / (9.0 * (df + 1.0)) + cpk**2 / (2.0 * df)))
    half = float(ndtri(1.0 - tail)) * error
    return Capability(cp, cpk, cpm, *sides, (cp_range[0], cp_range[1]), (cpk - half, cpk + half))
