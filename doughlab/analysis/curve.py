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
from doughlab.formula.holdcurve import HoldCurve, fit_hold_curve
from doughlab.formula.pace import Pace, PaceReading, fit_pace
from doughlab.formula.ripening import Q10Model, RipeningModel

if TYPE_CHECKING:
    from doughlab.plan.model import ModelTerms
    from doughlab.settings import Settings

COLD_CLOCK = Q10Model(2.6, reference_c=4.0)
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
    ripening_h: Mapping[str, float] | None = None,
    clock: RipeningModel = COLD_CLOCK,
) -> TrialCurve:
    """Fit a measured response of a trial as a curve over the hold.

    Factors move the level, and the change where the plan lets them act with the hold. Batches
    differ in level, and in change from three holds on.

    Parameters
    ----------
    trial : TrialLike
    response : str
        A measured response: pH, or titratable acidity where it is recorded.
    ripening_h : mapping of ball to hours, optional
        Ripening hours of each ball, as from `formula.steps`; the hours from balling to use where
        it is left out.
    clock : RipeningModel
        With which `ripening_h` was counted, for the words.

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
    hours, extra, words = count_hours(
        [str(b) for b in frame["ball"]], _held(frame, levels), ripening_h, clock
    )
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


def _held(frame: pd.DataFrame, levels: Floats) -> Floats:
    actual = frame["hold_actual_h"].to_numpy(dtype=float)
    return np.where(np.isfinite(actual), actual, levels)


def count_hours(
    balls: Sequence[str],
    held: Floats,
    ripening_h: Mapping[str, float] | None,
    clock: RipeningModel,
) -> tuple[Floats, float, str]:
    """Give what the curve runs over, what a usual ball adds to its hold, and the words for it.

    Examples
    --------
    >>> hours, extra, _ = count_hours(["a", "b"], np.array([24.0, 48.0]),
    ...                               {"a": 30.0, "b": 56.0}, COLD_CLOCK)
    >>> hours.tolist(), extra
    ([23.0, 49.0], 7.0)
    """
    if ripening_h is None:
        return held, 0.0, "hours from balling to use, whatever the temperature"
    known = np.array([ripening_h.get(b, np.nan) for b in balls])
    more = known - held
    if not np.isfinite(more).any():
        return held, 0.0, "hours from balling to use: no ball has its steps recorded"
    usual = float(np.nanmedian(more))
    return np.where(np.isfinite(known), known - usual, held), usual, clock.words


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
    temps = [f for f in settings.factors_set("ball") if f.unit == "temp_c"]
    if settings.hold is None or not temps:
        raise NotEstimable(
            "The temperature of the hold does not vary in this trial, so it cannot teach a clock. "
            'Plan a factor with set = "ball" and unit = "temp_c" beside the hold.'
        )
    frame = build_dataset(trial, response).frame
    hold = np.array([float(settings.hold.value_of(str(v))) for v in frame[settings.hold.name]])
    warm = [float(temps[0].value_of(str(v))) for v in frame[temps[0].name]]
    readings = [
        PaceReading(str(b), float(y), ((float(h), t),))
        for b, y, h, t in zip(frame["batch"], frame["y"], _held(frame, hold), warm, strict=True)
    ]
    return fit_pace(readings, kind=kind)
