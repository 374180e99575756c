"""Standing: where the readings of every day stand, against the window and their own history.

`doughlab daily` asks here. One point for each lot: the mean of its balls at the checkpoint, off
what the recipe expects at that hold. Limits are those of the settled recipe, or the last that
were computed anew on purpose. Charts stand in `chart`; what to do about it in `advice`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from doughlab.daily.capability import Capability, measure_capability
from doughlab.daily.chart import (
    RULES,
    Limits,
    Signal,
    cusum,
    ewma,
    find_signals,
    individuals_limits,
)
from doughlab.daily.constants import chart_constants
from doughlab.daily.journals import SAME_OUT_H, DailyRecords
from doughlab.daily.recipe import Recipe
from doughlab.errors import MissingRecords, UnknownName
from doughlab.formula.student import t_quantile

Row = dict[str, Any]
Floats = NDArray[np.floating[Any]]

# Rules of this project.
TOGETHER_MIN = 15.0  # readings of a lot this near are balls of one occasion
CHECKPOINT_H = 6.0  # a reading this near the checkpoint stands for its lot on the chart
FEWEST_LIMITS = 12  # lots before limits are computed anew
FEWEST_CAPABLE = 10  # lots before a spread is set against the window
FEWEST_WITHIN = 3  # lots of two balls or more before the spread within a lot is told
ROOM_SPAN_C = 3.0  # rooms must differ by this much before their slope is looked for
# EWMA: weight and width for a false alarm in about 500 readings (Lucas and Saccucci 1990); CUSUM:
# slack and limit for one in about 465, both sides; doughlab.daily.runlength computes them.
WEIGHT, WIDTH = 0.2, 2.962
SLACK, LIMIT = 0.5, 5.0
STANDARD_RULES = "western electric 1956"
# Share of kitchens in which some chart calls within 20 lots though nothing has moved, by
# simulation (tests/daily/test_faults.py; both rule sets alike): by the lots that own limits stand
# on, and by the error of the settled centre in standard deviations of a lot.
FALSE_LOTS = 20
FALSE_OWN = ((12, 0.49), (16, 0.47), (24, 0.41), (48, 0.36), (100, 0.31))
FALSE_SETTLED = ((0.0, 0.43), (0.25, 0.51), (0.5, 0.60), (0.75, 0.69), (1.0, 0.77))


@dataclass(frozen=True)
class Point:
    """One lot on the chart.

    Attributes
    ----------
    lot : str
        Empty where the reading names none.
    at : datetime
    hold_h, ph : float
        Means over its balls.
    balls : tuple of float
        pH of each.
    off : float
        pH minus what the recipe expects at that hold, the room counted where limits say so.
    room_c, cooler_c : float or None
    by_room : float
        What was taken off for its room.
    """

    lot: str
    at: datetime
    hold_h: float
    ph: float
    balls: tuple[float, ...]
    off: float
    room_c: float | None = None
    cooler_c: float | None = None
    by_room: float = 0.0

    @property
    def raw(self) -> float:
        """PH minus what the recipe expects at that hold, whatever the room was."""
        return self.off + self.by_room


@dataclass(frozen=True)
class ChartLimits:
    """Limits that stand until somebody computes them anew, off what is expected."""

    limits: Limits
    since: str
    room_slope: float = 0.0
    room_ref_c: float = 0.0
    ball_sd: float = 0.0  # between balls of a lot
    rooms_c: tuple[float, float] | None = None  # that the slope was learned in

    def by_room(self, room_c: float | None) -> float:
        """Give the pH that a room explains, no further than the rooms the slope was learned in.

        Examples
        --------
        >>> slope = ChartLimits(Limits(0, -0.1, 0.1, 0.03), "2026-05-01", -0.02, 21.0,
        ...                     rooms_c=(19.0, 24.0))
        >>> round(slope.by_room(23.0), 3), round(slope.by_room(31.0), 3), slope.by_room(None)
        (-0.04, -0.06, 0.0)
        """
        if not self.room_slope or room_c is None:
            return 0.0
        low, high = self.rooms_c or (room_c, room_c)
        return self.room_slope * (min(max(room_c, low), high) - self.room_ref_c)


@dataclass(frozen=True)
class Standing:
    """Where the lots stand.

    Attributes
    ----------
    points : tuple of Point
        In order of time.
    chart : ChartLimits
    rules : str
        Name of the published rule set.
    signals : tuple of Signal
        Of single values, over all points.
    average, average_low, average_high : float or None
        EWMA after the last point, with its limits.
    upper, lower : float or None
        CUSUM after the last point, in standard deviations; sums start anew after each call of
        theirs, so that a fault that was mended does not go on calling.
    range_high : bool
        Whether the last step from lot to lot is beyond the limit of moving ranges.
    within_sd : tuple of float or None
        Spread between balls of a lot with its 95 % range.
    since : int or None
        Where the sums began to add up to what they are; None where they are at zero.
    calls : tuple of int
        Points at which any chart called, the last one as in `now`.

    Examples
    --------
    >>> from doughlab.daily.journals import read_daily
    >>> from doughlab.daily.recipe import read_recipe
    >>> from doughlab.notebook import open_demo
    >>> folder = open_demo().folder
    >>> standing = find_standing(read_recipe(folder), read_daily(folder))
    >>> "slow drift (EWMA)" in standing.now
    True
    >>> standing.points[standing.first].lot, round(standing.shift[0], 2)
    ('L0426', 0.15)
    """

    points: tuple[Point, ...]
    chart: ChartLimits
    rules: str
    signals: tuple[Signal, ...] = ()
    average: float | None = None
    average_low: float | None = None
    average_high: float | None = None
    upper: float | None = None
    lower: float | None = None
    range_high: bool = False
    within_sd: tuple[float, float, float] | None = None
    since: int | None = None
    calls: tuple[int, ...] = ()

    @property
    def now(self) -> tuple[str, ...]:
        """The rules that the last point completes, in words."""
        last = len(self.points) - 1
        found = [s.rule for s in self.signals if s.at == last]
        if self.average is not None and not (
            (self.average_low or 0.0) <= self.average <= (self.average_high or 0.0)
        ):
            found.append("slow drift (EWMA)")
        if max(self.upper or 0.0, self.lower or 0.0) > LIMIT:
            found.append("adding up (CUSUM)")
        if self.range_high:
            found.append("a step from the lot before beyond its limit (moving range)")
        return tuple(found)

    @property
    def first(self) -> int:
        """Index of the first point of the stretch that the signals of the last look back on."""
        last = len(self.points) - 1
        firsts = [s.first for s in self.signals if s.at == last]
        if self.since is not None and any("EWMA" in w or "CUSUM" in w for w in self.now):
            firsts.append(self.since)
        return min(firsts, default=last)

    @property
    def shift(self) -> tuple[float, float, float] | None:
        """How far lots lie off now, with a 95 % range: the mean of the last ones of a stretch.

        The stretch is what the signals of the last point look back on; one value otherwise.
        """
        if not self.points:
            return None
        values = [p.off for p in self.points[self.first :]]
        mean = float(np.mean(values)) - self.chart.limits.centre
        half = 1.96 * self.chart.limits.sd / len(values) ** 0.5
        return mean, mean - half, mean + half


def chart_limits(recipe: Recipe, records: DailyRecords) -> ChartLimits:
    """Give the limits in force: of the settled recipe, or the last computed anew since then."""
    own = [r for r in records.limits if f"{r['at']:%Y-%m-%d}" >= recipe.settled_at]
    if own:
        row = own[-1]
        sd, centre = float(row["sd"]), float(row["centre"])
        limits = Limits(centre, centre - 3 * sd, centre + 3 * sd, sd, int(row["n"]), "own lots")
        rooms = [float(r["room_c"]) for r in records.readings
                 if r["room_c"] is not None and r["at"] <= row["at"]]  # fmt: skip
        return ChartLimits(limits, f"{row['at']:%Y-%m-%d}", float(row["room_slope"] or 0.0),
                           float(row["room_ref_c"] or 0.0),
                           float(row.get("ball_sd") or recipe.ball_sd),
                           (min(rooms), max(rooms)) if rooms else None)  # fmt: skip
    sd = recipe.single_sd
    limits = Limits(0.0, -3 * sd, 3 * sd, sd, 0, "the settled recipe")
    return ChartLimits(limits, recipe.settled_at, ball_sd=recipe.ball_sd)


def list_points(recipe: Recipe, records: DailyRecords, chart: ChartLimits) -> list[Point]:
    """Make one point for each lot of this setting: its first occasion near the checkpoint."""
    groups: dict[str, list[Row]] = {}
    nameless = ""
    for number, row in enumerate(records.readings):
        if abs(row["hold_h"] - recipe.hold_h) > CHECKPOINT_H:
            continue
        if recipe.before(row["at"] - timedelta(hours=row["hold_h"])):
            continue
        name = row["lot"]
        if name is None:  # balls without a lot, read in one half day, are taken for one
            first = groups[nameless][0]["at"] if nameless else None
            if first is None or (row["at"] - first).total_seconds() > SAME_OUT_H * 3600:
                nameless = f"\0{number}"
            name = nameless
        groups.setdefault(name, []).append(row)
    points = []
    for rows in groups.values():
        first = rows[0]["at"]
        same = [r for r in rows if (r["at"] - first).total_seconds() <= TOGETHER_MIN * 60]
        point = make_point(recipe, chart, same)
        if point is not None:
            points.append(point)
    return sorted(points, key=lambda p: p.at)


def make_point(recipe: Recipe, chart: ChartLimits, rows: Sequence[Row]) -> Point | None:
    """Set the balls of one occasion against the recipe; None outside the tried holds."""
    hold = float(np.mean([r["hold_h"] for r in rows]))
    expected = recipe.at(hold)
    if expected is None:
        return None
    balls = tuple(float(r["ph"]) for r in rows)
    ph = float(np.mean(balls))
    rooms = [float(r["room_c"]) for r in rows if r["room_c"] is not None]
    coolers = [float(r["cooler_c"]) for r in rows if r["cooler_c"] is not None]
    room = float(np.mean(rooms)) if rooms else None
    by_room = chart.by_room(room)
    return Point(rows[0]["lot"] or "", rows[0]["at"], hold, ph, balls, ph - expected - by_room,
                 room, max(coolers, default=None), by_room)  # fmt: skip


def find_standing(
    recipe: Recipe, records: DailyRecords, *, rules: str = STANDARD_RULES
) -> Standing:
    """Set the history of lots against its limits.

    Parameters
    ----------
    recipe : Recipe
    records : DailyRecords
    rules : str
        A published rule set of `doughlab.daily.chart.RULES`.

    Raises
    ------
    UnknownName
        For another rule set.

    References
    ----------
    `individuals_limits`, `find_signals`, `ewma` and `cusum` name the sources; EWMA weight and
    width by Lucas & Saccucci (1990).

    Examples
    --------
    >>> from doughlab.daily.recipe import example_recipe
    >>> find_standing(example_recipe(), DailyRecords()).now
    ()
    """
    if rules not in RULES:
        raise UnknownName("rule set", rules, RULES)
    chart = chart_limits(recipe, records)
    points = list_points(recipe, records, chart)
    if not points:
        return Standing((), chart, rules)
    chart = _for_balls(chart, recipe, points)
    off = [p.off for p in points]
    centre, sd = chart.limits.centre, chart.limits.sd
    average, low, high = ewma(off, centre=centre, sd=sd, weight=WEIGHT, width=WIDTH)
    upper, lower, start = _sums(off, centre, sd)
    steps = np.abs(np.diff(off, prepend=off[0]))
    signals = find_signals(off, chart.limits, rules=rules)
    called = (average < low) | (average > high) | (np.maximum(upper, lower) > LIMIT * sd)
    called |= steps > _range_limit(sd)
    calls = {s.at for s in signals} | set(np.flatnonzero(called).tolist())
    return Standing(
        tuple(points), chart, rules, tuple(signals),
        float(average[-1]), float(low[-1]), float(high[-1]), float(upper[-1] / sd),
        float(lower[-1] / sd), bool(steps[-1] > _range_limit(sd)),
        within_spread(points), _since(upper if upper[-1] >= lower[-1] else lower, start),
        tuple(sorted(calls)),
    )  # fmt: skip


def _for_balls(chart: ChartLimits, recipe: Recipe, points: Sequence[Point]) -> ChartLimits:
    """Narrow the limits of the settled recipe to lots of so many balls as are read of them.

    Own limits come from such lots already. The variance of a lot's mean is that between lots plus
    that of balls over their count; with unequal counts, over the harmonic mean.
    """
    if chart.limits.n:
        return chart
    per_lot = float(np.mean([1.0 / len(p.balls) for p in points]))
    sd = float((recipe.lot_sd**2 + recipe.ball_sd**2 * per_lot) ** 0.5)
    return replace(chart, limits=replace(chart.limits, low=-3 * sd, high=3 * sd, sd=sd))


def _sums(off: Sequence[float], centre: float, sd: float) -> tuple[Floats, Floats, int]:
    """Add up what lies off centre, from zero again after each call; and where it last started."""
    upper, lower, start = np.zeros(len(off)), np.zeros(len(off)), 0
    while True:
        up, down, first = cusum(off[start:], centre=centre, slack=SLACK * sd, limit=LIMIT * sd)
        upper[start:], lower[start:] = up, down
        if first is None or start + first + 1 >= len(off):
            return upper, lower, start
        start += first + 1


def _since(sums: Floats, start: int) -> int | None:
    """Index of the first value of the stretch over which a sum grew from zero."""
    if not sums[-1] > 0.0:
        return None
    zeros = np.flatnonzero(sums[start:] == 0.0)
    return start + (int(zeros[-1]) + 1 if len(zeros) else 0)


def false_calls(recipe: Recipe, standing: Standing) -> float:
    """Give the share of kitchens that see a call within 20 lots though nothing has moved.

    Limits that stand on few lots, or on a trial that knows its mean roughly, call more often than
    limits that are known.

    Parameters
    ----------
    recipe : Recipe
    standing : Standing

    Returns
    -------
    float
        0 to 1; simulated, see FALSE_OWN and FALSE_SETTLED.

    Examples
    --------
    >>> from doughlab.daily.recipe import example_recipe
    >>> recipe = example_recipe()
    >>> round(false_calls(recipe, find_standing(recipe, DailyRecords())), 2)
    0.61
    """
    limits = standing.chart.limits
    if limits.n:
        at, known = limits.n**-0.5, [(n**-0.5, share) for n, share in reversed(FALSE_OWN)]
    else:
        error = (recipe.expected_high - recipe.expected_low) / 2.0 / 1.96
        at, known = error / limits.sd, list(FALSE_SETTLED)
    return float(np.interp(at, [k[0] for k in known], [k[1] for k in known]))


def _range_limit(sd: float) -> float:
    """Upper limit of the step between two lots: D4 of the mean moving range, d2 sd."""
    two = chart_constants(2)
    return sd * two.d2 * two.range_factors[1]


def within_spread(points: Sequence[Point]) -> tuple[float, float, float] | None:
    """Give the spread between balls of one lot with its 95 % range; None with too few.

    Examples
    --------
    >>> within_spread([]) is None
    True
    """
    from scipy.special import chdtri

    groups = [p.balls for p in points if len(p.balls) > 1]
    df = sum(len(g) - 1 for g in groups)
    if len(groups) < FEWEST_WITHIN:
        return None
    total = float(sum(((np.array(g) - np.mean(g)) ** 2).sum() for g in groups))
    sd = (total / df) ** 0.5
    low, high = ((total / float(chdtri(df, q))) ** 0.5 for q in (0.025, 0.975))
    return sd, low, high


def measure_against_window(recipe: Recipe, points: Sequence[Point]) -> Capability | None:
    """Set the spread of the lots at the checkpoint against the window; None with too few.

    The values are what the lots would read at the checkpoint itself, in the rooms they had.
    """
    if len(points) < FEWEST_CAPABLE:
        return None
    values = np.array([recipe.expected + p.raw for p in points])
    sd = float(values.std(ddof=1))
    if not sd > 0.0:
        return None
    return measure_capability(
        float(values.mean()), sd, low=recipe.low, high=recipe.high, df=len(values) - 1
    )


def new_limits(
    recipe: Recipe, records: DailyRecords, *, since: date | None = None
) -> dict[str, Any]:
    """Compute limits anew from the kitchen's own lots, the room counted where it is shown.

    Parameters
    ----------
    recipe : Recipe
    records : DailyRecords
    since : date, optional
        Only lots read from this day on: after a fault was mended, or a change was accepted.

    Returns
    -------
    dict
        A row for daily/limits.csv: centre, sd, n, room_slope, room_ref_c, ball_sd.

    Raises
    ------
    MissingRecords
        With fewer than twelve lots at the checkpoint.
    """
    plain = ChartLimits(Limits(0.0, -1.0, 1.0, 1.0), "")
    points = [p for p in list_points(recipe, records, plain) if not since or p.at.date() >= since]
    if len(points) < FEWEST_LIMITS:
        from_day = f" from {since.isoformat()} on" if since else ""
        raise MissingRecords(
            f"Limits of your own need {FEWEST_LIMITS} lots read within {CHECKPOINT_H:g} h of the "
            f"checkpoint; there are {len(points)}{from_day}. Those in force stay."
        )
    off = np.array([p.off for p in points])
    slope, reference = room_slope(points)
    if slope:
        rooms = [p.room_c if p.room_c is not None else reference for p in points]
        off = off - slope * (np.array(rooms) - reference)
    found = individuals_limits(off.tolist())
    if not found.sd > 0.0:
        raise MissingRecords("All these lots read alike, so they tell no spread. Read to 0.01.")
    within = within_spread(points)
    return {
        "centre": found.centre, "sd": found.sd, "n": len(points),
        "room_slope": slope or None, "room_ref_c": reference if slope else None,
        "ball_sd": within[0] if within else None,
    }  # fmt: skip


def room_slope(points: Sequence[Point]) -> tuple[float, float]:
    """Give pH for 1 °C more of room and the room it is counted from; 0 where it is not shown.

    Least squares over the lots whose room is recorded; shown where the rooms span 3 °C and the
    95 % range of the slope leaves zero out.
    """
    pairs = [(p.room_c, p.off) for p in points if p.room_c is not None]
    if len(pairs) < FEWEST_LIMITS:
        return 0.0, 0.0
    x, y = (np.array(v, dtype=float) for v in zip(*pairs, strict=True))
    middle = float(x.mean())
    found = fit_slope(x.tolist(), y.tolist(), span=ROOM_SPAN_C)
    return (found[0] if found and (found[1] > 0 or found[2] < 0) else 0.0), middle


def fit_slope(
    x: Sequence[float], y: Sequence[float], *, span: float
) -> tuple[float, float, float] | None:
    """Fit a straight line by least squares: slope with its 95 % range.

    Returns
    -------
    tuple or None
        None with fewer than eight pairs, or where x spans less than `span`.

    Examples
    --------
    >>> x = [12, 13, 14, 15, 16, 17, 18, 19]
    >>> slope, low, high = fit_slope(x, [5.9 - 0.02 * v for v in x], span=2)
    >>> round(slope, 6)
    -0.02
    """
    if len(x) < 8 or max(x) - min(x) < span:
        return None
    a, b = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    a0 = a - a.mean()
    slope = float(a0 @ b / (a0 @ a0))
    rest = b - b.mean() - slope * a0
    error = float((rest @ rest / (len(a) - 2) / (a0 @ a0)) ** 0.5)
    half = t_quantile(len(a) - 2) * error
    return slope, slope - half, slope + half
