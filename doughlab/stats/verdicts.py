"""The four verdicts on a difference, read from its printed interval and a margin.

Called by the contrasts of this room, by the planning and by the analysis of trials.
Where interval and margin come from, and the words around a verdict, are left to them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from doughlab.errors import InputError, OutOfRange
from doughlab.stats.scale import mean_over_scale, student_cdf, student_quantile

Floats = NDArray[np.float64]

MATTERS = "matters"
DIFFERS = "differs"
SAME = "same"
NOT_SETTLED = "not settled"
VERDICTS = (MATTERS, DIFFERS, SAME, NOT_SETTLED)
REAL_BUT_SMALL = "real but small"


def judge_interval(low: float, high: float, margin: float) -> str:
    """Give the verdict of one interval against a margin.

    Parameters
    ----------
    low, high : float
        Ends of the printed interval of a difference, in the unit of the response. A blank
        (NaN) or endless end gives "not settled" unless the other end already decides.
    margin : float
        Smallest difference that matters, above 0, same unit.

    Returns
    -------
    str
        "same" when the interval lies wholly inside the margin, "matters" when it lies wholly
        beyond it on one side, "differs" when it leaves zero out but reaches inside the margin,
        "not settled" otherwise. An end exactly on the margin counts as not past it.

    Raises
    ------
    OutOfRange
        When the margin is not above 0.
    InputError
        When low is above high.

    Examples
    --------
    >>> judge_interval(0.02, 0.09, 0.10), judge_interval(0.12, 0.30, 0.10)
    ('same', 'matters')
    >>> judge_interval(0.02, 0.30, 0.10), judge_interval(-0.05, 0.30, 0.10)
    ('differs', 'not settled')
    """
    if low > high:
        raise InputError(f"The interval runs from {low:g} down to {high:g}; give low, then high.")
    return VERDICTS[int(judge_intervals(low, high, margin))]


def judge_intervals(low: ArrayLike, high: ArrayLike, margin: ArrayLike) -> NDArray[np.int8]:
    """Judge many intervals at once, for simulations and tables.

    Parameters
    ----------
    low, high : array
        Ends of the intervals.
    margin : float or array, broadcast
        Smallest difference that matters, above 0.

    Returns
    -------
    array of int8, broadcast shape
        Index into ``VERDICTS``. Blank intervals are 3, "not settled".

    Raises
    ------
    OutOfRange
        When a margin is not above 0.

    Examples
    --------
    >>> [VERDICTS[i] for i in judge_intervals([0.02, -0.05], [0.09, 0.30], 0.10)]
    ['same', 'not settled']
    """
    low_, high_ = np.asarray(low, dtype=float), np.asarray(high, dtype=float)
    limit = _checked_margin(margin)
    beyond = (low_ > limit) | (high_ < -limit)
    apart = (low_ > 0) | (high_ < 0)
    inside = (low_ > -limit) & (high_ < limit)
    return np.select([inside, beyond, apart], [2, 0, 1], default=3).astype(np.int8)


def is_real_but_small(low: ArrayLike, high: ArrayLike, margin: ArrayLike) -> NDArray[np.bool_]:
    """Tell which intervals are "same" and yet leave zero out.

    Parameters
    ----------
    low, high : float or array
        Ends of the intervals.
    margin : float or array, broadcast
        Smallest difference that matters, above 0.

    Returns
    -------
    array of bool, broadcast shape
        True where a difference is shown and is smaller than what matters.

    Examples
    --------
    >>> print(is_real_but_small([0.02, -0.02], [0.09, 0.09], 0.10))
    [ True False]
    """
    apart = (np.asarray(low, dtype=float) > 0) | (np.asarray(high, dtype=float) < 0)
    return apart & (judge_intervals(low, high, margin) == VERDICTS.index(SAME))


@dataclass(frozen=True)
class EquivalenceTest:
    """Two one-sided tests of a difference against a margin.

    Attributes
    ----------
    statistic_low, statistic_high : float
        t against minus the margin (large means above it) and against plus the margin.
    df : float
        Degrees of freedom.
    p_value : float
        The larger of the two one-sided p values.
    ci_low, ci_high : float
        Interval of level 1 - 2 alpha: inside the margin exactly when p_value < alpha.
    margin : float
        The margin.
    alpha : float
        Level of each one-sided test.
    """

    statistic_low: float
    statistic_high: float
    df: float
    p_value: float
    ci_low: float
    ci_high: float
    margin: float
    alpha: float

    @property
    def equivalent(self) -> bool:
        """Whether both one-sided tests reject."""
        return self.p_value < self.alpha

    def __str__(self) -> str:
        """State the p value and the interval."""
        return (
            f"p {self.p_value:.4g} (two one-sided tests against a margin of {self.margin:g}); "
            f"{100 * (1 - 2 * self.alpha):g} % interval {self.ci_low:.4g} to {self.ci_high:.4g}"
        )


def two_one_sided(
    estimate: float, std_error: float, *, df: float, margin: float, alpha: float = 0.05
) -> EquivalenceTest:
    """Test whether a difference lies within a margin, by two one-sided tests.

    The verdicts of this module come from the printed interval, which is stricter (95 % against
    the 90 % that belongs to alpha 0.05); this test is for those who ask for it by name.

    Parameters
    ----------
    estimate, std_error : float
        The difference and its standard error, above 0.
    df : float
        Degrees of freedom, above 0; inf for a known standard error.
    margin : float
        Smallest difference that matters, above 0.
    alpha : float
        Level of each test, above 0 and below 0.5.

    Returns
    -------
    EquivalenceTest

    Raises
    ------
    OutOfRange
        When std_error, df, margin or alpha lies outside its range.

    References
    ----------
    Schuirmann, D. J. (1987), J. Pharmacokinet. Biopharm. 15, 657. Checked in
    tests/reference/test_verdicts_schuirmann1987.py.

    Examples
    --------
    >>> print(round(two_one_sided(0.371, 0.3114349, df=18, margin=1.0).p_value, 4))
    0.0293
    """
    limit = float(_checked_margin(margin))
    check_above_zero("standard error", std_error)
    check_above_zero("degrees of freedom", df)
    if not 0 < alpha < 0.5:
        raise OutOfRange(
            f"alpha is {alpha:g}; it must be above 0 and below 0.5.", value=alpha, low=0, high=0.5
        )
    t_low, t_high = (estimate + limit) / std_error, (estimate - limit) / std_error
    half = float(student_quantile(df, 1.0 - alpha)) * std_error
    p_value = float(max(student_cdf(df, -t_low), student_cdf(df, t_high)))
    return EquivalenceTest(
        t_low, t_high, float(df), p_value, estimate - half, estimate + half, limit, alpha
    )


@dataclass(frozen=True)
class VerdictChances:
    """Chance of each verdict; the four add up to one.

    Attributes
    ----------
    matters, differs, same, not_settled : array
        Chances, broadcast shape of what was asked.
    real_but_small : array
        The part of `same` that leaves zero out.
    """

    matters: Floats
    differs: Floats
    same: Floats
    not_settled: Floats
    real_but_small: Floats


def chance_of_verdicts(
    true_difference: ArrayLike,
    std_error: ArrayLike,
    *,
    df: ArrayLike,
    margin: ArrayLike,
    critical: ArrayLike,
    estimate_sd: ArrayLike | None = None,
) -> VerdictChances:
    """Compute how likely each verdict is before the data are seen.

    Parameters
    ----------
    true_difference : float or array
        What the truth is supposed to be.
    std_error : float or array, above 0
        True standard error of the estimate. The estimated one varies about it as the root of a
        chi-square on `df` over `df`.
    df : float or array
        Degrees of freedom of the estimated standard error, above 0, or inf.
    margin : float or array
        Smallest difference that matters, above 0.
    critical : float or array
        Half width of the interval in estimated standard errors, above 0.
    estimate_sd : float or array, optional
        Spread of the estimate about `true_difference` where that is not `std_error`: when part
        of the data are already there.

    Returns
    -------
    VerdictChances
        By Gauss integration over the estimated standard error, to 1e-8.

    Raises
    ------
    OutOfRange
        When an argument lies outside its range.

    Notes
    -----
    "matters" and "zero left out" are tails of noncentral t; "same" is the power of two one-sided
    tests (an Owen Q function). All three are integrated here in one go.

    References
    ----------
    Phillips, K. F. (1990), J. Pharmacokinet. Biopharm. 18, 137. Checked in
    tests/reference/test_verdicts_schuirmann1987.py.

    Examples
    --------
    >>> c = chance_of_verdicts(0.0, 0.1, df=20, margin=0.5, critical=2.086)
    >>> print(c.same.round(3), c.not_settled.round(3), (c.real_but_small).round(3))
    0.995 0.001 0.046
    """
    spread = std_error if estimate_sd is None else estimate_sd
    given = (true_difference, std_error, df, _checked_margin(margin), critical, spread)
    arrays = np.broadcast_arrays(*(np.asarray(x, dtype=float) for x in given))
    names = ("", "standard error", "degrees of freedom", "margin", "critical value", "spread")
    for name, values in zip(names[1:], arrays[1:], strict=True):
        if values.size:
            check_above_zero(name, float(values.min()))
    shape = arrays[0].shape
    flat = [a.ravel() for a in arrays]
    parts = [
        _integrate_chances(*(a[start : start + 4096] for a in flat))
        for start in range(0, flat[0].size, 4096)
    ]
    chances = np.concatenate(parts, axis=1) if parts else np.zeros((4, 0))
    matters, apart, same, small = (c.reshape(shape) for c in np.clip(chances, 0.0, 1.0))
    differs = np.maximum(apart - matters - small, 0.0)
    rest = np.maximum(1.0 - same - matters - differs, 0.0)
    return VerdictChances(matters, differs, same, rest, small)


@dataclass(frozen=True)
class ErrorRates:
    """Largest chances of a wrong verdict, over all truths.

    Attributes
    ----------
    difference_from_nothing : float
        "matters" or "differs" or "real but small" when the truth is zero.
    matters_at_margin : float
        "matters" when the truth just does not exceed the margin.
    same_at_margin : float
        "same" when the truth is the margin.
    """

    difference_from_nothing: float
    matters_at_margin: float
    same_at_margin: float


def error_rates(*, std_error: float, df: float, margin: float, critical: float) -> ErrorRates:
    """Compute the chances of the three wrong verdicts at their worst.

    Parameters
    ----------
    std_error : float
        True standard error, above 0.
    df : float
        Degrees of freedom, above 0.
    margin : float
        Smallest difference that matters, above 0.
    critical : float
        Half width of the interval in estimated standard errors.

    Returns
    -------
    ErrorRates

    Examples
    --------
    >>> r = error_rates(std_error=0.1, df=12, margin=0.5, critical=2.178813)
    >>> print(round(r.difference_from_nothing, 3), round(r.matters_at_margin, 3))
    0.05 0.025
    """
    c = chance_of_verdicts([0.0, margin], std_error, df=df, margin=margin, critical=critical)
    any_difference = c.matters + c.differs + c.real_but_small
    return ErrorRates(float(any_difference[0]), float(c.matters[1]), float(c.same[1]))


def _integrate_chances(
    truth: Floats, std_error: Floats, df: Floats, margin: Floats, critical: Floats, spread: Floats
) -> Floats:
    """Integrate over the scale s; rows are matters, zero left out, same, real but small."""
    width = critical * std_error
    tops = (None, None, np.log(margin / width), np.log(margin / (2.0 * width)))

    def value(row: int, s: Floats) -> Floats:
        half = width[:, None] * s
        return _chance_at(row, half, truth[:, None], margin[:, None], spread[:, None])

    return np.array(
        [mean_over_scale(partial(value, row), df, log_top=top) for row, top in enumerate(tops)]
    )


def _chance_at(row: int, half: Floats, truth: Floats, margin: Floats, spread: Floats) -> Floats:
    """Give one chance at a known half width."""
    if row == 0:
        return ndtr((truth - margin - half) / spread) + ndtr((-margin - half - truth) / spread)
    if row == 1:
        return ndtr((truth - half) / spread) + ndtr((-half - truth) / spread)
    reach = margin - half
    inside = ndtr((reach - truth) / spread) - ndtr((-reach - truth) / spread)
    if row == 2:
        return inside
    return inside - (ndtr((half - truth) / spread) - ndtr((-half - truth) / spread))


def _checked_margin(margin: ArrayLike) -> Floats:
    limit = np.asarray(margin, dtype=float)
    if not (limit > 0).all():
        worst = float(limit.ravel()[np.argmin(np.nan_to_num(limit.ravel(), nan=-np.inf))])
        raise OutOfRange(
            f"The margin is {worst:g}; the smallest difference that matters must be above 0.",
            value=worst,
            low=0.0,
            high=None,
        )
    return limit


def check_above_zero(name: str, value: float) -> None:
    """Refuse a number that is not above 0, by name."""
    if not value > 0:
        raise OutOfRange(
            f"The {name} is {value:g}; it must be above 0.", value=value, low=0.0, high=None
        )
