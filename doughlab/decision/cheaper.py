"""Cheaper: among waters that do as well, the one that costs less or is less to do.

`choose` asks here. A water is never taken for its price alone: its setting must have the best
chance to within one ball of a hundred, or be shown to do as well as the one that has it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doughlab.analysis.analyse import Analysis
from doughlab.analysis.covariates import PH_FACTOR
from doughlab.analysis.dataset import TrialLike
from doughlab.decision.options import Demand, find_setting, list_options, verdict_of_settings
from doughlab.decision.to_do import list_to_do
from doughlab.formula import batch_grams
from doughlab.sections import Factor
from doughlab.settings import Settings
from doughlab.stats.verdicts import SAME

ALIKE = 0.01  # chances that differ by no more start alike: one ball of a hundred


def list_demands(
    settings: Settings,
    factor: Factor,
    table: pd.DataFrame,
    at: int,
    waters: Mapping[str, Mapping[str, Any]],
) -> dict[str, Demand]:
    """List what each level of a water factor costs and asks for, all else as at a position.

    Parameters
    ----------
    settings : Settings
    factor : Factor
    table : DataFrame
        A column of level texts for each factor.
    at : int
    waters : mapping
        Rows of waters.csv by id.

    Returns
    -------
    dict of str to Demand
        Empty for a factor that is neither a water nor its dose.
    """
    if factor.kind != "water" and factor.name != PH_FACTOR:
        return {}
    setting = {n: str(table[n].iloc[at]) for n in settings.factors}
    found = {}
    for level in factor.levels:
        cost = waters.get(level, {}).get("cost_per_l") if factor.kind == "water" else None
        to_do = list_to_do(settings, setting | {factor.name: level}, waters)
        found[level] = Demand(None if cost is None else float(cost), to_do)
    return found


def find_cheaper(
    table: pd.DataFrame,
    at: int,
    factor: Factor,
    deciding: Sequence[Analysis],
    demands: Mapping[str, Demand],
) -> tuple[int, str]:
    """Find the setting of the cheapest or easiest water that does as well as one at a position.

    Parameters
    ----------
    table : DataFrame
        With chance, less_low and less_high against the setting with the best chance.
    at : int
    factor : Factor
    deciding : sequence of Analysis
        The window's response first.
    demands : mapping of str to Demand

    Returns
    -------
    place : int
        Position in the table; `at` where nothing cheaper or easier does as well.
    why : str
        "cost" or "ease"; empty where the place is `at`.
    """
    setting = {n: str(table[n].iloc[at]) for n in deciding[0].settings.factors}
    taken, place, why = demands[setting[factor.name]], at, ""
    options = list_options(table, at, factor, deciding)
    for option in options:
        asked = demands[option.level]
        reason = compare_demands(asked, taken)
        if not reason:
            continue
        either = option.swapped if option.either else None
        wanted = either or option.best
        alike = option.either or all(
            verdict_of_settings(a, setting, wanted.setting, pairs=len(options)) == SAME
            for a in deciding[1:]
        )
        found = find_setting(table, wanted.setting)
        if wanted.as_good and alike and found is not None:
            taken, place, why = asked, found, reason
    return place, why


def find_first(
    settings: Settings,
    table: pd.DataFrame,
    chance: NDArray[np.float64],
    waters: Mapping[str, Mapping[str, Any]],
) -> int:
    """Find the setting to start from: the best chance, of those as good the cheapest or easiest.

    Chances within one ball of a hundred are no difference that a trial tells, so one reading must
    not decide between two waters; our own rule.

    Parameters
    ----------
    settings : Settings
    table : DataFrame
        A column of level texts for each factor.
    chance : array, shape (rows,)
    waters : mapping
        Rows of waters.csv by id.

    Returns
    -------
    int
        Position in the table.
    """
    known = np.nan_to_num(chance, nan=-1.0)
    asked = [f for n, f in settings.factors.items() if f.kind == "water" or n == PH_FACTOR]
    order = np.argsort(-known, kind="stable")
    first = int(order[0])

    def demand(factor: Factor, at: int) -> Demand:
        return list_demands(settings, factor, table, at, waters)[str(table[factor.name].iloc[at])]

    for other in (int(i) for i in order[1:] if known[i] >= known[order[0]] - ALIKE):
        pairs = [(demand(f, other), demand(f, first)) for f in asked]
        if any(compare_demands(a, b) for a, b in pairs) and not any(
            compare_demands(b, a) for a, b in pairs
        ):
            first = other
    return first


def compare_demands(one: Demand, other: Demand) -> str:
    """Say for what the first is taken before the second: "cost", "ease", or neither.

    Cost comes first where both are known and differ; else fewer things to do.

    Parameters
    ----------
    one, other : Demand

    Examples
    --------
    >>> compare_demands(Demand(0.1), Demand(0.3)), compare_demands(Demand(), Demand(None, ("x",)))
    ('cost', 'ease')
    >>> compare_demands(Demand(0.3), Demand(0.1, ("dosing acid",)))
    ''
    """
    if one.cost is not None and other.cost is not None and one.cost != other.cost:
        return "cost" if one.cost < other.cost else ""
    return "ease" if len(one.to_do) < len(other.to_do) else ""


def water_per_ball(trial: TrialLike, setting: Mapping[str, str]) -> float | None:
    """Give the grams of water in one ball of a setting; None without a formula."""
    formula = getattr(trial, "formula", None)
    if formula is None:
        return None
    levels = {
        name: trial.settings.factors[name].value_of(level)
        for name, level in setting.items()
        if trial.settings.factors[name].kind == "number"
    }
    return batch_grams(formula, levels=levels, balls=1).get("water")
