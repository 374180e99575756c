"""Tie: how far two responses of one new ball move together.

`joint` draws both responses with it. A read ball is never baked, so what ties them is seen through
the batches, days and holds that they share; within a ball it stays unknown and is treated so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doughlab.analysis.models import code_frame
from doughlab.decision.chance import Predictor
from doughlab.errors import NotEstimable
from doughlab.stats import MixedFit, fit_mixed

Floats = NDArray[np.floating]

JUDGED = ("judge", "residual")  # not of the ball: how far judges differ, and from time to time


@dataclass(frozen=True)
class Tie:
    """How far two responses of a new ball move together.

    Attributes
    ----------
    shared : float
        Correlation of what both balls of a batch and hold share (days, batches); -1 to 1.
    weight : array, shape (d,)
        Share of the two spreads that is shared, in every draw: the root of the product of the
        shared variances over that of all; 0 to 1. What is left is each ball's own, and its tie is
        not known.
    df : float
        Degrees of freedom behind `shared`.
    means : array, shape (m, m) or None
        Covariance of the errors of the means: rows the first response, columns the second.
    words : str
        How it was found, or why it was not.

    Examples
    --------
    >>> Tie(0.0, np.array([0.6]), 8.0).draw(np.random.default_rng(1)).shape
    (1,)
    """

    shared: float
    weight: Floats = field(repr=False)
    df: float
    means: Floats | None = field(default=None, repr=False)
    words: str = ""

    def draw(self, rng: np.random.Generator) -> Floats:
        """Draw the correlation of the two responses of one new ball.

        The shared part by Fisher's transformation, its tangent normal with variance 1 / (df - 1);
        each ball's own part from -1 to 1, every value as likely, since no ball tells it.

        Parameters
        ----------
        rng : Generator

        Returns
        -------
        array, shape (d,)

        References
        ----------
        Fisher, R. A. (1921), Metron 1, 3-32: the transformation; variance 1 / (n - 3) for n pairs,
        whose correlation has n - 2 degrees of freedom [from memory].
        """
        draws = len(self.weight)
        angle = math.atanh(max(-0.99, min(0.99, self.shared)))
        shared = np.tanh(angle + rng.standard_normal(draws) / math.sqrt(max(self.df - 1.0, 1.0)))
        own = rng.uniform(-1.0, 1.0, draws)
        return np.asarray(self.weight * shared + (1.0 - self.weight) * own)


def split_spread(predictor: Predictor) -> tuple[Floats, Floats]:
    """Split the variance of a new ball: what its batch and day share, and all of it.

    Judges and their changes of mind are no part of a ball: a score is what many such judges would
    give on average. Where no ball was scored twice they cannot be told apart and stay in.

    Parameters
    ----------
    predictor : Predictor

    Returns
    -------
    shared, total : array, shape (d,)
        In every draw.
    """
    without = leave_out(predictor)
    draws = predictor.draws
    return draws.spread(without=(*without, "ball", "residual")), draws.spread(without=without)


def leave_out(predictor: Predictor) -> tuple[str, ...]:
    """Name the random terms that are not of the ball."""
    names = predictor.variances
    return tuple(n for n in JUDGED if n in names and "ball" in names and "judge" in names)


def find_tie(first: Predictor, second: Predictor, settings: pd.DataFrame) -> Tie:
    """Find how far two responses of a new ball move together.

    Parameters
    ----------
    first, second : Predictor
    settings : DataFrame
        A column of level texts for each factor; for the errors of the means.

    Returns
    -------
    Tie
        Where the records cannot tell, everything counts as each ball's own.

    Notes
    -----
    The means of both responses in every batch and hold are fitted as their sum and as their
    difference, each over its standard deviation, with variances that may fall below zero. Since
    var(a + b) - var(a - b) = 4 cov(a, b), a quarter of the difference of each variance is the
    covariance of that term. The errors of two means follow by least squares on the same rows.
    """
    (shared1, total1), (shared2, total2) = split_spread(first), split_spread(second)
    df = min(first.spread()[1], second.spread()[1])
    unknown = Tie(0.0, 0.0 * total1, 1.0, None, "how far they move together cannot be told here")
    with np.errstate(divide="ignore", invalid="ignore"):
        weight = np.nan_to_num(np.sqrt(shared1 * shared2 / (total1 * total2)))
    try:
        cells, sds = _cells(first, second)
        covariances, fit = _covariances(first, cells, sds)
    except NotEstimable:
        return unknown
    size = math.sqrt(float(shared1.mean() * shared2.mean()))
    shared = sum(covariances.values()) / size if size > 0 else 0.0
    means = _mean_errors(first, fit, covariances, settings)
    return Tie(max(-1.0, min(1.0, shared)), weight, df, means,
               f"correlation {max(-1.0, min(1.0, shared)):.1f} between batches, within a ball "
               "unknown")  # fmt: skip


def _cells(first: Predictor, second: Predictor) -> tuple[pd.DataFrame, tuple[float, float]]:
    """Pair the means of both responses in every batch and ball setting."""
    settings = first.model.settings
    keys = ["batch", *(f.name for f in settings.factors_set("ball"))]
    one, other = first.model.dataset.frame, second.model.dataset.frame
    if "judge" in other:
        centred = other["y"] - other.groupby("judge", observed=True)["y"].transform("mean")
        other = other.assign(y=centred + other["y"].mean())
    extra = [c for c in ("block", *settings.factors) if c in one and c not in keys]
    left = one.groupby(keys, observed=True).agg(a=("y", "mean"), **{c: (c, "first") for c in extra})
    right = other.groupby(keys, observed=True)["y"].mean().rename("b")
    cells = left.reset_index().merge(right.reset_index(), on=keys, how="inner")
    sds = float(cells["a"].std()), float(cells["b"].std())
    if len(cells) < 4 or not min(sds) > 0:
        raise NotEstimable("too few batches have both responses.")
    return cells, sds


def _covariances(
    first: Predictor, cells: pd.DataFrame, sds: tuple[float, float]
) -> tuple[dict[str, float], MixedFit]:
    """Give the covariance of each random term, in the units of both responses."""
    model = first.model
    frame = code_frame(cells, model.settings, model.terms)
    usable = set(frame.columns)
    fixed = [t for t in model.fixed if set(t.split(":")) <= usable]
    random = [n for n in ("block", "batch") if n in first.variances and n in usable]
    if len(cells) == cells["batch"].nunique():
        random = [n for n in random if n != "batch"]
    formula = "z ~ " + (" + ".join(fixed) if fixed else "1")
    scaled = cells["a"] / sds[0], cells["b"] / sds[1]
    plus, minus = (
        fit_mixed(frame.assign(z=scaled[0] + sign * scaled[1]), formula, random=random,
                  allow_negative=bool(random))
        for sign in (1.0, -1.0)
    )  # fmt: skip
    scale = sds[0] * sds[1] / 4.0
    found = {str(n): scale * float(plus.variances[n] - minus.variances[n])
             for n in plus.variances.index if n in minus.variances.index}  # fmt: skip
    return found, plus


def _mean_errors(
    first: Predictor, fit: MixedFit, covariances: dict[str, float], settings: pd.DataFrame
) -> Floats | None:
    """Give the covariance between the errors of the means of both responses."""
    rows = Predictor(replace(first.model, fit=fit), 0).rows(settings)
    design = fit.design
    weights = rows @ np.linalg.pinv(design.matrix)  # settings by cells
    total = covariances.get("residual", 0.0) * (weights @ weights.T)
    for group in design.groupings:
        sums = np.zeros((len(rows), len(group.levels)))
        np.add.at(sums.T, group.codes, weights.T)
        total += covariances.get(group.name, 0.0) * (sums @ sums.T)
    return np.asarray(total) if np.isfinite(total).all() else None
