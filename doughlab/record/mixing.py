"""Mixing: what goes into the bowl for one planned batch, in words for the bench.

`due` puts it beside each mix; the factor settings come from the plan, the grams from the formula.
How warm the water comes out of tap and ice is left to the command `mix`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from doughlab.errors import InputError
from doughlab.units import format_quantity
from doughlab.water.targets import PH_FACTOR, planned_target

if TYPE_CHECKING:
    from doughlab.formula.formula import Formula
    from doughlab.formula.weighing import Weighing
    from doughlab.plan.plan import Plan
    from doughlab.sections import Factor
    from doughlab.settings import Settings

Row = Mapping[str, Any]


def mix_words(plan: Plan, batch_id: str, *, formula: Formula | None = None) -> str:
    """Say what to mix for a batch: water, settings, grams, lots.

    Parameters
    ----------
    plan : Plan
        The frozen plan.
    batch_id : str
    formula : Formula, optional
        Without it no grams are said.

    Returns
    -------
    str
        Parts set apart by semicolons; temperatures in the unit that the trial shows. The grams
        are for the balls that the plan takes from the batch, as the scales can show them.

    Examples
    --------
    >>> from doughlab.plan.plan import Plan
    >>> from doughlab.sections import Factor
    >>> from doughlab.settings import Settings
    >>> water = Factor("water", "batch", "water", ("tap", "ro"))
    >>> settings = Settings("Demo", "DE", factors={"water": water})
    >>> plan = Plan(settings, ({"batch_id": "B01", "water": "tap"},), (), (), 1, "0")
    >>> mix_words(plan, "B01")
    'water tap'
    """
    batch = next((b for b in plan.batches if b["batch_id"] == batch_id), None)
    if batch is None:
        return ""
    settings = plan.settings
    factors = settings.factors_set("day", "batch")
    target = planned_target(settings, batch)
    parts = [
        _setting_words(f, batch[f.column], settings)
        for f in factors
        if batch.get(f.column) is not None and not (f.name == PH_FACTOR and target is not None)
    ]
    if formula is not None:
        parts.append(_grams_words(plan, batch, formula))
    for column in ("water_lot", "flour_lot", "preferment_lot"):
        if batch.get(column):
            parts.append(f"{column.replace('_', ' ')} {batch[column]}")
    if target is not None:
        parts.append(target.words(settings.reading_method.resolution))
    return "; ".join(p for p in parts if p)


def _setting_words(factor: Factor, value: Any, settings: Settings) -> str:
    """Write a setting; a mixing water is named as a temperature of the water."""
    if factor.kind != "number":
        return f"{factor.words} {value}"
    if factor.unit == "temp_c":
        text = format_quantity(value, "temp_c", show=settings.show_temperature)
    else:
        text = format_quantity(value, factor.unit) if factor.unit else f"{value:g}"
    return f"{factor.words} {text}"


def plan_grams(plan: Plan, batch_id: str, formula: Formula) -> dict[str, float]:
    """Give the grams of flour, water and acid that the plan weighs for a batch.

    Parameters
    ----------
    plan : Plan
    batch_id : str
    formula : Formula

    Returns
    -------
    dict of str to float
        "flour", "water" and, where the formula names one, "acid", in grams; empty where the batch
        cannot be weighed.

    Examples
    --------
    >>> from doughlab.notebook import open_demo
    >>> trial = open_demo()
    >>> sorted(plan_grams(trial.frozen_plan, "B01", trial.formula))
    ['flour', 'water']
    """
    batch = next((b for b in plan.batches if b["batch_id"] == batch_id), None)
    cards = _weigh(plan, batch, formula) if batch is not None else ""
    if isinstance(cards, str):
        return {}
    found = {"flour": sum(c.flour_g for c in cards), "water": sum(c.grams("water") for c in cards)}
    if formula.acid is not None:
        found["acid"] = sum(c.grams(formula.acid.product) for c in cards)
    return found if min(found["flour"], found["water"]) > 0 else {}


def _weigh(plan: Plan, batch: Row, formula: Formula) -> list[Weighing] | str:
    """Weigh the balls that the plan takes from a batch, or say why not."""
    from doughlab.formula.weighing import weigh_batch

    own = [b for b in plan.balls if b["batch_id"] == batch["batch_id"]]
    if not own:
        return ""
    levels = {f.name: batch[f.column] for f in plan.settings.factors_set("day", "batch")}
    inner = [f for f in plan.settings.factors_set("ball") if f.name in {"ball", "ball_g"}]
    try:
        if inner:  # balls of several masses: each is weighed as its own batch
            return [
                weigh_batch(
                    formula,
                    levels=levels | {f.name: b[f.column] for f in inner if b[f.column] is not None},
                    balls=1,
                )
                for b in own
            ]
        return [weigh_batch(formula, levels=levels, balls=len(own))]
    except InputError as error:
        return f"no grams: {error}"


def _grams_words(plan: Plan, batch: Row, formula: Formula) -> str:
    """Say flour and water for the balls of the plan."""
    cards = _weigh(plan, batch, formula)
    if isinstance(cards, str):
        return cards
    own = [b for b in plan.balls if b["batch_id"] == batch["batch_id"]]
    water = sum(c.grams("water") for c in cards)
    flour = sum(c.flour_g for c in cards)
    whole = " in all" if formula.preferments or formula.water_split else ""
    count = f"{len(own)} ball{'s' if len(own) > 1 else ''}"
    words = f"{count}: flour {flour:.0f} g, water {water:.0f} g{whole}"
    if formula.acid is not None:
        acid = sum(c.grams(formula.acid.product) for c in cards)
        words += f", {formula.acid.product} {acid:.2f} g"
    return words
