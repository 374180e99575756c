"""Constants of the carbonate system against the published equations and tables.

Source of the numbers: Plummer and Busenberg (1982), Geochim. Cosmochim. Acta 46, 1011, evaluated
at each temperature outside of this package; pKw from the analytic line of phreeqc.dat (USGS).
Densities: CRC Handbook style table of pure water, 0.99984 (0 C), 0.99821 (20), 0.99705 (25),
0.99222 (40) g/mL.
"""

import numpy as np
import pytest

from doughlab.water.constants import CACO3_MG_L_IN, CACO3_MG_PER_MEQ, LOG_K, MOLAR_MASS
from doughlab.water.species import debye_hueckel_a, log_k, water_density

# t C, log KH, pK1, pK2, pKw, A
TABLE = [
    (0, -1.1084, 6.5786, 10.6286, 14.9385, 0.4918),
    (5, -1.1921, 6.5163, 10.5544, 14.7296, 0.4953),
    (10, -1.2694, 6.4633, 10.4879, 14.5314, 0.4990),
    (15, -1.3408, 6.4188, 10.4284, 14.3433, 0.5028),
    (20, -1.4069, 6.3819, 10.3756, 14.1646, 0.5068),
    (25, -1.4679, 6.3519, 10.3289, 13.9948, 0.5110),
    (30, -1.5244, 6.3281, 10.2879, 13.8333, 0.5153),
    (40, -1.6249, 6.2974, 10.2217, 13.5334, 0.5246),
]


@pytest.mark.parametrize("row", TABLE)
def test_equilibrium_constants_equal_the_published_equations(row):
    t, henry, pk1, pk2, pkw, _ = row
    got = [
        float(log_k(LOG_K["henry"], t)),
        -float(log_k(LOG_K["carbonic 1"], t)),
        -float(log_k(LOG_K["carbonic 2"], t)),
        -float(log_k(LOG_K["water"], t)),
    ]
    assert got == pytest.approx([henry, pk1, pk2, pkw], abs=5e-5)


@pytest.mark.parametrize("row", TABLE)
def test_debye_hueckel_constant_lies_within_the_spread_of_dielectric_formulas(row):
    # Dielectric formulas in use give 0.509 to 0.511 at 25 C, so 0.003 is the honest tolerance.
    assert float(debye_hueckel_a(row[0])) == pytest.approx(row[5], abs=0.003)


def test_calcite_solubility_product_at_25_c():
    assert float(log_k(LOG_K["calcite"], 25.0)) == pytest.approx(-8.480, abs=5e-4)


@pytest.mark.parametrize(
    ("t", "density"), [(0, 0.99984), (20, 0.99821), (25, 0.99705), (40, 0.99222)]
)
def test_density_of_water_equals_the_handbook(t, density):
    assert float(water_density(t)) == pytest.approx(density, abs=1e-5)


def test_analytic_forms_agree_with_their_own_value_at_25_c():
    for name, constant in LOG_K.items():
        assert float(log_k(constant, 25.0)) == pytest.approx(constant.value, abs=0.006), name


def test_van_t_hoff_moves_citric_acid_the_right_way():
    # minteq.v4.dat: H+ + Citrate-3, log K 6.396, delta_h 3.3472 kJ: rises with heat.
    from doughlab.water.constants import ACIDS

    first = ACIDS["citric"].protonation[0]
    by_hand = 6.396 + 3.3472 / (np.log(10) * 8.314462618e-3) * (1 / 298.15 - 1 / 278.15)
    assert float(log_k(first, 5.0)) == pytest.approx(by_hand, abs=1e-9)


@pytest.mark.parametrize(
    ("unit", "factor", "tolerance"),
    [
        ("mg/L HCO3", 0.82016, 5e-6),  # 50.0435/61.0168
        ("mmol/L", 50.04345, 5e-6),  # 100.0869/2
        ("German degree", 17.848, 5e-4),  # 10 mg CaO/L
        ("French degree", 10.0, 1e-12),  # by definition
        ("US grain", 17.118, 5e-4),  # grain per US gallon
        ("English degree", 14.254, 5e-4),  # grain per imperial gallon
    ],
)
def test_units_of_alkalinity_equal_their_definitions(unit, factor, tolerance):
    assert CACO3_MG_L_IN[unit] == pytest.approx(factor, abs=tolerance)


def test_metals_as_calcium_carbonate():
    # 1 mg Ca/L = 2.4973 and 1 mg Mg/L = 4.1180 mg CaCO3/L (ratio of molar masses).
    whole = 2 * CACO3_MG_PER_MEQ
    assert whole / MOLAR_MASS["calcium"] == pytest.approx(2.4973, abs=5e-5)
    assert whole / MOLAR_MASS["magnesium"] == pytest.approx(4.1180, abs=1.5e-4)
