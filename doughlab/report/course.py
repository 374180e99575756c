"""Figures of the course of a trial: the calendar of the plan, and the balls in mixing order.

Notebooks and `pictures` call these; a plan or a dataset in, an Axes out.
Answers are drawn by `figures`; lost balls and dates are taken as they stand.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import date, timedelta
from typing import TYPE_CHECKING

from doughlab.analysis.wording import level_words
from doughlab.report.figures import axis_words, one_per_ball
from doughlab.report.strips import new_axes
from doughlab.report.style import (
    CRUST,
    FIGURE_WIDTH_IN,
    HAIR,
    INK,
    MARGIN_BAND,
    PAPER,
    PLAIN,
    SOFT_INK,
    Look,
    build_looks,
    use_style,
)
from doughlab.report.text import Texts

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from doughlab.analysis.analyse import Analysis
    from doughlab.analysis.dataset import Dataset
    from doughlab.plan.plan import Plan

HEIGHT_IN = 3.3
MOST_NAMES = 12
MOST_KEYS = 6
ROW_IN = 0.34
HEAD_IN = 0.42
LEFT_IN = 0.62
KEY_IN = 0.5  # over the Axes: the response, the marks and their names, the days
ROW_OF_KEY_IN = 0.22
LETTER_IN, MARK_IN = 0.067, 0.3


def plan_dates(plan: Plan) -> tuple[dict[str, date], dict[str, list[tuple[date, float | None]]]]:
    """List when each mixing day mixes and when its balls are used.

    Returns
    -------
    dict of str to date
        Block to the date of its first mix; empty where the plan has no dates.
    dict of str to list of (date, hold_h or None)
        Block to the dates of use, each with its hold, in time order, each pair once. Steps of a
        batch or ball that the plan does not list are left out; `check` names them.

    Examples
    --------
    >>> from doughlab.settings import Settings
    >>> from doughlab.plan.plan import Plan
    >>> plan_dates(Plan(Settings("x", "X1"), (), (), (), 1, "0"))
    ({}, {})
    """
    hold = plan.settings.hold
    block_of = {b["batch_id"]: b["block"] for b in plan.batches}
    balls = {b["ball_id"]: b for b in plan.balls}
    mixing: dict[str, date] = {}
    using: dict[str, dict[tuple[date, float | None], None]] = {}
    for step in plan.schedule:
        on = step["due_at"].date()
        if step["step"] == "mix":
            block = block_of.get(step["item"])
            if block is not None:
                mixing[block] = min(on, mixing.get(block, on))
        elif step["step"] in ("read", "bake"):
            ball = balls.get(step["item"])
            if ball is None or ball["batch_id"] not in block_of:
                continue
            key = (on, ball.get(hold.column) if hold else None)
            using.setdefault(block_of[ball["batch_id"]], {})[key] = None
    return mixing, {block: sorted(found, key=str) for block, found in using.items()}


def plot_plan(plan: Plan, *, texts: Texts | None = None, ax: Axes | None = None) -> Axes:
    """Draw the calendar of a plan: mixing days as squares, holds as rings on their day of use.

    Parameters
    ----------
    plan : Plan
        With dates; see `plan_dates`.
    texts : Texts, optional
    ax : Axes or None
        None makes a new figure.

    Returns
    -------
    Axes
        x counts days from the first mixing day; one row per mixing day, the first on top.

    Examples
    --------
    >>> from doughlab.notebook import open_demo
    >>> plan = open_demo().frozen_plan
    >>> ax = plot_plan(plan)
    >>> len(ax.lines) + len(ax.collections) > 0
    True
    """
    texts = texts or Texts()
    mixing, using = plan_dates(plan)
    blocks = list(mixing)
    if ax is None:
        ax = new_axes(HEAD_IN + ROW_IN * len(blocks) + 0.1, left_in=LEFT_IN, foot_in=0.06)
        with use_style():
            return _draw_plan(ax, blocks, mixing, using, texts)
    return _draw_plan(ax, blocks, mixing, using, texts)


def _draw_plan(
    ax: Axes,
    blocks: Sequence[str],
    mixing: Mapping[str, date],
    using: Mapping[str, Sequence[tuple[date, float | None]]],
    texts: Texts,
) -> Axes:
    first = min(mixing.values())
    days = [on for found in using.values() for on, _ in found] + list(mixing.values())
    last = (max(days) - first).days
    for day in range(last + 1):
        on = first + timedelta(days=day)
        served = len({hold for found in using.values() for at, hold in found if at == on})
        ax.plot([day, day], [0.16, -len(blocks) + 0.1], color=HAIR, zorder=0,
                lw=(0.6, 1.2, 2.6)[min(served, 2)])  # fmt: skip
        if last <= 20 or day % 7 == 0:
            ax.text(day, 0.86, texts.weekday(on), ha="center", va="center", color=SOFT_INK,
                    fontsize=9.5)  # fmt: skip
            ax.text(day, 0.42, f"{on.day}", ha="center", va="center")
    for row, block in enumerate(blocks):
        y = -row - 0.35
        start = (mixing[block] - first).days
        ends = [(on - first).days for on, _ in using.get(block, [])]
        ax.plot([start, max([start, *ends])], [y, y], color=INK, lw=1.1, zorder=2)
        ax.plot([start], [y], marker="s", ms=10, mfc=INK, mec=PAPER, mew=1.2, zorder=3, gid="mix")
        for (_, hold), x in zip(using.get(block, []), ends, strict=True):
            ax.plot([x], [y], marker="o", ms=17, mfc=PAPER, mec=CRUST, mew=1.2, zorder=3,
                    gid="use")  # fmt: skip
            words = "" if hold is None else f"{hold:g}"
            ax.text(x, y - 0.02, words, ha="center", va="center", fontsize=9.5, zorder=4)
    ax.text(-0.02, 0.42, f"{first:%Y-%m}", transform=ax.get_yaxis_transform(), ha="right",
            va="center", color=SOFT_INK, fontsize=9.5)  # fmt: skip
    ax.set_yticks([-row - 0.35 for row in range(len(blocks))], blocks)
    ax.set_ylim(-len(blocks) + 0.05, 1.15)
    ax.set_xlim(-0.6, last + 0.6)
    ax.set_xticks([])
    ax.spines["bottom"].set_visible(False)
    ax.spines["left"].set_visible(False)
    return ax


def plot_balls(result: Analysis, *, texts: Texts | None = None, ax: Axes | None = None) -> Axes:
    """Draw every ball in mixing order, with lost balls and balls still due under the axis.

    Parameters
    ----------
    result : Analysis
    texts : Texts, optional
        The words on the figure; English without it.
    ax : Axes or None
        None makes a new figure in the style of the house.

    Returns
    -------
    Axes
        Response along y, batches along x in mixing order, mixing days named above.

    Examples
    --------
    >>> from doughlab.notebook import analyse_demo
    >>> result = analyse_demo("ph")
    >>> ax = plot_balls(result)
    >>> ax.get_xlabel()
    'batch, in mixing order'
    """
    return _on_paper(_draw_balls, result, axis_words(result.response), texts or Texts(), ax)


def plot_residuals(result: Analysis, *, texts: Texts | None = None, ax: Axes | None = None) -> Axes:
    """Draw how far every ball lies from where the model puts it, in mixing order.

    Parameters
    ----------
    result : Analysis
    texts : Texts, optional
    ax : Axes or None
        None makes a new figure in the style of the house.

    Returns
    -------
    Axes
        Residual along y with the margin as a pale band; unusual balls carry their names.

    Examples
    --------
    >>> from doughlab.notebook import analyse_demo
    >>> result = analyse_demo("ph")
    >>> ax = plot_residuals(result)
    >>> ax.get_xlabel()
    'batch, in mixing order'
    """
    texts = texts or Texts()
    words = texts.say("axis_residual", response=axis_words(result.response))
    return _on_paper(_draw_residuals, result, words, texts, ax)


def _on_paper(
    draw: Callable[..., Axes], result: Analysis, words: str, texts: Texts, ax: Axes | None
) -> Axes:
    if ax is not None:
        return draw(ax, result, texts)
    head_in = KEY_IN + (ROW_OF_KEY_IN if key_is_crowded(result, words) else 0.0)
    ax = new_axes(HEIGHT_IN + head_in - KEY_IN, left_in=0.5)
    with use_style():
        box = ax.get_position()
        height = HEIGHT_IN + head_in - KEY_IN
        ax.set_position((box.x0, box.y0, box.width, box.height - head_in / height))
        return draw(ax, result, texts)


def _draw_balls(ax: Axes, result: Analysis, texts: Texts) -> Axes:
    data = result.dataset
    frame = one_per_ball(data.frame)
    batches = batch_order(data)
    _draw_marks(ax, result, batches, dict(zip(frame["ball"], frame["y"], strict=True)))
    low, high = ax.get_ylim()
    line = 0.09 * (high - low)
    rows = [("lost", list(data.lost), "x"), ("due", list(data.missing), "_")]
    for word, balls, marker in rows:
        if not balls:
            continue
        low -= line
        xs = [batches.index(batch_of(ball)) for ball in balls if batch_of(ball) in batches]
        ax.plot(xs, [low] * len(xs), ls="", marker=marker, ms=6, mec=CRUST, mew=1.6, zorder=4,
                gid=word)  # fmt: skip
        ax.text(-0.015, low, texts.say(f"mark_{word}"), transform=ax.get_yaxis_transform(),
                ha="right", va="center", color=CRUST, fontsize=9.5)  # fmt: skip
    ticks = [t for t in ax.get_yticks() if low + line * bool(data.lost) < t <= high]
    ax.set_yticks(ticks)
    ax.set_ylim(low - line * 0.6, high)
    return _frame_order(ax, result, batches, axis_words(result.response), texts)


def _draw_residuals(ax: Axes, result: Analysis, texts: Texts) -> Axes:
    table = result.checks.balls
    batches = batch_order(result.dataset)
    margin = result.response.margin
    ax.axhspan(-margin, margin, color=MARGIN_BAND, lw=0, zorder=0)
    ax.axhline(0, color=SOFT_INK, lw=0.8, zorder=1)
    means = table.groupby("ball", sort=False)["residual"].mean()
    values = dict(zip(means.index.astype(str), means.to_numpy(dtype=float), strict=True))
    _draw_marks(ax, result, batches, values)
    for row in table[table["flagged"]].to_dict("records"):
        place = (batches.index(str(row["batch"])), float(row["residual"]))
        ax.annotate(str(row["ball"]), place, (7, 0), textcoords="offset points", va="center",
                    color=CRUST, fontsize=9.5)  # fmt: skip
    words = texts.say("axis_residual", response=axis_words(result.response))
    return _frame_order(ax, result, batches, words, texts)


def batch_of(ball: str) -> str:
    """Give the batch of a ball by its id.

    Examples
    --------
    >>> batch_of("B07-3")
    'B07'
    """
    return ball.rpartition("-")[0]


def batch_order(dataset: Dataset) -> list[str]:
    """List the batches of a dataset in mixing order, those with lost balls only included."""
    others = (batch_of(ball) for ball in (*dataset.lost, *dataset.missing))
    return sorted({*dataset.frame["batch"].astype(str), *others})


def _draw_marks(
    ax: Axes, result: Analysis, batches: Sequence[str], values: Mapping[str, float]
) -> None:
    """Draw one open mark per ball, side by side within its batch."""
    looks = build_looks(result.settings)
    rows = one_per_ball(result.dataset.frame)
    points: dict[Look, tuple[list[float], list[float]]] = {}
    seen: dict[str, int] = {}
    for row in rows.to_dict("records"):
        batch, ball = str(row["batch"]), str(row["ball"])
        place = seen[batch] = seen.get(batch, -1) + 1
        if ball not in values:
            continue
        look = looks.of(looks.factor, str(row[looks.factor])) if looks.factor else PLAIN
        xs, ys = points.setdefault(look, ([], []))
        xs.append(batches.index(batch) + 0.16 * (place % 5 - 1))
        ys.append(values[ball])
    for look, (xs, ys) in points.items():
        ax.plot(xs, ys, ls="", marker=look.marker, ms=4, mfc="none", mec=look.colour, mew=0.8,
                zorder=3, gid="balls")  # fmt: skip


def _frame_order(
    ax: Axes, result: Analysis, batches: Sequence[str], words: str, texts: Texts
) -> Axes:
    """Name days, batches and the response, and tell the marks apart."""
    frame = result.dataset.frame
    block = dict(zip(frame["batch"].astype(str), frame["block"].astype(str), strict=True))
    of = [block.get(b) for b in batches]
    starts = [i for i, day in enumerate(of) if i == 0 or day != of[i - 1]]
    days = len(starts) > 1 and result.settings.blocks.kind == "day"
    for i in starts if days else ():
        if i:
            ax.axvline(i - 0.5, color=HAIR, lw=0.8, zorder=0)
        ax.text(i - 0.4, 1.02, block.get(batches[i], ""), transform=ax.get_xaxis_transform(),
                va="bottom", color=SOFT_INK, fontsize=9.5)  # fmt: skip
    step = -(-len(batches) // MOST_NAMES)
    shown = range(0, len(batches), step)
    ax.set_xticks(list(shown), [batches[i] for i in shown], fontsize=9.5)
    ax.set_xlim(-0.6, len(batches) - 0.4)
    ax.set_xlabel(texts.say("axis_order"))
    ax.tick_params(axis="x", color=HAIR)
    _draw_key(ax, result, words)
    return ax


def key_is_crowded(result: Analysis, words: str) -> bool:
    """Tell whether the response and the names of the marks have no room on one line."""
    looks = build_looks(result.settings)
    if not looks.factor:
        return False
    factor = result.settings.factor(looks.factor)
    levels = [level_words(factor, v) for v in result.model.levels(factor)[:MOST_KEYS]]
    needed = LETTER_IN * len(words) + sum(LETTER_IN * len(v) + MARK_IN for v in levels)
    return needed > FIGURE_WIDTH_IN


def _draw_key(ax: Axes, result: Analysis, words: str) -> None:
    """Write the response left above the Axes, and what each mark is right of it."""
    from matplotlib.lines import Line2D

    looks = build_looks(result.settings)
    box = ax.get_position()
    inch = ax.figure.dpi / ax.bbox.height
    y = 1 + 0.34 * inch
    above = ROW_OF_KEY_IN * inch if key_is_crowded(result, words) else 0.0
    ax.text(-box.x0 / box.width + 0.015, y + above, words, transform=ax.transAxes, va="center")
    if not looks.factor:
        return
    factor = result.settings.factor(looks.factor)
    levels = result.model.levels(factor)[:MOST_KEYS]
    handles = [
        Line2D([], [], ls="", marker=look.marker, ms=5, mfc="none", mec=look.colour, mew=0.9,
               label=level_words(factor, level))
        for level in levels
        for look in [looks.of(factor.name, level)]
    ]  # fmt: skip
    ax.legend(handles=handles, loc="center right", bbox_to_anchor=(1.0, y), ncols=len(handles),
              handletextpad=0.0, columnspacing=0.9, borderpad=0, borderaxespad=0,
              fontsize=9.5)  # fmt: skip
