"""How roughly a pilot tells the spreads of days, batches, balls and readings.

`kinds` shows it for a plan that varies nothing. How a later plan uses what a pilot measured stands
in `pilot`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from doughlab.plan.plan import Plan
    from doughlab.settings import Settings

_TAIL = 0.025


def spread_range(df: int) -> tuple[float, float]:
    """Give how many times the measured spread the true one may be, as a 95 % range.

    Parameters
    ----------
    df : int
        Degrees of freedom, 1 or more.

    References
    ----------
    Range of a variance: df s^2 / chi-square; NIST/SEMATECH e-Handbook 7.2.3.1 gives the chi-square
    values. Checked in tests/plan/test_rough.py.

    Examples
    --------
    >>> low, high = spread_range(3)
    >>> round(low, 2), round(high, 2)
    (0.57, 3.73)
    """
    from scipy.special import chdtri

    return (df / float(chdtri(df, _TAIL))) ** 0.5, (df / float(chdtri(df, 1 - _TAIL))) ** 0.5


def count_told(settings: Settings, plan: Plan) -> dict[str, int]:
    """Count the degrees of freedom that tell the spread of each level, in a plan without factors.

    Returns
    -------
    dict of str to int
        "days", "batches", "balls", "readings": groups less the groups above them.
    """
    balls = [b for b in plan.balls if b["purpose"] == "ph"]
    batches = {b["batch_id"] for b in balls}
    days = {b["block"] for b in plan.batches} if settings.blocks.kind == "day" else {""}
    each = settings.reading_method.readings_per_ball
    return {
        "days": len(days) - 1,
        "batches": len(batches) - len(days),
        "balls": len(balls) - len(batches),
        "readings": len(balls) * (each - 1),
    }


def say_roughly(settings: Settings, plan: Plan) -> tuple[str, ...]:
    """Say what a plan without factors is for, and how roughly it tells; empty with factors."""
    if settings.factors:
        return ()
    told = count_told(settings, plan)
    said = [
        f"{level} {low:.2g} to {high:.2g} times"
        for level, df in told.items()
        if df >= 1
        for low, high in [spread_range(df)]
    ]
    said += [f"{level} not told" for level, df in told.items() if df < 1]
    freedom = ", ".join(f"{level} {df}" for level, df in told.items() if df >= 1)
    return (
        "a pilot: nothing is varied. It shows how much your dough differs by itself, from day to "
        "day, batch to batch and ball to ball; the next trial plans with it (assumed_from)",
        "how sure that will be: the true difference may be so many times the measured one (95 % "
        f"range): {'; '.join(said)} (degrees of freedom: {freedom})",
    )
