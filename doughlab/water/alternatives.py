"""Rank the ways around a dose that is too much: stand, blend, another source, treatment.

Called by dosing when a dose is unreasonable or cannot reach the pH.
It leaves prices over a year to supply and the dose itself to dosing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from doughlab.water.calcite import try_calcite
from doughlab.water.chemistry import (
    acid_needed,
    base_needed,
    calcite_index,
    closed,
    in_air,
    mixed,
    with_base,
)
from doughlab.water.composition import Composition, build_composition
from doughlab.water.constants import ACIDS, MOLAR_MASS
from doughlab.water.dose import Alternative, Bench, Dose
from doughlab.water.sample import WaterSample
from doughlab.water.speciation import Totals
from doughlab.water.treatment import reverse_osmosis

# From here on a dose is called unreasonable (rules of this project, no source).
MOST_ACID_G_PER_KG_WATER = 1.0
MOST_ACID_G_PER_KG_FLOUR = 2.0
MOST_BICARBONATE_MMOL = 3.0  # raises the alkalinity by 150 mg/L
# More is no dose any more: 2.5 g in a kg, 690 mg sodium (rule of this project, no source).
END_BICARBONATE_MMOL = 30.0
RO_REJECTION_PCT = 95.0  # stand-in for a membrane where none is at hand


_NEAR_PH = 0.02  # a way that comes this near needs nothing more
_NO_UNIT = "cost: not known, no such unit in supply.toml (doughlab water cost --example)"


@dataclass(frozen=True)
class Ways:
    """Hold ranked ways around a dose, and what was not offered and why.

    Attributes
    ----------
    ways : tuple of Alternative
        Ranked.
    refused : tuple of str
        Sentences on ways that do not work for this water.

    Examples
    --------
    >>> Ways().ways
    ()
    """

    ways: tuple[Alternative, ...] = ()
    refused: tuple[str, ...] = ()


def covered_share(lost_pct: float) -> float:
    """Give the share of CO2 that a covered vessel loses; never quite all, that would be open.

    Examples
    --------
    >>> covered_share(50.0), covered_share(100.0)
    (0.5, 0.999)
    """
    return min(lost_pct / 100.0, 0.999)


def for_acid(
    sample: WaterSample, dose: Dose, *, acid: str, grams_per_mmol: float, bench: Bench
) -> Ways:
    """Rank ways around an acid dose; empty where the dose is reasonable."""
    per_water = dose.mmol_per_kg * ACIDS[acid].molar_mass / 1000.0
    per_flour = dose.acid_g_per_kg_flour or 0.0
    excess = max(per_water / MOST_ACID_G_PER_KG_WATER, per_flour / MOST_ACID_G_PER_KG_FLOUR)
    if excess <= 1.0:
        return Ways()
    own = _likely(sample)
    ask = _Ask(dose.target_ph, dose.water_kg, dose.agent, grams_per_mmol)
    lost = {"closed": 0.0, "covered": covered_share(bench.co2_lost_pct), "open": 1.0}[dose.vessel]
    softer = [w for w in _usable(bench.others) if _alkalinity(w) < _alkalinity(sample)]
    stand_in = reverse_osmosis(sample, rejection_pct=RO_REJECTION_PCT).changed(
        cost_per_l=bench.treated_per_l.get("reverse osmosis")
    )
    share = 0.7 / excess  # of the water itself, to stay well under the limit
    found = []
    for water in softer or [stand_in]:
        blend = mixed([own, _likely(water)], [share, 1.0 - share])
        what = (
            f"blend {100 * share:.0f} % {sample.name} with {100 - 100 * share:.0f} % {water.name}"
        )
        cost = _cost(dose.water_kg, (sample, share), (water, 1.0 - share))
        price = _price(cost, sample, water, unit=not softer)
        found.append(_acid_way("blend", what, blend, ask, acid, lost, cost, price))
    for water in softer:
        way = f"use {water.name} alone"
        cost = _cost(dose.water_kg, (water, 1.0))
        price = _price(cost, water)
        found.append(_acid_way("source", way, _likely(water), ask, acid, lost, cost, price))
    way = f"treat all of it by reverse osmosis ({RO_REJECTION_PCT:.0f} % rejection)"
    cost = _cost(dose.water_kg, (stand_in, 1.0))
    price = _price(cost, stand_in, unit=True)
    found.append(_acid_way("treatment", way, _likely(stand_in), ask, acid, lost, cost, price))
    return Ways(_ranked(found))


def for_base(sample: WaterSample, dose: Dose, *, bench: Bench) -> Ways:
    """Rank ways around a bicarbonate dose; empty where the dose is reasonable."""
    if dose.mmol_per_kg <= MOST_BICARBONATE_MMOL:
        return Ways()
    return _base_ways(sample, dose.target_ph, dose.water_kg, bench)


def base_ceiling(totals: Totals) -> float:
    """Find the highest pH that up to 2.5 g/kg of bicarbonate gives with little air contact.

    References
    ----------
    Checked against PHREEQC in tests/reference/test_water_ways_phreeqc.py.

    Examples
    --------
    >>> tap = WaterSample("tap", ph=7.9, alkalinity_mg_l=150, temp_c=20)
    >>> round(base_ceiling(_likely(tap)), 1)
    8.1
    """
    amounts = np.concatenate([[0.0], np.geomspace(1e-5, END_BICARBONATE_MMOL * 1e-3, 80)])
    many = with_base(totals.part(np.zeros(amounts.size, dtype=int)), amounts)
    return float(np.max(closed(many).ph))


def no_base_reaches(sample: WaterSample, target_ph: float, *, water_kg: float, bench: Bench) -> str:
    """Say that bicarbonate cannot reach a pH, this water's own ceiling, and what can."""
    found = _base_ways(sample, target_ph, water_kg, bench)
    top = base_ceiling(_likely(sample))
    lines = [
        f"No amount of sodium bicarbonate up to 2.5 g in a kg brings {sample.name} to pH "
        f"{target_ph:g}: with little air its own ceiling is pH {math.floor(100 * top) / 100:.2f}."
    ]
    lines += [f"{i}. {way}." for i, way in enumerate(found.ways, start=1)]
    return "\n".join([*lines, *found.refused])


def _base_ways(sample: WaterSample, target_ph: float, water_kg: float, bench: Bench) -> Ways:
    """Work the ways to a higher pH out."""
    made = build_composition(sample)
    own = made.state.totals.part([0])
    ask = _Ask(target_ph, water_kg, "sodium bicarbonate", MOLAR_MASS["sodium bicarbonate"] / 1e3)
    found = [_standing(own, ask)]
    for water in _usable(bench.others):
        other = _likely(water)
        if closed(other).ph[0] > target_ph:
            share = _share_for_ph(own, other, target_ph)
            what = f"blend in {100 * share:.0f} % {water.name}"
            cost = _cost(water_kg, (sample, 1.0 - share), (water, share))
            blend = mixed([own, other], [1.0 - share, share])
            found.append(_base_way("blend", what, blend, ask, cost, _price(cost, sample, water)))
        what = f"use {water.name} alone"
        cost = _cost(water_kg, (water, 1.0))
        found.append(_base_way("source", what, other, ask, cost, _price(cost, water)))
    way, why_not = _over_calcite(made, ask, bench)
    found += [] if way is None else [way]
    return Ways(_ranked(found), (why_not,) if why_not else ())


def _over_calcite(made: Composition, ask: _Ask, bench: Bench) -> tuple[Alternative | None, str]:
    """Offer a filter over calcite where calcite dissolves; else say why not."""
    calcite = try_calcite(made, ask.target_ph)
    if not calcite.works:
        return None, calcite.refusal(ask.target_ph)
    mg = calcite.mg_per_kg
    what = f"filter over calcite, which dissolves {mg:.0f} mg/kg and adds as much hardness"
    per_l = bench.treated_per_l.get("calcite")
    cost = None if per_l is None else per_l * ask.water_kg
    price = (
        f"cost: {mg / 1000:.2g} kg of calcite for 1000 kg of water and the filter itself; give it "
        "in supply.toml as a supply called calcite (doughlab water cost --example)"
    )
    return _base_way("treatment", what, calcite.after, ask, cost, price), ""


def _standing(own: Totals, ask: _Ask) -> Alternative:
    """Let the water stand open: its pH passes the target, or stays below it."""
    aired = in_air(own)
    what = "let it stand open and stir, its CO2 leaves"
    if aired.ph[0] > ask.target_ph + _NEAR_PH:
        scale = " (scale may settle)" if float(calcite_index(aired)[0]) > 0 else ""
        what = (
            f"let it stand open and stir until the meter reads {ask.target_ph:g}, its CO2 leaves"
            f"{scale}"
        )
    return _base_way("stand", what, aired.totals, ask, 0.0, "")


def _ranked(found: list[Alternative]) -> tuple[Alternative, ...]:
    """Put first what needs no or less dose, then what costs less; what does not work drops out."""

    def key(way: Alternative) -> tuple[float, float]:
        return (round(way.mmol_per_kg, 1), np.inf if way.cost is None else way.cost)

    return tuple(sorted((w for w in found if np.isfinite(w.mmol_per_kg)), key=key))


@dataclass(frozen=True)
class _Ask:
    """Hold what was asked for: pH, water, and how much of what one mmol is."""

    target_ph: float
    water_kg: float
    agent: str
    grams_per_mmol: float

    def left(self, mmol: float) -> str:
        """Say what is still to be weighed for the batch."""
        if mmol <= 0:
            return ""
        return f"then {mmol * self.grams_per_mmol * self.water_kg:.3g} g {self.agent}"


def _acid_way(
    how: str, what: str, water: Totals, ask: _Ask, acid: str, lost: float, cost: float | None,
    price: str,
) -> Alternative:  # fmt: skip
    """Work one way out: its pH and the acid still needed."""
    ph = float(closed(water).ph[0])
    needed = float(acid_needed(water, ask.target_ph, acid=acid, lost_share=lost).added[0])
    mmol = needed * 1e3 if np.isfinite(needed) else 0.0
    left = ask.left(mmol)
    if mmol == 0.0 and ph < ask.target_ph - _NEAR_PH:
        left = f"already below {ask.target_ph:g} without acid, so let its CO2 leave or blend less"
    return Alternative(how, what, ph, mmol, cost, left, price)


def _base_way(
    how: str, what: str, water: Totals, ask: _Ask, cost: float | None, price: str
) -> Alternative:
    """Work one way out: its pH and the bicarbonate still needed; infinite where none reaches."""
    ph = float(closed(water).ph[0])
    mmol = 0.0
    if ph < ask.target_ph - _NEAR_PH:
        needed = base_needed(water, ask.target_ph).added[0]
        mmol = float(needed) * 1e3 if np.isfinite(needed) else np.inf
        mmol = mmol if mmol <= END_BICARBONATE_MMOL else np.inf
    return Alternative(how, what, ph, mmol, cost, ask.left(mmol), price)


def _price(cost: float | None, *waters: WaterSample, unit: bool = False) -> str:
    """Say which price is missing; empty where none is."""
    if cost is not None:
        return ""
    if unit and waters[-1].cost_per_l is None:
        return _NO_UNIT
    without = [w.name for w in waters if w.cost_per_l is None]
    return f"cost: not known, no cost_per_l for {' and '.join(without)} in waters.csv"


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
