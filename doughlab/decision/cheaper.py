"""Cheaper: among waters that do as well, the one that costs less.

`choose` asks here. A water is never taken for its price alone: it must first be shown to do as
well as the setting with the best chance.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from doughlab.analysis.analyse import Analysis
from doughlab.analysis.dataset import TrialLike
from doughlab.decision.options import find_setting, list_options, verdict_of_settings
from doughlab.formula import batch_grams
from doughlab.sections import Factor
from doughlab.stats.verdicts import SAME


def water_costs(factor: Factor, waters: Mapping[str, Mapping[str, Any]]) -> dict[str, float]:
    """Look up the cost of a litre of each level of a water factor, where it is given.

    Parameters
    ----------
    factor : Factor
    waters : mapping
        Rows of waters.csv by id.
    """
    if factor.kind != "water":
        return {}
    given = {level: waters.get(level, {}).get("cost_per_l") for level in factor.levels}
    return {level: float(cost) for level, cost in given.items() if cost is not None}


def find_cheaper(
    table: pd.DataFrame,
    at: int,
    factor: Factor,
    deciding: Sequence[Analysis],
    costs: Mapping[str, float],
) -> int:
    """Find the setting of the cheapest water that does as well as the one at a position.

    Parameters
    ----------
    table : DataFrame
        With chance, less_low and less_high against the setting with the best chance.
    at : int
    factor : Factor
    deciding : sequence of Analysis
        The window's response first.
    costs : mapping of str to float
        Cost of a litre.

    Returns
    -------
    int
        Position in the table; `at` where nothing cheaper does as well or its cost is not known.
    """
    setting = {n: str(table[n].iloc[at]) for n in deciding[0].settings.factors}
    cheapest, place = costs.get(setting[factor.name]), at
    if cheapest is None:
        return at
    options = list_options(table, at, factor, deciding)
    for option in options:
        cost = costs.get(option.level)
        if cost is None or cost >= cheapest:
            continue
        either = option.swapped if option.either else None
        wanted = either or option.best
        alike = option.either or all(
            verdict_of_settings(a, setting, wanted.setting, pairs=len(options)) == SAME
            for a in deciding[1:]
        )
        if wanted.as_good and alike:
            found = find_setting(table, wanted.setting)
            cheapest, place = cost, at if found is None else found
    return place


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
