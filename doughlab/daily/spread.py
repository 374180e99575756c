"""Spread apart: between lots, between balls of one lot, and how many balls were inside.

`doughlab daily` says it beside the chart. A lot with two balls or more tells how balls of one mix
differ; what lots differ by beyond that is the mixing, the days and the cooler. Limits of the chart
stand in `standing`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta

import numpy as np

from doughlab.daily.constants import chart_constants
from doughlab.daily.recipe import Recipe
from doughlab.daily.standing import FEWEST_CAPABLE, Point

WEEKS = 4  # that the share of balls inside looks back on
Z = 1.959963984540054


@dataclass(frozen=True)
class Between:
    """Spread between lots, balls taken out; SD in pH with a 95 % range."""

    sd: float
    low: float
    high: float
    lots: int


def between_spread(points: Sequence[Point]) -> Between | None:
    """Give the spread between lots beyond that of balls within a lot.

    The variance of lot means less the within variance over the balls of a lot; 0 where that is
    below 0. The range treats the means as normal and the within part as known.

    Parameters
    ----------
    points : sequence of Point
        Ten or more, three of them of two balls or more.

    Returns
    -------
    Between or None
        None with too few.

    References
    ----------
    One-way random effects, method of moments; with unequal counts the harmonic mean of balls
    stands for the count (Burdick and Graybill 1992, sec. 4, from memory).

    Examples
    --------
    >>> between_spread([]) is None
    True
    """
    from scipy.special import chdtri

    groups = [p.balls for p in points if len(p.balls) > 1]
    if len(points) < FEWEST_CAPABLE or len(groups) < 3:
        return None
    df_within = sum(len(g) - 1 for g in groups)
    within = sum(float(((np.array(g) - np.mean(g)) ** 2).sum()) for g in groups) / df_within
    per_lot = float(np.mean([1.0 / len(p.balls) for p in points]))
    means = np.array([p.raw for p in points])
    total, df = float(means.var(ddof=1)), len(points) - 1
    low, high = (total * df / float(chdtri(df, q)) for q in (0.025, 0.975))

    def apart(variance: float) -> float:
        return max(0.0, variance - within * per_lot) ** 0.5

    return Between(apart(total), apart(low), apart(high), len(points))


def uneven_lot(point: Point, ball_sd: float) -> tuple[float, float] | None:
    """Give range and limit where the balls of one lot differ more than they should.

    Parameters
    ----------
    point : Point
    ball_sd : float
        Spread of balls of a lot: of the settled recipe, or of own limits.

    Returns
    -------
    tuple of float or None
        Range of the balls and its upper limit, D4 d2 sd for that many balls; None where it is
        inside, or a lot has one ball.

    References
    ----------
    ISO 7870-2, range chart with a given spread (D2 = d2 + 3 d3).

    Examples
    --------
    >>> from datetime import datetime
    >>> lot = Point("L1", datetime(2026, 4, 1), 48.0, 5.55, (5.45, 5.65), 0.0)
    >>> [round(v, 2) for v in uneven_lot(lot, 0.03)]
    [0.2, 0.11]
    """
    n = len(point.balls)
    if n < 2 or n > 25 or not ball_sd > 0.0:
        return None
    constants = chart_constants(n)
    limit = ball_sd * constants.d2 * constants.range_factors[1]
    found = max(point.balls) - min(point.balls)
    return (found, limit) if found > limit else None


@dataclass(frozen=True)
class Inside:
    """How many balls lay inside the window at the checkpoint.

    Examples
    --------
    >>> found = Inside(balls=48, inside=46, lots=24, low=0.80, high=0.99)
    >>> found.inside / found.balls > found.low
    True
    """

    balls: int
    inside: int
    lots: int
    low: float
    high: float


def share_inside(recipe: Recipe, points: Sequence[Point]) -> Inside | None:
    """Count the balls inside the window over the last four weeks, set to the checkpoint.

    The range is that of a share (Wilson) with the lots as the count, since balls of one lot lie
    together: cautious.

    Parameters
    ----------
    recipe : Recipe
    points : sequence of Point

    Returns
    -------
    Inside or None
        None with fewer than ten lots in that time.

    References
    ----------
    Wilson (1927), J. Am. Stat. Assoc. 22, 209 (from memory).

    Examples
    --------
    >>> from doughlab.daily.recipe import example_recipe
    >>> share_inside(example_recipe(), []) is None
    True
    """
    if not points:
        return None
    start = points[-1].at - timedelta(weeks=WEEKS)
    recent = [p for p in points if p.at > start]
    if len(recent) < FEWEST_CAPABLE:
        return None
    values = [recipe.expected + p.raw + (b - p.ph) for p in recent for b in p.balls]
    inside = sum(recipe.low <= v <= recipe.high for v in values)
    low, high = wilson(inside / len(values), len(recent))
    return Inside(len(values), inside, len(recent), low, high)


def wilson(share: float, n: int) -> tuple[float, float]:
    """Give the 95 % range of a share of n.

    Examples
    --------
    >>> [round(v, 3) for v in wilson(0.9, 10)]
    [0.596, 0.982]
    """
    middle = share + Z**2 / (2 * n)
    half = Z * (share * (1 - share) / n + Z**2 / (4 * n**2)) ** 0.5
    scale = 1 + Z**2 / n
    return (middle - half) / scale, (middle + half) / scale
