"""Charts for every day: is today as the settled dough was, or has something moved.

`doughlab daily` draws its sentences from them. Limits come from the settled recipe or from a
stated stretch of days and stay until somebody computes them anew on purpose.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from doughlab.daily.constants import chart_constants
from doughlab.errors import InputError, MissingRecords, UnknownName

Floats = NDArray[np.floating[Any]]


@dataclass(frozen=True)
class Limits:
    """A centre and two limits, with the spread that they stand on.

    Attributes
    ----------
    centre, low, high : float
        In the unit of the response.
    sd : float
        Standard deviation of a single value.
    n : int
        Values that they were computed from; 0 where they were given.
    how : str
        In words.

    Examples
    --------
    >>> Limits(5.55, 5.40, 5.70, 0.05).high
    5.7
    """

    centre: float
    low: float
    high: float
    sd: float
    n: int = 0
    how: str = ""


def individuals_limits(values: Sequence[float], *, width: float = 3.0) -> Limits:
    """Compute the limits of single values from their moving ranges.

    Parameters
    ----------
    values : sequence of float, length n
        In order of time; 2 or more.
    width : float
        Standard deviations from centre to limit.

    Returns
    -------
    Limits

    Raises
    ------
    MissingRecords
        With fewer than two values.

    References
    ----------
    ISO 7870-2; NIST/SEMATECH e-Handbook 6.3.2.2. The spread is the mean moving range / d2(2).

    Examples
    --------
    >>> found = individuals_limits([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    >>> round(found.centre, 2), round(found.low, 2), round(found.high, 2)
    (50.81, 45.82, 55.8)
    """
    x = _checked(values, 2)
    sd = float(np.abs(np.diff(x)).mean()) / chart_constants(2).d2
    centre = float(x.mean())
    return Limits(
        centre, centre - width * sd, centre + width * sd, sd, len(x), "from moving ranges"
    )


def moving_range_limit(values: Sequence[float]) -> float:
    """Give the upper limit of the moving range of two values: D4(2) times its mean.

    References
    ----------
    ISO 7870-2; NIST/SEMATECH e-Handbook 6.3.2.2. D4 by integration, see `chart_constants`.

    Examples
    --------
    >>> round(moving_range_limit([5.50, 5.56, 5.52, 5.54]), 3)
    0.131
    """
    x = _checked(values, 2)
    return float(np.abs(np.diff(x)).mean()) * chart_constants(2).range_factors[1]


def ewma(
    values: Sequence[float], *, centre: float, sd: float, weight: float = 0.3, width: float = 3.0
) -> tuple[Floats, Floats, Floats]:
    """Follow slow drift: the exponentially weighted moving average and its limits.

    Parameters
    ----------
    values : sequence of float, length n
    centre, sd : float
        Of the settled dough.
    weight : float
        Of the newest value, above 0 and up to 1.
    width : float
        Standard deviations from centre to limit.

    Returns
    -------
    average, low, high : array, shape (n,)
        Limits widen towards their steady state.

    Raises
    ------
    InputError
        For a weight or a spread that cannot be.

    References
    ----------
    Roberts (1959), Technometrics 1, 239 (from memory); NIST/SEMATECH e-Handbook 6.3.2.4.

    Examples
    --------
    >>> average, low, high = ewma([52.0, 47.0], centre=50, sd=2.0539)
    >>> average.round(2).tolist()
    [50.6, 49.52]
    """
    x = _checked(values, 1)
    if not 0.0 < weight <= 1.0 or not sd > 0.0:
        raise InputError(f"weight {weight:g} must lie above 0 and up to 1, sd {sd:g} above 0.")
    average = np.empty(len(x))
    last = centre
    for i, value in enumerate(x):
        last = weight * value + (1.0 - weight) * last
        average[i] = last
    steps = np.arange(1, len(x) + 1)
    grown = 1.0 - (1.0 - weight) ** (2 * steps)
    half = width * sd * np.sqrt(weight / (2.0 - weight) * grown)
    return average, centre - half, centre + half


def cusum(
    values: Sequence[float], *, centre: float, slack: float, limit: float
) -> tuple[Floats, Floats, int | None]:
    """Add up what lies off centre: upper and lower sums, and where one first passes the limit.

    Parameters
    ----------
    values : sequence of float, length n
    centre : float
    slack : float
        Passed over each time: half of the shift to be found, in the unit of the values (k).
    limit : float
        Where a sum signals, in the unit of the values (h).

    Returns
    -------
    upper, lower : array, shape (n,)
    first : int or None
        Index of the first signal.

    Raises
    ------
    InputError
        For a slack below 0 or a limit that does not lie above 0.

    References
    ----------
    Page (1954), Biometrika 41, 100 (from memory); NIST/SEMATECH e-Handbook 6.3.2.3.

    Examples
    --------
    >>> upper, lower, first = cusum([325.0, 327.0, 328.0], centre=325, slack=0.5, limit=3)
    >>> upper.tolist(), first
    ([0.0, 1.5, 4.0], 2)
    """
    x = _checked(values, 1)
    if slack < 0.0 or not limit > 0.0:
        raise InputError(f"slack {slack:g} must not lie below 0, and limit {limit:g} above 0.")
    upper, lower = np.zeros(len(x)), np.zeros(len(x))
    up = down = 0.0
    for i, value in enumerate(x):
        up = max(0.0, up + value - centre - slack)
        down = max(0.0, down + centre - value - slack)
        upper[i], lower[i] = up, down
    over = np.flatnonzero((upper > limit) | (lower > limit))
    return upper, lower, int(over[0]) if len(over) else None


@dataclass(frozen=True)
class Signal:
    """One run rule that was met.

    Attributes
    ----------
    rule : str
        Which, in words.
    at : int
        Index of the value that completes it.
    first : int
        Index of the first value of its stretch.

    Examples
    --------
    >>> Signal("eight in a row on one side", at=11, first=4).at
    11
    """

    rule: str
    at: int
    first: int


def _beyond(z: Floats, i: int) -> int | None:
    return i if abs(z[i]) > 3.0 else None


def _several(need: int, of: int, beyond: float) -> Callable[[Floats, int], int | None]:
    """Several of the last values beyond so many standard deviations, on one side."""

    def met(z: Floats, i: int) -> int | None:
        start = i - of + 1
        if start < 0:
            return None
        window = z[start : i + 1]
        for side in (1.0, -1.0):
            off = side * window > beyond
            if off[-1] and off.sum() >= need:
                return start + int(np.flatnonzero(off)[0])
        return None

    return met


def _side(length: int) -> Callable[[Floats, int], int | None]:
    """So many in a row on one side of the centre."""

    def met(z: Floats, i: int) -> int | None:
        window = z[max(0, i - length + 1) : i + 1]
        whole = len(window) == length and (bool((window > 0).all()) or bool((window < 0).all()))
        return i - length + 1 if whole else None

    return met


def _trend(length: int) -> Callable[[Floats, int], int | None]:
    """So many in a row rising, or falling."""

    def met(z: Floats, i: int) -> int | None:
        steps = np.diff(z[max(0, i - length + 1) : i + 1])
        whole = len(steps) == length - 1 and (bool((steps > 0).all()) or bool((steps < 0).all()))
        return i - length + 1 if whole else None

    return met


def _alternating(length: int) -> Callable[[Floats, int], int | None]:
    def met(z: Floats, i: int) -> int | None:
        steps = np.diff(z[max(0, i - length + 1) : i + 1])
        whole = len(steps) == length - 1 and bool((steps[1:] * steps[:-1] < 0).all())
        return i - length + 1 if whole else None

    return met


def _within(length: int) -> Callable[[Floats, int], int | None]:
    def met(z: Floats, i: int) -> int | None:
        window = z[max(0, i - length + 1) : i + 1]
        whole = len(window) == length and bool((np.abs(window) < 1.0).all())
        return i - length + 1 if whole else None

    return met


def _outside(length: int) -> Callable[[Floats, int], int | None]:
    def met(z: Floats, i: int) -> int | None:
        window = z[max(0, i - length + 1) : i + 1]
        whole = len(window) == length and bool((np.abs(window) > 1.0).all())
        both = whole and bool((window > 0).any()) and bool((window < 0).any())
        return i - length + 1 if both else None

    return met


Rule = tuple[str, Callable[[Floats, int], int | None]]
_THREE: Rule = ("beyond three standard deviations", _beyond)
_TWO: Rule = ("two of three beyond two standard deviations on one side", _several(2, 3, 2.0))
_FOUR: Rule = ("four of five beyond one standard deviation on one side", _several(4, 5, 1.0))
RULES: dict[str, tuple[Rule, ...]] = {
    "western electric 1956": (_THREE, _TWO, _FOUR, ("eight in a row on one side", _side(8))),
    "nelson 1984": (
        _THREE, ("nine in a row on one side", _side(9)), ("six in a row rising or falling",
        _trend(6)), ("fourteen in a row up and down in turn", _alternating(14)), _TWO, _FOUR,
        ("fifteen in a row within one standard deviation", _within(15)),
        ("eight in a row outside one standard deviation, on both sides", _outside(8)),
    ),
}  # fmt: skip


def find_signals(
    values: Sequence[float], limits: Limits, *, rules: str = "western electric 1956"
) -> list[Signal]:
    """Look for run rules in single values.

    Parameters
    ----------
    values : sequence of float, length n
        In order of time.
    limits : Limits
        Their centre and sd are taken.
    rules : {"western electric 1956", "nelson 1984"}
        The published set; runs on one side are 8 long in the first and 9 in the second.

    Returns
    -------
    list of Signal
        In order of time; each rule at every value that completes it.

    Raises
    ------
    UnknownName
        For another set.
    InputError
        For limits whose sd does not lie above 0.

    References
    ----------
    Western Electric (1956), Statistical Quality Control Handbook; Nelson (1984), J. Qual. Technol.
    16, 237 (both from memory).

    Examples
    --------
    >>> settled = Limits(5.5, 5.35, 5.65, 0.05)
    >>> [s.rule for s in find_signals([5.5, 5.62, 5.63, 5.5], settled)]
    ['two of three beyond two standard deviations on one side']
    """
    if rules not in RULES:
        raise UnknownName("rule set", rules, RULES)
    x = _checked(values, 1)
    if not limits.sd > 0.0:
        raise InputError(f"The limits stand on a spread of {limits.sd:g}; it must lie above 0.")
    z = (x - limits.centre) / limits.sd
    found = []
    for i in range(len(z)):
        for words, met in RULES[rules]:
            first = met(z, i)
            if first is not None:
                found.append(Signal(words, i, first))
    return found


def _checked(values: Sequence[float], fewest: int) -> Floats:
    x = np.asarray(values, dtype=float)
    if x.ndim != 1 or not np.isfinite(x).all():
        raise InputError("A chart needs plain numbers in order of time, without blanks.")
    if len(x) < fewest:
        raise MissingRecords(
            f"A chart needs {fewest} values or more; there are {len(x)} so far. Record more days."
        )
    return x
