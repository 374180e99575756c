"""What a plan needs: batches, balls, flour, days, sessions, cooler places, and what goes amiss.

`doughlab plan` shows it before anything is written, the report repeats it. What the plan will
find is left to `precision`.
"""

from __future__ import annotations

import textwrap
from collections import Counter
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from math import ceil
from typing import TYPE_CHECKING

from doughlab.designed import FRACTION, FULL
from doughlab.plan.designs import clock_minutes
from doughlab.plan.kinds import describe_kind
from doughlab.plan.order import list_sittings
from doughlab.plan.supplies import cooler_peak, list_supplies

if TYPE_CHECKING:
    from doughlab.formula.formula import Formula
    from doughlab.plan.plan import Plan, Row
    from doughlab.settings import Settings


@dataclass(frozen=True, repr=False)
class PlanFacts:
    """What a plan needs and where it strains the kitchen.

    Attributes
    ----------
    batches, balls, days : int
    batches_per_day, balls_per_batch : tuple of int
        Smallest and largest.
    flour_kg : float or None
        All batches together, losses included; None without a formula.
    sessions : dict of str to tuple of float
        Session to the holds it serves, h; empty tuples without a hold.
    one_factor_batches : int or None
        Batches that moving one thing at a time would take for the same answers; None where fewer
        than two factors are set per batch.
    cooler_peak : int
        Most balls in the cooler at one time.
    warnings : tuple of str
        Plain sentences: limits that the plan exceeds.
    kind : tuple of str
        What kind of plan it is, what is mixed up with what and what it costs; empty for a plan of
        all combinations.

    Examples
    --------
    >>> from doughlab.notebook import open_demo
    >>> from doughlab.plan import describe_plan
    >>> trial = open_demo()
    >>> facts = describe_plan(trial.settings, trial.frozen_plan)
    >>> facts.one_factor_batches
    51
    >>> facts.shared_sessions, len(facts.sessions)
    (4, 8)
    """

    batches: int
    balls: int
    days: int
    batches_per_day: tuple[int, int]
    balls_per_batch: tuple[int, int]
    flour_kg: float | None
    sessions: dict[str, tuple[float, ...]] = field(default_factory=dict)
    one_factor_batches: int | None = None
    cooler_peak: int = 0
    warnings: tuple[str, ...] = ()
    kind: tuple[str, ...] = ()

    @property
    def shared_sessions(self) -> int:
        """Count the sessions that serve two or more holds."""
        return sum(len(holds) > 1 for holds in self.sessions.values())

    def __str__(self) -> str:
        """Say it in a few lines of at most 80 characters."""
        per_day, per_batch = _range(self.batches_per_day), _range(self.balls_per_batch)
        flour = f", {self.flour_kg:.3g} kg flour" if self.flour_kg is not None else ""
        first = f"{_count(self.batches, 'batch')} on {_count(self.days, 'mixing day')}"
        lines = [f"{first}, {per_day} a day; {per_batch} balls each: {self.balls} balls{flour}"]
        lines += [part for said in self.kind for part in textwrap.wrap(said, 80)]
        lines.append(self._sessions_line())
        if self.one_factor_batches is not None:
            lines.append(
                "moving one thing at a time, differences as sure would take "
                f"{_count(self.one_factor_batches, 'batch')}"
            )
        return "\n".join(lines)

    __repr__ = __str__

    def _repr_html_(self) -> str:
        """Give the facts of `str` for a notebook."""
        return "".join(f"<p>{line}</p>" for line in str(self).splitlines())

    def _sessions_line(self) -> str:
        total = len(self.sessions)
        head = f"reading and baking in {_count(total, 'session')}"
        holds = {h for served in self.sessions.values() for h in served}
        if len(holds) < 2:
            return head
        shared = self.shared_sessions
        if shared == total:
            return f"{head}, never fewer than two hold times in one"
        if not shared:
            return f"{head}; none of them serves two holds"
        return f"{head}; {shared} of them {'serves' if shared == 1 else 'serve'} two holds or more"


def describe_plan(settings: Settings, plan: Plan, formula: Formula | None = None) -> PlanFacts:
    """Count what a plan needs.

    Parameters
    ----------
    settings : Settings
    plan : Plan
    formula : Formula, optional
        For the flour.

    Returns
    -------
    PlanFacts

    Examples
    --------
    >>> from doughlab.notebook import open_demo
    >>> trial = open_demo()
    >>> describe_plan(trial.settings, trial.frozen_plan).warnings
    ()
    """
    per_day = Counter(b["block"] for b in plan.batches)
    per_batch = Counter(b["batch_id"] for b in plan.balls)
    flour = list_supplies(plan, formula).flour_g / 1000.0 if formula else None
    peak = cooler_peak(plan)
    return PlanFacts(
        batches=len(plan.batches),
        balls=len(plan.balls),
        days=len(per_day),
        batches_per_day=(min(per_day.values()), max(per_day.values())),
        balls_per_batch=(min(per_batch.values()), max(per_batch.values())),
        flour_kg=flour,
        sessions=_sessions(settings, plan),
        one_factor_batches=_one_factor(settings, plan),
        cooler_peak=peak,
        warnings=tuple(_find_warnings(settings, plan, peak)),
        kind=describe_kind(settings, plan),
    )


def _one_factor(settings: Settings, plan: Plan) -> int | None:
    """Count the batches of one-factor steps, where steps would answer the same questions."""
    other = settings.plan.design not in (FULL, FRACTION) or settings.plan.centres
    if other or settings.confirm is not None:
        return None
    return count_one_factor(settings, plan.batches)


def _sessions(settings: Settings, plan: Plan) -> dict[str, tuple[float, ...]]:
    hold = settings.hold
    served: dict[str, set[float]] = {name: set() for name in plan.sessions}
    for ball in plan.balls:
        if ball["session"] and hold is not None:
            served[ball["session"]].add(ball[hold.column])
    return {name: tuple(sorted(holds)) for name, holds in served.items()}


def count_one_factor(settings: Settings, batches: tuple[Row, ...]) -> int | None:
    """Count the batches that one-factor steps would take for the same answers.

    One setting is the base; each other level of each batch factor is moved alone from it. Every
    difference gets at least the batches behind it that it has in the plan (same variance of the
    difference of two means), with the cheapest size of the base.

    Returns
    -------
    int or None
        None with fewer than two batch factors: nothing is saved then.
    """
    factors = settings.factors_set("batch")
    if len(factors) < 2:
        return None
    wanted = []
    for f in factors:
        counts = Counter(b[f.column] for b in batches)
        inverse = [1.0 / n for n in counts.values()]
        wanted.append((len(counts), 2.0 * sum(inverse) / len(inverse)))
    best: int | None = None
    for base in range(1, 2 * len(batches) + 1):
        total = base
        for k, variance in wanted:
            if variance <= 1.0 / base:
                break
            arm = 1.0 / (variance - 1.0 / base)
            if k > 2:
                arm = max(arm, 2.0 / variance)
            total += (k - 1) * ceil(arm - 1e-9)
        else:
            best = total if best is None else min(best, total)
    return best


def _find_warnings(settings: Settings, plan: Plan, peak: int) -> list[str]:
    kitchen = settings.kitchen
    out: list[str] = []
    if not plan.schedule:
        out.append("No first mixing day is set, so nothing has a date: start_on in [blocks].")
    if peak > kitchen.cooler_places:
        out.append(
            f"At the fullest, {peak} balls are in the cooler; it holds {kitchen.cooler_places}. "
            "Fewer spares or more mixing days apart would ease it."
        )
    out += _clock_warnings(settings, plan)
    out += _oven_warnings(settings, plan)
    out += _panel_warnings(settings, plan)
    limit = settings.limits.max_hold_h
    hold = settings.hold
    if hold is not None and max(hold.values) > limit:
        out.append(
            f"The longest hold is {max(hold.values):g} h, above the {limit:g} h of [limits]."
        )
    return out


def _clock_warnings(settings: Settings, plan: Plan) -> list[str]:
    """Find steps before opening, after closing, or on a closed day."""
    kitchen = settings.kitchen
    opens, closes = clock_minutes(kitchen.open_at), clock_minutes(kitchen.close_at)
    out = []
    early = [r for r in plan.schedule if _minute(r["due_at"]) < opens]
    late = [r for r in plan.schedule if _minute(r["due_at"]) > closes]
    if early:
        first = min(early, key=lambda r: _minute(r["due_at"]))
        sooner = opens - _minute(first["due_at"])
        begin = _clock(clock_minutes(kitchen.mix_at) + sooner)
        mend = f' Begin mixing at {begin} or later: mix_at = "{begin}" in [kitchen].'
        if len({r["step"] for r in early}) > 1 or first["step"] == "mix" or late:
            mend = ""
        out.append(
            f"{_count(len(early), 'step')} fall before the kitchen opens at {kitchen.open_at}, the "
            f"first at {_clock(_minute(first['due_at']))} ({_step(first)}).{mend}"
        )
    if late:
        last = max(late, key=lambda r: _minute(r["due_at"]))
        out.append(
            f"{_count(len(late), 'step')} fall after the kitchen closes at {kitchen.close_at}, the "
            f"last at {_clock(_minute(last['due_at']))} ({_step(last)})."
        )
    from doughlab.sections import WEEKDAYS

    shut = [r for r in plan.schedule if WEEKDAYS[r["due_at"].weekday()] in kitchen.closed]
    if shut:
        on = shut[0]["due_at"].strftime("%Y-%m-%d")
        out.append(
            f"{_count(len(shut), 'step')} fall on a closed day, the first on {on}: no calendar "
            "keeps them all off. Open that day for reading, or take a hold away."
        )
    return out


def _oven_warnings(settings: Settings, plan: Plan) -> list[str]:
    bakes = [r["due_at"] for r in plan.schedule if r["step"] == "bake"]
    hour = timedelta(hours=1)
    most = max((sum(t <= u < t + hour for u in bakes) for t in set(bakes)), default=0)
    if most <= settings.kitchen.oven_slots_per_h:
        return []
    return [
        f"{most} bakes are due within one hour; the oven takes {settings.kitchen.oven_slots_per_h}."
    ]


def _panel_warnings(settings: Settings, plan: Plan) -> list[str]:
    if not any(r.kind == "score" for r in settings.responses.values()):
        return []
    if not settings.panel.judges:
        return ["A score is asked for, but [panel] names no judges; one judge is reckoned with."]
    bakes = Counter(b["session"] for b in plan.balls if b["purpose"] == "bake")
    limit = settings.panel.samples_per_session
    over = {name: n for name, n in sorted(bakes.items()) if n > limit}
    if not over:
        return []
    name, most = max(over.items(), key=lambda item: item[1])
    bakes_of = {b["ball_id"] for b in plan.balls if b["session"] == name}
    due = {r["item"]: r["due_at"] for r in plan.schedule
           if r["step"] == "bake" and r["item"] in bakes_of}  # fmt: skip
    how = "Serve them in sittings with a rest between"
    if due:
        starts = [min(due[ball] for ball in part) for part in list_sittings(due, limit)]
        at = " and ".join(_clock(_minute(start)) for start in starts)
        how = f"Serve {name} in {len(starts)} sittings, at {at}, with a rest between"
    return [
        f"In {_count(len(over), 'session')} a judge tastes more than {limit} samples ({most} in "
        f"{name}). {how}, or mix fewer batches a day."
    ]


def _minute(at: datetime) -> int:
    return at.hour * 60 + at.minute


def _clock(minutes: int) -> str:
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


def _step(row: Row) -> str:
    return f"{row['step'].replace('_', ' ')} {row['item']}"


def _count(n: int, word: str) -> str:
    if n == 1:
        return f"1 {word}"
    return f"{n} {word}es" if word.endswith("ch") else f"{n} {word}s"


def _range(ends: tuple[int, int]) -> str:
    low, high = ends
    return str(low) if low == high else f"{low} to {high}"
