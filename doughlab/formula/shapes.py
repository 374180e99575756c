"""Shapes: curves over the hold, chosen by the number of holds, and where they cross a line.

The curve of pH in the analysis room is fitted with them.
Which balls and terms there are is left to it; no data is read here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from doughlab.errors import NotEstimable
from doughlab.formula.alternate import CurveShape, Floats

# Distinct holds from which start, end and rate can be told and checked: three numbers and two
# holds to spare; rule of this project.
DECAY_FROM = 5


def share_done(s: Any, bend: Floats) -> tuple[Floats, Floats]:
    """Give the share of the way that is done, and its slope by the bend.

    (1 - exp(-bend s))/(1 - exp(-bend)); a straight line where the bend is 0.

    Examples
    --------
    >>> share_done(np.array([0.0, 0.5, 1.0]), np.zeros(3))[0]
    array([0. , 0.5, 1. ])
    """
    straight = np.abs(bend) < 1e-3
    k = np.where(straight, 1.0, bend)
    left, whole = np.exp(-k * s), -np.expm1(-k)
    share = -np.expm1(-k * s) / whole
    slope = (s * left * whole + np.expm1(-k * s) * np.exp(-k)) / whole**2
    near = s + bend * s * (1 - s) / 2 + bend**2 * s * (1 - s) * (1 - 2 * s) / 12
    near_slope = s * (1 - s) / 2 + bend * s * (1 - s) * (1 - 2 * s) / 6
    return np.where(straight, near, share), np.where(straight, near_slope, slope)


def _decay(s: Any, phi: Floats) -> tuple[Floats, Floats]:
    level, change, bend = phi.T
    share, slope = share_done(s, bend)
    slopes = np.column_stack([np.ones(len(share)), share, change * slope])
    return level + change * share, slopes


def _quadratic(s: Any, phi: Floats) -> tuple[Floats, Floats]:
    slopes = np.column_stack([np.ones(len(s)), s, 4.0 * s * (1.0 - s)])
    return np.einsum("ij,ij->i", slopes, phi), slopes


def _line(s: Any, phi: Floats) -> tuple[Floats, Floats]:
    slopes = np.column_stack([np.ones(len(s)), s])
    return np.einsum("ij,ij->i", slopes, phi), slopes


# level at the first hold, change from the first to the last, bend in between
SHAPES: dict[str, CurveShape] = {
    "decay": CurveShape("decay from start to end", ("level", "change", "bend"), _decay),
    "quadratic": CurveShape("curve of second degree", ("level", "change", "bend"), _quadratic),
    "line": CurveShape("straight line", ("level", "change"), _line),
}


def choose_curve(holds: int) -> str:
    """Choose the curve by the number of distinct holds, never by the fit.

    Parameters
    ----------
    holds : int

    Returns
    -------
    str
        A key of `SHAPES`.

    Raises
    ------
    NotEstimable
        With fewer than two.

    Examples
    --------
    >>> [choose_curve(n) for n in (2, 3, 4, 5, 8)]
    ['line', 'quadratic', 'quadratic', 'decay', 'decay']
    """
    if holds < 2:
        raise NotEstimable(
            "One hold gives no curve over the hold. Record a second hold, better five of them."
        )
    return "line" if holds == 2 else "quadratic" if holds < DECAY_FROM else "decay"


def shape_notes(kind: str, holds: int) -> list[str]:
    """Say what the number of holds cannot check.

    Examples
    --------
    >>> shape_notes("decay", 6)
    []
    """
    if kind == "line":
        return ["two holds: a straight line is taken, whether it bends cannot be seen"]
    if kind == "quadratic" and holds == 3:
        return ["three holds fix the curve: whether it runs that way between them is not checked"]
    if kind == "quadratic":
        return [f"four holds: start, end and rate of a decay need {DECAY_FROM}"]
    return []


@dataclass(frozen=True)
class HourRange:
    """An hour of the hold with its 95 % range, as far as holds were tried.

    Attributes
    ----------
    value, low, high : float or None
        None where it lies outside the tried holds; `side` tells where for the value.
    side : str
        "inside", "before" or "after" the tried holds.
    tried : (float, float)
        First and last tried hold, hours.

    Examples
    --------
    >>> print(HourRange(39.2, 36.1, None, "inside", (24, 72)))
    39 h (36 to after 72)
    """

    value: float | None
    low: float | None
    high: float | None
    side: str
    tried: tuple[float, float]

    def __str__(self) -> str:
        """Write the hours as a cook says them."""
        first, last = self.tried
        low = f"before {first:g}" if self.low is None else f"{self.low:.0f}"
        high = f"after {last:g}" if self.high is None else f"{self.high:.0f}"
        if self.value is None:
            if self.side == "before":
                return f"before {first:g} h" + ("" if self.high is None else f" (up to {high})")
            return f"after {last:g} h" + ("" if self.low is None else f" (from {low})")
        return f"{self.value:.0f} h ({low} to {high})"


def find_crossing(hours: Floats, above: Floats, half: Floats) -> HourRange:
    """Find when a falling line passes zero, and when the ends of its range do.

    Parameters
    ----------
    hours, above, half : array, shape (m,)
        Rising hours; the line minus the edge; half of its range.

    Examples
    --------
    >>> hours = np.linspace(24, 72, 49)
    >>> print(find_crossing(hours, (40 - hours) / 100, np.full(49, 0.03)))
    40 h (37 to 43)
    """
    tried = (float(hours[0]), float(hours[-1]))

    def passes(line: Floats, *, last: bool) -> float | None:
        over = line > 0
        if over[-1] if last else not over.any():
            return None
        if last:
            place = int(np.flatnonzero(over)[-1]) if over.any() else -1
        else:
            place = int(np.argmin(over)) - 1 if not over.all() else len(over) - 1
        if place < 0 or place >= len(hours) - 1:
            return None
        a, b = line[place], line[place + 1]
        return float(hours[place] + (hours[place + 1] - hours[place]) * a / (a - b))

    value = passes(above, last=False)
    side = "inside" if value is not None else "before" if above[0] <= 0 else "after"
    return HourRange(
        value, passes(above - half, last=False), passes(above + half, last=True), side, tried
    )
