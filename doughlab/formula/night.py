"""Night: what a hot or cold night did to a preferment, and how the dough makes up for it.

Notebooks and the daily check ask here; only minimum and maximum of the night need be known.
Grams of a dough with another share are left to `weighing`, water temperatures to `temperature`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from doughlab.errors import InputError
from doughlab.formula.clock import TemperatureHistory, equivalent_hours
from doughlab.formula.core import clock_words
from doughlab.formula.ripening import RipeningModel
from doughlab.formula.starter import DISCARD, STARTER_CLOCK
from doughlab.formula.warmup import COOLER_MOST_C, PLAN

# A share is changed by half at most; beyond it a new one is made: rule of this project.
LARGEST_CHANGE = 0.5


@dataclass(frozen=True)
class Night:
    """What a night of known minimum and maximum was worth.

    Attributes
    ----------
    hours : float
        On the clock.
    worth_h, least_h, most_h : float
        Equivalent hours: for a swing between both, all at the minimum, all at the maximum.

    Examples
    --------
    >>> from doughlab.formula.ripening import Q10Model
    >>> night = count_night(10, low_c=20, high_c=20, clock=Q10Model(2.0))
    >>> round(night.worth_h, 9), round(night.least_h, 9)
    (10.0, 10.0)
    """

    hours: float
    worth_h: float
    least_h: float
    most_h: float


def count_night(
    hours: float, *, low_c: float, high_c: float, clock: RipeningModel = STARTER_CLOCK
) -> Night:
    """Count a night of which only minimum and maximum are known.

    Parameters
    ----------
    hours : float
        On the clock, above 0.
    low_c, high_c : float
        Degrees Celsius.
    clock : RipeningModel

    Returns
    -------
    Night
        The worth of an even swing, and the bounds that hold whatever the night was like (as long
        as a warmer hour ripens more, below the optimum).

    Raises
    ------
    InputError
        For a night of no length, or temperatures the wrong way round.

    Examples
    --------
    >>> night = count_night(10, low_c=18, high_c=26)
    >>> night.least_h < night.worth_h < night.most_h
    True
    """
    if hours <= 0 or high_c < low_c:
        raise InputError(
            f"A night of {hours:g} h from {low_c:g} to {high_c:g} °C cannot be. Give hours above 0 "
            "and the lower temperature first."
        )
    swing = np.linspace(0.0, math.pi, 181)
    temps = (low_c + high_c) / 2 + (high_c - low_c) / 2 * np.cos(swing)
    places = tuple(float(h) for h in np.linspace(0.0, hours, 181))
    worth = equivalent_hours(TemperatureHistory(places, tuple(map(float, temps))), clock)
    ends = sorted(hours * float(clock.rate(t)) for t in (low_c, high_c))
    return Night(hours, worth, ends[0], ends[1])


@dataclass(frozen=True)
class Change:
    """Ways to keep the final dough where it was planned after a preferment ran off.

    Attributes
    ----------
    past_h : float
        Equivalent hours past ripe; negative where it is behind.
    share_pct : float or None
        Flour share of the preferment to use instead; None where a new one is better, or where it
        would take more than all the flour.
    dough_diff_c : float or None
        How much warmer or colder the dough should come from the mixer, with the share kept.
    hold_diff_h : float or None
        How much longer the hold should be, with share and temperature kept.
    words : str

    Examples
    --------
    >>> past = Change(1.5, 21.4, None, None, "Take 21 % of preferment instead of 30 %.")
    >>> past.past_h, past.share_pct
    (1.5, 21.4)
    """

    past_h: float
    share_pct: float | None
    dough_diff_c: float | None
    hold_diff_h: float | None
    words: str


@dataclass(frozen=True)
class DoughPlan:
    """What of a dough decides how a preferment that ran off is made up for.

    Attributes
    ----------
    share_pct : float
        Flour share of the preferment, above 0.
    bulk_h, dough_c : float
        Hours and temperature of the dough before the cooler.
    cooler_c : float
        Where it is held, degrees Celsius.

    Examples
    --------
    >>> DoughPlan(share_pct=30, bulk_h=3, dough_c=24).cooler_c
    4.0
    """

    share_pct: float
    bulk_h: float
    dough_c: float
    cooler_c: float = 4.0


def make_up(
    night: Night, planned_h: float, dough: DoughPlan, *, clock: RipeningModel,
    spoiled: bool = False,
) -> Change:  # fmt: skip
    """Say what change keeps the final dough where it was planned.

    The preferment is taken to count with its share: share times equivalent hours, added to those
    of the dough. That is a rule of this project, to be checked by meter on the dough.

    Parameters
    ----------
    night : Night
        What the preferment got.
    planned_h : float
        Equivalent hours it should have got, above 0.
    dough : DoughPlan
    clock : RipeningModel
        One clock for preferment and dough.
    spoiled : bool
        Mouldy or discoloured; then it is thrown away.

    Returns
    -------
    Change
        Three ways, each by itself; a new one where the change would be larger than half. With a
        cooler above 5 C only how far the preferment is.

    Raises
    ------
    InputError
        For planned hours of 0 or less, or a share outside 0 to 100 %.

    Examples
    --------
    >>> from doughlab.formula.ripening import Q10Model
    >>> change = make_up(Night(10, 14, 13, 15), 10.0, DoughPlan(30, 3, 24), clock=Q10Model(2.5))
    >>> round(change.share_pct, 1)
    21.4
    """
    past = night.worth_h - planned_h
    if spoiled:
        return Change(past, None, None, None, DISCARD)
    if planned_h <= 0 or not 0 < dough.share_pct <= 100:
        raise InputError("Give the planned hours and the share of the preferment above 0.")
    share = dough.share_pct * planned_h / night.worth_h if night.worth_h > 0 else math.inf
    owed = -dough.share_pct / 100.0 * past
    if not 1 - LARGEST_CHANGE <= share / dough.share_pct <= 1 + LARGEST_CHANGE:
        words = f"{_past_words(night, past)}: too far off to make up for. Make a new one."
        return Change(past, None, None, None, words)
    if dough.cooler_c > COOLER_MOST_C:
        words = (
            f"{_past_words(night, past)}. The cooler is at {dough.cooler_c:g} °C, above "
            f"{COOLER_MOST_C:g} °C: no advice on the dough; {PLAN}."
        )
        return Change(past, None, None, None, words)
    cold = float(clock.rate(dough.cooler_c))
    hold = owed / cold if cold > 0 else None
    diff = _warmer(dough, owed, clock)
    share_words = f"use {share:.0f} % of the flour in it instead of {dough.share_pct:g} %"
    ways = [share_words] if share <= 100.0 else []  # there is no more flour than all of it
    if diff is not None and abs(diff) >= 0.1:
        ways.append(f"make the dough {abs(diff):.1f} °C {'warmer' if diff > 0 else 'colder'}")
    if hold is not None and abs(hold) >= 0.5:
        ways.append(f"hold it {abs(hold):.0f} h {'longer' if hold > 0 else 'shorter'}")
    if not ways:
        words = f"{_past_words(night, past)}: nothing here makes up for it. Make a new one."
        return Change(past, None, None, None, words)
    words = f"{_past_words(night, past)}: {', or '.join(ways)}. Check the dough by meter."
    return Change(past, share if share <= 100.0 else None, diff, hold, words)


def _past_words(night: Night, past: float) -> str:
    side = "past ripe" if past > 0 else "short of ripe"
    spread = (night.most_h - night.least_h) / 2
    return f"{clock_words(abs(past))} {side}, give or take {clock_words(spread)}"


def _warmer(dough: DoughPlan, owed: float, clock: RipeningModel) -> float | None:
    """Find the change of dough temperature that makes up hours in the bulk; None beyond 6 C."""
    if dough.bulk_h <= 0:
        return None
    wanted = float(clock.rate(dough.dough_c)) + owed / dough.bulk_h
    low, high = dough.dough_c - 6.0, dough.dough_c + 6.0
    rates = [float(clock.rate(t)) for t in (low, high)]
    if not rates[0] <= wanted <= rates[1]:
        return None
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if float(clock.rate(middle)) < wanted else (low, middle)
    return 0.5 * (low + high) - dough.dough_c
