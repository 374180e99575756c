"""Pace: how much faster a dough ripens when warmer, learned from holds at several temperatures.

A trial whose hold temperatures vary gives its own clock by it, in place of a published one.
Rates stand in `ripening`; the fit in `nonlinear`; readings are collected by the analysis room.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from doughlab.errors import InputError, NotEstimable, UnknownName
from doughlab.formula.alternate import CurveShape, Floats, RandomTerm
from doughlab.formula.nonlinear import NonlinearFit, fit_nonlinear
from doughlab.formula.ripening import (
    ORGANISMS,
    CardinalModel,
    Q10Model,
    RipeningModel,
    SquareRootModel,
)
from doughlab.formula.shapes import share_done
from doughlab.formula.student import t_quantile
from doughlab.formula.warmup import COOLER_MOST_C

LEAST_SPAN_C = 3.0  # holds less apart than this tell no pace; rule of this project
KINDS = ("q10", "square root", "cardinal")
SOURCE = "learned from own holds"


@dataclass(frozen=True)
class PaceReading:
    """One value of one ball, with the stays it had before.

    Attributes
    ----------
    batch : str
    value : float
        pH, or titratable acidity.
    stays : tuple of (hours, degrees Celsius)
        From balling to reading; temperatures of the dough itself.

    Examples
    --------
    >>> PaceReading("B01", 5.6, ((0.5, 22.0), (47.5, 4.0))).hours
    48.0
    """

    batch: str
    value: float
    stays: tuple[tuple[float, float], ...]

    @property
    def hours(self) -> float:
        """Hours on the clock."""
        return sum(h for h, _ in self.stays)

    @property
    def longest_c(self) -> float:
        """Temperature of its longest stay, degrees Celsius."""
        return max(self.stays)[1]


@dataclass(frozen=True)
class Pace:
    """A clock learned from a trial.

    Attributes
    ----------
    kind : str
        "q10", "square root" or "cardinal".
    value, low, high : float
        The parameter with its 95 % range: the factor for 10 C, or the minimum temperature.
    model : RipeningModel
        With that parameter.
    fit : NonlinearFit
    temps_c : (float, float)
        Coldest and warmest hold it was learned from.
    n, batches : int

    Examples
    --------
    >>> held = [(h, t) for t in (4.0, 12.0) for h in (24.0, 48.0)]  # invented
    >>> read = [5.77, 5.51, 5.48, 4.97, 5.75, 5.53, 5.50, 4.98, 5.78, 5.54, 5.46, 4.95]
    >>> rows = [PaceReading(f"B{i // 4}", ph, (held[i % 4],)) for i, ph in enumerate(read)]
    >>> pace = fit_pace(rows, reference_c=4)
    >>> pace.low < pace.value < pace.high, pace.temps_c, pace.batches
    (True, (4.0, 12.0), 3)
    """

    kind: str
    value: float
    low: float
    high: float
    model: RipeningModel
    fit: NonlinearFit
    temps_c: tuple[float, float]
    n: int
    batches: int

    def __str__(self) -> str:
        """Say it in one or two lines."""
        what = "factor for 10 °C" if self.kind == "q10" else "minimum"
        unit = "" if self.kind == "q10" else " °C"
        low, high = self.temps_c
        return (
            f"{what} {self.value:.1f}{unit} ({self.low:.1f} to {self.high:.1f}), from {self.n} "
            f"balls of {self.batches} batches held at {low:g} to {high:g} °C"
        )


def fit_pace(
    readings: Sequence[PaceReading], *, kind: str = "q10", reference_c: float = 4.0
) -> Pace:
    """Learn one parameter of the clock from holds at several temperatures.

    The value runs along one curve of equivalent hours (straight below five combinations of
    temperature and hours, a decay from there on); batches differ in level.

    Parameters
    ----------
    readings : sequence of PaceReading
    kind : str
        "q10": the factor for ten degrees. "square root": the minimum temperature of the
        square-root model. "cardinal": the minimum of the cardinal model, with the published
        optimum and maximum of baker's yeast.
    reference_c : float
        Degrees Celsius; above the minimum that is looked for.

    Returns
    -------
    Pace

    Raises
    ------
    NotEstimable
        Where the holds are too alike in temperature, or cannot tell it from the curve.
    UnknownName
        For another kind of clock.

    References
    ----------
    `Q10Model`, `SquareRootModel` and `CardinalModel` name the sources of the clocks; the fit is
    that of Lindstrom & Bates (1990), see `doughlab.formula.nonlinear`.

    Examples
    --------
    >>> fit_pace([PaceReading("B1", 5.8, ((24.0, 4.0),))] * 6)
    Traceback (most recent call last):
    ...
    doughlab.errors.NotEstimable: The holds stood at 4 to 4 °C: too alike to learn a pace from. ...
    """
    if kind not in KINDS:
        raise UnknownName("kind of clock", kind, KINDS)
    longest = [r.longest_c for r in readings]
    if not readings:
        raise NotEstimable("No ball is recorded yet to learn a pace from.")
    if max(longest) - min(longest) < LEAST_SPAN_C:
        raise NotEstimable(
            f"The holds stood at {min(longest):g} to {max(longest):g} °C: too alike to learn a "
            f"pace from. Hold balls at temperatures {LEAST_SPAN_C:g} °C or more apart, none in a "
            f"cooler above {COOLER_MOST_C:g} °C (such as 1 and 4 °C), or ripen some in the room "
            "only, as long as the warm time of the kitchen allows; read them at two ages."
        )
    spots = {(round(r.longest_c, 1), round(r.hours)) for r in readings}
    clock = _Clock(readings, kind, reference_c)
    bends = len(spots) >= 5
    shape = clock.shape(bends=bends)
    y = np.array([r.value for r in readings])
    one = np.ones((len(y), 1))
    batches = sorted({r.batch for r in readings})
    codes = np.array([batches.index(r.batch) for r in readings], dtype=np.intp)
    random = [RandomTerm("batch", "level", codes)] if 1 < len(batches) < len(y) else []
    x = np.arange(len(y), dtype=float)
    start = _start(clock, y, bends)
    fit = fit_nonlinear(
        shape, x, y, fixed={p: (["1"], one) for p in shape.parameters}, start=start, random=random
    )
    place = shape.parameters.index("pace")
    theta, error = float(fit.coefficients[place]), float(fit.std_errors[place])
    half = t_quantile(float(fit.degrees(np.eye(len(start))[place])[0])) * error
    ends = sorted(clock.told(t) for t in (theta - half, theta + half))
    if not math.isfinite(half) or (kind == "q10" and ends[1] > 100):
        raise NotEstimable(
            "The holds cannot tell the pace from the curve. Read each temperature at two ages or "
            "more."
        )
    return Pace(
        kind, clock.told(theta), ends[0], ends[1], clock.model(theta), fit,
        (min(longest), max(longest)), len(y), len(batches),
    )  # fmt: skip


class _Clock:
    """Equivalent hours of all readings as a function of one parameter."""

    def __init__(self, readings: Sequence[PaceReading], kind: str, reference_c: float) -> None:
        most = max(len(r.stays) for r in readings)
        self.hours = np.zeros((len(readings), most))
        self.temps = np.full((len(readings), most), reference_c)
        for i, r in enumerate(readings):
            for j, (hours, temp) in enumerate(r.stays):
                if hours < 0:
                    raise InputError(f"A stay of {hours:g} h is shorter than nothing.")
                self.hours[i, j], self.temps[i, j] = hours, temp
        self.kind, self.reference_c = kind, reference_c
        self.coldest = float(self.temps.min())
        self.longest = float(self.equivalent(self.first()).max())

    def first(self) -> float:
        """Where the search begins."""
        if self.kind == "q10":
            return math.log(2.6)
        return math.log(max(self.reference_c - (self.coldest - 6.0), 1.0))

    def told(self, theta: float) -> float:
        """Give the parameter as it is told: the factor, or the minimum temperature."""
        if self.kind == "q10":
            return math.exp(min(theta, 50.0))
        return self.reference_c - math.exp(min(theta, 50.0))

    def model(self, theta: float) -> RipeningModel:
        """Make the clock."""
        value = self.told(theta)
        if self.kind == "q10":
            return Q10Model(min(max(value, 1.0), 10.0), self.reference_c, SOURCE)
        if self.kind == "square root":
            return SquareRootModel(value, reference_c=self.reference_c, source=SOURCE)
        _, best, high, _ = ORGANISMS["yeast"]
        return CardinalModel(value, best, high, self.reference_c, SOURCE)

    def equivalent(self, theta: float) -> Floats:
        """Count the equivalent hours of every reading, shape (n,)."""
        if self.kind == "q10":
            rates = np.exp(theta * (self.temps - self.reference_c) / 10.0)
        else:
            rates = np.asarray(self.model(theta).rate(self.temps))
        return np.asarray((self.hours * rates).sum(axis=1))

    def shape(self, *, bends: bool) -> CurveShape:
        """Make the curve: level, change to the longest, pace, and a bend."""

        def value(x: Any, phi: Floats) -> tuple[Floats, Floats]:
            place = np.asarray(x, dtype=int)
            theta = float(phi[0, 2])
            bend = phi[:, 3] if bends else np.zeros(len(phi))
            s, up, down = (
                self.equivalent(t)[place] / self.longest
                for t in (theta, theta + 1e-5, theta - 1e-5)
            )
            share, by_bend = share_done(s, bend)
            by_pace = (share_done(up, bend)[0] - share_done(down, bend)[0]) / 2e-5
            columns = [np.ones(len(share)), share, phi[:, 1] * by_pace]
            if bends:
                columns.append(phi[:, 1] * by_bend)
            return phi[:, 0] + phi[:, 1] * share, np.column_stack(columns)

        names = ("level", "change", "pace", "bend") if bends else ("level", "change", "pace")
        return CurveShape("one curve of equivalent hours", names, value)


def _start(clock: _Clock, y: Floats, bends: bool) -> list[float]:
    """Find where to begin: least squares over a grid of paces and bends."""
    best: tuple[float, list[float]] | None = None
    for theta in clock.first() + np.linspace(-0.9, 0.9, 13):
        s = clock.equivalent(float(theta)) / clock.longest
        for bend in np.linspace(-1, 6, 15) if bends else [0.0]:
            share = share_done(s, np.full(len(s), bend))[0]
            matrix = np.column_stack([np.ones(len(y)), share])
            found, *_ = np.linalg.lstsq(matrix, y, rcond=None)
            squares = float(np.sum((y - matrix @ found) ** 2))
            if best is None or squares < best[0]:
                tail = [float(bend)] if bends else []
                best = (squares, [float(found[0]), float(found[1]), float(theta), *tail])
    return best[1] if best else []
