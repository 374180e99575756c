"""Surfaces: where a response is level along numbers that the plan follows along a curve.

`decide` adds the words for central composite, Box-Behnken and curve searches. The arithmetic
stands in `stats.stationary`; pictures are left to the report, which gets what it needs to draw.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from doughlab.analysis.analyse import Analysis
from doughlab.analysis.models import TrialModel
from doughlab.analysis.wording import decimals_for, joined, level_words
from doughlab.errors import NotEstimable
from doughlab.plan.model import centre, is_curve
from doughlab.sections import Factor
from doughlab.stats.stationary import (
    BOTTOM,
    RIDGE,
    SADDLE,
    TOP,
    TROUGH,
    StationaryPoint,
    find_stationary,
    list_terms,
)
from doughlab.units import format_quantity, typed_unit

Floats = NDArray[np.floating[Any]]

_SHAPES = {
    TOP: "a hilltop: it falls away on every side",
    BOTTOM: "the floor of a hollow: it rises on every side",
    SADDLE: "a pass (saddle): up one way, down the other",
    RIDGE: "a ridge: it falls away to the sides, along it no fall or rise is shown",
    TROUGH: "a trough: it rises to the sides, along it no fall or rise is shown",
}


@dataclass(frozen=True)
class Surface:
    """A response over numbers that may bend, and where it is level.

    Attributes
    ----------
    response : str
        Words of the response.
    factors : tuple of Factor
        The numbers, one for each axis.
    point : StationaryPoint
        In coded axes: -1 the low of a number, 1 its high.
    middles, halves : array, shape (k,)
        Middle and half range of each number, in its unit.
    tried : tuple of (float, float)
        Lowest and highest level tried of each number, in its unit.
    coefficients : array
        Of the surface in coded axes, in the order of `stats.stationary.list_terms`, for drawing.
    decimals : int
        Of the response, for print.
    at : str
        Where the other factors stand; those that are not named are averaged over.
    """

    response: str
    factors: tuple[Factor, ...]
    point: StationaryPoint
    middles: Floats
    halves: Floats
    tried: tuple[tuple[float, float], ...]
    coefficients: Floats
    decimals: int
    at: str

    def natural(self, coded: Floats) -> Floats:
        """Turn coded values into the units of the numbers."""
        return self.middles + self.halves * coded

    @property
    def where(self) -> str:
        """Whether the point lies inside what was tried: "inside", "outside" or "not told"."""
        low, high = np.array(self.tried).T
        return self.point.inside((low - self.middles) / self.halves,
                                 (high - self.middles) / self.halves)  # fmt: skip

    @property
    def sentences(self) -> tuple[str, ...]:
        """Say where it is level, what that looks like, and how to picture it."""
        return (_place_words(self), *_shape_words(self))


def find_surface(analysis: Analysis, setting: Mapping[str, str] | None = None) -> Surface | None:
    """Find where a response is level along the numbers that may bend.

    Parameters
    ----------
    analysis : Analysis
    setting : mapping of str to str, optional
        Levels of factors that are no axis, such as the recommended water and hold; averaged over
        the others.

    Returns
    -------
    Surface or None
        None where the plan follows no number along a curve, or the records cannot tell all
        slopes, bends and products yet.
    """
    model = analysis.model
    axes = [f for f in model.settings.factors.values() if is_curve(f)]
    if not axes or any(not model.is_judged(f.name) for f in axes):
        return None
    names = {f.name for f in axes}
    fixed = {n: s for n, s in (setting or {}).items() if n not in names}
    fixed = {n: s for n, s in fixed.items() if s in model.levels(model.settings.factors[n])}
    ends = [(f.span or f.values) for f in axes]
    halves = np.array([(max(e) - min(e)) / 2.0 for e in ends])
    rows = _term_rows(model, axes, halves, fixed)
    found = model.fit.test_rows(rows)
    if not np.isfinite(found.estimate).all() or not np.isfinite(found.df[1:]).all():
        return None
    try:
        point = find_stationary(found.estimate, found.covariance, float(found.df[1:].min()))
    except NotEstimable:
        return None
    return Surface(
        analysis.response.words, tuple(axes), point, np.array([centre(f) for f in axes]), halves,
        tuple((min(f.values), max(f.values)) for f in axes), np.asarray(found.estimate),
        decimals_for(analysis.response.margin),
        ", ".join(level_words(model.settings.factors[n], v) for n, v in fixed.items()),
    )  # fmt: skip


def _term_rows(
    model: TrialModel, axes: Sequence[Factor], halves: Floats, fixed: Mapping[str, str]
) -> Floats:
    """Give every term of the surface as a row of the fit's coefficients.

    The rows are differences of model rows at -1, 0 and 1, which are exact for second-order terms.
    """
    k = len(axes)

    def row(*moves: tuple[int, float]) -> Floats:
        coded = np.zeros(k)
        for axis, step in moves:
            coded[axis] += step
        return _model_row(model, axes, coded * halves, fixed)

    middle = row()
    out = []
    for term in list_terms(k):
        if not term:
            out.append(middle)
        elif len(term) == 1:
            out.append((row((term[0], 1.0)) - row((term[0], -1.0))) / 2.0)
        elif term[0] == term[1]:
            i = term[0]
            out.append((row((i, 1.0)) + row((i, -1.0))) / 2.0 - middle)
        else:
            i, j = term
            both = row((i, 1.0), (j, 1.0)) - row((i, 1.0)) - row((j, 1.0)) + middle
            out.append(both)
    return np.array(out)


def _model_row(
    model: TrialModel, axes: Sequence[Factor], moved: Floats, fixed: Mapping[str, str]
) -> Floats:
    """Give the model row at a point, averaged over every factor that is not fixed."""
    design = model.fit.design
    place = {f.name: float(x) for f, x in zip(axes, moved, strict=True)}
    names = list(design.factors)
    options: list[list[int]] = []
    for name in names:
        levels = design.factors[name].levels
        if name in fixed and name not in model.terms.centres:
            options.append([levels.index(fixed[name])])
        else:
            options.append(list(range(len(levels))))
    grid = np.array(np.meshgrid(*options, indexing="ij")).reshape(len(names), -1)
    count = grid.shape[1] if names else 1
    numbers = {}
    for name in design.numbers:
        value = place.get(name, 0.0)
        if name in fixed:
            value = float(model.coded(model.settings.factors[name], fixed[name]))
        numbers[name] = np.full(count, value)
    codes = {name: grid[i].astype(np.int64) for i, name in enumerate(names)}
    return np.asarray(design.build_rows(codes, numbers).mean(axis=0))


def _shown(factor: Factor, value: float) -> str:
    """Write a value in the unit that the factor was typed in."""
    if not factor.unit:
        return f"{value:g}" if value == round(value) else f"{value:.2f}"
    typed = typed_unit(factor.levels[0])
    digits = {"F": 0, "C": 1, "": 1}.get(typed)
    return format_quantity(value, factor.unit, show=typed, digits=digits).replace("°", "").replace(
        "  ", " ")  # fmt: skip


def _end(factor: Factor, value: float, at: float, tried: tuple[float, float]) -> str:
    """Write an end of a range without its unit; beyond what was tried it is only said to be so."""
    low, high = tried
    if low <= at <= high and not low <= value <= high:
        return f"under {_end(factor, low, low, tried)}" if value < low else (
            f"over {_end(factor, high, high, tried)}")  # fmt: skip
    return _shown(factor, value).split(" ")[0]


def _place_words(s: Surface) -> str:
    p = s.point
    names = joined([f.words for f in s.factors])
    at = f" ({s.at})" if s.at else ""
    head = f"{_capital(s.response)} along {names}{at}"
    if not (np.isfinite(p.low).all() and np.isfinite(p.high).all()):
        return f"{head}: these batches do not tell where it is level (highest, lowest or a pass)."
    kind = {TOP: "highest", BOTTOM: "lowest"}.get(p.nature, "level")
    values = [s.natural(v) for v in (p.location, p.low, p.high)]
    parts = [
        f"{f.words} {_shown(f, at)} ({_end(f, low, at, tried)} to {_end(f, high, at, tried)})"
        for f, at, low, high, tried in zip(s.factors, *values, s.tried, strict=True)
    ]
    d = s.decimals
    height = f"{p.value:.{d}f} ({p.value_low:.{d}f} to {p.value_high:.{d}f})"
    place = {
        "inside": "inside what was tried",
        "outside": "outside what was tried, so nobody has seen it",
    }.get(s.where, "whether inside what was tried is not told")
    return f"{head} is {kind} at {joined(parts)}: {height}, {place}."


def _shape_words(s: Surface) -> list[str]:
    p = s.point
    if p.nature not in _SHAPES:
        return [f"Picture: too flat to say; by the numbers alone a {p.looks}, and the ranges hold "
                "other shapes as well."]  # fmt: skip
    words = f"Picture it as {_SHAPES[p.nature]}"
    if len(s.factors) == 1:
        words = {TOP: "Picture it as a hill along one line",
                 BOTTOM: "Picture it as a dip along one line"}.get(p.nature, words)  # fmt: skip
        return [f"{words}."]
    if p.nature == SADDLE:
        up, down = (
            p.directions[:, int(np.argmax(p.bends))],
            p.directions[:, int(np.argmin(p.bends))],
        )
        return [f"Picture it as a pass (saddle): up towards {_way(s, up)}, down towards "
                f"{_way(s, down)}, and the other way round the same."]  # fmt: skip
    if p.nature in {RIDGE, TROUGH} and p.open_directions.shape[1] == 1:
        return [f"{words} ({_way(s, p.open_directions[:, 0])})."]
    return [f"{words}."]


def _way(s: Surface, direction: Floats) -> str:
    """Name a direction: which numbers go up or down along it, those that take part only."""
    parts = []
    largest = float(np.abs(direction).max())
    for f, part in zip(s.factors, direction, strict=True):
        if abs(part) >= 0.3 * largest:
            parts.append(f"{'more' if part > 0 else 'less'} {f.words}"
                         if f.unit != "temp_c" else
                         f"{'warmer' if part > 0 else 'cooler'} {f.words}")  # fmt: skip
    return joined(parts)


def _capital(words: str) -> str:
    return words if words == "pH" else words[:1].upper() + words[1:]
