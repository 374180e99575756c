"""Settle: make the recipe out of what `decide` recommends for a trial.

`doughlab daily --settle` calls it once, on purpose. The choice is the decision room's; here its
numbers are gathered, with the evidence they stand on and what the trial's kitchen was like.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from datetime import datetime
from statistics import fmean, median
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from doughlab.analysis.dataset import TrialLike
from doughlab.daily.expiry import water_facts
from doughlab.daily.recipe import (
    Evidence,
    Lever,
    OtherWater,
    Recipe,
    Tried,
    Usual,
)
from doughlab.decision.chance import Predictor
from doughlab.decision.choose import analyse_all, build_predictors, decide
from doughlab.decision.decided import Decision
from doughlab.decision.expiry import expiry_conditions
from doughlab.decision.hours import hour_rows
from doughlab.decision.words import level_words
from doughlab.errors import NotEstimable, PlanError
from doughlab.formula.stays import COLD_PLACES, UsualDay, is_place
from doughlab.plan.lock import checksum
from doughlab.stats.scale import student_quantile

if TYPE_CHECKING:
    from doughlab.record.records import Records
    from doughlab.sections import Factor

WITHIN = {"ball", "residual"}
CURVE_STEP_H = 3.0  # straight lines between such hours lie near the curve
MOST_ANSWERS = 4  # of another trial, written into the file


def build_recipe(
    trial: TrialLike,
    *,
    by: str,
    now: datetime,
    version: str,
    expires_on: str = "",
    expires_when: Sequence[str] = (),
    reason: str = "",
    also: Sequence[TrialLike] = (),
) -> Recipe:
    """Gather the settled recipe of a trial.

    Parameters
    ----------
    trial : TrialLike
        With a kept plan and records.
    by : str
        Who settles it.
    now : datetime
        With offset.
    version : str
        Of the software.
    expires_on : str
        Date until which it is settled, or empty.
    expires_when : sequence of str
        Conditions beside those that the trial gives (`expiry_conditions`).
    reason : str
        Why it is settled anew.
    also : sequence of TrialLike
        Other trials that it stands on, such as the one that settled what this one left open.

    Returns
    -------
    Recipe

    Raises
    ------
    NotEstimable
        Where the trial recommends nothing, or its window is not one of pH over a hold.
    PlanError
        Where no plan was kept.

    Examples
    --------
    >>> from datetime import UTC
    >>> from doughlab.notebook import open_demo
    >>> now = datetime(2026, 3, 20, tzinfo=UTC)
    >>> recipe = build_recipe(open_demo(), by="Mo", now=now, version="0.1.0")
    >>> recipe.settled_by, recipe.hold_h, recipe.low, recipe.high
    ('Mo', 48.0, 5.35, 5.75)
    """
    found = analyse_all(trial)
    decision = decide(trial, analyses=found)
    plan, settings = trial.frozen_plan, trial.settings
    if plan is None:
        raise PlanError("This trial has no plan. Keep one first: doughlab plan --keep")
    hold, ends = settings.hold, decision.window.ends
    if not decision.recommended or ends is None:
        raise NotEstimable(
            "Nothing can be settled yet: this trial recommends no settings. What is missing says: "
            "doughlab decide."
        )
    if hold is None or settings.response(decision.window.response).unit != "ph":
        raise NotEstimable(
            "Nothing can be settled for every day: that needs a window of pH and a hold in hours "
            "that the trial varied."
        )
    response = decision.window.response
    predictor = build_predictors({response: found[response]}, decision.window)[response]
    numbers = _numbers(predictor, decision, hold)
    days = "1 mixing day" if decision.days == 1 else f"{decision.days} mixing days"
    so_far = ", provisional" if decision.provisional or decision.interim else ""
    return Recipe(
        dough=settings.dough, trial=settings.name, source=settings.source,
        settled_at=now.date().isoformat(), settled_by=by, reason=reason, version=version,
        plan=checksum([plan.batches, plan.balls, plan.schedule]),
        data=data_fingerprint(trial.records),
        evidence=f"{len(trial.records.mixes)} batches on {days}{so_far}",
        expires_on=expires_on,
        expires_when=(*(c.words for c in expiry_conditions(trial, decision)), *expires_when),
        setting=dict(decision.recommended),
        words={n: _words(settings.factors[n], v) for n, v in decision.recommended.items()},
        low=float(ends[0]), high=float(ends[1]),
        usual=usual_of(trial.records, settings.kitchen.warm_min, settings.limits.cooler_c,
                       alike=plan.mixed_as(decision.recommended)),
        flour_lots=tuple(sorted({str(m["flour_lot"]) for m in trial.records.mixes
                                 if m.get("flour_lot")})),
        tried=tried_in(trial, decision.recommended), also=tuple(evidence_of(t) for t in also),
        **numbers,
    )  # fmt: skip


def tried_in(trial: TrialLike, setting: dict[str, str]) -> Tried:
    """Gather what was in use while a trial ran, to notice later when it is another.

    Parameters
    ----------
    trial : TrialLike
    setting : dict of str to str
        The settled levels.

    Returns
    -------
    Tried
    """
    settings, records = trial.settings, trial.records
    days = sorted(m["mixed_at"].date().isoformat() for m in records.mixes if m.get("mixed_at"))
    cold = [float(t["temp_c"]) for t in records.temperatures if is_place(t, COLD_PLACES)]
    if not cold:
        cold = [usual_of(records, settings.kitchen.warm_min, settings.limits.cooler_c).cooler_c]
    meters = {str(r["instrument"]) for r in records.readings if r.get("instrument")}
    waters = [setting[n] for n, f in settings.factors.items() if f.kind == "water"]
    water = waters[0] if waters else next(iter(trial.waters), "")
    return Tried(
        days[0] if days else "", days[-1] if days else "", min(cold), max(cold),
        tuple(sorted({str(m["mixer"]) for m in records.mixes if m.get("mixer")})),
        tuple(sorted(meters)), water, water_facts(trial.waters.get(water, {})),
    )  # fmt: skip


def evidence_of(trial: TrialLike) -> Evidence:
    """Write down what another trial adds: its fingerprints, its size and its answers.

    Raises
    ------
    PlanError
        Where it keeps no plan.
    """
    plan, records = trial.frozen_plan, trial.records
    name = trial.settings.name
    if plan is None:
        raise PlanError(f"'{name}' has no plan, so nothing can stand on it. Leave it out of --also")
    said = [
        f"{a.response.words}, {c.words}: {c.estimate_text.strip()} {c.range_text}, {c.verdict_text}"
        for a in analyse_all(trial).values()
        for answer in a.answers
        if answer.primary
        for c in answer.comparisons
    ]
    days = len({b["block"] for b in plan.batches})
    head = f"{len(records.mixes)} batches on {days} mixing day{'s' if days > 1 else ''}"
    return Evidence(
        name, checksum([plan.batches, plan.balls, plan.schedule]), data_fingerprint(records),
        "; ".join([head, *said[:MOST_ANSWERS]]),
    )  # fmt: skip


def data_fingerprint(records: Records) -> str:
    """Give the checksum of every row that was recorded, corrections included."""
    rows = {
        name: [{k: v for k, v in row.items() if k != "_row"} for row in journal.history]
        for name, journal in sorted(records.journals.items())
    }
    return checksum(rows)


def _words(factor: Factor, level: str) -> str:
    shown = level_words(factor, level)
    return shown if factor.kind == "water" else f"{factor.words} {shown}"


def usual_of(
    records: Records, warm_min: float, limit_c: float, *, alike: Collection[str] = ()
) -> Usual:
    """Take what was usual from the mixes and temperatures of a trial.

    Parameters
    ----------
    records : Records
    warm_min, limit_c : float
        Of the kitchen: minutes of warm-up, the warmest that a cooler may be.
    alike : collection of str
        Batches mixed as settled: the usual dough temperature is theirs, as far as one was probed.

    Returns
    -------
    Usual
    """
    day = UsualDay.of(records.mixes, records.temperatures, warm_min=warm_min, limit_c=limit_c)
    rooms = [float(m["room_temp_c"]) for m in records.mixes if m.get("room_temp_c") is not None]
    dough = [m["dough_temp_c"] for m in records.mixes
             if m["batch_id"] in alike and m.get("dough_temp_c") is not None]  # fmt: skip
    before = [
        (m["cooled_at"] - m["mixed_at"]).total_seconds() / 3600.0
        for m in records.mixes
        if m.get("cooled_at") is not None and m.get("mixed_at") is not None
    ]
    return Usual(
        min(rooms, default=day.room_c), max(rooms, default=day.room_c),
        fmean(rooms) if rooms else day.room_c, day.cooler_c,
        float(median(dough)) if dough else day.dough_c,
        max(0.0, median(before)) if before else 1.0, day.bench_h, day.warm_h,
    )  # fmt: skip


def _numbers(predictor: Predictor, decision: Decision, hold: Factor) -> dict[str, Any]:
    """Gather what is expected at the checkpoint, the spreads, the curve and the levers."""
    setting = decision.recommended
    estimate, error, df = _mean(predictor, setting)
    total, spread_df = predictor.spread()
    within = sum(v for n, v in predictor.variances.items() if n in WITHIN)
    half = float(student_quantile(df, 0.975)) * error
    single = float(student_quantile(spread_df, 0.975)) * math.sqrt(total + error**2)
    curve = _curve(predictor, setting, hold)
    return {
        "hold_h": float(hold.value_of(setting[hold.name])), "expected": estimate,
        "expected_low": estimate - half, "expected_high": estimate + half,
        "single_low": estimate - single, "single_high": estimate + single,
        "lot_sd": math.sqrt(max(0.0, total - within)), "ball_sd": math.sqrt(max(0.0, within)),
        "df": spread_df, "holds_h": tuple(curve), "curve": tuple(curve.values()),
        "levers": tuple(_levers(predictor, setting)), "waters": tuple(_waters(predictor, setting)),
    }  # fmt: skip


def _curve(predictor: Predictor, setting: dict[str, str], hold: Factor) -> dict[float, float]:
    """Give the mean at every tried hold, and on the curve of `decide` between them.

    A hold that has no mean at this setting is left out.
    """
    levels = predictor.model.levels(hold)
    every = {float(hold.value_of(v)): _mean(predictor, {**setting, hold.name: v})[0]
             for v in levels}  # fmt: skip
    told = {h: mean for h, mean in every.items() if math.isfinite(mean)}
    if len(told) < 2:
        return told
    hours = np.union1d(list(told), np.arange(min(told), max(told), CURVE_STEP_H))
    means = predictor.model.fit.test_rows(hour_rows(predictor, setting, hours)).estimate
    return dict(zip(hours.tolist(), means.tolist(), strict=True))


def _mean(predictor: Predictor, setting: dict[str, str]) -> tuple[float, float, float]:
    rows = predictor.rows(pd.DataFrame([setting]))
    estimate, error, df = predictor.means(rows)
    return float(estimate[0]), float(error[0]), float(df[0])


def _difference(
    predictor: Predictor, one: dict[str, str], other: dict[str, str]
) -> tuple[float, float, float]:
    """Give the mean of one setting minus another, with its 95 % range."""
    rows = predictor.rows(pd.DataFrame([one, other]))
    test = predictor.model.fit.test_rows(rows[:1] - rows[1:])
    value, error, df = (float(a[0]) for a in (test.estimate, test.std_error, test.df))
    if not (np.isfinite(error) and df >= 1):
        return value, -math.inf, math.inf
    half = float(student_quantile(df, 0.975)) * error
    return value, value - half, value + half


def _levers(predictor: Predictor, setting: dict[str, str]) -> list[Lever]:
    """Give the slope of every number at the settled setting, between its neighbours."""
    out = []
    for name, factor in predictor.model.settings.factors.items():
        levels = list(predictor.model.levels(factor))
        if factor.kind != "number" or len(levels) < 2 or setting[name] not in levels:
            continue
        levels.sort(key=factor.value_of)
        at = levels.index(setting[name])
        below, above = levels[max(0, at - 1)], levels[min(len(levels) - 1, at + 1)]
        width = float(factor.value_of(above)) - float(factor.value_of(below))
        found = _difference(predictor, {**setting, name: above}, {**setting, name: below})
        if not math.isfinite(found[1]):
            continue
        slope, low, high = (v / width for v in found)
        out.append(Lever(name, factor.words, factor.unit, slope, low, high,
                         float(factor.value_of(levels[0])), float(factor.value_of(levels[-1])),
                         float(factor.value_of(setting[name]))))  # fmt: skip
    return out


def _waters(predictor: Predictor, setting: dict[str, str]) -> list[OtherWater]:
    out = []
    for name, factor in predictor.model.settings.factors.items():
        if factor.kind != "water":
            continue
        for level in predictor.model.levels(factor):
            if level != setting[name]:
                found = _difference(predictor, {**setting, name: level}, setting)
                if math.isfinite(found[1]):
                    out.append(OtherWater(str(level), *found))
    return out
