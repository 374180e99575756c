"""Curves: a trial's response over the hold, and the hours at which it enters and leaves the window.

Notebooks, the decision room and reports ask here. The curve is set by the number of holds alone.
The fit stands in `formula.holdcurve`; which terms there are is decided by `plan.model`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from html import escape
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from doughlab.analysis.dataset import Dataset, TrialLike, build_dataset
from doughlab.analysis.models import choose_model
from doughlab.errors import InputError, NotEstimable
from doughlab.formula.alternate import Floats
from doughlab.formula.curvedesign import CurveRows, CurveTerms
from doughlab.formula.holdcurve import HoldCurve, count_hours, fit_hold_curve
from doughlab.formula.pace import Pace, PaceReading, fit_pace
from doughlab.formula.ripening import RipeningModel
from doughlab.formula.stays import UsualDay, count_ripening
from doughlab.formula.steps import usual_body
from doughlab.record.balls import ball_states

if TYPE_CHECKING:
    from doughlab.plan.model import ModelTerms
    from doughlab.sections import Factor
    from doughlab.settings import Settings

GROUPS = ("batch", "block", "session", "flour_lot", "water_lot", "preferment_lot")


@dataclass(frozen=True)
class TrialCurve(HoldCurve):
    """A response of a trial as a curve over the hold: a `HoldCurve` with its dataset.

    Attributes
    ----------
    dataset : Dataset
    """

    dataset: Dataset | None = field(default=None, repr=False)

    def table(
        self, hold_h: Sequence[float] | None = None, *, setting: Mapping[str, str] | None = None
    ) -> pd.DataFrame:
        """Tabulate the average over the hold.

        Parameters
        ----------
        hold_h : sequence of float, optional
            The tried holds unless given; within them.
        setting : mapping of factor to level, optional
            Factors left out are averaged over their levels.

        Returns
        -------
        DataFrame
            hold_h, estimate, std_error, df, ci_low, ci_high, unit; 95 % ranges of the average.
        """
        return pd.DataFrame(self.averages(hold_h, setting=setting))

    @property
    def decay(self) -> pd.DataFrame:
        """Start, end and rate of the decay: term, estimate, std_error, df, ci_low, ci_high, unit.

        Raises
        ------
        NotEstimable
            With fewer than five holds.
        """
        return pd.DataFrame(self.decay_rows())

    def _repr_html_(self) -> str:
        """Give the same facts for a notebook."""
        return "<pre>" + escape(str(self)) + "</pre>"


def fit_curve(
    trial: TrialLike,
    response: str = "ph",
    *,
    clock: RipeningModel | None = None,
    by_clock: bool = True,
) -> TrialCurve:
    """Fit a measured response of a trial as a curve over the hold.

    The curve runs over ripening hours: bench, cooler and warm-up of every ball are counted by the
    clock, then told as hours of a usual hold. Factors move the level, and the change where the
    plan lets them act with the hold. Batches differ in level, and in change from three holds on.

    Parameters
    ----------
    trial : TrialLike
    response : str
        A measured response: pH, or titratable acidity where it is recorded.
    clock : RipeningModel, optional
        A factor 2.6 for ten degrees, counted at the usual cooler, unless given.
    by_clock : bool
        False for the plain hours from balling to use.

    Returns
    -------
    TrialCurve

    Raises
    ------
    NotEstimable
        Where the holds or the balls are too few.
    """
    dataset = build_dataset(trial, response)
    settings, plan, hold = trial.settings, trial.frozen_plan, trial.settings.hold
    if plan is None or hold is None:
        raise NotEstimable("No hold varies in this trial, so there is no curve over it.")
    if dataset.response.kind == "score":
        raise InputError(f"A curve over the hold is fitted to measures; '{response}' is scored.")
    frame = dataset.frame.reset_index(drop=True)
    levels = np.array([float(hold.value_of(str(v))) for v in frame[hold.name]])
    usual = _usual_day(trial)
    model = clock or usual.clock
    ripening = ripening_hours(trial, clock=model) if by_clock else None
    balls = [str(b) for b in frame["ball"]]
    hours, extra, words = count_hours(balls, _held(frame, levels), ripening, model)
    names = [n for n in (*GROUPS, *settings.factors) if n in frame and n != hold.name]
    columns = {n: [str(v) for v in frame[n]] for n in names}
    rows = CurveRows(frame["y"].to_numpy(dtype=float), levels, hours, columns)
    terms = curve_terms(settings, choose_model(settings, plan, dataset))
    curve = fit_hold_curve(
        rows, terms, words=dataset.response.words, unit=dataset.response.unit, clock_words=words,
        extra_h=extra,
    )  # fmt: skip
    known = {f.name: getattr(curve, f.name) for f in fields(HoldCurve)}
    known["notes"] = (*curve.notes, *dataset.notes)
    return TrialCurve(**known, dataset=dataset)


def ripening_hours(trial: TrialLike, *, clock: RipeningModel | None = None) -> dict[str, float]:
    """Count the ripening hours of every used ball of a trial, from balling to use.

    Parameters
    ----------
    trial : TrialLike
        Its formula, where it has one, gives mass and hydration of a ball.
    clock : RipeningModel, optional
        A factor 2.6 for ten degrees, counted at the usual cooler, unless given.

    Returns
    -------
    dict of ball to hours
        Balls whose times are not recorded are left out.
    """
    plan, settings = trial.frozen_plan, trial.settings
    if plan is None:
        return {}
    formula = getattr(trial, "formula", None)
    body = usual_body()
    if formula is not None:
        body = usual_body(formula.ball_g, formula.percents.get("hydration", 62.0))
    held = _hold_temperature(settings)
    coolers = {
        str(b["ball_id"]): float(b[held.column])
        for b in plan.balls
        if held is not None and b.get(held.column) is not None
    }
    return count_ripening(
        ball_states(plan, trial.records), trial.records.mixes, trial.records.temperatures,
        body=body, usual=_usual_day(trial), clock=clock, coolers_c=coolers,
    )  # fmt: skip


def _hold_temperature(settings: Settings) -> Factor | None:
    """Find the ball factor in degrees Celsius beside a hold: the temperature of the hold."""
    temps = [f for f in settings.factors_set("ball") if f.unit == "temp_c"]
    return temps[0] if temps and settings.hold is not None else None


def _usual_day(trial: TrialLike) -> UsualDay:
    records, settings = trial.records, trial.settings
    return UsualDay.of(
        records.mixes, records.temperatures, warm_min=settings.kitchen.warm_min,
        limit_c=settings.limits.cooler_c,
    )  # fmt: skip


def _held(frame: pd.DataFrame, levels: Floats) -> Floats:
    actual = frame["hold_actual_h"].to_numpy(dtype=float)
    return np.where(np.isfinite(actual), actual, levels)


def curve_terms(settings: Settings, terms: ModelTerms) -> CurveTerms:
    """Hand the plan's terms to a curve over the hold."""
    numbers = {}
    for name in terms.as_number:
        factor = settings.factors[name]
        centre = terms.centres[name]
        numbers[name] = {v: float(factor.value_of(v)) - centre for v in factor.levels}
    hold = settings.hold
    return CurveTerms(terms.fixed, terms.random, hold.name if hold else "", numbers)


def fit_trial_pace(trial: TrialLike, response: str = "ph", *, kind: str = "q10") -> Pace:
    """Learn the clock from a trial whose balls were held at several temperatures.

    Parameters
    ----------
    trial : TrialLike
        With a hold and a ball factor in degrees Celsius, the temperature of the hold.
    response : str
        A measured response.
    kind : str
        As for `formula.pace.fit_pace`.

    Raises
    ------
    NotEstimable
        Where no temperature of the hold varies, or the balls cannot tell a pace.
    """
    settings = trial.settings
    temps = _hold_temperature(settings)
    if settings.hold is None or temps is None:
        raise NotEstimable(
            "The temperature of the hold does not vary in this trial, so it cannot teach a clock. "
            'Plan a factor with set = "ball" and unit = "temp_c" beside the hold.'
        )
    frame = build_dataset(trial, response).frame
    hold = np.array([float(settings.hold.value_of(str(v))) for v in frame[settings.hold.name]])
    warm = [float(temps.value_of(str(v))) for v in frame[temps.name]]
    readings = [
        PaceReading(str(b), float(y), ((float(h), t),))
        for b, y, h, t in zip(frame["batch"], frame["y"], _held(frame, hold), warm, strict=True)
    ]
    return fit_pace(readings, kind=kind)
