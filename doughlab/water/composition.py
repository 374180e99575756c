"""Fill in what a water may hold: the likely composition and its extremes.

Called by dosing, blending and quality; what is assumed is said in words, never stored.
It leaves the sample itself, with its gaps, to sample and the solving to chemistry.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from doughlab.errors import InputError
from doughlab.water.chemistry import known_water
from doughlab.water.constants import CACO3_MG_PER_MEQ, HARDNESS_MMOL_L, WATER_KG_PER_L
from doughlab.water.sample import PH_PLUS_MINUS, WaterSample
from doughlab.water.speciation import State
from doughlab.water.species import Array

DEFAULT_TEMP_C = 20.0
TEMP_PLUS_MINUS_C = 5.0
_MOST_CO2 = 0.25  # mol/kg, about 7 atm at 20 C; sparkling waters hold 0.1 to 0.15
_SOFT_KINDS = ("softened", "reverse osmosis")

HOW_TO_GET_ALKALINITY = (
    "{name}: the alkalinity is missing, and pH alone gives no dose. Get it one of these ways: a "
    "few weighed additions of vinegar with pH readings (doughlab water titrate), the supplier's "
    "report or the bottle's label (bicarbonate in mg/L also does), or a test kit for alkalinity."
)


@dataclass(frozen=True)
class Composition:
    """Hold what a water is taken to be, with its extremes.

    Attributes
    ----------
    sample : WaterSample
        As known.
    labels : tuple of str
        What each row varies: "likely" first, then pairs such as "hardness low".
    state : State
        n solved rows, in the order of `labels`; an extreme that cannot be is left out.
    assumed : tuple of str
        What was filled in, in words.
    """

    sample: WaterSample
    labels: tuple[str, ...]
    state: State
    assumed: tuple[str, ...]

    def range_of(self, values: Array) -> tuple[float, float]:
        """Give the 95 % range of a result from its value in every row.

        The two rows of one cause give its deviation down and up; independent causes add by
        their squares.

        Examples
        --------
        >>> tap = WaterSample("tap", ph=7.9, alkalinity_mg_l=150, calcium_mg_l=60, temp_c=18)
        >>> c = build_composition(tap)
        >>> low, high = c.range_of(c.state.totals.alkalinity)
        >>> bool(low < c.state.totals.alkalinity[0] < high)
        True
        """
        likely = float(values[0])
        down = up = 0.0
        causes = sorted({label.rsplit(" ", 1)[0] for label in self.labels[1:]})
        for cause in causes:
            rows = [i for i, n in enumerate(self.labels) if n.rsplit(" ", 1)[0] == cause]
            moved = [float(values[i]) - likely for i in rows if np.isfinite(values[i])]
            down += min([0.0, *moved]) ** 2
            up += max([0.0, *moved]) ** 2
        return likely - down**0.5, likely + up**0.5


def alkalinity_meq_kg(mg_l: float) -> float:
    """Turn mg/L as CaCO3 into meq per kg of water (at 20 C, where reports count litres).

    Examples
    --------
    >>> round(alkalinity_meq_kg(100), 4)
    2.0018
    """
    return mg_l / CACO3_MG_PER_MEQ / WATER_KG_PER_L


def build_composition(sample: WaterSample, *, vary: bool = True) -> Composition:
    """Build the likely composition of a water and, row by row, its extremes.

    Parameters
    ----------
    sample : WaterSample
        Needs pH and alkalinity.
    vary : bool
        Whether the extremes are wanted beside the likely row.

    Returns
    -------
    Composition
        Rows: likely; alkalinity, pH, and where unknown hardness and temperature, low and high.

    Raises
    ------
    InputError
        When pH or alkalinity is missing, with how to get it.

    Examples
    --------
    >>> tap = WaterSample("tap", ph=7.9, alkalinity_mg_l=150, calcium_mg_l=60, temp_c=18)
    >>> build_composition(tap).labels[:3]
    ('likely', 'alkalinity low', 'alkalinity high')
    """
    if sample.alkalinity_mg_l is None or sample.alkalinity_range_mg_l is None:
        raise InputError(HOW_TO_GET_ALKALINITY.format(name=sample.name) + _bound_words(sample))
    if sample.ph is None:
        raise InputError(
            f"{sample.name}: the pH is missing. Read it with a calibrated meter, in a fresh "
            "sample, and note its temperature."
        )
    metals, assumed = _metals(sample)
    temp = DEFAULT_TEMP_C if sample.temp_c is None else sample.temp_c
    low, high = sample.alkalinity_range_mg_l
    likely = {"alkalinity": sample.alkalinity_mg_l, "ph": sample.ph, "temp_c": temp, "metals": 0}
    rows: list[tuple[str, dict[str, float]]] = [("likely", likely)]
    if vary:
        rows += [("alkalinity low", likely | {"alkalinity": low})]
        rows += [("alkalinity high", likely | {"alkalinity": high})]
        rows += [("ph low", likely | {"ph": sample.ph - PH_PLUS_MINUS})]
        rows += [("ph high", likely | {"ph": sample.ph + PH_PLUS_MINUS})]
        if len(metals) > 1:
            rows += [("hardness low", likely | {"metals": 1})]
            rows += [("hardness high", likely | {"metals": 2})]
        if sample.temp_c is None:
            rows += [("temperature low", likely | {"temp_c": temp - TEMP_PLUS_MINUS_C})]
            rows += [("temperature high", likely | {"temp_c": temp + TEMP_PLUS_MINUS_C})]
    if sample.temp_c is None:
        assumed.append(f"temperature not given: {temp:g} C taken, 5 C either way in the range")
    state = _solve_rows(sample, metals, [r for _, r in rows])
    exist = np.flatnonzero(np.isfinite(state.totals.carbon))
    labels = tuple(rows[i][0] for i in exist)
    return Composition(sample, labels, state.part(exist), tuple(assumed))


def _bound_words(sample: WaterSample) -> str:
    """Say where the missing alkalinity lies by the other ions; empty where too few are known."""
    from doughlab.water.quality import bound_alkalinity

    try:
        low, high = bound_alkalinity(sample)
    except InputError:
        return ""
    return (
        f" By its other ions it lies between {low:.0f} and {high:.0f} mg/L; no dose is made from "
        "that."
    )


def _solve_rows(
    sample: WaterSample, metals: list[tuple[float, float]], rows: list[dict[str, float]]
) -> State:
    """Solve every row; only the likely one must exist."""
    alkalinity = np.array([alkalinity_meq_kg(r["alkalinity"]) for r in rows])
    calcium = np.array([metals[int(r["metals"])][0] for r in rows])
    magnesium = np.array([metals[int(r["metals"])][1] for r in rows])
    ions = _other_ions(sample, alkalinity, calcium, magnesium)
    state = known_water(
        ph=np.array([r["ph"] for r in rows]),
        alkalinity_meq_kg=alkalinity,
        temp_c=np.array([r["temp_c"] for r in rows]),
        acid_name=sample.acid,
        acid_mmol_kg=sample.acid_mmol_kg,
        refuse=False,
        calcium=calcium,
        magnesium=magnesium,
        **ions,
    )
    if not np.isfinite(state.totals.carbon[0]):
        raise InputError(
            f"{sample.name}: pH {sample.ph:g} and an alkalinity of {sample.alkalinity_mg_l:g} mg/L "
            "cannot belong to one water. Read the pH again, or give the alkalinity of this water."
        )
    if state.co2[0] > _MOST_CO2:
        raise InputError(
            f"{sample.name}: pH {sample.ph:g} with an alkalinity of {sample.alkalinity_mg_l:g} "
            "mg/L would hold more CO2 than any bottle. Read the pH again, or check the unit of "
            "the alkalinity."
        )
    return state


def _metals(sample: WaterSample) -> tuple[list[tuple[float, float]], list[str]]:
    """Give calcium and magnesium, mmol/kg: likely, low, high calcium; or one pair if known."""
    calcium, magnesium = sample.mmol_kg("calcium"), sample.mmol_kg("magnesium")
    hardness = sample.hardness_mg_l
    whole = None if hardness is None else hardness / HARDNESS_MMOL_L / WATER_KG_PER_L
    if calcium is not None and magnesium is not None:
        return [(calcium, magnesium)], []
    if whole is not None and (calcium is not None or magnesium is not None):
        if calcium is not None:
            return [(calcium, max(whole - calcium, 0.0))], []
        return [(max(whole - float(magnesium or 0.0), 0.0), float(magnesium or 0.0))], []
    if whole is not None:
        shares = (0.75, 0.5, 1.0)
        note = "calcium not given: three quarters of the hardness taken, half to all in the range"
        return [(whole * s, whole * (1 - s)) for s in shares], [note]
    if calcium is not None:
        note = "magnesium not given: a quarter of the calcium taken, none to half in the range"
        return [(calcium, calcium * s) for s in (0.25, 0.0, 0.5)], [note]
    meq = alkalinity_meq_kg(float(sample.alkalinity_mg_l or 0.0))
    other = 0.0 if magnesium is None else magnesium
    if sample.kind in _SOFT_KINDS:
        note = f"hardness not given: taken as none, as usual for {sample.kind} water"
        return [(meq * s / 2, other) for s in (0.0, 0.0, 0.2)], [note]
    note = "hardness not given: calcium for half of the alkalinity taken, none to all in the range"
    return [(meq * s / 2, other) for s in (0.5, 0.0, 1.0)], [note]


def _other_ions(
    sample: WaterSample, alkalinity: Array, calcium: Array, magnesium: Array
) -> dict[str, Any]:
    """Give sodium, sulphate and the sum of inert ions, mmol/kg, charges balanced."""
    chloride = sample.mmol_kg("chloride") or 0.0
    nitrate = sample.mmol_kg("nitrate") or 0.0
    potassium = sample.mmol_kg("potassium") or 0.0
    sulphate = sample.mmol_kg("sulphate") or 0.0
    anions = alkalinity + chloride + nitrate + 2 * sulphate
    known = 2 * (calcium + magnesium) + potassium
    sodium = sample.mmol_kg("sodium")
    lacking = np.maximum(anions - known, 0.0)
    sodium_all = lacking if sodium is None else np.full_like(alkalinity, sodium)
    left_over = np.abs(known + sodium_all - anions)
    return {
        "sodium": sodium_all,
        "sulphate": np.full_like(alkalinity, sulphate),
        "inert": chloride + nitrate + potassium + left_over,
    }
