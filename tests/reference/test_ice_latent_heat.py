"""Ice in mixing water, in Celsius and grams and by the trade's rule in Fahrenheit.

Latent heat 333.55 kJ/kg (from memory; 143.4 Btu/lb, the trade's 144), specific heat 4.186: 79.68 K.
1000 g, tap 20 C, wanted 4 C: 160.51 g (160.0 by the F rule); 600 g, 18 to 2 C: 98.28 g; 1000 g,
25 C, wanted -10 C: 334.35 g. Worked by hand: 16000/99.68, 9600/97.68, 35000/104.68.
"""

import pytest

from doughlab.formula.temperature import ICE_K, ice_by_trade_rule, ice_for, plan_water


def test_melting_in_kelvin_and_in_btu_per_pound():
    assert pytest.approx(79.68, abs=0.005) == ICE_K
    assert pytest.approx(143.40, abs=0.005) == 333.55 / 2.326  # 1 Btu/lb is 2.326 kJ/kg


@pytest.mark.parametrize(
    ("water_g", "tap_c", "wanted_c", "ice_g"),
    [(1000, 20, 4, 160.51), (600, 18, 2, 98.28), (1000, 25, -10, 334.35)],
)
def test_ice_by_mass(water_g, tap_c, wanted_c, ice_g):
    assert ice_for(water_g, tap_c=tap_c, wanted_c=wanted_c) == pytest.approx(ice_g, abs=0.005)
    plan = plan_water(water_g, wanted_c=wanted_c, tap_c=tap_c)
    assert plan.ice_g == pytest.approx(ice_g, abs=0.005)
    assert plan.tap_g + plan.ice_g == pytest.approx(water_g)


def test_the_rule_in_fahrenheit_with_any_unit_of_mass():
    assert ice_by_trade_rule(1000, tap_f=68, wanted_f=39.2) == pytest.approx(160.0, abs=0.05)
    pounds = ice_by_trade_rule(2.2, tap_f=68, wanted_f=39.2)
    assert pounds == pytest.approx(2.2 * 0.16, abs=1e-9)
