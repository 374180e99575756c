"""Chance that more data settle a result, with what is not known about the spread counted in.

Called by the decision room for its list of what to try next, and by the study that checks it.
How many more units are needed for a wanted chance is left to `settle`; words to the callers.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtri, ndtr

from doughlab.stats.scale import student_quantile
from doughlab.stats.verdicts import check_above_zero

Floats = NDArray[np.float64]

SPREADS = 32  # midpoints of equal shares of the spread's law
SCALES = 16  # the same for the new standard error
LEAST_DF = 1.0


def chance_to_settle(
    estimate: ArrayLike,
    std_error: ArrayLike,
    df: ArrayLike,
    *,
    margin: ArrayLike,
    tail: ArrayLike,
    ratio: ArrayLike,
    df_new: ArrayLike,
    together: bool = False,
    truth: ArrayLike | None = None,
) -> Floats:
    """Give the chance that new data bring a verdict other than "not settled".

    Parameters
    ----------
    estimate, std_error, df : float or array
        What was found so far; standard error and df above 0.
    margin : float or array
        Smallest difference that matters, above 0.
    tail : float or array
        One-sided tail of the new range per contrast, as 0.025; 0 to 0.5.
    ratio : float or array
        Variance of what the new data alone will estimate, over that of the estimate so far;
        above 0. With as many batches as before, 1.
    df_new : float or array
        Degrees of freedom that the new data bring: in all where they are judged alone, further
        ones where old and new are judged together. Alone and below 1 there is no verdict.
    together : bool
        Whether old and new data are judged as one. The old ones count as seen.
    truth : float or array, optional
        Suppose this to be the true difference. Without it the chance is averaged over what the
        data leave open: the truth about the estimate, as far as its error tells.

    Returns
    -------
    array of the broadcast shape

    Raises
    ------
    OutOfRange
        When an argument lies outside its range.

    Notes
    -----
    The true error of the estimate is std_error times the root of df over a chi-square on df; both
    it and the new standard error given it are laid out on midpoints of equal shares. Given both,
    the new estimate is normal and the chance a difference of normal tails. Together, with
    b = ratio / (1 + ratio), the joint estimate is truth + b (estimate - truth) on average, and the
    standard errors pool by their degrees of freedom. Stated against what came true:
    tests/studies/next_study.md.

    Examples
    --------
    Nothing new to be seen: an estimate far beyond the margin stays there.

    >>> print(chance_to_settle(5.0, 0.1, 20, margin=1.0, tail=0.025, ratio=1, df_new=20).round(3))
    1.0
    """
    given = (estimate, std_error, df, margin, tail, ratio, df_new,
             np.nan if truth is None else truth)  # fmt: skip
    arrays = np.broadcast_arrays(*(np.asarray(x, dtype=float) for x in given))
    for name, at in (("standard error", 1), ("degrees of freedom", 2), ("margin", 3), ("ratio", 5)):
        if arrays[at].size:
            check_above_zero(name, float(np.nanmin(arrays[at])))
    shape = arrays[0].shape
    flat = [a.ravel() for a in arrays]
    parts = [
        _chances(*(a[start : start + 2048] for a in flat), together=together)
        for start in range(0, flat[0].size, 2048)
    ]
    return np.concatenate(parts).reshape(shape) if parts else np.zeros(shape)


def _chances(
    e: Floats, s: Floats, df: Floats, margin: Floats, tail: Floats, ratio: Floats,
    df_new: Floats, truth: Floats, *, together: bool,
) -> Floats:  # fmt: skip
    """Average over the true error (axis 1) and the new standard error (axis 2)."""
    total = df + df_new if together else df_new
    usable = total >= LEAST_DF
    own, added = np.maximum(total, LEAST_DF), np.maximum(df_new, 1e-9)
    error = s[:, None] / chi_scales(df, SPREADS)
    scale = chi_scales(np.where(together, added, own), SCALES)[:, None, :]
    b = ratio / (1.0 + ratio)
    supposed = np.isfinite(truth)
    at = np.where(supposed, truth, e)
    if together:
        fresh = (error[:, :, None] * scale) ** 2
        pooled = (df * s**2)[:, None, None] + np.maximum(df_new, 0.0)[:, None, None] * fresh
        new_error = np.sqrt(b[:, None, None] * pooled / own[:, None, None])
        centre = at + b * (e - at)
        spread = np.sqrt(np.where(supposed, b * (1.0 - b), 1.0 - b))
    else:
        new_error = np.sqrt(ratio)[:, None, None] * error[:, :, None] * scale
        centre, spread = at, np.sqrt(np.where(supposed, ratio, 1.0 + ratio))
    half = -student_quantile(own, tail)[:, None, None] * new_error
    width = np.maximum(spread[:, None] * error, 1e-300)[:, :, None]
    settled = _settled(half, margin[:, None, None], centre[:, None, None], width)
    return np.where(usable, settled.mean(axis=(1, 2)), 0.0)


def chi_scales(df: Floats, points: int) -> Floats:
    """Lay out what an estimated standard deviation may be beside the true one.

    Parameters
    ----------
    df : array, shape (n,)
        Degrees of freedom of the estimate, above 0; infinite for one that is known.
    points : int
        1 or more.

    Returns
    -------
    array, shape (n, points)
        Roots of chi-square over df at the midpoints of equal shares: estimated over true.

    Examples
    --------
    >>> print(chi_scales(np.array([10.0, np.inf]), 3).round(2))
    [[0.76 0.97 1.19]
     [1.   1.   1.  ]]
    """
    shares = (np.arange(points) + 0.5) / points
    each, at = np.unique(df, return_inverse=True)  # chdtri is slow, and df repeat
    known = np.isinf(each)
    own = np.where(known, 1.0, each)[:, None]
    found = np.sqrt(chdtri(own, 1.0 - shares) / own)
    return np.asarray(np.where(known[:, None], 1.0, found)[at.ravel()])


def _settled(half: Floats, margin: Floats, centre: Floats, spread: Floats) -> Floats:
    """Give the chance that a range of known half width is settled."""
    apart = ndtr((centre - half) / spread) + ndtr((-centre - half) / spread)
    reach = margin - half
    inside = ndtr((reach - centre) / spread) - ndtr((-reach - centre) / spread)
    both = np.where(reach > 0, apart + inside, apart)
    return np.where(reach >= half, 1.0, both)
