"""Scores as ordered categories: a stated check beside the mixed model of mean scores.

`agreement` and the report call it. The verdicts never depend on it.
The ordinal model itself stands in `stats.ordinal`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy.special import chdtrc

from doughlab.analysis.analyse import Analysis
from doughlab.errors import InputError, NotEstimable
from doughlab.stats.ordinal import OrdinalFit, fit_ordinal

NOTICED_BELOW = 0.05
MOST_CATEGORIES = 15


@dataclass(frozen=True)
class OrderedCheck:
    """The tests of factors by ordered categories beside those of the mean scores.

    Attributes
    ----------
    table : DataFrame
        One row per factor: term, df, statistic (twice the difference of log likelihoods), p_value,
        p_mean_scores (Kenward-Roger, of the analysis), alike (both below 5 %, or neither).
    fit : OrdinalFit
        The model with all factors.
    step : float
        What the scores were rounded to, in points.

    Examples
    --------
    >>> from doughlab.notebook import analyse_demo
    >>> from doughlab.analysis import check_ordered
    >>> check = check_ordered(analyse_demo("score"), ["water"])
    >>> check.step
    1.0
    >>> check.sentence[:21]
    'As ordered categories'
    """

    table: pd.DataFrame
    fit: OrdinalFit = field(repr=False)
    step: float = 1.0

    @property
    def sentence(self) -> str:
        """What it says."""
        unlike = self.table.loc[~self.table["alike"], "term"].tolist()
        head = (
            f"As ordered categories (scores rounded to {self.step:g}; likelihood ratio, which "
            "finds somewhat too much where batches are few)"
        )
        if not unlike:
            return f"{head} the same factors show as by the mean scores."
        words = ", ".join(
            f"{r['term']} p = {r['p_value']:.2g} against {r['p_mean_scores']:.2g}"
            for r in self.table.to_dict("records")
            if not r["alike"]
        )
        return f"{head} other factors show than by the mean scores: {words}."

    def __str__(self) -> str:
        """Give the sentence."""
        return self.sentence


def check_ordered(
    analysis: Analysis, factors: Sequence[str] | None = None, *, step: float | None = None
) -> OrderedCheck:
    """Test factors by a cumulative logit model with the random terms of the analysis.

    Main terms only: a factor is tested over all settings of the others. The likelihood ratio
    takes no account of how few batches there are, so that it errs towards finding too much.

    Parameters
    ----------
    analysis : Analysis
        Of a scored response.
    factors : sequence of str, optional
        Factors of the trial; all that were fitted by default.
    step : float, optional
        Scores are rounded to it, in points; 1 by default, less where fewer than three categories
        would be left.

    Returns
    -------
    OrderedCheck

    Raises
    ------
    UnknownName
        For a factor that the trial does not have.
    NotEstimable
        For a response that is not scored, or scores in fewer than two categories.
    InputError
        When the step is not above 0, or leaves more than 15 categories.

    References
    ----------
    McCullagh (1980), J. R. Stat. Soc. B 42, 109; see `doughlab.stats.ordinal`.

    Examples
    --------
    >>> from doughlab.notebook import analyse_demo
    >>> check_ordered(analyse_demo("score"), ["water"]).sentence[:48]
    'As ordered categories (scores rounded to 1; like'
    """
    model = analysis.model
    if "judge" not in model.frame:
        raise NotEstimable(f"{analysis.response.words} is measured, not scored.")
    mains = [t for t in model.fixed if ":" not in t]
    named = [n for n in (factors if factors is not None else model.settings.factors) if n in mains]
    for name in factors or ():
        model.settings.factor(name)
    y = model.frame["y"].to_numpy(dtype=float)
    chosen = _choose_step(y, step)
    frame = model.frame.assign(category=np.round(y / chosen).astype(int))
    random = [r for r in model.fit.random_names[:-1] if ":" not in r]
    full = _fit(frame, mains, random)
    anova = analysis.fit.anova().set_index("term")["p_value"]
    rows = []
    for name in named:
        less = _fit(frame, [t for t in mains if t != name], random)
        df = len(full.kept) - len(less.kept)
        ratio = max(0.0, 2.0 * (full.log_likelihood - less.log_likelihood))
        p, mean_p = float(chdtrc(df, ratio)), float(anova.get(name, np.nan))
        alike = (p < NOTICED_BELOW) == (mean_p < NOTICED_BELOW)
        rows.append((name, df, ratio, p, mean_p, alike))
    columns = ["term", "df", "statistic", "p_value", "p_mean_scores", "alike"]
    return OrderedCheck(pd.DataFrame(rows, columns=columns), full, chosen)


def _choose_step(y: np.ndarray, step: float | None) -> float:
    """Choose what to round to, so that there are a few categories."""
    if step is not None:
        if not step > 0.0:
            raise InputError(f"step is {step:g}; give what to round to, above 0.")
        count = len(np.unique(np.round(y / step)))
        if count > MOST_CATEGORIES:
            raise InputError(f"step={step:g} leaves {count} categories; at most 15 are fitted.")
    for size in (step,) if step is not None else (1.0, 0.5, 0.25, 0.1):
        if len(np.unique(np.round(y / size))) >= (3 if step is None else 2):
            return float(size)
    raise NotEstimable("The scores hardly differ; ordered categories cannot be told.")


def _fit(frame: pd.DataFrame, mains: Sequence[str], random: Sequence[str]) -> OrdinalFit:
    """Fit by Laplace's approximation."""
    formula = "category ~ " + (" + ".join(mains) if mains else "1")
    return fit_ordinal(frame, formula, random=list(random))
