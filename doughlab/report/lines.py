"""Lines: means along a second factor, one line per level, with the raw balls beside them.

`plot_hold` and `plot_interaction` draw how levels differ from hold to hold.
Means come from the result; colours from `style`, words from `text`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from doughlab.errors import InputError
from doughlab.report.figures import (
    LevelMean,
    axis_words,
    level_means,
    levels_along,
    window_bands,
)
from doughlab.report.strips import new_axes
from doughlab.report.style import (
    CRUST,
    FIGURE_WIDTH_IN,
    HAIR,
    INK,
    PAPER,
    SOFT_INK,
    WINDOW_BAND,
    Look,
    Looks,
    build_looks,
    use_style,
)
from doughlab.report.text import Texts

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from doughlab.analysis.analyse import Analysis

HEIGHT_IN = 3.5
LEFT_IN = 0.5
RIGHT_MOST_IN = 1.9
LETTER_IN = 0.083
LINE_GAP = 0.062  # least distance of two labels, as a part of the height


@dataclass(frozen=True)
class Point:
    """The mean of one level at one place along the x axis."""

    x: float
    mean: LevelMean


def cell_points(result: Analysis, factor: str, by: str) -> dict[str, list[Point]]:
    """Collect the means of a factor at every level of another one.

    Parameters
    ----------
    result : Analysis
    factor, by : str
        `by` runs along the x axis.

    Returns
    -------
    dict of str to list of Point
        By level of `factor`, in the order of the x axis.

    Raises
    ------
    InputError
        Where factor and by are the same.
    NotEstimable
        Where the factor was not fitted or has no unit to be judged by.
    """
    if factor == by:
        raise InputError(f"'{factor}' cannot be drawn along itself. Name two factors.")
    found: dict[str, list[Point]] = {}
    for level, x, _ in levels_along(result, by):
        for mean in level_means(result, factor, along=by, at=level):
            found.setdefault(mean.level, []).append(Point(x, mean))
    return found


def plot_hold(result: Analysis, *, texts: Texts | None = None, ax: Axes | None = None) -> Axes:
    """Draw the response along the holds, one line per level of the factor that carries colour.

    Parameters
    ----------
    result : Analysis
        Of a trial with a hold.
    texts : Texts, optional
    ax : Axes or None
        None makes a new figure in the style of the house.

    Returns
    -------
    Axes

    Raises
    ------
    InputError
        Where the trial has no hold, or nothing beside it.

    Examples
    --------
    >>> from doughlab.notebook import analyse_demo
    >>> result = analyse_demo("ph")
    >>> ax = plot_hold(result)
    >>> ax.get_xlabel()
    'hold'
    """
    hold = result.settings.hold
    if hold is None:
        raise InputError("This trial has no hold: no factor is set per ball in hours.")
    return plot_interaction(result, other_factor(result, hold.name), hold.name, texts=texts, ax=ax)


def other_factor(result: Analysis, by: str) -> str:
    """Choose the factor whose levels become lines: the one that carries colour, else another.

    Raises
    ------
    InputError
        Where there is none beside `by`.
    """
    names = [build_looks(result.settings).factor, *result.settings.factors]
    for name in names:
        if name != by and result.model.is_judged(name):
            return name
    raise InputError(f"Only '{by}' was varied: there is nothing to draw along it.")


def plot_interaction(
    result: Analysis, factor: str, by: str, *, texts: Texts | None = None, ax: Axes | None = None
) -> Axes:
    """Draw the means of a factor along another one, with 95 % ranges and raw balls.

    Parameters
    ----------
    result : Analysis
    factor : str
        Its levels become lines.
    by : str
        Runs along the x axis.
    texts : Texts, optional
    ax : Axes or None
        None makes a new figure in the style of the house.

    Returns
    -------
    Axes
        Response along y; the window as a pale band.

    Raises
    ------
    UnknownName
        For a factor that the trial does not have.
    InputError
        Where factor and by are the same.
    NotEstimable
        Where the factor was not fitted or has no unit to be judged by.

    Examples
    --------
    >>> from doughlab.notebook import analyse_demo
    >>> result = analyse_demo("ph")
    >>> ax = plot_interaction(result, "water", "hold")
    >>> ax.get_xlabel()
    'hold'
    """
    texts = texts or Texts()
    lines = cell_points(result, factor, by)
    if ax is not None:
        return _draw(ax, result, lines, factor, by, texts)
    ax = new_axes(HEIGHT_IN, left_in=LEFT_IN)
    with use_style():
        box = ax.get_position()
        longest = max(len(points[0].mean.words) for points in lines.values())
        right = min(RIGHT_MOST_IN, 0.32 + LETTER_IN * longest)
        width = (FIGURE_WIDTH_IN - LEFT_IN - right) / FIGURE_WIDTH_IN
        top = 0.28 / HEIGHT_IN
        ax.set_position((box.x0, box.y0, width, box.height - top))
        return _draw(ax, result, lines, factor, by, texts)


def _draw(
    ax: Axes,
    result: Analysis,
    lines: dict[str, list[Point]],
    factor: str,
    by: str,
    texts: Texts,
) -> Axes:
    looks = build_looks(result.settings)
    styles = line_looks(looks, factor, list(lines))
    places = levels_along(result, by)
    step = min((b[1] - a[1] for a, b in pairwise(places)), default=1.0)
    for band in window_bands(result, texts):
        ax.axhspan(band.low, band.high, color=WINDOW_BAND, lw=0, zorder=0)
        for end in (band.low, band.high):
            ax.axhline(end, color=CRUST, lw=0.9, dashes=(1, 2), zorder=1)
        ax.text(1.0, band.high, band.words, transform=ax.get_yaxis_transform(), ha="right",
                va="bottom", color=SOFT_INK, fontsize=9.5)  # fmt: skip
    dodge = min(0.17, 0.5 / max(1, len(lines) - 1)) * step
    ends = []
    for i, (level, points) in enumerate(lines.items()):
        shift = (i - (len(lines) - 1) / 2) * dodge
        _draw_line(ax, points, styles[level], shift, 0.22 * dodge)
        ends.append((points[-1].mean.estimate, points[-1].mean.words, styles[level]))
    ax.set_xticks([x for _, x, _ in places], [words for _, _, words in places])
    ax.set_xlim(places[0][1] - 0.45 * step, places[-1][1] + 0.45 * step)
    ax.set_xlabel(result.settings.factor(by).words)
    box = ax.get_position()
    ax.text(-box.x0 / box.width + 0.015, 1.03, axis_words(result.response),
            transform=ax.transAxes, ha="left", va="bottom")  # fmt: skip
    ax.tick_params(axis="x", color=HAIR)
    label_ends(ax, ends)
    return ax


def line_looks(looks: Looks, factor: str, levels: Sequence[str]) -> dict[str, Look]:
    """Give each line its look: colours for the colour factor, markers and dashes for others.

    Examples
    --------
    >>> two = line_looks(Looks(), "hold", ["24", "48"])
    >>> two["24"].marker != two["48"].marker
    True
    """
    from doughlab.report.style import LEVEL_DASHES, LEVEL_MARKERS

    if factor == looks.factor:
        return {level: looks.of(factor, level) for level in levels}
    n = len(LEVEL_MARKERS)
    return {
        level: Look(INK, LEVEL_MARKERS[i % n], LEVEL_DASHES[i % n])
        for i, level in enumerate(levels)
    }


def _draw_line(ax: Axes, points: Sequence[Point], look: Look, shift: float, beside: float) -> None:
    xs = [p.x + shift for p in points]
    ys = [p.mean.estimate for p in points]
    dashes = look.dashes or (None, None)
    ax.plot(xs, ys, color=look.colour, lw=1.2, dashes=dashes, zorder=4, gid="line")
    for p, x in zip(points, xs, strict=True):
        ax.plot([x, x], [p.mean.low, p.mean.high], color=look.colour, lw=2.6,
                solid_capstyle="butt", zorder=5, gid="range")  # fmt: skip
        values = sorted(float(v) for v in p.mean.balls["y"])
        across = [x + beside * (1.0 + 0.9 * (i % 3)) for i in range(len(values))]
        ax.plot(across, values, ls="", marker=look.marker, ms=3.2, mfc="none", mec=look.colour,
                mew=0.65, zorder=3, gid="balls")  # fmt: skip
    ax.plot(xs, ys, ls="", marker=look.marker, ms=7, mfc=look.colour, mec=PAPER, mew=0.9,
            zorder=6, gid="mean")  # fmt: skip


def label_ends(ax: Axes, ends: Sequence[tuple[float, str, Look]]) -> None:
    """Name each line at its right end; labels that would touch are moved apart.

    Parameters
    ----------
    ax : Axes
        With its limits set.
    ends : sequence of (float, str, Look)
        Height in data, words and look of each line.
    """
    low, high = ax.get_ylim()
    placed = spread_apart([(y - low) / (high - low) for y, _, _ in ends], LINE_GAP)
    for height, (_, words, look) in zip(placed, ends, strict=True):
        ax.plot([1.03], [height], transform=ax.transAxes, clip_on=False, ls="",
                marker=look.marker, ms=6, mfc=look.colour, mec=PAPER, mew=0.6)  # fmt: skip
        ax.text(1.06, height, words, transform=ax.transAxes, va="center", ha="left",
                fontweight="bold", clip_on=False)  # fmt: skip


def spread_apart(heights: Sequence[float], gap: float) -> list[float]:
    """Move heights apart until no two are nearer than a gap; their order stays.

    Parameters
    ----------
    heights : sequence of float, shape (k,)
    gap : float
        Above 0.

    Returns
    -------
    list of float, shape (k,)

    Examples
    --------
    >>> [round(h, 2) for h in spread_apart([0.5, 0.52, 0.9], 0.1)]
    [0.46, 0.56, 0.9]
    """
    order = sorted(range(len(heights)), key=lambda i: heights[i])
    groups: list[list[float]] = []  # [middle, count]
    for i in order:
        groups.append([heights[i], 1])
        while len(groups) > 1:
            (a, m), (b, n) = groups[-2], groups[-1]
            if b - a >= gap * (m + n) / 2 - 1e-12:
                break
            groups[-2:] = [[(a * m + b * n) / (m + n), m + n]]
    placed = [
        middle + (j - (count - 1) / 2) * gap for middle, count in groups for j in range(int(count))
    ]
    out = [0.0] * len(heights)
    for i, height in zip(order, placed, strict=True):
        out[i] = height
    return out
