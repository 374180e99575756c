"""Rank the ways around a dose that is too much: stand, blend, another source, treatment.

Called by dosing when a dose is unreasonable or cannot reach the pH.
It leaves prices over a year to supply and the dose itself to dosing.
"""

from __future__ import annotations

import numpy as np

from doughlab.water.chemistry import (
    acid_needed,
    base_needed,
    closed,
    in_air,
    mixed,
)
from doughlab.water.composition import build_composition
from doughlab.water.constants import ACIDS, MOLAR_MASS
from doughlab.water.dose import Alternative, Dose
from doughlab.water.sample import WaterSample
from doughlab.water.speciation import Totals
from doughlab.water.treatment import reverse_osmosis

# From here on a dose is called unreasonable (rules of this project, no source).
MOST_ACID_G_PER_KG_WATER = 1.0
MOST_ACID_G_PER_KG_FLOUR = 2.0
MOST_BICARBONATE_MMOL = 3.0  # raises the alkalinity by 150 mg/L
RO_REJECTION_PCT = 95.0  # stand-in for a membrane where none is at hand


def for_acid(
    sample: WaterSample, dose: Dose, *, acid: str, others: tuple[WaterSample, ...]
) -> tuple[Alternative, ...]:
    """Rank ways around an acid dose; empty where the dose is reasonable."""
    per_water = dose.mmol_per_kg * ACIDS[acid].molar_mass / 1000.0
    per_flour = dose.acid_g_per_kg_flour or 0.0
    excess = max(per_water / MOST_ACID_G_PER_KG_WATER, per_flour / MOST_ACID_G_PER_KG_FLOUR)
    if excess <= 1.0:
        return ()
    own = _likely(sample)
    found = []
    softer = [w for w in _usable(others) if _alkalinity(w) < _alkalinity(sample)]
    share = 0.7 / excess  # of the water itself, to stay well under the limit
    stand_in = reverse_osmosis(sample, rejection_pct=RO_REJECTION_PCT)
    for water in softer or [stand_in]:
        blend = mixed([own, _likely(water)], [share, 1.0 - share])
        what = (
            f"blend {100 * share:.0f} % {sample.name} with {100 - 100 * share:.0f} % {water.name}"
        )
        cost = _cost(dose.water_kg, (sample, share), (water, 1.0 - share))
        found.append(_acid_way("blend", what, blend, dose, acid, cost))
    for water in softer:
        way = f"use {water.name} alone"
        cost = _cost(dose.water_kg, (water, 1.0))
        found.append(_acid_way("source", way, _likely(water), dose, acid, cost))
    way = f"treat all of it by reverse osmosis ({RO_REJECTION_PCT:.0f} % rejection)"
    found.append(_acid_way("treatment", way, _likely(stand_in), dose, acid, None))
    return _ranked(found)


def for_base(
    sample: WaterSample, dose: Dose, *, others: tuple[WaterSample, ...]
) -> tuple[Alternative, ...]:
    """Rank ways around a bicarbonate dose; empty where the dose is reasonable."""
    if dose.mmol_per_kg <= MOST_BICARBONATE_MMOL:
        return ()
    return _base_ways(sample, dose.target_ph, dose.water_kg, others)


def no_base_reaches(
    sample: WaterSample, target_ph: float, *, others: tuple[WaterSample, ...]
) -> str:
    """Say that bicarbonate cannot reach a pH, and what can."""
    ways = _base_ways(sample, target_ph, 1.0, others)
    lines = [
        f"No amount of sodium bicarbonate brings {sample.name} to pH {target_ph:g}: with little "
        "air it stays near or below 8.3."
    ]
    lines += [f"{i}. {way}" for i, way in enumerate(ways, start=1)]
    return "\n".join(lines)


def _base_ways(
    sample: WaterSample, target_ph: float, water_kg: float, others: tuple[WaterSample, ...]
) -> tuple[Alternative, ...]:
    """Work the ways to a higher pH out."""
    own = _likely(sample)
    aired = in_air(own)
    found = [
        _base_way(
            "stand", "let it stand open and stir, its CO2 leaves", aired.totals, target_ph, 0.0
        )
    ]
    for water in _usable(others):
        other = _likely(water)
        if closed(other).ph[0] > target_ph:
            share = _share_for_ph(own, other, target_ph)
            what = f"blend in {100 * share:.0f} % {water.name}"
            cost = _cost(water_kg, (sample, 1.0 - share), (water, share))
            blend = mixed([own, other], [1.0 - share, share])
            found.append(_base_way("blend", what, blend, target_ph, cost))
        what = f"use {water.name} alone"
        found.append(_base_way("source", what, other, target_ph, _cost(water_kg, (water, 1.0))))
    calcite = _calcite_for_ph(own, target_ph)
    if calcite is not None:
        mg = calcite * 1e3 * MOLAR_MASS["calcium carbonate"]
        what = f"filter over calcite, which dissolves {mg:.0f} mg/kg and adds as much hardness"
        found.append(_base_way("treatment", what, _with_calcite(own, calcite), target_ph, None))
    return _ranked(found)


def _ranked(found: list[Alternative]) -> tuple[Alternative, ...]:
    """Put first what needs no or less dose, then what costs less; unknown costs last."""

    def key(way: Alternative) -> tuple[float, float]:
        return (round(way.mmol_per_kg, 1), np.inf if way.cost is None else way.cost)

    return tuple(sorted(found, key=key))


def _acid_way(
    how: str, what: str, water: Totals, dose: Dose, acid: str, cost: float | None
) -> Alternative:
    """Work one way out: its pH and the acid still needed."""
    lost = {"closed": 0.0, "covered": 0.5, "open": 1.0}[dose.vessel]
    needed = acid_needed(water, dose.target_ph, acid=acid, lost_share=lost).added[0]
    left = float(np.nan_to_num(needed)) * 1e3
    return Alternative(how, what, float(closed(water).ph[0]), left, cost)


def _base_way(
    how: str, what: str, water: Totals, target_ph: float, cost: float | None
) -> Alternative:
    """Work one way out: its pH and the bicarbonate still needed."""
    ph = float(closed(water).ph[0])
    left = 0.0
    if ph < target_ph - 0.02:
        needed = base_needed(water, target_ph).added[0]
        left = float(needed) * 1e3 if np.isfinite(needed) else np.inf
    return Alternative(how, what, ph, left, cost)


def _likely(sample: WaterSample) -> Totals:
    """Give the likely totals of a water."""
    return build_composition(sample, vary=False).state.totals


def _usable(others: tuple[WaterSample, ...]) -> list[WaterSample]:
    """Keep the waters of which pH and alkalinity are known."""
    return [w for w in others if w.ph is not None and w.alkalinity_mg_l is not None]


def _alkalinity(sample: WaterSample) -> float:
    """Give the alkalinity; it is known where this is called."""
    return float(sample.alkalinity_mg_l or 0.0)


def _cost(water_kg: float, *parts: tuple[WaterSample, float]) -> float | None:
    """Give the cost of the water of a batch; None where a price is missing."""
    total = 0.0
    for water, share in parts:
        if water.cost_per_l is None:
            return None
        total += water.cost_per_l * share * water_kg
    return total


def _share_for_ph(own: Totals, other: Totals, target_ph: float) -> float:
    """Find the share of a second water that brings the blend to a pH, by halving."""
    low, high = 0.0, 1.0
    for _ in range(40):
        share = (low + high) / 2
        ph = closed(mixed([own, other], [1.0 - share, share])).ph[0]
        low, high = (share, high) if ph < target_ph else (low, share)
    return high


def _with_calcite(water: Totals, amount: float) -> Totals:
    """Dissolve calcium carbonate, mol/kg, in a water."""
    return water.changed(
        alkalinity=water.alkalinity + 2 * amount,
        carbon=water.carbon + amount,
        calcium=water.calcium + amount,
    )


def _calcite_for_ph(water: Totals, target_ph: float) -> float | None:
    """Find the calcite that brings a water to a pH; None where it takes over 10 mmol/kg."""
    low, high = 0.0, 0.01
    if closed(_with_calcite(water, high)).ph[0] < target_ph:
        return None
    for _ in range(40):
        middle = (low + high) / 2
        reached = closed(_with_calcite(water, middle)).ph[0]
        low, high = (middle, high) if reached < target_ph else (low, middle)
    return high
