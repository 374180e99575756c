"""Judge what is known of a water: ion balance, plausibility, saturation, what can be bounded.

Called by the water command, the site guide and checks; finds, and changes nothing.
It leaves the dose to dosing and drinkability to a laboratory.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass

from doughlab.errors import InputError, Problem
from doughlab.water.constants import CACO3_MG_PER_MEQ, CHARGE, LOW_ALKALINITY_MG_L, MOLAR_MASS
from doughlab.water.sample import WaterSample

# Bounds of plausibility: common practice, no source, unless one is named.
_BALANCE_PCT = 10.0
_US_CM_PER_MEQ = (70.0, 130.0)  # conductivity over meq/L of cations; about 100 in dilute waters
_SOLIDS_OVER_CONDUCTIVITY = (0.45, 0.85)
_SOFT_LEFT_MG_L = 35.0
_MEMBRANE_LEFT_MG_L = 40.0
_LOW_CONDUCTIVITY = 100.0  # ASTM D5464: below it ordinary electrodes err
_IONS = tuple(f"{ion}_mg_l" for ion in CHARGE)
_SCALE_INDEX, _EATS_INDEX = 0.5, -0.5


@dataclass(frozen=True)
class IonBalance:
    """Hold the charges of a water's ions.

    Attributes
    ----------
    cations_meq_l, anions_meq_l : float
        Sums, alkalinity among the anions.
    error_pct : float
        100 (cations - anions) / (cations + anions).
    missing : tuple of str
        Ions counted as nothing because nobody gave them.
    """

    cations_meq_l: float
    anions_meq_l: float
    error_pct: float
    missing: tuple[str, ...]

    def __str__(self) -> str:
        """Give the balance in a sentence."""
        text = (
            f"cations {self.cations_meq_l:.2f}, anions {self.anions_meq_l:.2f} meq/L, "
            f"difference {self.error_pct:+.0f} %"
        )
        return text + (f" (not given: {', '.join(self.missing)})" if self.missing else "")


def ion_balance(sample: WaterSample) -> IonBalance:
    """Add up cations and anions.

    Raises
    ------
    InputError
        When the alkalinity or every metal is missing.

    Examples
    --------
    >>> w = WaterSample("tap", alkalinity_mg_l=100.087, calcium_mg_l=40.078)
    >>> ion_balance(w).error_pct
    0.0
    """
    if sample.alkalinity_mg_l is None:
        raise InputError(f"{sample.name}: no ion balance without the alkalinity.")
    sums = {1: 0.0, -1: sample.alkalinity_mg_l / CACO3_MG_PER_MEQ}
    missing = []
    hardness = sample.known_hardness_mg_l
    for ion, charge in CHARGE.items():
        value = getattr(sample, f"{ion}_mg_l")
        if ion in ("calcium", "magnesium") and hardness is not None:
            continue
        if value is None:
            missing.append(ion)
        else:
            sums[1 if charge > 0 else -1] += abs(charge) * value / MOLAR_MASS[ion]
    if hardness is not None:
        sums[1] += hardness / CACO3_MG_PER_MEQ
    if sums[1] == 0 and {"calcium", "sodium"} <= set(missing):
        raise InputError(f"{sample.name}: no ion balance without hardness or sodium.")
    total = sums[1] + sums[-1]
    error = 0.0 if total == 0 else 100.0 * (sums[1] - sums[-1]) / total
    return IonBalance(sums[1], sums[-1], round(error, 6), tuple(missing))


def saturation_index(sample: WaterSample) -> tuple[float, float]:
    """Give the range of the calcite saturation index; both ends equal where calcium is known.

    Above 0 scale can form, below 0 the water dissolves calcite.

    Raises
    ------
    InputError
        When pH, alkalinity, or calcium and hardness are missing.

    References
    ----------
    Plummer and Busenberg (1982), Geochim. Cosmochim. Acta 46, 1011. Checked against PHREEQC in
    tests/reference/test_acid_dose_parkhurst2013.py.

    Examples
    --------
    >>> tap = WaterSample("tap", ph=7.8, alkalinity_mg_l=150, calcium_mg_l=60, magnesium_mg_l=12,
    ...                   temp_c=20)
    >>> [round(x, 1) for x in saturation_index(tap)]
    [0.3, 0.3]
    """
    from doughlab.water.chemistry import calcite_index
    from doughlab.water.composition import build_composition

    if sample.calcium_mg_l is None and sample.hardness_mg_l is None:
        raise InputError(f"{sample.name}: no saturation index without calcium or hardness.")
    made = build_composition(sample)
    index = calcite_index(made.state)
    rows = [i for i, n in enumerate(made.labels) if n == "likely" or n.startswith("hardness")]
    values = [float(index[i]) for i in rows]
    return min(values), max(values)


def bound_alkalinity(sample: WaterSample) -> tuple[float, float]:
    """Bound a missing alkalinity by the charges of the other ions, mg/L as CaCO3.

    Never used for a dose: it says where a titration will land.

    Raises
    ------
    InputError
        When too few ions are known for a bound.

    Examples
    --------
    >>> w = WaterSample("tap", hardness_mg_l=200, sodium_mg_l=14, chloride_mg_l=28,
    ...                 sulphate_mg_l=38)
    >>> low, high = bound_alkalinity(w)
    >>> low < 150 < high
    True
    """
    needed = {
        "hardness (or calcium and magnesium)": sample.known_hardness_mg_l,
        "sodium": sample.sodium_mg_l,
        "chloride": sample.chloride_mg_l,
        "sulphate": sample.sulphate_mg_l,
    }
    absent = [name for name, value in needed.items() if value is None]
    if absent:
        raise InputError(
            f"{sample.name}: the alkalinity cannot be bounded without {', '.join(absent)}. "
            "Titrate it with vinegar instead."
        )
    plus = float(sample.known_hardness_mg_l or 0.0) / CACO3_MG_PER_MEQ
    plus += _meq(sample, "sodium") + _meq(sample, "potassium")
    minus = _meq(sample, "chloride") + 2 * _meq(sample, "sulphate") + _meq(sample, "nitrate")
    slack = _BALANCE_PCT / 100.0 * (plus + minus)
    middle = plus - minus
    return (
        max(middle - slack, 0.0) * CACO3_MG_PER_MEQ,
        max(middle + slack, 0.0) * CACO3_MG_PER_MEQ,
    )


def _meq(sample: WaterSample, ion: str) -> float:
    """Give mmol/L of an ion; nothing where it is missing."""
    return float(getattr(sample, f"{ion}_mg_l") or 0.0) / MOLAR_MASS[ion]


def check_sample(sample: WaterSample) -> list[Problem]:
    """List what does not fit together in a water, and what it means for the dough.

    Returns
    -------
    list of Problem
        Level "note", except for values that cannot both be true ("error").

    Examples
    --------
    >>> odd = WaterSample("soft", kind="softened", hardness_mg_l=180)
    >>> print(check_sample(odd)[0].message)
    soft: a softened water with 180 mg/L hardness: the softener is off, bypassed or due.
    """
    found = [*_contradictions(sample), *_balance_notes(sample)]
    found += [*_kind_notes(sample), *_carbon_notes(sample), *_reading_notes(sample)]
    return [
        Problem("waters.csv", f"{sample.name}: {message}", level=level) for level, message in found
    ]


def describe_sample(sample: WaterSample) -> list[str]:
    """Say what follows from a water: ion balance, saturation index, a bound where one is missing.

    Returns
    -------
    list of str
        Sentences; what cannot be worked out is left out, its reason stands in `missing`.

    Examples
    --------
    >>> w = WaterSample("tap", hardness_mg_l=200, sodium_mg_l=14, chloride_mg_l=28,
    ...                 sulphate_mg_l=38)
    >>> describe_sample(w)[0][:52]
    'tap: alkalinity not given; the other ions put it bet'
    """
    lines = []
    if sample.alkalinity_mg_l is None:
        if {"hardness_mg_l", *_IONS} <= {n for n, v in vars(sample).items() if v is None}:
            return []  # nothing to bound it with
        try:
            low, high = bound_alkalinity(sample)
        except InputError as error:
            return [str(error)]
        return [
            f"{sample.name}: alkalinity not given; the other ions put it between {low:.0f} and "
            f"{high:.0f} mg/L. No dose is made from that: titrate it."
        ]
    with suppress(InputError):
        lines.append(f"{sample.name}: ion balance {ion_balance(sample)}.")
    try:
        low, high = saturation_index(sample)
    except InputError:
        return lines
    span = f"{low:+.1f}" if round(low, 1) == round(high, 1) else f"{low:+.1f} to {high:+.1f}"
    lines.append(f"{sample.name}: saturation index of calcite {span} (above 0 scale can form).")
    return lines


def _contradictions(sample: WaterSample) -> list[tuple[str, str]]:
    """Find values that cannot both be true."""
    found = []
    free, total = sample.free_chlorine_mg_l, sample.total_chlorine_mg_l
    if free is not None and total is not None and free > total + 0.05:
        found.append(
            (
                "error",
                f"free chlorine {free:g} above total chlorine {total:g} mg/L. Read both again.",
            )
        )
    if None not in (sample.calcium_mg_l, sample.magnesium_mg_l, sample.hardness_mg_l):
        own = float(sample.known_hardness_mg_l or 0.0)
        stated = float(sample.hardness_mg_l or 0.0)
        if abs(own - stated) > 0.1 * max(own, stated) + 5:
            found.append(
                (
                    "error",
                    f"hardness {stated:g} mg/L does not fit calcium and magnesium ({own:.0f} "
                    "mg/L). Check the units of the report.",
                )
            )
    return found


def _balance_notes(sample: WaterSample) -> list[tuple[str, str]]:
    """Compare charges, conductivity and dissolved solids."""
    found = []
    try:
        balance = ion_balance(sample)
    except InputError:
        balance = None
    if balance is not None and not set(balance.missing) & {"sodium", "chloride", "sulphate"}:
        if abs(balance.error_pct) > _BALANCE_PCT:
            found.append(("note", f"the ions do not balance: {balance}. One value is likely off."))
        conductivity = sample.conductivity_us_cm
        if conductivity is not None and balance.cations_meq_l > 0.2:
            per = conductivity / balance.cations_meq_l
            low, high = _US_CM_PER_MEQ
            if not low <= per <= high:
                found.append(
                    (
                        "note",
                        f"conductivity {conductivity:g} uS/cm for {balance.cations_meq_l:.1f} "
                        f"meq/L of cations is unusual ({low:.0f} to {high:.0f} per meq/L are).",
                    )
                )
    solids, conductivity = sample.dissolved_solids_mg_l, sample.conductivity_us_cm
    if solids is not None and conductivity:
        low, high = _SOLIDS_OVER_CONDUCTIVITY
        if not low <= solids / conductivity <= high:
            found.append(
                (
                    "note",
                    f"dissolved solids {solids:g} mg/L and conductivity {conductivity:g} uS/cm do "
                    "not fit; a pocket meter's 'ppm' is conductivity in other clothes.",
                )
            )
    return found


def _kind_notes(sample: WaterSample) -> list[tuple[str, str]]:
    """Compare the water with its kind."""
    hardness, alkalinity = sample.known_hardness_mg_l, sample.alkalinity_mg_l
    found = []
    if sample.kind == "softened":
        if hardness is not None and hardness > _SOFT_LEFT_MG_L:
            found.append(
                (
                    "note",
                    f"a softened water with {hardness:g} mg/L hardness: the softener is off, "
                    "bypassed or due.",
                )
            )
        found.append(
            ("note", "a softener keeps the alkalinity: it takes as much acid as before, and holds "
             "more sodium.")
        )  # fmt: skip
    if sample.kind == "reverse osmosis":
        for what, value in (("alkalinity", alkalinity), ("hardness", hardness)):
            if value is not None and value > _MEMBRANE_LEFT_MG_L:
                found.append(
                    (
                        "note",
                        f"reverse osmosis with {value:g} mg/L {what}: hardness is added back, a "
                        "mixing valve is open, or the membrane is due.",
                    )
                )
    if sample.kind == "bottled" and (sample.ph or 0) > 9:
        found.append(
            ("note", "sold as alkaline, perhaps; its alkalinity, not its pH, decides the acid.")
        )
    if alkalinity is not None and hardness is not None and alkalinity > hardness + 30:
        found.append(
            ("note", "more alkalinity than hardness: softened, or a sodium bicarbonate water.")
        )
    return found


def _carbon_notes(sample: WaterSample) -> list[tuple[str, str]]:
    """Say what the CO2 and the saturation do."""
    if sample.ph is None or sample.alkalinity_mg_l is None:
        return []
    from doughlab.water.chemistry import in_air
    from doughlab.water.composition import build_composition

    found = []
    try:
        state = build_composition(sample, vary=False).state
    except InputError as error:
        return [("error", str(error).removeprefix(f"{sample.name}: "))]
    aired = float(in_air(state.totals).ph[0])
    if abs(aired - sample.ph) > 0.4:
        way = "rises" if aired > sample.ph else "falls"
        why = "CO2 leaves; less where scale settles" if aired > sample.ph else "CO2 comes in"
        found.append(("note", f"standing open its pH {way} to about {aired:.1f} ({why})."))
    if sample.alkalinity_mg_l < LOW_ALKALINITY_MG_L:
        found.append(
            (
                "note",
                f"alkalinity under {LOW_ALKALINITY_MG_L:g} mg/L: no steady pH, and it attacks "
                "metal.",
            )
        )
    if sample.calcium_mg_l is not None or sample.hardness_mg_l is not None:
        low, high = saturation_index(sample)
        if low > _SCALE_INDEX:
            found.append(("note", f"saturation index {low:.1f} or more: scale forms when warmed."))
        elif high < _EATS_INDEX:
            found.append(
                ("note", f"saturation index {high:.1f} or less: dissolves scale and metal.")
            )
    return found


def _reading_notes(sample: WaterSample) -> list[tuple[str, str]]:
    """Say where the readings themselves are weak."""
    found = []
    if sample.conductivity_us_cm is not None and sample.conductivity_us_cm < _LOW_CONDUCTIVITY:
        found.append(
            (
                "note",
                "below 100 uS/cm an ordinary electrode errs (ASTM D5464): take more time, fresh "
                "sample, little stirring.",
            )
        )
    if sample.ph is not None and sample.temp_c is None:
        found.append(("note", "the temperature of the pH reading is missing."))
    combined = sample.combined_chlorine_mg_l
    if combined is not None and combined > 0.2:
        found.append(
            (
                "note",
                f"{combined:.1f} mg/L combined chlorine (chloramine): standing does not remove it.",
            )
        )
    if sample.needs_laboratory:
        found.append(("note", f"laboratory before anybody tastes: {sample.needs_laboratory}."))
    return found
