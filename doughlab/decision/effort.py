"""Effort: what more batches cost in balls, flour, mixing days and hours of hands.

`nextstep` and `confirm` count with it, as the plan of the trial was laid out. Money is left to
others; what the effort brings stands in `outlook`.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from math import ceil
from typing import TYPE_CHECKING

from doughlab.formula.formula import batch_grams
from doughlab.plan.work import list_times

if TYPE_CHECKING:
    from doughlab.formula.formula import Formula
    from doughlab.plan.plan import Plan


@dataclass(frozen=True)
class Effort:
    """What some batches cost.

    Attributes
    ----------
    batches, balls, days : int
        Days are mixing days.
    flour_kg : float or None
        None without a formula.
    hours : float
        Of hands, for mixing, balling, taking out, reading, baking and scoring.

    Examples
    --------
    >>> Effort(6, 42, 1, 6.84, 9.51).words
    '6 batches, 42 balls, 1 mixing day, 7 kg flour, 10 h of hands'
    """

    batches: int
    balls: int
    days: int
    flour_kg: float | None
    hours: float

    @property
    def words(self) -> str:
        """The effort in one line."""
        parts = [_many(self.batches, "batch", "batches"), _many(self.balls, "ball", "balls"),
                 _many(self.days, "mixing day", "mixing days")]  # fmt: skip
        if self.flour_kg is not None:
            parts.append(f"{_rounded(self.flour_kg)} kg flour")
        return ", ".join([*parts, f"{_rounded(self.hours)} h of hands"])


def _many(count: int, one: str, several: str) -> str:
    return f"{count} {one if count == 1 else several}"


def _rounded(value: float) -> str:
    return f"{value:.0f}" if value >= 3 else f"{value:.1f}"


def batches_a_day(plan: Plan) -> int:
    """Count the most batches on one mixing day of a plan."""
    return max(Counter(b["block"] for b in plan.batches).values(), default=1)


def count_effort(
    plan: Plan, batches: int, *, formula: Formula | None = None, balls: float | None = None
) -> Effort:
    """Count what more batches cost, laid out as the plan is.

    Parameters
    ----------
    plan : Plan
    batches : int
        1 or more.
    formula : Formula, optional
        For the flour.
    balls : float, optional
        Balls of one batch that are read or baked, where it is not as in the plan; spares stay.

    Returns
    -------
    Effort
    """
    own = max(1, len(plan.batches))
    spares = sum(b["purpose"] == "spare" for b in plan.balls) / own
    used = len(plan.balls) / own - spares if balls is None else balls
    count = round(batches * (used + spares))
    days = ceil(batches / batches_a_day(plan))
    flour = None
    if formula is not None:
        flour = batch_grams(formula, balls=count)["flour"] / 1000.0
    return Effort(batches, count, days, flour, _hours(plan, batches, used, formula))


def _hours(plan: Plan, batches: int, used: float, formula: Formula | None) -> float:
    times = list_times(plan.settings, formula)
    mixing = sum(span.hands_min for span in times.batch)
    purposes = Counter(b["purpose"] for b in plan.balls if b["purpose"] != "spare")
    total = max(1, sum(purposes.values()))
    baked = purposes["bake"] / total
    scored = any(r.kind == "score" for r in plan.settings.responses.values())
    each = times.use["take_out"][1] + (1.0 - baked) * times.use["read"][1]
    each += baked * (times.use["bake"][1] + (times.use["score"][1] if scored else 0.0))
    return batches * (mixing + used * each) / 60.0
