"""Heat properties of a dough against figures worked out outside this project.

Choi, Okos (1986), mass fractions and coefficients (coefficients from memory), flour 14 % water,
12 % protein, 1.2 % fat, 0.5 % ash, salt 2.5 % of flour, 20 C. The fat's conductivity slope is
-2.7604e-3 per C as printed on one secondary page.
"""

import pytest

from doughlab.formula.heat import estimate_dough_heat

# hydration: specific heat kJ/(kg K), density kg/m3 (as printed in the worked figures)
WORKED = {55: (2.749, 1247), 60: (2.793, 1237), 65: (2.834, 1228), 70: (2.873, 1220)}


@pytest.mark.parametrize("hydration", WORKED)
def test_specific_heat_and_density(hydration):
    heat = estimate_dough_heat(hydration)
    cp, density = WORKED[hydration]
    assert heat.specific_heat_kj_kgk == pytest.approx(cp, abs=0.5e-3)
    assert heat.density_kg_m3 == pytest.approx(density, abs=0.5)


def test_conductivity_bounds_from_55_to_70_per_cent():
    """Parallel 0.432 to 0.450, series 0.338 to 0.355 W/(m K)."""
    dry, wet = estimate_dough_heat(55), estimate_dough_heat(70)
    assert dry.conductivity_high_w_mk == pytest.approx(0.432, abs=0.5e-3)
    assert wet.conductivity_high_w_mk == pytest.approx(0.450, abs=0.5e-3)
    assert dry.conductivity_low_w_mk == pytest.approx(0.338, abs=0.5e-3)
    assert wet.conductivity_low_w_mk == pytest.approx(0.355, abs=0.5e-3)


def test_within_what_was_measured_on_doughs():
    """Croatian unleavened doughs (abstract): cp 1.4 to 4.0 kJ/(kg K), k down to 0.29 W/(m K)."""
    for hydration in (45, 60, 80):
        heat = estimate_dough_heat(hydration)
        assert 1.4 < heat.specific_heat_kj_kgk < 4.0
        assert heat.conductivity_low_w_mk > 0.29
