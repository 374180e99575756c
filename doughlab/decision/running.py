"""Running: what a setting asks for on every day once it is settled: water, money, hands.

`limits` judges with it, `cheaper` names the easier of two. Prices are the user's own; the hours
are minutes of hands from `plan.work`. A price or a minute has no spread here, so no range.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from doughlab.analysis.dataset import TrialLike
from doughlab.decision.cheaper import water_per_ball
from doughlab.decision.to_do import BLEND, CARRY, DOSE, list_to_do
from doughlab.plan.work import list_times
from doughlab.settings import Settings
from doughlab.water.constants import WATER_KG_PER_L
from doughlab.workday import HANDS_MIN

STEPS = {DOSE: "dose", BLEND: "blend", CARRY: "carry"}  # of [steps.<name>], for each batch


@dataclass(frozen=True)
class Running:
    """What one setting asks for once it is settled.

    Attributes
    ----------
    to_do : tuple of str
        What its water asks for beside opening a tap.
    water_l_a_year, water_cost_a_year : float or None
        Litres, and money in the user's own currency; None where something is not known.
    work_h_a_day : float or None
        Hours of hands for the balls of an open day.
    unknown : tuple of str
        What would have to be written down for what is None.

    Examples
    --------
    >>> Running(("carrying bottles",), 5000.0, 1750.0, 2.5).to_do
    ('carrying bottles',)
    """

    to_do: tuple[str, ...] = ()
    water_l_a_year: float | None = None
    water_cost_a_year: float | None = None
    work_h_a_day: float | None = None
    unknown: tuple[str, ...] = ()


def run_setting(trial: TrialLike, setting: Mapping[str, str]) -> Running:
    """Reckon what a setting asks for in a year and on a day.

    Parameters
    ----------
    trial : TrialLike
        `balls_a_day` of [kitchen] and a formula are needed for anything but `to_do`.
    setting : mapping of str to str
        Level text of every factor.

    Returns
    -------
    Running

    Notes
    -----
    Litres are the dough's water (losses of the formula included) for balls a day on every open
    day. Hours are hands for the whole batches that a day needs, up to the cooler; take-out,
    baking and service are the same whatever the setting, and left out.

    Examples
    --------
    >>> from doughlab.notebook import open_demo
    >>> trial = open_demo()
    >>> setting = {"water": "tap", "mixing_water": "64 F", "hydration": "65", "hold": "48"}
    >>> run_setting(trial, setting).to_do
    ()
    """
    settings, kitchen = trial.settings, trial.settings.kitchen
    to_do = list_to_do(settings, setting, trial.waters)
    unknown = []
    if kitchen.balls_a_day is None:
        unknown.append("balls_a_day in [kitchen]")
    grams = water_per_ball(trial, setting)
    if grams is None:
        unknown.append("formula.toml")
    if kitchen.balls_a_day is None:
        return Running(to_do, unknown=tuple(unknown))
    litres = cost = None
    if grams is not None:
        a_year = kitchen.balls_a_day * kitchen.days_a_year
        litres = a_year * grams / 1000.0 / WATER_KG_PER_L
        price = _price(settings, setting, trial.waters)
        if price is None:
            unknown.append("cost_per_l in waters.csv")
        cost = None if price is None else litres * price
    hours = _hours(trial, kitchen.balls_a_day, to_do)
    return Running(to_do, litres, cost, hours, tuple(unknown))


def _price(
    settings: Settings, setting: Mapping[str, str], waters: Mapping[str, Mapping[str, Any]]
) -> float | None:
    """Give the price of a litre; None where the setting names no one water with a price."""
    named = [level for name, level in setting.items() if settings.factors[name].kind == "water"]
    if len(named) != 1:
        return None
    price = waters.get(named[0], {}).get("cost_per_l")
    return None if price is None else float(price)


def _hours(trial: TrialLike, balls_a_day: float, to_do: tuple[str, ...]) -> float | None:
    """Add up the hands of a day's batches, with what their water asks for."""
    formula = getattr(trial, "formula", None)
    if formula is None:
        return None
    most = trial.settings.kitchen.mixer_balls or formula.balls
    batches = math.ceil(balls_a_day / most)
    minutes = sum(s.hands_min for s in list_times(trial.settings, formula).batch)
    own = trial.settings.steps
    for what in to_do:
        if what in STEPS:
            step = own.get(STEPS[what])
            said = None if step is None else step.hands_min
            minutes += HANDS_MIN[STEPS[what]] if said is None else said
    return batches * minutes / 60.0
