"""Doses: where a plan weighs so little that the step of a scale shows.

`doughlab plan` says it before a scale is bought. The card of a batch is that of `formula.weighing`,
the dose of a water that of `water.dosing`; instruments are left to `purchase`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from doughlab.errors import InputError, NotEstimable
from doughlab.formula.weighing import COARSE_PCT, weigh_batch
from doughlab.water.constants import ACIDS, TARGET_PH_HIGH, TARGET_PH_LOW
from doughlab.water.dose import Bench
from doughlab.water.dosing import acid_dose
from doughlab.water.products import AcidProduct
from doughlab.water.sample import WaterSample
from doughlab.water.targets import MISSED_PH, planned_target

if TYPE_CHECKING:
    from doughlab.formula.formula import Formula
    from doughlab.formula.weighing import Weighing
    from doughlab.plan.plan import Plan

SCALE_STEPS = (1.0, 0.1)  # g: a bench scale and a fine scale (common practice, no source)
_EXACT = Bench(scale_g=0.001)
# As they are bought; the label of yours may differ (common practice, no source).
_BOUGHT = {
    "acetic": AcidProduct("white vinegar 5 %", 5.0, "w/v"),
    "citric": AcidProduct("citric acid powder", 100.0, "w/w", acid="citric"),
    "lactic": AcidProduct("lactic acid 80 %", 80.0, "w/w", acid="lactic"),
}


@dataclass(frozen=True)
class SmallDose:
    """What is weighed least in a plan's batches, and how far off scales may be.

    Attributes
    ----------
    name : str
    grams : float
        In the smallest batch.
    off_pct : dict of float to float
        Step of the scale, g, to half a step in per cent of the grams.

    Examples
    --------
    >>> SmallDose("yeast", 2.0, {1.0: 25.0, 0.1: 2.5}).sentence
    'yeast 2 g a batch: scale steps of 1 g are up to 25 % off, 0.1 g up to 2.5 %.'
    """

    name: str
    grams: float
    off_pct: dict[float, float]

    @property
    def sentence(self) -> str:
        """Say it for each step."""
        (first, most), *rest = self.off_pct.items()
        words = [f"scale steps of {first:g} g are up to {most:.2g} % off"]
        words += [f"{step:g} g up to {off:.2g} %" for step, off in rest]
        return f"{self.name} {self.grams:.2g} g a batch: {', '.join(words)}."


def find_small_dose(plan: Plan, formula: Formula) -> SmallDose | None:
    """Find what a plan's batches weigh least of, where whole grams would be too coarse for it.

    Parameters
    ----------
    plan : Plan
    formula : Formula

    Returns
    -------
    SmallDose or None
        None where steps of 1 g are never more off than a weighing card lets pass (2 %).
    """
    found = [
        (p.grams, p.name)
        for _, card in _cards(plan, formula)
        for p in card.parts
        if p.grams > 0 and not p.made
    ]
    grams, name = min(found)
    off = {step: 50.0 * step / grams for step in SCALE_STEPS}
    return SmallDose(name, grams, off) if off[SCALE_STEPS[0]] > COARSE_PCT else None


def _cards(plan: Plan, formula: Formula) -> Iterator[tuple[Mapping[str, Any], Weighing]]:
    """Make the card of every different batch."""
    counts = Counter(b["batch_id"] for b in plan.balls)
    factors = plan.settings.factors_set("day", "batch")
    seen = set()
    for batch in plan.batches:
        levels = {f.name: batch[f.column] for f in factors}
        key = (counts[batch["batch_id"]], *levels.values())
        if key not in seen:
            seen.add(key)
            yield batch, weigh_batch(formula, levels=levels, balls=counts[batch["batch_id"]])


@dataclass(frozen=True)
class WaterDose:
    """The smallest acid dose of a dosed water, and how far the step of a scale moves its pH.

    Attributes
    ----------
    water, target : str
        The water, and the pH that the plan wants it at, as typed.
    product : str
    grams : float
        For the water of one batch.
    moves_ph : dict of float to float
        Step of the scale, g, to what half a step moves the pH of the dosed water.

    Examples
    --------
    >>> dose = WaterDose("tap", "6.2 acetic", "white vinegar 5 %", 1.1, {1.0: 0.21, 0.1: 0.021})
    >>> dose.sentence
    'tap to 6.2 acetic: 1.1 g of white vinegar 5 % a batch; scale steps of 1 g move its pH by ...'
    """

    water: str
    target: str
    product: str
    grams: float
    moves_ph: dict[float, float]

    @property
    def sentence(self) -> str:
        """Say it for each step."""
        (first, most), *rest = self.moves_ph.items()
        words = [f"scale steps of {first:g} g move its pH by up to {most:.2f}"]
        words += [f"{step:g} g by up to {moved:.2f}" for step, moved in rest]
        return (
            f"{self.water} to {self.target}: {self.grams:.2g} g of {self.product} a batch; "
            f"{', '.join(words)}."
        )


def find_water_dose(
    plan: Plan, formula: Formula, waters: Mapping[str, Mapping[str, Any]]
) -> WaterDose | None:
    """Find the dosed water whose pH the step of a scale moves most, where that matters.

    Parameters
    ----------
    plan : Plan
    formula : Formula
        For the water of a batch.
    waters : mapping
        Rows of waters.csv by water id; a water without pH or alkalinity is left out.

    Returns
    -------
    WaterDose or None
        None where no acid is planned, or steps of 1 g stay within 0.05 pH, by which a target may
        be missed.
    """
    water = next((f for f in plan.settings.factors.values() if f.kind == "water"), None)
    found = []
    for batch, card in _cards(plan, formula):
        target = planned_target(plan.settings, batch)
        name = str(batch[water.column]) if water is not None else ""
        row = waters.get(name) or (next(iter(waters.values())) if len(waters) == 1 else None)
        if target is None or target.ph is None or target.agent not in ACIDS or row is None:
            continue
        dose = _weigh_dose(row, target.ph, target.agent, card.grams("water") / 1000.0)
        if dose is not None:
            grams, per_g = dose
            moves = {step: step / 2.0 * per_g for step in SCALE_STEPS}
            shown = str(row["water_id"])
            found.append(WaterDose(shown, target.level, _BOUGHT[target.agent].name, grams, moves))
    worst = max(found, key=lambda d: d.moves_ph[SCALE_STEPS[0]], default=None)
    return worst if worst is not None and worst.moves_ph[SCALE_STEPS[0]] > MISSED_PH else None


def _weigh_dose(
    row: Mapping[str, Any], ph: float, acid: str, water_kg: float
) -> tuple[float, float] | None:
    """Give the grams for a pH and what a gram moves it there; None where it is not dosed."""
    ends = (min(ph + 0.1, TARGET_PH_HIGH), max(ph - 0.1, TARGET_PH_LOW))
    try:
        sample = WaterSample.from_row(row)
        grams = [
            acid_dose(
                sample, at, acid=acid, water_kg=water_kg, product=_BOUGHT[acid], bench=_EXACT
            ).product_g
            for at in (ends[0], ph, ends[1])
        ]
    except (InputError, NotEstimable):
        return None
    if not grams[0] < grams[2]:
        return None
    return grams[1], (ends[0] - ends[1]) / (grams[2] - grams[0])
