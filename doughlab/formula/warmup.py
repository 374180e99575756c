"""Warm-up: how much longer a ball should stand in the room until its pH enters the window.

`doughlab ripe` and the daily check ask here; the rate is learned from balls read twice.
Advice ends at the user's own limit of time at room temperature; nothing here judges food.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from doughlab.errors import InputError, NotEstimable, listed
from doughlab.formula.clock import equivalent_hours, hour_when
from doughlab.formula.core import Stage, clock_words, follow_core
from doughlab.formula.heat import Body, Film
from doughlab.formula.ripening import Q10Model, RipeningModel
from doughlab.formula.student import t_quantile
from doughlab.units import format_quantity

# What a warm-up has to show before it advises: rules of this project.
LEAST_BATCHES = 3
LEAST_GAP_MIN = 20.0
LEAST_ROOMS_C = 3.0
BEYOND_C = 1.0  # how far outside the tried rooms advice still reaches
# 2.6 for ten degrees: see Q10Model for its source.
WARMEST_MODEL = Q10Model(2.6, reference_c=20.0)
PLAN = "follow the food-safety plan of the kitchen"
COOLER_MOST_C = 5.0  # above it no advice on pH, warm-up or hold, whatever the own limit says
WHAT_TO_RECORD = (
    "Record pairs: read a ball when it comes out of the cooler and the same ball again 60 to 90 "
    f"min later, at least one ball of {LEAST_BATCHES} batches, in two room temperatures at least "
    f"{LEAST_ROOMS_C:g} °C ({1.8 * LEAST_ROOMS_C:.0f} °F) apart. A new plan reserves the balls "
    "with [warm_up] in trial.toml"
)


@dataclass(frozen=True)
class WarmPair:
    """One ball read twice while it warmed up.

    Attributes
    ----------
    ball, batch : str
    room_c : float
        Degrees Celsius.
    first_min, second_min : float
        Minutes since it came out of the cooler.
    first_ph, second_ph : float

    Examples
    --------
    >>> WarmPair("B01-1", "B01", 21.0, 0, 90, 5.84, 5.70).gap_min
    90
    """

    ball: str
    batch: str
    room_c: float
    first_min: float
    second_min: float
    first_ph: float
    second_ph: float

    def __post_init__(self) -> None:
        """Refuse a pair that runs backwards."""
        if not 0 <= self.first_min < self.second_min:
            raise InputError(
                f"Ball {self.ball}: the second reading ({self.second_min:g} min) must come after "
                f"the first ({self.first_min:g} min), both after the cooler."
            )

    @property
    def gap_min(self) -> float:
        """Minutes between the readings."""
        return self.second_min - self.first_min


@dataclass(frozen=True)
class WarmUpModel:
    """How fast pH falls while balls warm up; see `fit_warm_up`.

    Attributes
    ----------
    rate : float
        pH an hour at the clock's reference temperature.
    std_error : float
        Of the average rate.
    batch_sd : float
        Between batches, pair noise included.
    batches, pairs : int
    rooms_c : (float, float)
        Coldest and warmest room tried.
    longest_min : float
        Longest warm-up that was read.
    body, film, clock, cooler_c
        What the ball's temperature was worked out with.
    notes : tuple of str

    Examples
    --------
    >>> from doughlab.formula.heat import FILMS
    >>> from doughlab.formula.steps import usual_body
    >>> seen = {"B01": (18.0, 5.74), "B02": (21.0, 5.70), "B03": (24.0, 5.66)}
    >>> pairs = [WarmPair(f"{b}-1", b, room, 0, 90, 5.84, ph) for b, (room, ph) in seen.items()]
    >>> model = fit_warm_up(pairs, body=usual_body(), film=FILMS["box"], cooler_c=4.0)
    >>> model.batches, model.low < model.rate < model.high
    (3, True)
    """

    rate: float
    std_error: float
    batch_sd: float
    batches: int
    pairs: int
    rooms_c: tuple[float, float]
    longest_min: float
    body: Body
    film: Film
    clock: RipeningModel
    cooler_c: float
    notes: tuple[str, ...] = ()

    @property
    def low(self) -> float:
        """Lower end of the 95 % range of the average rate."""
        return self.rate - t_quantile(self.batches - 1) * self.std_error

    @property
    def high(self) -> float:
        """Upper end of the 95 % range of the average rate."""
        return self.rate + t_quantile(self.batches - 1) * self.std_error


def warm_hours(
    body: Body,
    film: Film,
    clock: RipeningModel,
    *,
    cooler_c: float,
    room_c: float,
    minutes: tuple[float, float],
    side: str = "value",
) -> float:
    """Count the equivalent hours of a ball between two moments of its warm-up.

    Parameters
    ----------
    body, film, clock
    cooler_c, room_c : float
        Degrees Celsius, even and constant.
    minutes : (float, float)
        Since it came out of the cooler.
    side : {"value", "low", "high"}
        Which end of the film's range.

    Examples
    --------
    >>> from doughlab.formula.heat import FILMS
    >>> from doughlab.formula.steps import usual_body
    >>> worth = warm_hours(usual_body(), FILMS["box"], WARMEST_MODEL, cooler_c=4, room_c=20,
    ...                    minutes=(0, 90))
    >>> 0 < worth < 1.5
    True
    """
    stage = Stage(minutes[1] / 60.0, room_c, film)
    history = follow_core(body, [stage], start=cooler_c, side=side, step_min=3.0).history()
    return equivalent_hours(history, clock, start_h=minutes[0] / 60.0)


def fit_warm_up(
    pairs: Sequence[WarmPair],
    *,
    body: Body,
    film: Film,
    cooler_c: float,
    clock: RipeningModel = WARMEST_MODEL,
) -> WarmUpModel:
    """Learn the fall of pH during warm-up from balls read twice.

    The batch is the unit: pairs of a batch give one rate, batches give the range. The warming of
    the ball itself is counted by conduction and the clock.

    Parameters
    ----------
    pairs : sequence of WarmPair
    body : Body
    film : Film
    cooler_c : float
        Temperature of the balls when they come out, degrees Celsius.
    clock : RipeningModel

    Returns
    -------
    WarmUpModel

    Raises
    ------
    NotEstimable
        Where the pairs cannot tell a rate; says what to record.

    References
    ----------
    Mean of the batches' rates with its t range; that the batch is the unit is a rule of this
    project.

    Examples
    --------
    >>> fit_warm_up([], body=None, film=None, cooler_c=4.0)
    Traceback (most recent call last):
    ...
    doughlab.errors.NotEstimable: No advice on warming up yet: no ball was read twice while ...
    """
    used = [p for p in pairs if p.gap_min >= LEAST_GAP_MIN]
    _check_pairs(pairs, used)
    hours = {
        id(p): warm_hours(
            body, film, clock, cooler_c=cooler_c, room_c=p.room_c,
            minutes=(p.first_min, p.second_min),
        )
        for p in used
    }  # fmt: skip
    by_batch: dict[str, list[WarmPair]] = {}
    for p in used:
        by_batch.setdefault(p.batch, []).append(p)
    rates = np.array([_rate_of(group, hours) for group in by_batch.values()])
    rooms = [p.room_c for p in used]
    spread = float(np.std(rates, ddof=1))
    model = WarmUpModel(
        float(rates.mean()), spread / math.sqrt(len(rates)), spread, len(rates), len(used),
        (min(rooms), max(rooms)), max(p.second_min for p in used), body, film, clock, cooler_c,
    )  # fmt: skip
    if model.low <= 0:
        raise NotEstimable(
            f"No advice on warming up yet: over {len(used)} pairs of {len(rates)} batches pH moved "
            f"by {-model.rate:+.3f} an hour ({-model.high:+.3f} to {-model.low:+.3f}), so a fall "
            f"is not shown. {WHAT_TO_RECORD}."
        )
    return replace(model, notes=tuple(_room_notes(used, hours, model.rate)))


def _rate_of(group: Sequence[WarmPair], hours: dict[int, float]) -> float:
    """Give the fall per equivalent hour of some pairs, through the origin."""
    worth = np.array([hours[id(p)] for p in group])
    falls = np.array([p.first_ph - p.second_ph for p in group])
    return float(np.sum(worth * falls) / np.sum(worth**2))


def _check_pairs(pairs: Sequence[WarmPair], used: Sequence[WarmPair]) -> None:
    batches = {p.batch for p in used}
    rooms = [p.room_c for p in used]
    why = ""
    if not pairs:
        why = "no ball was read twice while it warmed up"
    elif not used:
        why = f"no two readings of a ball lie {LEAST_GAP_MIN:g} min or more apart"
    elif len(batches) < LEAST_BATCHES:
        found = "1 batch has" if len(batches) == 1 else f"{len(batches)} batches have"
        why = f"only {found} a pair of readings ({listed(sorted(batches))})"
    elif max(rooms) - min(rooms) < LEAST_ROOMS_C:
        span = f"{min(rooms):g} to {max(rooms):g} °C"
        why = f"the rooms of the pairs are all alike ({span}), so another room is a guess"
    if why:
        raise NotEstimable(f"No advice on warming up yet: {why}. {WHAT_TO_RECORD}.")


def _room_notes(used: Sequence[WarmPair], hours: dict[int, float], rate: float) -> list[str]:
    """Say where warm and cold rooms do not agree on one rate: then the clock is off."""
    middle = (min(p.room_c for p in used) + max(p.room_c for p in used)) / 2
    cold = _rate_of([p for p in used if p.room_c < middle], hours)
    warm = _rate_of([p for p in used if p.room_c >= middle], hours)
    if abs(warm - cold) <= 0.5 * rate:
        return []
    more = "more" if warm > cold else "less"
    return [
        f"warm rooms move pH {more} than the clock expects ({warm:.3f} against {cold:.3f} an "
        "hour at its reference): advice is rough"
    ]


@dataclass(frozen=True)
class Warmth:
    """What is known about a ball that stands in the room.

    Attributes
    ----------
    ph : float
        Read just now.
    room_c : float
        Degrees Celsius.
    warmed_min : float
        Minutes since it came out of the cooler.
    spent_h : float
        All its hours at room temperature so far, before the cooler and after it.
    limit_h : float
        The user's own limit for that, from the local rule.
    cooler_c : float or None
        Warmest that its cooler was recorded; None where nothing is recorded.
    cooler_limit_c : float
        The user's own limit, at most 5 degrees Celsius.
    reading_sd : float
        Standard deviation of one reading, pH.

    Examples
    --------
    >>> Warmth(5.84, 19, warmed_min=60, spent_h=3.5, limit_h=4).left_min
    30.0
    >>> Warmth(5.84, 19, warmed_min=60, spent_h=1, limit_h=4, cooler_c=6).cooler_too_warm
    True
    """

    ph: float
    room_c: float
    warmed_min: float
    spent_h: float
    limit_h: float
    cooler_c: float | None = None
    cooler_limit_c: float = 5.0
    reading_sd: float = 0.02

    @property
    def left_min(self) -> float:
        """Minutes left until the user's limit, 0 or more."""
        return max(0.0, (self.limit_h - self.spent_h) * 60.0)

    @property
    def cooler_too_warm(self) -> bool:
        """Whether its cooler was above the user's limit, or above 5 degrees Celsius."""
        return self.cooler_c is not None and self.cooler_c > min(self.cooler_limit_c, COOLER_MOST_C)


@dataclass(frozen=True)
class Advice:
    """What to do with a ball now.

    Attributes
    ----------
    kind : str
        "warm" (go on, then read again), "use" (inside the window), "past" (below it), "stop" (the
        limit is reached first) or "none" (the cooler was too warm).
    minutes, low_min, high_min : float or None
        Minutes more, with 95 % range; never beyond the user's limit. None where there is no advice.
    words : str
        One to four sentences.

    Examples
    --------
    >>> Advice("warm", 50.0, 30.0, 80.0, "More warm-up: 50 min (30 to 80).").minutes
    50.0
    """

    kind: str
    minutes: float | None
    low_min: float | None
    high_min: float | None
    words: str


def advise_warm_up(
    model: WarmUpModel | None, warmth: Warmth, *, low: float, high: float, show: str = ""
) -> Advice:
    """Say how much longer a ball should warm until its pH enters the window.

    Parameters
    ----------
    model : WarmUpModel or None
        None where nothing is learned yet; it is only asked for above the window.
    warmth : Warmth
    low, high : float
        The window, pH.
    show : str
        Unit of temperature to answer in, "C" or "F".

    Returns
    -------
    Advice
        Never beyond the user's limit of time at room temperature; where the cooler was too warm,
        nothing about pH at all.

    Raises
    ------
    NotEstimable
        For a room outside those tried; says what to record.

    Examples
    --------
    >>> spent = Warmth(5.84, 19, warmed_min=60, spent_h=4, limit_h=4, cooler_c=3.5)
    >>> advise_warm_up(None, spent, low=5.35, high=5.75).kind
    'stop'
    """
    if warmth.cooler_too_warm:
        return _no_advice(warmth, show)
    used = _used_words(warmth)
    if warmth.left_min <= 0:
        return Advice("stop", None, None, None, f"{used}: the limit is reached, {PLAN}.")
    if warmth.ph < low:
        text = f"{warmth.ph:.2f}: below the window, more warm-up takes it further. {used}."
        return Advice("past", None, None, None, text)
    if warmth.ph <= high:
        return Advice("use", 0.0, 0.0, 0.0, f"{warmth.ph:.2f}: inside the window. {used}.")
    if model is None:
        raise NotEstimable(f"No advice on warming up yet. {WHAT_TO_RECORD}.")
    _check_room(model, warmth, show)
    minutes, least, most = _minutes(model, warmth, warmth.ph - high)
    left = warmth.left_min
    head = f"{warmth.ph:.2f}: above the window."
    if minutes is None or minutes > left:
        text = f"{head} {used}: the limit comes before the window, the advice ends here; {PLAN}."
        return Advice("stop", None, None, None, text)
    capped = most is None or most > left
    top = left if most is None else most
    shown = [_five(max(minutes, 5.0), left), _five(least, left), _five(max(top, 5.0), left)]
    room = format_quantity(warmth.room_c, "temp_c", show=show)
    text = f"{head} More warm-up: {shown[0]} min ({shown[1]} to {shown[2]}) at {room}, "
    text += f"then read again. {used}."
    if capped:
        text += f" The range runs into the limit: there the advice ends, {PLAN}."
    if warmth.cooler_c is None:
        limit = format_quantity(min(warmth.cooler_limit_c, COOLER_MOST_C), "temp_c", show=show)
        text += f" The cooler is not recorded: see that it is at {limit} or below."
    return Advice("warm", float(shown[0]), float(shown[1]), float(shown[2]), text)


def _no_advice(warmth: Warmth, show: str) -> Advice:
    limit = min(warmth.cooler_limit_c, COOLER_MOST_C)
    found, most = (format_quantity(t, "temp_c", show=show) for t in (warmth.cooler_c or 0.0, limit))
    text = f"The cooler was at {found}, above {most}: no advice on pH or warm-up; {PLAN}."
    return Advice("none", None, None, None, text)


def _used_words(warmth: Warmth) -> str:
    return f"Warm time so far {clock_words(warmth.spent_h)} of your {clock_words(warmth.limit_h)}"


def _check_room(model: WarmUpModel, warmth: Warmth, show: str) -> None:
    least, most = model.rooms_c
    if least - BEYOND_C <= warmth.room_c <= most + BEYOND_C:
        return
    room, low, high = (
        format_quantity(t, "temp_c", show=show) for t in (warmth.room_c, least, most)
    )
    raise NotEstimable(
        f"No advice at {room}: warm-ups were read between {low} and {high} only. Record pairs "
        "near that temperature."
    )


def _minutes(
    model: WarmUpModel, warmth: Warmth, fall: float
) -> tuple[float | None, float, float | None]:
    """Give minutes more with their range; None where the limit of a day is not enough."""
    hours = fall / model.rate
    spread = model.batch_sd * math.sqrt(1.0 + 1.0 / model.batches) / model.rate
    reach = math.hypot(t_quantile(model.batches - 1) * spread, 1.96 * warmth.reading_sd / fall)
    least = max(0.0, hours * (1.0 - reach))
    most = hours / (1.0 - reach) if reach < 1.0 else math.inf
    low = _minutes_for(model, warmth, least, "high")
    return (_minutes_for(model, warmth, hours, "value"), low or 0.0,
            _minutes_for(model, warmth, most, "low"))  # fmt: skip


def _minutes_for(
    model: WarmUpModel, warmth: Warmth, hours: float, side: str, longest_h: float = 24.0
) -> float | None:
    """Find the minutes more in which the ball counts some equivalent hours."""
    if not math.isfinite(hours):
        return None
    stage = Stage(warmth.warmed_min / 60.0 + longest_h, warmth.room_c, model.film)
    course = follow_core(model.body, [stage], start=model.cooler_c, side=side, step_min=3.0)
    history = course.history()
    start = warmth.warmed_min / 60.0
    found = hour_when(history.cut(start, history.last_h), model.clock, hours)
    return None if found is None else (found - start) * 60.0


def _five(minutes: float, left: float) -> int:
    """Round to five minutes, never beyond what is left."""
    rounded = round(minutes / 5.0) * 5
    return int(rounded if rounded <= left else math.floor(left))
