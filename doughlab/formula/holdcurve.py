"""Hold curve: a measured value over the hold, its factors and batches, and its window hours.

The analysis room wraps it for notebooks; `doughlab ripe` fits it from plain rows, at once.
Which terms there are is decided by the plan and handed over; no file is read here.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median
from typing import Any

import numpy as np

from doughlab.errors import InputError, NotEstimable
from doughlab.formula.alternate import Floats, RandomTerm
from doughlab.formula.curvedesign import CurveDesign, CurveRows, CurveTerms
from doughlab.formula.nonlinear import NonlinearFit, Prediction, fit_nonlinear
from doughlab.formula.ripening import RipeningModel
from doughlab.formula.shapes import (
    DECAY_FROM,
    SHAPES,
    HourRange,
    choose_curve,
    find_crossing,
    shape_notes,
    share_done,
)
from doughlab.formula.student import t_quantile

GRID_H = 0.1  # hours between points searched; rule of this project
KNOTS = 25  # points of a band; rule of this project


@dataclass(frozen=True)
class WindowHours:
    """When a curve enters and leaves a window.

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
    """A measured value as a curve over the hold.

    Attributes
    ----------
    kind : str
        "line", "quadratic" or "decay".
    holds_h : tuple of float
        Distinct tried holds, hours.
    fit : NonlinearFit
    design : CurveDesign
    notes : tuple of str
    words : str
        What is measured.
    unit : str
    clock_words : str
        How hours were counted.
    extra_h : float
        Ripening hours that bench and warm-up add to the hours of a usual ball.

    Examples
    --------
    >>> rows = CurveRows(np.array([5.9, 5.6, 5.4, 5.88, 5.62, 5.4]),
    ...                  np.array([24.0, 48, 72] * 2), np.array([24.0, 48, 72] * 2),
    ...                  {"batch": ["B1"] * 3 + ["B2"] * 3})
    >>> curve = fit_hold_curve(rows, CurveTerms(("hold",), ("batch",), "hold"))
    >>> print(curve.window_hours(5.35, 5.75).opens)
    35 h (32 to 38)
    """

    kind: str
    holds_h: tuple[float, ...]
    fit: NonlinearFit = field(repr=False)
    design: CurveDesign = field(repr=False)
    notes: tuple[str, ...] = ()
    words: str = "pH"
    unit: str = "ph"
    clock_words: str = "hours from balling to use, whatever the temperature"
    extra_h: float = 0.0

    @property
    def levels(self) -> dict[str, tuple[str, ...]]:
        """Factors that can be set, with their recorded levels."""
        return self.design.levels

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
        rows = self.design.rows(setting or {})
        many = {p: np.repeat(r, len(hours), axis=0) for p, r in rows.items()}
        return self.fit.predict((hours - first) / (last - first), many)

    def averages(
        self, hold_h: Sequence[float] | None = None, *, setting: Mapping[str, str] | None = None
    ) -> list[dict[str, Any]]:
        """List the average over the hold with its 95 % range.

        Returns
        -------
        list of dict
            hold_h, estimate, std_error, df, ci_low, ci_high, unit.
        """
        hours = [float(h) for h in (self.holds_h if hold_h is None else hold_h)]
        found = self.predict(hours, setting=setting)
        half = np.array([t_quantile(float(d)) for d in found.df]) * found.std_error
        return [
            {"hold_h": h, "estimate": float(v), "std_error": float(e), "df": float(d),
             "ci_low": float(v - w), "ci_high": float(v + w), "unit": self.unit}
            for h, v, e, d, w in zip(hours, found.value, found.std_error, found.df, half,
                                     strict=True)
        ]  # fmt: skip

    def window_hours(
        self, low: float, high: float, *, setting: Mapping[str, str] | None = None
    ) -> WindowHours:
        """Find the hours of the hold at which a window opens and closes.

        Parameters
        ----------
        low, high : float
            The window, in the unit of what is measured.
        setting : mapping of factor to level, optional

        Returns
        -------
        WindowHours
            The range of an hour is all hours whose own range holds the edge of the window.
        """
        if low >= high:
            raise InputError(f"A window from {low:g} to {high:g} has no inside.")
        first, last = self.holds_h[0], self.holds_h[-1]
        hours = np.linspace(first, last, max(KNOTS, round((last - first) / GRID_H) + 1))
        found = self.predict(hours, setting=setting)
        knots = np.linspace(0, len(hours) - 1, KNOTS).round().astype(int)
        few = np.array([t_quantile(float(d)) for d in found.df[knots]])
        t = np.interp(hours, hours[knots], few)
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

    def decay_rows(self) -> list[dict[str, Any]]:
        """List start, end and rate of the decay, on average, with 95 % ranges.

        The end is blank (not a number) where the rate is not shown to differ from nothing.

        Raises
        ------
        NotEstimable
            With fewer than five holds.
        """
        if self.kind != "decay":
            raise NotEstimable(
                f"Start, end and rate need {DECAY_FROM} distinct holds; there are "
                f"{len(self.holds_h)}."
            )
        return _decay_rows(self)

    @property
    def how(self) -> str:
        """How the curve was fitted, in words."""
        random = ", ".join(n for n in self.fit.variances if n != "residual") or "nothing"
        return (
            f"{self.fit.shape.name} over {len(self.holds_h)} holds; restricted likelihood "
            f"(Lindstrom and Bates 1990); differs between: {random}; {self.fit.n} values; "
            f"{self.clock_words}"
        )

    def __str__(self) -> str:
        """Give at most 15 lines of 80 characters."""
        lines = [f"{self.words} over the hold, {self.fit.shape.name}"]
        lines.append("  hold     average   95 % range")
        lines += [
            f"  {r['hold_h']:>4.0f} h   {r['estimate']:>7.2f}   {r['ci_low']:.2f} to "
            f"{r['ci_high']:.2f}"
            for r in self.averages()
        ][:6]
        for note in (*self.notes, self.how):
            lines += textwrap.wrap(note, 78, initial_indent="- ", subsequent_indent="  ")
        return "\n".join(lines[:15])


def fit_hold_curve(rows: CurveRows, terms: CurveTerms, **words: Any) -> HoldCurve:
    """Fit values of balls as a curve over the hold.

    The number of distinct holds sets the curve, or the plan where it follows the hold along a curve
    of second degree. Factors move the level, and the change where the plan lets them act with the
    hold; squares of other settings that the plan has move the level. Random terms move the level,
    batches the change too from three holds on.

    Parameters
    ----------
    rows : CurveRows
    terms : CurveTerms
    **words
        words, unit, clock_words and extra_h of the `HoldCurve`.

    Returns
    -------
    HoldCurve

    Raises
    ------
    NotEstimable
        Where holds or balls are too few.

    References
    ----------
    Lindstrom, M. J., Bates, D. M. (1990). Biometrics 46, 673-687. The curve is written by its
    values at the first and last hold, after Schnute, J. (1981). Can. J. Fish. Aquat. Sci. 38,
    1128-1140 [from memory]: it then stays estimable where it hardly bends.

    Examples
    --------
    >>> rows = CurveRows(np.array([5.9, 5.6, 5.4, 5.88, 5.62, 5.4]),
    ...                  np.array([24.0, 48, 72] * 2), np.array([24.0, 48, 72] * 2),
    ...                  {"batch": ["B1"] * 3 + ["B2"] * 3})
    >>> curve = fit_hold_curve(rows, CurveTerms(("hold",), ("batch",), "hold"))
    >>> curve.kind, round(curve.averages([48])[0]["estimate"], 2)
    ('quadratic', 5.61)
    """
    holds = tuple(float(h) for h in np.unique(rows.hold_h))
    kind = choose_curve(len(holds))
    if terms.bent and kind == "decay":
        kind = "quadratic"  # the plan lets the hold bend, as a curve of second degree
    shape = SHAPES[kind]
    design = CurveDesign.build(rows, terms, shape)
    x = (rows.hours - holds[0]) / (holds[-1] - holds[0])
    fit = fit_nonlinear(
        shape,
        x,
        rows.y,
        fixed=design.fixed,
        start=_start(kind, x, rows.y, design),
        random=_random_terms(rows, terms, len(holds)),
    )
    notes = [*shape_notes(kind, len(holds)), *design.notes, *_fit_notes(fit, terms)]
    return HoldCurve(kind, holds, fit, design, tuple(notes), **words)


def count_hours(
    balls: Sequence[str],
    held: Floats,
    ripening_h: Mapping[str, float] | None,
    clock: RipeningModel,
) -> tuple[Floats, float, str]:
    """Give what the curve runs over, what a usual ball adds to its hold, and the words for it.

    Examples
    --------
    >>> from doughlab.formula.ripening import Q10Model
    >>> hours, extra, _ = count_hours(["a", "b"], np.array([24.0, 48.0]),
    ...                               {"a": 30.0, "b": 56.0}, Q10Model(2.6, 4.0))
    >>> hours.tolist(), extra
    ([23.0, 49.0], 7.0)
    """
    if ripening_h is None:
        return held, 0.0, "hours from balling to use, whatever the temperature"
    known = np.array([ripening_h.get(b, np.nan) for b in balls])
    more = known - held
    if not np.isfinite(more).any():
        return held, 0.0, "hours from balling to use: no ball has its steps recorded"
    usual = float(median(more[np.isfinite(more)].tolist()))
    return np.where(np.isfinite(known), known - usual, held), usual, clock.words


def _random_terms(rows: CurveRows, terms: CurveTerms, holds: int) -> list[RandomTerm]:
    found = []
    columns = rows.columns | {terms.hold: [f"{h:g}" for h in rows.hold_h]}
    for name in terms.random:
        parts = name.split(":")
        if name in {"judge", "ball"} or any(p not in columns for p in parts):
            continue
        codes = _codes([columns[p] for p in parts])
        if 1 < len(np.unique(codes)) < len(codes):
            found.append(RandomTerm(f"{name}: level", "level", codes))
    if holds >= 3 and "batch" in terms.random:
        codes = _codes([columns["batch"]])
        each = [len(np.unique(rows.hold_h[codes == c])) for c in np.unique(codes)]
        if median(each) >= 3 and len(each) > 1:
            found.append(RandomTerm("batch: change", "change", codes))
    return found


def _codes(columns: Sequence[Sequence[str]]) -> Any:
    texts = ["\0".join(cells) for cells in zip(*columns, strict=True)]
    return np.unique(texts, return_inverse=True)[1].astype(np.intp)


def _fit_notes(fit: NonlinearFit, terms: CurveTerms) -> list[str]:
    zero = [n for n, v in fit.variances.items() if v == 0.0 and n != "residual"]
    notes = [f"no spread is seen in {' of each '.join(reversed(n.split(': ')))}" for n in zero]
    if "block" in terms.fixed:
        notes.append("the range of a single batch is that of a batch on a day of this trial")
    return notes


def _start(kind: str, x: Floats, y: Floats, design: CurveDesign) -> list[float]:
    """Find where to begin: least squares for a grid of bends."""
    bends = np.concatenate([np.linspace(-3, -0.5, 6), np.linspace(0.5, 8, 16)])
    best: tuple[float, Floats] | None = None
    level, change = design.fixed["level"][1], design.fixed["change"][1]
    for bend in bends if kind == "decay" else [0.0]:
        share = share_done(x, np.full(len(x), bend))[0] if kind == "decay" else x
        matrix = np.hstack([level, change * share[:, None]])
        found, *_ = np.linalg.lstsq(matrix, y, rcond=None)
        squares = float(np.sum((y - matrix @ found) ** 2))
        if best is None or squares < best[0]:
            last = [] if kind == "line" else [bend]
            best = (squares, np.concatenate([found, last]))
    return [float(v) for v in best[1]] if best else []


def _decay_rows(curve: HoldCurve) -> list[dict[str, Any]]:
    """Work out start, end and rate with their ranges, by the delta method."""
    first, span = curve.holds_h[0], curve.holds_h[-1] - curve.holds_h[0]
    rows = curve.design.rows({})
    fit = curve.fit
    sizes = [len(curve.design.fixed[p][0]) for p in fit.shape.parameters]
    edges = list(pairwise(np.cumsum([0, *sizes])))

    def told(beta: Floats) -> Floats:
        level, change, bend = (
            float((rows[p] @ beta[a:b])[0])
            for p, (a, b) in zip(fit.shape.parameters, edges, strict=True)
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
    half = np.array([t_quantile(float(d)) for d in df]) * error
    if value[2] - half[2] <= 0:
        value[1] = error[1] = half[1] = np.nan
    units = (curve.unit, curve.unit, "per h")
    return [
        {"term": t, "estimate": float(v), "std_error": float(e), "df": float(d),
         "ci_low": float(v - h), "ci_high": float(v + h), "unit": u}
        for t, v, e, d, h, u in zip(("start", "end", "rate"), value, error, df, half, units,
                                    strict=True)
    ]  # fmt: skip
