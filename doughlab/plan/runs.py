"""Runs: which combinations of the batch factors a plan mixes, by the kind of plan.

`designs` deals them out over days. Forbidden combinations are taken out; what a kind of plan is
good for is said by `kinds`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import cycle
from typing import TYPE_CHECKING

from doughlab.designed import STEPS
from doughlab.errors import PlanError
from doughlab.levels import moved_numbers
from doughlab.plan.factors import Levels, cross_levels, is_forbidden, list_ball_settings
from doughlab.plan.fractions import end_level, find_fraction, fraction_runs
from doughlab.plan.steps import step_runs
from doughlab.plan.surfaces import place_codes, surface_parts

if TYPE_CHECKING:
    from doughlab.sections import Factor
    from doughlab.settings import Settings


@dataclass(frozen=True)
class Part:
    """Combinations that belong together on their days.

    Attributes
    ----------
    runs : tuple of dict
        Mixed as often as the replicates say.
    once : tuple of dict
        Mixed once each: batches in the middle of all numbers.
    """

    runs: tuple[Levels, ...]
    once: tuple[Levels, ...] = ()


def list_parts(settings: Settings, day: Mapping[str, str]) -> list[Part]:
    """List what is mixed at one day setting, without forbidden combinations.

    Parameters
    ----------
    settings : Settings
    day : dict
        Day factor to level text; empty without day factors.

    Returns
    -------
    list of Part
        One, or the corners and the outer points of a central composite plan.

    Raises
    ------
    PlanError
        Where the kind of plan does not go with the factors.
    """
    parts = [
        Part(*(_allowed(settings, day, group) for group in (part.runs, part.once)))
        for part in _parts(settings)
    ]
    if settings.plan.design == STEPS:
        _check_base(settings, parts[0])
    return [part for part in parts if part.runs or part.once]


def _check_base(settings: Settings, part: Part) -> None:
    """Refuse steps whose base is forbidden: every difference is taken from it."""
    factors = settings.factors_set("batch")
    base = step_runs(factors)[0]
    if not any(base.items() <= run.items() for run in part.runs):
        shown = ", ".join(f"{f.words} {base[f.name]}" for f in factors)
        raise PlanError(
            f"trial.toml, [plan]: steps are taken from the first setting of everything, and "
            f"{shown} is among [[forbidden]]. Write first, in levels, a setting of each that can "
            "be mixed together."
        )


def list_runs(settings: Settings, day: Mapping[str, str]) -> list[Levels]:
    """List the runs of one day setting: day and batch levels without forbidden ones.

    Parameters
    ----------
    settings : Settings
    day : dict
        Day factor to level text; empty without day factors.

    Returns
    -------
    list of dict
        Each holds the day levels too; batches in the middle stand once for each. A run with no
        ball setting left is not a run.
    """
    return [run for part in list_parts(settings, day) for run in (*part.runs, *part.once)]


def _parts(settings: Settings) -> list[Part]:
    factors = settings.factors_set("batch")
    design = settings.plan
    moved = moved_numbers(settings.factors, design)
    if design.is_surface:
        others = cross_levels([f for f in factors if f not in moved])
        found = []
        for codes in surface_parts(design, len(moved)):
            outer, middle = (
                tuple(_in_order(factors, p | o) for o in others
                      for p in place_codes(design, moved, [c for c in codes if any(c) is moves]))
                for moves in (True, False)
            )  # fmt: skip
            found.append(Part(outer, middle))
        return found
    if design.design == STEPS:
        return [Part(tuple(step_runs(factors)))]
    fraction = find_fraction(settings)
    if fraction is not None:
        rest = cross_levels([f for f in factors if f.name not in fraction.names])
        cut = fraction_runs(settings, fraction)
        runs = tuple(_in_order(factors, c | o) for c in cut for o in rest)
    else:
        ends = {f.name: [end_level(f, -1), end_level(f, 1)] for f in moved}
        crossed = cross_levels(factors)
        runs = tuple(r for r in crossed if all(r[n] in e for n, e in ends.items()))
    return [Part(runs, _middles(settings, factors, moved))]


def _middles(settings: Settings, factors: list[Factor], moved: list[Factor]) -> tuple[Levels, ...]:
    """Give the batches in the middle of all numbers, shared out over the other settings."""
    count = settings.plan.count_centres(len(moved))
    if count and not moved:
        raise PlanError(
            "trial.toml, [plan]: centres are batches in the middle of numbers that are set per "
            "batch; there is none. Take centres away."
        )
    middle = {f.name: f.levels[1] for f in moved}
    others = cycle(cross_levels([f for f in factors if f not in moved]))
    return tuple(_in_order(factors, middle | next(others)) for _ in range(count))


def _in_order(factors: list[Factor], levels: Mapping[str, str]) -> Levels:
    return {f.name: levels[f.name] for f in factors}


def _allowed(
    settings: Settings, day: Mapping[str, str], group: tuple[Levels, ...]
) -> tuple[Levels, ...]:
    """Take out what is forbidden, and what leaves no ball setting."""
    runs = [{**day, **levels} for levels in group]
    allowed = [r for r in runs if not is_forbidden(r, settings.forbidden)]
    return tuple(r for r in allowed if list_ball_settings(settings, r))
