"""The formula room: what happens between the scale and the oven.

A `Formula` is a dough in baker's percentages; `weigh_batch` makes the bench's card of it, and
`water_temp_by_balance` with a `FrictionModel` says how warm its mixing water has to be. A
`TemperatureHistory` and a ripening model (`cardinal_model`, `Q10Model`) give equivalent hours; a
`Body` in a `Film` of air has a core that `follow_core` follows. What a kitchen learns from its own
records is fitted here too: `fit_friction`, `fit_warm_up`, `fit_pace`, `fit_starter`,
`fit_hold_curve`. Names load on first use.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

_HOMES = {
    "AcidInWater": "formula",
    "BallSteps": "steps",
    "Body": "heat",
    "CardBasis": "card",
    "CardinalModel": "ripening",
    "DoughPlan": "night",
    "FILMS": "heat",
    "Feeding": "starter",
    "Film": "heat",
    "Formula": "formula",
    "FrictionModel": "friction",
    "Kitchen": "mixwater",
    "MixRecord": "friction",
    "Part": "temperature",
    "Preferment": "formula",
    "Q10Model": "ripening",
    "Scale": "formula",
    "SquareRootModel": "ripening",
    "Stage": "core",
    "TemperatureHistory": "clock",
    "WarmPair": "warmup",
    "Warmth": "warmup",
    "Weighing": "weighing",
    "advise_warm_up": "warmup",
    "batch_grams": "formula",
    "build_card": "card",
    "calibrate_film": "core",
    "cardinal_model": "ripening",
    "convert_yeast": "formula",
    "count_night": "night",
    "equivalent_hours": "clock",
    "estimate_dough_heat": "heat",
    "fit_friction": "friction",
    "fit_hold_curve": "holdcurve",
    "fit_pace": "pace",
    "fit_starter": "starter",
    "fit_warm_up": "warmup",
    "follow_core": "core",
    "foresee_ripe": "starter",
    "guess_logger": "loggerguess",
    "ice_for": "temperature",
    "judge_reading": "starter",
    "learn_from_mixes": "mixwater",
    "make_up": "night",
    "parse_formula": "formula",
    "percents_from_grams": "formula",
    "plan_mix": "mixwater",
    "plan_water": "temperature",
    "read_formula": "formula",
    "read_logger": "logger",
    "split_day": "weighing",
    "time_until_core": "core",
    "water_temp_by_balance": "temperature",
    "water_temp_by_factor": "temperature",
    "weigh_batch": "weighing",
}
__all__ = sorted(_HOMES)


def __getattr__(name: str) -> Any:
    """Load a name from its module on first use (PEP 562)."""
    if name in _HOMES:
        return getattr(import_module(f"doughlab.formula.{_HOMES[name]}"), name)
    raise AttributeError(f"module 'doughlab.formula' has no attribute {name!r}")
