"""Strips: the chart form of the house, one strip per level or difference.

`figures` fills the strips from results; drawing is done here and nowhere else.
Words are left to the caller; nothing is calculated but places on the paper.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from doughlab.report.style import (
    CRUST,
    FIGURE_WIDTH_IN,
    HAIR,
    INK,
    MARGIN_BAND,
    PAPER,
    PLAIN,
    SOFT_INK,
    WINDOW_BAND,
    Look,
    use_style,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

HEAD_IN = 0.30
WORDS_IN = 0.22
BAR_IN = 0.20
STROKES_IN = 0.17
LANES_IN = 0.24
GAP_IN = 0.14
FOOT_IN = 0.55
SIDE_IN = 0.08
LANES = 3
LETTER_IN, BOLD_LETTER_IN = 0.055, 0.069  # mean widths of the house letters, rounded up


@dataclass(frozen=True)
class Mark:
    """One raw ball: where it lies and how it looks."""

    value: float
    look: Look = PLAIN


@dataclass(frozen=True)
class Strip:
    """One level or one difference: words above, then its range, batch means and balls.

    Attributes
    ----------
    label, words : str
        What stands left (bold) and right above the strip.
    look : Look
        Colour and marker of the estimate.
    estimate, low, high : float or None
        Estimate with both ends of its range; None where it could not be estimated.
    batches : tuple of float
        Batch means, drawn as upright strokes.
    balls : tuple of Mark
        Raw balls, drawn as small open marks.
    """

    label: str
    words: str = ""
    look: Look = PLAIN
    estimate: float | None = None
    low: float | None = None
    high: float | None = None
    batches: tuple[float, ...] = ()
    balls: tuple[Mark, ...] = ()

    @property
    def crowded(self) -> bool:
        """Whether label and words would touch on one line; the words then stand under it."""
        room = FIGURE_WIDTH_IN - 2 * SIDE_IN
        return BOLD_LETTER_IN * len(self.label) + LETTER_IN * len(self.words) > room

    @property
    def words_in(self) -> float:
        """Height of the words above the strip, in inches."""
        return WORDS_IN * (2 if self.crowded else 1)

    @property
    def height_in(self) -> float:
        """Height on the paper, in inches."""
        height = self.words_in + BAR_IN + GAP_IN
        height += STROKES_IN if self.batches else 0
        return height + (LANES_IN if self.balls else 0)


@dataclass(frozen=True)
class Band:
    """A pale band across all strips: the window or the margin.

    `kind` is "window" (warm, dotted ends) or "margin" (grey, with a line in its middle).
    """

    low: float
    high: float
    kind: str
    words: str = ""


def _new_figure(size_in: tuple[float, float]) -> Figure:
    """Make a figure; inside a notebook kernel one that pyplot shows and closes by itself."""
    if "ipykernel" in sys.modules:
        import matplotlib.pyplot as plt

        if plt.isinteractive():
            return plt.figure(figsize=size_in)
    from matplotlib.figure import Figure as PlainFigure

    return PlainFigure(figsize=size_in)


def new_axes(height_in: float, *, left_in: float = SIDE_IN, foot_in: float = FOOT_IN) -> Axes:
    """Make an Axes on a figure of its own, in the style of the house.

    Parameters
    ----------
    height_in : float
        Height of the figure in inches.
    left_in, foot_in : float
        Room for words left of and under the Axes, in inches.

    Returns
    -------
    Axes
        In a notebook cell its figure is shown when the cell ends; elsewhere it is not known to
        pyplot, so nothing has to be closed.
    """
    with use_style():
        figure = _new_figure((FIGURE_WIDTH_IN, height_in))
        width = FIGURE_WIDTH_IN - left_in - SIDE_IN
        return figure.add_axes(
            (
                left_in / FIGURE_WIDTH_IN,
                foot_in / height_in,
                width / FIGURE_WIDTH_IN,
                (height_in - foot_in - SIDE_IN / 2) / height_in,
            )
        )


def draw_strips(
    strips: Sequence[Strip], *, bands: Sequence[Band] = (), head: str = "", ax: Axes | None = None
) -> Axes:
    """Draw strips below each other on one axis of values.

    Parameters
    ----------
    strips : sequence of Strip, shape (k,)
    bands : sequence of Band
    head : str
        What the numbers at the right are, such as "mean (95 % range)".
    ax : Axes or None
        None makes a new figure.

    Returns
    -------
    Axes
        The x axis carries the values; its label is left to the caller.
    """
    total = HEAD_IN + sum(s.height_in for s in strips)
    if ax is None:
        ax = new_axes(total + FOOT_IN + SIDE_IN / 2)
        with use_style():
            return _draw(ax, strips, bands, head, total)
    return _draw(ax, strips, bands, head, total)


def _draw(
    ax: Axes, strips: Sequence[Strip], bands: Sequence[Band], head: str, total: float
) -> Axes:
    ax.set_yticks([])
    ax.set_ylim(-total, 0)
    ax.spines["left"].set_visible(False)
    ax.margins(x=0.03)
    _text(ax, 1.0, -0.11, head, ha="right", color=SOFT_INK, fontsize=9.5)
    words = "; ".join(band.words for band in bands if band.words)
    _text(ax, 0.0, -0.11, words, ha="left", color=SOFT_INK, fontsize=9.5)
    top = -HEAD_IN
    for strip in strips:
        for band in bands:
            _draw_band(ax, band, top - strip.words_in, top - strip.height_in + GAP_IN / 2)
        _draw_strip(ax, strip, top)
        top -= strip.height_in
    _tidy_ticks(ax)
    return ax


def _text(ax: Axes, x: float, y: float, text: str, **how: object) -> None:
    if text:
        ax.text(x, y, text, va="center", transform=ax.get_yaxis_transform(), **how)  # type: ignore[arg-type]


def _draw_band(ax: Axes, band: Band, top: float, bottom: float) -> None:
    """Draw a band behind one strip only, so that no line runs through words."""
    window = band.kind == "window"
    colour = WINDOW_BAND if window else MARGIN_BAND
    ax.fill_betweenx([bottom, top], band.low, band.high, color=colour, lw=0, zorder=0)
    dashes = (1, 2) if window else (4, 3)
    edge = CRUST if window else SOFT_INK
    for end in (band.low, band.high):
        ax.plot([end, end], [bottom, top], color=edge, lw=0.8, dashes=dashes, zorder=1, gid="band")
    if not window:
        middle = (band.low + band.high) / 2
        ax.plot([middle, middle], [bottom, top], color=SOFT_INK, lw=0.8, zorder=1, gid="zero")


def _draw_strip(ax: Axes, strip: Strip, top: float) -> None:
    line = top - WORDS_IN / 2
    _text(ax, 0.0, line, strip.label, ha="left", fontweight="bold", color=INK)
    line -= WORDS_IN if strip.crowded else 0
    _text(ax, 1.0, line, strip.words, ha="right", color=INK)
    place = top - strip.words_in - BAR_IN / 2
    if strip.estimate is not None:
        if strip.low is not None and strip.high is not None:
            ax.plot(
                [strip.low, strip.high], [place, place],
                color=strip.look.colour, lw=2.6, solid_capstyle="butt", zorder=5, gid="range",
            )  # fmt: skip
        ax.plot(
            [strip.estimate], [place],
            ls="", marker=strip.look.marker, ms=7.5, mfc=strip.look.colour, mec=PAPER, mew=0.9,
            zorder=6, gid="mean",
        )  # fmt: skip
    place -= BAR_IN / 2
    if strip.batches:
        ax.plot(
            strip.batches, [place - STROKES_IN / 2] * len(strip.batches),
            ls="", marker="|", ms=8.5, mec=strip.look.colour, mew=1.3, zorder=4, gid="batches",
        )  # fmt: skip
        place -= STROKES_IN
    _draw_balls(ax, strip.balls, place)


def _draw_balls(ax: Axes, balls: Sequence[Mark], top: float) -> None:
    """Draw small open marks in a few lanes, so that near values stay apart."""
    step = LANES_IN / LANES
    ordered = sorted(enumerate(balls), key=lambda pair: (pair[1].value, pair[0]))
    groups: dict[Look, tuple[list[float], list[float]]] = {}
    for rank, (_, ball) in enumerate(ordered):
        xs, ys = groups.setdefault(ball.look, ([], []))
        xs.append(ball.value)
        ys.append(top - step * (0.5 + rank % LANES))
    for look, (xs, ys) in groups.items():
        ax.plot(
            xs, ys,
            ls="", marker=look.marker, ms=3.8, mfc="none", mec=look.colour, mew=0.75,
            zorder=3, gid="balls",
        )  # fmt: skip


def _tidy_ticks(ax: Axes) -> None:
    from matplotlib.ticker import MaxNLocator

    ax.xaxis.set_major_locator(MaxNLocator(nbins=6, steps=[1, 2, 5, 10], min_n_ticks=3))
    ax.spines["bottom"].set_color(INK)
    ax.tick_params(axis="x", color=HAIR)
