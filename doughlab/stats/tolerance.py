"""Ranges that hold a stated share of all future units with a stated confidence.

Called by the analysis of trials and by the measurement study.
Prediction of one new unit, which is another question, is left to prediction.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.special import chdtrc, chdtri, ndtr, ndtri

from doughlab.errors import InputError, OutOfRange
from doughlab.stats.scale import mean_over_scale

Floats = NDArray[np.float64]

_METHODS = ("exact", "howe")
_SIDES = ("both", "lower", "upper")


def tolerance_factor(
    n: float,
    content: float = 0.95,
    *,
    confidence: float = 0.95,
    df: float | None = None,
    method: str = "exact",
) -> float:
    """Find k so that mean -+ k s holds a share of a normal population.

    Parameters
    ----------
    n : float, 2 or more
        Observations behind the mean: its variance is s**2 / n.
    content : float
        Share of the population, above 0 and below 1.
    confidence : float
        Chance that the range holds at least that share, above 0 and below 1.
    df : float, optional
        Degrees of freedom of s; n - 1 by default.
    method : str
        "exact", or "howe" for Howe's closed form.

    Returns
    -------
    float

    Raises
    ------
    OutOfRange
        When a number lies outside its range.
    InputError
        When the method is not known.

    References
    ----------
    Wald, A. and Wolfowitz, J. (1946), Ann. Math. Stat. 17, 208; Howe, W. G. (1969), J. Am. Stat.
    Assoc. 64, 610. Checked in tests/reference/test_tolerance_howe1969.py.

    Examples
    --------
    >>> print(round(tolerance_factor(10), 4), round(tolerance_factor(10, method="howe"), 4))
    3.3934 3.3819
    """
    own_df = _check_factor(n, content, confidence, df)
    if method not in _METHODS:
        raise InputError(f"Method '{method}' is not known. Known: exact, howe.")
    low_chi = chdtri(own_df, confidence)
    howe = float(ndtri((1 + content) / 2) * np.sqrt(own_df * (1 + 1 / n) / low_chi))
    if method == "howe":
        return howe
    nodes, weights = np.polynomial.legendre.leggauss(80)
    offset = (nodes + 1.0) * 4.5 / np.sqrt(n)
    density = weights * 4.5 * 2.0 * np.exp(-n * offset**2 / 2) / np.sqrt(2 * np.pi)
    reach = _half_width_with_content(offset, content)

    def miss(k: float) -> float:
        return float((density * chdtrc(own_df, own_df * (reach / k) ** 2)).sum()) - confidence

    return float(brentq(miss, howe / 4.0, howe * 4.0, xtol=1e-12))


def tolerance_factor_one_sided(
    n: float, content: float = 0.95, *, confidence: float = 0.95, df: float | None = None
) -> float:
    """Find k so that mean + k s lies above a share of a normal population.

    Parameters
    ----------
    n : float, 2 or more
        Observations behind the mean.
    content : float
        Share of the population, above 0 and below 1.
    confidence : float
        Chance that at least that share lies below, above 0 and below 1.
    df : float, optional
        Degrees of freedom of s; n - 1 by default.

    Returns
    -------
    float
        The quantile of noncentral t over the root of n.

    Raises
    ------
    OutOfRange
        When a number lies outside its range.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3. Checked in
    tests/reference/test_tolerance_howe1969.py.

    Examples
    --------
    >>> print(round(tolerance_factor_one_sided(43, 0.90, confidence=0.99), 4))
    1.874
    """
    own_df = np.array([_check_factor(n, content, confidence, df)])
    root, z = np.sqrt(n), ndtri(content)

    def miss(k: float) -> float:
        below = mean_over_scale(lambda s: ndtr(root * (k * s - z)), own_df)
        return float(below[0]) - confidence

    return float(_solve_rising(miss, abs(float(z)) + 1.0))


@dataclass(frozen=True)
class ToleranceInterval:
    """A range for a share of all units, with what it rests on.

    Attributes
    ----------
    low, high : float
        Ends; an open side is infinite.
    mean : float
        Estimated mean.
    content, confidence : float
        Share held, and the chance that it is held.
    groups, n : int
        Groups and observations used.
    method : str
        Published method by name.
    notes : tuple of str
        What is shaky.
    """

    low: float
    high: float
    mean: float
    content: float
    confidence: float
    groups: int
    n: int
    method: str
    notes: tuple[str, ...] = ()

    def __str__(self) -> str:
        """State the range in one line."""
        return (
            f"{self.low:.4g} to {self.high:.4g} holds {100 * self.content:g} % of all units "
            f"({100 * self.confidence:g} % sure, {self.groups} groups, {self.n} values)"
        )


@dataclass(frozen=True)
class MeanSquare:
    """One independent mean square and where it enters.

    Attributes
    ----------
    value : float
        The mean square, 0 or more.
    df : float
        Its degrees of freedom, above 0.
    in_total : float
        Its coefficient in the variance of one new unit.
    in_mean : float
        Its coefficient in the variance of the estimated mean.
    """

    value: float
    df: float
    in_total: float
    in_mean: float


def tolerance_one_way(
    values: ArrayLike,
    groups: ArrayLike,
    *,
    content: float = 0.95,
    confidence: float = 0.95,
    side: str = "both",
) -> ToleranceInterval:
    """Give a range for a share of all units when units come in groups.

    One-way random model: a new unit comes from a new group.

    Parameters
    ----------
    values : array, shape (n,)
        Observations; blanks (NaN) are left out.
    groups : array, shape (n,)
        The group of each; at least 3 groups.
    content, confidence : float
        Share held and chance that it is held, above 0 and below 1.
    side : str
        "both", or "lower" or "upper" for a single limit.

    Returns
    -------
    ToleranceInterval

    Raises
    ------
    InputError
        When there are fewer than 3 groups or the side is not known.
    OutOfRange
        When content or confidence lies outside its range.

    Notes
    -----
    Generalised confidence approach: each mean square is replaced by its value times df over a
    chi-square, which gives the variance of a new unit and that of the mean; the stated quantile
    of their sum gives the two-sided range, that of ``mean + z sd`` the one-sided limit. Solved by
    integration, not by drawing. With one value per group it becomes Howe's range (two-sided) and
    the noncentral t limit (one-sided). Unequal groups enter by their plain means and the mean of
    the reciprocal sizes (Thomas and Hultquist), which is exact where groups are equal.

    References
    ----------
    Liao, C. T., Lin, T. Y. and Iyer, H. K. (2005), Technometrics 47, 323 (two-sided);
    Krishnamoorthy, K. and Mathew, T. (2004), Technometrics 46, 44 (one-sided); Thomas, J. D. and
    Hultquist, R. A. (1978), Ann. Stat. 6, 582. Coverage checked by simulation in
    tests/stats/test_tolerance.py.

    Examples
    --------
    >>> t = tolerance_one_way([5.1, 5.3, 5.0, 5.2, 5.6, 5.5, 5.2, 5.1], [1, 1, 2, 2, 3, 3, 4, 4])
    >>> print(t)
    3.92 to 6.58 holds 95 % of all units (95 % sure, 4 groups, 8 values)
    """
    y, codes = _read_groups(values, groups)
    sizes = np.bincount(codes).astype(float)
    means = np.bincount(codes, weights=y) / sizes
    a, n = sizes.size, y.size
    inverse = float((1.0 / sizes).mean())
    within_df = n - a
    within = float(((y - means[codes]) ** 2).sum() / within_df) if within_df else 0.0
    parts = [MeanSquare(float(means.var(ddof=1)), a - 1, 1.0, 1.0 / a)]
    if within_df and inverse < 1.0:
        parts.append(MeanSquare(within, within_df, 1.0 - inverse, 0.0))
    notes = []
    if np.ptp(sizes) > 0:
        notes.append("Groups are of unequal size; the range is approximate.")
    if a < 6:
        notes.append(f"Only {a} groups: the spread between groups is hardly known.")
    method = "Liao, Lin and Iyer 2005" if side == "both" else "Krishnamoorthy and Mathew 2004"
    low, high = _range(float(means.mean()), parts, content, confidence, side)
    return ToleranceInterval(
        low, high, float(means.mean()), content, confidence, a, n, method, tuple(notes)
    )


def tolerance_mean_squares(
    mean: float,
    parts: Sequence[MeanSquare],
    *,
    content: float = 0.95,
    confidence: float = 0.95,
    side: str = "both",
    draws: int = 200_000,
    seed: int = 1,
) -> tuple[float, float]:
    """Give the range for any sum of independent mean squares, by simulation.

    For nested and crossed random models beyond one way; the method is that of
    :func:`tolerance_one_way`, with draws in place of integrals.

    Parameters
    ----------
    mean : float
        Estimated mean.
    parts : sequence of MeanSquare
        Independent mean squares; a negative coefficient is allowed, a total below 0 counts as 0.
    content, confidence : float
        Above 0 and below 1.
    side : str
        "both", "lower" or "upper".
    draws : int
        Number of draws, 1000 or more.
    seed : int
        The same seed gives the same answer.

    Returns
    -------
    low, high : float, float
        An open side is infinite.

    Raises
    ------
    InputError
        When there is no mean square, or the side is not known.
    OutOfRange
        When a number lies outside its range.

    Examples
    --------
    >>> low, high = tolerance_mean_squares(10.0, [MeanSquare(1.0, 9, 1.0, 0.1)])
    >>> print(round(low, 1), round(high, 1))
    6.6 13.4
    """
    _check_share(content, "content")
    _check_share(confidence, "confidence")
    _check_side(side)
    if draws < 1000:
        raise OutOfRange(f"draws is {draws}; take 1000 or more.", value=draws, low=1000, high=None)
    if not parts:
        raise InputError("No mean square was given; a range needs at least one.")
    rng = np.random.default_rng(seed)
    total, of_mean = np.zeros(draws), np.zeros(draws)
    for part in parts:
        variance = part.value * part.df / rng.chisquare(part.df, draws)
        total += part.in_total * variance
        of_mean += part.in_mean * variance
    total, of_mean = np.maximum(total, 0.0), np.maximum(of_mean, 0.0)
    if side == "both":
        half = ndtri((1 + content) / 2) * float(np.sqrt(np.quantile(total + of_mean, confidence)))
        return mean - half, mean + half
    up = rng.standard_normal(draws) * np.sqrt(of_mean) + ndtri(content) * np.sqrt(total)
    return _one_side(mean, float(np.quantile(up, confidence)), side)


def _range(
    mean: float, parts: Sequence[MeanSquare], content: float, confidence: float, side: str
) -> tuple[float, float]:
    """Solve the range for one or two mean squares by integration."""
    _check_share(content, "content")
    _check_share(confidence, "confidence")
    _check_side(side)
    first = parts[0]
    rest = parts[1] if len(parts) > 1 else MeanSquare(0.0, 1.0, 0.0, 0.0)
    scale = np.sqrt(first.value + rest.value)
    if scale == 0:
        return _one_side(mean, 0.0, side) if side != "both" else (mean, mean)
    if side == "both":
        half = ndtri((1 + content) / 2) * np.sqrt(_quantile_of_sum(first, rest, confidence))
        return mean - float(half), mean + float(half)
    z = float(ndtri(content))

    def miss(k: float) -> float:
        return _chance_below(k * scale, first, rest, z) - confidence

    return _one_side(mean, _solve_rising(miss, 4.0) * float(scale), side)


def _quantile_of_sum(first: MeanSquare, rest: MeanSquare, confidence: float) -> float:
    """Quantile of c1 df1 / chi1 + c2 df2 / chi2, by integrating over the second."""
    c1 = first.value * (first.in_total + first.in_mean) * first.df
    c2 = rest.value * (rest.in_total + rest.in_mean)
    if c1 == 0.0:
        return float(c2 * rest.df / chdtri(rest.df, confidence))
    top = c1 / chdtri(first.df, confidence)
    if c2 == 0.0:
        return float(top)

    def miss(log_x: float) -> float:
        def chance(s: Floats) -> Floats:
            left = np.exp(log_x) - c2 / s**2
            return chdtrc(first.df, c1 / np.where(left > 0, left, 1.0)) * (left > 0)

        # c2 / s**2 is below x only for s above a corner: integrate the part above it
        corner = np.array([0.5 * (np.log(c2) - log_x)])
        df = np.array([float(rest.df)])
        return float(mean_over_scale(chance, df, log_bottom=corner)[0]) - confidence

    low = np.log(top)
    step = 0.5
    while miss(low + step) < 0:
        step *= 2.0
    return float(np.exp(brentq(miss, low, low + step, xtol=1e-12)))


def _chance_below(x: float, first: MeanSquare, rest: MeanSquare, z: float) -> float:
    """Chance that Z sd(mean) + z sd(total) is at most x, over both scales."""
    outer = np.array([float(rest.df)])

    def given_rest(s: Floats) -> Floats:
        flat = s.ravel()
        within = rest.value * rest.in_total / flat**2

        def given_both(t: Floats) -> Floats:
            total = np.sqrt(first.value * first.in_total / t**2 + within[:, None])
            return ndtr((x - z * total) / (np.sqrt(first.value * first.in_mean) / t))

        inner = np.full(flat.size, float(first.df))
        return mean_over_scale(given_both, inner).reshape(s.shape)

    return float(mean_over_scale(given_rest, outer)[0])


def _half_width_with_content(offset: Floats, content: float) -> Floats:
    """Solve Phi(d + r) - Phi(d - r) = content for r by Newton's method."""
    r = np.maximum(ndtri((1 + content) / 2), offset + ndtri(content))
    for _ in range(60):
        held = ndtr(offset + r) - ndtr(offset - r)
        slope = np.exp(-((offset + r) ** 2) / 2) + np.exp(-((offset - r) ** 2) / 2)
        step = (held - content) / (slope / np.sqrt(2 * np.pi))
        r = np.maximum(r - step, r / 2)
        if np.abs(step).max() < 1e-13:
            break
    return r


def _solve_rising(miss: Callable[[float], float], start: float) -> float:
    high = start
    while miss(high) < 0 and high < 1e9:
        high *= 2.0
    low = -start
    while miss(low) > 0 and low > -1e9:
        low *= 2.0
    return float(brentq(miss, low, high, xtol=1e-12))


def _one_side(mean: float, up: float, side: str) -> tuple[float, float]:
    return (-np.inf, mean + up) if side == "upper" else (mean - up, np.inf)


def _read_groups(values: ArrayLike, groups: ArrayLike) -> tuple[Floats, NDArray[np.int64]]:
    y, labels = np.asarray(values, dtype=float), np.asarray(groups)
    if y.ndim != 1 or y.shape != labels.shape:
        raise InputError(f"{y.size} values and {labels.size} groups were given; give one each.")
    known = np.isfinite(y)
    names, codes = np.unique(labels[known], return_inverse=True)
    if names.size < 3:
        raise InputError(
            f"A range for future units needs 3 or more groups; there are {names.size}."
        )
    return y[known], codes.astype(np.int64)


def _check_factor(n: float, content: float, confidence: float, df: float | None) -> float:
    _check_share(content, "content")
    _check_share(confidence, "confidence")
    if not n >= 2:
        raise OutOfRange(f"n is {n:g}; it must be 2 or more.", value=n, low=2.0, high=None)
    own_df = n - 1.0 if df is None else float(df)
    if not own_df > 0:
        raise OutOfRange(f"df is {own_df:g}; it must be above 0.", value=own_df, low=0.0, high=None)
    return own_df


def _check_share(value: float, name: str) -> None:
    if not 0.0 < value < 1.0:
        raise OutOfRange(
            f"{name} is {value:g}; it must be above 0 and below 1.", value=value, low=0.0, high=1.0
        )


def _check_side(side: str) -> None:
    if side not in _SIDES:
        raise InputError(f"Side '{side}' is not known. Known: both, lower, upper.")
