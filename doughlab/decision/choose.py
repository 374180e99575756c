"""Choose: recommended settings among those tried, by verdict and not by rank.

The door of the room: `decide(trial)`. What is the same is named together, what is not settled is
named as such, and the call stays with the owner. Layout is left to `words`.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from doughlab.analysis.analyse import Analysis, analyse
from doughlab.analysis.covariates import PH_FACTOR
from doughlab.analysis.dataset import TrialLike
from doughlab.analysis.doubt import told_doubts
from doughlab.analysis.standing import tell_standings
from doughlab.decision.ahead import Ahead
from doughlab.decision.chance import (
    Predictor,
    build_predictor,
    compare_chances,
    forecast,
    tried_settings,
)
from doughlab.decision.cheaper import find_cheaper, find_first, list_demands, water_per_ball
from doughlab.decision.confirmed import judge_confirmation
from doughlab.decision.decided import Decision
from doughlab.decision.early import find_too_early, find_unrecorded
from doughlab.decision.followup import plan_confirmation, unsettled
from doughlab.decision.hours import find_hours
from doughlab.decision.joint import Joint
from doughlab.decision.options import Choice, list_options
from doughlab.decision.weigh import Weighing, find_beyond, weigh_settings
from doughlab.decision.window import WindowFound, find_window
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

    References
    ----------
    Chances from draws of means and variances together (`doughlab.stats.posterior`: Box & Tiao
    1973). That the choice goes by verdict and chance, never by rank, is a rule of this project;
    chances against known truths in tests/studies/joint_study.md.

    Examples
    --------
    >>> from doughlab.notebook import decide_demo
    >>> print(str(decide_demo()).splitlines()[0])  # decide(open_demo()), made once
    Use tap, mixing water 64 F, hydration 65 %, hold 48 h.
    """
    settings = trial.settings
    if settings.confirm is not None:
        return Decision(settings, find_window(settings, {}), pd.DataFrame(),
                        confirmed=judge_confirmation(trial))  # fmt: skip
    found = dict(analyses) if analyses else analyse_all(trial)
    window = find_window(settings, found)
    changed = next(iter(found.values())).changed
    rest: dict[str, Any] = {
        "open_questions": tuple(unsettled(found.values())),
        "changed": changed,
        "interim": any(a.dataset.interim for a in found.values()),
        "standing": (
            *tell_standings({a.response.words: a.dataset.standing for a in found.values()}),
            *(s for a in found.values() for s in told_doubts(a)),
        ),
        "provisional": any(a.dataset.standing.provisional for a in found.values()),
        "ahead": Ahead(trial, found, ends=window.ends),
    }
    main = found.get(window.response)
    if main is None:
        early = None if window.ends is None else find_unrecorded(trial, window.response)
        return Decision(settings, window, pd.DataFrame(), early=early, **rest)
    predictors = build_predictors(found, window)
    predictor = predictors[window.response]
    table = forecast(predictor, tried_settings(main), window.ends)
    table = _add_scores(table, found, predictors)
    rest["predictor"] = predictor
    if window.ends is None:
        return Decision(settings, window, table, notes=predictor.notes, **rest)
    early = find_too_early(predictor, table, window)
    if early is not None:
        if early.chances:
            early = early.mind(main.checks.unusual_balls)
        else:
            table = table.assign(chance=np.nan, chance_low=np.nan, chance_high=np.nan)
        return Decision(settings, window, table, days=predictor.days, early=early, **rest)
    return _recommend(trial, found, window, predictors, table, rest)


def _recommend(
    trial: TrialLike,
    found: Mapping[str, Analysis],
    window: WindowFound,
    predictors: dict[str, Predictor],
    table: pd.DataFrame,
    rest: Mapping[str, Any],
) -> Decision:
    """Recommend settings where nothing stands against it but a limit that none meets."""
    settings, predictor = trial.settings, predictors[window.response]
    weighing = weigh_settings(trial, predictors, table, found, window)
    table = weighing.add_columns(table)
    early = find_beyond(weighing, table)
    if early is not None:
        return Decision(settings, window, table, days=predictor.days, early=early,
                        weighing=weighing, **rest)  # fmt: skip
    recommended, choices, table = choose_settings(predictor, table, found, trial.waters, window,
                                                  weighing=weighing)  # fmt: skip
    return Decision(
        settings,
        window,
        table,
        recommended=recommended,
        choices=tuple(choices),
        hours=find_hours(
            predictor,
            recommended,
            window.ends or (-np.inf, np.inf),
            enough=settings.limits.inside_of_10,
        ),
        confirmation=plan_confirmation(predictor, recommended, window=window.ends),
        notes=predictor.notes,
        days=predictor.days,
        water_g_per_ball=water_per_ball(trial, recommended),
        weighing=weighing,
        **{**rest, "ahead": Ahead(trial, found, recommended, predictor, window.ends)},
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


def build_predictors(found: Mapping[str, Analysis], window: WindowFound) -> dict[str, Predictor]:
    """Fit what settings are judged by for predictions: the window's response first.

    Parameters
    ----------
    found : mapping of str to Analysis
    window : WindowFound

    Returns
    -------
    dict of str to Predictor
        The window's response, every score, and every response with a limit of its own. A band of
        pH that was given is one of true pH: what the meter may be off by is in its chances. A band
        found from this trial's own readings moves with the meter.
    """
    names = [window.response]
    names += [n for n, a in found.items() if n != window.response and (
        a.response.kind == "score" or (a.response.at_least, a.response.at_most) != (None, None)
    )]  # fmt: skip
    off = {window.response: found[window.response].meter_sd} if window.given else {}
    return {name: build_predictor(found[name], meter_sd=off.get(name, 0.0)) for name in names}


def _add_scores(
    table: pd.DataFrame, found: Mapping[str, Analysis], predictors: Mapping[str, Predictor]
) -> pd.DataFrame:
    """Put the mean score of every setting beside its chance."""
    for name, analysis in found.items():
        if analysis.response.kind != "score" or name not in predictors:
            continue
        factors = list(analysis.settings.factors)
        means = forecast(predictors[name], tried_settings(analysis), None)
        keep = [*factors, "estimate", "ci_low", "ci_high"]
        columns = {"estimate": name, "ci_low": f"{name}_low", "ci_high": f"{name}_high"}
        table = table.merge(means[keep].rename(columns=columns), on=factors, how="left")
    return table


def choose_settings(
    predictor: Predictor,
    table: pd.DataFrame,
    found: Mapping[str, Analysis],
    waters: Mapping[str, Mapping[str, Any]],
    window: WindowFound,
    *,
    weighing: Weighing | None = None,
) -> tuple[dict[str, str], list[Choice], pd.DataFrame]:
    """Choose a tried setting: best chance first, then a cheaper or easier water that does as well.

    Of settings within one ball of a hundred of the best chance the cheapest or easiest is first.
    With limits beside the window the chance is that a new ball meets all of them at once. A
    cheaper water is taken only where at least as many balls do so to within one of ten: with all
    else as it was, if every deciding response shows the same dough at that very setting, or at its
    own best setting, if the other deciding responses are the same between the two settings. Where
    the cost is the same or not known, fewer things to do count instead; water that is not dosed
    before water that is. What is not settled never moves the choice.

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
    weighing : Weighing, optional
        Judge by all of its limits at once; by the window alone without it.

    Returns
    -------
    recommended : dict of str to str
    choices : list of Choice
    table : DataFrame
        With the columns less_low and less_high: 95 % range of a chance minus the recommended one.
    """
    ends = window.ends or (-np.inf, np.inf)
    joint = weighing.joint if weighing is not None and weighing.several else None
    against = partial(_against, predictor, ends=ends, joint=joint)
    settings = predictor.model.settings
    main = found[window.response]
    chance = table["all" if "all" in table else "chance"].to_numpy(dtype=float)
    at = find_first(settings, table, chance, waters)
    table = against(table, at)
    whys: dict[str, str] = {}
    for name, factor in settings.factors.items():
        if factor.kind == "water" or name == PH_FACTOR:
            demands = list_demands(settings, factor, table, at, waters)
            place, why = find_cheaper(table, at, factor, _deciding(found, main, name), demands)
            at, whys[name] = place, why
    table = against(table, at)
    picked = {name: str(table[name].iloc[at]) for name in settings.factors}
    choices = [
        Choice(
            factor,
            picked[name],
            tuple(list_options(table, at, factor, _deciding(found, main, name))),
            whys.get(name, ""),
            list_demands(settings, factor, table, at, waters),
        )
        for name, factor in settings.factors.items()
        if settings.hold is None or name != settings.hold.name
    ]
    return picked, choices, table


def _against(
    predictor: Predictor,
    table: pd.DataFrame,
    at: int,
    *,
    ends: tuple[float, float],
    joint: Joint | None,
) -> pd.DataFrame:
    """Set every chance against that of one setting."""
    if joint is not None:
        low, high = joint.against(at)
    else:
        low, high = compare_chances(predictor, table, at, ends)
    return table.assign(less_low=low, less_high=high)


def _deciding(found: Mapping[str, Analysis], main: Analysis, factor: str) -> list[Analysis]:
    """Give the responses whose verdicts decide on a factor: the window's, and primary ones."""
    rest = [a for a in found.values() if a is not main]
    asked = [a for a in rest if any(b.primary and b.question.factor == factor for b in a.answers)]
    return [main, *asked]
