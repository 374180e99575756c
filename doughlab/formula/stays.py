"""Stays: the steps of recorded balls, from times and temperatures as they stand in the records.

The curve of the hold and `doughlab ripe` count ripening hours of whole trials with it. Rows are
plain dictionaries and ball states anything with their times: no record is read here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from statistics import fmean, median
from typing import Any, Protocol

from doughlab.formula.clock import TemperatureHistory, equivalent_hours
from doughlab.formula.heat import Body, Film
from doughlab.formula.ripening import Q10Model, RipeningModel
from doughlab.formula.steps import BallSteps, cover

Row = Mapping[str, Any]

# Only where nothing is recorded: common practice, no source.
USUAL_ROOM_C = 22.0
USUAL_DOUGH_C = 24.0
USUAL_COOLER_C = 4.0
COLD_PLACES = (
    "cooler", "fridge", "cold", "shelf", "refriger", "chill", "walk-in", "walk in", "retard",
    "cool room", "coolroom", "cool box", "coolbox",
)  # fmt: skip
ROOM_PLACES = ("room", "kitchen", "bench")
# How old a room's reading may be, and minutes between points of a ball's course (each step
# itself is exact): rules of this project.
NEAR_H = 3.0
STEP_MIN = 30.0


class BallTimes(Protocol):
    """The times of a ball, as the record room derives them."""

    @property
    def batch_id(self) -> str:
        """Batch of the ball."""
        ...

    @property
    def balled_at(self) -> datetime | None:
        """When it was balled."""
        ...

    @property
    def cooled_at(self) -> datetime | None:
        """When it came into the cooler."""
        ...

    @property
    def pulled_at(self) -> datetime | None:
        """When it came out."""
        ...

    @property
    def used_at(self) -> datetime | None:
        """When it was read or baked first."""
        ...


@dataclass(frozen=True)
class Cooler:
    """The cooler of a ball.

    Attributes
    ----------
    mean_c, warmest_c : float
    history : TemperatureHistory or None
        From a log; hour 0 is when the ball came in.
    words : str
        Where it comes from.
    known : bool
        False where nothing was recorded while the ball was in it.
    """

    mean_c: float
    warmest_c: float
    history: TemperatureHistory | None = None
    words: str = "not recorded"
    known: bool = False


def is_place(row: Row, words: Sequence[str]) -> bool:
    """Tell whether a temperature was taken in a kind of place, by its name.

    Examples
    --------
    >>> is_place({"place": "Cooler 2"}, COLD_PLACES)
    True
    """
    return any(w in str(row["place"]).casefold() for w in words)


def find_cooler(
    temperatures: Iterable[Row], into: datetime, out: datetime, *, limit_c: float = 5.0
) -> Cooler:
    """Take the readings of a cooler while a ball was in it, else those of other days.

    Parameters
    ----------
    temperatures : iterable of mapping
        Rows with place, at, temp_c.
    into, out : datetime
    limit_c : float
        Taken, or 4 C if that is lower, where nothing is recorded at all.

    Examples
    --------
    >>> from datetime import UTC
    >>> day = [datetime(2026, 3, d, tzinfo=UTC) for d in (2, 3, 4)]
    >>> rows = [{"place": "cooler", "at": day[1], "temp_c": 3.6}]
    >>> find_cooler(rows, day[0], day[2]).words
    '1 reading'
    """
    rows = [r for r in temperatures if is_place(r, COLD_PLACES)]
    own = [float(r["temp_c"]) for r in rows if into <= r["at"] <= out]
    if own:
        count = f"{len(own)} reading{'s' if len(own) > 1 else ''}"
        return Cooler(fmean(own), max(own), None, count, True)
    if rows:
        usual = fmean(float(r["temp_c"]) for r in rows)
        return Cooler(usual, usual, None, "readings of other days")
    usual = min(limit_c, USUAL_COOLER_C)
    return Cooler(usual, usual)


def find_room(temperatures: Iterable[Row], at: datetime, *, place: str = "") -> float | None:
    """Take the reading of a room nearest to a time, within three hours; None without one.

    With a place, of that place only.

    Examples
    --------
    >>> from datetime import UTC
    >>> noon = datetime(2026, 3, 2, 12, tzinfo=UTC)
    >>> rows = [{"place": "store", "at": noon, "temp_c": 17.0}]
    >>> find_room(rows, noon, place="Store"), find_room(rows, noon)
    (17.0, None)
    """
    near = [
        (abs(_hours(r["at"], at)), float(r["temp_c"]))
        for r in temperatures
        if (str(r["place"]).casefold() == place.casefold() if place else is_place(r, ROOM_PLACES))
        and abs(_hours(r["at"], at)) <= NEAR_H
    ]
    return min(near)[1] if near else None


@dataclass(frozen=True)
class UsualDay:
    """What is usual in a trial, for balls and rooms that were not measured.

    Attributes
    ----------
    bench_h, warm_h : float
        Hours from balling to cooler, and out of it before use.
    dough_c, room_c, cooler_c : float
        Degrees Celsius.

    Examples
    --------
    >>> UsualDay.of([], [], warm_min=90).warm_h
    1.5
    """

    bench_h: float
    warm_h: float
    dough_c: float
    room_c: float
    cooler_c: float

    @classmethod
    def of(
        cls, mixes: Sequence[Row], temperatures: Iterable[Row], *, warm_min: float = 90.0,
        limit_c: float = 5.0,
    ) -> UsualDay:  # fmt: skip
        """Take the middle of what was recorded."""
        bench = [
            _hours(m["balled_at"], m["cooled_at"])
            for m in mixes
            if m.get("balled_at") is not None and m.get("cooled_at") is not None
        ]
        cold = [float(r["temp_c"]) for r in temperatures if is_place(r, COLD_PLACES)]
        return cls(
            max(0.0, median(bench)) if bench else 0.25,
            warm_min / 60.0,
            _middle(mixes, "dough_temp_c", USUAL_DOUGH_C),
            _middle(mixes, "room_temp_c", USUAL_ROOM_C),
            fmean(cold) if cold else min(limit_c, USUAL_COOLER_C),
        )

    @property
    def clock(self) -> Q10Model:
        """A factor 2.6 for ten degrees, counted at the usual cooler."""
        return Q10Model(reference_c=self.cooler_c)

    def steps(self, hold_h: float, *, warm_h: float | None = None) -> BallSteps:
        """Give the steps of a usual ball over a hold."""
        warm = self.warm_h if warm_h is None else warm_h
        bench = min(self.bench_h, hold_h)
        warm = min(warm, hold_h - bench)
        return BallSteps(
            bench, hold_h - bench - warm, warm, dough_c=self.dough_c, bench_c=self.room_c,
            cooler_c=self.cooler_c, room_c=self.room_c,
        )  # fmt: skip


def _middle(rows: Iterable[Row], column: str, otherwise: float) -> float:
    found = [float(r[column]) for r in rows if r.get(column) is not None]
    return median(found) if found else otherwise


def ball_steps(
    ball: BallTimes, end: datetime, *, mix: Row, cooler: Cooler, room_c: float, usual: UsualDay
) -> BallSteps | None:
    """Give the steps of a ball up to a time; None where it was not balled.

    Parameters
    ----------
    ball : BallTimes
    end : datetime
    mix : mapping
        The row of its batch; what is missing there is taken as usual.
    cooler : Cooler
    room_c : float
        Where it warms up, degrees Celsius.
    usual : UsualDay
        Its bench where the time of cooling is not recorded.
    """
    balled = ball.balled_at
    if balled is None or end < balled:
        return None
    whole = _hours(balled, end)
    bench = usual.bench_h if ball.cooled_at is None else max(0.0, _hours(balled, ball.cooled_at))
    bench = min(bench, whole)
    warm = 0.0 if ball.pulled_at is None else max(0.0, _hours(ball.pulled_at, end))
    warm = min(warm, whole - bench)
    cold = whole - bench - warm
    surroundings: float | TemperatureHistory = cooler.mean_c
    if cooler.history is not None and cold > 0:
        surroundings = cover(cooler.history, cold)

    def known(column: str, otherwise: float) -> float:
        return otherwise if mix.get(column) is None else float(mix[column])

    return BallSteps(
        bench, cold, warm,
        dough_c=known("dough_temp_c", usual.dough_c),
        bench_c=known("room_temp_c", usual.room_c),
        cooler_c=surroundings, room_c=room_c,
    )  # fmt: skip


def count_ripening(
    balls: Mapping[str, BallTimes],
    mixes: Sequence[Row],
    temperatures: Sequence[Row],
    *,
    body: Body,
    usual: UsualDay,
    clock: RipeningModel | None = None,
    coolers_c: Mapping[str, float] | None = None,
    film: Film | None = None,
) -> dict[str, float]:
    """Count the ripening hours of every ball that was used, from balling to use.

    Where a ball's time out of the cooler is not recorded it is taken to have warmed as planned.

    Parameters
    ----------
    balls : mapping of ball to its times
    mixes, temperatures : sequence of mapping
        Rows of the records.
    body : Body
    usual : UsualDay
    clock : RipeningModel, optional
        That of the usual day unless given.
    coolers_c : mapping of ball to degrees Celsius, optional
        Where the hold's temperature was set ball by ball.
    film : Film, optional
        Around a ball in the cooler and out of it; that of a closed box unless given.

    Returns
    -------
    dict of ball to hours
        At the clock's reference; balls without their times are left out.

    Examples
    --------
    >>> from doughlab.formula.steps import usual_body
    >>> count_ripening({}, [], [], body=usual_body(), usual=UsualDay.of([], []))
    {}
    """
    by_batch = {m["batch_id"]: m for m in reversed(list(mixes))}
    model = clock or usual.clock
    out = {}
    for name, ball in balls.items():
        if ball.balled_at is None or ball.used_at is None or ball.used_at < ball.balled_at:
            continue
        until = ball.pulled_at or ball.used_at
        cooler = find_cooler(temperatures, ball.cooled_at or ball.balled_at, until)
        if coolers_c is not None and name in coolers_c:
            cooler = Cooler(coolers_c[name], coolers_c[name], None, "planned", True)
        room = find_room(temperatures, until)
        steps = ball_steps(
            ball, ball.used_at, mix=by_batch.get(ball.batch_id, {}), cooler=cooler,
            room_c=usual.room_c if room is None else room, usual=usual,
        )  # fmt: skip
        if steps is None:
            continue
        if ball.pulled_at is None:
            steps = _warmed_as_planned(steps, usual)
        if film is not None:
            steps = replace(steps, cooler_film=film, room_film=film)
        course = steps.follow(body, step_min=STEP_MIN)
        out[name] = equivalent_hours(course.history(), model)
    return out


def _warmed_as_planned(steps: BallSteps, usual: UsualDay) -> BallSteps:
    warm = min(usual.warm_h, steps.cooler_h)
    return BallSteps(
        steps.bench_h, steps.cooler_h - warm, warm, steps.dough_c, steps.bench_c,
        steps.cooler_c, steps.room_c,
    )  # fmt: skip


def _hours(start: datetime, end: datetime) -> float:
    return (end.timestamp() - start.timestamp()) / 3600.0
