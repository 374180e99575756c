"""Doable: a setting as the kitchen can hold it: step of thermometer and scale, hours of service.

`between` and `kept` round through here. What a rounding does to the dough is left to them.
"""

from __future__ import annotations

from dataclasses import dataclass

from doughlab.analysis.dataset import TrialLike
from doughlab.analysis.wording import level_words
from doughlab.formula import batch_grams
from doughlab.plan.work import list_times
from doughlab.sections import Factor
from doughlab.settings import Settings
from doughlab.units import convert, format_quantity

HOLD_STEP_H = 0.5  # nobody keeps a hold closer from day to day: common practice, no source
TEMP_STEP = {"F": 1.0, "C": 0.5}


@dataclass(frozen=True)
class Doable:
    """One number as the kitchen can hold it.

    Attributes
    ----------
    wanted, value : float
        As asked for, and the nearest that can be held; in the unit of the factor.
    step : float
        From one value that can be held to the next; 0 where nothing limits it.
    words : str
        What limits it; empty where nothing does.
    moved : str
        Why it is held elsewhere than asked for; empty where it is only rounded.

    Examples
    --------
    >>> Doable(17.8, 17.78, 0.56, "to 1 °F").step
    0.56
    """

    wanted: float
    value: float
    step: float = 0.0
    words: str = ""
    moved: str = ""


def round_to_kitchen(trial: TrialLike, factor: Factor, value: float) -> Doable:
    """Round a number to what the kitchen can hold.

    Parameters
    ----------
    trial : TrialLike
        Its [kitchen] and formula.
    factor : Factor
        Of kind "number".
    value : float
        In the unit of the factor.

    Returns
    -------
    Doable
        Temperatures to the thermometer's step, hydration to the scale's, a hold to half an hour
        that ends while the kitchen is open.

    Examples
    --------
    >>> from doughlab.notebook import open_demo
    >>> trial = open_demo()
    >>> round_to_kitchen(trial, trial.settings.factors["mixing_water"], 17.0).words
    'mixing water to 1 °F'
    >>> round_to_kitchen(trial, trial.settings.factors["hold"], 40.2).value
    35.0
    """
    if factor.unit == "temp_c":
        return _temperature(trial.settings, factor, value)
    if factor.unit == "pct":
        return _percent(trial, factor, value)
    if factor.unit == "h" and factor.set == "ball":
        return _hold(trial, factor, value)
    return Doable(value, value)


def _temperature(settings: Settings, factor: Factor, value: float) -> Doable:
    show = settings.show_temperature
    step = settings.kitchen.thermometer_step or TEMP_STEP[show]
    shown = round(convert(value, "temp_c", show) / step) * step
    own = step * (convert(1.0, show, "temp_c") - convert(0.0, show, "temp_c"))
    return Doable(value, convert(shown, show, "temp_c"), own, f"{factor.words} to {step:g} °{show}")


def _percent(trial: TrialLike, factor: Factor, value: float) -> Doable:
    """Round hydration to grams of water; other percentages are left as they are."""
    formula = getattr(trial, "formula", None)
    if formula is None or factor.name != "hydration":
        return Doable(value, value)
    flour = batch_grams(formula, levels={factor.name: value})["flour"]
    grams = trial.settings.kitchen.scale_step_g
    step = 100.0 * grams / flour
    return Doable(value, round(value / step) * step, step,
                  f"{factor.words} to {grams:g} g of water in a batch")  # fmt: skip


def _hold(trial: TrialLike, factor: Factor, value: float) -> Doable:
    """Round a hold to half an hour, and to a time when the kitchen is open."""
    kitchen = trial.settings.kitchen
    start = _hours(kitchen.mix_at) + list_times(
        trial.settings, getattr(trial, "formula", None)).to_ball_min / 60.0  # fmt: skip
    rounded = round(value / HOLD_STEP_H) * HOLD_STEP_H
    steps = [rounded + k * HOLD_STEP_H * sign for k in range(49) for sign in (1, -1)]
    first, last = _hours(kitchen.open_at), _hours(kitchen.close_at)
    open_ = [h for h in steps if h > 0 and first <= (start + h) % 24.0 <= last]
    best = min(open_, key=lambda h: (abs(h - value), h), default=rounded)
    moved = ""
    if best != rounded:
        moved = (
            f"{factor.words} {rounded:g} h would end at {_clock(start + rounded)}, when the "
            f"kitchen is closed (open {kitchen.open_at} to {kitchen.close_at}); the nearest "
            f"it can hold is {best:g} h. Mixing at another time moves that: mix_at in [kitchen]."
        )
    words = f"{factor.words} to half an hour, in use at {_clock(start + best)}"
    return Doable(value, best, HOLD_STEP_H, words, f"{moved[:1].upper()}{moved[1:]}")


def _clock(hours: float) -> str:
    minutes = round(60.0 * (hours % 24.0)) % (24 * 60)
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


def _hours(clock: str) -> float:
    hour, minute = clock.split(":")[:2]
    return int(hour) + int(minute) / 60.0


def value_words(settings: Settings, factor: Factor, value: float) -> str:
    """Write a number of a factor as its level was typed; other temperatures as they are shown.

    Parameters
    ----------
    settings : Settings
    factor : Factor
    value : float
        In the unit of the factor.

    Examples
    --------
    >>> from doughlab.notebook import open_demo
    >>> settings = open_demo().settings
    >>> value_words(settings, settings.factors["mixing_water"], 15.0)
    '59 °F'
    """
    for level, tried in zip(factor.levels, factor.values, strict=True):
        if abs(tried - value) < 1e-6:
            return level_words(factor, level)
    if factor.unit == "temp_c":
        return format_quantity(value, "temp_c", show=settings.show_temperature, digits=1).replace(
            ".0 ", " ")  # fmt: skip
    unit = {"pct": " %", "": ""}.get(factor.unit, f" {factor.unit}")
    return f"{round(value, 2):g}{unit}"
