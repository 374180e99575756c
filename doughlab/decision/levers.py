"""Levers: how far to move one setting so that the ball comes where it is wanted.

`decide` offers them with the fitted slope and its range, in the unit that was typed. A step beyond
what was tried is said to be one; which lever is pulled is left to the owner.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doughlab.analysis.wording import decimals_for, level_words
from doughlab.decision.chance import Predictor
from doughlab.plan.model import is_curve
from doughlab.sections import Factor
from doughlab.stats.scale import student_quantile
from doughlab.units import convert, typed_unit

_MORE = {"temp_c": ("warmer", "cooler"), "h": ("longer", "shorter")}


@dataclass(frozen=True)
class Lever:
    """One setting moved, all else as recommended.

    Attributes
    ----------
    factor : Factor
    change : float
        Wanted change of the response, in its unit.
    distance, distance_low, distance_high : float
        How far to move, in the unit that was typed, with its 95 % range; above 0 for more, and
        the ends in the order of their size.
    unit : str
        As typed: "F", "C", "%", "h".
    beyond : bool
        Whether the step leads beyond what was tried.
    may_lead_beyond : bool
        Whether the far end of its range does.
    tried : str
        The ends of what was tried.
    words : str
        The lever as a clause.
    """

    factor: Factor
    change: float
    distance: float
    distance_low: float
    distance_high: float
    unit: str
    beyond: bool
    may_lead_beyond: bool
    tried: str
    words: str


def find_levers(
    predictor: Predictor, setting: Mapping[str, str], target: float, *, least: float | None = None
) -> list[Lever]:
    """Find how far each number would have to move to bring the mean to a target.

    Parameters
    ----------
    predictor : Predictor
    setting : mapping of str to str
        The recommended setting; level text of every factor.
    target : float
        Where the mean of the response should be.
    least : float, optional
        Smallest change that is spoken of; where the mean is nearer, levers are given for a change
        of this size upwards. Half the margin by default.

    Returns
    -------
    list of Lever
        Numbers whose slope at that setting is shown to differ from zero, the surest first. Numbers
        along a curve are left to `surface`.

    Notes
    -----
    The slope is that between two tried levels at the recommended setting, its range by Student's t;
    the distance is change / slope, its ends change / (ends of the slope): where zero is outside
    the slope's range, these are the values that Fieller's method gives for a known change.
    """
    response = predictor.model.dataset.response
    rows = predictor.rows(pd.DataFrame([dict(setting)]))
    mean = float(predictor.means(rows)[0][0])
    small = response.margin / 2.0 if least is None else least
    change = target - mean
    if not np.isfinite(change) or abs(change) < small:
        change = small
    found = []
    for name, factor in predictor.model.settings.factors.items():
        if factor.kind != "number" or is_curve(factor) or len(predictor.model.levels(factor)) < 2:
            continue
        slope = _slope(predictor, setting, factor, change)
        if slope is None:
            continue
        found.append((abs(slope[1] - slope[0]) / abs(slope[2]),
                      _lever(factor, setting[name], change, slope,
                             _where(predictor, setting), response.words,
                             decimals_for(response.margin))))  # fmt: skip
    return [lever for _, lever in sorted(found, key=lambda pair: pair[0])]


def _slope(
    predictor: Predictor, setting: Mapping[str, str], factor: Factor, change: float
) -> tuple[float, float, float] | None:
    """Give low end, high end and estimate of the slope per unit; None where zero is inside."""
    levels = predictor.model.levels(factor)
    at = levels.index(setting[factor.name]) if setting[factor.name] in levels else -1
    if at < 0:
        return None
    pairs = [(i, i + 1) for i in (at - 1, at) if 0 <= i < len(levels) - 1]
    told = [
        s for i, j in pairs if (s := _between(predictor, setting, factor, levels[i], levels[j]))
    ]
    if not told:
        return None
    if len(told) == 2:  # the step towards the side that brings the wanted change
        downwards, upwards = told
        return upwards if change / upwards[2] > 0 else downwards
    return told[0]


def _between(
    predictor: Predictor, setting: Mapping[str, str], factor: Factor, low: str, high: str
) -> tuple[float, float, float] | None:
    frame = pd.DataFrame([dict(setting) | {factor.name: x} for x in (low, high)])
    rows = predictor.rows(frame)
    found = predictor.model.fit.test_rows(rows[1:] - rows[:1])
    estimate, error, df = (float(v[0]) for v in (found.estimate, found.std_error, found.df))
    if not (np.isfinite(estimate) and error > 0 and df >= 1):
        return None
    half = float(student_quantile(df, 0.975)) * error
    if estimate - half <= 0 <= estimate + half:
        return None
    span = float(factor.value_of(high)) - float(factor.value_of(low))
    return (estimate - half) / span, (estimate + half) / span, estimate / span


def _where(predictor: Predictor, setting: Mapping[str, str]) -> str:
    hold = predictor.model.settings.hold
    return "the ball" if hold is None else f"the {level_words(hold, setting[hold.name])} ball"


def _lever(
    factor: Factor, level: str, change: float, slope: tuple[float, float, float],
    ball: str, response: str, decimals: int,
) -> Lever:  # fmt: skip
    low, high, estimate = slope
    distance = change / estimate
    near, far = sorted((change / low, change / high), key=abs)
    now, values = float(factor.value_of(level)), factor.values
    inside = (min(values) - 1e-6, max(values) + 1e-6)
    shown, times = _typed(factor, level)
    ends = sorted(zip(factor.values, factor.levels, strict=True))
    tried = f"{level_words(factor, ends[0][1])} to {level_words(factor, ends[-1][1])}"
    beyond = not inside[0] <= now + distance <= inside[1]
    may = not inside[0] <= now + far <= inside[1]
    more, less = _MORE.get(factor.unit, ("more", "less"))
    digits = 0 if abs(distance) * times >= (1.5 if shown == "F" else 3.0) else 1
    size = [f"{abs(x) * times:.{digits}f}" for x in (distance, near, far)]
    amount = f"{size[0]} {shown}".strip()
    way = "up" if change > 0 else "down"
    words = (
        f"{factor.words} {amount} {more if distance > 0 else less} ({size[1]} to {size[2]}) brings "
        f"{response} of {ball} {abs(change):.{decimals}f} {way}"
    )
    if beyond:
        words += f", beyond what was tried ({tried})"
    elif may:
        words += f"; the far end lies beyond what was tried ({tried})"
    return Lever(factor, change, distance * times, near * times, far * times, shown, beyond, may,
                 tried, words)  # fmt: skip


def _typed(factor: Factor, level: str) -> tuple[str, float]:
    """Give the unit that the level was typed in, and how many of it one of ours makes."""
    if factor.unit == "temp_c":
        typed = typed_unit(level) or "C"
        if typed == "F":
            return "F", convert(1.0, "temp_c", "F") - convert(0.0, "temp_c", "F")
        return "C", 1.0
    return {"pct": "%"}.get(factor.unit, factor.unit), 1.0
