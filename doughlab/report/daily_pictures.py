"""Pictures of every day: lots against window and limits, cooler and room below them.

Notebooks call these with the standing of the daily room. Calls and limits stand there; nothing is
calculated here but places on the paper.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any

from doughlab.errors import MissingRecords
from doughlab.report.blocks import typeset
from doughlab.report.picture import Picture
from doughlab.report.strips import new_axes
from doughlab.report.style import (
    CRUST,
    FIGURE_WIDTH_IN,
    INK,
    PAPER,
    SOFT_INK,
    WINDOW_BAND,
    use_style,
)
from doughlab.report.text import Texts
from doughlab.units import format_quantity

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from doughlab.daily.recipe import Recipe
    from doughlab.daily.standing import Point, Standing

HEIGHT_IN, BELOW_IN = 3.2, 1.7
LEFT_IN, RIGHT_IN, FOOT_IN, TOP_IN = 0.62, 0.25, 0.5, 0.28
TICKS = 6  # dates named at most


def plot_daily(
    recipe: Recipe, standing: Standing, *, texts: Texts | None = None, ax: Axes | None = None
) -> Axes:
    """Draw the lots at the checkpoint: balls, lots, window, limits, and where a chart called.

    Parameters
    ----------
    recipe : Recipe
    standing : Standing
        With one point or more.
    texts : Texts, optional
    ax : Axes or None
        None makes a new figure in the style of the house.

    Returns
    -------
    Axes
        pH set to the checkpoint against the day.

    Raises
    ------
    MissingRecords
        Where no lot was read near the checkpoint.

    Examples
    --------
    >>> recipe, standing = example_standing()
    >>> plot_daily(recipe, standing).get_ylabel()
    'pH at 48 h'
    """
    texts, points = texts or Texts(), _some(standing)
    ax = ax if ax is not None else new_axes(HEIGHT_IN, left_in=LEFT_IN)
    days = _days(points)
    lots = [lot_ph(recipe, p) for p in points]
    limits = standing.chart.limits
    ax.axhspan(recipe.low, recipe.high, color=WINDOW_BAND, zorder=0, gid="window")
    for value, style in ((limits.centre, "-"), (limits.low, "--"), (limits.high, "--")):
        ax.axhline(recipe.expected + value, color=SOFT_INK, lw=0.9, ls=style, zorder=1, gid="limit")
    balls = [(d, lot + (b - p.ph)) for d, lot, p in zip(days, lots, points, strict=True)
             for b in p.balls]  # fmt: skip
    ax.plot([b[0] for b in balls], [b[1] for b in balls], ls="", marker="o", ms=3.5, mfc="none",
            mec=SOFT_INK, mew=0.7, zorder=2, gid="balls")  # fmt: skip
    ax.plot(days, lots, color=INK, lw=0.9, marker="o", ms=4.5, mfc=INK, mec=PAPER, mew=0.6,
            zorder=3, gid="lots")  # fmt: skip
    called = [i for i in standing.calls if i < len(points)]
    ax.plot([days[i] for i in called], [lots[i] for i in called], ls="", marker="D", ms=10,
            mfc="none", mec=CRUST, mew=1.5, zorder=4, clip_on=False, gid="calls")  # fmt: skip
    _name_lines(ax, recipe, standing, texts)
    _date_axis(ax, points)
    ax.set_ylabel(texts.say("axis_daily", hold=f"{recipe.hold_h:g} h"))
    return ax


def plot_daily_temperatures(
    standing: Standing, *, show: str = "", texts: Texts | None = None, ax: Axes | None = None
) -> Axes:
    """Draw cooler and room as they were written down with the readings.

    Parameters
    ----------
    standing : Standing
        With one point or more.
    show : str
        Unit of temperature, "C" or "F".
    texts : Texts, optional
    ax : Axes or None

    Returns
    -------
    Axes
        Room with squares and a broken line, cooler with rounds; neither where nothing is recorded.

    Raises
    ------
    MissingRecords
        Where no lot was read near the checkpoint.

    Examples
    --------
    >>> _, standing = example_standing()
    >>> plot_daily_temperatures(standing).get_ylabel()
    'read at, °C'
    """
    from matplotlib.ticker import MaxNLocator

    texts, points = texts or Texts(), _some(standing)
    ax = ax if ax is not None else new_axes(BELOW_IN, left_in=LEFT_IN)
    for name, marker, style in (("room", "s", "--"), ("cooler", "o", "-")):
        known = [(d, v) for d, p in zip(_days(points), points, strict=True)
                 if (v := getattr(p, f"{name}_c")) is not None]  # fmt: skip
        if not known:
            continue
        x, y = [k[0] for k in known], [_shown(k[1], show) for k in known]
        ax.plot(x, y, color=SOFT_INK, lw=0.9, ls=style, marker=marker, ms=3.5, mfc=PAPER,
                mec=INK, mew=0.9, gid=name)  # fmt: skip
        ax.annotate(
            texts.say(f"place_{name}"),
            (x[0], y[0]),
            (-4, 5),
            textcoords="offset points",
            fontsize=9.5,
        )
    _date_axis(ax, points)
    ax.yaxis.set_major_locator(MaxNLocator(nbins=5, steps=[1, 2, 5, 10], min_n_ticks=3))
    ax.set_ylabel(texts.say("axis_read", unit="°F" if show == "F" else "°C"))
    return ax


def picture_daily(
    recipe: Recipe, standing: Standing, *, show: str = "", texts: Texts | None = None
) -> Picture:
    """Picture the chart of every day, with cooler and room below it.

    Parameters
    ----------
    recipe : Recipe
    standing : Standing
        With one point or more.
    show : str
        Unit of temperature.
    texts : Texts, optional

    Returns
    -------
    Picture
        Its text names the lots, the window, the limits, every call, the last lots and the ends
        of cooler and room.

    Raises
    ------
    MissingRecords
        Where no lot was read near the checkpoint.

    Examples
    --------
    >>> recipe, standing = example_standing()
    >>> print(picture_daily(recipe, standing).caption.partition(". ")[0])
    Lot 14 calls: beyond three standard deviations
    """
    from matplotlib.figure import Figure

    texts, points = texts or Texts(), _some(standing)
    height = HEIGHT_IN + BELOW_IN
    with use_style():
        figure = Figure(figsize=(FIGURE_WIDTH_IN, height))
        upper, lower = (
            figure.add_axes((LEFT_IN / FIGURE_WIDTH_IN, foot / height,
                             (FIGURE_WIDTH_IN - LEFT_IN - RIGHT_IN) / FIGURE_WIDTH_IN,
                             size / height))
            for foot, size in ((BELOW_IN + FOOT_IN, HEIGHT_IN - FOOT_IN - TOP_IN),
                               (FOOT_IN, BELOW_IN - FOOT_IN - 0.12))
        )  # fmt: skip
        plot_daily(recipe, standing, texts=texts, ax=upper)
        plot_daily_temperatures(standing, show=show, texts=texts, ax=lower)
        lower.set_xlim(upper.get_xlim())
    caption = f"{_caption(standing, points, texts)} {_key(recipe, standing, texts)}"
    alt = daily_alt(recipe, standing, show=show, texts=texts)
    return Picture(figure, typeset(alt), typeset(caption))


def daily_alt(
    recipe: Recipe, standing: Standing, *, show: str = "", texts: Texts | None = None
) -> str:
    """Write what the chart shows, with its numbers.

    Examples
    --------
    >>> daily_alt(*example_standing())[:60]
    '14 lots from 2026-04-01 to 2026-04-14, pH at 48 h; window 5.'
    """
    texts, points = texts or Texts(), _some(standing)
    say = texts.say
    last, (window, limits) = points[-5:], _ends(recipe, standing, texts)
    said = [
        say("alt_daily", lots=len(points), first=f"{points[0].at:%Y-%m-%d}",
            last=f"{points[-1].at:%Y-%m-%d}", hold=f"{recipe.hold_h:g} h",
            window=window, limits=limits, how=standing.chart.limits.how),
        say("alt_daily_last", n=len(last),
            values=", ".join(f"{lot_ph(recipe, p):.2f}" for p in last)),
    ]  # fmt: skip
    called = ", ".join(f"{points[i].at:%Y-%m-%d}" for i in standing.calls)
    said.append(say("alt_daily_called", days=called) if called else say("alt_daily_quiet"))
    for name in ("cooler", "room"):
        known = [v for p in points if (v := getattr(p, f"{name}_c")) is not None]
        if known:
            low, high = (format_quantity(v, "temp_c", show=show) for v in (min(known), max(known)))
            place = say(f"place_{name}")
            said.append(f"{place[0].upper()}{place[1:]} {say('from_to', low=low, high=high)}.")
    return " ".join(said)


def lot_ph(recipe: Recipe, point: Point) -> float:
    """Set a lot's pH to the checkpoint.

    Examples
    --------
    >>> recipe, standing = example_standing()
    >>> round(lot_ph(recipe, standing.points[0]), 2)
    5.57
    """
    return recipe.expected + point.off


def example_standing() -> tuple[Recipe, Standing]:
    """Give a small invented standing whose last lot calls, for doctests and tests.

    Examples
    --------
    >>> len(example_standing()[1].points)
    14
    """
    from doughlab.daily.journals import READINGS, DailyRecords
    from doughlab.daily.recipe import example_recipe
    from doughlab.daily.standing import find_standing

    off = (1, -2, 2, 0, -1, 3, -3, 1, 0, -1, 2, -2, 1, 20)
    recipe, empty = example_recipe(), dict.fromkeys(READINGS.names)
    rows: list[dict[str, Any]] = [
        empty | {"lot": f"L{n}", "at": datetime.fromisoformat(f"2026-04-{n:02d}T12:00+00:00")}
        | {"hold_h": 48.0, "ph": recipe.expected + v / 100, "room_c": 20.0 + n / 10,
           "cooler_c": 3.5}
        for n, v in enumerate(off, start=1)
    ]  # fmt: skip
    return recipe, find_standing(recipe, DailyRecords(readings=rows))


def _some(standing: Standing) -> Sequence[Point]:
    if not standing.points:
        raise MissingRecords("No lot was read near the checkpoint yet, so there is no chart.")
    return standing.points


def _days(points: Sequence[Point]) -> list[float]:
    """Give days since the first lot."""
    return [(p.at - points[0].at).total_seconds() / 86400.0 for p in points]


def _shown(value_c: float, show: str) -> float:
    return value_c * 1.8 + 32.0 if show == "F" else value_c


def _date_axis(ax: Axes, points: Sequence[Point]) -> None:
    """Name some of the days; every lot has its place."""
    days = _days(points)
    step = max(1, -(-len(points) // TICKS))
    chosen = range(0, len(points), step)
    ax.set_xticks([days[i] for i in chosen], [f"{points[i].at:%m-%d}" for i in chosen])
    ax.set_xlim(days[0] - 0.6, days[-1] + 0.6)
    ax.spines["bottom"].set_bounds(days[0], days[-1])


def _name_lines(ax: Axes, recipe: Recipe, standing: Standing, texts: Texts) -> None:
    """Write the names of window and limits at their left end."""
    limits, left = standing.chart.limits, -0.4
    for value in (limits.high, limits.low):
        ax.text(left, recipe.expected + value, texts.say("mark_limit"), va="bottom", fontsize=9.5)
    ax.text(left, recipe.low, texts.say("mark_window"), va="bottom", fontsize=9.5, color=CRUST)


def _ends(recipe: Recipe, standing: Standing, texts: Texts) -> tuple[str, str]:
    """Write the ends of the window and of the chart's limits, at the checkpoint."""
    limits = standing.chart.limits
    pairs = (recipe.low, recipe.high), (recipe.expected + limits.low, recipe.expected + limits.high)
    window, chart = (texts.say("from_to", low=f"{a:.2f}", high=f"{b:.2f}") for a, b in pairs)
    return window, chart


def _key(recipe: Recipe, standing: Standing, texts: Texts) -> str:
    """Say what the marks, the shaded band and the dashed lines are, with their numbers."""
    window, limits = _ends(recipe, standing, texts)
    return texts.say("daily_key", window=window, limits=limits, how=standing.chart.limits.how)


def _caption(standing: Standing, points: Sequence[Point], texts: Texts) -> str:
    """Say the answer: which lot calls, or that none does."""
    if standing.now:
        return texts.say("caption_daily_now", lot=len(points), why="; ".join(standing.now))
    if standing.calls:
        return texts.say("caption_daily_before", n=len(standing.calls))
    return texts.say("caption_daily_quiet")
