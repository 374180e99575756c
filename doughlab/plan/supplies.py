"""Supplies: what all batches of a plan take together, and the most places that are full at once.

`doughlab plan --calendar` says it before anything is bought; `facts` takes the flour from here.
Grams of one batch are those of `formula.formula`; what a card weighs is left to `weighing`.
"""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Any

from doughlab.plan.order import peak_stays

if TYPE_CHECKING:
    from doughlab.formula.formula import Formula
    from doughlab.plan.plan import Plan

Row = Mapping[str, Any]
WIDTH = 80


@dataclass(frozen=True)
class Supplies:
    """What a plan takes.

    Attributes
    ----------
    flours : dict of str to float
        Grams of each flour, losses and preferments included.
    waters : dict of str to float
        Grams of mixing water by level of the water factor; under "water" where none is varied.
    others : dict of str to float
        Grams of salt, yeast, oil and own ingredients.

    Examples
    --------
    >>> Supplies({"flour": 1200.0}, {"tap": 720.0}, {"yeast": 3.4}).sentences
    ('to have ready: 1.2 kg flour, 3.4 g yeast', 'water: 0.72 kg tap')
    """

    flours: dict[str, float] = field(default_factory=dict)
    waters: dict[str, float] = field(default_factory=dict)
    others: dict[str, float] = field(default_factory=dict)

    @property
    def flour_g(self) -> float:
        """All flours together."""
        return sum(self.flours.values())

    @property
    def sentences(self) -> tuple[str, ...]:
        """Say it: one sentence for what is bought, one for the waters."""
        dry = ", ".join(_mass(g, name) for name, g in {**self.flours, **self.others}.items() if g)
        wet = ", ".join(f"{g / 1000:.3g} kg {name}" for name, g in self.waters.items() if g)
        return tuple(
            s for s in (f"to have ready: {dry}" if dry else "", f"water: {wet}" if wet else "") if s
        )


def _mass(grams: float, name: str) -> str:
    return f"{grams / 1000:.3g} kg {name}" if grams >= 1000 else f"{grams:.3g} g {name}"


def list_supplies(plan: Plan, formula: Formula) -> Supplies:
    """Add up what every batch takes, at its own settings.

    Parameters
    ----------
    plan : Plan
    formula : Formula

    Returns
    -------
    Supplies

    Raises
    ------
    InputError
        For a level that is no percentage or mass.

    Examples
    --------
    >>> from doughlab.formula import read_formula
    >>> from doughlab.notebook import open_demo
    >>> trial = open_demo()
    >>> found = list_supplies(trial.frozen_plan, read_formula(trial.folder / "formula.toml"))
    >>> sorted(found.waters), round(found.flour_g / 1000, 1)
    (['bottled', 'reverse osmosis', 'tap'], 26.6)
    """
    from doughlab.formula.formula import batch_grams

    settings = plan.settings
    factors = settings.factors_set("day", "batch")
    masses = [f for f in settings.factors_set("ball") if f.name in {"ball", "ball_g"}]
    water = next((f for f in factors if f.kind == "water"), None)
    balls: dict[str, list[Row]] = {}
    for ball in plan.balls:
        balls.setdefault(ball["batch_id"], []).append(ball)
    flours: Counter[str] = Counter()
    waters: Counter[str] = Counter()
    others: Counter[str] = Counter()
    for batch in plan.batches:
        levels = {f.name: batch[f.column] for f in factors}
        name = str(batch[water.column]) if water is not None else "water"
        for own, count in _alike(balls.get(batch["batch_id"], []), masses):
            grams = batch_grams(formula, levels=levels | own, balls=count)
            flours.update(formula.with_levels(levels | own).split_flours(grams.pop("flour")))
            waters[name] += grams.pop("water", 0.0)  # type: ignore[assignment]
            others.update(grams)
    return Supplies(dict(flours), dict(waters), dict(others))


def _alike(balls: list[Row], masses: list[Any]) -> list[tuple[dict[str, Any], int]]:
    """Group the balls of a batch by their mass, where it is varied."""
    kinds = Counter(
        tuple((f.name, b[f.column]) for f in masses if b[f.column] is not None) for b in balls
    )
    return [(dict(kind), count) for kind, count in kinds.items()]


def cooler_peak(plan: Plan) -> int:
    """Count the most balls in the cooler at one time; spares stay as long as their batch.

    Returns
    -------
    int
        0 without a hold or without dates.
    """
    if plan.settings.hold is None or not plan.schedule:
        return 0
    balled = {r["item"]: r["due_at"] for r in plan.schedule if r["step"] == "ball"}
    leave = _first(plan, "take_out", "read", "bake")
    last: dict[str, datetime] = {}
    for b in plan.balls:
        if b["ball_id"] in leave:
            out = leave[b["ball_id"]]
            last[b["batch_id"]] = max(out, last.get(b["batch_id"], out))
    return peak_stays(
        [
            (b["ball_id"], b["batch_id"], balled[b["batch_id"]],
             leave.get(b["ball_id"], last[b["batch_id"]]))
            for b in plan.balls
        ]
    )  # fmt: skip


def warm_peak(plan: Plan) -> int:
    """Count the most balls that stand out of the cooler at one time before they are used."""
    out, used = _first(plan, "take_out"), _last(plan, "read", "bake")
    return peak_stays([(name, "", at, used[name]) for name, at in out.items() if name in used])


def _first(plan: Plan, *steps: str) -> dict[str, datetime]:
    found: dict[str, datetime] = {}
    for row in plan.schedule:
        if row["step"] in steps:
            found[row["item"]] = min(row["due_at"], found.get(row["item"], row["due_at"]))
    return found


def _last(plan: Plan, *steps: str) -> dict[str, datetime]:
    found: dict[str, datetime] = {}
    for row in plan.schedule:
        if row["step"] in steps:
            found[row["item"]] = max(row["due_at"], found.get(row["item"], row["due_at"]))
    return found


def supply_lines(plan: Plan, formula: Formula | None) -> list[str]:
    """Say what to have ready, in lines of at most 80 characters.

    Parameters
    ----------
    plan : Plan
    formula : Formula or None
        Without one only the places are said.

    Returns
    -------
    list of str
    """
    sentences = list(list_supplies(plan, formula).sentences) if formula is not None else []
    k = plan.settings.kitchen
    full = []
    if peak := cooler_peak(plan):
        full.append(f"{peak} balls in the cooler of {k.cooler_places} places")
    if peak := warm_peak(plan):
        full.append(f"{peak} warming up on {k.warm_places}")
    at_once = f"; at most {', '.join(full)}" if full else ""
    sentences.append(f"labels for {len(plan.balls)} balls{at_once}")
    return [line for s in sentences for line in textwrap.wrap(s, WIDTH, subsequent_indent="  ")]
