"""How many more units would settle a result that is not settled.

Called by the analysis of trials and by the planning of the next one.
The verdicts themselves, and the words around the numbers, are left to others.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from doughlab.errors import OutOfRange
from doughlab.stats.outlook import chance_to_settle
from doughlab.stats.scale import student_cdf
from doughlab.stats.verdicts import NOT_SETTLED, check_above_zero, judge_interval

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Finding:
    """A difference with its interval, as far as needed to look ahead.

    Attributes
    ----------
    estimate, ci_low, ci_high : float
        The difference and its printed interval.
    std_error : float
        Its standard error, above 0.
    df : float
        Degrees of freedom of the standard error, above 0.
    margin : float
        Smallest difference that matters, above 0.
    units : int
        Independent units (groups) that the standard error rests on, 1 or more.
    """

    estimate: float
    ci_low: float
    ci_high: float
    std_error: float
    df: float
    margin: float
    units: int

    @property
    def verdict(self) -> str:
        """The verdict of the interval."""
        return judge_interval(self.ci_low, self.ci_high, self.margin)


@dataclass(frozen=True)
class SettleForecast:
    """How many more units would settle a result; None means probably never.

    Attributes
    ----------
    at_low, at_estimate, at_high : int or None
        Further units if the truth lies at the low end, at the estimate, at the high end.
    whatever : int or None
        Further units that would do for any truth inside the interval.
    chance : float
        Chance with which they settle it.
    most : int
        Number above which "probably never" is said.
    together : bool
        Whether old and new units are judged together.
    notes : tuple of str
        What to keep in mind.

    Examples
    --------
    >>> SettleForecast(12, 20, None, None, 0.8, 200, together=True, notes=()).at_estimate
    20
    """

    at_low: int | None
    at_estimate: int | None
    at_high: int | None
    whatever: int | None
    chance: float
    most: int
    together: bool
    notes: tuple[str, ...]

    def __str__(self) -> str:
        """Say both ends in one sentence."""
        low, high = (_more(n) for n in (self.at_low, self.at_high))
        return f"More units needed: {low} if the truth is at the low end, {high} at the high end."


def units_to_settle(
    finding: Finding,
    *,
    df_per_unit: float = 1.0,
    fixed_share: float = 0.0,
    chance: float = 0.8,
    together: bool = True,
    most: int | None = None,
) -> SettleForecast:
    """Find how many more units would settle a result that is not settled.

    Parameters
    ----------
    finding : Finding
        What was found so far.
    df_per_unit : float
        Degrees of freedom that each further unit adds, 0 or more.
    fixed_share : float
        Share of the squared standard error that further units do not reduce (what they all
        share), 0 to 1.
    chance : float
        Wanted chance of a verdict other than "not settled", above 0 and below 1.
    together : bool
        True: old and new units are analysed as one, and the old ones count as seen. False: the
        new units are judged alone.
    most : int, optional
        Give up above this many further units; ten times the present number by default.

    Returns
    -------
    SettleForecast
        Zeros when the result is settled already.

    Raises
    ------
    OutOfRange
        When an argument lies outside its range.

    Notes
    -----
    With b = fixed_share + (1 - fixed_share) * units / (units + more), the squared standard error
    shrinks by b. The true error of the estimate is not known: the chance is averaged over what
    `df` degrees of freedom leave open (`stats.outlook.chance_to_settle`), so it is kept on average
    over trials and not only where the spread was estimated exactly. The critical value keeps the
    two-sided level per contrast that the printed interval has, at the larger df.

    Examples
    --------
    >>> found = Finding(0.05, -0.08, 0.18, 0.06, 12, margin=0.15, units=16)
    >>> print(units_to_settle(found))
    More units needed: 8 if the truth is at the low end, 15 at the high end.
    """
    _check_forecast(finding, df_per_unit, fixed_share, chance)
    most = 10 * finding.units if most is None else most
    notes = (
        "Extending after a look shares the error between the looks; plan it, or judge the new "
        "part alone.",
    )
    if finding.verdict != NOT_SETTLED:
        return SettleForecast(0, 0, 0, 0, chance, most, together, ())
    ends = [finding.ci_low, finding.estimate, finding.ci_high]
    grid = np.linspace(finding.ci_low, finding.ci_high, 9).tolist()

    def settled(truths: Sequence[float], more: NDArray[np.int_]) -> NDArray[np.bool_]:
        found = _chance_settled(finding, truths, more, (df_per_unit, fixed_share), together)
        return np.asarray(np.all(found >= chance, axis=0))

    at = [_first_lasting(partial(settled, [truth]), most) for truth in ends]
    whatever = _first_lasting(partial(settled, grid), most)
    return SettleForecast(at[0], at[1], at[2], whatever, chance, most, together, notes)


def _chance_settled(
    finding: Finding,
    truths: Sequence[float],
    more: NDArray[np.int_],
    growth: tuple[float, float],
    together: bool,
) -> Floats:
    """Give the chance of a settled verdict, shape (truths, more)."""
    df_per_unit, fixed = growth
    units = finding.units + more if together else more
    b = fixed + (1.0 - fixed) * finding.units / units
    critical = (finding.ci_high - finding.ci_low) / 2.0 / finding.std_error
    fresh = df_per_unit * more
    return chance_to_settle(
        finding.estimate,
        finding.std_error,
        finding.df,
        margin=finding.margin,
        tail=float(student_cdf(finding.df, -critical)),
        ratio=b / np.maximum(1.0 - b, 1e-12) if together else b,
        df_new=fresh if together else finding.df + fresh - df_per_unit * finding.units,
        together=together,
        truth=np.array(truths)[:, None],
    )


def _first_lasting(
    enough: Callable[[NDArray[np.int_]], NDArray[np.bool_]], most: int
) -> int | None:
    """Find the number of units from which on it is always enough, or None.

    Looked for on steps of a tenth or less, then on every number of the step where it turns.
    """
    steps = np.unique(np.round(np.geomspace(1, max(most, 1), 50)).astype(int))
    good = enough(steps)
    if not good[-1]:
        return None
    failing = np.flatnonzero(~good)
    if not failing.size:
        return 1
    low, high = int(steps[failing[-1]]), int(steps[failing[-1] + 1])
    between = np.arange(low, high + 1)
    return int(between[np.flatnonzero(~enough(between))[-1]]) + 1


def _more(units: int | None) -> str:
    return "probably never" if units is None else str(units)


def _check_forecast(finding: Finding, per_unit: float, fixed: float, chance: float) -> None:
    check_above_zero("standard error", finding.std_error)
    check_above_zero("degrees of freedom", finding.df)
    check_above_zero("number of units", finding.units)
    for name, value, high in (
        ("df_per_unit", per_unit, math.inf),
        ("fixed_share", fixed, 1.0),
        ("chance", chance, 1.0),
    ):
        if not 0.0 <= value <= high:
            raise OutOfRange(
                f"{name} is {value:g}; it lies from 0 to {high:g}.", value=value, low=0, high=high
            )
