"""Mixing-water temperature: the trade's factor rule and a heat balance worked by hand.

Factor 3 in Fahrenheit: a published trade article gives 80 F wanted, flour 65, room 75, friction 35:
water 65 F. In Celsius by hand: 3 x 24 - 21 - 22 - 8 = 21; with a preferment of 20 C
4 x 24 - 21 - 22 - 8 - 20 = 25. Heat balance: specific heats 1.76 and 4.186 kJ/(kg K), flour 100 at
21 C, water 62, mixing rise 8/3 C, wanted 24 C: 21.56 C (by hand: 21.3333 + 176 x 0.3333 / 259.532).
"""

import pytest

from doughlab.formula.temperature import Part, water_temp_by_balance, water_temp_by_factor


def celsius(f):
    return (f - 32) / 1.8


def test_factor_three_in_celsius():
    assert water_temp_by_factor(24, flour_c=21, room_c=22, friction_c=8) == 21


def test_factor_four_with_a_preferment():
    water = water_temp_by_factor(24, flour_c=21, room_c=22, friction_c=8, preferment_c=20)
    assert water == 25


def test_published_example_in_fahrenheit():
    """The friction is a difference: 35 F are 35/1.8 C."""
    water = water_temp_by_factor(
        celsius(80), flour_c=celsius(65), room_c=celsius(75), friction_c=35 / 1.8
    )
    assert water * 1.8 + 32 == pytest.approx(65, abs=1e-9)


def test_heat_balance():
    water = water_temp_by_balance(24, [Part.of("flour", 100, 21)], water_g=62, rise_c=8 / 3)
    assert water == pytest.approx(21.56, abs=0.005)
    assert water == pytest.approx(21 + 1 / 3 + 176 / 3 / 259.532, abs=1e-9)
