"""Clock: a temperature history, and the hours at a reference temperature it is worth.

Ripening, the kitchen card, starters and `doughlab ripe` count with it.
Rates come from `ripening`; logger files are read by `logger`, the ball's own course by `core`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import numpy as np

from doughlab.errors import InputError, OutOfRange
from doughlab.formula.ripening import RipeningModel

_TINY_H = 1e-7  # numerical; rule of this project
_STEP_C = 4.0  # widest temperature step of one quadrature panel; rule of this project
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(8)


@dataclass(frozen=True)
class TemperatureHistory:
    """Temperatures over time: straight lines between points, a jump where an hour stands twice.

    Attributes
    ----------
    hours : tuple of float
        Never falling; hours since the start.
    temps_c : tuple of float
        Degrees Celsius, one for each hour.
    start : datetime or None
        Time of hour zero, with offset, where it is known.

    Examples
    --------
    >>> night = TemperatureHistory.from_steps([(2, 22.0), (40, 4.0)])
    >>> night.duration_h, night.at(1.0), night.at(30.0)
    (42.0, 22.0, 4.0)
    >>> night.first_h, night.last_h, night.coldest_c, night.warmest_c, round(night.mean_c, 3)
    (0.0, 42.0, 4.0, 22.0, 4.857)
    >>> night.cut(1, 3).duration_h, night.then([(1.5, 21.0)]).last_h, night.shifted(-1).coldest_c
    (2, 43.5, 3.0)
    >>> from datetime import UTC
    >>> out = [datetime(2026, 3, 5, h, tzinfo=UTC) for h in (9, 21)]
    >>> dated = TemperatureHistory.from_times(out, [4.0, 6.0])
    >>> dated.at(6.0), dated.hour_of(out[1]), dated.time_of(12.0) == out[1], night.time_of(1.0)
    (5.0, 12.0, True, None)
    """

    hours: tuple[float, ...]
    temps_c: tuple[float, ...]
    start: datetime | None = None

    def __post_init__(self) -> None:
        """Refuse times that run backwards and numbers that are none."""
        if len(self.hours) != len(self.temps_c) or not self.hours:
            raise InputError(
                f"A temperature history has {len(self.hours)} hours and {len(self.temps_c)} "
                "temperatures; give one temperature for each hour."
            )
        if not np.isfinite([*self.hours, *self.temps_c]).all():
            raise InputError("A temperature history holds a gap or an endless number.")
        if (np.diff(self.hours) < 0).any():
            first = int(np.flatnonzero(np.diff(self.hours) < 0)[0])
            raise InputError(
                f"The hours of a temperature history run backwards: {self.hours[first + 1]:g} h "
                f"stands after {self.hours[first]:g} h. Put them in order of time."
            )

    @classmethod
    def from_steps(
        cls, steps: Iterable[tuple[float, float]], *, start: datetime | None = None
    ) -> TemperatureHistory:
        """Make a history of stays: hours and temperature of each, in order.

        Raises
        ------
        InputError
            For a stay of less than no time, or no stay at all.
        """
        hours, temps, now = [], [], 0.0
        for length, temp_c in steps:
            if length < 0:
                raise InputError(f"A stay of {length:g} h is shorter than nothing.")
            hours += [now, now + length]
            temps += [float(temp_c)] * 2
            now += length
        return cls(tuple(hours), tuple(temps), start)

    @classmethod
    def from_times(cls, times: Sequence[datetime], temps_c: Sequence[float]) -> TemperatureHistory:
        """Make a history of readings with their times (with offset).

        Raises
        ------
        InputError
            Without a reading.
        """
        if not times:
            raise InputError("No reading stands in the temperature history.")
        first = times[0].timestamp()  # true hours, across changes of the clocks
        hours = tuple((t.timestamp() - first) / 3600.0 for t in times)
        return cls(hours, tuple(float(t) for t in temps_c), times[0])

    @property
    def first_h(self) -> float:
        """Hour of the first point."""
        return self.hours[0]

    @property
    def last_h(self) -> float:
        """Hour of the last point."""
        return self.hours[-1]

    @property
    def duration_h(self) -> float:
        """Hours from the first point to the last."""
        return self.last_h - self.first_h

    @property
    def coldest_c(self) -> float:
        """Lowest temperature in it, degrees Celsius."""
        return min(self.temps_c)

    @property
    def warmest_c(self) -> float:
        """Highest temperature in it, degrees Celsius."""
        return max(self.temps_c)

    @property
    def mean_c(self) -> float:
        """Mean over time, degrees Celsius."""
        if self.duration_h == 0:
            return self.temps_c[-1]
        hours, temps = np.array(self.hours), np.array(self.temps_c)
        return float(np.sum(np.diff(hours) * (temps[1:] + temps[:-1]) / 2) / self.duration_h)

    def at(self, hour: float) -> float:
        """Give the temperature at an hour; at a jump, the one after it.

        Raises
        ------
        OutOfRange
            Outside the history: nothing is carried on beyond its ends.
        """
        hour = self._inside(hour)
        after = int(np.searchsorted(self.hours, hour, side="right"))
        if after == len(self.hours):
            return self.temps_c[-1]
        before = after - 1
        h0, h1 = self.hours[before], self.hours[after]
        share = (hour - h0) / (h1 - h0)
        return self.temps_c[before] + share * (self.temps_c[after] - self.temps_c[before])

    def hour_of(self, time: datetime) -> float:
        """Give the hour of a time (with offset).

        Raises
        ------
        InputError
            Where the history counts from zero, without a time of day.
        """
        if self.start is None:
            raise InputError("This temperature history has no time of day: it counts from zero.")
        return (time.timestamp() - self.start.timestamp()) / 3600.0

    def cut(self, start_h: float, end_h: float) -> TemperatureHistory:
        """Cut a piece out; hours keep their numbers.

        Raises
        ------
        OutOfRange
            Where an end lies outside the history.
        InputError
            Where the piece would run backwards.
        """
        start_h, end_h = self._inside(start_h), self._inside(end_h)
        if end_h < start_h:
            raise InputError(f"A piece from {start_h:g} h to {end_h:g} h runs backwards.")
        inner = [i for i, h in enumerate(self.hours) if start_h < h < end_h]
        hours = [start_h, *(self.hours[i] for i in inner), end_h]
        temps = [self.at(start_h), *(self.temps_c[i] for i in inner), self._before(end_h)]
        if end_h == start_h:
            temps[-1] = temps[0]
        return TemperatureHistory(tuple(hours), tuple(temps), self.start)

    def then(self, steps: Iterable[tuple[float, float]]) -> TemperatureHistory:
        """Add stays at the end."""
        more = TemperatureHistory.from_steps(steps)
        hours = self.hours + tuple(self.last_h + h for h in more.hours)
        return TemperatureHistory(hours, self.temps_c + more.temps_c, self.start)

    def shifted(self, diff_c: float) -> TemperatureHistory:
        """Make every temperature warmer by a difference in degrees Celsius."""
        temps = tuple(t + diff_c for t in self.temps_c)
        return TemperatureHistory(self.hours, temps, self.start)

    def time_of(self, hour: float) -> datetime | None:
        """Give the time of an hour; None where the start is not known."""
        if self.start is None:
            return None
        return (self.start.astimezone(UTC) + timedelta(hours=hour)).astimezone(self.start.tzinfo)

    def _before(self, hour: float) -> float:
        """Give the temperature at an hour; at a jump, the one before it."""
        after = int(np.searchsorted(self.hours, hour, side="left"))
        if after == 0 or self.hours[after] == hour:
            return self.temps_c[after]
        h0, h1 = self.hours[after - 1], self.hours[after]
        share = (hour - h0) / (h1 - h0)
        return self.temps_c[after - 1] + share * (self.temps_c[after] - self.temps_c[after - 1])

    def _inside(self, hour: float) -> float:
        """Refuse an hour outside; forgive a thousandth of a second of rounding."""
        if not self.first_h - _TINY_H <= hour <= self.last_h + _TINY_H:
            raise OutOfRange(
                f"Hour {hour:g} lies outside the temperature history, which runs from "
                f"{self.first_h:g} to {self.last_h:g} h. Give temperatures for that time too.",
                value=hour,
                low=self.first_h,
                high=self.last_h,
            )
        return min(max(hour, self.first_h), self.last_h)


def equivalent_hours(
    history: TemperatureHistory,
    model: RipeningModel,
    *,
    start_h: float | None = None,
    end_h: float | None = None,
) -> float:
    """Count the hours at the model's reference temperature that a history is worth.

    Additive: the pieces of a split history add up to the whole. At the reference temperature it
    is the time on the clock.

    Parameters
    ----------
    history : TemperatureHistory
    model : RipeningModel
    start_h, end_h : float, optional
        Part of the history; all of it unless given.

    Returns
    -------
    float
        Hours.

    Raises
    ------
    OutOfRange
        Where the part reaches outside the history.

    References
    ----------
    The integral of the model's rate over time; the rate names its own source (`Q10Model`,
    `SquareRootModel`, `CardinalModel`).

    Examples
    --------
    >>> from doughlab.formula.ripening import Q10Model
    >>> bench = TemperatureHistory.from_steps([(1.0, 24.0), (10.0, 4.0)])
    >>> round(equivalent_hours(bench, Q10Model(2.0, reference_c=4.0)), 9)
    14.0
    """
    first = history.first_h if start_h is None else start_h
    last = history.last_h if end_h is None else end_h
    piece = history.cut(first, last)
    return float(_cumulative(piece, model)[-1])


def ripening_course(history: TemperatureHistory, model: RipeningModel) -> list[float]:
    """Count the equivalent hours up to each point of a history.

    Returns
    -------
    list of float
        One for each of `history.hours`, from 0.

    Examples
    --------
    >>> from doughlab.formula.ripening import Q10Model
    >>> steps = TemperatureHistory.from_steps([(1.0, 14.0), (2.0, 4.0)])
    >>> [round(h, 6) for h in ripening_course(steps, Q10Model(2.0, reference_c=4.0))]
    [0.0, 2.0, 2.0, 4.0]
    """
    return [float(h) for h in _cumulative(history, model)]


def hour_when(history: TemperatureHistory, model: RipeningModel, hours: float) -> float | None:
    """Find the hour at which a history has counted a number of equivalent hours.

    Parameters
    ----------
    history : TemperatureHistory
    model : RipeningModel
    hours : float
        Equivalent hours, counted from the start of the history.

    Returns
    -------
    float or None
        Hour of the history; None where it ends before.

    Examples
    --------
    >>> from doughlab.formula.ripening import Q10Model
    >>> steps = TemperatureHistory.from_steps([(1.0, 14.0), (9.0, 4.0)])
    >>> hour_when(steps, Q10Model(2.0, reference_c=4.0), 5.0)
    4.0
    """
    if hours <= 0:
        return history.first_h if hours == 0 else None
    course = _cumulative(history, model)
    if course[-1] < hours * (1 - 1e-12):
        return None
    place = min(int(np.searchsorted(course, hours, side="left")), len(course) - 1)
    low, high = history.hours[place - 1], history.hours[place]
    t0, t1 = history.temps_c[place - 1], history.temps_c[place]
    wanted, start = hours - float(course[place - 1]), low
    if t0 == t1:
        return low + wanted / float(model.rate(t0))
    for _ in range(80):
        middle = 0.5 * (low + high)
        share = (middle - start) / (history.hours[place] - start)
        if _panel(middle - start, t0, t0 + share * (t1 - t0), model) < wanted:
            low = middle
        else:
            high = middle
        if high - low < 1e-10:
            break
    return 0.5 * (low + high)


def _cumulative(history: TemperatureHistory, model: RipeningModel) -> np.ndarray:
    hours, temps = np.array(history.hours), np.array(history.temps_c)
    lengths = np.diff(hours)
    low, high = np.minimum(temps[1:], temps[:-1]), np.maximum(temps[1:], temps[:-1])
    kinked = np.zeros(len(lengths), dtype=bool)
    for edge in model.breaks_c:
        kinked |= (low < edge) & (edge < high)
    # short straight pieces all at once, the few others one by one
    nodes = 0.5 * (low + high)[:, None] + 0.5 * (high - low)[:, None] * _NODES[None, :]
    worth = lengths * 0.5 * (np.asarray(model.rate(nodes)) @ _WEIGHTS)
    for i in np.flatnonzero(kinked | (high - low > _STEP_C)):
        worth[i] = _panel(lengths[i], temps[i], temps[i + 1], model)
    return np.concatenate([[0.0], np.cumsum(worth)])


def _panel(length_h: float, from_c: float, to_c: float, model: RipeningModel) -> float:
    """Integrate the rate over a straight line of temperature, kinks at panel ends."""
    if length_h == 0 or from_c == to_c:
        return length_h * float(model.rate(from_c))
    low, high = min(from_c, to_c), max(from_c, to_c)
    edges = [low, *sorted(b for b in model.breaks_c if low < b < high), high]
    total = 0.0
    for a, b in pairwise(edges):
        parts = max(1, math.ceil((b - a) / _STEP_C))
        width = (b - a) / parts
        middles = a + width * (np.arange(parts) + 0.5)
        temps = middles[:, None] + 0.5 * width * _NODES[None, :]
        total += 0.5 * width * float(np.sum(np.asarray(model.rate(temps)) @ _WEIGHTS))
    return length_h * total / (high - low)
