"""Chances: where a new ball of a tried setting will lie, and how likely inside the window.

`choose`, `hours` and `followup` predict through here. New days, lots, batches, balls and the
meter are in it as far as the trial tells; which setting is chosen is left to `choose`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import digamma, ndtr, polygamma

from doughlab.analysis.analyse import Analysis
from doughlab.analysis.models import TrialModel, fit_model
from doughlab.plan.model import PLACE
from doughlab.stats.posterior import PosteriorDraws, draw_posterior
from doughlab.stats.scale import student_quantile

Floats = NDArray[np.floating]

FEW_DAYS = 6
UNTOLD = "?"  # a chance that cannot be told


@dataclass(frozen=True)
class Predictor:
    """A model that predicts new balls: the planned one, with mixing days as a spread.

    Attributes
    ----------
    model : TrialModel
        Fitted with block among the random terms where there are several mixing days.
    days : int
        Mixing days that the trial has; 0 where days are not blocks.
    meter_sd : float
        How far all readings may be off together, which no spread of the trial tells: the buffers'
        own error and the meter's movement between them (`record.trust.meter_sd`). 0 where new
        balls are read by the same meter and buffers, as in a confirmation.
    """

    model: TrialModel
    days: int
    meter_sd: float = 0.0

    @cached_property
    def notes(self) -> tuple[str, ...]:
        """Say what a new ball leaves out, and how much days differ where few tell it."""
        names, notes = self.model.fit.random_names, []
        if "block" in names and self.days < FEW_DAYS:
            sds = np.sqrt(self.draws.variances[:, names.index("block")])
            low, middle, high = np.quantile(sds, [0.025, 0.5, 0.975])
            notes.append(
                f"Only {self.days} mixing days tell how much days differ: SD {middle:.2g} "
                f"({low:.2g} to {high:.2g}); the chances and their ranges take that in."
            )
        elif self.days <= 1:
            notes.append("One mixing day or none: how other days differ is not in these chances.")
        if "session" not in names and self.model.settings.hold is not None:
            notes.append("How reading sessions differ could not be told apart and is not added.")
        if self.meter_sd > 0:
            own = "the meter's own error (buffers, drift between buffers)"
            if self.model.settings.reading_method.kind == "strip":
                own = "half a step of the strips"
            notes.append(
                f"All readings may be off together by {own}: SD {self.meter_sd:.2g} pH is in the "
                "chances and their ranges."
            )
        return tuple(notes)

    @cached_property
    def variances(self) -> dict[str, float]:
        """Variance of each random term as fitted, the residual last."""
        return {str(n): max(0.0, float(v)) for n, v in self.model.fit.variances.items()}

    @cached_property
    def draws(self) -> PosteriorDraws:
        """Means and variances together, as far as the trial tells them (4,000 draws)."""
        drawn = draw_posterior(self.model.fit)
        return drawn.shifted(self.meter_sd) if self.meter_sd > 0 else drawn

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
            Of the scaled inverse chi-square whose logarithm has the mean and variance of the
            draws': with v df / chi-square(df) the mean of the logarithm is log(v df / 2) -
            digamma(df / 2), its variance trigamma(df / 2). With few days the df are few.
        """
        weights = [1.0 / (divisors or {}).get(n, 1.0) for n in self.draws.names]
        logs = np.log(self.draws.variances @ np.array(weights))
        df = _df_of(float(logs.var()))
        return math.exp(float(logs.mean()) + float(digamma(df / 2.0))) * 2.0 / df, df

    def means(self, rows: Floats) -> tuple[Floats, Floats, Floats]:
        """Estimate means given as rows of coefficients: estimate, std_error, df.

        The error is such that estimate -+ t(df) error has the width of the 95 % range of the
        draws, which know that few days hardly tell how days differ.
        """
        found = self.model.fit.test_rows(rows)
        low, high = np.quantile(self.draws.means(rows), [0.025, 0.975], axis=0)
        with np.errstate(invalid="ignore"):
            error = (high - low) / (2.0 * student_quantile(found.df, 0.975))
        return found.estimate, error, found.df

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


def build_predictor(analysis: Analysis, *, meter_sd: float = 0.0) -> Predictor:
    """Fit the planned model again with mixing days as a spread, for predictions.

    Parameters
    ----------
    analysis : Analysis
    meter_sd : float
        How far all readings may be off together, where the true value is asked for; in the unit
        of the response.

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
    return Predictor(model, days, meter_sd)


def _df_of(log_variance: float) -> float:
    """Find the df whose chi-square has this variance of its logarithm, by halving."""
    low, high = math.log(0.1), math.log(1e6)
    for _ in range(60):
        middle = 0.5 * (low + high)
        if float(polygamma(1, math.exp(middle) / 2.0)) > log_variance:
            low = middle
        else:
            high = middle
    return math.exp(0.5 * (low + high))


def share_inside(
    means: Floats, variances: Floats, window: tuple[float, float]
) -> tuple[Floats, Floats, Floats]:
    """Give the share of new balls inside a window, with its 95 % range, from draws.

    Parameters
    ----------
    means : array, shape (d, m)
        Draws of the mean of each setting.
    variances : array, shape (d,)
        Draws of the variance of a new ball about its mean.
    window : tuple of float
        Low and high end.

    Returns
    -------
    share, low, high : array, shape (m,)
        The middle of the draws (as often above as below), and their 2.5 and 97.5 % points. The
        average lies lower where the share is high and little is known; in invented trials with a
        known truth the middle was nearer to it.

    Examples
    --------
    >>> one = np.full((100, 1), 5.5)
    >>> print(share_inside(one, np.full(100, 0.01), (5.304, 5.696))[0].round(3))
    [0.95]
    """
    inside = _inside(means, variances, window)
    low, middle, high = np.quantile(inside, [0.025, 0.5, 0.975], axis=0)
    return middle, low, high


def _inside(means: Floats, variances: Floats, window: tuple[float, float]) -> Floats:
    sd = np.sqrt(variances)[:, None]
    return np.asarray(ndtr((window[1] - means) / sd) - ndtr((window[0] - means) / sd))


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


def told_holds(predictor: Predictor, setting: Mapping[str, Any]) -> list[str]:
    """List the holds at which the mean of a setting can be told, rising.

    Parameters
    ----------
    predictor : Predictor
        Of a trial with a hold.
    setting : mapping of str to str
        Level text of every factor; the hold's is not looked at.

    Returns
    -------
    list of str
        Level texts. Where balls of a hold were lost, some settings have no mean there.
    """
    model = predictor.model
    hold = model.settings.hold
    if hold is None:
        raise ValueError("told_holds needs a trial with a hold")
    levels = list(model.levels(hold))
    if hold.name in model.fit.design.numbers:
        return levels
    own = {n: str(setting[n]) for n in model.settings.factors if n != hold.name}
    rows = predictor.rows(pd.DataFrame([{**own, hold.name: level} for level in levels]))
    told = np.isfinite(model.fit.test_rows(rows).estimate)
    return [level for level, good in zip(levels, told, strict=True) if good]


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
    rows = predictor.rows(settings)
    if window is None:
        found = predictor.model.fit.test_rows(rows)
        estimate, error, mean_df = found.estimate, found.std_error, found.df
        sd = math.sqrt(sum(predictor.variances.values()))
    else:
        estimate, error, mean_df = predictor.means(rows)
        sd = math.sqrt(predictor.spread()[0])
    half = student_quantile(mean_df, 0.975) * error
    out = settings.assign(
        estimate=estimate,
        std_error=error,
        df=mean_df,
        ci_low=estimate - half,
        ci_high=estimate + half,
        sd=sd,
    )
    chances: Sequence[Floats] = [np.full(len(out), np.nan)] * 3
    if window is not None:
        draws = predictor.draws
        chances = share_inside(draws.means(rows), draws.spread(), window)
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
        2.5 and 97.5 % points over draws of all means and of the spread together.
    """
    draws = predictor.draws
    inside = _inside(draws.means(predictor.rows(settings)), draws.spread(), window)
    low, high = np.quantile(inside - inside[:, [at]], [0.025, 0.975], axis=0)
    return low, high


def tenths(chance: float) -> str:
    """Write a chance as balls out of ten; never none and never all; "?" where it is not known.

    Examples
    --------
    >>> tenths(0.9), tenths(0.999), tenths(0.01), tenths(0.963)
    ('9', '9.9', '0.1', '9.6')
    >>> tenths(float("nan"))
    '?'
    """
    if math.isnan(chance):
        return UNTOLD
    tens = min(9.9, max(0.1, 10.0 * chance))
    return f"{tens:.1f}" if tens > 9.4 or tens < 0.6 else f"{tens:.0f}"


def tenths_span(low: float, high: float, *, between: str = " to ") -> str:
    """Write the range of a chance as balls out of ten, rounded outwards: it never looks surer.

    Examples
    --------
    >>> tenths_span(0.7637, 0.9999), tenths_span(0.9, 0.92), tenths_span(0.002, 0.13)
    ('7 to 9.9', '9 to 9.2', '0.1 to 2')
    >>> tenths_span(0.8, 0.8, between="-")
    '8-8'
    """
    return between.join(tenths_ends(low, high))


def tenths_ends(low: float, high: float) -> tuple[str, str]:
    """Give both ends of such a range apart.

    Examples
    --------
    >>> tenths_ends(0.7637, 0.9999)
    ('7', '9.9')
    """
    return _outwards(low, math.floor), _outwards(high, math.ceil)


def _outwards(chance: float, turn: Callable[[float], int]) -> str:
    """Round tens of a chance one way: to whole balls, near none and all to tenths of one."""
    if math.isnan(chance):
        return UNTOLD
    tens = 10.0 * chance
    parts = 10.0 if tens > 9.0 + 1e-9 or tens < 1.0 - 1e-9 else 1.0
    slack = 1e-9 if turn is math.floor else -1e-9
    return f"{min(9.9, max(0.1, turn(tens * parts + slack) / parts)):g}"
