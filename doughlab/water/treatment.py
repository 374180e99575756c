"""What a treatment makes of a water: softener, reverse osmosis, hardness added back.

Called by alternatives, the water command and notebooks; a treated water is a sample again.
It leaves mixing to blending and the cost of a unit to supply.
"""

from __future__ import annotations

from typing import Any

from doughlab.errors import InputError, OutOfRange, UnknownName
from doughlab.water.chemistry import closed
from doughlab.water.composition import build_composition
from doughlab.water.constants import CHARGE, HARDNESS_MMOL_L, MOLAR_MASS, WATER_KG_PER_L
from doughlab.water.sample import WaterSample
from doughlab.water.speciation import Totals

# Salts that add hardness: ions of one mol.
SALTS = {
    "calcium chloride": {"calcium": 1, "chloride": 2},
    "calcium sulphate": {"calcium": 1, "sulphate": 1},
    "magnesium sulphate": {"magnesium": 1, "sulphate": 1},
}


def soften(sample: WaterSample, *, hardness_left_mg_l: float = 5.0) -> WaterSample:
    """Exchange hardness for sodium, as an ion-exchange softener does.

    Alkalinity stays: a softened water takes as much acid as before.

    Parameters
    ----------
    sample : WaterSample
        Hardness (or calcium and magnesium), pH and alkalinity known.
    hardness_left_mg_l : float
        Hardness after the softener, mg/L as CaCO3.

    Raises
    ------
    InputError
        When the hardness is missing or lower than what is to be left.

    Examples
    --------
    >>> tap = WaterSample("tap", ph=7.8, alkalinity_mg_l=150, hardness_mg_l=200, sodium_mg_l=14)
    >>> soft = soften(tap)
    >>> soft.alkalinity_mg_l, round(soft.sodium_mg_l)
    (150, 104)
    """
    hardness = sample.known_hardness_mg_l
    if hardness is None:
        raise InputError(f"{sample.name}: the hardness is missing, so the sodium added is unknown.")
    if not 0 <= hardness_left_mg_l <= hardness:
        raise InputError(
            f"{sample.name}: hardness {hardness:g} mg/L cannot be softened to "
            f"{hardness_left_mg_l:g} mg/L. Give a value between 0 and {hardness:g}."
        )
    own = _likely(sample)
    kept = 1.0 if hardness == 0 else hardness_left_mg_l / hardness
    gone = (own.calcium + own.magnesium) * (1 - kept)
    after = own.changed(
        calcium=own.calcium * kept, magnesium=own.magnesium * kept, sodium=own.sodium + 2 * gone
    )
    removed = (hardness - hardness_left_mg_l) / HARDNESS_MMOL_L
    sodium = sample.sodium_mg_l
    return sample.changed(
        kind="softened",
        ph=float(closed(after).ph[0]),
        hardness_mg_l=hardness_left_mg_l,
        calcium_mg_l=None if sample.calcium_mg_l is None else sample.calcium_mg_l * kept,
        magnesium_mg_l=None if sample.magnesium_mg_l is None else sample.magnesium_mg_l * kept,
        sodium_mg_l=None if sodium is None else sodium + 2 * removed * MOLAR_MASS["sodium"],
        treatment=_chain(sample, f"softened to {hardness_left_mg_l:g} mg/L hardness"),
        cost_per_l=None,
        **_carried(sample),
    )


def reverse_osmosis(sample: WaterSample, *, rejection_pct: float = 95.0) -> WaterSample:
    """Hold back a stated share of the ions, as a membrane does; CO2 passes.

    The pH falls, because the CO2 that passes finds little alkalinity.

    Parameters
    ----------
    sample : WaterSample
        The feed; pH and alkalinity known.
    rejection_pct : float
        Stated rejection, 50 to 99.9 %, taken alike for all ions.

    Raises
    ------
    OutOfRange
        For a rejection outside that range.

    Examples
    --------
    >>> tap = WaterSample("tap", ph=7.8, alkalinity_mg_l=150, hardness_mg_l=200, temp_c=20)
    >>> ro = reverse_osmosis(tap, rejection_pct=96)
    >>> ro.alkalinity_mg_l, ro.ph < 7
    (6.0, True)
    """
    if not 50.0 <= rejection_pct <= 99.9:
        raise OutOfRange(
            f"A rejection of {rejection_pct:g} % lies outside 50 to 99.9 %. Take it from the data "
            "sheet or from conductivity before and after.",
            value=rejection_pct, low=50.0, high=99.9,
        )  # fmt: skip
    left = (100.0 - rejection_pct) / 100.0
    state = build_composition(sample, vary=False).state
    own, gas = state.totals, state.co2
    after = own.changed(
        alkalinity=own.alkalinity * left,
        carbon=gas + (own.carbon - gas) * left,
        calcium=own.calcium * left,
        magnesium=own.magnesium * left,
        sodium=own.sodium * left,
        sulphate=own.sulphate * left,
        inert=own.inert * left,
        acid=own.acid * left,
    )
    names = [f"{ion}_mg_l" for ion in ("alkalinity", "hardness", *CHARGE)]
    carried = {
        n: round(getattr(sample, n) * left, 9) for n in names if getattr(sample, n) is not None
    }
    return sample.changed(
        name=f"{sample.name} by reverse osmosis",
        kind="reverse osmosis",
        ph=float(closed(after).ph[0]),
        acid_mmol_kg=sample.acid_mmol_kg * left,
        treatment=_chain(sample, f"reverse osmosis, {rejection_pct:g} % rejection"),
        cost_per_l=None,
        **carried,
        **_carried(sample),
    )


def add_hardness(sample: WaterSample, salts_mg_l: dict[str, float]) -> WaterSample:
    """Add hardness back with salts that carry no alkalinity.

    Parameters
    ----------
    sample : WaterSample
        pH and alkalinity known; calcium, magnesium, chloride and sulphate count as 0 where a
        reverse-osmosis water does not give them, calcium and magnesium only without its hardness.
    salts_mg_l : dict
        Anhydrous salt -> mg/L: calcium chloride, calcium sulphate, magnesium sulphate.

    Raises
    ------
    UnknownName, InputError
        For a salt that is not known, a negative amount, or calcium sulphate over 2000 mg/L (it
        does not dissolve).

    Examples
    --------
    >>> ro = WaterSample("ro", kind="reverse osmosis", ph=5.8, alkalinity_mg_l=5, temp_c=20,
    ...                  calcium_mg_l=0, magnesium_mg_l=0)
    >>> hard = add_hardness(ro, {"calcium chloride": 55.5, "magnesium sulphate": 30.1})
    >>> round(hard.known_hardness_mg_l)
    75
    """
    added = dict.fromkeys(("calcium", "magnesium", "chloride", "sulphate"), 0.0)  # mmol/L
    for salt, mg in salts_mg_l.items():
        if salt not in SALTS:
            raise UnknownName("salt", salt, SALTS)
        if not 0 <= mg <= 2000:
            raise InputError(f"{salt} {mg:g} mg/L lies outside 0 to 2000. Give mg per litre.")
        for ion, count in SALTS[salt].items():
            added[ion] += count * mg / MOLAR_MASS[salt]
    own = _likely(sample)
    mol = {ion: mmol * 1e-3 / WATER_KG_PER_L for ion, mmol in added.items()}
    after = own.changed(
        calcium=own.calcium + mol["calcium"],
        magnesium=own.magnesium + mol["magnesium"],
        sulphate=own.sulphate + mol["sulphate"],
        inert=own.inert + mol["chloride"],
    )
    soft = sample.kind == "reverse osmosis"
    known = {}
    for ion, mmol in added.items():
        before = getattr(sample, f"{ion}_mg_l")
        unsaid = ion in ("chloride", "sulphate") or not sample.hardness_mg_l
        before = 0.0 if before is None and soft and unsaid else before
        known[f"{ion}_mg_l"] = None if before is None else before + mmol * MOLAR_MASS[ion]
    gained = (added["calcium"] + added["magnesium"]) * HARDNESS_MMOL_L
    old = 0.0 if sample.hardness_mg_l is None and soft else sample.hardness_mg_l
    said = " + ".join(f"{mg:g} mg/L {salt}" for salt, mg in salts_mg_l.items())
    return sample.changed(
        name=f"{sample.name} with hardness",
        kind="adjusted",
        ph=float(closed(after).ph[0]),
        hardness_mg_l=None if old is None else old + gained,
        treatment=_chain(sample, f"{said} added"),
        **known,
        **_carried(sample),
    )


def _likely(sample: WaterSample) -> Totals:
    """Give the likely totals of a water."""
    return build_composition(sample, vary=False).state.totals


def _chain(sample: WaterSample, step: str) -> str:
    """Add a step to the treatment chain."""
    return f"{sample.treatment}, {step}" if sample.treatment else step


def _carried(sample: WaterSample) -> dict[str, Any]:
    """Drop what was measured before the treatment; keep the reason for a laboratory."""
    return {
        "conductivity_us_cm": None,
        "dissolved_solids_mg_l": None,
        "laboratory_reason": sample.needs_laboratory,
    }
