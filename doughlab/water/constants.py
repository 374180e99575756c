"""The chemical constants of the water room, each with its source.

Read by sample, speciation, dosing, titration and blending; imports nothing heavy.
It leaves arithmetic on arrays to speciation, and trade prices to supply.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

LN10: Final = 2.302585092994046
ZERO_CELSIUS_K: Final = 273.15
GAS_CONSTANT_KJ: Final = 8.31446261815324e-3  # kJ/(mol K), CODATA 2018 (exact)
REFERENCE_K: Final = 298.15
WATER_KG_PER_L: Final = 0.99821  # pure water at 20 C, the temperature reports are given at

# Molar masses, g/mol: IUPAC standard atomic weights, abridged.
MOLAR_MASS: Final = {
    "calcium": 40.078,
    "magnesium": 24.305,
    "sodium": 22.990,
    "chloride": 35.453,
    "sulphate": 96.06,
    "potassium": 39.098,
    "nitrate": 62.005,
    "bicarbonate": 61.0168,
    "calcium carbonate": 100.0869,
    "sodium bicarbonate": 84.007,
    "calcium chloride": 110.984,
    "calcium sulphate": 136.14,
    "magnesium sulphate": 120.366,
}
CHARGE: Final = {
    "calcium": 2,
    "magnesium": 2,
    "sodium": 1,
    "potassium": 1,
    "chloride": -1,
    "sulphate": -2,
    "nitrate": -1,
}
CACO3_MG_PER_MEQ: Final = MOLAR_MASS["calcium carbonate"] / 2  # 50.0435

# mg/L as CaCO3 in one unit of the name. German degree: 10 mg CaO/L (DIN 38409-6). French degree:
# 10 mg CaCO3/L. English degree: one grain per imperial gallon, 64.79891 mg in 4.54609 L (legal
# definitions). US grain: 64.79891 mg in 3.785411784 L. Bicarbonate: 50.0435/61.0168.
CACO3_MG_L_IN: Final = {
    "mg/L CaCO3": 1.0,
    "mg/L HCO3": CACO3_MG_PER_MEQ / MOLAR_MASS["bicarbonate"],
    "mmol/L": CACO3_MG_PER_MEQ,  # of alkalinity (= meq/L); see HARDNESS_MMOL_L for hardness
    "German degree": 10.0 * MOLAR_MASS["calcium carbonate"] / 56.077,
    "French degree": 10.0,
    "English degree": 64.79891 / 4.54609,
    "US grain": 64.79891 / 3.785411784,
}
HARDNESS_MMOL_L: Final = MOLAR_MASS["calcium carbonate"]  # one mmol Ca + Mg carries two charges


@dataclass(frozen=True)
class LogK:
    """Hold one equilibrium constant as log10 at 25 C and its change with heat.

    Attributes
    ----------
    value : float
        log10 K at 25 C and zero ionic strength.
    delta_h_kj : float
        Reaction enthalpy for van 't Hoff's rule, kJ/mol; 0 where none is known.
    analytic : tuple of float
        a1..a6 of log K = a1 + a2 T + a3/T + a4 log10 T + a5/T^2 + a6 T^2, T in kelvin. Used
        instead of `value` and `delta_h_kj` when it is not empty.
    source : str
        Where the numbers stand.

    Examples
    --------
    >>> LOG_K["water"].analytic[0]
    293.29227
    """

    value: float
    source: str
    delta_h_kj: float = 0.0
    analytic: tuple[float, ...] = ()


_PB = "Plummer and Busenberg 1982, Geochim. Cosmochim. Acta 46, 1011"
_PHREEQC = "phreeqc.dat, U.S. Geological Survey (PHREEQC version 3)"
_MINTEQ = "minteq.v4.dat, U.S. EPA MINTEQA2 version 4 (NIST 46)"
_KCAL = 4.184

# Carbonate system: dissociation constants. Pairs and complexes: formation from the free ions;
# a bicarbonate pair is formed from metal, H+ and CO3-2, a hydroxide pair from metal and water
# (minus H+). Where phreeqc.dat cites Plummer and Busenberg for a pair, so do we.
LOG_K: Final = {
    "henry": LogK(-1.468, _PB, analytic=(108.3865, 0.01985076, -6919.53, -40.45154, 669365.0, 0.0)),
    "carbonic 1": LogK(
        -6.352, _PB, analytic=(-356.3094, -0.06091964, 21834.37, 126.8339, -1684915.0, 0.0)
    ),
    "carbonic 2": LogK(
        -10.329, _PB, analytic=(-107.8871, -0.03252849, 5151.79, 38.92561, -563713.9, 0.0)
    ),
    "calcite": LogK(-8.480, _PB, analytic=(-171.9065, -0.077993, 2839.319, 71.595, 0.0, 0.0)),
    "water": LogK(
        -13.995,
        _PHREEQC,
        analytic=(293.29227, 0.1360833, -10576.913, -123.73158, 0.0, -6.996455e-5),
    ),
    "CaHCO3+": LogK(
        11.435,
        _PB,
        analytic=(1317.0071, 0.34546894, -39916.84, -517.70761, 563713.9, 0.0),
    ),
    "CaCO3": LogK(3.224, _PB, analytic=(-1228.732, -0.299440, 35512.75, 485.818, 0.0, 0.0)),
    "MgHCO3+": LogK(
        11.399,
        _PHREEQC,
        analytic=(48.6721, 0.03252849, -2614.335, -18.00263, 563713.9, 0.0),
    ),
    "MgCO3": LogK(2.98, _PHREEQC, analytic=(0.9910, 0.00667, 0.0, 0.0, 0.0, 0.0)),
    "NaHCO3": LogK(10.079, _PHREEQC, delta_h_kj=-3.561 * _KCAL - 1.0 * _KCAL),
    "NaCO3-": LogK(1.27, _PHREEQC, delta_h_kj=8.91 * _KCAL),
    "CaOH+": LogK(-12.78, _PHREEQC),
    "MgOH+": LogK(-11.44, _PHREEQC, delta_h_kj=15.952 * _KCAL),
    "CaSO4": LogK(2.25, _PHREEQC, delta_h_kj=1.325 * _KCAL),
    "MgSO4": LogK(2.37, _PHREEQC, delta_h_kj=4.550 * _KCAL),
    "NaSO4-": LogK(0.70, _PHREEQC, delta_h_kj=1.120 * _KCAL),
    "HSO4-": LogK(1.988, _PHREEQC, analytic=(-56.889, 0.006473, 2307.9, 19.8858, 0.0, 0.0)),
}


@dataclass(frozen=True)
class Acid:
    """Hold a food acid: molar mass, protonation steps and metal complexes.

    Attributes
    ----------
    name : str
        acetic, citric or lactic.
    molar_mass : float
        g/mol of the acid without crystal water.
    protonation : tuple of LogK
        Cumulative constants for 1, 2, ... protons on the bare anion.
    complexes : dict
        (metal, number of protons) -> LogK of the complex from metal, protons and bare anion.

    Examples
    --------
    >>> ACIDS["citric"].protons
    3
    """

    name: str
    molar_mass: float
    protonation: tuple[LogK, ...]
    complexes: dict[tuple[str, int], LogK]

    @property
    def protons(self) -> int:
        """Give the number of protons the full acid carries.

        Examples
        --------
        >>> ACIDS["acetic"].protons
        1
        """
        return len(self.protonation)


ACIDS: Final = {
    "acetic": Acid(
        "acetic",
        60.052,
        (LogK(4.757, _MINTEQ, 0.41),),
        {
            ("calcium", 0): LogK(1.18, _MINTEQ, 4.0),
            ("magnesium", 0): LogK(1.27, _MINTEQ),
            ("sodium", 0): LogK(-0.18, _MINTEQ, 12.0),
        },
    ),
    "citric": Acid(
        "citric",
        192.123,
        (
            LogK(6.396, _MINTEQ, 3.3472),
            LogK(11.157, _MINTEQ, 1.297),
            LogK(14.285, _MINTEQ, -2.7614),
        ),
        {
            ("calcium", 0): LogK(4.87, _MINTEQ, -8.368),
            ("calcium", 1): LogK(9.26, _MINTEQ, -0.8368),
            ("calcium", 2): LogK(12.257, _MINTEQ),
            ("magnesium", 0): LogK(4.89, _MINTEQ, 8.368),
            ("magnesium", 1): LogK(8.91, _MINTEQ, 3.3472),
            ("magnesium", 2): LogK(12.2, _MINTEQ),
            ("sodium", 0): LogK(1.03, _MINTEQ, -2.8033),
            ("sodium", 1): LogK(6.45, _MINTEQ, -3.5982),
        },
    ),
    # No database that was looked at holds lactate: the value is from memory, and without complexes.
    "lactic": Acid("lactic", 90.078, (LogK(3.86, "from memory", 0.33),), {}),
}
CITRIC_MONOHYDRATE_G_MOL: Final = 210.14

# Dielectric constant of water by degrees Celsius: Malmberg and Maryott 1956, J. Res. NBS 56, 1.
DIELECTRIC: Final = (87.740, -0.40008, 9.398e-4, -1.410e-6)

# Vinegar and juice.
VINEGAR_DENSITY: Final = 1.0055  # g/mL at 5 % (handbook value, from memory)
US_VINEGAR_LEAST_G_PER_100ML: Final = 4.0  # FDA CPG Sec. 525.825
LEMON_FRESH_G_L: Final = 48.0  # Penniston et al. 2008, J. Endourol. 22, 567: SD 3.8
LEMON_FRESH_SD_G_L: Final = 3.8
LEMON_BOTTLED_G_L: Final = (34.0, 39.0)  # same study, as quoted on a second page
LEMON_DENSITY: Final = 1.03  # g/mL (from memory)

AIR_LOG_PCO2: Final = -3.38  # 417 ppm, outdoors
# A kitchen's air holds more: 2800 ppm is where British guidance on gas catering asks for action
# (IGEM/UP/19, as told on an installers' page; the guidance itself was not seen).
KITCHEN_LOG_PCO2: Final = -2.553
TARGET_PH_LOW: Final = 4.5
TARGET_PH_HIGH: Final = 8.3
LOW_ALKALINITY_MG_L: Final = 20.0  # below it the pH has no steady value (project rule)
