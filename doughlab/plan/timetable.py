"""Timetable: what happens when, day by day, as tables of 80 columns.

`doughlab plan --calendar` prints it and the picture of the week draws it, from the dated rows of a
plan and the minutes of its steps. When things happen is decided by `calendar` or `dates`.
"""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from doughlab.plan.work import is_scored, list_times

if TYPE_CHECKING:
    from doughlab.formula.formula import Formula
    from doughlab.plan.plan import Plan

WIDTH, INDENT = 80, 9
UNSAID = ("rest", "bulk", "divide", "cool")  # nobody is called for these by the clock


@dataclass(frozen=True)
class Entry:
    """One step of one batch or ball.

    Attributes
    ----------
    step, item : str
    start, end : datetime
        In the time zone of the trial.
    hands_min : float
        Minutes of hands from its start.
    place : str
    """

    step: str
    item: str
    start: datetime
    end: datetime
    hands_min: float = 0.0
    place: str = ""

    @property
    def words(self) -> str:
        """What a cook calls the step."""
        return self.step.replace("_", " ")


def list_timetable(plan: Plan, *, formula: Formula | None = None) -> tuple[Entry, ...]:
    """List every step of a plan with its start and end.

    Parameters
    ----------
    plan : Plan
        With dates.
    formula : Formula, optional
        Gives the steps of the dough between mixing and balling.

    Returns
    -------
    tuple of Entry
        In time order: the rows of the plan, and what follows from them (the steps between
        mixing and the cooler, tasting).
    """
    times, zone = list_times(plan.settings, formula), ZoneInfo(plan.settings.timezone)

    def entry(step: str, item: str, at: datetime, after: float, minutes: float, hands: float,
              place: str = "") -> Entry:  # fmt: skip
        start = at.astimezone(UTC) + timedelta(minutes=after)
        end = start + timedelta(minutes=minutes)
        return Entry(step, item, start.astimezone(zone), end.astimezone(zone), hands, place)

    out = []
    for row in plan.schedule:
        step, item, at = row["step"], row["item"], row["due_at"]
        if step == "mix":
            out += [entry(s.step, item, at, s.start, s.minutes, s.hands_min) for s in times.batch]
        elif step in times.use:
            minutes, hands = times.use[step]
            minutes = times.warm_min if step == "take_out" else minutes
            out.append(entry(step, item, at, 0.0, minutes, hands, row["place"] or ""))
            if step == "bake" and is_scored(plan.settings):
                out.append(entry("score", item, at, minutes, *times.use["score"]))
    return tuple(sorted(out, key=lambda e: (e.start, e.item)))


def day_tables(plan: Plan, *, formula: Formula | None = None) -> list[str]:
    """Write a table for every date on which somebody works.

    Parameters
    ----------
    plan : Plan
    formula : Formula, optional

    Returns
    -------
    list of str
        Lines of at most 80 characters.
    """
    lines: list[str] = []
    for on, own in _by_date(plan, formula).items():
        lines += ["", *_head(plan, on, own)] if lines else _head(plan, on, own)
        together: dict[tuple[datetime, str], list[str]] = {}
        for e in own:
            together.setdefault((e.start, e.words), []).append(e.item)
        for (at, words), items in together.items():
            head = f"  {at:%H:%M}  "
            text = f"{words:<11}{', '.join(items)}"
            lines += textwrap.wrap(text, WIDTH, initial_indent=head,
                                   subsequent_indent=" " * (INDENT + 11),
                                   break_on_hyphens=False)  # fmt: skip
    return lines


def week_lines(plan: Plan, *, formula: Formula | None = None, most: int = 18) -> list[str]:
    """Write one line for every date on which somebody works: its hours, mixes and sessions.

    Parameters
    ----------
    plan : Plan
        With dates.
    formula : Formula, optional
    most : int
        Lines of days at most; whole days are left out behind them, and counted.

    Returns
    -------
    list of str
        A head and a line for each day (two where it has two sessions), of at most 80 characters.
    """
    head = ("", "hours", "mix", "read and bake", "hands")
    days = {on: _day_rows(plan, on, own) for on, own in _by_date(plan, formula).items()}
    room = most if sum(map(len, days.values())) <= most else most - 1
    shown: list[tuple[str, ...]] = []
    left = list(days)
    while left and (not shown or len(shown) + len(days[left[0]]) <= room):
        shown += days[left.pop(0)]
    wide = [max(len(row[i]) for row in (head, *shown)) for i in range(4)]
    wide[3] = min(wide[3], WIDTH - 15 - sum(wide[:3]))
    lines = []
    for row in (head, *shown):
        cells = [f"{_short(c, w):<{w}}" for c, w in zip(row, wide, strict=False)]
        lines.append("  " + "  ".join([*cells, f"{row[4]:>5}"]).rstrip())
    if left:
        more = f"{len(left)} more working day{'s' if len(left) > 1 else ''}"
        lines.append(f"  and {more}, the last {left[-1]:%a %Y-%m-%d}")
    return lines


def _by_date(plan: Plan, formula: Formula | None) -> dict[date, list[Entry]]:
    days: dict[date, list[Entry]] = {}
    for e in list_timetable(plan, formula=formula):
        if e.step not in UNSAID:
            days.setdefault(e.start.date(), []).append(e)
    return days


def _day_rows(plan: Plan, on: date, own: Sequence[Entry]) -> list[tuple[str, ...]]:
    """Give the cells of one date: a row, and one more for each further session."""
    last = max(e.end if e.end.date() == on else e.start for e in own)
    hours = f"{own[0].start:%H:%M}-{last:%H:%M}"
    mixed = _span_words([e.item for e in own if e.step == "mix"])
    cells = [f"begin {_span_words([e.item for e in own if e.step == 'preferment'])}"]
    cells = cells if any(e.step == "preferment" for e in own) else []
    session = {b["ball_id"]: b["session"] for b in plan.balls}
    uses = [e for e in own if e.step in {"read", "bake"}]
    for said in _sessions(plan, {e.item for e in uses}):
        name, _, holds = said.partition(": ")
        kinds = Counter(e.step for e in uses if session[e.item] == name)
        counts = ", ".join(f"{step} {kinds[step]}" for step in ("read", "bake") if kinds[step])
        held = f" {holds.replace(' h and ', '+')}" if holds else ""
        cells.append(f"{name}{held}: {counts}")
    hands = f"{sum(e.hands_min for e in own) / 60:.1f} h"
    first, *rest = cells or [""]
    day = (f"{on:%a %Y-%m-%d}", hours, mixed, first, hands)
    return [day, *(("", "", "", cell, "") for cell in rest)]


def _span_words(ids: Sequence[str]) -> str:
    """Write batches in a row as a span."""
    if len(ids) < 3:
        return ", ".join(ids)
    return f"{ids[0]} to {ids[-1]}"


def _short(text: str, width: int) -> str:
    return text if len(text) <= width else text[: width - 2] + ".."


def _head(plan: Plan, on: date, own: Sequence[Entry]) -> list[str]:
    """Write the line over a day: what is mixed, which sessions, how many hours of hands."""
    block = {b["batch_id"]: b["block"] for b in plan.batches}
    mixed = list(dict.fromkeys(block[e.item] for e in own if e.step == "mix"))
    parts = [f"mixing day {', '.join(mixed)}"] if mixed else []
    parts += list(_sessions(plan, {e.item for e in own if e.step in {"read", "bake"}}))
    hands = sum(e.hands_min for e in own) / 60
    parts.append(f"{hands:.1f} h of hands")
    return textwrap.wrap(f"{on:%a %Y-%m-%d}  {'; '.join(parts)}", WIDTH, subsequent_indent="  ")


def _sessions(plan: Plan, used: set[str]) -> Iterable[str]:
    hold = plan.settings.hold
    served: dict[str, set[float]] = {}
    for ball in plan.balls:
        if ball["ball_id"] in used:
            holds = served.setdefault(ball["session"], set())
            if hold is not None:
                holds.add(ball[hold.column])
    for session, holds in sorted(served.items()):
        words = " and ".join(f"{h:g} h" for h in sorted(holds))
        yield f"{session}: {words}" if words else session
