"""Pictures of results: a figure, its numbers as alternative text, and a caption with the answer.

`results` and notebooks call these; drawing is left to `figures`, `lines` and `course`.
The alternative text names every mean, range and verdict that is drawn.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from doughlab.analysis.wording import amount_words, decimals_for, joined, level_words, signed
from doughlab.report.blocks import typeset
from doughlab.report.course import plan_dates, plot_balls, plot_plan, plot_residuals
from doughlab.report.figures import (
    axis_words,
    level_means,
    number_words,
    one_per_ball,
    place_of,
    plot_contrasts,
    plot_means,
    ranges_named,
    verdict_words,
)
from doughlab.report.findings import summarise
from doughlab.report.lines import cell_points, other_factor, plot_interaction
from doughlab.report.picture import Picture
from doughlab.report.text import Texts

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from doughlab.analysis.analyse import Analysis
    from doughlab.plan.plan import Plan


def _picture(ax: Axes, alt: str, caption: str) -> Picture:
    from matplotlib.figure import Figure

    figure = ax.get_figure(root=True)
    if not isinstance(figure, Figure):
        raise TypeError("an Axes outside a figure cannot become a picture")
    caption = f"{caption[0].upper()}{caption[1:]}" if caption[:2] != "pH" else caption
    return Picture(figure, typeset(alt), typeset(caption))


def _where(result: Analysis, factor: str, texts: Texts, *, means: bool = True) -> str:
    """Say where the means of a factor are drawn, or its differences."""
    hold, level = place_of(result, factor)
    if level and (means or result.answer(factor).at_hold is not None):
        words = level_words(result.settings.factor(hold), level)
        return texts.say("at_hold", hold=words)
    others = [f.words for name, f in result.settings.factors.items() if name != factor]
    return texts.say("over_all", factors=joined(others)) if others else ""


def picture_means(result: Analysis, factor: str, *, texts: Texts | None = None) -> Picture:
    """Picture the means of a factor with batch means and raw balls.

    Parameters
    ----------
    result : Analysis
    factor : str
    texts : Texts, optional
        English without it.

    Returns
    -------
    Picture
        Its text names every mean with its range and the counts of balls and batches.

    Raises
    ------
    UnknownName, NotEstimable
        As `plot_means`.

    Examples
    --------
    >>> from doughlab.notebook import analyse_demo
    >>> result = analyse_demo("ph")
    >>> picture_means(result, "water").alt[:25]
    'Means of pH by water, at '
    """
    texts = texts or Texts()
    own = result.settings.factor(factor)
    d = decimals_for(result.response.margin)
    means = level_means(result, factor)
    rows = [
        texts.say("alt_mean", level=m.words, number=m.text(d, texts), balls=len(m.balls),
                  batches=len(m.batches))
        for m in means
    ]  # fmt: skip
    strokes = any(len(m.balls) > len(m.batches) for m in means)
    key = texts.say("mark_key" if strokes else "mark_key_plain")
    where = _where(result, factor, texts)
    alt = texts.say("alt_means", response=axis_words(result.response), factor=own.words,
                    where=where, rows="; ".join(rows), window=_window(result, texts))  # fmt: skip
    answer = result.answer(factor)
    caption = texts.say(
        "caption_means", answer=summarise(result, answer, texts, numbers=True),
        response=result.response.words, where=where, key=key,
    )  # fmt: skip
    return _picture(plot_means(result, factor, texts=texts), alt, caption)


def _window(result: Analysis, texts: Texts) -> str:
    window = result.settings.window
    if window is None or window.response != result.response.name:
        return ""
    d = decimals_for(result.response.margin)
    return texts.say("alt_window", low=f"{window.low:.{d}f}", high=f"{window.high:.{d}f}")


def picture_contrasts(result: Analysis, factor: str, *, texts: Texts | None = None) -> Picture:
    """Picture the differences of a factor against the margin.

    Parameters
    ----------
    result : Analysis
    factor : str
    texts : Texts, optional

    Returns
    -------
    Picture
        Its text names every difference with its range and verdict.

    Raises
    ------
    UnknownName, NotEstimable
        As `plot_contrasts`.

    Examples
    --------
    >>> from doughlab.notebook import analyse_demo
    >>> result = analyse_demo("ph")
    >>> picture_contrasts(result, "water").alt[:25]
    'Differences in pH, averag'
    """
    texts = texts or Texts()
    ax = plot_contrasts(result, factor, texts=texts)
    answer = result.answer(factor)
    margin = amount_words(result.response.margin, result.response)
    rows = "; ".join(
        f"{c.named if answer.split else c.words} {number_words(c, texts)}, "
        f"{verdict_words(c, texts)}"
        for c in answer.comparisons
    )
    where = _where(result, factor, texts, means=False)
    alt = texts.say("alt_contrasts", response=axis_words(result.response), where=where, rows=rows,
                    margin=margin, ranges=ranges_named(result, texts))  # fmt: skip
    caption = texts.say(
        "caption_contrasts", answer=summarise(result, answer, texts, numbers=True), margin=margin
    )
    return _picture(ax, alt, caption)


def picture_hold(result: Analysis, *, texts: Texts | None = None) -> Picture:
    """Picture the response along the holds, one line per level of the colour factor.

    Parameters
    ----------
    result : Analysis
    texts : Texts, optional

    Raises
    ------
    InputError
        Where the trial has no hold, or nothing beside it.

    Examples
    --------
    >>> from doughlab.notebook import analyse_demo
    >>> result = analyse_demo("ph")
    >>> picture_hold(result).alt[:25]
    'Means of pH by water alon'
    """
    from doughlab.errors import InputError

    hold = result.settings.hold
    if hold is None:
        raise InputError("This trial has no hold: no factor is set per ball in hours.")
    return picture_interaction(result, other_factor(result, hold.name), hold.name, texts=texts)


def picture_interaction(
    result: Analysis, factor: str, by: str, *, texts: Texts | None = None
) -> Picture:
    """Picture the means of a factor along another one.

    Parameters
    ----------
    result : Analysis
    factor, by : str
        `by` runs along the x axis.
    texts : Texts, optional

    Returns
    -------
    Picture
        Its text names every mean with its range; its caption says whether the lines part.

    Raises
    ------
    UnknownName, InputError, NotEstimable
        As `plot_interaction`.

    Examples
    --------
    >>> from doughlab.notebook import analyse_demo
    >>> result = analyse_demo("ph")
    >>> picture_interaction(result, "water", "hold").alt[:25]
    'Means of pH by water alon'
    """
    texts = texts or Texts()
    ax = plot_interaction(result, factor, by, texts=texts)
    own, other = result.settings.factor(factor), result.settings.factor(by)
    d = decimals_for(result.response.margin)
    places = [level_words(other, level) for level in result.model.levels(other)]
    rows = [
        f"{points[0].mean.words}: " + ", ".join(
            f"{place} {p.mean.text(d, texts)}" for place, p in zip(places, points, strict=True)
        )
        for points in cell_points(result, factor, by).values()
    ]  # fmt: skip
    alt = texts.say(
        "alt_lines", response=axis_words(result.response), factor=own.words, by=other.words,
        rows="; ".join(rows), window=_window(result, texts),
    )  # fmt: skip
    splits = {a.question.factor: a.split for a in result.answers if a.split}
    pairs = [set(term.split(":")) for term in _shown_pairs(result)]
    pairs += [{name, split} for name, split in splits.items()]
    shown = {factor, by} in pairs
    key = "lines_part" if shown else "lines_alike"
    said = [texts.say(key, factor=own.words, by=other.words)]
    said += [
        texts.say("lines_other", factor=result.settings.factor(name).words,
                  by=result.settings.factor(split).words)
        for name, split in splits.items() if {name, split} != {factor, by}
    ]  # fmt: skip
    caption = texts.say(
        "caption_lines", response=result.response.words, by=other.words, answer=" ".join(said),
        key=texts.say("line_key"),
    )  # fmt: skip
    return _picture(ax, alt, caption)


def _shown_pairs(result: Analysis) -> list[str]:
    """List the interactions that the analysis noticed, as terms "a:b"."""
    names = list(result.settings.factors)
    words = {n: result.settings.factors[n].words for n in names}
    return [
        f"{a}:{b}"
        for a in names
        for b in names
        if a != b and any(c.startswith(f"{words[a]} x {words[b]} ") for c in result.changes)
    ]


def picture_balls(result: Analysis, *, texts: Texts | None = None) -> Picture:
    """Picture every ball in mixing order, with those lost and those still due.

    Parameters
    ----------
    result : Analysis
    texts : Texts, optional

    Examples
    --------
    >>> from doughlab.notebook import analyse_demo
    >>> result = analyse_demo("ph")
    >>> picture_balls(result).alt[:25]
    'pH of 70 balls of 24 batc'
    """
    texts = texts or Texts()
    data, d = result.dataset, decimals_for(result.response.margin)
    values = one_per_ball(data.frame)["y"]
    lost = ", ".join(data.lost) or texts.say("none")
    due = ", ".join(data.missing) or texts.say("none")
    alt = texts.say("alt_balls", response=axis_words(result.response), balls=len(values),
                    batches=data.batches, low=f"{values.min():.{d}f}", high=f"{values.max():.{d}f}",
                    lost=lost, due=due)  # fmt: skip
    caption = texts.say(
        "caption_balls", response=result.response.words, balls=len(values), planned=data.planned,
        lost=len(data.lost), due=len(data.missing),
    )  # fmt: skip
    return _picture(plot_balls(result, texts=texts), alt, caption)


def picture_residuals(result: Analysis, *, texts: Texts | None = None) -> Picture:
    """Picture how far every ball lies from where the model puts it.

    Parameters
    ----------
    result : Analysis
    texts : Texts, optional

    Examples
    --------
    >>> from doughlab.notebook import analyse_demo
    >>> result = analyse_demo("ph")
    >>> picture_residuals(result).alt[:25]
    'Distances of 70 values of'
    """
    texts = texts or Texts()
    table, d = result.checks.balls, decimals_for(result.response.margin)
    worst = table.iloc[int(table["residual"].abs().to_numpy().argmax())]
    unusual = joined(result.checks.unusual_balls) or texts.say("none")
    alt = texts.say(
        "alt_residuals", response=axis_words(result.response), n=len(table), ball=worst["ball"],
        most=signed(float(worst["residual"]), d).strip(), unusual=unusual,
        margin=amount_words(result.response.margin, result.response),
    )  # fmt: skip
    key = "caption_residuals_some" if result.checks.unusual_balls else "caption_residuals_none"
    return _picture(plot_residuals(result, texts=texts), alt, texts.say(key, unusual=unusual))


def picture_plan(plan: Plan, *, texts: Texts | None = None) -> Picture:
    """Picture the calendar of a plan.

    Parameters
    ----------
    plan : Plan
        With dates.
    texts : Texts, optional

    Raises
    ------
    InputError
        Where the plan has no dates.

    Examples
    --------
    >>> from doughlab.notebook import open_demo
    >>> plan = open_demo().frozen_plan
    >>> picture_plan(plan).alt[:25]
    'Calendar of the plan. D1 '
    """
    from doughlab.errors import InputError

    texts = texts or Texts()
    mixing, using = plan_dates(plan)
    if not mixing:
        raise InputError("This plan has no dates. Set start_on in [blocks] before keeping it.")
    rows = []
    for block, on in mixing.items():
        uses = ", ".join(
            texts.say(
                "alt_plan_use", hold="" if hold is None else f"{hold:g} h ", on=f"{at:%Y-%m-%d}"
            )
            for at, hold in using.get(block, [])
        )
        rows.append(texts.say("alt_plan_day", block=block, on=f"{on:%Y-%m-%d}", uses=uses))
    alt = texts.say("alt_plan", rows="; ".join(rows))
    served: dict[object, set[float | None]] = {}
    for found in using.values():
        for at, hold in found:
            served.setdefault(at, set()).add(hold)
    several = sum(len(holds) > 1 for holds in served.values())
    caption = texts.say("caption_plan", several=several, days=len(served))
    return _picture(plot_plan(plan, texts=texts), alt, caption)
