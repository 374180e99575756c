"""Levels that a plan adds to the low and high of a number: the middle, and points further out.

`settings` widens its factors here, so that plan, bench and analysis know one list of levels.
Which batches use them is left to the plan room.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from math import floor, log10, sqrt

from doughlab.designed import BEHNKEN, COMPOSITE, FACE, FRACTION, FULL, ORTHOGONAL, SEARCH, Design
from doughlab.errors import InputError
from doughlab.sections import Factor
from doughlab.units import parse_quantity, typed_unit

LINE, SQUARE = "line", "square"
_CORNERS = {FULL: 0, "half": 1}
_MOST = 7  # numbers of a central composite plan

# What a kitchen can set: name, unit, lowest, highest. Common practice, no source.
_USABLE = (
    (r"hydration", "pct", 40.0, 110.0),
    (r"water", "temp_c", 1.0, 45.0),
    (r"salt", "pct", 0.0, 6.0),
    (r"", "pct", 0.0, 200.0),
    (r"", "ph", 3.5, 9.5),
    (r"", "h", 0.0, 240.0),
    (r"", "temp_c", -5.0, 300.0),
    (r"", "", 0.0, float("inf")),
)
# The finest step that is worth setting: common practice, no source.
_STEPS = {"temp_c": 0.5, "F": 1.0, "ph": 0.05, "h": 0.5, "min": 1.0, "g": 1.0}


def moved_numbers(factors: Mapping[str, Factor], design: Design) -> list[Factor]:
    """List the numbers that the plan gives a middle: set per batch, with a low and a high.

    Examples
    --------
    >>> hydration = Factor("hydration", "batch", "number", ("60", "65"), "pct", values=(60., 65.))
    >>> [f.name for f in moved_numbers({"hydration": hydration}, Design("central-composite"))]
    ['hydration']
    >>> moved_numbers({"hydration": hydration}, Design())
    []
    """
    if design.design == SEARCH:
        asked = design.model == "curves"
    else:
        asked = design.is_surface or (
            design.design in (FULL, FRACTION) and design.count_centres(0) > 0
        )
    if not asked:
        return []
    return [f for f in factors.values() if f.kind == "number" and f.set == "batch"]


def widen_levels(factors: Mapping[str, Factor], design: Design) -> dict[str, Factor]:
    """Give the numbers of a plan the levels that it needs beside their low and high.

    Parameters
    ----------
    factors : mapping of str to Factor
    design : Design

    Returns
    -------
    dict of str to Factor
        Numbers with levels from low to high, their low and high in `span`, and the shape that
        the model gives them. Others as they were.

    Raises
    ------
    InputError
        Where a number has no single low and high, or a level could not be set in a kitchen.

    Examples
    --------
    >>> hydration = Factor("hydration", "batch", "number", ("60", "65"), "pct", values=(60., 65.))
    >>> cold = Factor("water_temp", "batch", "number", ("54 F", "64 F"), "temp_c",
    ...               values=(12.2222, 17.7778))
    >>> found = widen_levels({f.name: f for f in (hydration, cold)}, Design("central-composite"))
    >>> found["hydration"].levels, found["water_temp"].levels
    (('59', '60', '62.5', '65', '66'), ('52 F', '54 F', '59 F', '64 F', '66 F'))
    """
    moved = moved_numbers(factors, design)
    if not moved:
        return dict(factors)
    if design.design == SEARCH:
        asked = [f for f in moved if len(f.levels) == 2]
        ready = {f.name: replace(f, shape=SQUARE) for f in moved if len(f.levels) > 2}
        return {**factors, **{f.name: _widen(f, (-1.0, 0.0, 1.0)) for f in asked}, **ready}
    _check_moved(moved, design)
    codes = list_codes(design, len(moved))
    return {**factors, **{f.name: _widen(f, codes) for f in moved}}


def _check_moved(moved: Sequence[Factor], design: Design) -> None:
    for f in moved:
        if len(f.levels) != 2:
            raise InputError(
                f"factor '{f.name}' has {len(f.levels)} levels; this plan adds its own between "
                "and beyond two. Give a low and a high."
            )
    k = len(moved)
    if design.design == COMPOSITE and not 2 <= k <= _MOST:
        raise InputError(
            f"a central composite plan is for 2 to {_MOST} numbers set per batch; found {k}. "
            "Settle the others first, or give them one setting."
        )
    if design.design == BEHNKEN and not 3 <= k <= 5:
        why = (
            "with 6 or 7 the list of batches that we can draw is not the published one, and is "
            "longer" if k > 5 else "with fewer it leaves corners and edges out"
        )  # fmt: skip
        raise InputError(
            f"a Box-Behnken plan is for 3 to 5 numbers set per batch; found {k} ({why}). "
            'Use design = "central-composite".'
        )
    if design.cube == "half" and k < 5:
        raise InputError(
            f"half of the corners is enough from five numbers on; found {k}. Take cube away."
        )


def list_codes(design: Design, numbers: int) -> tuple[float, ...]:
    """List where the levels of a number lie: -1 is its low, 1 its high, 0 the middle.

    Examples
    --------
    >>> [round(c, 4) for c in list_codes(Design("central-composite"), 2)]
    [-1.4142, -1.0, 0.0, 1.0, 1.4142]
    >>> list_codes(Design("box-behnken"), 3)
    (-1.0, 0.0, 1.0)
    """
    if design.design == COMPOSITE and design.alpha != FACE:
        a = axial_distance(design, numbers)
        return (-a, -1.0, 0.0, 1.0, a)
    return (-1.0, 0.0, 1.0)


def count_corners(design: Design, numbers: int) -> int:
    """Count the corners of a central composite plan: all, or half of them."""
    return 2 ** (numbers - _CORNERS[design.cube])


def split_centres(design: Design, numbers: int) -> tuple[int, int]:
    """Share the batches in the middle between the corners and the outer points.

    Examples
    --------
    >>> split_centres(Design("central-composite"), 2)
    (3, 2)
    """
    total = design.count_centres(numbers)
    return total - total // 2, total // 2


def axial_distance(design: Design, numbers: int) -> float:
    """Give how far the outer points of a central composite plan lie, in half ranges.

    Parameters
    ----------
    design : Design
    numbers : int

    Returns
    -------
    float
        1 for "face"; the fourth root of the corners for "rotatable", so that what is foreseen is
        equally sure in every direction; for "orthogonal" the distance at which the day of the
        corners and that of the outer points change no other answer.

    References
    ----------
    Box and Hunter (1957), Annals of Mathematical Statistics 28, 195-241, from memory. Both are
    checked by algebra in tests/plan/test_surfaces.py.

    Examples
    --------
    >>> [round(axial_distance(Design("central-composite"), k), 4) for k in (2, 3, 4, 5)]
    [1.4142, 1.6818, 2.0, 2.3784]
    """
    corners = count_corners(design, numbers)
    if design.alpha == FACE:
        return 1.0
    if design.alpha == ORTHOGONAL:
        inner, outer = split_centres(design, numbers)
        return sqrt(corners * (2 * numbers + outer) / (2.0 * (corners + inner)))
    return float(corners**0.25)


def _widen(factor: Factor, codes: Sequence[float]) -> Factor:
    """Give a number the levels at these codes, rounded to what can be set."""
    low, high = sorted(factor.values)
    typed = dict(zip(factor.values, factor.levels, strict=True))
    step = _choose_step(factor, low, high)
    found: dict[float, str] = {}
    for code in codes:
        value = (low + high) / 2 + code * (high - low) / 2
        if abs(abs(code) - 1.0) < 1e-9:
            value = low if code < 0 else high
            found[value] = typed[value]
            continue
        text = _level_text(factor, value, step if code else step / 2)  # the middle stays in it
        found[round(parse_quantity(text, factor.unit, what=factor.name), 4)] = text
    if len(found) < len(codes):
        raise InputError(
            f"factor '{factor.name}': low and high are so close that the levels between and "
            f"beyond cannot be set in steps of {step:g}. Bring them further apart."
        )
    _check_usable(factor, found)
    values = tuple(sorted(found))
    levels = tuple(found[v] for v in values)
    return replace(factor, levels=levels, values=values, span=(low, high), shape=SQUARE)


def _choose_step(factor: Factor, low: float, high: float) -> float:
    """Choose the step that a level is rounded to: the usual one, or finer on a narrow range."""
    unit = "F" if typed_unit(factor.levels[0]) == "F" else factor.unit
    wide = (high - low) * (1.8 if unit == "F" else 1.0)
    exponent = floor(log10(wide / 2))
    fine = next(
        m * 10.0**e for e in (exponent - 1, exponent - 2) for m in (5, 1)
         if m * 10.0**e <= wide / 25
    )  # fmt: skip
    usual = _STEPS.get(unit)
    return min(usual, fine * 5) if usual else fine


def _level_text(factor: Factor, value: float, step: float) -> str:
    if typed_unit(factor.levels[0]) == "F":
        return f"{round((value * 1.8 + 32) / step) * step:g} F"
    return f"{round(value / step) * step:.10g}"


def _check_usable(factor: Factor, found: Mapping[float, str]) -> None:
    """Refuse levels that no kitchen can set, and say how to come closer."""
    low, high = next(
        (a, b) for name, unit, a, b in _USABLE
        if unit in ("", factor.unit) and re.search(name, factor.name)
    )  # fmt: skip
    out = [text for value, text in found.items() if not low <= value <= high]
    if out:
        ends = f"{low:g} to {high:g}" if high < float("inf") else f"{low:g} or more"
        raise InputError(
            f"factor '{factor.name}': the outer batches would stand at {' and '.join(out)}; "
            f"{ends} {factor.unit or ''} can be set.".replace("  ", " ").replace(" can", " can")
            + ' Set alpha = "face" in [plan], or bring low and high closer together.'
        )
