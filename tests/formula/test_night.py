"""After a night: bounds that hold whatever it was like, changes that keep the sum of hours."""

import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from doughlab.errors import InputError
from doughlab.formula.clock import TemperatureHistory, equivalent_hours
from doughlab.formula.night import DoughPlan, Night, count_night, make_up
from doughlab.formula.ripening import Q10Model
from doughlab.formula.starter import DISCARD

CLOCK = Q10Model(2.5, reference_c=20.0)
DOUGH = DoughPlan(share_pct=30.0, bulk_h=3.0, dough_c=24.0, cooler_c=4.0)


@given(st.lists(st.floats(0, 1), min_size=2, max_size=12), st.floats(10, 20), st.floats(0, 12))
def test_whatever_the_night_was_like_its_hours_lie_between_the_bounds(shape, low, swing):
    temps = tuple(low + swing * s for s in shape)
    hours = tuple(float(h) for h in np.linspace(0, 10, len(shape)))
    real = equivalent_hours(TemperatureHistory(hours, temps), CLOCK)
    night = count_night(10, low_c=low, high_c=low + swing, clock=CLOCK)
    assert night.least_h - 1e-9 <= real <= night.most_h + 1e-9
    assert night.least_h - 1e-9 <= night.worth_h <= night.most_h + 1e-9


def test_an_even_night_is_counted_exactly():
    night = count_night(9, low_c=30, high_c=30, clock=CLOCK)
    assert night.worth_h == pytest.approx(9 * 2.5)


def test_a_hot_night_gives_three_ways_that_keep_the_sum():
    """Share times hours, by hand: planned 0.30 x 10 = 3 at 20 C; the night gave 14."""
    night = Night(10, 14.0, 13.0, 15.0)
    change = make_up(night, 10.0, DOUGH, clock=CLOCK)
    assert change.past_h == 4.0
    assert change.share_pct * 14.0 == pytest.approx(30.0 * 10.0)
    owed = 0.30 * 4.0
    assert -change.hold_diff_h * CLOCK.rate(4.0) == pytest.approx(owed)
    cooler = 3.0 * (CLOCK.rate(24.0) - CLOCK.rate(24.0 + change.dough_diff_c))
    assert cooler == pytest.approx(owed, abs=1e-9)
    assert change.words == (
        "4 h past ripe, give or take 1 h: use 21 % of the flour in it instead of 30 %, or make the "
        "dough 3.5 °C colder, or hold it 5 h shorter. Check the dough by meter."
    )


def test_a_cold_night_works_the_other_way():
    change = make_up(Night(10, 8.0, 7.5, 8.5), 10.0, DOUGH, clock=CLOCK)
    assert change.past_h == -2.0 and change.share_pct > 30.0
    assert change.dough_diff_c > 0 and change.hold_diff_h > 0
    assert "2 h short of ripe" in change.words and "longer" in change.words


@pytest.mark.parametrize("worth", [25.0, 4.0, 0.0])
def test_too_far_off_asks_for_a_new_one(worth):
    change = make_up(Night(10, worth, worth, worth), 10.0, DOUGH, clock=CLOCK)
    assert change.share_pct is None and change.hold_diff_h is None
    assert change.words.endswith("too far off to make up for. Make a new one.")


def test_a_spoiled_one_is_thrown_away_whatever_the_night_was():
    change = make_up(Night(10, 10.0, 9, 11), 10.0, DOUGH, clock=CLOCK, spoiled=True)
    assert change.words == DISCARD and change.share_pct is None


def test_without_a_bulk_the_temperature_is_no_way():
    cold = DoughPlan(30.0, 0.0, 24.0, 4.0)
    change = make_up(Night(10, 12.0, 11, 13), 10.0, cold, clock=CLOCK)
    assert change.dough_diff_c is None and "colder" not in change.words


def test_nights_and_plans_that_cannot_be_are_refused():
    with pytest.raises(InputError) as raised:
        count_night(8, low_c=22, high_c=18)
    assert str(raised.value) == (
        "A night of 8 h from 22 to 18 °C cannot be. Give hours above 0 and the lower temperature "
        "first."
    )
    with pytest.raises(InputError, match="share of the preferment above 0"):
        make_up(Night(10, 10, 9, 11), 10.0, DoughPlan(0.0, 3, 24), clock=CLOCK)


def test_a_cooler_above_5_c_gives_no_change_of_the_dough():
    change = make_up(
        Night(10, 14.0, 13.0, 15.0), 10.0, DoughPlan(30.0, 3.0, 24.0, 6.5), clock=CLOCK
    )
    assert (change.share_pct, change.dough_diff_c, change.hold_diff_h) == (None, None, None)
    assert change.words == (
        "4 h past ripe, give or take 1 h. The cooler is at 6.5 °C, above 5 °C: no advice on the "
        "dough; follow the food-safety plan of the kitchen."
    )


@given(st.floats(1, 100), st.floats(0.6, 1.9))
def test_no_share_is_ever_more_than_all_the_flour(share, worth):
    """A cold night asks for more of the preferment; more than all of it there is not."""
    change = make_up(Night(10, 10 * worth, 9 * worth, 11 * worth), 10.0,
                     DoughPlan(share, 3.0, 24.0), clock=CLOCK)  # fmt: skip
    told = [float(n) for n in re.findall(r"use ([0-9.]+) % of the flour", change.words)]
    assert all(n <= 100 for n in told)
    assert change.share_pct is None or change.share_pct <= 100


def test_a_dough_all_of_preferment_cannot_take_more_of_it():
    change = make_up(Night(10, 8.0, 7.0, 9.0), 10.0, DoughPlan(100.0, 0.0, 24.0), clock=CLOCK)
    assert change.share_pct is None
    assert change.words.startswith("2 h short of ripe, give or take 1 h: hold it ")
    assert "% of the flour" not in change.words
