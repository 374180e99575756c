"""Water temperatures close the heat balance, plans keep their limits, both scales agree."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from doughlab.errors import InputError, OutOfRange
from doughlab.formula.temperature import (
    Part,
    dough_temp_by_balance,
    ice_for,
    plan_water,
    water_temp_by_balance,
    water_temp_by_factor,
)

temps = st.floats(0, 40)


@given(st.floats(10, 35), temps, temps, st.floats(0, 8), st.floats(10, 5000), temps)
def test_the_water_found_gives_the_dough_wanted(target, flour_c, salt_c, rise, water_g, ferment_c):
    parts = [
        Part.of("flour", 1500, flour_c),
        Part.of("salt", 40, salt_c),
        Part.preferment("stiff", flour_g=500, water_g=250, temp_c=ferment_c),
    ]
    water_c = water_temp_by_balance(target, parts, water_g=water_g, rise_c=rise)
    dough = dough_temp_by_balance(parts, water_g=water_g, water_c=water_c, rise_c=rise)
    assert dough == pytest.approx(target, abs=1e-7)


@given(st.floats(50, 5000), st.floats(5, 35), st.floats(-20, 20))
def test_ice_and_tap_water_are_worth_the_water_wanted(water_g, tap_c, wanted_c):
    """Whatever else is in the mixer: ice and tap cool as the imagined cold water would."""
    plan = plan_water(water_g, wanted_c=wanted_c, tap_c=tap_c, most_ice_pct=100)
    if wanted_c > tap_c:
        return
    flour = [Part.of("flour", 2000, 24.0)]
    with_ice = dough_temp_by_balance(flour, water_g=plan.tap_g, water_c=tap_c, ice_g=plan.ice_g)
    imagined = dough_temp_by_balance(flour, water_g=water_g, water_c=wanted_c)
    assert with_ice == pytest.approx(imagined, abs=1e-9)


@given(temps, temps, st.floats(0, 15), st.floats(15, 30))
def test_factor_rule_says_the_same_in_both_scales(flour, room, friction, target):
    def f(c):
        return c * 1.8 + 32

    in_c = water_temp_by_factor(target, flour_c=flour, room_c=room, friction_c=friction)
    in_f = 3 * f(target) - f(flour) - f(room) - 1.8 * friction
    assert f(in_c) == pytest.approx(in_f, abs=1e-9)


def test_room_and_flour_as_warm_as_the_dough_need_water_as_much_colder_as_mixing_warms():
    """Algebra: all at 20 C, rise 3 C: the water makes up for 3 C of the whole dough."""
    water = water_temp_by_balance(20, [Part.of("flour", 1000, 20)], water_g=600, rise_c=3)
    assert water == pytest.approx(20 - 3 * (1 + 1000 * 1.76 / (600 * 4.186)))


def test_more_ice_than_the_limit_is_not_planned():
    plan = plan_water(1000, wanted_c=-40, tap_c=25)
    assert plan.ice_g == 500 and not plan.reached
    assert plan.reached_c == pytest.approx((25 * 500 - 79.6823 * 500) / 1000, abs=1e-3)
    assert plan.notes == (
        "more than 50 % ice would be needed: chill the flour as well, or mix less long",
    )


def test_much_ice_is_said():
    plan = plan_water(1000, wanted_c=-10, tap_c=25)
    assert plan.reached
    assert plan.notes == ("that is much ice: use it fine, and see that it melts while mixing",)
    assert plan.liquid_c == pytest.approx(25.0)


def test_warm_water_is_mixed_from_hot_and_cold():
    """By hand: 1000 g of 32 C from 16 and 48 C is half and half."""
    plan = plan_water(1000, wanted_c=32, tap_c=16, hot_c=48)
    assert (plan.hot_g, plan.tap_g, plan.ice_g) == (500, 500, 0)
    assert plan.reached and plan.liquid_c == pytest.approx(32)


def test_water_that_harms_yeast_is_not_planned():
    plan = plan_water(1000, wanted_c=52, tap_c=15, hot_c=65)
    assert not plan.reached and plan.reached_c == 45
    assert plan.notes[0] == (
        "water above 45 °C harms yeast: warm flour and room instead, or accept a cooler dough"
    )


def test_hot_water_that_is_not_hot_enough_is_said():
    plan = plan_water(1000, wanted_c=40, tap_c=15, hot_c=38)
    assert not plan.reached and plan.hot_g == 1000
    assert plan.notes == ("the hot water is not hot enough",)
    assert plan_water(1000, wanted_c=30, tap_c=15).notes == ("warm the water, and measure it",)


def test_cold_tap_needs_no_ice():
    assert ice_for(1000, tap_c=10, wanted_c=12) == 0
    assert plan_water(1000, wanted_c=10, tap_c=10).ice_g == 0


def test_a_fahrenheit_target_typed_as_celsius_is_told():
    with pytest.raises(OutOfRange) as raised:
        water_temp_by_factor(75, flour_c=21, room_c=22, friction_c=8)
    assert str(raised.value) == (
        "A dough of 75 °C lies outside 5 to 40 °C. In Fahrenheit type the unit, such as 75 F."
    )


@pytest.mark.parametrize(
    ("build", "words"),
    [
        (lambda: water_temp_by_balance(24, [], water_g=0, rise_c=2), "no mixing water"),
        (lambda: dough_temp_by_balance([], water_g=0, water_c=10), "nothing in the mixer"),
        (lambda: ice_for(100, tap_c=-1, wanted_c=-5), "Tap water of -1 °C is ice"),
        (lambda: plan_water(0, wanted_c=5, tap_c=20), "water_g 0 must lie above 0 g"),
        (lambda: plan_water(100, wanted_c=5, tap_c=-3), "tap_c -3 lies outside 0 to 100"),
        (lambda: Part.preferment("x", flour_g=0, water_g=0, temp_c=5), "weighs nothing"),
    ],
)
def test_what_cannot_be_is_refused(build, words):
    with pytest.raises(InputError, match=words):
        build()


def test_hot_water_colder_than_the_tap_is_left_where_it_is():
    plan = plan_water(1000, wanted_c=32, tap_c=25, hot_c=20)
    assert (plan.tap_g, plan.hot_g, plan.reached_c, plan.reached) == (1000, 0.0, 25, False)
    assert plan.notes == ("the hot water is not hot enough",)
