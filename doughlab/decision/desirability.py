"""Desirability: the overall desirability of Derringer and Suich, as another view.

`words` names it behind --more. It never decides: it weighs points of a score against money by
where somebody set the ends, and knows no range by itself, so one is put to it here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from doughlab.decision.limits import HANDS, MONEY, Limit
from doughlab.decision.weigh import Weighing

Floats = NDArray[np.floating]


def rise(value: Floats, *, low: float, target: float, power: float = 1.0) -> Floats:
    """Give the desirability of a value of which more is better.

    Parameters
    ----------
    value : array
    low, target : float
        0 at or under low, 1 at or over target; low under target.
    power : float
        Above 0; how fast it grows.

    Returns
    -------
    array
        0 to 1.

    References
    ----------
    Derringer, G., Suich, R. (1980). Simultaneous optimization of several response variables.
    Journal of Quality Technology 12, 214-219. Checked in
    tests/reference/test_desirability_derringer1980.py.

    Examples
    --------
    >>> print(rise(np.array([100.0, 120.0, 145.0, 180.0]), low=120, target=170))
    [0.  0.  0.5 1. ]
    """
    return np.asarray(np.clip((value - low) / (target - low), 0.0, 1.0) ** power)


def peak(
    value: Floats, *, low: float, target: float, high: float, powers: tuple[float, float] = (1, 1)
) -> Floats:
    """Give the desirability of a value that should meet a target.

    Parameters
    ----------
    value : array
    low, target, high : float
        0 at or beyond low and high, 1 at the target.
    powers : tuple of float
        Below and above the target.

    Returns
    -------
    array
        0 to 1.

    References
    ----------
    As `rise`.

    Examples
    --------
    >>> print(peak(np.array([5.35, 5.45, 5.55, 5.75]), low=5.35, target=5.55, high=5.75))
    [0.  0.5 1.  0. ]
    """
    below = rise(value, low=low, target=target, power=powers[0])
    above = rise(-np.asarray(value), low=-high, target=-target, power=powers[1])
    return np.asarray(np.where(np.asarray(value) <= target, below, above))


def combine(*parts: Floats) -> Floats:
    """Give the overall desirability: the geometric mean, 0 where any part is 0.

    References
    ----------
    As `rise`.

    Examples
    --------
    >>> print(combine(np.array([0.25]), np.array([1.0])))
    [0.5]
    """
    return np.asarray(np.prod(np.stack(parts), axis=0) ** (1.0 / len(parts)))


@dataclass(frozen=True)
class Desirability:
    """The overall desirability of every tried setting.

    Attributes
    ----------
    middle, low, high : array, shape (m,)
        Middle of the draws of the means and their 2.5 and 97.5 % points.
    parts : tuple of str
        What is in it, with the ends.

    Examples
    --------
    >>> one = np.array([0.5])
    >>> Desirability(one, one, one, ("pH",)).parts
    ('pH',)
    """

    middle: Floats
    low: Floats
    high: Floats
    parts: tuple[str, ...]


def find_desirability(weighing: Weighing) -> Desirability | None:
    """Find the overall desirability of every setting from the limits of trial.toml.

    Parameters
    ----------
    weighing : Weighing

    Returns
    -------
    Desirability or None
        None where there is no limit beside the window: a single response needs no weighing.

    Notes
    -----
    All powers are 1. The window aims at its middle; a score grows from its limit to the top of its
    scale; money and hands grow from their limit down to nothing. Where the limit follows the best
    setting, it is that of each draw.
    """
    if not weighing.several:
        return None
    parts, words = [], []
    shape = weighing.joint.every.shape
    for limit in weighing.limits:
        if limit.what in (MONEY, HANDS):
            values = weighing.costs if limit.what == MONEY else weighing.hours
            part = rise(-values, low=-max(limit.high, 1e-9), target=0.0)
            parts.append(np.broadcast_to(np.nan_to_num(part), shape))
            words.append(f"{limit.what} down to 0")
            continue
        found = _of_response(weighing, limit)
        if found is not None:
            parts.append(found[0])
            words.append(found[1])
    low, middle, high = np.quantile(combine(*parts), [0.025, 0.5, 0.975], axis=0)
    return Desirability(middle, low, high, tuple(words))


def _of_response(weighing: Weighing, limit: Limit) -> tuple[Floats, str] | None:
    """Give the desirability of a response's means, and its ends in words."""
    response = weighing.settings.responses[limit.what]
    means = weighing.joint.means[limit.what]
    low = np.full(means.shape, limit.low)
    if limit.margin is not None:
        best = int(np.nanargmax(means.mean(axis=0)))
        low = np.broadcast_to(means[:, [best]] - limit.margin, means.shape)
    if np.isfinite(low).all() and np.isfinite(limit.high):
        target = (low + limit.high) / 2.0
        half = (limit.high - low) / 2.0
        part = np.clip(1.0 - np.abs(means - target) / half, 0.0, 1.0)
        return part, f"{response.words} to the middle of its limits"
    top, floor = response.high, response.low
    if np.isfinite(low).all() and top is not None:
        return np.clip((means - low) / (top - low), 0.0, 1.0), f"{response.words} up to {top:g}"
    if np.isfinite(limit.high) and floor is not None:
        return (rise(-means, low=-limit.high, target=-floor),
                f"{response.words} down to {floor:g}")  # fmt: skip
    return None
