"""Work: how long each step of a dough lasts, and what the mixing days ask of the kitchen.

The calendar and its replay take their minutes from here; formula.toml says how long the dough
takes, [kitchen] and [steps.<name>] of trial.toml the rest. When things happen is left to them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from doughlab.plan.pairs import PAIR
from doughlab.tables import PIERCED
from doughlab.workday import HANDS_MIN, OWN_MINUTES

if TYPE_CHECKING:
    from doughlab.formula.formula import Formula
    from doughlab.plan.plan import Plan
    from doughlab.settings import Settings

MIXED = ("mix", "second_mix")


@dataclass(frozen=True)
class Span:
    """One step of a batch, in minutes from first wetting.

    Attributes
    ----------
    step : str
    start : float
        Negative for what stands before the mix.
    minutes, hands_min : float
        How long it lasts, and how long it needs a pair of hands from its start.
    """

    step: str
    start: float
    minutes: float
    hands_min: float


@dataclass(frozen=True)
class WorkTimes:
    """Minutes of every step.

    Attributes
    ----------
    batch : tuple of Span
        In time order, from the preferment to the cooler.
    to_ball_min, ball_min : float
        From first wetting to balling, and how long balling lasts.
    mixer : tuple of (float, float)
        When the mixer is taken: start and end, from first wetting.
    warm_min : float
        Out of the cooler before use.
    use : dict of str to (float, float)
        "take_out", "read", "bake", "score": minutes, and minutes of hands.
    """

    batch: tuple[Span, ...]
    to_ball_min: float
    ball_min: float
    mixer: tuple[tuple[float, float], ...]
    warm_min: float
    use: dict[str, tuple[float, float]]


def list_times(settings: Settings, formula: Formula | None = None) -> WorkTimes:
    """List how long every step lasts.

    Parameters
    ----------
    settings : Settings
    formula : Formula, optional
        Its steps; without one that ends in "ball", a mix lasts `kitchen.mix_min` and is balled
        at its end, as in `build_plan`.

    Returns
    -------
    WorkTimes

    Examples
    --------
    >>> from doughlab.settings import Settings
    >>> times = list_times(Settings("x", "X1"))
    >>> [s.step for s in times.batch], times.to_ball_min, times.use["read"]
    (['mix', 'ball', 'cool'], 45.0, (10.0, 10.0))
    """
    steps = formula.steps if formula is not None else ()
    if "ball" not in [name for name, _ in steps]:
        steps = (("mix", settings.kitchen.mix_min), ("ball", _hands(settings, "ball")))
    names = [name for name, _ in steps]
    first = names.index("mix") if "mix" in names else 0
    spans, at = [], -sum(minutes for _, minutes in steps[:first])
    for name, minutes in steps:
        step = name.replace(" ", "_")
        hands = min(_hands(settings, step), minutes) if step in HANDS_MIN else 0.0
        spans.append(Span(step, at, minutes, hands))
        at += minutes
    if "cool" not in names:
        spans.append(Span("cool", at, 0.0, 0.0))
    ball = next(s for s in spans if s.step == "ball")
    use = {"take_out": (0.0, _hands(settings, "take_out"))}
    use |= {name: (_minutes(settings, name), _hands(settings, name)) for name in OWN_MINUTES}
    taken = [(s.start, s.start + s.minutes) for s in spans if s.step in MIXED]
    mixer = _join([(0.0, settings.kitchen.mix_min), *taken])
    warm = settings.kitchen.warm_min
    return WorkTimes(tuple(spans), ball.start, ball.minutes, mixer, warm, use)


def _join(pieces: list[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
    """Join pieces of time that touch."""
    out: list[tuple[float, float]] = []
    for start, end in sorted(pieces):
        if out and start <= out[-1][1]:
            out[-1] = (out[-1][0], max(end, out[-1][1]))
        else:
            out.append((start, end))
    return tuple(out)


def _hands(settings: Settings, step: str) -> float:
    own = settings.steps.get(step)
    return HANDS_MIN[step] if own is None or own.hands_min is None else own.hands_min


def _minutes(settings: Settings, step: str) -> float:
    own = settings.steps.get(step)
    return OWN_MINUTES[step] if own is None or own.minutes is None else own.minutes


@dataclass(frozen=True)
class Use:
    """One ball that is read or baked.

    Attributes
    ----------
    ball_id : str
    step : str
        "read" or "bake".
    hold_h : float
    twice : bool
        Whether it is read when it is taken out, too (a warm-up pair).
    """

    ball_id: str
    step: str
    hold_h: float
    twice: bool = False


@dataclass(frozen=True)
class BatchWork:
    """One batch: its balls, and which of them are used when."""

    batch_id: str
    balls: int
    uses: tuple[Use, ...]

    @property
    def spares(self) -> int:
        """Balls that nobody uses."""
        return self.balls - len(self.uses)


@dataclass(frozen=True)
class DayWork:
    """One mixing day: its batches, in the order they are mixed."""

    block: str
    batches: tuple[BatchWork, ...]

    @property
    def holds(self) -> tuple[float, ...]:
        """The holds of its balls, hours, rising."""
        return tuple(sorted({u.hold_h for b in self.batches for u in b.uses}))

    @property
    def kind(self) -> tuple[object, ...]:
        """What two mixing days share that ask the same of the kitchen."""
        return tuple(
            (b.balls, tuple(sorted((u.hold_h, u.step, u.twice) for u in b.uses)))
            for b in self.batches
        )

    def count(self, hold_h: float, step: str) -> int:
        """Count the balls of one hold that are read, or baked."""
        return sum(u.hold_h == hold_h and u.step == step for b in self.batches for u in b.uses)


def count_twice(work: DayWork, hold_h: float) -> int:
    """Count the balls of one hold that are read at take-out, too."""
    return sum(u.twice and u.hold_h == hold_h for b in work.batches for u in b.uses)


def list_work(plan: Plan) -> tuple[DayWork, ...]:
    """List what the mixing days of a plan ask of the kitchen, in the order of the plan.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    tuple of DayWork
        One for each mixing day; balls without a hold have hold 0.
    """
    hold = plan.settings.hold
    balls: dict[str, list[dict[str, Any]]] = {}
    for ball in plan.balls:
        balls.setdefault(ball["batch_id"], []).append(ball)
    days: dict[str, list[BatchWork]] = {}
    for batch in sorted(plan.batches, key=lambda b: b["batch_id"]):
        own = balls.get(batch["batch_id"], [])
        uses = tuple(
            Use(
                b["ball_id"],
                "read" if b["purpose"] in PIERCED else "bake",
                b[hold.column] if hold else 0.0,
                b["purpose"] == PAIR,
            )
            for b in own
            if b["purpose"] != "spare"
        )  # fmt: skip
        days.setdefault(batch["block"], []).append(BatchWork(batch["batch_id"], len(own), uses))
    order = {b["batch_id"]: b["order"] or 0 for b in plan.batches}
    return tuple(
        DayWork(block, tuple(sorted(group, key=lambda w: order[w.batch_id])))
        for block, group in days.items()
    )


def is_scored(settings: Settings) -> bool:
    """Tell whether bakes are tasted by a panel."""
    return any(r.kind == "score" for r in settings.responses.values())
