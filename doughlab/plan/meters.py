"""Meter studies: who reads which ball with which meter, in an order drawn by lot.

Every reader reads every ball with every meter, several times, on samples that are thrown away:
crossed, so that persons, meters and readings can be told apart. `kinds` says how many readings
that takes; the spreads are found by the analysis of agreement.
"""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from typing import TYPE_CHECKING

from doughlab.plan.order import make_rng, shuffled

if TYPE_CHECKING:
    from doughlab.plan.plan import Plan
    from doughlab.settings import Settings

_SHARE = 0.5  # of a ball can be sampled before it is used up: common practice, no source


@dataclass(frozen=True)
class MeterReading:
    """One reading to take.

    Attributes
    ----------
    ball : str
    reader, meter : str
    repeat : int
        From 1.
    """

    ball: str
    reader: str
    meter: str
    repeat: int


def list_readings(plan: Plan) -> tuple[MeterReading, ...]:
    """List the readings of a meter study in the order they are taken.

    All balls are read once by every reader with every meter, in an order of their own, before the
    next round begins: a ball that changes while it stands meets all readers and meters alike.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    tuple of MeterReading
        Empty where [plan] names no readers or meters. The same seed gives the same order.

    Examples
    --------
    >>> from doughlab.notebook import open_demo
    >>> list_readings(open_demo().frozen_plan)  # no meter study: nothing
    ()
    """
    design = plan.settings.plan
    if not design.readers or not design.meters:
        return ()
    balls = [str(b["ball_id"]) for b in plan.balls if b["purpose"] == "ph"]
    found: list[MeterReading] = []
    for repeat in range(1, design.repeats + 1):
        rng = make_rng(plan.seed, f"meters/{repeat}")
        for ball in shuffled(balls, rng):
            pairs = [(r, m) for r in design.readers for m in design.meters]
            found += [MeterReading(ball, r, m, repeat) for r, m in shuffled(pairs, rng)]
    return tuple(found)


def say_readings(settings: Settings, plan: Plan) -> tuple[str, ...]:
    """Say how many readings a meter study takes, and of how much dough."""
    design = settings.plan
    readings = list_readings(plan)
    if not readings:
        return ()
    balls = len({r.ball for r in readings})
    each = len(readings) // balls
    grams = each * settings.reading_method.sample_g
    return (
        f"{balls} balls, each read by {' and '.join(design.readers)} with "
        f"{' and '.join(design.meters)}, {design.repeats} times: {len(readings)} readings, "
        f"crossed, in an order drawn by lot; {grams:g} g of sample from each ball, thrown away",
    )


def reading_lines(plan: Plan) -> list[str]:
    """Write the order of a meter study: one line for each ball and round.

    Returns
    -------
    list of str
        Of at most 80 characters; empty where there is no meter study.
    """
    lines: list[str] = []
    last = 0
    together: dict[tuple[int, str], list[str]] = {}
    for r in list_readings(plan):
        together.setdefault((r.repeat, r.ball), []).append(f"{r.reader} {r.meter}")
    for n, ((repeat, ball), pairs) in enumerate(together.items(), start=1):
        if repeat > last:
            lines.append(f"round {repeat}, in this order:")
        last = repeat
        text = f"{n:>4}  {ball:<7} {', '.join(pairs)}"
        lines += textwrap.wrap(text, 80, subsequent_indent=" " * 14, break_on_hyphens=False)
    return lines
