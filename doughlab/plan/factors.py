"""Levels: crossed, checked for combinations that are never mixed, and the ball settings of a batch.

`runs` and `plan` cross factors here. Which combinations a plan mixes is left to `runs`, and which
of them goes to which day to `designs`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import product
from typing import TYPE_CHECKING

from doughlab.errors import PlanError, listed

if TYPE_CHECKING:
    from doughlab.sections import Factor
    from doughlab.settings import Settings

Levels = dict[str, str]
"""Factor name to level text."""


def cross_levels(factors: Sequence[Factor]) -> list[Levels]:
    """Cross the levels of factors; the last factor runs fastest.

    Returns
    -------
    list of dict
        Factor name to level text; one empty combination without factors.

    Examples
    --------
    >>> from doughlab.sections import Factor
    >>> len(cross_levels([Factor("a", "batch", "category", ("x", "y")),
    ...                   Factor("b", "batch", "category", ("p", "q", "r"))]))
    6
    """
    names = [f.name for f in factors]
    return [
        dict(zip(names, combination, strict=True))
        for combination in product(*(f.levels for f in factors))
    ]


def is_forbidden(levels: Mapping[str, str], forbidden: Sequence[Mapping[str, str]]) -> bool:
    """Tell whether a combination contains one that is never mixed.

    A forbidden entry counts only when all its factors are among `levels`.

    Examples
    --------
    >>> is_forbidden({"water": "tap", "hold": "72"}, [{"water": "tap", "hold": "72"}])
    True
    >>> is_forbidden({"water": "tap"}, [{"water": "tap", "hold": "72"}])
    False
    """
    return any(
        entry and all(levels.get(name) == level for name, level in entry.items())
        for entry in forbidden
    )


def list_day_settings(settings: Settings) -> list[Levels]:
    """List the settings of the day factors; one empty setting without day factors."""
    crossed = cross_levels(settings.factors_set("day"))
    return [levels for levels in crossed if not is_forbidden(levels, settings.forbidden)]


def list_ball_settings(settings: Settings, run: Mapping[str, str]) -> list[Levels]:
    """List the ball settings of a batch of this run, without forbidden ones."""
    crossed = cross_levels(settings.factors_set("ball"))
    return [s for s in crossed if not is_forbidden({**run, **s}, settings.forbidden)]


def check_levels_used(settings: Settings, runs: Sequence[Mapping[str, str]]) -> None:
    """Refuse a plan in which a level never occurs.

    Raises
    ------
    PlanError
        Naming the levels that the forbidden combinations leave out.
    """
    seen: set[tuple[str, str]] = set()
    for run in runs:
        seen |= set(run.items())
        for inner in list_ball_settings(settings, run):
            seen |= set(inner.items())
    missing = [
        f"{f.name} '{level}'"
        for f in settings.factors.values()
        for level in f.levels
        if (f.name, level) not in seen
    ]
    if missing:
        raise PlanError(
            f"trial.toml: [[forbidden]] leaves no batch for {listed(missing)}. "
            "Take the level away, or allow one of its combinations."
        )
