"""Acid and base by weight: how many grams bring a water to a pH, and how sure.

Called by the water command, notebooks and cards; stands on composition and chemistry.
It leaves measured curves to titration and the choice of another water to alternatives.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from doughlab.errors import InputError, OutOfRange, UnknownName
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
    CACO3_MG_PER_MEQ,
    LOW_ALKALINITY_MG_L,
    MOLAR_MASS,
    TARGET_PH_HIGH,
    TARGET_PH_LOW,
)
from doughlab.water.dose import VESSELS, Bench, Dose, check_range
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
        "closed" (little air contact, never sealed), "covered" (part of the CO2 is lost) or "open"
        (until it agrees with the air).
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
    Checked against PHREEQC in tests/reference/test_acid_dose_parkhurst2013.py and
    test_phreeqc_live.py.

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
    _check_question(target_ph, water_kg, vessel)
    if acid not in ACIDS:
        raise UnknownName("acid", acid, ACIDS)
    grams_per_mol = product.grams_per_mol(acid)
    made = build_composition(sample)
    start = _at_reading(made, bench)
    before = float(_in_vessel(start, vessel, bench).ph[0])
    if not before > target_ph + 0.005:
        raise InputError(_no_acid_needed(sample, target_ph, before, vessel))
    lost = _lost_share(vessel, bench)
    needed = acid_needed(start, target_ph, acid=acid, lost_share=lost)
    mmol = np.nan_to_num(needed.added, nan=0.0) * 1e3
    weighed = _weigh(made, mmol, grams_per_mol / 1e3 * water_kg, product.doubt_pct, bench)
    given = weighed.product_g / (grams_per_mol / 1e3 * water_kg) * 1e-3
    doubt = given * product.doubt_pct / 100.0
    amounts = np.array([given] * len(made.labels) + [given - doubt, given + doubt])
    rows = [*range(len(made.labels)), 0, 0]
    dosed = with_acid(start.part(rows), acid, amounts)
    strength = replace(made, labels=(*made.labels, "strength low", "strength high"))
    reached = _in_vessel(dosed, vessel, bench)
    dose = _finish(strength, reached, vessel, weighed)
    flour = None
    if bench.flour_kg is not None:
        flour = given * ACIDS[acid].molar_mass * water_kg / bench.flour_kg
    dose = replace(
        dose,
        water=sample.name,
        agent=product.name,
        target_ph=target_ph,
        water_kg=water_kg,
        acid_g_per_kg_flour=flour,
        cautions=_cautions(sample, dosed, lemon=product.may_carry_sulphites),
    )
    ranked = alternatives.for_acid(sample, dose, acid=acid, others=bench.others)
    notes = acid_notes(sample, dose, acid=acid, made=made, reached=reached, scale_g=bench.scale_g)
    if product.label_note:
        notes = (product.label_note, *notes)
    return replace(dose, alternatives=ranked, notes=notes)


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
        4.5 to 8.3, above the water's pH. Bicarbonate has a ceiling near 8.3 without air.
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
        When the pH is already there, or no bicarbonate reaches it (with the alternatives).

    References
    ----------
    Checked against PHREEQC in tests/reference/test_acid_dose_parkhurst2013.py.

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
    before = float(_in_vessel(start, vessel, bench).ph[0])
    if not before < target_ph - 0.005:
        raise InputError(
            f"{sample.name} is at pH {before:.2f} ({vessel}); pH {target_ph:g} needs no "
            "bicarbonate. To lower it use acid."
        )
    needed = base_needed(start, target_ph, open_air=vessel == "open")
    if not np.isfinite(needed.added[0]):
        raise InputError(alternatives.no_base_reaches(sample, target_ph, others=bench.others))
    mmol = np.nan_to_num(needed.added, nan=0.0) * 1e3
    per_mmol = MOLAR_MASS["sodium bicarbonate"] / 1e3 * water_kg
    weighed = _weigh(made, mmol, per_mmol, 1.0, bench)
    given = weighed.product_g / per_mmol * 1e-3
    dosed = with_base(start, np.full(len(made.labels), given))
    dose = replace(
        _finish(made, _in_vessel(dosed, vessel, bench), vessel, weighed),
        water=sample.name,
        agent="sodium bicarbonate",
        target_ph=target_ph,
        water_kg=water_kg,
        sodium_mg_per_kg=given * 1e3 * MOLAR_MASS["sodium"],
        cautions=_cautions(sample, dosed, lemon=False),
    )
    ranked = alternatives.for_base(sample, dose, others=bench.others)
    notes = base_notes(sample, dose, made=made, scale_g=bench.scale_g)
    return replace(dose, alternatives=ranked, notes=notes)


def _check_question(target_ph: float, water_kg: float, vessel: str) -> None:
    """Refuse targets, amounts and vessels that are not dosed."""
    if not TARGET_PH_LOW <= target_ph <= TARGET_PH_HIGH:
        raise OutOfRange(
            f"A target of pH {target_ph:g} is not dosed; {TARGET_PH_LOW} to {TARGET_PH_HIGH} is "
            "the range. Choose a target inside it.",
            value=target_ph, low=TARGET_PH_LOW, high=TARGET_PH_HIGH,
        )  # fmt: skip
    check_range("water_kg", water_kg, 0.05, 5000.0)
    if vessel not in VESSELS:
        raise UnknownName("vessel", vessel, VESSELS)


def _lost_share(vessel: str, bench: Bench) -> float:
    """Give the share of dissolved CO2 that the vessel loses."""
    return {"closed": 0.0, "covered": bench.co2_lost_pct / 100.0, "open": 1.0}[vessel]


def _at_reading(made: Composition, bench: Bench) -> Totals:
    """Give the undosed water at the temperature of the reading."""
    totals = made.state.totals
    if bench.read_temp_c is None:
        return totals
    return at_temperature(totals, bench.read_temp_c)


def _in_vessel(totals: Totals, vessel: str, bench: Bench) -> State:
    """Solve a water as it is read in its vessel; the totals are those that are left."""
    if vessel == "open":
        return in_air(totals)
    state = closed(totals)
    return after_loss(state, _lost_share(vessel, bench)) if vessel == "covered" else state


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


def _finish(made: Composition, reached: State, vessel: str, weighed: _Weighed) -> Dose:
    """Put the numbers of a dose together; names are filled in by the caller."""
    low, high = made.range_of(reached.ph)
    aired = float(in_air(reached.totals.part([0])).ph[0])
    return Dose(
        "", "", math.nan, math.nan, vessel,
        weighed.mmol, weighed.mmol_low, weighed.mmol_high,
        weighed.product_g, weighed.low_g, weighed.high_g,
        float(reached.ph[0]), low, high, aired, float(reached.totals.temp_c[0]),
    )  # fmt: skip


def _cautions(sample: WaterSample, dosed: Totals, *, lemon: bool) -> tuple[str, ...]:
    """Choose the cautions of a dose: what acid leaves of the alkalinity counts too."""
    left = float(dosed.alkalinity[0] - dosed.acid[0]) * 1e3 * CACO3_MG_PER_MEQ
    low = min(left, float(sample.alkalinity_mg_l or 0.0)) < 2 * LOW_ALKALINITY_MG_L
    return list_cautions(lemon=lemon, low_alkalinity=low, laboratory=bool(sample.needs_laboratory))


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
        more = f" In a {vessel} vessel this water comes to pH {ph:.2f}."
    return (
        f"{sample.name} is at pH {ph:.2f}; pH {target_ph:g} needs no acid.{more} "
        "Read it again before mixing; to raise it see base_dose."
    )
