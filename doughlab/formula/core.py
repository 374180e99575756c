"""Core: the temperature of a dough ball itself while its surroundings change.

`doughlab ripe`, the warm-up advice and the kitchen card ask when a core reaches a temperature.
The equations stand in `conduction`; heat of fermentation and the flattening of a ball are left out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from doughlab.errors import InputError, NotEstimable
from doughlab.formula.clock import TemperatureHistory
from doughlab.formula.conduction import Floats, Profile, fourier_until, march
from doughlab.formula.heat import Body, Film


@dataclass(frozen=True)
class Stage:
    """A stay of a ball: how long, in what surroundings, under what film.

    `surroundings_c` is a temperature, or a history of which the first `hours` count.

    Examples
    --------
    >>> from doughlab.formula.heat import FILMS
    >>> lengths, temps = Stage(1.0, 4.0, FILMS["box"]).steps(0.5)
    >>> lengths.tolist(), temps.tolist()
    ([0.5, 0.5], [4.0, 4.0, 4.0])
    """

    hours: float
    surroundings_c: float | TemperatureHistory
    film: Film

    def steps(self, longest_h: float) -> tuple[Floats, Floats]:
        """Give lengths in hours (m,) and temperatures (m + 1,) of straight pieces.

        Raises
        ------
        InputError
            For a stay of less than no time.
        """
        if self.hours < 0:
            raise InputError(f"A stay of {self.hours:g} h is shorter than nothing.")
        if isinstance(self.surroundings_c, TemperatureHistory):
            first = self.surroundings_c.first_h
            piece = self.surroundings_c.cut(first, first + self.hours)
        else:
            piece = TemperatureHistory((0.0, self.hours), (float(self.surroundings_c),) * 2)
        lengths: list[float] = []
        temps = [piece.temps_c[0]]
        for i, length in enumerate(np.diff(piece.hours)):
            parts = max(1, math.ceil(length / longest_h - 1e-9))
            a, b = piece.temps_c[i], piece.temps_c[i + 1]
            lengths += [float(length) / parts] * parts
            temps += [a + (b - a) * (j + 1) / parts for j in range(parts)]
        return np.array(lengths), np.array(temps)


@dataclass(frozen=True)
class CoreCourse:
    """The temperatures of a ball over its stays.

    Attributes
    ----------
    hours, centre_c, mean_c, surface_c : tuple of float
    end : Profile

    Examples
    --------
    >>> from doughlab.formula.heat import DoughHeat
    >>> ball = Body.ball(250, DoughHeat(1150, 2.8, 0.45, 0.45, 0.45))
    >>> course = follow_core(ball, [Stage(3.0, 4.0, Film(10, 10, 10))], start=24.0)
    >>> course.surface_c[-1] < course.mean_c[-1] < course.centre_c[-1]
    True
    >>> course.history().duration_h
    3.0
    """

    hours: tuple[float, ...]
    centre_c: tuple[float, ...]
    mean_c: tuple[float, ...]
    surface_c: tuple[float, ...]
    end: Profile

    def history(self) -> TemperatureHistory:
        """Give the mean temperature of the ball as a history for the clock."""
        return TemperatureHistory(self.hours, self.mean_c)


def follow_core(
    body: Body,
    stages: Sequence[Stage],
    *,
    start: float | Profile,
    side: str = "value",
    step_min: float = 5.0,
) -> CoreCourse:
    """Follow a ball through its stays.

    Parameters
    ----------
    body : Body
    stages : sequence of Stage
    start : float or Profile
        Temperature throughout at the start, or the end of an earlier course.
    side : {"value", "low", "high"}
        Which end of each film's range.
    step_min : float
        Longest step between points of the answer; the steps are exact however long.

    Returns
    -------
    CoreCourse

    References
    ----------
    Conduction in a sphere or slab with a film, stay after stay: Carslaw & Jaeger (1959),
    sections 3.11 and 9.4 (from memory). Checked in
    tests/reference/test_conduction_incropera2007.py.

    Examples
    --------
    >>> from doughlab.formula.heat import DoughHeat
    >>> ball = Body.ball(250, DoughHeat(1150, 2.8, 0.45, 0.45, 0.45))
    >>> cooled = follow_core(ball, [Stage(3.286, 4.0, Film(10, 10, 10))], start=24.0)
    >>> round(cooled.centre_c[-1], 2)
    6.0
    """
    profile = start if isinstance(start, Profile) else Profile.even(body.shape, start)
    hours, now = [0.0], 0.0
    found = [[profile.centre], [profile.mean], [profile.surface]]
    for stage in stages:
        lengths, temps = stage.steps(step_min / 60.0)
        biot = body.biot(stage.film.at(side))
        done = march(profile, biot=biot, fourier=lengths * body.fourier_per_h, surroundings=temps)
        hours += [now + min(float(h), stage.hours) for h in np.cumsum(lengths)]
        for column, values in zip(found, (done.centre, done.mean, done.surface), strict=True):
            column += [float(v) for v in values[1:]]
        now, profile = now + stage.hours, done.end
        hours[-1] = now
    centre, mean, surface = (tuple(f) for f in found)
    return CoreCourse(tuple(hours), centre, mean, surface, profile)


@dataclass(frozen=True)
class Span:
    """A time with the range it may lie in; None where it is never reached.

    `low` is the shortest and `high` the longest over the film's range.

    Examples
    --------
    >>> print(Span(1.5, 1.25, 2.0))
    1 h 30 (1 h 15 to 2 h)
    """

    value: float | None
    low: float | None
    high: float | None

    def __str__(self) -> str:
        """Write the hours as a cook says them."""
        if self.value is None:
            return "not reached"
        last = "never" if self.high is None else clock_words(self.high)
        return f"{clock_words(self.value)} ({clock_words(self.low or 0.0)} to {last})"


def clock_words(hours: float) -> str:
    """Write hours as a cook says them.

    Examples
    --------
    >>> clock_words(1.5), clock_words(0.25), clock_words(30.0)
    ('1 h 30', '15 min', '30 h')
    """
    minutes = round(hours * 60)
    if minutes < 60:
        return f"{minutes} min"
    if minutes >= 24 * 60 or minutes % 60 == 0:
        return f"{round(minutes / 60)} h"
    return f"{minutes // 60} h {minutes % 60:02d}"


def time_until_core(
    body: Body,
    *,
    start: float | Profile,
    surroundings_c: float,
    wanted_c: float,
    film: Film,
) -> Span:
    """Find the hours until the core reaches a temperature in constant surroundings.

    Parameters
    ----------
    body : Body
    start : float or Profile
        Degrees Celsius throughout, or the end of a course.
    surroundings_c, wanted_c : float
        Degrees Celsius.
    film : Film
        Its range gives the range of the answer.

    Returns
    -------
    Span
        Hours; empty where the surroundings never bring the core there.

    References
    ----------
    As `follow_core`. Checked in tests/reference/test_conduction_incropera2007.py.

    Examples
    --------
    >>> from doughlab.formula.heat import DoughHeat
    >>> ball = Body.ball(250, DoughHeat(1150, 2.8, 0.45, 0.45, 0.45))
    >>> span = time_until_core(ball, start=24, surroundings_c=4, wanted_c=6,
    ...                        film=Film(10, 5, 20))
    >>> round(span.value, 3), round(span.low, 3), round(span.high, 3)
    (3.286, 2.023, 5.835)
    """
    profile = start if isinstance(start, Profile) else Profile.even(body.shape, start)

    def hours(side: str) -> float | None:
        found = fourier_until(
            profile, biot=body.biot(film.at(side)), surroundings=surroundings_c, wanted=wanted_c
        )
        return None if found is None else found / body.fourier_per_h

    return Span(hours("value"), hours("high"), hours("low"))


def calibrate_film(
    body: Body,
    readings: Sequence[tuple[float, float]],
    *,
    start_c: float,
    surroundings_c: float,
    probe_error_c: float = 0.5,
) -> Film:
    """Learn the film coefficient from probe readings of the core.

    Take at least two readings while the core still changes: one soon, one when it has covered
    about half of its way. Use a ball that is thrown away.

    Parameters
    ----------
    body : Body
    readings : sequence of (hours, degrees Celsius)
        Since the ball came into these surroundings, at least two.
    start_c, surroundings_c : float
        Core at the start, even throughout; surroundings, constant.
    probe_error_c : float
        How far a reading may be off, degrees Celsius.

    Returns
    -------
    Film
        Least squares; its range is what the readings give when all are off by the probe's error
        to one side.

    Raises
    ------
    InputError
        With fewer than two readings.
    NotEstimable
        Where the readings cannot tell a film, because the ball stood in its surroundings already
        or the readings do not lie between start and surroundings.

    References
    ----------
    As `follow_core`; least squares by scipy.

    Examples
    --------
    >>> from doughlab.formula.heat import DoughHeat
    >>> ball = Body.ball(250, DoughHeat(1150, 2.8, 0.45, 0.45, 0.45))
    >>> film = calibrate_film(ball, [(1.0, 14.93), (3.286, 6.0)], start_c=24, surroundings_c=4)
    >>> bool(9 < film.value_w_m2k < 11)
    True
    """
    if len(readings) < 2:
        raise InputError(
            f"{len(readings)} probe reading cannot calibrate a film. Take two of the same ball: "
            "one soon, one when the core has covered about half of its way."
        )
    way = surroundings_c - start_c
    if abs(way) < 4 * probe_error_c:
        raise NotEstimable(
            f"Core {start_c:g} °C and surroundings {surroundings_c:g} °C lie too close together "
            "to learn from. Calibrate while a warm ball cools or a cold one warms."
        )
    for hour, core_c in readings:
        if hour <= 0 or not -0.02 < (core_c - start_c) / way < 0.98:
            raise NotEstimable(
                f"A core of {core_c:g} °C after {hour:g} h does not lie between {start_c:g} °C and "
                f"{surroundings_c:g} °C, where a film shows. Check probe, times and surroundings."
            )
    ordered = sorted(readings)
    toward = math.copysign(probe_error_c, way)
    best, slow, fast = (
        _fit_film(body, [(h, c + d) for h, c in ordered], start_c, surroundings_c)
        for d in (0.0, -toward, toward)
    )
    return Film(best, min(slow, best), max(fast, best),
                f"calibrated by {len(readings)} probe readings")  # fmt: skip


def _fit_film(
    body: Body, readings: Sequence[tuple[float, float]], start_c: float, surroundings_c: float
) -> float:
    """Search the coefficient on its logarithm: a grid, then a golden section."""
    profile = Profile.even(body.shape, start_c)
    hours = np.array([h for h, _ in readings])
    wanted = np.array([c for _, c in readings])
    steps = np.diff(np.concatenate([[0.0], hours])) * body.fourier_per_h
    temps = np.full(len(steps) + 1, surroundings_c)

    def misfit(film: float) -> float:
        course = march(profile, biot=body.biot(film), fourier=steps, surroundings=temps)
        return float(np.sum((course.centre[1:] - wanted) ** 2))

    grid = np.linspace(math.log(0.2), math.log(500.0), 13)
    best = int(np.argmin([misfit(math.exp(g)) for g in grid]))
    low, high = float(grid[max(best - 1, 0)]), float(grid[min(best + 1, len(grid) - 1)])
    golden = (math.sqrt(5.0) - 1.0) / 2.0
    a, b = high - golden * (high - low), low + golden * (high - low)
    at_a, at_b = misfit(math.exp(a)), misfit(math.exp(b))
    while high - low > 1e-5:
        if at_a < at_b:
            high, b, at_b = b, a, at_a
            a = high - golden * (high - low)
            at_a = misfit(math.exp(a))
        else:
            low, a, at_a = a, b, at_b
            b = low + golden * (high - low)
            at_b = misfit(math.exp(b))
    return math.exp(0.5 * (low + high))
