"""Acid and base by weight: how many grams bring a water to a pH, and how sure.

Called by the water command, notebooks and cards; stands on composition and chemistry.
It leaves measured curves to titration and the choice of another water to alternatives.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from doughlab.errors import InputError, UnknownName
from doughlab.water import alternatives
from doughlab.water.cautions import list_cautions
from doughlab.water.chemistry import (
    acid_needed,
    after_loss,
    at_temperature,
    base_needed,
    closed,
    in_air,
    with_acid,
    with_base,
)
from doughlab.water.composition import Composition, build_composition
from doughlab.water.constants import (
    ACIDS,
    AIR_LOG_PCO2,
    CACO3_MG_PER_MEQ,
    KITCHEN_LOG_PCO2,
    LOW_ALKALINITY_MG_L,
    MOLAR_MASS,
)
from doughlab.water.dose import VESSELS, Bench, Dose, check_ask, in_vessel
from doughlab.water.dose_notes import acid_notes, base_notes
from doughlab.water.products import AcidProduct
from doughlab.water.sample import WaterSample
from doughlab.water.speciation import State, Totals
from doughlab.water.species import Array


def acid_dose(
    sample: WaterSample,
    target_ph: float,
    *,
    acid: str,
    water_kg: float,
    product: AcidProduct,
    vessel: str = "closed",
    bench: Bench | None = None,
) -> Dose:
    """Find the grams of an acid product that bring a water to a pH.

    Parameters
    ----------
    sample : WaterSample
        Needs pH and alkalinity.
    target_ph : float
        4.5 to 8.3, below the water's pH.
    acid : str
        acetic, citric or lactic.
    water_kg : float
        Water to dose, 0.05 to 5000 kg.
    product : AcidProduct
        What is poured.
    vessel : str
        "closed" (little air contact, never sealed), "covered" (the bench's share of the CO2 is
        lost) or "open" (until it agrees with the air).
    bench : Bench, optional
        Scale, flour, temperature, other waters.

    Returns
    -------
    Dose
        Grams with a 95 % range, pH reached, pH after air, notes and cautions.

    Raises
    ------
    InputError
        When alkalinity or pH is missing (with how to get it), or no acid is needed.
    OutOfRange
        For a target outside 4.5 to 8.3.

    References
    ----------
    Carbonate constants of Plummer and Busenberg (1982), Geochim. Cosmochim. Acta 46, 1011; other
    acids of minteq.v4.dat (U.S. EPA) and phreeqc.dat (U.S. Geological Survey); activity by Davies
    (1962). Constants stand in `doughlab.water.constants`. Checked against PHREEQC in
    tests/reference/test_acid_dose_parkhurst2013.py and test_phreeqc_live.py.

    Examples
    --------
    >>> tap = WaterSample(name="tap", ph=7.9, alkalinity_mg_l=150, calcium_mg_l=60,
    ...                   sodium_mg_l=20, temp_c=18)
    >>> dose = acid_dose(tap, target_ph=6.2, acid="acetic", water_kg=12, vessel="closed",
    ...                  product=AcidProduct("white vinegar", strength_pct=5, basis="w/v"))
    >>> round(dose.mmol_per_kg, 2), round(dose.product_g), round(dose.ph_after_air, 1)
    (1.8, 26, 8.2)
    """
    bench = bench or Bench()
    _check_question(target_ph, water_kg, vessel, acid)
    grams_per_mmol = product.grams_per_mol(acid) / 1e3
    made = build_composition(sample)
    start = _at_reading(made, bench)
    lost, ends = _lost_shares(vessel, bench)
    before = float(_in_vessel(start.part([0]), vessel, lost).ph[0])
    if not before > target_ph + 0.005:
        raise InputError(_no_acid_needed(sample, target_ph, before, vessel))
    wide = replace(made, labels=(*made.labels, *(e.label for e in ends)))
    mmol = _needed_mmol(start, target_ph, acid, lost, ends)
    weighed = _weigh(wide, mmol, grams_per_mmol * water_kg, product.doubt_pct, bench)
    given = weighed.product_g / (grams_per_mmol * water_kg) * 1e-3
    doubt = given * product.doubt_pct / 100.0
    amounts = np.array([given] * len(wide.labels) + [given - doubt, given + doubt])
    rows = [*range(len(made.labels)), *[0] * (len(ends) + 2)]
    shares = np.array([lost] * len(made.labels) + [*(e.lost for e in ends), lost, lost])
    airs = _airs(len(made.labels), ends, after=2)
    dosed = with_acid(start.part(rows), acid, amounts)
    reached = _in_vessel(dosed, vessel, shares, airs)
    strength = replace(wide, labels=(*wide.labels, "strength low", "strength high"))
    acid_g = given * ACIDS[acid].molar_mass * water_kg
    dose = replace(
        _finish(strength, reached, vessel, weighed, bench),
        water=sample.name,
        agent=product.name,
        target_ph=target_ph,
        water_kg=water_kg,
        acid_g_per_kg_flour=None if bench.flour_kg is None else acid_g / bench.flour_kg,
        cautions=_cautions(sample, dosed, product),
        concentrated=product.concentrated,
        co2_lost_pct=bench.co2_lost if vessel == "covered" else (100.0 * lost,) * 3,
    )
    notes = acid_notes(sample, dose, acid=acid, made=made, reached=reached, scale_g=bench.scale_g)
    found = alternatives.for_acid(
        sample, dose, acid=acid, grams_per_mmol=grams_per_mmol, bench=bench
    )
    first = _product_notes(sample, dose, product, bench)
    return replace(dose, alternatives=found.ways, notes=(*first, *notes))


def _needed_mmol(
    start: Totals, target_ph: float, acid: str, lost: float, ends: tuple[_End, ...]
) -> Array:
    """Find the acid of every row, mmol/kg, then that of the likely row at other losses of CO2."""
    needed = [acid_needed(start, target_ph, acid=acid, lost_share=lost).added]
    needed += [
        acid_needed(
            start.part([0]), target_ph, acid=acid, lost_share=e.lost, log_pco2=e.log_pco2
        ).added
        for e in ends
    ]
    return np.asarray(np.nan_to_num(np.concatenate(needed), nan=0.0) * 1e3)


def _product_notes(
    sample: WaterSample, dose: Dose, product: AcidProduct, bench: Bench
) -> list[str]:
    """Say what is odd about the bottle, and offer vinegar for a concentrated one."""
    notes = [product.label_note] if product.label_note else []
    if product.concentrated and product.liquid:
        notes.append(_vinegar_words(sample, dose, bench))
    return notes


def _vinegar_words(sample: WaterSample, dose: Dose, bench: Bench) -> str:
    """Offer ordinary vinegar for the same pH, with its grams."""
    vinegar = AcidProduct("ordinary white vinegar", 5.0, "w/v")
    same = acid_dose(
        sample, dose.target_ph, acid="acetic", water_kg=dose.water_kg, product=vinegar,
        vessel=dose.vessel, bench=bench,
    )  # fmt: skip
    grams, low, high = (
        f"{v:.{same.decimals}f}" for v in (same.product_g, same.product_low_g, same.product_high_g)
    )
    return (
        f"Ordinary white vinegar (5 %) does the same without goggles: {grams} g ({low} to {high}) "
        f"into {dose.water_kg:.4g} kg."
    )


def base_dose(
    sample: WaterSample,
    target_ph: float,
    *,
    water_kg: float,
    vessel: str = "closed",
    bench: Bench | None = None,
) -> Dose:
    """Find the grams of sodium bicarbonate that raise a water to a pH.

    Parameters
    ----------
    sample : WaterSample
        Needs pH and alkalinity.
    target_ph : float
        4.5 to 8.3, above the water's pH. Each water has its own ceiling without air, below 8.3.
    water_kg : float
        Water to dose, 0.05 to 5000 kg.
    vessel : str
        "closed" or "open".
    bench : Bench, optional
        Scale, temperature, other waters.

    Returns
    -------
    Dose
        As `acid_dose`; with sodium added. Alternatives are ranked where it is a lot.

    Raises
    ------
    InputError
        When the pH is already there, or no bicarbonate up to 2.5 g/kg reaches it (with the
        alternatives).
    UnknownName
        For a vessel other than "closed" or "open".

    References
    ----------
    Constants as in `acid_dose`. Checked against PHREEQC in
    tests/reference/test_acid_dose_parkhurst2013.py.

    Examples
    --------
    >>> ro = WaterSample("ro", kind="reverse osmosis", ph=5.6, alkalinity_mg_l=2, temp_c=20)
    >>> base_dose(ro, 6.5, water_kg=10, bench=Bench(scale_g=0.01)).product_g
    0.26
    """
    bench = bench or Bench()
    _check_question(target_ph, water_kg, vessel)
    if vessel == "covered":
        raise UnknownName("vessel for bicarbonate", vessel, ("closed", "open"))
    made = build_composition(sample)
    start = _at_reading(made, bench)
    before = float(_in_vessel(start, vessel, 0.0).ph[0])
    if not before < target_ph - 0.005:
        raise InputError(
            f"{sample.name} is at pH {before:.2f} {in_vessel(vessel)}; pH {target_ph:g} needs no "
            "bicarbonate. To lower it use acid."
        )
    _, ends = _lost_shares(vessel, bench)
    wide = replace(made, labels=(*made.labels, *(e.label for e in ends)))
    each = start.part([*range(len(made.labels)), *[0] * len(ends)])
    airs = _airs(len(made.labels), ends)
    mmol, edge = _base_mmol(each, target_ph, vessel, airs)
    if not mmol[0] <= alternatives.END_BICARBONATE_MMOL:  # nor where it is nan
        raise InputError(
            alternatives.no_base_reaches(sample, target_ph, water_kg=water_kg, bench=bench)
        )
    per_mmol = MOLAR_MASS["sodium bicarbonate"] / 1e3 * water_kg
    weighed = _weigh(wide, mmol, per_mmol, 1.0, bench)
    given = weighed.product_g / per_mmol * 1e-3
    dosed = with_base(each, np.full(len(each), given))
    dose = replace(
        _finish(wide, _in_vessel(dosed, vessel, 0.0, airs), vessel, weighed, bench),
        water=sample.name,
        agent="sodium bicarbonate",
        target_ph=target_ph,
        water_kg=water_kg,
        sodium_mg_per_kg=given * 1e3 * MOLAR_MASS["sodium"],
        cautions=_cautions(sample, dosed, None),
    )
    found = alternatives.for_base(sample, dose, bench=bench)
    ceiling = alternatives.base_ceiling(start.part([0])) if vessel == "closed" else None
    notes = base_notes(sample, dose, made=made, scale_g=bench.scale_g, ceiling=ceiling, edge=edge)
    return replace(dose, alternatives=found.ways, notes=(*found.refused, *notes))


def _base_mmol(totals: Totals, target_ph: float, vessel: str, airs: Array) -> tuple[Array, bool]:
    """Find the bicarbonate of every row, mmol/kg, and whether it runs out of reach for one.

    A row that is at the pH already takes none; one that no amount brings there counts as the most
    that is dosed, and the answer says so.
    """
    needed = base_needed(totals, target_ph, open_air=vessel == "open", log_pco2=airs).added * 1e3
    below = _in_vessel(totals, vessel, 0.0, airs).ph < target_ph
    out = below & ~(needed <= alternatives.END_BICARBONATE_MMOL)
    most = alternatives.END_BICARBONATE_MMOL
    mmol = np.where(out, np.fmax(needed, most), np.nan_to_num(needed, nan=0.0))
    if out[0]:
        mmol[0] = np.nan
    return mmol, bool(out.any())


def _check_question(
    target_ph: float, water_kg: float, vessel: str, acid: str | None = None
) -> None:
    """Refuse targets, amounts, vessels and acids that are not dosed."""
    check_ask(target_ph, water_kg)
    if vessel not in VESSELS:
        raise UnknownName("vessel", vessel, VESSELS)
    if acid is not None and acid not in ACIDS:
        raise UnknownName("acid", acid, ACIDS)


@dataclass(frozen=True)
class _End:
    """Hold one end of what is not known of a vessel: share of CO2 lost, and the air above it."""

    label: str
    lost: float
    log_pco2: float = AIR_LOG_PCO2


def _lost_shares(vessel: str, bench: Bench) -> tuple[float, tuple[_End, ...]]:
    """Give the share of dissolved CO2 that the vessel loses, and the ends of what is not known.

    What a lid lets out is not known well, and a kitchen's air holds more CO2 than the outdoors.
    """
    if vessel == "closed":
        return 0.0, ()
    if vessel == "open":
        return 1.0, (_End("air high", 1.0, KITCHEN_LOG_PCO2),)
    likely, low, high = (alternatives.covered_share(share) for share in bench.co2_lost)
    return likely, (_End("gas low", low), _End("gas high", high))


def _airs(rows: int, ends: tuple[_End, ...], *, after: int = 0) -> Array:
    """Give the air of each row: outdoors, but for the ends that vary it."""
    return np.array([AIR_LOG_PCO2] * rows + [e.log_pco2 for e in ends] + [AIR_LOG_PCO2] * after)


def _at_reading(made: Composition, bench: Bench) -> Totals:
    """Give the undosed water at the temperature of the reading."""
    totals = made.state.totals
    if bench.read_temp_c is None:
        return totals
    return at_temperature(totals, bench.read_temp_c)


def _in_vessel(totals: Totals, vessel: str, lost: Any, log_pco2: Any = AIR_LOG_PCO2) -> State:
    """Solve a water as it is read in its vessel; the totals are those that are left."""
    if vessel == "open":
        return in_air(totals, log_pco2=log_pco2)
    state = closed(totals)
    return after_loss(state, lost) if vessel == "covered" else state


@dataclass(frozen=True)
class _Weighed:
    """Grams at the scale's resolution and the exact amounts behind them."""

    mmol: float
    mmol_low: float
    mmol_high: float
    product_g: float
    low_g: float
    high_g: float


def _weigh(
    made: Composition, mmol: Array, grams_per_mmol: float, doubt_pct: float, bench: Bench
) -> _Weighed:
    """Turn mmol per kg of every row into grams of product with their range."""
    likely = float(mmol[0])
    low, high = made.range_of(mmol)
    low = max(low, 0.0)
    weaker = likely * doubt_pct / (100.0 - doubt_pct)
    stronger = likely * doubt_pct / (100.0 + doubt_pct)
    low_all = likely - math.hypot(likely - low, stronger)
    high_all = likely + math.hypot(high - likely, weaker)
    grams = [_rounded(v * grams_per_mmol, bench.scale_g) for v in (likely, low_all, high_all)]
    return _Weighed(likely, low, high, grams[0], max(grams[1], 0.0), grams[2])


def _rounded(grams: float, scale_g: float) -> float:
    """Round to what the scale can show."""
    digits = max(0, -math.floor(math.log10(scale_g))) + 1
    return round(round(grams / scale_g) * scale_g, digits)


def _finish(
    made: Composition, reached: State, vessel: str, weighed: _Weighed, bench: Bench
) -> Dose:
    """Put the numbers of a dose together; names are filled in by the caller."""
    low, high = made.range_of(reached.ph)
    aired = float(in_air(reached.totals.part([0])).ph[0])
    return Dose(
        "", "", math.nan, math.nan, vessel,
        weighed.mmol, weighed.mmol_low, weighed.mmol_high,
        weighed.product_g, weighed.low_g, weighed.high_g,
        float(reached.ph[0]), low, high, aired, float(reached.totals.temp_c[0]),
        show_temp=bench.show_temp,
    )  # fmt: skip


def _cautions(sample: WaterSample, dosed: Totals, product: AcidProduct | None) -> tuple[str, ...]:
    """Choose the cautions of a dose: what acid leaves of the alkalinity counts too."""
    left = float(dosed.alkalinity[0] - dosed.acid[0]) * 1e3 * CACO3_MG_PER_MEQ
    return list_cautions(
        lemon=product is not None and product.may_carry_sulphites,
        low_alkalinity=min(left, float(sample.alkalinity_mg_l or 0.0)) < 2 * LOW_ALKALINITY_MG_L,
        laboratory=bool(sample.needs_laboratory),
        concentrated=product is not None and product.concentrated,
    )


def dose_table(
    sample: WaterSample, grams: Any, *, acid: str, water_kg: float, product: AcidProduct
) -> dict[str, Array]:
    """Give the pH against grams of a product, closed and open; for a picture.

    Parameters
    ----------
    grams : array, shape (n,)
        Grams of the product into `water_kg`.

    Returns
    -------
    dict of array, shape (n,)
        grams, mmol_per_kg, ph_closed, ph_open.

    Examples
    --------
    >>> tap = WaterSample("tap", ph=7.9, alkalinity_mg_l=150, calcium_mg_l=60, temp_c=18)
    >>> vinegar = AcidProduct("white vinegar", 5, "w/v")
    >>> curve = dose_table(tap, [0, 2.2], acid="acetic", water_kg=1, product=vinegar)
    >>> [round(float(ph), 1) for ph in curve["ph_closed"]]
    [7.9, 6.2]
    """
    amount = np.atleast_1d(np.asarray(grams, dtype=float))
    mmol = amount / product.grams_per_mol(acid) * 1e3 / water_kg
    likely = build_composition(sample, vary=False).state.totals
    many = with_acid(likely.part(np.zeros(amount.size, dtype=int)), acid, mmol * 1e-3)
    return {
        "grams": amount,
        "mmol_per_kg": mmol,
        "ph_closed": closed(many).ph,
        "ph_open": in_air(many).ph,
    }


def _no_acid_needed(sample: WaterSample, target_ph: float, ph: float, vessel: str) -> str:
    """Say that the water is already there, and what then."""
    more = ""
    if vessel != "closed":
        more = f" {in_vessel(vessel).capitalize()} this water comes to pH {ph:.2f}."
    return (
        f"{sample.name} is at pH {ph:.2f}; pH {target_ph:g} needs no acid.{more} Read it again "
        "before mixing; to raise it ask for sodium bicarbonate (soda)."
    )
