"""Chances: where a new ball of a tried setting will lie, and how likely inside the window.

`choose`, `window` and `followup` predict through here. New days, lots, batches, balls and the
meter are in it as far as the trial tells; which setting is chosen is left to `choose`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import chdtri, ndtr

from doughlab.analysis.analyse import Analysis
from doughlab.analysis.models import TrialModel, fit_model
from doughlab.plan.model import PLACE
from doughlab.stats.scale import student_quantile

Floats = NDArray[np.floating]

FEW_DAYS = 6
GRID = 80
DRAWS = 4000
SEED = 20260302


@dataclass(frozen=True)
class Predictor:
    """A model that predicts new balls: the planned one, with mixing days as a spread.

    Attributes
    ----------
    model : TrialModel
        Fitted with block among the random terms where there are several mixing days.
    days : int
        Mixing days that the trial has; 0 where days are not blocks.
    notes : tuple of str
        What a new ball leaves out, and what was widened.
    widened : dict of str to float
        Random term to what was added to its variance.
    """

    model: TrialModel
    days: int
    notes: tuple[str, ...] = ()
    widened: dict[str, float] = field(default_factory=dict)

    @cached_property
    def variances(self) -> dict[str, float]:
        """Variance of each random term, the residual last; widened where few days tell it."""
        fitted = self.model.fit.variances
        return {str(n): max(0.0, float(v)) + self.widened.get(str(n), 0.0)
                for n, v in fitted.items()}  # fmt: skip

    def spread(self, divisors: dict[str, float] | None = None) -> tuple[float, float]:
        """Give variance and degrees of freedom of a new value about its mean.

        Parameters
        ----------
        divisors : dict of str to float, optional
            By how many new levels of a random term the value is a mean of; 1 unless given.
            Infinite leaves a term out.

        Returns
        -------
        variance, df : float
            The df match the first two moments of the estimated variance (Satterthwaite 1946,
            Biometrics Bulletin 2, 110), before it was widened.
        """
        weights = np.array([1.0 / (divisors or {}).get(n, 1.0) for n in self.variances])
        total = float(weights @ np.array(list(self.variances.values())))
        noise = float(weights @ self._covariance @ weights)
        pairs = zip(weights, self.variances, strict=True)
        own = total - sum(w * self.widened.get(name, 0.0) for w, name in pairs)
        df = 2.0 * own**2 / noise if noise > 0 else math.inf
        return total, min(max(df, 1.0), 1e6)

    @cached_property
    def _covariance(self) -> Floats:
        """Covariance of the variances from the expected information, in response units."""
        fit = self.model.fit
        return np.asarray(fit.moments.w * fit.scale**4)

    def means(self, rows: Floats) -> tuple[Floats, Floats, Floats]:
        """Estimate means given as rows of coefficients: estimate, std_error, df.

        What a spread was widened by also stands in the error of the mean, shared by its days.
        """
        found = self.model.fit.test_rows(rows)
        return found.estimate, np.sqrt(found.std_error**2 + self.shared), found.df

    @property
    def shared(self) -> float:
        """Variance added to every mean, since few days tell how much days differ."""
        return self.widened.get("block", 0.0) / max(self.days, 1)

    def rows(self, settings: pd.DataFrame) -> Floats:
        """Build model rows for settings given as level texts.

        Parameters
        ----------
        settings : DataFrame, one row per setting
            A column for each factor, level texts.

        Notes
        -----
        A fixed mixing day stands at its first level: only differences of such rows are told.
        """
        design, model = self.model.fit.design, self.model
        codes, numbers = {}, {}
        for name, factor in model.settings.factors.items():
            coded = [model.coded(factor, str(level)) for level in settings[name]]
            if name in design.numbers:
                numbers[name] = np.array(coded, dtype=float)
            elif name in design.factors:
                levels = design.factors[name].levels
                codes[name] = np.array([levels.index(c) for c in coded], dtype=np.int64)
        apart = [name for name in design.factors if name not in codes]  # the mixing day
        codes |= {name: np.zeros(len(settings), dtype=np.int64) for name in apart}
        if not codes and not numbers:
            return np.ones((len(settings), 1))
        return design.build_rows(codes, numbers)


def build_predictor(analysis: Analysis) -> Predictor:
    """Fit the planned model again with mixing days as a spread, for predictions.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    Predictor

    Raises
    ------
    NotEstimable
        Where too little is recorded.
    """
    terms, settings = analysis.terms, analysis.settings
    apart = {"block", PLACE}  # a new ball comes from any day and any place in it
    fixed = [t for t in terms.fixed if t not in apart and t not in analysis.model.left_out]
    random = [*terms.random, *(t for t in terms.fixed if t == PLACE)]
    days = int(analysis.dataset.frame["block"].nunique()) if settings.blocks.kind == "day" else 0
    if days > 1 and "block" not in random:
        random.insert(0, "block")
    model = fit_model(settings, analysis.dataset, terms, random=random, fixed=fixed)
    notes: list[str] = []
    widened: dict[str, float] = {}
    names = model.fit.random_names
    if "block" in names and days < FEW_DAYS:
        at = names.index("block")
        error = math.sqrt(max(0.0, float(model.fit.moments.w[at, at]))) * model.fit.scale**2
        widened["block"] = error
        before = math.sqrt(max(0.0, float(model.fit.variances["block"])))
        after = math.sqrt(before**2 + error)
        notes.append(
            f"Only {days} mixing days tell how much days differ (SD {before:.2g}); {after:.2g} is "
            "used, one standard error of the variance more. So chances are cautious: the true one "
            "of a good setting lies above its range more often than below."
        )
    elif days <= 1:
        notes.append("One mixing day or none: how other days differ is not in these chances.")
    if "session" not in names and settings.hold is not None:
        notes.append("How reading sessions differ could not be told apart and is not added.")
    return Predictor(model, days, tuple(notes), widened)


def chance_inside(
    means: tuple[Floats, Floats, Floats], spread: tuple[float, float], window: tuple[float, float]
) -> tuple[Floats, Floats, Floats]:
    """Give the chance that a new ball lies inside a window, with its 95 % range.

    Parameters
    ----------
    means : tuple of array, shape (m,)
        Estimate, standard error and df of the mean of each setting.
    spread : tuple of float
        Variance of a new ball about its mean, and its df.
    window : tuple of float
        Low and high end.

    Returns
    -------
    chance, low, high : array, shape (m,)
        The chance averaged over what is not known of mean and spread, and the 2.5 and 97.5 %
        points of it over the same.

    Notes
    -----
    The mean varies as estimate + t(df) std_error, the variance as variance df / chi-square(df);
    both are laid out on the midpoints of 80 equal shares. Where the two share their df, the
    averaged chance is that of a t distribution for a new observation.

    Examples
    --------
    >>> one = (np.array([5.5]), np.array([1e-9]), np.array([50.0]))
    >>> print(chance_inside(one, (0.01, 1e6), (5.5 - 0.196, 5.5 + 0.196))[0].round(3))
    [0.95]
    """
    estimate, error, df = means
    variance, spread_df = spread
    shares = (np.arange(GRID) + 0.5) / GRID
    sd = np.sqrt(variance * spread_df / chdtri(spread_df, 1.0 - shares))
    centre = estimate[:, None] + error[:, None] * student_quantile(df[:, None], shares)
    top = (window[1] - centre)[:, :, None] / sd
    bottom = (window[0] - centre)[:, :, None] / sd
    inside = (ndtr(top) - ndtr(bottom)).reshape(len(estimate), -1)
    low, high = np.quantile(inside, [0.025, 0.975], axis=1)
    return inside.mean(axis=1), low, high


def tried_settings(analysis: Analysis) -> pd.DataFrame:
    """List every combination of settings that was tried and recorded, in planned order.

    Returns
    -------
    DataFrame
        A column for each factor (level texts), n (balls recorded).
    """
    names = list(analysis.settings.factors)
    frame = analysis.dataset.frame.drop_duplicates("ball")
    for name, factor in analysis.settings.factors.items():
        frame = frame[frame[name].isin(list(analysis.model.levels(factor)))]
    counts = frame.groupby(names, observed=True, sort=True).size().reset_index(name="n")
    for name in names:
        counts[name] = counts[name].astype(str)
    return counts


def forecast(
    predictor: Predictor, settings: pd.DataFrame, window: tuple[float, float] | None
) -> pd.DataFrame:
    """Predict every setting: mean, spread of a new ball, chance inside the window.

    Parameters
    ----------
    predictor : Predictor
    settings : DataFrame
        As from `tried_settings`.
    window : tuple of float or None

    Returns
    -------
    DataFrame
        The columns of `settings`, estimate, std_error, df, ci_low, ci_high (of the mean), sd (of
        a new ball about it), chance, chance_low, chance_high (blank without a window).
    """
    means = predictor.means(predictor.rows(settings))
    variance, df = predictor.spread()
    estimate, error, mean_df = means
    half = student_quantile(mean_df, 0.975) * error
    out = settings.assign(
        estimate=estimate,
        std_error=error,
        df=mean_df,
        ci_low=estimate - half,
        ci_high=estimate + half,
        sd=math.sqrt(variance),
    )
    chances: Sequence[Floats] = [np.full(len(out), np.nan)] * 3
    if window is not None:
        chances = chance_inside(means, (variance, df), window)
    return out.assign(chance=chances[0], chance_low=chances[1], chance_high=chances[2])


def compare_chances(
    predictor: Predictor, settings: pd.DataFrame, at: int, window: tuple[float, float]
) -> tuple[Floats, Floats]:
    """Give the 95 % range of each setting's chance minus that of one setting.

    Parameters
    ----------
    predictor : Predictor
    settings : DataFrame
        As from `tried_settings`.
    at : int
        Position of the setting to compare with.
    window : tuple of float

    Returns
    -------
    low, high : array, shape (m,)
        2.5 and 97.5 % points over what is not known of all means together and of the spread: the
        means as a multivariate t about their estimates, the variance as variance df /
        chi-square(df), 4,000 draws with a fixed seed.
    """
    found = predictor.model.fit.test_rows(predictor.rows(settings))
    variance, df = predictor.spread()
    rng = np.random.default_rng(SEED)
    values, vectors = np.linalg.eigh(found.covariance + predictor.shared)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    mean_df = float(np.median(found.df))
    noise = rng.standard_normal((DRAWS, len(values))) @ root.T
    noise *= np.sqrt(mean_df / rng.chisquare(mean_df, DRAWS))[:, None]
    sd = np.sqrt(variance * df / rng.chisquare(df, DRAWS))[:, None]
    centre = found.estimate + noise
    inside = ndtr((window[1] - centre) / sd) - ndtr((window[0] - centre) / sd)
    low, high = np.quantile(inside - inside[:, [at]], [0.025, 0.975], axis=0)
    return low, high


def tenths(chance: float) -> str:
    """Write a chance as balls out of ten; never none and never all.

    Examples
    --------
    >>> tenths(0.9), tenths(0.999), tenths(0.01), tenths(0.963)
    ('9', '9.9', '0.1', '9.6')
    """
    tens = min(9.9, max(0.1, 10.0 * chance))
    return f"{tens:.1f}" if tens > 9.4 or tens < 0.6 else f"{tens:.0f}"
