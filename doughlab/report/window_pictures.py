"""Window pictures: pH against the hours of the hold, and how many balls are inside when.

Notebooks and the report call these with a `Decision`; its curves come from the decision room.
Nothing is estimated here; the window is about handling and baking, not food safety.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from doughlab.analysis.wording import decimals_for, joined, level_words
from doughlab.decision.chance import tenths, tenths_span
from doughlab.decision.hours import Course, Courses
from doughlab.decision.hourwords import enough_hours
from doughlab.errors import NotEstimable, UnknownName
from doughlab.report.blocks import typeset
from doughlab.report.figures import axis_words
from doughlab.report.picture import Picture
from doughlab.report.strips import SIDE_IN, new_axes
from doughlab.report.style import (
    CRUST,
    FIGURE_WIDTH_IN,
    HAIR,
    INK,
    PAPER,
    PLAIN,
    WINDOW_BAND,
    Look,
    build_looks,
    use_style,
)
from doughlab.report.text import Texts

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from doughlab.decision.decided import Decision

HEAD_IN, PH_IN, GAP_IN, SHARE_IN, FOOT_IN = 0.34, 1.45, 0.12, 0.62, 0.36
LEFT_IN, RIGHT_IN, LAST_IN = 0.5, 0.78, 0.2
MOST = 6
TOLD_H = 12.0  # hours between the shares that the alternative text names
LABEL_GAP = 0.13  # least distance of two labels, as a part of the height


@dataclass(frozen=True)
class Panel:
    """One level of the factor that carries colour, with its curves and its look."""

    words: str
    course: Course
    look: Look


def window_panels(decision: Decision) -> list[Panel]:
    """Collect what is drawn: each level of the colour factor at the recommended other settings.

    Parameters
    ----------
    decision : Decision
        Where nothing is recommended, the other settings are those of the first that was tried.

    Returns
    -------
    list of Panel
        At most six, in the order of trial.toml; levels not tried at these settings are left out.

    Raises
    ------
    NotEstimable
        Without a window, or where fewer than two holds were recorded.
    """
    courses = _courses_of(decision)
    looks = build_looks(decision.settings)
    first = courses.each[0].setting
    others = {n: decision.recommended.get(n, first[n]) for n in courses.factors}
    if looks.factor not in courses.factors:
        course = courses.of(others)
        return [Panel("", course, PLAIN)] if course is not None else []
    factor = courses.factors[looks.factor]
    found = []
    for level in factor.levels:
        course = courses.of({**others, factor.name: level})
        if course is not None:
            found.append(Panel(level_words(factor, level), course, looks.of(factor.name, level)))
    return found[:MOST]


def _courses_of(decision: Decision) -> Courses:
    if decision.courses is None or not decision.courses.each:
        if decision.window.ends is None:
            raise NotEstimable(decision.window.sentence)
        raise NotEstimable("Fewer than two holds are recorded, so there are no hours to draw.")
    return decision.courses


def _panel(decision: Decision, level: str) -> Panel:
    """Choose the panel of a level; without one the recommended, else the first."""
    panels = window_panels(decision)
    looks = build_looks(decision.settings)
    factor = decision.settings.factors.get(looks.factor)
    wanted = level or decision.recommended.get(looks.factor, "")
    for panel in panels:
        if not wanted or panel.course.setting.get(looks.factor) == wanted:
            return panel
    if factor is not None and level and level not in factor.levels:
        raise UnknownName(factor.words, level, factor.levels)
    if level:
        raise NotEstimable(f"'{level}' was not tried at these settings, so nothing can be drawn.")
    return panels[0]


def plot_window(
    decision: Decision, level: str = "", *, texts: Texts | None = None, ax: Axes | None = None
) -> Axes:
    """Draw the pH of one water against the hours, with the window and what new balls may do.

    Parameters
    ----------
    decision : Decision
        With a window, of a trial with a hold.
    level : str
        Level of the factor that carries colour; the recommended one unless given.
    texts : Texts, optional
    ax : Axes or None
        None makes a new figure in the style of the house.

    Returns
    -------
    Axes
        Hours along x, as far as holds were tried; the window as a pale band; the average as a line
        in its 95 % range, around it the 95 % ranges of a new batch and of a new ball; raw balls of
        these settings as open marks.

    Raises
    ------
    NotEstimable
        Without a window or holds, or where the level was not tried at the recommended settings.
    UnknownName
        For a level that the factor does not have.

    Examples
    --------
    >>> from doughlab.notebook import decide_demo
    >>> ax = plot_window(decide_demo(), "tap")
    >>> ax.get_xlabel()
    'hold, h'
    """
    texts = texts or Texts()
    panel = _panel(decision, level)
    if ax is not None:
        return _draw_ph(ax, decision, panel, texts)
    ax = new_axes(HEAD_IN + PH_IN + 1.5, left_in=LEFT_IN)
    with use_style():
        _make_room(ax)
        ax = _draw_ph(ax, decision, panel, texts)
        ax.set_xlabel(texts.say("axis_hours"))
        return ax


def plot_share(
    decision: Decision, level: str = "", *, texts: Texts | None = None, ax: Axes | None = None
) -> Axes:
    """Draw how many of ten new balls of one water are inside the window, against the hours.

    Parameters
    ----------
    decision, level, texts, ax
        As for `plot_window`.

    Returns
    -------
    Axes
        The share as a line in its 95 % range; a dotted line at the balls that are enough.

    Raises
    ------
    NotEstimable, UnknownName
        As `plot_window`.

    Examples
    --------
    >>> from doughlab.notebook import decide_demo
    >>> plot_share(decide_demo()).get_xlabel()
    'hold, h'
    """
    texts = texts or Texts()
    panel = _panel(decision, level)
    if ax is not None:
        return _draw_share(ax, decision, panel, texts)
    ax = new_axes(HEAD_IN + PH_IN + 0.5, left_in=LEFT_IN)
    with use_style():
        _make_room(ax)
        ax = _draw_share(ax, decision, panel, texts)
        ax.set_xlabel(texts.say("axis_hours"))
        enough = texts.say("hours_enough", enough=f"{panel.course.enough:g}",
                           hours=enough_hours(panel.course))  # fmt: skip
        _head(ax, panel.words, enough, "")
        return ax


def _make_room(ax: Axes) -> None:
    """Leave room for the head above and the labels at the right."""
    box, figure = ax.get_position(), ax.figure
    high = figure.get_figheight() if hasattr(figure, "get_figheight") else 3.0
    ax.set_position((box.x0, box.y0, box.width - (RIGHT_IN - SIDE_IN) / FIGURE_WIDTH_IN,
                     box.height - HEAD_IN / high))  # fmt: skip


def _draw_ph(ax: Axes, decision: Decision, panel: Panel, texts: Texts) -> Axes:
    course, look = panel.course, panel.look
    _draw_band(ax, decision)
    hours = course.hours
    for low, high, alpha, dashes, name in (
        (course.ball_low, course.ball_high, 0.10, (1.5, 2.0), "ball"),
        (course.batch_low, course.batch_high, 0.14, (5.0, 2.0), "batch"),
        (course.mean_low, course.mean_high, 0.30, (), "range"),
    ):
        ax.fill_between(hours, low, high, color=look.colour, alpha=alpha, lw=0, zorder=2)
        for edge in (low, high):
            ax.plot(hours, edge, color=look.colour, lw=0.7, dashes=dashes or (None, None), zorder=3,
                    gid=name)  # fmt: skip
    ax.plot(hours, course.mean, color=look.colour, lw=1.8, zorder=5, gid="mean")
    balls = decision.courses.balls if decision.courses is not None else None
    if balls is not None:
        own = np.ones(len(balls), dtype=bool)
        for name, level in course.setting.items():
            own &= (balls[name] == level).to_numpy()
        ax.plot(balls["hold_h"][own], balls["y"][own], ls="", marker=look.marker, ms=4.5,
                mfc=PAPER, mec=look.colour, mew=0.9, zorder=6, gid="balls")  # fmt: skip
    ax.set_ylim(*_span_of(decision))
    _label_ranges(ax, course, texts)
    response = decision.settings.response(decision.window.response)
    _head(ax, panel.words, hour_words(course, texts), axis_words(response))
    _frame(ax, decision, course)
    _tick_window(ax, decision)
    return ax


def _draw_band(ax: Axes, decision: Decision) -> None:
    ends = decision.window.ends
    if ends is None:
        return
    ax.axhspan(*ends, color=WINDOW_BAND, lw=0, zorder=0)
    for end in ends:
        ax.axhline(end, color=CRUST, lw=0.9, dashes=(1, 2), zorder=1, gid="window")


def _tick_window(ax: Axes, decision: Decision) -> None:
    """Put the ends of the window among the ticks; round numbers too near to them give way."""
    ends = decision.window.ends
    if ends is None:
        return
    low, high = ax.get_ylim()
    room = 0.13 * (high - low)
    d = decimals_for(decision.settings.response(decision.window.response).margin)
    kept = [float(t) for t in ax.get_yticks()
            if low <= t <= high and min(abs(t - e) for e in ends) > room]  # fmt: skip
    ticks = [*kept, *(e for e in ends if low <= e <= high)]
    ax.set_yticks(ticks, [f"{t:.{d}f}" for t in ticks])
    for label in ax.get_yticklabels()[len(kept) :]:
        label.set_color(CRUST)


def _label_ranges(ax: Axes, course: Course, texts: Texts) -> None:
    """Name average, new batch and new ball at the right end, above each other."""
    from doughlab.report.lines import spread_apart

    ends = ax.get_ylim()
    rows = [(course.mean[-1], "label_average"), (course.batch_high[-1], "label_batch"),
            (course.ball_high[-1], "label_ball")]  # fmt: skip
    heights = [(float(y) - ends[0]) / (ends[1] - ends[0]) for y, _ in rows]
    for height, (_, key) in zip(spread_apart(heights, LABEL_GAP), rows, strict=True):
        ax.text(1.02, height, texts.say(key), transform=ax.transAxes, va="center", ha="left",
                color=INK, fontsize=9.5)  # fmt: skip


def _span_of(decision: Decision) -> tuple[float, float]:
    """Give the heights from the lowest to the highest curve, the same for every level."""
    courses = [p.course for p in window_panels(decision)]
    low = min(float(c.ball_low.min()) for c in courses)
    high = max(float(c.ball_high.max()) for c in courses)
    more = (high - low) / 20.0
    return low - more, high + more


def hour_words(course: Course, texts: Texts) -> str:
    """Say when the average enters and leaves the window."""
    first, last = course.tried
    if not course.inside_ever:
        return texts.say("hours_never", first=f"{first:g}", last=f"{last:g}")
    return texts.say("hours_inside", opens=course.opens, closes=course.closes)


def _head(ax: Axes, name: str, words: str, axis: str) -> None:
    """Write the level and its hours above the Axes, the response over its ticks."""
    box, figure = ax.get_position(), ax.figure
    left = -box.x0 / box.width + SIDE_IN / FIGURE_WIDTH_IN / box.width
    right = (1.0 - SIDE_IN / FIGURE_WIDTH_IN - box.x0) / box.width
    high = box.height * figure.bbox.height / figure.dpi
    ax.text(left, 1.0 + 0.12 / high, typeset(name or axis), transform=ax.transAxes, va="bottom",
            fontweight="bold", color=INK)  # fmt: skip
    ax.text(right, 1.0 + 0.12 / high, typeset(words), transform=ax.transAxes, ha="right",
            va="bottom", color=INK, fontsize=9.5)  # fmt: skip
    if name:
        ax.set_ylabel(axis, labelpad=2)


def _frame(ax: Axes, decision: Decision, course: Course) -> None:
    """Mark the tried holds; nothing is drawn beyond them."""
    from matplotlib.ticker import MaxNLocator

    hold = decision.settings.hold
    ticks = sorted(float(v) for v in hold.values) if hold is not None else list(course.tried)
    ax.set_xticks([t for t in ticks if course.tried[0] <= t <= course.tried[1]])
    span = course.tried[1] - course.tried[0]
    ax.set_xlim(course.tried[0] - 0.02 * span, course.tried[1] + 0.02 * span)
    ax.yaxis.set_major_locator(MaxNLocator(nbins=4, steps=[1, 2, 5, 10]))
    ax.tick_params(axis="x", color=HAIR)


def _draw_share(ax: Axes, decision: Decision, panel: Panel, texts: Texts) -> Axes:
    course, look = panel.course, panel.look
    hours = course.hours
    ax.fill_between(hours, 10 * course.share_low, 10 * course.share_high, color=look.colour,
                    alpha=0.22, lw=0, zorder=2)  # fmt: skip
    for edge in (course.share_low, course.share_high):
        ax.plot(hours, 10 * edge, color=look.colour, lw=0.7, zorder=3, gid="range")
    ax.plot(hours, 10 * course.share, color=look.colour, lw=1.8, zorder=5, gid="share")
    ax.axhline(course.enough, color=CRUST, lw=0.9, dashes=(1, 2), zorder=1, gid="enough")
    _frame(ax, decision, course)
    ax.set_ylim(-0.4, 10.4)
    ax.set_yticks([0, 5, 10])
    ax.text(1.02, 0.5, texts.say("label_share"), transform=ax.transAxes, va="center", ha="left",
            color=INK, fontsize=9.5, linespacing=1.05)  # fmt: skip
    return ax


def picture_window(decision: Decision, *, texts: Texts | None = None) -> Picture:
    """Picture every water against the hours: its pH with the window, under it the share inside.

    Parameters
    ----------
    decision : Decision
        With a window, of a trial with a hold.
    texts : Texts, optional

    Returns
    -------
    Picture
        Its text names the hours and the shares with their ranges; its caption says what is drawn.

    Raises
    ------
    NotEstimable
        Without a window, or where fewer than two holds were recorded.

    Examples
    --------
    >>> from doughlab.notebook import decide_demo
    >>> print(picture_window(decide_demo()).caption[:37])
    Mixing water 64 F and hydration 65 %:
    """
    texts = texts or Texts()
    panels = window_panels(decision)
    block = HEAD_IN + PH_IN + GAP_IN + SHARE_IN + FOOT_IN
    high = block * len(panels) + LAST_IN
    with use_style():
        figure = new_axes(high).figure
        figure.clear()
        width = (FIGURE_WIDTH_IN - LEFT_IN - RIGHT_IN) / FIGURE_WIDTH_IN
        for i, panel in enumerate(panels):
            top = high - i * block - HEAD_IN
            upper = figure.add_axes((LEFT_IN / FIGURE_WIDTH_IN, (top - PH_IN) / high, width,
                                     PH_IN / high))  # fmt: skip
            under = top - PH_IN - GAP_IN - SHARE_IN
            lower = figure.add_axes((LEFT_IN / FIGURE_WIDTH_IN, under / high, width,
                                     SHARE_IN / high))  # fmt: skip
            _draw_ph(upper, decision, panel, texts)
            upper.tick_params(axis="x", labelbottom=False)
            _draw_share(lower, decision, panel, texts)
        lower.set_xlabel(texts.say("axis_hours"), labelpad=1)
    return Picture(_figure(figure), typeset(window_alt(decision, panels, texts)),
                   typeset(window_caption(decision, panels, texts)))  # fmt: skip


def _figure(found: object) -> Figure:
    from matplotlib.figure import Figure

    if not isinstance(found, Figure):
        raise TypeError("an Axes outside a figure cannot become a picture")
    return found


def window_alt(decision: Decision, panels: list[Panel], texts: Texts) -> str:
    """Write what is drawn, with its numbers."""
    response = decision.settings.response(decision.window.response)
    rows = []
    for panel in panels:
        course = panel.course
        first, last = course.tried
        hours = np.unique([first, *np.arange(np.ceil(first / TOLD_H) * TOLD_H, last, TOLD_H), last])
        shares = []
        for hour in hours:
            share, low, high = course.share_at(float(hour))
            shares.append(f"{hour:g} h {tenths(share)} ({tenths_span(low, high)})")
        batch = texts.say("hours_batch", opens=_span_words(course, "batch_opens"),
                          closes=_span_words(course, "batch_closes"))  # fmt: skip
        name = f"{panel.words}: " if panel.words else ""
        rows.append(f"{name}{hour_words(course, texts)}; {batch}; "
                    f"{texts.say('alt_shares', rows=', '.join(shares))}")  # fmt: skip
    return texts.say("alt_hours", response=axis_words(response), window=decision.window.text,
                     where=_others(decision, panels), rows=". ".join(rows))  # fmt: skip


def _span_words(course: Course, which: str) -> str:
    """Write the range of an hour alone: 22 to 45 h, before 24 to 45 h."""
    found = getattr(course, which)
    first, last = course.tried
    low = f"before {first:g}" if found.low is None else f"{found.low:.0f}"
    high = f"after {last:g}" if found.high is None else f"{found.high:.0f}"
    if found.low is None and found.high is None and found.side != "inside":
        return f"{found.side} {first if found.side == 'before' else last:g} h"
    return f"{low} to {high} h"


def _others(decision: Decision, panels: list[Panel]) -> str:
    """Name the settings that all panels share."""
    courses = _courses_of(decision)
    looks = build_looks(decision.settings)
    setting = panels[0].course.setting
    parts = [f"{f.words} {level_words(f, setting[n])}" for n, f in courses.factors.items()
             if n != looks.factor]  # fmt: skip
    return f", {joined(parts)}" if parts else ""


def window_caption(decision: Decision, panels: list[Panel], texts: Texts) -> str:
    """Write what the curves are, and at which settings."""
    course = panels[0].course
    notes = _courses_of(decision).notes
    said = texts.say("caption_hours", where=_others(decision, panels).removeprefix(", "),
                     enough=f"{course.enough:g}", curve=notes[0]).strip()  # fmt: skip
    return f"{said[0].upper()}{said[1:]}"
