"""Chances: what a foreseen comparison will find, by the rule that gives the verdicts.

`precision`, `enough` and `pilot` read them off the ranges of `foresee`: by algebra, or from its
invented trials where it had to draw them. Which comparison, and the words, are left to them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from doughlab.stats.verdicts import chance_of_verdicts

if TYPE_CHECKING:
    from doughlab.plan.foresee import Foreseen

Floats = NDArray[np.floating[Any]]


@dataclass(frozen=True)
class Chances:
    """What a comparison will find, by the verdict rule.

    Attributes
    ----------
    found_80, found_90 : float
        Smallest true difference that is found 4 times in 5, and 9 in 10.
    found_margin : float
        Chance that a true difference as large as the margin is found.
    same_if_zero, same_if_half : float
        Chance to show "same" when there is no difference, and when it is half the margin.
    half_width : float
        Usual distance of the ends of the 95 % range from its middle: at the foreseen standard
        error, or the median of invented trials.
    """

    found_80: float
    found_90: float
    found_margin: float
    same_if_zero: float
    same_if_half: float
    half_width: float


def find_chances(found: Sequence[Foreseen], margins: Sequence[float]) -> list[Chances]:
    """Find what each comparison will find.

    Parameters
    ----------
    found : sequence of Foreseen
    margins : sequence of float
        The margin of each, in the unit of its response.
    """
    if not found:
        return []
    se, df, critical = (
        np.array([getattr(f, name) for f in found]) for name in ("std_error", "df", "critical")
    )
    margin = np.array(margins)
    wanted = np.repeat([[0.8], [0.9]], len(found), axis=1)
    at80, at90 = smallest_difference(se, df, critical, chance=wanted)
    truth = np.array([[0.0], [0.5]]) * margin
    same = chance_of_verdicts(truth, se, df=df, margin=margin, critical=critical).same
    table = [at80, at90, found_chance(margin, se, df, critical), *same, se * critical]
    return [
        Chances(*map(float, column)) if f.draws is None else _drawn_chances(f, m)
        for f, m, column in zip(found, margins, np.array(table).T, strict=True)
    ]


def _drawn_chances(seen: Foreseen, margin: float) -> Chances:
    """Read the chances off invented trials."""
    same, half_same = (float(_same_each(seen, t, margin).mean()) for t in (0.0, margin / 2.0))
    return Chances(
        _drawn_smallest(seen, 0.8),
        _drawn_smallest(seen, 0.9),
        float(_found_each(seen, margin).mean()),
        same,
        half_same,
        float(np.median(_draws(seen)[1])),
    )


def chance_error(seen: Foreseen, margin: float) -> float:
    """Give the largest standard error of the chances that are read off invented trials.

    Parameters
    ----------
    seen : Foreseen
        With draws, two at least.
    margin : float

    Returns
    -------
    float
        Or half the share by which the usual half width (a median) is uncertain, if that is more.
    """
    each = [_found_each(seen, size) for size in (_drawn_smallest(seen, 0.8), margin)]
    each += [_same_each(seen, truth, margin) for truth in (0.0, margin / 2.0)]
    half = _draws(seen)[1]
    width = 0.5 * 1.2533 * np.std(half, ddof=1) / np.median(half)  # sqrt(pi/2): of a median
    return float(max(np.std(each, axis=1, ddof=1).max(), width) / len(half) ** 0.5)


def match_df(seen: Foreseen) -> Foreseen:
    """Give a drawn comparison the degrees of freedom at which algebra finds as much 4 in 5 times.

    So that it can be scaled to more batches; others are returned as they are.
    """
    if seen.draws is None:
        return seen
    df = np.geomspace(1.0, 1000.0, 97)
    wanted = np.full(len(df), _drawn_smallest(seen, 0.8))
    chance = found_chance(wanted, np.full(len(df), seen.std_error), df, seen.critical_at(df))
    return replace(seen, df=float(np.exp(np.interp(0.8, chance, np.log(df)))))


def _draws(seen: Foreseen) -> tuple[Floats, Floats]:
    """Give the shifts of invented trials, with both signs, and their half widths."""
    shift, half = seen.draws if seen.draws is not None else (np.zeros(0), np.zeros(0))
    return np.stack([shift, -shift]), half


def _found_each(seen: Foreseen, difference: float) -> Floats:
    """Give, for each trial's range, the chance that zero lies outside.

    Over the error of the best estimate, which is independent of the trial's shift and range.
    """
    shift, half = _draws(seen)
    above = ndtr((difference + shift - half) / seen.std_error)
    found: Floats = (above + ndtr((-difference - shift - half) / seen.std_error)).mean(axis=0)
    return found


def _same_each(seen: Foreseen, truth: float, margin: float) -> Floats:
    """Give, for each trial's range, the chance that it lies inside the margins."""
    shift, half = _draws(seen)
    top = ndtr((margin - half - truth - shift) / seen.std_error)
    inside: Floats = top - ndtr((half - margin - truth - shift) / seen.std_error)
    return np.maximum(inside, 0.0).mean(axis=0)


def _drawn_smallest(seen: Foreseen, chance: float) -> float:
    """Solve for the difference that invented trials find so often, by steps kept in a bracket."""
    shift, half = _draws(seen)
    most = np.quantile(half + np.abs(shift[0]), (1.0 + chance) / 2.0, method="higher")
    low, high = 0.0, float(most) + 4.0 * seen.std_error
    at = float(np.median(half))
    for _ in range(60):
        missing = chance - _found_each(seen, at).mean()
        low, high = (at, high) if missing > 0 else (low, at)
        step = missing / _found_slope(seen, at)
        at = at + step if low < at + step < high else (low + high) / 2.0
        if min(abs(step), high - low) <= 1e-8 * seen.std_error:
            break
    return at


def _found_slope(seen: Foreseen, difference: float) -> float:
    """Give how fast the chance to be found grows with the difference."""
    shift, half = _draws(seen)
    ends = np.stack([difference + shift - half, difference + shift + half]) / seen.std_error
    density = np.exp(-0.5 * ends**2) / (2.0 * np.pi) ** 0.5
    return max(float((density[0] - density[1]).mean()) / seen.std_error, 1e-12)


def smallest_difference(
    std_error: Floats, df: Floats, critical: Floats, *, chance: float | Floats
) -> Floats:
    """Find the true difference whose range leaves zero out with a given chance.

    Parameters
    ----------
    std_error, df, critical : array, shape (n,)
        Foreseen standard error, degrees of freedom and half width in standard errors.
    chance : float or array, shape (..., n)
        Such as 0.8 for four times in five.

    Returns
    -------
    array, shape of the chance and (n,) together
        In the unit of the standard error, to 1e-6 of it.

    Examples
    --------
    Two groups of 20: what is found with the chance 0.8689530 is one standard deviation.

    >>> se = np.array([(2 / 20) ** 0.5])
    >>> print(smallest_difference(se, np.array([38.0]), np.array([2.024394]), chance=0.868953))
    [1.]
    """
    shape = np.broadcast_shapes(np.shape(chance), std_error.shape)
    low, high = np.zeros(shape), np.ones(shape)
    while (found_chance(high, 1.0, df, critical) < chance).any():
        high = high * 2.0
    for _ in range(26):
        middle = (low + high) / 2.0
        enough = found_chance(middle, 1.0, df, critical) >= chance
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    return high * std_error


def found_chance(
    difference: Floats, std_error: Floats | float, df: Floats, critical: Floats
) -> Floats:
    """Compute the chance that the range of a true difference leaves zero out."""
    c = chance_of_verdicts(difference, std_error, df=df, margin=1.0, critical=critical)
    return c.matters + c.differs + c.real_but_small
