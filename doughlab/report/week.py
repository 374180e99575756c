"""The picture of the week: every working day of a plan as a row of hours.

`doughlab plan --calendar --keep` and notebooks call `picture_week`; `course` draws the plan by
dates alone. Times are taken from the timetable as they stand.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

from doughlab.report.picture import Picture
from doughlab.report.strips import new_axes
from doughlab.report.style import CRUST, HAIR, INK, MARGIN_BAND, PAPER, SOFT_INK, use_style
from doughlab.report.text import Texts

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from doughlab.formula.formula import Formula
    from doughlab.plan.plan import Plan
    from doughlab.plan.timetable import Entry

ROW_IN, HEAD_IN, LEFT_IN, FOOT_IN = 0.5, 0.12, 0.72, 0.62
MIX_Y, USE_Y = 0.22, -0.2


def plot_week(
    plan: Plan,
    *,
    formula: Formula | None = None,
    texts: Texts | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw every date of a plan as a row: mixes as bars above, uses as rings below.

    Parameters
    ----------
    plan : Plan
        With dates.
    formula : Formula, optional
        Says how long mixing lasts.
    texts : Texts, optional
    ax : Axes or None
        None makes a new figure.

    Returns
    -------
    Axes
        x counts hours of the day; the first date is on top. A thin line leads from taking out to
        use; the holds of a day stand at the right.

    Examples
    --------
    >>> from doughlab.notebook import open_demo
    >>> plan = open_demo().frozen_plan
    >>> ax = plot_week(plan)
    >>> ax.get_xlabel()
    'hour of the day, from 2026-03-03; bars mix, rings read and bake'
    """
    days = week_days(plan, formula)
    if ax is not None:
        return _draw(ax, plan, days, texts or Texts())
    height = HEAD_IN + ROW_IN * max(len(days), 1) + FOOT_IN
    ax = new_axes(height, left_in=LEFT_IN, foot_in=FOOT_IN)
    with use_style():
        return _draw(ax, plan, days, texts or Texts())


def week_days(plan: Plan, formula: Formula | None = None) -> dict[date, list[Entry]]:
    """List the dates of a plan, first to last, each with what is done on it.

    Raises
    ------
    InputError
        Where the plan has no dates.
    """
    from doughlab.errors import InputError
    from doughlab.plan.timetable import list_timetable

    entries = list_timetable(plan, formula=formula)
    if not entries:
        raise InputError("This plan has no dates. Set start_on in [blocks] before keeping it.")
    first = min(e.start.date() for e in entries)
    last = max(e.start.date() for e in entries)
    days: dict[date, list[Entry]] = {
        first + timedelta(days=i): [] for i in range((last - first).days + 1)
    }
    for e in entries:
        days[e.start.date()].append(e)
    return days


def _hour(at: datetime, on: date) -> float:
    return (at.date() - on).days * 24 + at.hour + at.minute / 60


def _draw(ax: Axes, plan: Plan, days: Mapping[date, Sequence[Entry]], texts: Texts) -> Axes:
    low, high = _hours(days)
    for row, (on, entries) in enumerate(days.items()):
        y = -float(row)
        ax.axhline(y - 0.5, color=HAIR, lw=0.6, zorder=0)
        if not entries:
            ax.axhspan(y - 0.5, y + 0.5, color=MARGIN_BAND, lw=0, zorder=0)
        _draw_day(ax, plan, on, entries, y)
        holds = _holds(plan, entries)
        if holds:
            ax.text(high + 0.15, y + USE_Y, holds, va="center", fontsize=9.5, color=CRUST)
        blocks = _blocks(plan, entries)
        if blocks:
            ax.text(high + 0.15, y + MIX_Y, blocks, va="center", fontsize=9.5)
    names = [f"{texts.weekday(on)} {on.day:02d}" for on in days]
    ax.set_yticks([-float(r) for r in range(len(days))], names)
    ax.set_ylim(-len(days) + 0.5, 0.5)
    ax.set_xlim(low, high + 0.24 * (high - low))
    step = 2 if high - low <= 16 else 4
    ax.set_xticks(list(range(low, high + 1, step)))
    ax.spines["bottom"].set_bounds(low, high)
    ax.set_xlabel(texts.say("axis_week", first=f"{min(days):%Y-%m-%d}"))
    return ax


def _draw_day(ax: Axes, plan: Plan, on: date, entries: Sequence[Entry], y: float) -> None:
    mixes = [e for e in entries if e.step in {"mix", "second_mix"}]
    ax.barh([y + MIX_Y] * len(mixes), [_hour(e.end, on) - _hour(e.start, on) for e in mixes],
            left=[_hour(e.start, on) for e in mixes], height=0.26, color=INK, edgecolor=PAPER,
            linewidth=0.8, gid="mix")  # fmt: skip
    out = {e.item: e for e in entries if e.step == "take_out"}
    if out:
        starts = [_hour(e.start, on) for e in out.values()]
        ax.hlines([y + USE_Y] * len(out), starts, [_hour(e.end, on) for e in out.values()],
                  color=SOFT_INK, lw=0.8, zorder=1, gid="warm")  # fmt: skip
    uses = sorted({_hour(e.start, on) for e in entries if e.step in {"read", "bake"}})
    if uses:
        ax.plot(uses, [y + USE_Y] * len(uses), ls="", marker="o", ms=5.5, mfc=PAPER, mec=CRUST,
                mew=1.1, zorder=3, gid="use")  # fmt: skip


def _hours(days: Mapping[date, Sequence[Entry]]) -> tuple[int, int]:
    starts = [_hour(e.start, on) for on, own in days.items() for e in own]
    ends = [_hour(e.end, on) for on, own in days.items() for e in own
            if e.step not in {"bulk", "rest", "preferment"}]  # fmt: skip
    return int(min(starts)), min(max(int(max(ends)) + 1, int(min(starts)) + 2), 36)


def _holds(plan: Plan, entries: Sequence[Entry]) -> str:
    hold = plan.settings.hold
    if hold is None:
        return ""
    used = {e.item for e in entries if e.step in {"read", "bake"}}
    found = {b[hold.column] for b in plan.balls if b["ball_id"] in used}
    return ", ".join(f"{h:g}" for h in sorted(found)) + " h" if found else ""


def _blocks(plan: Plan, entries: Sequence[Entry]) -> str:
    block = {b["batch_id"]: b["block"] for b in plan.batches}
    return ", ".join(dict.fromkeys(block[e.item] for e in entries if e.step == "mix"))


def picture_week(
    plan: Plan, *, formula: Formula | None = None, texts: Texts | None = None
) -> Picture:
    """Picture the week of a plan.

    Parameters
    ----------
    plan : Plan
        With dates.
    formula : Formula, optional
    texts : Texts, optional
        English without it.

    Returns
    -------
    Picture
        Its text names every working day with its first and last step, what is mixed and which
        holds are used.

    Raises
    ------
    InputError
        Where the plan has no dates.
    TypeError
        For an Axes that stands in no figure.

    Examples
    --------
    >>> from doughlab.notebook import open_demo
    >>> plan = open_demo().frozen_plan
    >>> picture_week(plan).alt[:25]
    'The week of the plan. Tu '
    """
    from matplotlib.figure import Figure

    texts = texts or Texts()
    days = week_days(plan, formula)
    rows = []
    for on, entries in days.items():
        if entries:
            mixed, holds = _blocks(plan, entries), _holds(plan, entries)
            what = ", ".join(p for p in (
                texts.say("alt_week_mixes", batches=mixed) if mixed else "",
                texts.say("alt_week_uses", holds=holds) if holds else "") if p)  # fmt: skip
            first, last = min(e.start for e in entries), max(e.end for e in entries)
            hours = texts.say("from_to", low=f"{first:%H:%M}", high=f"{last:%H:%M}")
            rows.append(f"{texts.weekday(on)} {on:%Y-%m-%d} {hours} {what}".rstrip())
    alt = texts.say("alt_week", rows="; ".join(rows))
    worked = sum(bool(entries) for entries in days.values())
    several = sum("," in _holds(plan, entries) for entries in days.values())
    caption = texts.say("caption_week", days=worked, span=len(days), several=several)
    figure = plot_week(plan, formula=formula, texts=texts).get_figure(root=True)
    if not isinstance(figure, Figure):
        raise TypeError("an Axes outside a figure cannot become a picture")
    return Picture(figure, alt, caption)
