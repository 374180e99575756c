"""Curves: a response over the hold, and the hours at which it enters and leaves the window.

`doughlab ripe` and notebooks ask here. Which curve is set by the number of holds, never by the fit.
The two-step fit stands in `formula.nonlinear`; which terms there are is decided by `plan.model`.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from html import escape
from itertools import product
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from doughlab.analysis.dataset import Dataset, TrialLike, build_dataset
from doughlab.analysis.models import choose_model, code_frame, term_words
from doughlab.errors import InputError, NotEstimable
from doughlab.formula.alternate import Codes, CurveShape, Floats, RandomTerm
from doughlab.formula.friction import t_quantile
from doughlab.formula.nonlinear import NonlinearFit, Prediction, fit_nonlinear
from doughlab.formula.pace import Pace, PaceReading, fit_pace
from doughlab.formula.ripening import Q10Model, RipeningModel
from doughlab.formula.shapes import (
    DECAY_FROM,
    SHAPES,
    HourRange,
    choose_curve,
    find_crossing,
    shape_notes,
    share_done,
)
from doughlab.stats.design import Design, build_design

if TYPE_CHECKING:
    from doughlab.plan.model import ModelTerms
    from doughlab.sections import Factor
    from doughlab.settings import Settings

GRID_H = 0.1
COLD_CLOCK = Q10Model(2.6, reference_c=4.0)


@dataclass(frozen=True)
class WindowHours:
    """When the curve enters and leaves a window.

    Attributes
    ----------
    opens, closes : HourRange
        On average over batches.
    batch_opens, batch_closes : HourRange
        The same hours with the range of a single batch.
    """

    opens: HourRange
    closes: HourRange
    batch_opens: HourRange
    batch_closes: HourRange


@dataclass(frozen=True)
class HoldCurve:
    """A response of a trial as a curve over the hold.

    Attributes
    ----------
    dataset : Dataset
    kind : str
        "line", "quadratic" or "decay".
    holds_h : tuple of float
        Distinct tried holds, hours.
    fit : NonlinearFit
    extra_h : float
        Ripening hours that bench and warm-up add to the hours of a usual ball.
    clock_words : str
        How hours were counted.
    notes : tuple of str
    """

    dataset: Dataset
    kind: str
    holds_h: tuple[float, ...]
    fit: NonlinearFit = field(repr=False)
    extra_h: float = 0.0
    clock_words: str = ""
    notes: tuple[str, ...] = ()
    _grid: _Grid | None = field(repr=False, default=None)

    def predict(
        self, hold_h: Sequence[float] | Floats, *, setting: Mapping[str, str] | None = None
    ) -> Prediction:
        """Predict the average of a setting over the hold.

        Parameters
        ----------
        hold_h : array, shape (m,)
            Hours, within the tried holds.
        setting : mapping of factor to level, optional
            Factors left out are averaged over their levels.

        Raises
        ------
        NotEstimable
            Outside the tried holds.
        """
        hours = np.asarray(hold_h, dtype=float)
        first, last = self.holds_h[0], self.holds_h[-1]
        if ((hours < first - 1e-9) | (hours > last + 1e-9)).any():
            raise NotEstimable(
                f"The curve is known from {first:g} to {last:g} h only; it is not drawn beyond."
            )
        grid = self._grid
        if grid is None:
            raise NotEstimable("This curve was made without its design.")
        rows = {p: np.repeat(r, len(hours), axis=0) for p, r in grid.rows(setting or {}).items()}
        return self.fit.predict((hours - first) / (last - first), rows)

    def table(
        self, hold_h: Sequence[float] | None = None, *, setting: Mapping[str, str] | None = None
    ) -> pd.DataFrame:
        """Tabulate the average over the hold.

        Returns
        -------
        DataFrame
            hold_h, estimate, std_error, df, ci_low, ci_high, unit; 95 % ranges of the average.
        """
        hours = list(self.holds_h if hold_h is None else hold_h)
        found = self.predict(hours, setting=setting)
        half = np.array([t_quantile(d) for d in found.df]) * found.std_error
        return pd.DataFrame(
            {
                "hold_h": hours,
                "estimate": found.value,
                "std_error": found.std_error,
                "df": found.df,
                "ci_low": found.value - half,
                "ci_high": found.value + half,
                "unit": self.dataset.response.unit,
            }
        )

    def window_hours(
        self, low: float, high: float, *, setting: Mapping[str, str] | None = None
    ) -> WindowHours:
        """Find the hours of the hold at which the window opens and closes.

        Parameters
        ----------
        low, high : float
            The window, in the response's unit.
        setting : mapping of factor to level, optional

        Returns
        -------
        WindowHours
            The range of an hour is all hours whose own range holds the edge of the window.
        """
        if low >= high:
            raise InputError(f"A window from {low:g} to {high:g} has no inside.")
        first, last = self.holds_h[0], self.holds_h[-1]
        hours = np.linspace(first, last, max(2, round((last - first) / GRID_H) + 1))
        found = self.predict(hours, setting=setting)
        t = np.array([t_quantile(d) for d in found.df])
        own = t * found.std_error
        batch = t * np.sqrt(found.std_error**2 + found.group_variance)
        falls = found.value[-1] <= found.value[0]
        enter, leave = (high, low) if falls else (low, high)
        sign = 1.0 if falls else -1.0
        opens, closes, batch_opens, batch_closes = (
            find_crossing(hours, sign * (found.value - edge), half)
            for half in (own, batch)
            for edge in (enter, leave)
        )
        return WindowHours(opens, closes, batch_opens, batch_closes)

    @property
    def decay(self) -> pd.DataFrame:
        """Start, end and rate of the decay, on average.

        Columns term, estimate, std_error, df, ci_low, ci_high, unit. The end is blank where the
        rate is not shown to differ from nothing.

        Raises
        ------
        NotEstimable
            With fewer than five holds.
        """
        if self.kind != "decay" or self._grid is None:
            raise NotEstimable(
                f"Start, end and rate need {DECAY_FROM} distinct holds; there are "
                f"{len(self.holds_h)}."
            )
        return _decay_table(self, self._grid)

    @property
    def how(self) -> str:
        """How the curve was fitted, in words."""
        random = ", ".join(n for n in self.fit.variances if n != "residual") or "nothing"
        return (
            f"{self.fit.shape.name} over {len(self.holds_h)} holds; restricted likelihood "
            f"(Lindstrom and Bates 1990); differs between: {random}; {self.fit.n} balls of "
            f"{self.dataset.batches} batches; {self.clock_words}"
        )

    def __str__(self) -> str:
        """Give at most 15 lines of 80 characters."""
        lines = [f"{self.dataset.response.words} over the hold, {self.fit.shape.name}"]
        lines += ["  hold     average   95 % range"]
        lines += [
            f"  {r.hold_h:>4.0f} h   {r.estimate:>7.2f}   {r.ci_low:.2f} to {r.ci_high:.2f}"
            for r in self.table().itertuples()
        ][:6]
        for note in (*self.notes, self.how):
            lines += textwrap.wrap(note, 78, initial_indent="- ", subsequent_indent="  ")
        return "\n".join(lines[:15])

    def _repr_html_(self) -> str:
        """Give the same facts for a notebook."""
        return "<pre>" + escape(str(self)) + "</pre>"


def fit_curve(
    trial: TrialLike,
    response: str = "ph",
    *,
    ripening_h: Mapping[str, float] | None = None,
    clock: RipeningModel = COLD_CLOCK,
) -> HoldCurve:
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
    HoldCurve

    Raises
    ------
    NotEstimable
        Where the holds or the balls are too few.

    References
    ----------
    Lindstrom, M. J., Bates, D. M. (1990). Biometrics 46, 673-687. The curve is written by its
    values at the first and last hold, after Schnute, J. (1981). Can. J. Fish. Aquat. Sci. 38,
    1128-1140 [from memory]: it then stays estimable where it hardly bends.
    """
    dataset = build_dataset(trial, response)
    settings, plan, hold = trial.settings, trial.frozen_plan, trial.settings.hold
    if plan is None or hold is None:
        raise NotEstimable("No hold varies in this trial, so there is no curve over it.")
    if dataset.response.kind == "score":
        raise InputError(f"A curve over the hold is fitted to measures; '{response}' is scored.")
    frame = dataset.frame.reset_index(drop=True)
    levels = [float(hold.value_of(str(v))) for v in frame[hold.name]]
    holds = tuple(sorted(set(levels)))
    kind = choose_curve(len(holds))
    hours, extra, words = _hours(frame, levels, ripening_h, clock)
    terms = choose_model(settings, plan, dataset)
    grid = _Grid.build(frame, settings, terms, hold, SHAPES[kind])
    x = (hours - extra - holds[0]) / (holds[-1] - holds[0])
    fit = fit_nonlinear(
        SHAPES[kind],
        x,
        frame["y"].to_numpy(dtype=float),
        fixed=grid.fixed,
        start=_start(kind, x, frame["y"].to_numpy(dtype=float), grid),
        random=_random_terms(frame, terms, hold, len(holds)),
    )
    notes = [*shape_notes(kind, len(holds)), *grid.notes, *dataset.notes, *_fit_notes(fit, terms)]
    return HoldCurve(dataset, kind, holds, fit, extra, words, tuple(notes), grid)


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
    hold = [float(settings.hold.value_of(str(v))) for v in frame[settings.hold.name]]
    held = np.where(frame["hold_actual_h"].notna(), frame["hold_actual_h"], hold)
    warm = [float(temps[0].value_of(str(v))) for v in frame[temps[0].name]]
    readings = [
        PaceReading(str(b), float(y), ((float(h), t),))
        for b, y, h, t in zip(frame["batch"], frame["y"], held, warm, strict=True)
    ]
    return fit_pace(readings, kind=kind)


def _hours(
    frame: pd.DataFrame,
    levels: Sequence[float],
    ripening_h: Mapping[str, float] | None,
    clock: RipeningModel,
) -> tuple[Floats, float, str]:
    """Give the hours of each ball, what a usual ball adds to its hold, and the words for it."""
    actual = frame["hold_actual_h"].to_numpy(dtype=float)
    held = np.where(np.isfinite(actual), actual, np.array(levels))
    if ripening_h is None:
        return held, 0.0, "hours from balling to use, whatever the temperature"
    known = np.array([ripening_h.get(str(b), np.nan) for b in frame["ball"]])
    extra = known - held
    if not np.isfinite(extra).any():
        return held, 0.0, "hours from balling to use: no ball has its steps recorded"
    usual = float(np.nanmedian(extra))
    return np.where(np.isfinite(known), known, held + usual), usual, clock.words


def _random_terms(
    frame: pd.DataFrame, terms: ModelTerms, hold: Factor, holds: int
) -> list[RandomTerm]:
    """Let the plan's random terms act on the level, and batches on the change too."""
    found = []
    for name in terms.random:
        parts = name.split(":")
        if name in {"judge", "ball"} or any(p not in frame for p in parts):
            continue
        codes = _codes(frame, parts)
        if 1 < len(np.unique(codes)) < len(codes):
            found.append(RandomTerm(f"{name}: level", "level", codes))
    if holds >= 3 and "batch" in terms.random:
        each = frame.groupby("batch", observed=True)[hold.name].nunique()
        codes = _codes(frame, ["batch"])
        if each.median() >= 3 and codes.max() > 0:
            found.append(RandomTerm("batch: change", "change", codes))
    return found


def _codes(frame: pd.DataFrame, columns: Sequence[str]) -> Codes:
    found = frame.groupby(list(columns), observed=True, sort=False).ngroup()
    return np.asarray(found, dtype=np.intp)


def _fit_notes(fit: NonlinearFit, terms: ModelTerms) -> list[str]:
    zero = [n for n, v in fit.variances.items() if v == 0.0 and n != "residual"]
    notes = [f"no spread is seen in {' of each '.join(reversed(n.split(': ')))}" for n in zero]
    if "block" in terms.fixed:
        notes.append("the range of a single batch is that of a batch on a day of this trial")
    return notes


def _start(kind: str, x: Floats, y: Floats, grid: _Grid) -> list[float]:
    """Find where to begin: least squares for a grid of bends."""
    bends = np.concatenate([np.linspace(-3, -0.5, 6), np.linspace(0.5, 8, 16)])
    best: tuple[float, Floats] | None = None
    level, change = grid.fixed["level"][1], grid.fixed["change"][1]
    for bend in bends if kind == "decay" else [0.0]:
        share = share_done(x, np.full(len(x), bend))[0] if kind == "decay" else x
        matrix = np.hstack([level, change * share[:, None]])
        found, *_ = np.linalg.lstsq(matrix, y, rcond=None)
        squares = float(np.sum((y - matrix @ found) ** 2))
        if best is None or squares < best[0]:
            last = [] if kind == "line" else [bend]
            best = (squares, np.concatenate([found, last]))
    return [float(v) for v in best[1]] if best else []


@dataclass(frozen=True)
class _Grid:
    """The design of level and change, and rows of it for settings."""

    settings: Settings
    fixed: dict[str, tuple[list[str], Floats]]
    designs: dict[str, tuple[Design, Floats]]
    numbers: dict[str, float]
    notes: tuple[str, ...] = ()

    @classmethod
    def build(
        cls,
        frame: pd.DataFrame,
        settings: Settings,
        terms: ModelTerms,
        hold: Factor,
        shape: CurveShape,
    ) -> _Grid:
        coded = code_frame(frame, settings, terms)
        level = [t for t in terms.fixed if hold.name not in t.split(":")]
        change = [
            p for t in terms.fixed for p in [_partner(t, hold.name)] if p and p in settings.factors
        ]
        notes: list[str] = []
        designs = {
            name: _whole_design(coded, asked, settings, notes)
            for name, asked in (("level", level), ("change", change))
        }
        fixed = {name: ([str(i) for i in range(m.shape[1])], m) for name, (_, m) in designs.items()}
        if "bend" in shape.parameters:
            fixed["bend"] = (["1"], np.ones((len(frame), 1)))
        return cls(settings, fixed, designs, dict(terms.centres), tuple(notes))

    def rows(self, setting: Mapping[str, str]) -> dict[str, Floats]:
        """Give one row for each parameter: a setting, other factors averaged."""
        for name, level in setting.items():
            self.settings.factor(name).level_of(level)
        out = {name: self._row(design, setting) for name, (design, _) in self.designs.items()}
        return out | {"bend": np.ones((1, 1))}

    def _row(self, design: Design, setting: Mapping[str, str]) -> Floats:
        names = list(design.factors)
        choices = [
            [f.levels.index(setting[n])] if n in setting and setting[n] in f.levels
            else range(len(f.levels))
            for n, f in design.factors.items()
        ]  # fmt: skip
        cells = list(product(*choices)) or [()]
        codes = {n: np.array([c[i] for c in cells]) for i, n in enumerate(names)}
        numbers = {n: np.full(len(cells), self._number(n, setting.get(n))) for n in design.numbers}
        if not codes and not numbers:
            return np.ones((1, 1))
        return np.asarray(design.build_rows(codes, numbers)).mean(axis=0, keepdims=True)

    def _number(self, name: str, level: str | None) -> float:
        if level is None:
            return 0.0
        return float(self.settings.factor(name).value_of(level)) - self.numbers[name]


def _partner(term: str, hold: str) -> str:
    """Give what acts together with the hold in a term; empty where nothing does."""
    parts = term.split(":")
    return next(p for p in parts if p != hold) if len(parts) == 2 and hold in parts else ""


def _whole_design(
    frame: pd.DataFrame, asked: Sequence[str], settings: Settings, notes: list[str]
) -> tuple[Design, Floats]:
    """Build a design whose columns can be told apart; terms that cannot are left out, named."""
    wanted = [t for t in asked if all(frame[p].nunique() > 1 for p in t.split(":"))]
    while True:
        design, _ = build_design(frame, "y ~ " + (" + ".join(wanted) or "1"))
        matrix = np.asarray(design.matrix, dtype=float)
        if np.linalg.matrix_rank(matrix) == matrix.shape[1] or not wanted:
            return design, matrix
        drop = next((t for t in reversed(wanted) if ":" in t), wanted[-1])
        wanted = [t for t in wanted if t != drop]
        notes.append(f"{term_words(settings, drop)}: left out, the records cannot tell it yet")


def _decay_table(curve: HoldCurve, grid: _Grid) -> pd.DataFrame:
    """Work out start, end and rate with their ranges, by the delta method."""
    first, last = curve.holds_h[0], curve.holds_h[-1]
    span = last - first
    rows = grid.rows({})
    fit = curve.fit
    edges = np.cumsum([0, *(grid.fixed[p][1].shape[1] for p in fit.shape.parameters)])

    def told(beta: Floats) -> Floats:
        level, change, bend = (
            (rows[p] @ beta[a:b])[0]
            for p, a, b in zip(fit.shape.parameters, edges[:-1], edges[1:], strict=True)
        )
        share = share_done(np.array([-first / span]), np.array([bend]))[0][0]
        end = level + change / -np.expm1(-bend) if abs(bend) > 1e-6 else np.nan
        return np.array([level + change * share, end, bend / span])

    beta = fit.coefficients
    value = told(beta)
    step = 1e-5 * np.maximum(fit.std_errors, 1e-9)
    pulls = np.array([
        (told(beta + d) - told(beta - d)) / (2 * s)
        for s, d in zip(step, np.diag(step), strict=True)
    ]).T  # fmt: skip
    df = fit.degrees(np.nan_to_num(pulls))
    error = np.sqrt(np.einsum("ij,jk,ik->i", pulls, fit.covariance, pulls))
    half = np.array([t_quantile(d) for d in df]) * error
    if value[2] - half[2] <= 0:
        value[1] = error[1] = half[1] = np.nan
    unit = curve.dataset.response.unit
    return pd.DataFrame(
        {"term": ["start", "end", "rate"], "estimate": value, "std_error": error, "df": df,
         "ci_low": value - half, "ci_high": value + half, "unit": [unit, unit, "per h"]}
    )  # fmt: skip
