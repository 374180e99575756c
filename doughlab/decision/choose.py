"""Choose: recommended settings among those tried, by verdict and not by rank.

The door of the room: `decide(trial)`. What is the same is named together, what is not settled is
named as such, and the call stays with the owner. Layout is left to `words`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from doughlab.analysis.analyse import Analysis, analyse
from doughlab.analysis.dataset import TrialLike
from doughlab.analysis.standing import tell_standings
from doughlab.decision.chance import (
    Predictor,
    build_predictor,
    compare_chances,
    forecast,
    tried_settings,
)
from doughlab.decision.cheaper import find_cheaper, water_costs, water_per_ball
from doughlab.decision.decided import Decision
from doughlab.decision.early import find_too_early
from doughlab.decision.followup import plan_confirmation, unsettled
from doughlab.decision.options import Choice, list_options
from doughlab.decision.window import WindowFound, find_hours, find_window
from doughlab.errors import MissingRecords, NotEstimable


def decide(trial: TrialLike, *, analyses: Mapping[str, Analysis] | None = None) -> Decision:
    """Recommend settings among those tried, and say how sure that is.

    Parameters
    ----------
    trial : TrialLike
    analyses : mapping of str to Analysis, optional
        Where they were made already.

    Returns
    -------
    Decision
        Without a recommendation where the trial cannot tell; never raises for that.

    Raises
    ------
    PlanError, MissingRecords, NotEstimable
        Where no response can be analysed at all.
    """
    found = dict(analyses) if analyses else analyse_all(trial)
    settings = trial.settings
    window = find_window(settings, found)
    changed = next(iter(found.values())).changed
    rest: dict[str, Any] = {
        "open_questions": tuple(unsettled(found.values())),
        "changed": changed,
        "interim": any(a.dataset.interim for a in found.values()),
        "standing": tell_standings({a.response.words: a.dataset.standing for a in found.values()}),
        "provisional": any(a.dataset.standing.provisional for a in found.values()),
    }
    main = found.get(window.response)
    if main is None:
        return Decision(settings, window, pd.DataFrame(), **rest)
    predictor = build_predictor(main)
    table = _add_scores(forecast(predictor, tried_settings(main), window.ends), found)
    if window.ends is None:
        return Decision(settings, window, table, notes=predictor.notes, **rest)
    early = find_too_early(predictor, table, window)
    if early is not None:
        if not early.chances:
            table = table.assign(chance=np.nan, chance_low=np.nan, chance_high=np.nan)
        return Decision(settings, window, table, days=predictor.days, early=early, **rest)
    recommended, choices, table = choose_settings(predictor, table, found, trial.waters, window)
    return Decision(
        settings,
        window,
        table,
        recommended=recommended,
        choices=tuple(choices),
        hours=find_hours(predictor, recommended, window.ends),
        confirmation=plan_confirmation(predictor, recommended),
        notes=predictor.notes,
        days=predictor.days,
        water_g_per_ball=water_per_ball(trial, recommended),
        **rest,
    )


def analyse_all(trial: TrialLike) -> dict[str, Analysis]:
    """Analyse every response of a trial that can be.

    Raises
    ------
    MissingRecords
        Where none can, with the reason of the first.
    """
    found: dict[str, Analysis] = {}
    reasons: list[str] = []
    for name in trial.settings.responses:
        try:
            found[name] = analyse(trial, name)
        except (MissingRecords, NotEstimable) as error:
            reasons.append(str(error))
    if not found:
        raise MissingRecords(reasons[0] if reasons else "trial.toml names no response.")
    return found


def _add_scores(table: pd.DataFrame, found: Mapping[str, Analysis]) -> pd.DataFrame:
    """Put the mean score of every setting beside its chance."""
    for name, analysis in found.items():
        if analysis.response.kind != "score":
            continue
        tried = tried_settings(analysis)
        means = forecast(build_predictor(analysis), tried, None)
        keep = [*analysis.settings.factors, "estimate", "ci_low", "ci_high"]
        columns = {"estimate": name, "ci_low": f"{name}_low", "ci_high": f"{name}_high"}
        own = means[keep].rename(columns=columns)
        table = table.merge(own, on=list(analysis.settings.factors), how="left")
    return table


def choose_settings(
    predictor: Predictor,
    table: pd.DataFrame,
    found: Mapping[str, Analysis],
    waters: Mapping[str, Mapping[str, Any]],
    window: WindowFound,
) -> tuple[dict[str, str], list[Choice], pd.DataFrame]:
    """Choose a tried setting: best chance first, then a cheaper water that does as well.

    A cheaper water is taken only where at least as many balls are inside to within one of ten:
    with all else as it was, if every deciding response shows the same dough at that very setting,
    or at its own best setting, if the other deciding responses are the same between the two
    settings. What is not settled never moves the choice.

    Parameters
    ----------
    predictor : Predictor
    table : DataFrame
        With the chances.
    found : mapping of str to Analysis
    waters : mapping
        Rows of waters.csv by id.
    window : WindowFound
        With both ends.

    Returns
    -------
    recommended : dict of str to str
    choices : list of Choice
    table : DataFrame
        With the columns less_low and less_high: 95 % range of a chance minus the recommended one.
    """
    ends = window.ends or (-np.inf, np.inf)
    settings = predictor.model.settings
    main = found[window.response]
    top = int(table["chance"].to_numpy().argmax())
    at, cheapest = top, False
    table = _against(predictor, table, top, ends)
    for name, factor in settings.factors.items():
        costs = water_costs(factor, waters)
        if factor.kind == "water" and costs:
            place = find_cheaper(table, at, factor, _deciding(found, main, name), costs)
            at, cheapest = place, cheapest or place != at
    table = _against(predictor, table, at, ends)
    picked = {name: str(table[name].iloc[at]) for name in settings.factors}
    choices = [
        Choice(
            factor,
            picked[name],
            tuple(list_options(table, at, factor, _deciding(found, main, name))),
            cheapest and factor.kind == "water",
            water_costs(factor, waters),
        )
        for name, factor in settings.factors.items()
        if settings.hold is None or name != settings.hold.name
    ]
    return picked, choices, table


def _against(
    predictor: Predictor, table: pd.DataFrame, at: int, ends: tuple[float, float]
) -> pd.DataFrame:
    low, high = compare_chances(predictor, table, at, ends)
    return table.assign(less_low=low, less_high=high)


def _deciding(found: Mapping[str, Analysis], main: Analysis, factor: str) -> list[Analysis]:
    """Give the responses whose verdicts decide on a factor: the window's, and primary ones."""
    rest = [a for a in found.values() if a is not main]
    asked = [a for a in rest if any(b.primary and b.question.factor == factor for b in a.answers)]
    return [main, *asked]
