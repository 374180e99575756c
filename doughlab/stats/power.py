"""Power of F and t tests, and the number of units that reaches it.

Called by the planning of trials for one-line answers and by the checks of the simulation.
Power of mixed models, which is simulated, is left to simulate.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import fdtri, ncfdtr, ndtr

from doughlab.errors import InputError, OutOfRange
from doughlab.stats.scale import mean_over_scale, student_quantile

Floats = NDArray[np.float64]


def power_f(
    noncentrality: ArrayLike, df_num: ArrayLike, *, df_den: ArrayLike, alpha: float = 0.05
) -> Floats:
    """Compute the power of an F test from its noncentrality.

    Parameters
    ----------
    noncentrality : float or array, 0 or more
        Sum of squared effects over the error variance of the tested level.
    df_num, df_den : float or array, above 0
        Degrees of freedom.
    alpha : float
        Level of the test, above 0 and below 1.

    Returns
    -------
    array of the broadcast shape

    Raises
    ------
    OutOfRange
        When alpha lies outside its range.

    References
    ----------
    Noncentral F through scipy.special.ncfdtr. Checked in tests/reference/test_power_cohen1988.py.

    Examples
    --------
    >>> print(round(float(power_f(5.0, 2, df_den=27)), 4))
    0.458
    """
    _check_alpha(alpha)
    limit = fdtri(df_num, df_den, 1.0 - alpha)
    return np.asarray(1.0 - ncfdtr(df_num, df_den, noncentrality, limit))


def power_t(
    noncentrality: ArrayLike,
    df: ArrayLike,
    *,
    alpha: float = 0.05,
    sides: int = 2,
    both_tails: bool = True,
) -> Floats:
    """Compute the power of a t test from its noncentrality.

    Parameters
    ----------
    noncentrality : float or array
        True difference over its true standard error.
    df : float or array, above 0
        Degrees of freedom.
    alpha : float
        Level of the test, above 0 and below 1.
    sides : int
        2, or 1 for a test towards larger values.
    both_tails : bool
        Whether a rejection on the wrong side counts in a two-sided test; it does by default.
        Some tables leave it out.

    Returns
    -------
    array of the broadcast shape

    Raises
    ------
    OutOfRange
        When alpha lies outside its range.
    InputError
        When sides is neither 1 nor 2.

    Notes
    -----
    The tail of noncentral t is integrated over the estimated standard error, which also holds
    where library functions give no number (few df, strong effects).

    Examples
    --------
    Two groups of 20, one standard deviation apart.

    >>> print(round(float(power_t(1 / (2 / 20) ** 0.5, 38)), 6))
    0.868953
    """
    _check_alpha(alpha)
    if sides not in (1, 2):
        raise InputError(f"sides is {sides}; a test has 1 or 2 sides.")
    limit = student_quantile(df, 1.0 - alpha / sides)
    shift, df_, limit = np.broadcast_arrays(np.asarray(noncentrality, dtype=float), df, limit)
    flat, end = shift.ravel()[:, None], limit.ravel()[:, None]

    def beyond(s: Floats) -> Floats:
        right = ndtr(flat - end * s)
        return right + ndtr(-flat - end * s) if sides == 2 and both_tails else right

    return mean_over_scale(beyond, np.asarray(df_, dtype=float).ravel()).reshape(shift.shape)


def units_for_power(
    power_at: Callable[[float], float], target: float, *, low: float = 2.0, high: float = 1e6
) -> float:
    """Find the number of units at which a power curve reaches a target.

    Parameters
    ----------
    power_at : function
        Power as a rising function of the number of units, which need not be whole.
    target : float
        Wanted power, above 0 and below 1.
    low, high : float
        Where to look. `low` is returned when it already suffices.

    Returns
    -------
    float
        Round it up.

    Raises
    ------
    OutOfRange
        When the target is not reached at `high`.

    Examples
    --------
    Four groups, between-group variance 1, within-group variance 3.

    >>> n = units_for_power(lambda n: float(power_f(n, 3, df_den=4 * (n - 1))), 0.80)
    >>> print(round(n, 3))
    11.926
    """
    from scipy.optimize import brentq

    _check_alpha(target, "target")
    if power_at(low) >= target:
        return low
    if power_at(high) < target:
        raise OutOfRange(
            f"A power of {target:g} is not reached with {high:g} units.",
            value=target,
            low=None,
            high=power_at(high),
        )
    return float(brentq(lambda n: power_at(n) - target, low, high, xtol=1e-9))


def _check_alpha(alpha: float, name: str = "alpha") -> None:
    if not 0.0 < alpha < 1.0:
        raise OutOfRange(
            f"{name} is {alpha:g}; it must be above 0 and below 1.", value=alpha, low=0.0, high=1.0
        )
