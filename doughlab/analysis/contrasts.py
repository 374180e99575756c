"""Contrasts: differences between the levels of a factor, with 95 % ranges and verdicts.

`answers` and the decision room take their numbers from here; ranges hold together in a question.
Sentences are left to `answers`; what a verdict is stands in `stats.verdicts`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd

from doughlab.analysis.models import TrialModel
from doughlab.analysis.wording import (
    MOST_DECIMALS,
    decimals_for,
    difference_words,
    level_words,
    margin_decimals,
    range_words,
    signed,
)
from doughlab.errors import NotEstimable
from doughlab.sections import Factor, Response
from doughlab.stats.settle import Finding, SettleForecast, units_to_settle
from doughlab.stats.terms import level_text
from doughlab.stats.verdicts import DIFFERS, NOT_SETTLED, is_real_but_small, judge_interval

FIXED = ("estimate", "std_error", "df", "statistic", "p_value", "ci_low", "ci_high")
LEAST_DF = 1.0
JUST = 0.1  # of the margin: a nearer end below it tells no size that a kitchen could use
_MANY = {"mixing day": "mixing days", "water lot": "water lots", "batch": "batches",
         "ball": "balls"}  # fmt: skip


@dataclass(frozen=True)
class Basis:
    """What a comparison rests on.

    Attributes
    ----------
    unit : str
        "mixing day", "water lot", "batch" or "ball".
    n : int
        How many of them.
    batches : int
        Batches that an extension would add to: mixing days for a factor set per day, water lots
        where batches share them.
    df_per_batch : float
        Degrees of freedom that one more of them adds.
    sessions : int
        Reading sessions that the comparison is made between as well; 0 where each session has
        all levels, or sessions are not in the model.
    """

    unit: str
    n: int
    batches: int
    df_per_batch: float = 1.0
    sessions: int = 0

    @property
    def words(self) -> str:
        """The count with its unit.

        Examples
        --------
        >>> Basis("water lot", 8, 8).words, Basis("batch", 1, 1).words
        ('8 water lots', '1 batch')
        """
        return f"{self.n} {self.unit if self.n == 1 else _MANY[self.unit]}"

    @property
    def more(self) -> str:
        """What an extension adds, in the plural."""
        return _MANY["batch" if self.unit == "ball" else self.unit]


@dataclass(frozen=True)
class Comparison:
    """One difference: level minus other, in the unit of the response.

    Attributes
    ----------
    factor, level, other : str
        Names as in trial.toml; `other` is empty for a slope.
    words : str
        The difference as a cook reads it.
    at : str
        The hold it was compared at, or the level of another factor; empty where averaged over all.
    estimate, std_error, df, statistic, p_value, ci_low, ci_high : float
        p value and range adjusted for the comparisons of the question.
    unit : str
        Of the response.
    margin : float
    basis : Basis
    widest : float
        The largest difference that the scale of a score allows.
    range_level : float
        Of the range, 0 to 1: 0.95, or what a planned look leaves.
    provisional : bool
        Whether the verdict is that of a look that was not planned.
    waits : bool
        Whether a planned look is still to come.

    Examples
    --------
    >>> from doughlab.notebook import analyse_demo
    >>> first = analyse_demo("ph").answers[0].comparisons[0]
    >>> first.estimate_text, first.range_text, first.verdict
    ('+0.08', '(+0.03 to +0.13)', 'differs')
    >>> first.verdict_text, first.verdict_head, first.verdict_words(3), first.small
    ('differs; at least 0.03', 'differs', 'differs; at least 0.026', False)
    >>> first.decimals, first.reads_at(2), first.forecast() is None
    (2, True, True)
    >>> first.just, first.named
    (False, 'tap - reverse osmosis')
    """

    factor: str
    level: str
    other: str
    words: str
    at: str
    estimate: float
    std_error: float
    df: float
    statistic: float
    p_value: float
    ci_low: float
    ci_high: float
    unit: str
    margin: float
    basis: Basis
    widest: float = math.inf
    range_level: float = 0.95
    provisional: bool = False
    waits: bool = False

    @property
    def verdict(self) -> str:
        """The verdict of the range against the margin."""
        return judge_interval(self.ci_low, self.ci_high, self.margin)

    @property
    def small(self) -> bool:
        """Whether it is the same for the kitchen, and yet a difference is shown."""
        return bool(is_real_but_small(self.ci_low, self.ci_high, self.margin))

    @property
    def named(self) -> str:
        """The difference with the place it was compared at: "tap - bottled at 48 h"."""
        return f"{self.words} at {self.at}" if self.at else self.words

    @property
    def just(self) -> bool:
        """Whether a difference is shown whose nearer end is below a tenth of the margin."""
        nearer = min(abs(self.ci_low), abs(self.ci_high))
        return self.verdict == DIFFERS and nearer < JUST * self.margin

    @property
    def decimals(self) -> int:
        """Decimals at which the printed range says what the exact one does."""
        return common_decimals([self])

    def reads_at(self, decimals: int) -> bool:
        """Tell whether range and margin, printed at these decimals, give the exact verdict."""
        ends = (round(self.ci_low, decimals), round(self.ci_high, decimals))
        shown = round(self.margin, margin_decimals(self.margin))
        zero_out = [low > 0 or high < 0 for low, high in (ends, (self.ci_low, self.ci_high))]
        return judge_interval(*ends, shown) == self.verdict and zero_out[0] == zero_out[1]

    @property
    def range_text(self) -> str:
        """The range in brackets."""
        return range_words(self.ci_low, self.ci_high, self.decimals)

    @property
    def estimate_text(self) -> str:
        """The difference with its sign."""
        return signed(self.estimate, self.decimals)

    @property
    def verdict_text(self) -> str:
        """The verdict as it is printed, with what is known beyond it."""
        return self.verdict_words(self.decimals)

    @property
    def verdict_head(self) -> str:
        """The bare verdict; "so far" where it is provisional."""
        return f"{self.verdict} so far" if self.provisional else self.verdict

    def verdict_words(self, decimals: int) -> str:
        """Write the verdict; "differs" with the nearer end of the range, as printed.

        An end below a tenth of the margin is no size to go by: "only just" stands instead.
        """
        if self.just:
            return f"{self.verdict_head}; only just"
        if self.verdict == DIFFERS:
            nearer = min(abs(self.ci_low), abs(self.ci_high))
            return f"{self.verdict_head}; at least {nearer:.{decimals}f}"
        return f"{self.verdict_head} (real but small)" if self.small else self.verdict_head

    def forecast(self, *, chance: float = 0.8, together: bool = True) -> SettleForecast | None:
        """Say how many more batches would settle it; None where it is settled or a look comes.

        Parameters
        ----------
        chance : float
            Wanted chance of a verdict, at either end of the range.
        together : bool
            Judge old and new batches as one, which shares the error between the looks; False:
            the new ones alone.
        """
        if self.waits or self.verdict != NOT_SETTLED or not self.std_error > 0:
            return None
        finding = Finding(self.estimate, self.ci_low, self.ci_high, self.std_error, self.df,
                          self.margin, self.basis.batches)  # fmt: skip
        per_unit = self.basis.df_per_batch
        if self.basis.sessions:  # more batches bring sessions as they did so far
            per_unit = min(per_unit, self.df / self.basis.batches)
        return units_to_settle(finding, df_per_unit=per_unit, chance=chance, together=together)


def common_decimals(comparisons: Sequence[Comparison]) -> int:
    """Find the fewest decimals at which every printed range says what the exact one does.

    Parameters
    ----------
    comparisons : sequence of Comparison
        At least one; printed under one another.

    Returns
    -------
    int
        At least those of the margin; 9 where even nine cannot show it.
    """
    start = max(decimals_for(c.margin) for c in comparisons)
    for d in range(start, MOST_DECIMALS):
        if all(c.reads_at(d) for c in comparisons):
            return d
    return MOST_DECIMALS


def find_basis(model: TrialModel, factor: Factor, levels: Sequence[str] | None = None) -> Basis:
    """Count the units that a factor is compared on.

    Parameters
    ----------
    model : TrialModel
    factor : Factor
    levels : sequence of str, optional
        Count only units with one of these levels; all by default.

    Returns
    -------
    Basis
    """
    units = ["block", "water_lot", "batch", "ball", "session", factor.name]
    frame = model.dataset.frame.filter(units)  # few columns: it is asked for very often
    batches = frame["batch"].nunique()
    if levels is not None:
        frame = frame[frame[factor.name].isin(list(levels))]
    if factor.set == "day":
        days = model.dataset.frame["block"].nunique()
        return Basis("mixing day", int(frame["block"].nunique()), int(days))
    if model.terms.level.get(factor.name) == "lot":
        lots = model.dataset.frame["water_lot"].nunique()
        return Basis("water lot", int(frame["water_lot"].nunique()), int(lots))
    if factor.set == "batch":
        return Basis("batch", int(frame["batch"].nunique()), int(batches))
    balls = int(frame["ball"].nunique())
    per_batch = max(1.0, model.dataset.recorded / batches - 1.0)
    return Basis("ball", balls, int(batches), per_batch, _sessions_between(model, factor, frame))


def _sessions_between(model: TrialModel, factor: Factor, frame: pd.DataFrame) -> int:
    """Count the sessions that a factor is compared between; 0 where it is within each."""
    if "session" not in model.fit.random_names:
        return 0
    levels = frame.groupby("session", observed=True)[factor.name].nunique()
    return len(levels) if (levels < frame[factor.name].nunique()).any() else 0


def compare_levels(
    model: TrialModel,
    factor: Factor,
    *,
    contrast: str = "pairs",
    hold: str | None = None,
    setting: Mapping[str, str] | None = None,
    range_level: float | None = None,
) -> list[Comparison]:
    """Compare the levels of a factor.

    Parameters
    ----------
    model : TrialModel
    factor : Factor
    contrast : "pairs", "vs:<level>" or "slope"
        All differences (Tukey), differences from one level (Dunnett), or the change from the
        lowest to the highest level along a straight line.
    hold : str, optional
        Compare at this hold; averaged over all holds without it.
    setting : mapping of str to str, optional
        Compare at these levels of other factors; averaged over them, or in the middle of numbers
        with two levels, without it. A level of `factor` itself is not looked at.
    range_level : float, optional
        Of the ranges, 0 to 1; that of the model without it.

    Returns
    -------
    list of Comparison
        Higher minus lower for numbers; in the order of trial.toml, earlier minus later, otherwise.
        Differences that the records cannot estimate are left out.

    Raises
    ------
    NotEstimable
        Where the factor has no unit to be judged by, was not fitted, or fewer than one degree of
        freedom is left over for all of its differences.
    """
    if factor.name in model.unjudged:
        raise NotEstimable(model.unjudged[factor.name])
    if not model.holds_term(factor.name):
        why = model.left_out.get(factor.name, "it is not in the model.")
        raise NotEstimable(f"{factor.words}: {why}")
    setting = dict(setting or {})
    if hold is not None and model.settings.hold is not None:
        setting[model.settings.hold.name] = hold
    wide = model.range_level if range_level is None else range_level
    if contrast == "slope":
        return _compare_slope(model, factor, hold, setting, wide)
    reference = contrast[3:] if contrast.startswith("vs:") else None
    levels = _compared(model, factor, contrast)
    if reference is not None and reference not in levels:
        shown = level_words(factor, reference)
        raise NotEstimable(f"{factor.words}: nothing is recorded for {shown} yet.")
    at = _place(model, factor, setting)
    at[factor.name] = [model.coded(factor, level) for level in levels]
    fitted = None if reference is None else level_text(model.coded(factor, reference))
    table = model.fit.contrasts(factor.name, reference=fitted, at=at, level=wide)
    pairs = list(combinations(levels, 2))
    if reference is not None:
        pairs = [(level, reference) for level in levels if level != reference]
    found = []
    for (level, other), row in zip(pairs, table.to_dict("records"), strict=True):
        if factor.kind == "number" and reference is None:
            level, other, row = other, level, _flipped(row)
        found.append(_comparison(model, factor, (level, other), row, hold))
    return _told(factor, found)


def _compared(model: TrialModel, factor: Factor, contrast: str) -> tuple[str, ...]:
    """List the recorded levels to compare; along a curve its low and high, recorded or not."""
    wanted, recorded = factor.compared(contrast), model.levels(factor)
    if factor.name in model.terms.centres and wanted != factor.levels and len(recorded) > 1:
        return wanted
    return tuple(level for level in recorded if level in wanted)


def _told(factor: Factor, found: Sequence[Comparison]) -> list[Comparison]:
    """Keep what the records can tell; below one degree of freedom a range says nothing."""
    finite = [c for c in found if math.isfinite(c.ci_low)]
    told = [c for c in finite if c.df >= LEAST_DF]
    if finite and not told:
        basis = finite[0].basis
        raise NotEstimable(
            f"{factor.words}: cannot be told yet, since the {basis.batches} {basis.more} "
            f"recorded leave hardly anything over to judge by. More {basis.more} will tell."
        )
    return told


def _place(model: TrialModel, factor: Factor, setting: Mapping[str, str]) -> dict[str, Any]:
    """Say where the other factors stand; what the model does not hold changes nothing."""
    at = model.at()
    for name, level in setting.items():
        other = model.settings.factors[name]
        if name == factor.name or not model.holds_term(name):
            continue
        if level not in model.levels(other):
            shown = level_words(other, level)
            raise NotEstimable(f"{factor.words}: nothing is recorded at {shown} yet.")
        at[name] = model.coded(other, level)
    return at


def _flipped(row: Mapping[Any, Any]) -> dict[Any, Any]:
    return {
        **row,
        "estimate": -row["estimate"],
        "statistic": -row["statistic"],
        "ci_low": -row["ci_high"],
        "ci_high": -row["ci_low"],
    }


def _comparison(
    model: TrialModel,
    factor: Factor,
    levels: tuple[str, str],
    row: Mapping[Any, Any],
    hold: str | None,
    words: str = "",
) -> Comparison:
    response = model.dataset.response
    hold_factor = model.settings.hold
    at = level_words(hold_factor, hold) if hold is not None and hold_factor is not None else ""
    basis = find_basis(model, factor, levels if levels[1] else None)
    return Comparison(
        factor=factor.name,
        level=levels[0],
        other=levels[1],
        words=words or difference_words(factor, *levels),
        at=at,
        unit=response.unit,
        margin=response.margin,
        basis=basis,
        widest=_widest(response),
        range_level=model.range_level,
        provisional=model.dataset.standing.provisional,
        waits=model.dataset.standing.coming is not None,
        **{name: float(row[name]) for name in FIXED},
    )


def _widest(response: Response) -> float:
    """Give the largest difference that the scale of a score allows."""
    if response.kind != "score" or response.low is None or response.high is None:
        return math.inf
    return float(response.high) - float(response.low)


def _compare_slope(
    model: TrialModel, factor: Factor, hold: str | None, setting: Mapping[str, str], wide: float
) -> list[Comparison]:
    """Give the change from the lowest to the highest level along a straight line."""
    levels = _compared(model, factor, "slope")
    if len(levels) < 2:
        raise NotEstimable(f"{factor.words}: only one level is recorded so far.")
    x = np.array([float(factor.value_of(level)) for level in levels])
    centred = x - x.mean()
    vector = centred / (centred @ centred) * (x[-1] - x[0])
    at = _place(model, factor, setting)
    at[factor.name] = [model.coded(factor, level) for level in levels]
    line = {"line": list(vector)}
    table = model.fit.contrasts(factor.name, method=line, at=at, level=wide)
    words = difference_words(factor, levels[-1], levels[0])
    if len(levels) > 2:
        words += ", along a line"
    row = table.to_dict("records")[0]
    return _told(factor, [_comparison(model, factor, (levels[-1], levels[0]), row, hold, words)])


def bend(model: TrialModel, factor: Factor) -> dict[str, float] | None:
    """Test whether the levels of a number lie off a straight line.

    Returns
    -------
    dict or None
        estimate (middle against the line through all, second-order contrast), p_value; None with
        fewer than three levels or where it cannot be estimated.
    """
    levels = model.levels(factor)
    if factor.kind != "number" or len(levels) < 3 or not model.is_judged(factor.name):
        return None
    x = np.array([float(factor.value_of(level)) for level in levels])
    q, _ = np.linalg.qr(np.vander(x - x.mean(), 3, increasing=True))
    at = model.at()
    at[factor.name] = [model.coded(factor, level) for level in levels]
    row = model.fit.contrasts(factor.name, method={"bend": list(q[:, 2])}, at=at).iloc[0]
    if not math.isfinite(row["p_value"]):
        return None
    return {"estimate": float(row["estimate"]), "p_value": float(row["p_value"])}


def compare_changes(
    model: TrialModel, factor: Factor, by: Factor, *, together: bool = False
) -> pd.DataFrame:
    """Tell how much the differences of one factor change along another.

    Parameters
    ----------
    model : TrialModel
    factor : Factor
        Whose level differences are looked at.
    by : Factor
        Along which they may change, such as the hold.
    together : bool
        Make all ranges hold at once (Bonferroni), so that the largest may be picked out.

    Returns
    -------
    DataFrame
        One row for each pair of levels of both; the fixed columns, each range for itself (not
        adjusted) unless `together`. No rows where the model has no such interaction.
    """
    if not model.holds_term(factor.name, by.name):
        return pd.DataFrame(columns=["term", "level", "contrast", *FIXED])
    own, other = model.levels(factor), model.levels(by)
    vectors: dict[str, list[float]] = {}
    for a, b in combinations(range(len(own)), 2):
        for c, d in combinations(range(len(other)), 2):
            grid = np.zeros((len(own), len(other)))
            sign = -1.0 if factor.kind == "number" else 1.0
            grid[a, d], grid[b, d] = sign, -sign
            grid[a, c], grid[b, c] = -sign, sign
            pair = (own[b], own[a]) if factor.kind == "number" else (own[a], own[b])
            label = f"{difference_words(factor, *pair)}: {difference_words(by, other[d], other[c])}"
            vectors[label] = list(grid.ravel())
    at = model.at()
    at |= {factor.name: [model.coded(factor, level) for level in own]}
    at |= {by.name: [model.coded(by, level) for level in other]}
    names = [factor.name, by.name]
    wide = 1.0 - 0.05 / len(vectors) if together and vectors else 0.95
    return model.fit.contrasts(names, method=vectors, adjust="none", at=at, level=wide)


def stays_within_margin(model: TrialModel, factor: Factor, by: Factor) -> bool | None:
    """Tell whether factor differences change by less than the margin along another factor.

    Returns
    -------
    bool or None
        True where every 95 % range of a change lies inside the margin (each must, so none is
        widened for their number: Berger 1982, Technometrics 24, 295, from memory); None where the
        model has no such interaction.
    """
    table = compare_changes(model, factor, by)
    if table.empty:
        return None
    margin = model.dataset.response.margin
    low, high = table["ci_low"].to_numpy(), table["ci_high"].to_numpy()
    return bool(np.isfinite(low).all() and ((low > -margin) & (high < margin)).all())


def tabulate(comparisons: Sequence[Comparison]) -> pd.DataFrame:
    """Lay comparisons out with the fixed columns.

    Returns
    -------
    DataFrame
        term, level (the hold compared at; empty where averaged), contrast, estimate, std_error,
        df, statistic, p_value, ci_low, ci_high, unit, n (units that carry the two levels).
    """
    columns = ["term", "level", "contrast", *FIXED, "unit", "n"]
    rows = [
        {
            "term": c.factor,
            "level": c.at,
            "contrast": c.words,
            **{name: getattr(c, name) for name in FIXED},
            "unit": c.unit,
            "n": c.basis.n,
        }
        for c in comparisons
    ]
    return pd.DataFrame(rows, columns=columns)
