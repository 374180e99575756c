"""Logger: a temperature logger's readings, brought in by a guess that a person confirmed.

`doughlab ripe --log` and notebooks bring logged coolers and rooms in with it.
Counting ripening hours is left to `clock`; nothing is repaired, gaps and odd rows are told.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta, tzinfo
from datetime import timezone as offset
from itertools import pairwise
from statistics import median
from zoneinfo import ZoneInfo

from doughlab.errors import InputError, Problem
from doughlab.formula.clock import TemperatureHistory
from doughlab.formula.loggerguess import LoggerGuess, parse_stamp, read_number, split_cells
from doughlab.units import convert, format_quantity

# What a logger of a kitchen can have seen, and what is a gap: rules of this project.
COLDEST_C, WARMEST_C = -45.0, 90.0
GAP_STEPS = 3.0
BRIDGE_H = 1.0


@dataclass(frozen=True)
class LoggerSeries:
    r"""What a logger recorded.

    Attributes
    ----------
    times : tuple of datetime
        With offset, rising.
    temps_c : tuple of float
    gaps : tuple of (datetime, datetime)
        Times between which readings are missing.
    problems : tuple of Problem
        Rows that were not used, with their line.
    notes : tuple of str

    Examples
    --------
    >>> from doughlab.formula.loggerguess import guess_logger
    >>> text = "time;temp\n02.03.2026 09:00;38,5 F\n02.03.2026 09:10;39,2 F"
    >>> series = read_logger(text, guess_logger(text).confirmed(order="day-month-year"))
    >>> len(series.times), series.gaps, round(series.history().warmest_c, 6)
    (2, (), 4.0)
    """

    times: tuple[datetime, ...]
    temps_c: tuple[float, ...]
    gaps: tuple[tuple[datetime, datetime], ...] = ()
    problems: tuple[Problem, ...] = ()
    notes: tuple[str, ...] = ()

    def history(self, *, bridge_h: float = BRIDGE_H) -> TemperatureHistory:
        """Give a history for the clock, short gaps bridged by a straight line.

        Raises
        ------
        InputError
            Where a gap is longer than `bridge_h` hours: cut the series there.
        """
        for start, end in self.gaps:
            hours = (end - start).total_seconds() / 3600.0
            if hours > bridge_h:
                raise InputError(
                    f"The logger has no reading from {start:%Y-%m-%d %H:%M} to {end:%H:%M} "
                    f"({hours:.1f} h); a gap of more than {bridge_h:g} h is not guessed. Count "
                    "the parts before and after it, or give the temperature of that time."
                )
        return TemperatureHistory.from_times(self.times, self.temps_c)

    def between(self, start: datetime, end: datetime) -> LoggerSeries:
        """Cut out the readings between two times, ends included."""
        kept = [i for i, t in enumerate(self.times) if start <= t <= end]
        if not kept:
            raise InputError(
                f"The logger has no reading between {start:%Y-%m-%d %H:%M} and "
                f"{end:%Y-%m-%d %H:%M}; it runs from {self.times[0]:%Y-%m-%d %H:%M} to "
                f"{self.times[-1]:%Y-%m-%d %H:%M}. Is its clock right?"
            )
        gaps = tuple(g for g in self.gaps if start <= g[0] and g[1] <= end)
        return replace(
            self, times=tuple(self.times[i] for i in kept),
            temps_c=tuple(self.temps_c[i] for i in kept), gaps=gaps,
        )  # fmt: skip

    def words(self, *, show: str = "") -> list[str]:
        """Say in a few lines what was read."""
        low, high = (
            format_quantity(f(self.temps_c), "temp_c", show=show, digits=1) for f in (min, max)
        )
        first, last = self.times[0], self.times[-1]
        lines = [
            f"{len(self.times)} readings, {first:%Y-%m-%d %H:%M} to {last:%Y-%m-%d %H:%M}, "
            f"{low} to {high}"
        ]
        lines += [f"gap {a:%Y-%m-%d %H:%M} to {b:%H:%M}" for a, b in self.gaps[:3]]
        if len(self.gaps) > 3:
            more = len(self.gaps) - 3
            lines.append(f"and {more} gap{'s' if more > 1 else ''} more")
        lines += list(self.notes)
        if self.problems:
            count = len(self.problems)
            which = "1 row not used" if count == 1 else f"{count} rows not used, the first"
            lines.append(f"{which}: {self.problems[0]}")
        return lines


@dataclass
class _Found:
    times: list[datetime] = field(default_factory=list)
    temps: list[float] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)


def read_logger(
    text: str,
    guess: LoggerGuess,
    *,
    timezone: str = "UTC",
    now: datetime | None = None,
    clock_fast_min: float = 0.0,
    file: str = "logger file",
) -> LoggerSeries:
    r"""Read a logger file as it was guessed and confirmed.

    Parameters
    ----------
    text : str
    guess : LoggerGuess
        Without open questions.
    timezone : str
        IANA name, for times without an offset.
    now : datetime, optional
        Readings later than this are a wrong clock.
    clock_fast_min : float
        How many minutes the logger's clock runs ahead of the true time.
    file : str
        Name for messages.

    Returns
    -------
    LoggerSeries

    Raises
    ------
    InputError
        With open questions, with a clock that cannot be right, or with hardly a row that reads.

    Examples
    --------
    >>> from doughlab.formula.loggerguess import guess_logger
    >>> text = "time;temp\n02.03.2026 09:00;38,5 F\n02.03.2026 09:10;39,2 F"
    >>> series = read_logger(text, guess_logger(text).confirmed(order="day-month-year"))
    >>> series.temps_c[1]
    4.0
    """
    if guess.questions:
        asked = " ".join(f"{q.split(': ', 1)[1]}." for q in guess.questions)
        raise InputError(f"{file}: {asked}")
    found = _Found()
    lines = text.removeprefix("\ufeff").splitlines()
    for number, line in enumerate(lines, start=1):
        if number >= guess.first_row and line.strip(" ,;\t"):
            _read_row(split_cells(line, guess.separator), number, guess, file, found)
    if len(found.times) < 2 or len(found.problems) > len(found.times):
        first = f" The first: {found.problems[0]}" if found.problems else ""
        raise InputError(f"{file}: hardly a row could be read.{first}")
    zone: tzinfo = ZoneInfo(timezone)
    notes: list[str] = []
    times = _with_offset(found.times, zone, notes)
    # a fixed offset each, so that differences are true hours across a change of the clocks
    times = [t.replace(tzinfo=offset(t.utcoffset() or timedelta())) for t in times]
    times = [t - timedelta(minutes=clock_fast_min) for t in times]
    if clock_fast_min:
        way = "back" if clock_fast_min > 0 else "forward"
        notes.append(f"clock set {way} by {abs(clock_fast_min):g} min, as told")
    _check_clock(times, now, file)
    times, temps = _in_order(times, found.temps, found.problems, file)
    return LoggerSeries(tuple(times), tuple(temps), tuple(_find_gaps(times)),
                        tuple(found.problems), tuple(notes))  # fmt: skip


def _read_row(cells: list[str], number: int, guess: LoggerGuess, file: str, found: _Found) -> None:
    if len(cells) <= max(*guess.time_columns, guess.temp_column):
        count = f"{len(cells)} cell{'s' if len(cells) != 1 else ''}"
        found.problems.append(Problem(file, f"has {count} only.", number))
        return
    stamp = " ".join(cells[i] for i in guess.time_columns)
    time, value = parse_stamp(stamp, guess.time_format), read_number(cells[guess.temp_column])
    if time is None:
        found.problems.append(Problem(file, f"'{stamp[:30]}' is no time.", number))
        return
    if value is None:
        shown = cells[guess.temp_column][:20]
        found.problems.append(Problem(file, f"'{shown}' is no temperature.", number))
        return
    temp_c = convert(value, "F", "temp_c") if guess.unit == "F" else value
    if not COLDEST_C <= temp_c <= WARMEST_C:
        message = f"{value:g} °{guess.unit} lies outside what a logger reads; left out."
        found.problems.append(Problem(file, message, number))
        return
    found.times.append(time)
    found.temps.append(temp_c)


def _with_offset(times: list[datetime], zone: tzinfo, notes: list[str]) -> list[datetime]:
    """Give local times their offset; most loggers do not change the clocks."""
    if times[0].tzinfo is not None:
        return [t if t.tzinfo is not None else t.replace(tzinfo=zone) for t in times]
    starts = times[0].replace(tzinfo=zone).utcoffset()
    ends = times[-1].replace(tzinfo=zone).utcoffset()
    if starts == ends or starts is None or ends is None:
        return [t.replace(tzinfo=zone) for t in times]
    jump = (ends - starts).total_seconds()
    steps = [(b - a).total_seconds() for a, b in pairwise(times)]
    usual = median(steps)
    moved = any(abs(s - usual - jump) < max(60.0, 0.1 * abs(jump)) for s in steps)
    if moved:
        notes.append("the clocks were changed meanwhile, and the logger changed with them")
        return [t.replace(tzinfo=zone) for t in times]
    notes.append("the clocks were changed meanwhile; the logger is taken to have kept its own time")
    return [(t - starts).replace(tzinfo=UTC).astimezone(zone) for t in times]


def _check_clock(times: Sequence[datetime], now: datetime | None, file: str) -> None:
    first, last = min(times), max(times)
    wrong = first.year < 2015 or (now is not None and last > now + timedelta(minutes=5))
    if wrong:
        odd = first if first.year < 2015 else last
        raise InputError(
            f"{file}: a reading of {odd:%Y-%m-%d %H:%M} cannot be; the logger's clock is wrong. "
            "Read its clock beside a right one, and tell how many minutes it runs fast: with "
            "doughlab ripe as --log-is fast=5 (-5 where it is slow), in Python as clock_fast_min=5."
        )


def _in_order(
    times: list[datetime], temps: list[float], problems: list[Problem], file: str
) -> tuple[list[datetime], list[float]]:
    """Leave out rows whose time does not rise; they are told."""
    kept_times, kept_temps = [times[0]], [temps[0]]
    for time, temp in zip(times[1:], temps[1:], strict=True):
        if time > kept_times[-1]:
            kept_times.append(time)
            kept_temps.append(temp)
            continue
        what = "stands twice" if time == kept_times[-1] else "runs backwards: was the clock set?"
        problems.append(Problem(file, f"time {time:%Y-%m-%d %H:%M} {what} Left out."))
    if len(kept_times) < 0.5 * len(times):
        raise InputError(f"{file}: the times run backwards in most rows. Sort it by time.")
    return kept_times, kept_temps


def _find_gaps(times: Sequence[datetime]) -> list[tuple[datetime, datetime]]:
    steps = [(b - a).total_seconds() for a, b in pairwise(times)]
    usual = median(steps)
    return [
        (a, b)
        for (a, b), s in zip(pairwise(times), steps, strict=True)
        if s > GAP_STEPS * usual + 1.0
    ]
