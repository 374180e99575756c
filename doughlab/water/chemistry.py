"""Answer chemical questions on waters: pH, doses, air, buffer, scale.

Called by dosing, titration, blending and quality; arrays of any number of waters at once.
It leaves samples, products and notes to those modules and the solving to speciation.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from doughlab.errors import InputError, NotEstimable
from doughlab.water.constants import AIR_LOG_PCO2, LOG_K
from doughlab.water.speciation import AMOUNTS, State, Totals, solve
from doughlab.water.species import Array, log_k

_MOST_PASSES = 200
_MOST_BASE = 0.5  # mol/kg of bicarbonate; far beyond any kitchen, so "not reachable"


def known_water(
    *,
    ph: Any,
    alkalinity_meq_kg: Any,
    temp_c: Any = 20.0,
    acid_name: str = "",
    acid_mmol_kg: Any = 0.0,
    complexes: bool = True,
    refuse: bool = True,
    **ions_mmol_kg: Any,
) -> State:
    """Solve waters whose pH and alkalinity are known.

    Parameters
    ----------
    ph : float or array, shape (n,)
        pH read at `temp_c`, 3.5 to 11.
    alkalinity_meq_kg : float or array, shape (n,)
        meq per kg of water (mg/L as CaCO3 over 50.0435 and over the density). Of a dosed water:
        the alkalinity before the acid.
    temp_c : float or array, shape (n,)
        Degrees Celsius, 0 to 50.
    acid_name, acid_mmol_kg : str, float or array
        Food acid already in the water, mmol/kg.
    complexes : bool
        Count the acid's metal complexes.
    refuse : bool
        Raise where no such water can be; otherwise its carbon is nan.
    **ions_mmol_kg
        calcium, magnesium, sodium, sulphate, inert (other single charges), mmol/kg.

    Returns
    -------
    State
        Its totals hold the inorganic carbon.

    Raises
    ------
    InputError
        Where the alkalinity cannot be that of a water with this pH.

    Examples
    --------
    >>> water = known_water(ph=8.0, alkalinity_meq_kg=2.0, calcium=0.5, sodium=1.0)
    >>> round(float(water.totals.carbon[0]) * 1e3, 2)
    2.03
    """
    mol = {name: np.asarray(v, dtype=float) * 1e-3 for name, v in ions_mmol_kg.items()}
    totals = Totals.of(
        alkalinity=np.asarray(alkalinity_meq_kg, dtype=float) * 1e-3,
        acid=np.asarray(acid_mmol_kg, dtype=float) * 1e-3,
        temp_c=temp_c,
        acid_name=acid_name,
        carbon=np.zeros_like(np.asarray(ph, dtype=float)),
        **mol,
    )
    state = solve(totals, find="carbon", ph=ph, complexes=complexes)
    bad = ~np.isfinite(state.totals.carbon)
    if refuse and np.any(bad):
        where = int(np.argmax(bad))
        raise InputError(
            f"pH {np.ravel(state.ph)[where]:.2f} and an alkalinity of "
            f"{totals.alkalinity[where] * 1e3:.3f} meq/kg cannot belong to one water: at this pH "
            "the hydroxide alone is more. Read the pH again, or give the alkalinity of this water."
        )
    return state


def co2_in_air(temp_c: Any, *, log_pco2: Any = AIR_LOG_PCO2) -> Array:
    """Give dissolved CO2 of water in equilibrium with a gas, mol/kg.

    Parameters
    ----------
    temp_c : float or array
        Degrees Celsius.
    log_pco2 : float or array
        log10 of the CO2 pressure in atm: -3.38 for outdoor air (417 ppm), 0 for pure CO2.

    Examples
    --------
    >>> round(float(co2_in_air(20.0)) * 1e6, 1)
    16.3
    """
    return np.asarray(10.0 ** (log_k(LOG_K["henry"], temp_c) + log_pco2))


def in_air(totals: Totals, *, log_pco2: Any = AIR_LOG_PCO2, complexes: bool = True) -> State:
    """Solve waters that have stood open until they agree with the air.

    Examples
    --------
    >>> pure = Totals.of(temp_c=20.0)
    >>> round(float(in_air(pure).ph[0]), 2)
    5.58
    """
    gas = co2_in_air(totals.temp_c, log_pco2=log_pco2)
    return solve(totals, find="ph", co2=gas, complexes=complexes)


def closed(totals: Totals, *, complexes: bool = True) -> State:
    """Solve waters that keep all their carbon (little air contact).

    Examples
    --------
    >>> water = known_water(ph=8.0, alkalinity_meq_kg=2.0)
    >>> round(float(closed(water.totals).ph[0]), 3)
    8.0
    """
    return solve(totals, find="ph", complexes=complexes)


def escaped(state: State, lost_share: Any) -> Array:
    """Give the CO2 that leaves when a share of it escapes, mol/kg.

    Parameters
    ----------
    state : State
        The water before it stands.
    lost_share : float or array, shape (n,)
        Share of the dissolved CO2, 0 to 1. No more leaves than what exceeds the air's own.

    Examples
    --------
    >>> fizzy = known_water(ph=6.0, alkalinity_meq_kg=2.0)
    >>> bool(escaped(fizzy, 0.5)[0] > 1e-3)
    True
    """
    above = np.maximum(state.co2 - co2_in_air(state.totals.temp_c), 0.0)
    return np.asarray(np.minimum(np.asarray(lost_share) * state.co2, above))


def after_loss(state: State, lost_share: Any, *, complexes: bool = True) -> State:
    """Solve waters after a share of their dissolved CO2 has escaped.

    Examples
    --------
    >>> fizzy = known_water(ph=6.0, alkalinity_meq_kg=2.0)
    >>> bool(after_loss(fizzy, 0.5).ph[0] > 6.2)
    True
    """
    carbon = state.totals.carbon - escaped(state, lost_share)
    return closed(state.totals.changed(carbon=carbon), complexes=complexes)


def acid_needed(
    totals: Totals,
    target_ph: Any,
    *,
    acid: str,
    lost_share: float | None = 0.0,
    log_pco2: Any = AIR_LOG_PCO2,
    complexes: bool = True,
) -> State:
    """Solve for the food acid that brings waters to a pH.

    Parameters
    ----------
    totals : Totals
        Waters with their carbon (see `known_water`); they may hold some of the same acid.
    target_ph : float or array, shape (n,)
        pH wanted at the waters' temperature.
    acid : str
        acetic, citric or lactic.
    lost_share : float or None
        Share of the dissolved CO2 that escapes before the pH is read: 0 closed, 1 or None
        open until the water agrees with the air, between for a covered vessel.
    log_pco2 : float or array, shape (n,)
        Of that air, see `co2_in_air`.
    complexes : bool
        Count the acid's metal complexes.

    Returns
    -------
    State
        `added` is the acid to add, mol/kg; nan where the water is below the pH without it.

    Raises
    ------
    InputError
        When the waters already hold another acid.

    References
    ----------
    Checked against PHREEQC in tests/reference/test_phreeqc_live.py.

    Examples
    --------
    >>> water = known_water(ph=8.0, alkalinity_meq_kg=2.0, calcium=0.5, sodium=1.0)
    >>> dose = acid_needed(water.totals, 6.0, acid="acetic")
    >>> round(float(dose.added[0]) * 1e3, 2)
    1.45
    """
    held = totals.acid
    if totals.acid_name not in ("", acid) and np.any(held > 0):
        raise InputError(
            f"The water already holds {totals.acid_name} acid; a dose of {acid} acid on top of it "
            f"is not calculated. Dose with {totals.acid_name} acid, or start from fresh water."
        )
    named = totals.changed(acid_name=acid)
    if lost_share is None or lost_share >= 1.0:
        gas = co2_in_air(totals.temp_c, log_pco2=log_pco2)
        state = solve(named, find="acid", ph=target_ph, co2=gas, complexes=complexes)
    else:
        state = solve(named, find="acid", ph=target_ph, complexes=complexes)
        if lost_share > 0.0:
            state = _covered(named, state, target_ph, lost_share, complexes)
    more = state.added - held
    return replace(state, added=np.where(more > 1e-12, more, np.nan))


def _covered(
    named: Totals, start: State, target_ph: Any, lost_share: float, complexes: bool
) -> State:
    """Find the dose that holds the pH after the loss, between the closed and the open one.

    The loss follows from the dose and the dose from what is left: the root of their difference,
    by false position with halved weights (Illinois), every water at once.
    """

    def settled(dose: Array) -> tuple[State, Array]:
        """Give the acid that the water takes once this dose has driven its gas out."""
        before = closed(named.changed(acid=dose), complexes=complexes)
        left = named.carbon - escaped(before, lost_share)
        state = solve(named.changed(carbon=left), find="acid", ph=target_ph, complexes=complexes)
        return state, np.nan_to_num(state.added, nan=-1.0) - dose

    wide = solve(
        named, find="acid", ph=target_ph, co2=co2_in_air(named.temp_c), complexes=complexes
    )
    low = np.maximum(np.nan_to_num(start.added), named.acid)
    high = np.maximum(np.nan_to_num(wide.added), low)
    state, at_low = settled(low)
    _, at_high = settled(high)
    for _ in range(_MOST_PASSES):
        with np.errstate(divide="ignore", invalid="ignore"):
            dose = high - at_high * (high - low) / (at_high - at_low)
        inside = (dose > low) & (dose < high)
        dose = np.where(at_low <= 0, low, np.where(inside, dose, (low + high) / 2))
        state, at_dose = settled(dose)
        if np.all((at_low <= 0) | (np.abs(at_dose) <= 1e-9 * dose + 1e-12)):
            return state
        above = at_dose > 0
        at_low, at_high = (
            np.where(above, at_dose, at_low / np.where(at_low > 0, 2.0, 1.0)),
            np.where(above, at_high / 2.0, at_dose),
        )
        low, high = np.where(above, dose, low), np.where(above, high, dose)
    raise NotEstimable(
        "The dose for a covered vessel did not settle. Give the dose for a closed or open vessel."
    )


def base_needed(
    totals: Totals, target_ph: Any, *, open_air: bool = False, log_pco2: Any = AIR_LOG_PCO2
) -> State:
    """Solve for the sodium bicarbonate that raises waters to a pH.

    Parameters
    ----------
    totals : Totals
        Waters with their carbon.
    target_ph : float or array, shape (n,)
        pH wanted; closed to the air bicarbonate alone stays near or below 8.3.
    open_air : bool
        Whether the water agrees with the air when it is read.
    log_pco2 : float or array, shape (n,)
        Of that air, see `co2_in_air`.

    Returns
    -------
    State
        `added` is sodium bicarbonate, mol/kg; nan where none is needed or none reaches the pH.

    Examples
    --------
    >>> soft = in_air(Totals.of(temp_c=20.0))
    >>> round(float(base_needed(soft.totals, 6.5).added[0]) * 1e3, 3)
    0.024
    """
    gas = co2_in_air(totals.temp_c, log_pco2=log_pco2) if open_air else None
    base = np.zeros(len(totals))
    for _ in range(_MOST_PASSES):
        state = solve(with_base(totals, base), find="alkalinity", ph=target_ph, co2=gas)
        lacking = state.totals.alkalinity - totals.alkalinity - base
        # Each mol of bicarbonate brings one equivalent, of which the carbon at this pH wants
        # `taken`: at taken = 1 it no longer moves the pH, and that is the ceiling.
        held = _carbonate_alkalinity(state)
        taken = 0.0 if open_air else held / state.totals.carbon
        room = np.maximum(1.0 - taken, 1e-6)
        step = np.clip(lacking / room, -0.5 * base - 1e-12, 1.0)
        base = base + step
        reachable = base < _MOST_BASE
        base = np.where(reachable, base, _MOST_BASE)
        if np.all((np.abs(step) <= 1e-9 * base + 1e-13) | ~reachable):
            break
    added = np.where(reachable & (base > 1e-10), base, np.nan)
    return replace(state, added=added, totals=with_base(totals, added))


def _carbonate_alkalinity(state: State) -> Array:
    """Add up the equivalents that carbonate species hold, mol/kg."""
    double = [m for n, m in state.species.items() if "CO3" in n and "HCO3" not in n]
    single = [m for n, m in state.species.items() if "HCO3" in n]
    return np.asarray(2.0 * sum(double) + sum(single))


def with_base(totals: Totals, base: Any) -> Totals:
    """Add sodium bicarbonate, mol/kg, to the totals.

    Examples
    --------
    >>> with_base(Totals.of(), 1e-3).sodium
    array([0.001])
    """
    amount = np.asarray(base, dtype=float)
    return totals.changed(
        sodium=totals.sodium + amount,
        carbon=totals.carbon + amount,
        alkalinity=totals.alkalinity + amount,
    )


def with_acid(totals: Totals, acid: str, amount: Any) -> Totals:
    """Add a food acid, mol/kg, to the totals.

    Examples
    --------
    >>> with_acid(Totals.of(), "acetic", 1e-3).acid
    array([0.001])
    """
    more = totals.acid + np.asarray(amount, dtype=float)
    return totals.changed(acid=more, acid_name=acid)


def at_temperature(totals: Totals, temp_c: Any) -> Totals:
    """Give the same water at another temperature, nothing lost or gained.

    Examples
    --------
    >>> cold = at_temperature(known_water(ph=8.0, alkalinity_meq_kg=2.0).totals, 4.0)
    >>> bool(closed(cold).ph[0] > 8.1)
    True
    """
    full = np.broadcast_to(np.asarray(temp_c, dtype=float), totals.temp_c.shape)
    return totals.changed(temp_c=np.array(full))


def mixed(waters: list[Totals], shares: list[float]) -> Totals:
    """Mix waters by mass; totals and heat mix linearly, pH does not.

    Parameters
    ----------
    waters : list of Totals
        Each for the same number of waters n.
    shares : list of float
        Mass shares, at least 0; they are scaled to add up to 1.

    Raises
    ------
    InputError
        When the waters hold different food acids.

    Examples
    --------
    >>> mixed([Totals.of(alkalinity=2e-3), Totals.of()], [1, 1]).alkalinity
    array([0.001])
    """
    names = sorted({w.acid_name for w in waters if w.acid_name and np.any(w.acid > 0)})
    if len(names) > 1:
        raise InputError(
            f"These waters hold different acids ({', '.join(names)}); their blend is not "
            "calculated. Blend the waters first and dose the blend."
        )
    weights = np.asarray(shares, dtype=float) / float(np.sum(shares))
    fields = {
        n: sum(w * getattr(t, n) for w, t in zip(weights, waters, strict=True))
        for n in (*AMOUNTS, "temp_c")
    }
    return waters[0].changed(**fields, acid_name=names[0] if names else "")


def buffer_intensity(state: State, *, step_ph: float = 0.001) -> Array:
    """Give strong acid or base per pH unit at fixed carbon and metals, mol/kg.

    Only the water's own buffer counts: a food acid in it is left out.

    References
    ----------
    Stumm and Morgan, Aquatic Chemistry, definition of the buffer intensity: derivative of the
    alkalinity by pH. Checked in tests/reference/test_acid_dose_parkhurst2013.py.

    Examples
    --------
    >>> water = known_water(ph=8.0, alkalinity_meq_kg=2.0)
    >>> round(float(buffer_intensity(water)[0]) * 1e3, 2)
    0.13
    """
    bare = state.totals.changed(acid=np.zeros_like(state.ph), acid_name="")
    high = solve(bare, find="alkalinity", ph=state.ph + step_ph).totals.alkalinity
    low = solve(bare, find="alkalinity", ph=state.ph - step_ph).totals.alkalinity
    return np.asarray((high - low) / (2.0 * step_ph))


def calcite_index(state: State) -> Array:
    """Give the saturation index of calcite; above 0 scale can form.

    Returns
    -------
    array, shape (n,)
        log10 of ion activity product over solubility product; minus infinity without calcium.

    References
    ----------
    Plummer and Busenberg (1982), Geochim. Cosmochim. Acta 46, 1011 (solubility product).

    Examples
    --------
    >>> water = known_water(ph=7.8, alkalinity_meq_kg=3.0, calcium=1.5)
    >>> round(float(calcite_index(water)[0]), 1)
    0.4
    """
    calcium = state.species.get("Ca+2", np.zeros_like(state.ph))
    with np.errstate(divide="ignore"):
        product = np.log10(calcium) + np.log10(state.species["CO3-2"])
    return np.asarray(
        product + 8.0 * state.log_gamma1 - log_k(LOG_K["calcite"], state.totals.temp_c)
    )


def net_charge(state: State) -> Array:
    """Add up the charges of all solved species, mol/kg; the inert ions apart.

    Electroneutrality: this equals 2 Ca + 2 Mg + Na - 2 SO4 - alkalinity for every solution.

    Examples
    --------
    >>> t = Totals.of(alkalinity=2e-3, sodium=2e-3, carbon=2e-3)
    >>> bool(abs(net_charge(closed(t))[0]) < 1e-12)
    True
    """
    return np.asarray(sum(state.charges[n] * m for n, m in state.species.items()))
