"""Figures of answers: a result in, an Axes out; nothing is estimated here.

Notebooks and `pictures` call these; strips are drawn by `strips`, colours come from `style`.
Alternative texts and captions are left to `pictures`; the plan and the balls in order to `course`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from doughlab.analysis.contrasts import Comparison
from doughlab.analysis.wording import decimals_for, level_words, margin_decimals, signed
from doughlab.errors import NotEstimable
from doughlab.plan.looks import level_text
from doughlab.report.blocks import typeset
from doughlab.report.strips import Band, Mark, Strip, draw_strips
from doughlab.report.style import PLAIN, Looks, build_looks
from doughlab.report.text import Texts
from doughlab.stats.verdicts import DIFFERS
from doughlab.units import axis_unit

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from doughlab.analysis.analyse import Analysis
    from doughlab.sections import Factor, Response


def axis_words(response: Response) -> str:
    """Name a response with its unit for an axis.

    Examples
    --------
    >>> from doughlab.sections import Response
    >>> axis_words(Response("core", "bakes", "core_temp_c", 2.0, unit="temp_c", title="core"))
    'core, °C'
    >>> axis_words(Response("ph", "readings", "ph", 0.1, unit="ph"))
    'pH'
    """
    unit = unit_words(response)
    return f"{response.words}, {unit}" if unit and unit != response.words else response.words


def unit_words(response: Response) -> str:
    """Name the unit of a response, for the head of a column whose caption names the response.

    Examples
    --------
    >>> from doughlab.sections import Response
    >>> unit_words(Response("ph", "readings", "ph", 0.1, unit="ph"))
    'pH'
    """
    return "points" if response.kind == "score" else axis_unit(response.unit or response.column)


def factor_words(factor: Factor) -> str:
    """Name a factor with its unit for an axis.

    Examples
    --------
    >>> from doughlab.sections import Factor
    >>> factor_words(Factor("hold", "ball", "number", ("24", "48"), "h", values=(24.0, 48.0)))
    'hold, h'
    """
    unit = axis_unit(factor.unit) if factor.unit else ""
    return f"{factor.words}, {unit}" if unit else factor.words


@dataclass(frozen=True)
class LevelMean:
    """One level with its mean, its 95 % range, and the balls and batch means under it.

    Attributes
    ----------
    level, words : str
        Name as in trial.toml, and as people read it.
    estimate, low, high : float
        In the unit of the response.
    balls : DataFrame
        Rows of the dataset, one per ball.
    batches : Series
        Batch means of these balls, by batch.
    """

    level: str
    words: str
    estimate: float
    low: float
    high: float
    balls: pd.DataFrame
    batches: pd.Series

    def text(self, decimals: int, texts: Texts) -> str:
        """Write mean and range: 5.62 (5.58 to 5.66)."""
        d = decimals
        span = texts.say("from_to", low=f"{self.low:.{d}f}", high=f"{self.high:.{d}f}")
        return typeset(f"{self.estimate:.{d}f} ({span})")


def one_per_ball(frame: pd.DataFrame) -> pd.DataFrame:
    """Give one value per ball: the mean over the judges where several scored it.

    Parameters
    ----------
    frame : DataFrame
        As in `Dataset.frame`.

    Returns
    -------
    DataFrame
        One row per ball, without the column judge.
    """
    if "judge" not in frame:
        return frame
    first = frame.drop_duplicates("ball").drop(columns=["judge", "y"]).set_index("ball")
    return first.assign(y=frame.groupby("ball")["y"].mean()).reset_index()


def level_means(result: Analysis, factor: str, *, along: str = "", at: str = "") -> list[LevelMean]:
    """Collect what a figure draws for the levels of a factor.

    Parameters
    ----------
    result : Analysis
    factor : str
    along, at : str
        Another factor and the level of it at which the means stand, such as hold and "48". Without
        them they stand as `place_of` says: at the hold of use where that counts, else averaged.

    Returns
    -------
    list of LevelMean
        In the order of `Analysis.means`.

    Raises
    ------
    NotEstimable
        Where the factor was not fitted or has no unit to be judged by.
    """
    own = result.settings.factor(factor)
    if not along:
        along, at = place_of(result, factor)
    table = means_at(result, factor, along=along, at=at)
    frame = one_per_ball(result.dataset.frame)
    if at:
        frame = frame[frame[along].astype(str) == at]
    found = []
    for row in table.to_dict("records"):
        level = str(row["level"])
        balls = frame[frame[factor].astype(str) == level]
        batches = balls.groupby("batch", observed=True)["y"].mean()
        found.append(
            LevelMean(level, level_words(own, level), float(row["estimate"]),
                      float(row["ci_low"]), float(row["ci_high"]), balls, batches)
        )  # fmt: skip
    return found


def place_of(result: Analysis, factor: str) -> tuple[str, str]:
    """Say where the means of a factor are shown: (hold factor, level), or two empty texts.

    At the hold of the answer. Where the answer is averaged over the holds and the response has a
    window, at the hold of use, since the window is about the ball at use.
    """
    answer, hold, window = result.answer(factor), result.settings.hold, result.settings.window
    hours = answer.at_hold
    if hours is None and window is not None and window.response == result.response.name:
        hours = result.response.use_hold_h
    if hours is None or hold is None or hold.name == factor:
        return "", ""
    level = hold.level_of(float(hours))
    there = level in result.model.levels(hold) and result.model.holds_term(hold.name)
    return (hold.name, level) if there or answer.at_hold is not None else ("", "")


def means_at(result: Analysis, factor: str, *, along: str = "", at: str = "") -> pd.DataFrame:
    """Give the adjusted means of a factor, at one level of another factor if asked.

    Parameters
    ----------
    result : Analysis
    factor : str
    along, at : str
        The other factor and its level; empty for the average.

    Returns
    -------
    DataFrame
        Columns level, estimate, ci_low, ci_high and more, one row per level.
    """
    hold = result.settings.hold
    if not at or (hold is not None and hold.name == along):
        return result.means(factor, hold=at or None)
    own, other = result.settings.factor(factor), result.settings.factor(along)
    levels = result.model.levels(own)
    place = result.model.at(other, at)
    place[factor] = [result.model.coded(own, level) for level in levels]
    return result.fit.means(factor, at=place).assign(level=list(levels))


def plot_means(
    result: Analysis, factor: str, *, texts: Texts | None = None, ax: Axes | None = None
) -> Axes:
    """Draw the mean of each level with its 95 % range, over batch means and raw balls.

    Parameters
    ----------
    result : Analysis
    factor : str
    texts : Texts, optional
        The words on the figure; English without it.
    ax : Axes or None
        None makes a new figure in the style of the house.

    Returns
    -------
    Axes
        Values along x, one strip per level, the first on top; the window as a pale band.

    Raises
    ------
    UnknownName
        For a factor that the trial does not have.
    NotEstimable
        Where the factor was not fitted or has no unit to be judged by.

    Examples
    --------
    >>> from doughlab.notebook import analyse_demo
    >>> result = analyse_demo("ph")
    >>> ax = plot_means(result, "water")
    >>> ax.get_xlabel()
    'pH'
    """
    texts = texts or Texts()
    looks = build_looks(result.settings)
    d = decimals_for(result.response.margin)
    strips = [
        Strip(
            label=m.words,
            words=m.text(d, texts),
            look=looks.of(factor, m.level),
            estimate=m.estimate,
            low=m.low,
            high=m.high,
            batches=tuple(float(v) for v in m.batches) if len(m.balls) > len(m.batches) else (),
            balls=ball_marks(m.balls, looks),
        )
        for m in level_means(result, factor)
    ]
    bands = window_bands(result, texts)
    ax = draw_strips(strips, bands=bands, head=texts.say("range_head"), ax=ax)
    ax.set_xlabel(axis_words(result.response))
    return ax


def ball_marks(balls: pd.DataFrame, looks: Looks) -> tuple[Mark, ...]:
    """Make a mark of each ball, in the look of its own level of the colour factor."""
    if looks.factor not in balls:
        return tuple(Mark(float(y)) for y in balls["y"])
    return tuple(
        Mark(float(y), looks.of(looks.factor, str(level)))
        for y, level in zip(balls["y"], balls[looks.factor], strict=True)
    )


def window_bands(result: Analysis, texts: Texts) -> list[Band]:
    """Give the window of the trial as a band, where it is about this response."""
    window = result.settings.window
    if window is None or window.response != result.response.name:
        return []
    d = decimals_for(result.response.margin)
    words = texts.say("band_window", low=f"{window.low:.{d}f}", high=f"{window.high:.{d}f}")
    return [Band(window.low, window.high, "window", words)]


def plot_contrasts(
    result: Analysis, factor: str, *, texts: Texts | None = None, ax: Axes | None = None
) -> Axes:
    """Draw the differences of a factor with their 95 % ranges against the margin.

    Parameters
    ----------
    result : Analysis
    factor : str
    texts : Texts, optional
    ax : Axes or None
        None makes a new figure in the style of the house.

    Returns
    -------
    Axes
        Differences along x; the margin as a pale band, with the verdict in words.

    Raises
    ------
    UnknownName
        For a factor that the trial does not have.
    NotEstimable
        Where the question could not be answered.

    Examples
    --------
    >>> from doughlab.notebook import analyse_demo
    >>> result = analyse_demo("ph")
    >>> ax = plot_contrasts(result, "water")
    >>> ax.get_xlabel()
    'difference in pH'
    """
    texts = texts or Texts()
    answer = result.answer(factor)
    if answer.unanswered:
        raise NotEstimable(answer.unanswered)
    strips = [
        Strip(
            label=typeset(c.named if answer.split else c.words),
            words=typeset(f"{number_words(c, texts)}  {verdict_words(c, texts)}"),
            look=PLAIN,
            estimate=c.estimate,
            low=c.ci_low,
            high=c.ci_high,
        )
        for c in answer.comparisons
    ]
    margin = result.response.margin
    shown = f"{margin:.{margin_decimals(margin)}f}"
    band = Band(-margin, margin, "margin", texts.say("band_margin", margin=shown))
    ranges = texts.say("range", level=level_text(result.dataset.standing.level))
    ax = draw_strips(strips, bands=[band], head=texts.say("difference_head", ranges=ranges), ax=ax)
    ax.set_xlabel(texts.say("axis_difference", response=axis_words(result.response)))
    return ax


def ranges_named(result: Analysis, texts: Texts) -> str:
    """Name the ranges that the verdicts of an analysis are read from: 95 % ranges."""
    return texts.say("range_names", level=level_text(result.dataset.standing.level))


def number_words(comparison: Comparison, texts: Texts) -> str:
    """Write a difference with its range: +0.07 (0.00 to +0.14)."""
    d = comparison.decimals
    low, high = (signed(v, d).strip() for v in (comparison.ci_low, comparison.ci_high))
    return f"{comparison.estimate_text.strip()} ({texts.say('from_to', low=low, high=high)})"


def verdict_words(comparison: Comparison, texts: Texts) -> str:
    """Write a verdict with what is known beyond it: differs; at least 0.03."""
    c, say = comparison, texts.say
    words = say(f"verdict_{c.verdict.replace(' ', '_')}")
    if c.provisional:
        words = say("verdict_so_far", verdict=words)
    if c.just:
        return say("verdict_just", verdict=words)
    if c.verdict == DIFFERS:
        nearer = min(abs(c.ci_low), abs(c.ci_high))
        return say("verdict_least", verdict=words, least=f"{nearer:.{c.decimals}f}")
    return say("verdict_small", verdict=words) if c.small else words


def levels_along(result: Analysis, by: str) -> list[tuple[str, float, str]]:
    """Place the recorded levels of a factor on an x axis: level, position, words."""
    own = result.settings.factor(by)
    levels = result.model.levels(own)
    numbers: list[Any] = [own.value_of(v) for v in levels] if own.kind == "number" else []
    places = [float(v) for v in numbers] or [float(i) for i in range(len(levels))]
    words = [level_words(own, level) for level in levels]
    return list(zip(levels, places, words, strict=True))
