"""Wrong choice: what it may cost beside what more batches would cost.

`words` prints both numbers in one sentence; which weighs more is the owner's to judge. What the
batches would settle stands in `nextstep`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doughlab.analysis.analyse import Analysis
from doughlab.decision.effort import Effort, count_effort
from doughlab.decision.weigh import Weighing
from doughlab.prices import ASSUMED_BALL, ASSUMED_FLOUR_KG, ASSUMED_HOUR
from doughlab.stats.verdicts import NOT_SETTLED

Floats = NDArray[np.floating]
Three = tuple[float, float, float]

COUNTED = 1000  # balls, where nobody says how many are made


@dataclass(frozen=True)
class WrongChoice:
    """What a wrong choice may cost, and what settling it would.

    Attributes
    ----------
    share : tuple of float
        Share of balls that the best of the tried settings would bring inside beyond the chosen
        one: on average over what the records allow, and the 95 % range.
    balls : float
        Balls that the numbers below are for: a year's, else 1000.
    a_year : bool
        Whether they are a year's.
    lost, money : tuple of float
        Balls and money, each with its 95 % range.
    fewest, most : Effort or None
        What more batches cost, at the two ends of the open differences; None where nothing is
        open, or more batches would probably never settle it.
    price : tuple of float
        Of `fewest` and `most`, in money; blank without them.
    assumed : tuple of str
        Prices that nobody gave, with the round number that was taken.
    never : bool
        Whether more batches would probably never settle some difference at an end of its range.
    """

    share: Three
    balls: float
    a_year: bool
    lost: Three
    money: Three
    fewest: Effort | None = None
    most: Effort | None = None
    price: tuple[float, float] = (np.nan, np.nan)
    assumed: tuple[str, ...] = ()
    never: bool = False


def weigh_wrong_choice(
    weighing: Weighing, table: pd.DataFrame, at: int, found: Mapping[str, Analysis]
) -> WrongChoice:
    """Weigh the cost of a wrong choice against that of more batches.

    Parameters
    ----------
    weighing : Weighing
    table : DataFrame
        With less_high: settings that are shown to be worse are no rivals.
    at : int
        Position of the chosen setting.
    found : mapping of str to Analysis
        Where the open differences stand.

    Returns
    -------
    WrongChoice

    Notes
    -----
    In each draw of what the records allow, the loss is the best rival's chance minus the chosen
    one's, never below 0 (the chosen one is among the rivals). Its mean is what knowing the truth
    would bring (expected value of perfect information: Raiffa and Schlaifer 1961 [from memory]); no
    trial brings more, so it is an upper end for what more batches are worth.
    """
    joint, settings, prices = weighing.joint, weighing.settings, weighing.settings.prices
    rivals = table["less_high"].to_numpy(dtype=float) >= 0
    rivals[at] = True
    every = joint.every if weighing.several else joint.alone[weighing.limits[0].what]
    share = _loss(every, rivals, at)
    a_day = settings.kitchen.balls_a_day
    balls = COUNTED if a_day is None else a_day * settings.kitchen.days_a_year
    price = ASSUMED_BALL if prices.ball is None else prices.ball
    lost = _times(share, balls)
    ends, never = _efforts(weighing.trial, found)
    flour = ASSUMED_FLOUR_KG if prices.flour_kg is None else prices.flour_kg
    hour = ASSUMED_HOUR if prices.hour is None else prices.hour
    costs = [e.hours * hour + (e.flour_kg or 0.0) * flour for e in ends]
    assumed = _assumed(settings.prices, bool(ends))
    return WrongChoice(
        share, balls, a_day is not None, lost, _times(lost, price),
        ends[0] if ends else None, ends[-1] if ends else None,
        (costs[0], costs[-1]) if costs else (np.nan, np.nan), assumed, never,
    )  # fmt: skip


def _loss(values: Floats, rivals: NDArray[np.bool_], at: int) -> Three:
    """Give the mean and the 95 % range of what the best rival brings beyond one setting."""
    usable = rivals & np.isfinite(values).all(axis=0)
    gain = values[:, usable].max(axis=1) - values[:, at]
    low, high = np.quantile(np.maximum(gain, 0.0), [0.025, 0.975])
    return float(np.maximum(gain, 0.0).mean()), float(low), float(high)


def _times(three: Three, factor: float) -> Three:
    return three[0] * factor, three[1] * factor, three[2] * factor


def _efforts(trial: Any, found: Mapping[str, Analysis]) -> tuple[list[Effort], bool]:
    """Give the effort of the fewest and the most batches that would settle what is open.

    And whether some difference would probably never be, at an end of its range. Judged alone, as
    further batches are where no planned look foresaw them.
    """
    counts: list[int | None] = []
    for analysis in found.values():
        for answer in analysis.answers:
            for c in answer.comparisons if answer.primary else ():
                seen = c.forecast(together=False)
                if c.verdict == NOT_SETTLED and seen is not None:
                    counts += [seen.at_low, seen.at_high]
    plan = trial.frozen_plan
    told = [n for n in counts if n is not None]
    if not told or plan is None:
        return [], bool(counts)
    formula = getattr(trial, "formula", None)
    ends = [count_effort(plan, n, formula=formula) for n in (min(told), max(told))]
    return ends, len(told) < len(counts)


def _assumed(prices: Any, batches: bool) -> tuple[str, ...]:
    """Name the prices that nobody gave."""
    out = [f"a ball {ASSUMED_BALL:g}"] if prices.ball is None else []
    if batches:
        out += [f"a kg of flour {ASSUMED_FLOUR_KG:g}"] if prices.flour_kg is None else []
        out += [f"an hour {ASSUMED_HOUR:g}"] if prices.hour is None else []
    return tuple(out)


def wrong_words(wrong: WrongChoice, currency: str, *, brief: bool = False) -> str:
    """Say both numbers in one sentence.

    Parameters
    ----------
    wrong : WrongChoice
    currency : str
        The user's own; may be empty.
    brief : bool
        Without the flour, the hours and the assumed prices behind the money.

    Returns
    -------
    str

    Examples
    --------
    >>> three = (0.01, 0.0, 0.05)
    >>> one = WrongChoice(three, 1000, False, (10, 0, 50), (5, 0, 25), assumed=("a ball 0.5",))
    >>> print(wrong_words(one, "EUR"))
    Another tried setting may really keep more balls inside. On average over what the records leave
    open (95 % range), this one loses 10 (0 to 50) balls in 1000 to ... yours to judge.
    """
    money = f" {currency}" if currency else ""
    per = "a year" if wrong.a_year else f"in {wrong.balls:.0f}"
    if brief:
        head = "As another tried setting may be better, this one loses on average "
        mean, low, high = wrong.lost
        head += f"{mean:.0f} (95 % range {low:.0f} to {high:.0f})"
    else:
        head = "Another tried setting may really keep more balls inside. On average over what the "
        head += f"records leave open (95 % range), this one loses {_three(wrong.lost)}"
    head += f" balls {per} to the limits, worth {_three(wrong.money)}{money}"
    head += "; more batches win back no more"
    if wrong.fewest is None or wrong.most is None:
        tail = "More batches would probably never settle what is open" if wrong.never else (
            "No primary question is open that more batches can be counted for")  # fmt: skip
    else:
        tail = f"Settling what is open would take {_efforts_words(wrong, money, brief)} once"
        tail += _repaid_words(wrong)
        tail += ", and is probably never done at one end of it" if wrong.never else ""
    named = "prices partly assumed" if brief else f"assumed: {', '.join(wrong.assumed)}"
    assumed = f" ({named})" if wrong.assumed else ""
    return f"{head}. {tail}{assumed}; which weighs more is yours to judge."


def _efforts_words(wrong: WrongChoice, money: str, brief: bool) -> str:
    one, other = wrong.fewest, wrong.most
    if one is None or other is None:
        return ""
    parts = [f"{_two(one.batches, other.batches)} more batches"]
    if one.flour_kg is not None and not brief:
        parts.append(f"{_two(one.flour_kg, other.flour_kg or 0.0)} kg flour")
    if not brief:
        parts.append(f"{_two(one.hours, other.hours)} h of hands")
    return ", ".join([*parts, f"{_two(*wrong.price)}{money}"])


def _repaid_words(wrong: WrongChoice) -> str:
    """Put both on one footing: after how many balls, or years, the batches can have paid.

    Of the fewest batches, at the middle and at the upper end of what is lost.
    """
    price, (middle, _, high) = wrong.price[0], wrong.money
    if not (price > 0 and middle > 0 and high > 0):
        return ""
    unit, each = ("years", 1.0) if wrong.a_year else ("balls", wrong.balls)
    late, soon = (_rough(price / m * each) for m in (middle, high))
    return f", repaid after {late} {unit} or more, {soon} at the upper end"


def _rough(value: float) -> str:
    """Write a number with two digits that count."""
    return f"{float(f'{value:.2g}'):.10g}"


def _two(low: float, high: float) -> str:
    one, other = f"{low:.0f}", f"{high:.0f}"
    return one if one == other else f"{one} to {other}"


def _three(three: Three) -> str:
    return f"{three[0]:.0f} ({three[1]:.0f} to {three[2]:.0f})"
