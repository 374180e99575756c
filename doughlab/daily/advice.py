"""Advice for today and tomorrow: warm on, use first, bake later, hold back, another water.

`doughlab daily` asks here after a reading. Warming is the formula room's, with its ceiling; hours
come from the settled curve, the water from slopes that were shown. Nothing here judges food.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from doughlab.daily.journals import DailyRecords, hold_of
from doughlab.daily.recipe import Recipe
from doughlab.daily.standing import Standing, fit_slope
from doughlab.errors import NotEstimable
from doughlab.formula.core import clock_words
from doughlab.formula.warmup import Advice, Warmth, WarmUpModel, advise_warm_up
from doughlab.units import format_quantity

Row = dict[str, Any]
# Rules of this project.
SOON_H = 12.0  # inside, and leaving within this: use first
WATER_SPAN_C = 2.0  # waters must differ by this before the records tell a slope
LEAST_CHANGE_C = 0.3  # a smaller change of the water is none


@dataclass(frozen=True)
class Today:
    """What to do with a lot that was read.

    Attributes
    ----------
    kind : str
        As in `doughlab.formula.warmup.Advice`: "warm", "use", "past", "stop", "none"; "cannot"
        where no warm-up was learned for it yet.
    words : tuple of str
    minutes, low_min, high_min : float or None

    Examples
    --------
    >>> Today("use", ("5.60: inside the window. Use it now.",)).minutes is None
    True
    """

    kind: str
    words: tuple[str, ...]
    minutes: float | None = None
    low_min: float | None = None
    high_min: float | None = None


def advise_today(
    recipe: Recipe,
    warmth: Warmth,
    *,
    hold_h: float,
    max_hold_h: float,
    model: WarmUpModel | NotEstimable | None,
    show: str = "",
) -> Today:
    """Say what to do with a lot after its reading.

    Parameters
    ----------
    recipe : Recipe
    warmth : Warmth
        What is known of the ball that was read, with the user's limits.
    hold_h, max_hold_h : float
        Its hold, and the user's longest one.
    model : WarmUpModel or NotEstimable or None
        How pH falls while balls warm up, or why that is not known.
    show : str
        Unit of temperature to answer in.

    Returns
    -------
    Today
        Nothing about pH where the cooler was too warm; warming never beyond the limit.

    Examples
    --------
    >>> from doughlab.daily.recipe import example_recipe
    >>> low = Warmth(5.30, 21, warmed_min=60, spent_h=2, limit_h=4, cooler_c=3.5)
    >>> found = advise_today(example_recipe(), low, hold_h=48, max_hold_h=96, model=None)
    >>> found.kind
    'past'
    >>> print(found.words[-1])
    Trays of this lot in the cooler go on falling: use them first, or bake one ball to see.
    >>> warm = Warmth(5.84, 21, warmed_min=60, spent_h=2, limit_h=4, cooler_c=7)
    >>> advise_today(example_recipe(), warm, hold_h=48, max_hold_h=96, model=None).kind
    'none'
    """
    window = {"low": recipe.low, "high": recipe.high, "show": show}
    try:
        if isinstance(model, NotEstimable):
            known = advise_warm_up(None, warmth, **window)  # type: ignore[arg-type]
        else:
            known = advise_warm_up(model, warmth, **window)  # type: ignore[arg-type]
    except NotEstimable as error:
        why = model if isinstance(model, NotEstimable) else error
        spent, limit = clock_words(warmth.spent_h), clock_words(warmth.limit_h)
        used = f"Warm time so far {spent} of your {limit}"
        known = Advice(
            "cannot", None, None, None, f"{warmth.ph:.2f}: above the window. {used}. {why}"
        )
    if known.kind == "none":
        return Today("none", (known.words,))
    more = _hours_words(recipe, warmth, known.kind, hold_h, max_hold_h)
    if known.kind == "stop":
        more = []  # the limit is reached first: the food-safety plan goes on from here
    return Today(known.kind, (known.words, *more), known.minutes, known.low_min, known.high_min)


def _hours_words(
    recipe: Recipe, warmth: Warmth, kind: str, hold_h: float, max_hold_h: float
) -> list[str]:
    """Say what becomes of the trays of the lot that are still in the cooler."""
    if kind == "past":
        return [
            "Trays of this lot in the cooler go on falling: use them first, or bake one ball to "
            "see."
        ]
    edge = recipe.low if kind == "use" else recipe.high
    found = hours_until(recipe, warmth.ph, edge, sd=warmth.reading_sd)
    if found is None:
        return []
    hours, low, high = found
    digits = 0 if hours >= 2 else 1
    span = f"about {hours:.{digits}f} h ({low:.{digits}f} to {high:.{digits}f})"
    straight = "by the settled curve, in the usual cooler"
    if kind == "use":
        first = "Use this lot first: it" if hours < SOON_H else "In the cooler it"
        return [f"{first} leaves the window in {span}, {straight}."]
    if hold_h + hours > max_hold_h:
        return [
            f"Holding it back does not help: it would need {span}, and your longest hold is "
            f"{max_hold_h:g} h."
        ]
    return [
        f"Or bake later: trays still in the cooler reach the window in {span}, {straight}. Hold "
        "them back until then."
    ]


def hours_until(
    recipe: Recipe, ph: float, edge: float, *, sd: float
) -> tuple[float, float, float] | None:
    """Give the hours until a ball at a pH reaches another, in the usual cooler, with a range.

    The range holds the spread between balls of a lot, the reading and the slope's own range.
    None where the slope of the hold is not shown to fall.

    Examples
    --------
    >>> from doughlab.daily.recipe import example_recipe
    >>> [round(h, 1) for h in hours_until(example_recipe(), 5.84, 5.75, sd=0.02)]
    [10.3, 1.9, 21.4]
    """
    lever = next((x for x in recipe.levers if x.unit == "h" and x.now == recipe.hold_h), None)
    if lever is None or lever.high >= 0 or ph < edge:
        return None
    fall = ph - edge
    reach = 1.96 * (recipe.ball_sd**2 + sd**2) ** 0.5
    low, high = max(0.0, fall - reach) / -lever.low, (fall + reach) / -lever.high
    return fall / -lever.slope, low, high


@dataclass(frozen=True)
class Water:
    """Another temperature for tomorrow's mixing water; degrees Celsius.

    Examples
    --------
    >>> Water(15, 16, 15.5, 16.5, "Tomorrow's mixing water: 16 °C instead of 15 °C.").wanted_c
    16
    """

    now_c: float
    wanted_c: float
    low_c: float
    high_c: float
    words: str


def advise_water(
    recipe: Recipe, standing: Standing, records: DailyRecords, *, show: str = ""
) -> Water | None:
    """Give tomorrow's water temperature, where lots have moved and a slope is shown.

    The slope of the kitchen's own lots is taken where its 95 % range leaves zero out, else that
    of the trial; never beyond what was tried. It counts from the water of the lots that lie off,
    so lots that are mixed with another one already and not yet read are not corrected twice.

    Returns
    -------
    Water or None
        None where nothing has moved, or nothing shows that the water moves pH.

    Examples
    --------
    >>> from doughlab.daily.journals import read_daily
    >>> from doughlab.daily.recipe import read_recipe
    >>> from doughlab.daily.standing import find_standing
    >>> from doughlab.notebook import open_demo
    >>> recipe, records = (read(open_demo().folder) for read in (read_recipe, read_daily))
    >>> water = advise_water(recipe, find_standing(recipe, records), records, show="F")
    >>> print(water.words[:39])
    Tomorrow's mixing water stays at 64 °F:
    """
    shift = standing.shift
    if not standing.now or shift is None or shift[1] <= 0 <= shift[2]:
        return None
    slope, source, first, last, now = _water_slope(recipe, standing, records)
    if slope is None:
        return None
    stretch = [records.lots.get(p.lot) for p in standing.points[standing.first :]]
    used = [float(x["water_temp_c"]) for x in stretch if x and x["water_temp_c"] is not None]
    base = sum(used) / len(used) if used else now  # what the lots that lie off were mixed with
    change = base - shift[0] / slope[0] - now
    ends = [base - s / k for s in shift[1:] for k in slope[1:]]
    if abs(change) < LEAST_CHANGE_C:
        return None
    wanted = min(max(now + change, first), last)
    low, high = (min(max(e, first), last) for e in (min(ends), max(ends)))
    t = [format_quantity(v, "temp_c", show=show, digits=0) for v in (wanted, now, low, high)]
    if t[0] == t[1]:
        edge = format_quantity(last if change > 0 else first, "temp_c", show=show, digits=0)
        words = (
            f"Tomorrow's mixing water stays at {t[1]}: the shift asks for it "
            f"{'warmer' if change > 0 else 'colder'}, and {edge} is the end of what was tried."
        )
        return Water(now, now, low, high, words)
    span = f"{t[2]} to {t[3]}" if t[2] != t[3] else "the end of what was tried"
    words = (
        f"Tomorrow's mixing water, if no cause is found: {t[0]} instead of {t[1]} ({span}; {source}"
        ", never beyond what was tried)."
    )
    return Water(now, wanted, low, high, words)


Slope = tuple[float, float, float]


def _water_slope(
    recipe: Recipe, standing: Standing, records: DailyRecords
) -> tuple[Slope | None, str, float, float, float]:
    """Find the slope of the mixing water: own lots where shown, else the trial's lever."""
    lots = [records.lots.get(p.lot) for p in standing.points]
    newest = [
        float(x["water_temp_c"]) for x in records.lots.values() if x["water_temp_c"] is not None
    ]
    pairs = [
        (float(lot["water_temp_c"]), p.off)
        for lot, p in zip(lots, standing.points, strict=True)
        if lot is not None and lot["water_temp_c"] is not None
    ]
    if pairs:
        x, y = [p[0] for p in pairs], [p[1] for p in pairs]
        found = fit_slope(x, y, span=WATER_SPAN_C)
        if found is not None and (found[1] > 0 or found[2] < 0):
            return found, f"slope of {len(x)} lots of your own", min(x), max(x), newest[-1]
    for lever in recipe.levers:
        named = f"{lever.name} {lever.words}".replace("_", " ").casefold()
        if lever.unit == "temp_c" and "water" in named and lever.shown:
            own = (lever.slope, lever.low, lever.high)
            now = newest[-1] if newest else lever.now
            return own, "slope of the trial", lever.first, lever.last, now
    return None, "", 0.0, 0.0, 0.0


@dataclass(frozen=True)
class Tray:
    """One lot in the order of use.

    Attributes
    ----------
    lot : str
    left : int or None
        Trays.
    hold_h : float
        Now.
    state : str
        "inside", "not yet", "past", "too old" beyond the longest hold, "no advice" where its
        cooler was too warm, or "earlier" where it was mixed by another setting.
    opens_h, closes_h : float or None
        Hours from now until the mean enters and leaves the window; below 0 where that is over.
    reach_h : float
        How much earlier or later a single lot may be (95 %).
    place : str

    Examples
    --------
    >>> print(Tray("L07", 6, 24.0, "not yet", 8.0, None, 5.0, "walk-in").words[:65])
    L07 (24 h, 6 trays, walk-in): not yet inside, enters in about 8 h
    """

    lot: str
    left: int | None
    hold_h: float
    state: str
    opens_h: float | None
    closes_h: float | None
    reach_h: float
    place: str = ""

    @property
    def words(self) -> str:
        """Say when it enters and leaves the window."""
        left = "" if self.left is None else f", {self.left} trays"
        left = left.replace(" 1 trays", " 1 tray")
        place = f", {self.place}" if self.place else ""
        head = f"{self.lot} ({clock_words(self.hold_h)}{left}{place})"
        if self.state == "no advice":
            return f"{head}: its cooler was too warm, no advice on pH"
        if self.state == "earlier":
            return f"{head}: mixed before this setting was settled, no hours; read a ball first"
        if self.state == "too old":
            return (f"{head}: over your longest hold, not advised on; where it is gone: --lot "
                    f"{self.lot} --change left=0")  # fmt: skip
        reach = f"single lots {self.reach_h:.0f} h earlier or later"
        if self.state == "not yet":
            when = "" if self.opens_h is None else f", enters in about {self.opens_h:.0f} h"
            return f"{head}: not yet inside{when}; {reach}"
        if self.state == "past":
            return f"{head}: below the window by the curve; read one ball before use; {reach}"
        if self.closes_h is None:
            return f"{head}: inside, and as far as was tried it stays inside; {reach}"
        return f"{head}: inside, leaves in about {self.closes_h:.0f} h; {reach}"


def order_trays(
    recipe: Recipe,
    records: DailyRecords,
    *,
    at: datetime,
    too_warm: Mapping[str, bool] | None = None,
    max_hold_h: float = math.inf,
) -> list[Tray]:
    """Order the lots that are left: inside and leaving soonest first.

    A lot that was read is moved by its own reading, drawn to the mean as far as balls of one lot
    differ; the others stand on the settled curve.

    Parameters
    ----------
    recipe : Recipe
    records : DailyRecords
    at : datetime
        With offset.
    too_warm : mapping of lot to bool, optional
        Whose cooler was too warm: no advice for them, and they stand last.
    max_hold_h : float
        The user's longest hold: beyond it a lot is not advised on.

    Examples
    --------
    >>> from datetime import UTC, timedelta
    >>> from doughlab.daily.recipe import example_recipe
    >>> now = datetime(2026, 4, 3, 9, tzinfo=UTC)
    >>> lot = {"balled_at": None, "left": 4, "place": None}
    >>> old = {**lot, "lot": "L1", "mixed_at": now - timedelta(hours=60)}
    >>> new = {**lot, "lot": "L2", "mixed_at": now - timedelta(hours=40)}
    >>> trays = order_trays(example_recipe(), DailyRecords({"L2": new, "L1": old}), at=now)
    >>> [(t.lot, t.state) for t in trays]
    [('L1', 'inside'), ('L2', 'inside')]
    """
    found = [
        _tray(recipe, records, row, at, bool((too_warm or {}).get(name)), max_hold_h)
        for name, row in records.lots.items()
        if row["left"] != 0 and row["mixed_at"] <= at
    ]
    order = {"past": 0, "inside": 1, "not yet": 2, "earlier": 3, "no advice": 4, "too old": 5}

    def place(tray: Tray) -> tuple[int, float, str]:
        hours = tray.opens_h if tray.state == "not yet" else tray.closes_h
        return order[tray.state], 1e9 if hours is None else hours, tray.lot

    return sorted(found, key=place)


def _tray(
    recipe: Recipe, records: DailyRecords, row: Row, at: datetime, too_warm: bool, max_hold_h: float
) -> Tray:
    hold, lot = hold_of(row, at), str(row["lot"])
    off, left_sd = _own_shift(recipe, [r for r in records.readings if r["lot"] == lot])
    reach = 1.96 * left_sd / abs(recipe.slope_h) if recipe.slope_h else 0.0
    earlier = recipe.before(row["mixed_at"])
    if too_warm or earlier or hold > max_hold_h:
        why = "no advice" if too_warm else "earlier"
        why = "too old" if hold > max_hold_h else why
        return Tray(lot, row["left"], hold, why, None, None, reach, row["place"] or "")
    opens = recipe.hours_at(recipe.high - off)
    closes = recipe.hours_at(recipe.low - off)
    first = recipe.curve[0] + off <= recipe.high
    if first and opens is None:
        opens = recipe.holds_h[0]
    if recipe.curve[0] + off < recipe.low:
        state = "past" if hold >= recipe.holds_h[0] else "not yet"
    elif opens is None or hold < opens:
        state = "not yet"
    else:
        state = "past" if closes is not None and hold > closes else "inside"
    until = [None if h is None else h - hold for h in (opens, closes)]
    return Tray(lot, row["left"], hold, state, until[0], until[1], reach, row["place"] or "")


def _own_shift(recipe: Recipe, rows: Sequence[Row]) -> tuple[float, float]:
    """Give what a lot's own readings say about it, and what is left unknown (SD).

    The mean of n balls is drawn to the curve by lot variance / (lot variance + ball variance / n).
    """
    off = [r["ph"] - e for r in rows if (e := recipe.at(r["hold_h"])) is not None]
    lot, ball = recipe.lot_sd**2, recipe.ball_sd**2
    if not off or lot == 0.0:
        return 0.0, lot**0.5
    share = lot / (lot + ball / len(off))
    return share * sum(off) / len(off), (lot * (1.0 - share)) ** 0.5
