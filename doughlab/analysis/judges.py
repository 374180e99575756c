"""Judges one by one: use of the scale, repeats, scores at its ends, the answer without each.

`agreement` calls this for a panel; every function also takes a plain table of scores.
Agreement between judges is left to `agreement`, the stated check of judge x water to `scores`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import chdtri

from doughlab.analysis.analyse import Analysis
from doughlab.analysis.answers import compare_as
from doughlab.analysis.contrasts import Comparison
from doughlab.analysis.models import fit_model
from doughlab.errors import InputError, NotEstimable, UnknownName

REPEAT_LIMIT = 1.959964 * 2**0.5  # 95 % of differences of two repeats lie within this many SD
NOTICED_SHARE = 0.15


def compare_scale_use(
    scores: pd.DataFrame, *, target: str = "ball", judge: str = "judge", value: str = "y"
) -> pd.DataFrame:
    """Compare how judges use the scale.

    Each judge's scores are a line over what the panel found in the targets: a level, a stretch
    and noise about it. Lost scores are no hindrance.

    Parameters
    ----------
    scores : DataFrame
        One row per score.
    target, judge, value : str
        Columns.

    Returns
    -------
    DataFrame
        One row per judge: judge, n, mean, shift (level against the panel on the same targets, in
        points), sd (of the scores), stretch (1 as the panel; below 1 holds back, above 1 spreads
        out, below 0 goes against it), noise_sd (about the own line), lowest, highest. Stretch and
        noise_sd are blank with fewer than four scores or targets that do not differ.

    Raises
    ------
    UnknownName
        For a column that the table does not have.
    NotEstimable
        With fewer than two judges.

    References
    ----------
    The assessor model: Mandel (1961), J. Am. Stat. Assoc. 56, 878; Brockhoff & Skovgaard (1994),
    Food Qual. Prefer. 5, 215 (both from memory); least squares by turns.

    Examples
    --------
    >>> table = pd.DataFrame({"judge": list("aaaabbbb"), "ball": list("wxyz") * 2,
    ...                       "y": [4.0, 5.0, 6.0, 9.0, 5.0, 5.5, 6.0, 7.5]})
    >>> compare_scale_use(table)[["judge", "shift", "stretch"]].round(3).to_dict("records")
    [{'judge': 'a', 'shift': 0.0, 'stretch': 1.333}, {'judge': 'b', 'shift': 0.0, 'stretch': 0.667}]
    """
    _check_columns(scores, (target, judge, value))
    used = scores[[target, judge, value]].dropna()
    j, judges = pd.factorize(used[judge].astype(str), sort=True)
    t, _ = pd.factorize(used[target].astype(str), sort=True)
    if len(judges) < 2:
        raise NotEstimable("Only one judge has scored; uses of the scale cannot be compared.")
    y = used[value].to_numpy(dtype=float)
    shift, base = _levels(y, j, t)
    stretch, noise = _stretches(y, j, t, base, len(judges))
    records = []
    for i, name in enumerate(judges):
        own = y[j == i]
        few = len(own) < 4
        records.append(
            {
                "judge": name,
                "n": len(own),
                "mean": own.mean(),
                "shift": shift[i],
                "sd": own.std(ddof=1) if len(own) > 1 else np.nan,
                "stretch": np.nan if few else stretch[i],
                "noise_sd": np.nan if few else noise[i],
                "lowest": own.min(),
                "highest": own.max(),
            }
        )
    return pd.DataFrame(records)


def _levels(y: np.ndarray, j: np.ndarray, t: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Fit judges and targets by least squares; shifts average to zero over judges."""
    judges, targets = int(j.max()) + 1, int(t.max()) + 1
    x = np.zeros((len(y), judges + targets))
    x[np.arange(len(y)), j] = 1.0
    x[np.arange(len(y)), judges + t] = 1.0
    found = np.linalg.lstsq(x, y, rcond=None)[0]
    shift = found[:judges]
    return shift - shift.mean(), found[judges:] + shift.mean()


def _stretches(
    y: np.ndarray, j: np.ndarray, t: np.ndarray, base: np.ndarray, judges: int
) -> tuple[np.ndarray, np.ndarray]:
    """Fit a line per judge over common targets, by turns; stretches average to 1."""
    nothing = np.full(judges, np.nan)
    place = base - base.mean()
    if float(np.ptp(place)) < 1e-9 * max(1.0, float(np.abs(y).max())):
        return nothing, nothing
    level, slope = np.zeros(judges), np.ones(judges)
    for _ in range(2000):
        for i in range(judges):
            own = j == i
            x = place[t[own]]
            centred = x - x.mean()
            if centred @ centred > 1e-12:
                slope[i] = centred @ y[own] / (centred @ centred)
            level[i] = y[own].mean() - slope[i] * x.mean()
        weight = np.bincount(t, slope[j] ** 2, len(place))
        pull = np.bincount(t, slope[j] * (y - level[j]), len(place))
        new = np.where(weight > 1e-12, pull / np.maximum(weight, 1e-12), place)
        new -= new.mean()
        mean = slope.mean()
        new *= mean if abs(mean) > 1e-6 else 1.0
        moved = float(np.abs(new - place).max())
        place = new
        if moved < 1e-10 * float(np.abs(place).max()):
            break
    slope = slope / slope.mean()
    rest = y - level[j] - slope[j] * place[t]
    squares = np.bincount(j, rest**2, judges)
    return slope, np.sqrt(squares / np.maximum(np.bincount(j, minlength=judges) - 2.0, 1.0))


@dataclass(frozen=True)
class Repeatability:
    """How closely scores of the same thing by the same judge repeat.

    Attributes
    ----------
    table : DataFrame
        One row per judge, then "all": judge, n (scores), groups, df, sd (of one score), ci_low,
        ci_high (95 %), limit (95 % of differences between two repeats are smaller), correlation
        (first against second; blank with fewer than three pairs).
    same_ball : bool
        Whether a repeat is a second plate of the same ball; else it is a twin ball.

    Examples
    --------
    >>> table = pd.DataFrame({"judge": list("aabb"), "ball": list("xxxx"), "y": [4, 5, 6.0, 8]})
    >>> found = measure_repeats(table, same=["ball"])
    >>> round(found.sd, 3), found.sentence[:20]
    (1.118, 'A judge repeats a sc')
    """

    table: pd.DataFrame
    same_ball: bool = False

    @property
    def sd(self) -> float:
        """Give the spread of one score about its repeats, all judges together."""
        return float(self.table["sd"].iloc[-1])

    @property
    def sentence(self) -> str:
        """What it says."""
        row = self.table.iloc[-1]
        if self.same_ball:
            return (
                f"A judge repeats a score on a second plate of the same ball within SD "
                f"{row['sd']:.2g} ({row['ci_low']:.2g} to {row['ci_high']:.2g}; {row['groups']} "
                "balls tasted twice); the mean of both plates is analysed."
            )
        return (
            f"A judge repeats a score on a twin ball within SD {row['sd']:.2g} "
            f"({row['ci_low']:.2g} to {row['ci_high']:.2g}; {row['groups']} groups of twins); what "
            "twins differ in is part of it."
        )


def measure_repeats(
    scores: pd.DataFrame,
    *,
    same: Sequence[str],
    judge: str = "judge",
    value: str = "y",
    order: str | None = None,
    level: float = 0.95,
) -> Repeatability | None:
    """Measure how closely judges repeat their scores on blind duplicates.

    Parameters
    ----------
    scores : DataFrame
        One row per score.
    same : sequence of str
        Columns that agree where two scores count as repeats.
    judge, value : str
        Columns.
    order : str, optional
        Column that says which repeat came first; as the rows stand without it.
    level : float
        Of the ranges, above 0 and below 1.

    Returns
    -------
    Repeatability or None
        None where no judge scored anything twice.

    Raises
    ------
    UnknownName
        For a column that the table does not have.
    InputError
        When the level lies outside its range.

    References
    ----------
    Pooled within-group variance with its chi-square range; repeatability limit as in ISO 5725-2
    (from memory). Checked in tests/reference/test_agreement_friedman1937.py.

    Examples
    --------
    >>> table = pd.DataFrame({"judge": ["a"] * 4 + ["b"] * 4, "ball": list("xxyy") * 2,
    ...                       "y": [4.0, 5.0, 7.0, 7.0, 5.0, 5.0, 8.0, 6.0]})
    >>> measure_repeats(table, same=["ball"]).table[["judge", "df", "sd"]].round(3).values.tolist()
    [['a', 2, 0.5], ['b', 2, 1.0], ['all', 4, 0.791]]
    """
    if not 0.0 < level < 1.0:
        raise InputError(f"level is {level:g}; it must be above 0 and below 1.")
    _check_columns(scores, (*same, judge, value, *([order] if order else [])))
    used = scores.dropna(subset=[judge, value])
    if order:
        used = used.sort_values(order, kind="stable")
    keys = [used[judge].astype(str), *(used[c].astype(str) for c in same)]
    group = pd.MultiIndex.from_arrays(keys).factorize()[0]
    y = used[value].to_numpy(dtype=float)
    counts = np.bincount(group)
    many = counts[group] > 1
    if not many.any():
        return None
    names = used[judge].astype(str).to_numpy()
    rows = [
        _repeat_row(name, y, group, many & (names == name), level)
        for name in sorted(set(names[many]))
    ]
    return Repeatability(pd.DataFrame([*rows, _repeat_row("all", y, group, many, level)]))


def _repeat_row(
    name: str, y: np.ndarray, group: np.ndarray, used: np.ndarray, level: float
) -> dict[str, Any]:
    """Pool the spread within groups of repeats."""
    frame = pd.DataFrame({"g": group[used], "y": y[used]})
    grouped = frame.groupby("g", sort=False)["y"]
    rest = frame["y"] - grouped.transform("mean")
    df = len(frame) - grouped.ngroups
    squares = float((rest**2).sum())
    first, second = grouped.nth(0).to_numpy(), grouped.nth(1).to_numpy()
    told = len(first) > 2 and np.ptp(first) > 0 and np.ptp(second) > 0
    sd = np.sqrt(squares / df)
    return {
        "judge": name,
        "n": len(frame),
        "groups": int(grouped.ngroups),
        "df": int(df),
        "sd": sd,
        "ci_low": float(np.sqrt(squares / chdtri(df, (1.0 - level) / 2.0))),
        "ci_high": float(np.sqrt(squares / chdtri(df, (1.0 + level) / 2.0))),
        "limit": REPEAT_LIMIT * sd,
        "correlation": float(np.corrcoef(first, second)[0, 1]) if told else np.nan,
    }


@dataclass(frozen=True)
class ScaleEnds:
    """How many scores stand at the ends of the scale, where differences cannot show.

    Attributes
    ----------
    table : DataFrame
        One row per judge, then "all": judge, n, at_low, at_high (counts), share_low, share_high.
    low, high : float
        The ends, in points.

    Examples
    --------
    >>> scores = pd.DataFrame({"judge": ["ada", "ada", "ben"], "y": [10.0, 7.0, 10.0]})
    >>> ends = count_ends(scores, low=0, high=10)
    >>> ends.high, len(ends.sentences)
    (10, 2)
    """

    table: pd.DataFrame
    low: float
    high: float

    @property
    def sentences(self) -> tuple[str, ...]:
        """Say how many stand there, and that it hides differences where they are many."""
        row = self.table.iloc[-1]
        said = [
            f"{row['at_low']} of {row['n']} scores stand at the lowest ({self.low:g}), "
            f"{row['at_high']} at the highest end ({self.high:g}) of the scale."
        ]
        for side, words in (("share_low", "floor"), ("share_high", "ceiling")):
            if row[side] >= NOTICED_SHARE:
                said.append(
                    f"{100 * row[side]:.0f} % at one end (a {words}): differences there cannot "
                    "show; judge by the ordered check as well."
                )
        return tuple(said)


def count_ends(
    scores: pd.DataFrame, *, low: float, high: float, judge: str = "judge", value: str = "y"
) -> ScaleEnds:
    """Count scores at the lowest and the highest end of the scale.

    Parameters
    ----------
    scores : DataFrame
    low, high : float
        Ends of the scale, in points.
    judge, value : str
        Columns.

    Returns
    -------
    ScaleEnds

    Raises
    ------
    UnknownName
        For a column that the table does not have.
    InputError
        When low is not below high, or a score lies beyond an end.

    Examples
    --------
    >>> import pandas as pd
    >>> scores = pd.DataFrame({"judge": ["ada", "ada", "ben"], "y": [10.0, 7.0, 10.0]})
    >>> count_ends(scores, low=0, high=10).table[["judge", "n", "at_high"]]
      judge  n  at_high
    0   ada  2        1
    1   ben  1        1
    2   all  3        2
    """
    _check_columns(scores, (judge, value))
    if not low < high:
        raise InputError(f"The scale runs from {low:g} to {high:g}; give low, then high.")
    used = scores[[judge, value]].dropna()
    y = used[value].to_numpy(dtype=float)
    slack = 1e-9 * (high - low)
    if ((y < low - slack) | (y > high + slack)).any():
        worst = float(y[np.argmax(np.abs(y - (low + high) / 2.0))])
        raise InputError(f"A score of {worst:g} lies outside the scale of {low:g} to {high:g}.")
    names = used[judge].astype(str).to_numpy()
    rows = []
    for name in [*sorted(set(names)), "all"]:
        own = y if name == "all" else y[names == name]
        at = [int((own <= low + slack).sum()), int((own >= high - slack).sum())]
        shares = [count / len(own) if len(own) else np.nan for count in at]
        rows.append([name, len(own), *at, *shares])
    columns = ["judge", "n", "at_low", "at_high", "share_low", "share_high"]
    return ScaleEnds(pd.DataFrame(rows, columns=columns), low, high)


def drop_judges(analysis: Analysis, factor: str) -> pd.DataFrame:
    """Answer about a factor again without each judge in turn.

    Parameters
    ----------
    analysis : Analysis
        Of a scored response.
    factor : str
        One with an answer.

    Returns
    -------
    DataFrame
        One row per judge left out and difference: judge, term, contrast, estimate, ci_low,
        ci_high, unit, verdict (all without the judge), change (of the estimate), verdict_all (with
        all judges), turned (whether the verdict changed). A row is blank where the other scores
        do not tell.

    Raises
    ------
    UnknownName
        For a factor that the trial does not have.
    NotEstimable
        Where the factor has no answer, or there is one judge.

    Examples
    --------
    >>> from doughlab.notebook import analyse_demo
    >>> drop_judges(analyse_demo("score"), "water")[["judge", "contrast", "turned"]].head(2)
      judge               contrast  turned
    0    J1  tap - reverse osmosis   False
    1    J1          tap - bottled   False
    """
    answer = analysis.answer(factor)
    if answer.unanswered:
        raise NotEstimable(answer.unanswered)
    frame = analysis.dataset.frame
    judges = sorted(set(frame["judge"].astype(str))) if "judge" in frame else []
    if len(judges) < 2:
        raise NotEstimable("With a single judge there is nobody to leave out.")
    rows = []
    for judge in judges:
        rest = replace(analysis.dataset, frame=frame[frame["judge"].astype(str) != judge])
        try:
            model = fit_model(analysis.settings, rest, analysis.terms)
            found = compare_as(model, answer)
        except NotEstimable:
            found = []
        rows += [_dropped_row(judge, c, found, bool(answer.split)) for c in answer.comparisons]
    return pd.DataFrame(rows)


def _dropped_row(
    judge: str, whole: Comparison, found: Sequence[Comparison], split: bool
) -> dict[str, Any]:
    """Set a difference beside the same one without a judge."""
    wanted = (whole.level, whole.other, whole.at)
    same = next((c for c in found if (c.level, c.other, c.at) == wanted), None)
    blank = float("nan")
    return {
        "judge": judge,
        "term": whole.factor,
        "contrast": whole.named if split else whole.words,
        "estimate": same.estimate if same else blank,
        "ci_low": same.ci_low if same else blank,
        "ci_high": same.ci_high if same else blank,
        "unit": whole.unit,
        "verdict": same.verdict if same else "",
        "change": same.estimate - whole.estimate if same else blank,
        "verdict_all": whole.verdict,
        "turned": bool(same) and same.verdict != whole.verdict if same else False,
    }


def _check_columns(scores: pd.DataFrame, names: Sequence[str]) -> None:
    for name in names:
        if name not in scores.columns:
            raise UnknownName("Column", name, [str(c) for c in scores.columns], where="Scores")
