"""Calendar: mixing dates staggered so that sessions serve several holds, and due times.

`build_plan` places its days with it. Holds are exact hours, counted in UTC; closed days and
opening hours are kept where they can be, and said where not. Who works when is left out.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from doughlab.errors import PlanError
from doughlab.plan.designs import clock_minutes
from doughlab.sections import WEEKDAYS

if TYPE_CHECKING:
    from doughlab.settings import Settings

UNDATED = date(2001, 1, 1)  # a Monday: days are counted from here while no first day is set
_WIDTH = 4000  # partial calendars kept while searching; small kitchens never reach it


@dataclass(frozen=True)
class Group:
    """What one hold of a mixing day asks of the calendar.

    Attributes
    ----------
    hold_h : float
        Hours from balling to use.
    after : int
        Days from mixing to use.
    half : int
        0 before the middle of the opening hours, 1 after it.
    inside : bool
        Whether every ball is due while the kitchen is open.
    """

    hold_h: float
    after: int
    half: int
    inside: bool


@dataclass(frozen=True)
class Calendar:
    """Mixing dates, and what can be reached with them.

    Attributes
    ----------
    dates : tuple of date
        One for each mixing day, rising.
    groups : tuple of Group
        One for each hold.
    closed : int
        (mixing day, hold) pairs that fall on a closed day.
    """

    dates: tuple[date, ...]
    groups: tuple[Group, ...]
    closed: int

    def sessions(self) -> dict[tuple[date, int], list[tuple[int, float]]]:
        """List the sessions in time order: (date, half) to its (mixing day, hold) pairs."""
        found: dict[tuple[date, int], list[tuple[int, float]]] = {}
        for day, start in enumerate(self.dates):
            for g in self.groups:
                key = (start + timedelta(days=g.after), g.half)
                found.setdefault(key, []).append((day, g.hold_h))
        return dict(sorted(found.items()))


def mix_starts(settings: Settings, on: date, count: int) -> list[datetime]:
    """Give the start of each mix of a day, mixers working side by side."""
    kitchen = settings.kitchen
    zone = ZoneInfo(settings.timezone)
    first = datetime.combine(on, time.fromisoformat(kitchen.mix_at), zone)
    return [add_hours(first, (i // kitchen.mixers) * kitchen.mix_min / 60.0) for i in range(count)]


def add_hours(start: datetime, hours: float) -> datetime:
    """Add hours of elapsed time, whatever the clocks do in between.

    Examples
    --------
    >>> from zoneinfo import ZoneInfo
    >>> late = datetime(2026, 3, 7, 10, tzinfo=ZoneInfo("America/New_York"))
    >>> print(add_hours(late, 24))
    2026-03-08 11:00:00-04:00
    """
    moved = start.astimezone(UTC) + timedelta(seconds=round(hours * 3600))
    return moved.astimezone(start.tzinfo)


def choose_dates(
    settings: Settings, *, days: int, batches: int, to_ball_min: float, holds: Sequence[float]
) -> Calendar:
    """Choose the mixing dates.

    Parameters
    ----------
    settings : Settings
        `blocks.start_on` is the earliest date; without it days are counted from a Monday.
    days, batches : int
        Mixing days, and the most batches on one of them.
    to_ball_min : float
        Minutes from first wetting to balling.
    holds : sequence of float
        Hours; empty without a hold (balls are then used on the mixing day).

    Returns
    -------
    Calendar
        In this order: fewest holds due on closed days, most holds due in a session that serves
        two or more, fewest sessions, earliest end. Exact for holds up to about a week.

    Raises
    ------
    PlanError
        When the kitchen is closed every day.
    """
    kitchen = settings.kitchen
    if set(kitchen.closed) >= set(WEEKDAYS):
        raise PlanError("trial.toml: [kitchen] closed names all seven days. Leave one open.")
    start = date.fromisoformat(settings.blocks.start_on) if settings.blocks.start_on else UNDATED
    groups = tuple(_group(settings, start, batches, to_ball_min, h) for h in (holds or [0.0]))
    search = _Search(groups, {WEEKDAYS.index(w) for w in kitchen.closed}, start)
    dates, closed = search.best(days)
    return Calendar(dates, groups, closed)


def _group(
    settings: Settings, start: date, batches: int, to_ball_min: float, hold_h: float
) -> Group:
    opens, closes = (
        clock_minutes(settings.kitchen.open_at),
        clock_minutes(settings.kitchen.close_at),
    )
    first = clock_minutes(settings.kitchen.mix_at) + to_ball_min + hold_h * 60
    last = first + ((batches - 1) // settings.kitchen.mixers) * settings.kitchen.mix_min
    after, middle = divmod((first + last) / 2, 1440)
    inside = opens <= first - after * 1440 and last - after * 1440 <= closes
    return Group(hold_h, int(after), int(middle >= (opens + closes) / 2), inside)


Cost = tuple[int, int, int]
"""Holds on closed days, minus holds in shared sessions, sessions: less is better."""


class _Search:
    """Walks day by day; a state is the mixing pattern of the last days and the days left."""

    def __init__(self, groups: Sequence[Group], closed: set[int], start: date) -> None:
        self.groups = groups
        self.closed = closed
        self.start = start
        self.reach = max(g.after for g in groups)

    def best(self, days: int) -> tuple[tuple[date, ...], int]:
        mask = (1 << (self.reach + 1)) - 1
        states: dict[tuple[int, int], tuple[Cost, tuple[int, ...]]] = {(0, 0): ((0, 0, 0), ())}
        found: tuple[Cost, int, tuple[int, ...]] | None = None
        for t in range(7 * days + self.reach + 8):
            shut = (self.start + timedelta(days=t)).weekday() in self.closed
            grown: dict[tuple[int, int], tuple[Cost, tuple[int, ...]]] = {}
            for (pattern, done), (cost, dates) in states.items():
                for mix in (1, 0):
                    if mix and (shut or done == days):
                        continue
                    now = ((pattern << 1) | mix) & mask
                    price = self._price(now, shut)
                    total = (cost[0] + price[0], cost[1] + price[1], cost[2] + price[2])
                    entry = (total, (*dates, t) if mix else dates)
                    key = (now, done + mix)
                    if key not in grown or entry < grown[key]:
                        grown[key] = entry
            end = grown.pop((0, days), None)
            if end is not None:
                candidate = (end[0], end[1][-1], end[1])
                found = candidate if found is None or candidate < found else found
            ranked = sorted(grown.items(), key=lambda item: (-item[0][1], item[1]))
            states = dict(ranked[:_WIDTH])
        if found is None:
            raise PlanError(f"No {days} mixing days fit between the closed days.")
        return tuple(self.start + timedelta(days=t) for t in found[2]), found[0][0]

    def _price(self, pattern: int, shut: bool) -> Cost:
        served: dict[int, set[float]] = {}
        count: dict[int, int] = {}
        for g in self.groups:
            if pattern >> g.after & 1:
                served.setdefault(g.half, set()).add(g.hold_h)
                count[g.half] = count.get(g.half, 0) + 1
        shared = sum(count[half] for half, holds in served.items() if len(holds) > 1)
        return (sum(count.values()) if shut else 0, -shared, len(served))


def name_sessions(keys: Iterable[tuple[date, int]]) -> dict[tuple[date, int], str]:
    """Name the sessions in time order: S01, S02 and so on."""
    ordered = sorted(keys)
    width = max(2, len(str(len(ordered))))
    return {key: f"S{i:0{width}d}" for i, key in enumerate(ordered, start=1)}
