"""Horizon: the dates a calendar may use, and what a mixing day at each of them would mean.

`calendar_dates` chooses among these with a program; times of day are left to `calendar_hours`.
Minutes are elapsed minutes since the first midnight, so that a hold stays exact when the clocks
change.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from doughlab.plan.designs import clock_minutes
from doughlab.plan.work import DayWork, WorkTimes
from doughlab.workday import WEEKDAYS

if TYPE_CHECKING:
    from doughlab.settings import Settings

DAY_MIN = 1440


class Horizon:
    """Dates from the first possible mixing day on, with minutes counted through."""

    def __init__(self, settings: Settings, start: date, *, days: int, before: int = 0) -> None:
        self.settings = settings
        self.zone = ZoneInfo(settings.timezone)
        self.first = start - timedelta(days=before)
        self.before = before
        self.origin = datetime.combine(self.first, time(), self.zone).astimezone(UTC)
        self.dates = [self.first + timedelta(days=i) for i in range(days + before)]
        self.midnights = [self._minute(d) for d in [*self.dates, self.dates[-1] + timedelta(1)]]
        shut = set(settings.kitchen.closed)
        self.open = [WEEKDAYS[d.weekday()] not in shut for d in self.dates]

    def _minute(self, on: date) -> int:
        moment = datetime.combine(on, time(), self.zone).astimezone(UTC)
        return int((moment - self.origin).total_seconds()) // 60

    def minute(self, day: int, clock: str) -> int:
        """Give the elapsed minute of a time of day; `day` counts from the first date."""
        at = datetime.combine(self.dates[day], time.fromisoformat(clock), self.zone)
        return int((at.astimezone(UTC) - self.origin).total_seconds()) // 60

    def moment(self, minute: float) -> datetime:
        """Give the local time of an elapsed minute."""
        return (self.origin + timedelta(seconds=round(minute * 60))).astimezone(self.zone)

    def day_of(self, minute: float) -> int:
        """Give the date, by number, in which an elapsed minute lies; -1 outside."""
        if not 0 <= minute < self.midnights[-1]:
            return -1
        return (self.moment(minute).date() - self.first).days

    def hours(self, day: int) -> tuple[int, int]:
        """Give the minutes at which the kitchen opens and closes on a date."""
        kitchen = self.settings.kitchen
        return self.minute(day, kitchen.open_at), self.minute(day, kitchen.close_at)

    def within_hours(self, start: float, end: float) -> bool:
        """Tell whether a piece of work lies in the opening hours of one open date."""
        day = self.day_of(start)
        if day < 0 or not self.open[day]:
            return False
        opens, closes = self.hours(day)
        return opens <= start and end <= closes

    def half_of(self, minute: float) -> int:
        """Tell the half of the opening hours: 0 before their middle, 1 after it."""
        kitchen = self.settings.kitchen
        middle = (clock_minutes(kitchen.open_at) + clock_minutes(kitchen.close_at)) / 2
        at = self.moment(minute)
        return int(at.hour * 60 + at.minute + at.second / 60 >= middle)


@dataclass(frozen=True)
class Choice:
    """One date for a mixing day, with what follows from it.

    Attributes
    ----------
    day : int
        The date of the mixes, by number.
    sessions : tuple of (int, int)
        For each hold of the day's balls, rising: date and half of its session.
    worked : tuple of int
        For each step of a batch: the date on which every batch of the day begins it.
    low, high : float
        Between which elapsed minutes the middle of the day's ballings lies.
    """

    day: int
    sessions: tuple[tuple[int, int], ...]
    worked: tuple[int, ...]
    low: float
    high: float

    @property
    def shape(self) -> tuple[object, ...]:
        """What stays the same when everything moves by whole days."""
        sessions = tuple((d - self.day, half) for d, half in self.sessions)
        return (sessions, tuple(d - self.day for d in self.worked))

    @property
    def dates(self) -> set[int]:
        """The dates on which it makes somebody work."""
        return {*self.worked, *(day for day, _ in self.sessions)}


def step_days(horizon: Horizon, times: WorkTimes, start: float) -> tuple[int, ...]:
    """List the date on which each step of a batch begins, for a mix at an elapsed minute."""
    return tuple(horizon.day_of(start + s.start) for s in times.batch if s.step != "cool")


def mix_starts_on(horizon: Horizon, times: WorkTimes, day: int) -> list[int]:
    """List the elapsed minutes at which a mix may start on a date.

    Every step that needs hands, and the whole of mixing and balling, lies in the opening hours of
    an open date; the grid is `kitchen.grid_min`.
    """
    kitchen = horizon.settings.kitchen
    if not horizon.open[day]:
        return []
    opens, closes = horizon.hours(day)
    first = max(opens, horizon.minute(day, kitchen.mix_at))
    grid = kitchen.grid_min
    begin = -(-first // grid) * grid
    present = [
        (s.start, s.start + (s.minutes if s.step in {"mix", "second_mix", "ball"} else s.hands_min))
        for s in times.batch
        if s.hands_min > 0 or s.step in {"mix", "second_mix", "ball"}
    ]
    return [
        at
        for at in range(begin, closes, grid)
        if all(horizon.within_hours(at + a, at + b) for a, b in present)
    ]


def list_choices(horizon: Horizon, times: WorkTimes, work: DayWork, day: int) -> list[Choice]:
    """List what a mixing day on one date can lead to: a session for every hold.

    Parameters
    ----------
    horizon : Horizon
    times : WorkTimes
    work : DayWork
    day : int

    Returns
    -------
    list of Choice
        Empty where nothing can be mixed then. Each lists sessions on open dates, and the span of
        the middle of the ballings that leads to them.
    """
    starts = mix_starts_on(horizon, times, day)
    kitchen = horizon.settings.kitchen
    if not starts:
        return []
    spread = (len(work.batches) - 1) // kitchen.mixers * times.mixer[0][1]
    low = starts[0] + spread / 2 + times.to_ball_min
    high = starts[-1] - spread / 2 + times.to_ball_min
    found: dict[tuple[tuple[tuple[int, int], ...], tuple[int, ...]], list[float]] = {}
    step = kitchen.grid_min / 2
    for i in range(max(0, int((high - low) / step) + 1)):
        middle = low + i * step
        sessions = tuple(_session(horizon, middle + h * 60) for h in work.holds)
        if all(_usable(horizon, s, middle + h * 60)
               for s, h in zip(sessions, work.holds, strict=True)):  # fmt: skip
            worked = step_days(horizon, times, middle - times.to_ball_min)
            ends = found.setdefault((sessions, worked), [middle, middle])
            ends[1] = middle
    return [Choice(day, sessions, worked, a, b) for (sessions, worked), (a, b) in found.items()]


def _session(horizon: Horizon, minute: float) -> tuple[int, int]:
    return horizon.day_of(minute), horizon.half_of(minute)


def _usable(horizon: Horizon, session: tuple[int, int], minute: float) -> bool:
    day = session[0]
    if day < 0 or not horizon.open[day]:
        return False
    tolerance = horizon.settings.kitchen.hold_tolerance_min
    opens, closes = horizon.hours(day)
    return horizon.settings.kitchen.read_at_night or (
        opens - tolerance <= minute <= closes + tolerance
    )


def longest_gap(works: Sequence[DayWork]) -> int:
    """Give the most days that two mixing days in a row are ever set apart.

    Farther apart than the longest hold and a week they share no session and no limit; the later
    one can then move a week forward, which keeps the weekdays.
    """
    reach = max((h for w in works for h in w.holds), default=0.0) / 24
    return int(reach) + 9


def count_days(works: Sequence[DayWork]) -> int:
    """Count the dates that a calendar may need, from the earliest mixing day on."""
    reach = max((h for w in works for h in w.holds), default=0.0) / 24
    return 7 + (len(works) - 1) * longest_gap(works) + int(reach) + 4
