"""List the dissolved species of a water and how each is made up.

Read by speciation, which solves for their amounts; the constants come from constants.
It leaves solving, activity and units to speciation.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from doughlab.water.constants import (
    ACIDS,
    DIELECTRIC,
    GAS_CONSTANT_KJ,
    LN10,
    LOG_K,
    REFERENCE_K,
    ZERO_CELSIUS_K,
    LogK,
)

Array = NDArray[np.float64]

COMPONENTS = ("carbon", "sulphate", "acid", "calcium", "magnesium", "sodium")
_METALS = {"calcium": ("Ca", 2), "magnesium": ("Mg", 2), "sodium": ("Na", 1)}


@dataclass(frozen=True)
class Species:
    """Hold one dissolved species: its charge, its parts and its constant.

    Attributes
    ----------
    name : str
        Formula with its charge, such as CaHCO3+.
    charge : int
        Charge number.
    parts : dict
        Component -> how many (protons apart).
    protons : int
        Protons taken up in forming it from the components; negative for hydroxide.
    alkalinity : int
        Equivalents counted from CO2, water, sulphate and the fully protonated food acid.
    constants : tuple of (factor, LogK)
        Its log K is the sum of factor times log K.

    Examples
    --------
    >>> [s.name for s in species_list("", True)][:5]
    ['H+', 'OH-', 'CO3-2', 'HCO3-', 'CO2']
    """

    name: str
    charge: int
    parts: dict[str, int]
    protons: int
    alkalinity: int
    constants: tuple[tuple[int, LogK], ...] = ()


def log_k(constant: LogK, temp_c: Any) -> Array:
    """Give log10 K at a temperature, analytic form or van 't Hoff.

    Parameters
    ----------
    constant : LogK
        One entry of the constants.
    temp_c : float or array
        Degrees Celsius, 0 to 50.

    Returns
    -------
    array
        log10 K at zero ionic strength.

    References
    ----------
    Plummer and Busenberg (1982), Geochim. Cosmochim. Acta 46, 1011 (the analytic form). Checked
    in tests/reference/test_water_constants_plummer1982.py.

    Examples
    --------
    >>> round(float(log_k(LOG_K["carbonic 1"], 25.0)), 4)
    -6.3519
    """
    kelvin = np.asarray(temp_c, dtype=float) + ZERO_CELSIUS_K
    if constant.analytic:
        a1, a2, a3, a4, a5, a6 = constant.analytic
        near = a1 + a2 * kelvin + a3 / kelvin + a4 * np.log10(kelvin)
        return np.asarray(near + a5 / kelvin**2 + a6 * kelvin**2)
    slope = constant.delta_h_kj / (LN10 * GAS_CONSTANT_KJ)
    return np.asarray(constant.value + slope * (1.0 / REFERENCE_K - 1.0 / kelvin))


def water_density(temp_c: Any) -> Array:
    """Give the density of pure water in g/mL, 0 to 50 C.

    References
    ----------
    Kell (1975), J. Chem. Eng. Data 20, 97, equation 16; coefficients from memory, checked against
    tabulated densities in tests/reference/test_water_constants_plummer1982.py.

    Examples
    --------
    >>> round(float(water_density(20.0)), 4)
    0.9982
    """
    t = np.asarray(temp_c, dtype=float)
    coefficients = [
        -280.54253e-12, 105.56302e-9, -46.170461e-6, -7.9870401e-3, 16.945176, 999.83952,
    ]  # fmt: skip
    return np.asarray(np.polyval(coefficients, t) / (1.0 + 16.879850e-3 * t) / 1000.0)


def debye_hueckel_a(temp_c: Any) -> Array:
    """Give the Debye-Hueckel constant A (log10, per root mol/kg).

    References
    ----------
    Dielectric constant: Malmberg and Maryott (1956), J. Res. NBS 56, 1.

    Examples
    --------
    >>> round(float(debye_hueckel_a(25.0)), 3)
    0.511
    """
    t = np.asarray(temp_c, dtype=float)
    eps = np.polyval(DIELECTRIC[::-1], t)
    return np.asarray(1.82483e6 * np.sqrt(water_density(t)) / (eps * (t + ZERO_CELSIUS_K)) ** 1.5)


def _carbonate() -> list[Species]:
    """List carbonate, its protonated forms and its pairs with the metals."""
    k1, k2 = LOG_K["carbonic 1"], LOG_K["carbonic 2"]
    out = [
        Species("CO3-2", -2, {"carbon": 1}, 0, 2),
        Species("HCO3-", -1, {"carbon": 1}, 1, 1, ((-1, k2),)),
        Species("CO2", 0, {"carbon": 1}, 2, 0, ((-1, k1), (-1, k2))),
    ]
    for metal, (symbol, charge) in _METALS.items():
        for protons in (1, 0):
            total = charge - 2 + protons
            sign = "" if total == 0 else ("+" if total > 0 else "-")
            name = f"{symbol}{'H' if protons else ''}CO3{sign}"
            parts = {"carbon": 1, metal: 1}
            out.append(Species(name, total, parts, protons, 2 - protons, ((1, LOG_K[name]),)))
    return out


def _others() -> list[Species]:
    """List sulphate and its pairs, the free metals and their hydroxides."""
    out = [
        Species("SO4-2", -2, {"sulphate": 1}, 0, 0),
        Species("HSO4-", -1, {"sulphate": 1}, 1, -1, ((1, LOG_K["HSO4-"]),)),
    ]
    for metal, (symbol, charge) in _METALS.items():
        sign = f"+{charge}" if charge > 1 else "+"
        out.append(Species(f"{symbol}{sign}", charge, {metal: 1}, 0, 0))
        name = f"{symbol}SO4" + ("-" if charge == 1 else "")
        parts = {"sulphate": 1, metal: 1}
        out.append(Species(name, charge - 2, parts, 0, 0, ((1, LOG_K[name]),)))
        if charge == 2:
            hydroxide = f"{symbol}OH+"
            out.append(Species(hydroxide, 1, {metal: 1}, -1, 1, ((1, LOG_K[hydroxide]),)))
    return out


def _acid(acid_name: str, complexes: bool) -> list[Species]:
    """List the forms of a food acid and its complexes with the metals."""
    acid = ACIDS[acid_name]
    n = acid.protons
    out = [Species(f"{acid_name}{-n}", -n, {"acid": 1}, 0, n)]
    for p, constant in enumerate(acid.protonation, start=1):
        out.append(
            Species(f"H{p}{acid_name}{p - n}", p - n, {"acid": 1}, p, n - p, ((1, constant),))
        )
    if complexes:
        for (metal, p), constant in acid.complexes.items():
            symbol, charge = _METALS[metal]
            name = f"{symbol}H{p}{acid_name}{charge + p - n}"
            parts = {"acid": 1, metal: 1}
            out.append(Species(name, charge + p - n, parts, p, n - p, ((1, constant),)))
    return out


@cache
def species_list(acid_name: str, complexes: bool) -> tuple[Species, ...]:
    """List every species considered, with or without metal complexes.

    Parameters
    ----------
    acid_name : str
        acetic, citric, lactic, or empty for none.
    complexes : bool
        Whether the metal complexes of the food acid are counted; carbonate pairs always are.

    Examples
    --------
    >>> len(species_list("citric", True)) - len(species_list("citric", False))
    8
    """
    water = [
        Species("H+", 1, {}, 1, -1),
        Species("OH-", -1, {}, -1, 1, ((1, LOG_K["water"]),)),
    ]
    acid = _acid(acid_name, complexes) if acid_name else []
    return (*water, *_carbonate(), *_others(), *acid)


@dataclass(frozen=True, eq=False)
class Stoichiometry:
    """Hold the species of a problem as matrices for the solver.

    Attributes
    ----------
    species : tuple of Species
        s species, in the order of the rows.
    columns : tuple of str
        Components present, c of them.
    parts : array, shape (s, c)
        Component counts.
    protons, alkalinity, charge, gamma : array, shape (s,)
        Protons, equivalents, charge, and the power of the single-charge activity coefficient.
    exponents : array, shape (s, c + 2)
        parts, protons and gamma side by side: the species are exp(exponents @ logarithms + ln K).
    """

    species: tuple[Species, ...]
    columns: tuple[str, ...]
    parts: Array
    protons: Array
    alkalinity: Array
    charge: Array
    gamma: Array
    exponents: Array


_COMPONENT_CHARGE = {"carbon": -2, "sulphate": -2, "calcium": 2, "magnesium": 2, "sodium": 1}


@cache
def stoichiometry(acid_name: str, complexes: bool, columns: tuple[str, ...]) -> Stoichiometry:
    """Build the matrices for the components that are present.

    Examples
    --------
    >>> stoichiometry("", True, ("carbon", "sodium")).parts.shape
    (8, 2)
    """
    charge_of = dict(_COMPONENT_CHARGE)
    if acid_name:
        charge_of["acid"] = -ACIDS[acid_name].protons
    kept = tuple(s for s in species_list(acid_name, complexes) if set(s.parts) <= set(columns))
    parts = np.array([[s.parts.get(c, 0) for c in columns] for s in kept], dtype=float)
    charge = np.array([s.charge for s in kept], dtype=float)
    square = np.array([charge_of[c] ** 2 for c in columns], dtype=float)
    # a = gamma m and log gamma = z^2 log gamma1, so every constant carries gamma1 to this power.
    # The protons come in as an activity already (that is what pH is), and water has none.
    gamma = parts @ square - charge**2
    protons = np.array([s.protons for s in kept], dtype=float)
    return Stoichiometry(
        kept,
        columns,
        parts,
        protons,
        np.array([s.alkalinity for s in kept], dtype=float),
        charge,
        gamma,
        np.column_stack([parts, protons, gamma]),
    )


def log_constants(species: tuple[Species, ...], temp_c: Array) -> Array:
    """Give ln K of each species at each temperature, shape (s, n)."""
    rows = [
        LN10 * sum((f * log_k(c, temp_c) for f, c in s.constants), np.zeros_like(temp_c))
        for s in species
    ]
    return np.array(rows)
