"""Joint: the chance that a new ball of each setting meets all limits at once.

`weigh` makes it, `choose` picks by it, the trade-off and the cost of a wrong choice read its draws.
Which limits there are stands in `limits`; how two responses move together in `tie`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtr

from doughlab.decision.chance import Predictor
from doughlab.decision.limits import BALLS, Limit
from doughlab.decision.tie import Tie, find_tie, leave_out
from doughlab.stats.posterior import SEED

Floats = NDArray[np.floating]

NODES = 24
FAR = 8.0  # standard deviations beyond which nothing is left
STEEP = 0.995  # largest correlation that is laid out


@dataclass(frozen=True)
class Joint:
    """Draws of what every setting may give; each draw is one truth that the records allow.

    Attributes
    ----------
    limits : tuple of Limit
        The window first.
    means : dict of str to array, shape (d, m)
        Response to its mean in every draw and setting; blank where it was not tried there.
    alone : dict of str to array, shape (d, m)
        Limit to the chance that it alone is met.
    every : array, shape (d, m)
        Chance that all limits are met at once.
    tie : Tie or None
        Between the window's response and the second one; None where there is no second.
    bounded : tuple of str
        Responses beyond the second: counted as if they failed where the others do not.
    """

    limits: tuple[Limit, ...]
    means: dict[str, Floats] = field(repr=False)
    alone: dict[str, Floats] = field(repr=False)
    every: Floats = field(repr=False)
    tie: Tie | None = None
    bounded: tuple[str, ...] = ()

    @property
    def chances(self) -> tuple[Floats, Floats, Floats]:
        """Chance that all limits are met and its 95 % range, each of shape (m,).

        The chance is the middle of the draws, as that of the window alone is. With several limits
        that is cautious: of invented trials it lay under the truth in 6 to 8 of 10, for the chosen
        setting within 5 balls of 100 (tests/studies/joint_study.md).
        """
        low, middle, high = np.quantile(self.every, [0.025, 0.5, 0.975], axis=0)
        return middle, low, high

    def against(self, at: int) -> tuple[Floats, Floats]:
        """Give the 95 % range of each setting's chance minus that of one setting."""
        low, high = np.quantile(self.every - self.every[:, [at]], [0.025, 0.975], axis=0)
        return low, high


def draw_joint(
    predictors: Mapping[str, Predictor],
    settings: pd.DataFrame,
    limits: tuple[Limit, ...],
    *,
    met: Mapping[str, NDArray[np.bool_]] | None = None,
    seed: int = SEED,
) -> Joint:
    """Draw what every setting may give, and how often all limits are met at once.

    Parameters
    ----------
    predictors : mapping of str to Predictor
        By response; the window's first. Those without a limit are drawn for their means only.
    settings : DataFrame
        A column of level texts for each factor.
    limits : tuple of Limit
        The window first.
    met : mapping of str to bool array, shape (m,), optional
        Of limits that no ball spreads in, such as a cost: whether each setting meets it.
    seed : int

    Returns
    -------
    Joint

    Notes
    -----
    Means and variances of each response are the draws of its predictor; the errors of the means of
    the second are moved so that they go with those of the first as `find_tie` tells. Given a draw,
    two responses of one ball are bivariate normal, integrated by Gauss-Legendre points along the
    first. A third response is counted by the bound P(A and B and C) >= P(A and B) - P(not C), which
    needs no tie (Boole 1854, Frechet 1935 [from memory]).
    """
    rng = np.random.default_rng(seed)
    first = limits[0]
    rows = {n: _rows_of(p, settings) for n, p in predictors.items()}
    second = next((x for x in limits[1:] if x.kind == BALLS), None)
    tie = None
    if second is not None:
        tie = find_tie(predictors[first.what], predictors[second.what], settings)
    means, sds = _draw(predictors, rows)
    if second is not None and tie is not None and tie.means is not None:
        there = rows[second.what][1]
        across = tie.means[:, there]
        means[second.what][:, there] = _tie_means(
            means[first.what], means[second.what][:, there], across
        )
    cut = {x.what: _cut(x, means[x.what], sds[x.what]) for x in limits if x.kind == BALLS}
    alone = {n: ndtr(high) - ndtr(low) for n, (low, high) in cut.items()}
    every = alone[first.what]
    if second is not None and tie is not None:
        r = tie.draw(rng)
        every = chance_of_both(cut[first.what], cut[second.what], r[:, None])
    bounded = [x.what for x in limits if x.kind == BALLS and x not in (first, second)]
    for name in bounded:
        every = np.maximum(every + alone[name] - 1.0, 0.0)
    for name, good in (met or {}).items():
        every = every * good
        alone[name] = np.broadcast_to(good.astype(float), every.shape)
    return Joint(limits, means, alone, every, tie, tuple(bounded))


def _draw(
    predictors: Mapping[str, Predictor],
    rows: Mapping[str, tuple[Floats, NDArray[np.bool_]]],
) -> tuple[dict[str, Floats], dict[str, Floats]]:
    """Draw the means (d, m) and the standard deviation (d, 1) of a new ball for each response."""
    means, sds = {}, {}
    for name, predictor in predictors.items():
        own, there = rows[name]
        draws = predictor.draws
        found = np.full((len(draws.variances), len(there)), np.nan)
        found[:, there] = draws.means(own)
        means[name] = found
        sds[name] = np.sqrt(draws.spread(without=leave_out(predictor)))[:, None]
    return means, sds


def _rows_of(predictor: Predictor, settings: pd.DataFrame) -> tuple[Floats, NDArray[np.bool_]]:
    """Give model rows of the settings whose levels this response was recorded at."""
    model = predictor.model
    there = np.ones(len(settings), dtype=bool)
    for name, factor in model.settings.factors.items():
        there &= settings[name].isin(list(model.levels(factor))).to_numpy()
    return predictor.rows(settings[there]), there


def _tie_means(first: Floats, second: Floats, across: Floats | None) -> Floats:
    """Move the draws of the second means so that their errors go with those of the first.

    Parameters
    ----------
    first, second : array, shape (d, m1), (d, m2)
    across : array, shape (m1, m2) or None
        Covariance of the errors.

    Notes
    -----
    With covariances A and B of the draws and C across, B stays B: the second error becomes the part
    that the first tells, e A^-1 C, plus its own, turned so that its covariance is B - C' A^-1 C.
    """
    if across is None:
        return second
    error = first - first.mean(axis=0)
    own = second - second.mean(axis=0)
    slope = np.linalg.pinv(np.atleast_2d(np.cov(first.T)), rcond=1e-8, hermitian=True) @ across
    before = np.atleast_2d(np.cov(second.T))
    after = before - across.T @ slope
    turn = _root(before, inverse=True) @ _root(after)
    return np.asarray(second.mean(axis=0) + error @ slope + own @ turn)


def _root(matrix: Floats, *, inverse: bool = False) -> Floats:
    """Give the symmetric root of a covariance, or the inverse of it where it is not flat."""
    values, vectors = np.linalg.eigh((matrix + matrix.T) / 2.0)
    floor = 1e-9 * max(float(values.max()), 1e-30)
    good = values > floor
    roots = np.sqrt(np.where(good, values, 1.0))
    scale = np.where(good, 1.0 / roots if inverse else roots, 0.0)
    return np.asarray((vectors * scale) @ vectors.T)


def _cut(limit: Limit, means: Floats, sd: Floats) -> tuple[Floats, Floats]:
    """Give both ends of a limit in standard deviations from the mean."""
    low: Floats | float = limit.low
    if limit.margin is not None:
        best = int(np.nanargmax(means.mean(axis=0)))
        low = means[:, [best]] - limit.margin
    return (low - means) / sd, (limit.high - means) / sd


def chance_of_both(
    first: tuple[Floats, Floats], second: tuple[Floats, Floats], correlation: Floats
) -> Floats:
    """Give the chance that two tied normal values lie between their ends.

    Parameters
    ----------
    first, second : tuple of array
        Low and high end in standard deviations from the mean; may be infinite.
    correlation : array
        -1 to 1; beyond 0.995 either way it is taken as that.

    Returns
    -------
    array of the broadcast shape

    Examples
    --------
    Without a tie the chances multiply; both above their mean with correlation 1/2 is 1/3.

    >>> zero, inf = np.array([0.0]), np.array([np.inf])
    >>> print(chance_of_both((zero, inf), (zero, inf), np.array([0.0])).round(4))
    [0.25]
    >>> print(chance_of_both((zero, inf), (zero, inf), np.array([0.5])).round(4))
    [0.3333]
    """
    r = np.clip(correlation, -STEEP, STEEP)
    root = np.sqrt(1.0 - r**2)
    low = np.clip(first[0], -FAR, FAR)
    width = np.maximum(np.clip(first[1], -FAR, FAR) - low, 0.0)
    points, weights = np.polynomial.legendre.leggauss(NODES)
    total: Floats = np.zeros(np.broadcast_shapes(low.shape, second[0].shape, r.shape))
    for x, w in zip((points + 1.0) / 2.0, weights / 2.0, strict=True):
        at = low + x * width
        density = np.exp(-0.5 * at**2) / np.sqrt(2.0 * np.pi)
        inside = ndtr((second[1] - r * at) / root) - ndtr((second[0] - r * at) / root)
        total = total + w * density * inside
    return np.asarray(total * width)
