"""Kept: how close the kitchen keeps to its settings, by its own records, and what that does.

`doughlab decide --more` prints it. The spread of new balls has these deviations in it already,
since the batches of the trial had them; here they are told apart.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import chdtri

from doughlab.analysis.covariates import COVARIATES, collect_achieved
from doughlab.decision.between import Three, _three, draw_slope
from doughlab.decision.weigh import Weighing
from doughlab.sections import Factor
from doughlab.stats.scale import student_quantile
from doughlab.units import convert

FEWEST = 3


@dataclass(frozen=True)
class Kept:
    """How close one setting was kept.

    Attributes
    ----------
    factor : Factor
    n : int
        Batches (balls for a hold) with a record.
    offset, sd : tuple of float
        Achieved minus planned: on average and its standard deviation, each with its 95 % range, in
        the unit of the factor.
    slope : tuple of float
        Of the window's response per unit, with its 95 % range.
    part : tuple of float
        Share of a new ball's variance that this deviation makes, with its 95 % range.
    """

    factor: Factor
    n: int
    offset: Three
    sd: Three
    slope: Three
    part: Three


def find_kept(
    weighing: Weighing, setting: Mapping[str, str]
) -> tuple[tuple[Kept, ...], tuple[str, ...]]:
    """Find how close each number of a setting was kept, and what that does.

    Parameters
    ----------
    weighing : Weighing
    setting : mapping of str to str
        Level text of every factor.

    Returns
    -------
    kept : tuple of Kept
    missing : tuple of str
        Settings of which nothing was recorded that could tell.

    Notes
    -----
    The mean of the deviations has a t range, their standard deviation the chi-square range; the
    variance that they make is the squared slope times their variance, both drawn.
    """
    predictor = next(iter(weighing.predictors.values()))
    values = {n: weighing.settings.factors[n].value_of(v) for n, v in setting.items()}
    variance = predictor.draws.spread()
    kept, missing = [], []
    for name, factor in weighing.settings.factors.items():
        if factor.kind != "number":
            continue
        off = list_deviations(weighing, factor)
        if len(off) < FEWEST:
            missing.append(factor.words)
            continue
        df, sd = len(off) - 1, float(off.std())
        low, high = (float(sd * np.sqrt(df / chdtri(df, tail))) for tail in (0.025, 0.975))
        half = float(student_quantile(df, 0.975)) * sd / np.sqrt(len(off))
        mean = float(off.mean())
        slope = draw_slope(predictor, values, name)
        rng = np.random.default_rng(weighing.settings.seed)
        made = slope**2 * sd**2 * df / rng.chisquare(df, len(slope))
        kept.append(Kept(factor, len(off), (mean, mean - half, mean + half), (sd, low, high),
                         _three(slope), _three(made / np.maximum(variance, made))))  # fmt: skip
    return tuple(kept), tuple(missing)


def list_deviations(weighing: Weighing, factor: Factor) -> pd.Series:
    """List achieved minus planned of a number, in the unit of the factor.

    Parameters
    ----------
    weighing : Weighing
    factor : Factor

    Returns
    -------
    Series
        One value for each batch, for each ball of a hold; empty where nothing was recorded.
    """
    predictor = next(iter(weighing.predictors.values()))
    frame = predictor.model.dataset.frame
    planned = frame[factor.name].map({v: float(factor.value_of(v)) for v in factor.levels})
    frame = frame.assign(planned=planned.astype(float))
    if factor.unit == "h" and factor.set == "ball":
        own = frame.drop_duplicates("ball")
        return (own["hold_actual_h"] - own["planned"]).dropna()
    columns = [c.column for c in COVARIATES if c.replaces(weighing.settings) == factor.name]
    achieved = collect_achieved(weighing.trial, sorted(set(frame["batch"]))).frame
    first = frame.drop_duplicates("batch").set_index("batch")["planned"]
    own = achieved.set_index("batch")
    for column in columns:  # the dough's temperature is no measure of the water's
        if column.endswith(factor.unit) and ("dough" in column) == ("dough" in factor.name):
            return (own[column] - first).dropna()
    if factor.name == "hydration":
        return _hydration(weighing, first)
    return pd.Series(dtype=float)


def _hydration(weighing: Weighing, planned: pd.Series) -> pd.Series:
    """Take hydration from grams of flour and water, where both were weighed."""
    mixes = {m["batch_id"]: m for m in weighing.trial.records.mixes}
    rows = {b: 100.0 * m["water_g"] / m["flour_g"] - planned[b] for b, m in mixes.items()
            if b in planned.index and m.get("water_g") and m.get("flour_g")}  # fmt: skip
    return pd.Series(rows, dtype=float)


def kept_words(weighing: Weighing, kept: Kept) -> str:
    """Say how close a setting was kept and what share of the spread that makes.

    Parameters
    ----------
    weighing : Weighing
    kept : Kept
    """
    factor, show = kept.factor, weighing.settings.show_temperature
    scale, unit = 1.0, {"pct": "%"}.get(factor.unit, factor.unit)
    if factor.unit == "temp_c":
        scale, unit = convert(1.0, "temp_c", show) - convert(0.0, "temp_c", show), f"°{show}"
    sd, offset = ([v * scale for v in three] for three in (kept.sd, kept.offset))
    part = [100.0 * v for v in kept.part]
    words = weighing.settings.responses[weighing.limits[0].what].words
    return (
        f"{factor.words} was kept to {sd[0]:.2g} {unit} ({sd[1]:.2g} to {sd[2]:.2g}; standard "
        f"deviation, n {kept.n}), {offset[0]:+.2g} {unit} ({offset[1]:+.2g} to {offset[2]:+.2g}) "
        f"off on average; that makes {part[0]:.2g} % ({part[1]:.2g} to {part[2]:.2g} %) of the "
        f"spread (variance) of {words}"
    )
