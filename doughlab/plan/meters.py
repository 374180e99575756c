"""Meter studies: who reads which ball with which meter, in an order drawn by lot.

Every reader reads every ball with every meter, several times, on samples that are thrown away:
crossed, so that persons, meters and readings can be told apart. `kinds` says how many readings
that takes; the spreads are found by the analysis of agreement.
"""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

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

    Examples
    --------
    >>> MeterReading("B01-1", reader="ada", meter="pen", repeat=2).repeat
    2
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


def count_readings(settings: Settings) -> int:
    """Count the readings of one ball: those of a meter study, else those of the method.

    Examples
    --------
    >>> from doughlab.notebook import open_demo
    >>> count_readings(open_demo().settings)
    3
    """
    design = settings.plan
    if not design.readers or not design.meters:
        return settings.reading_method.readings_per_ball
    return len(design.readers) * len(design.meters) * design.repeats


def is_meter_study(settings: Settings) -> bool:
    """Tell whether readings are taken by named persons with named meters, in a drawn order."""
    return bool(settings.plan.readers and settings.plan.meters)


@dataclass(frozen=True)
class StudyState:
    """How far a meter study has come.

    Attributes
    ----------
    left : tuple of MeterReading
        Those still to take, in their order.
    taken : int
        Planned readings that were taken.
    others : int
        Readings by persons or with meters that the study does not name; not counted.
    """

    left: tuple[MeterReading, ...]
    taken: int
    others: int = 0

    @property
    def words(self) -> str:
        """Say which ball, who and with which meter comes next, and then; empty when all is done."""
        odd = ""
        if self.others:
            many = f"{self.others} readings were" if self.others > 1 else "1 reading was"
            odd = f"; {many} made by a person or meter that the study does not name: correct it"
        if not self.left:
            return f"every reading of the study is taken{odd}"
        first, *then = self.left[:4]
        rest = [f"{'' if r.ball == first.ball else r.ball + ' '}{r.reader} {r.meter}" for r in then]
        total = self.taken + len(self.left)
        after = f"; then {', '.join(rest)}" if rest else ""
        return (
            f"{first.ball} by {first.reader} with {first.meter} ({self.taken + 1} of {total}, "
            f"round {first.repeat}){after}{odd}"
        )


def follow_study(
    plan: Plan, readings: Iterable[Mapping[str, Any]], *, lost: Iterable[str] = ()
) -> StudyState:
    """Tell what a meter study still needs.

    Parameters
    ----------
    plan : Plan
    readings : iterable of dict
        Rows of record/readings.csv; who entered one read it, its instrument is the meter.
    lost : iterable of str
        Balls that are lost: nothing more is read of them.

    Returns
    -------
    StudyState
    """
    planned, gone = list_readings(plan), set(lost)
    had: Counter[tuple[str, str, str]] = Counter(
        (str(r["ball_id"]), _plain(r.get("entered_by")), _plain(r.get("instrument")))
        for r in readings
    )
    asked = Counter((r.ball, _plain(r.reader), _plain(r.meter)) for r in planned)
    left, taken = [], 0
    for r in planned:
        key = r.ball, _plain(r.reader), _plain(r.meter)
        if had[key] > 0:
            had[key] -= 1
            taken += 1
        elif r.ball not in gone:
            left.append(r)
    others = sum(n for key, n in had.items() if key not in asked)
    return StudyState(tuple(left), taken, others)


def _plain(name: Any) -> str:
    return " ".join(str(name or "").casefold().replace("_", " ").split())


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
