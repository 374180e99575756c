"""Costs over volumes and the numbers that decide, against sums by hand."""

from dataclasses import replace

import pytest

from doughlab.errors import InputError, OutOfRange
from doughlab.water.costs import balls_a_day, compare_costs, compare_levers, crossing_words
from doughlab.water.supply import Part, Supply, Use

USE = Use(dough_kg_per_year=20_000, ball_g=250, hydration_pct=60, other_pct=3, days_per_year=320)
LITRES_PER_KG = 60 / 163 / 0.99821  # by hand: water in a kg of dough over its density at 20 C
BOTTLED = Supply("bottled", "bottled", price_per_l=0.35)
UNIT = Supply("unit", "reverse osmosis", price_per_l=0.004, purchase=2400, life_years=8,
              service_per_year=180)  # fmt: skip


@pytest.fixture(scope="module")
def costs():
    return compare_costs([BOTTLED, UNIT], USE, currency="EUR")


def test_balls_a_day_by_hand():
    assert balls_a_day(USE, 20_000) == pytest.approx(20_000 / 0.250 / 320)


def test_costs_at_every_volume_by_hand(costs):
    for kg, bottled, unit in zip(
        costs.dough_kg_per_year, costs.per_year["bottled"], costs.per_year["unit"], strict=True
    ):
        assert bottled == pytest.approx(0.35 * LITRES_PER_KG * kg)
        assert unit == pytest.approx(0.004 * LITRES_PER_KG * kg + 2400 / 8 + 180)
    assert costs.dough_kg_per_year[-1] == pytest.approx(40_000)
    assert costs.at_use["bottled"] == pytest.approx(0.35 * LITRES_PER_KG * 20_000)


def test_equal_cost_by_hand(costs):
    ((crossing, kg),) = costs.shown_crossings()
    assert (crossing.first, crossing.second) == ("bottled", "unit")
    assert kg == pytest.approx(480 / (0.35 - 0.004) / LITRES_PER_KG, rel=1e-6)
    assert costs.cheapest == "unit"


def test_a_crossing_outside_the_range_is_said_but_not_shown():
    small = compare_costs([BOTTLED, UNIT], replace(USE, dough_kg_per_year=1000), most_kg=2000)
    assert small.shown_crossings() == []
    assert "bottled is cheaper below 47 balls a day, unit above" in str(small)
    assert small.cheapest == "bottled"


def test_a_part_replaced_by_time_then_by_volume_is_crossed_where_volume_counts():
    other = Supply("stepped", "filter", price_per_l=0.01, parts=(Part("big", 200, 2000, 24),))
    flat = Supply("flat", "filter", service_per_year=130)
    costs = compare_costs([other, flat], USE)
    (words,) = [crossing_words(c, USE) for c in costs.crossings]
    # 100 a year up to 1000 L, then 0.1 a litre; with 0.01 a litre it reaches 130 at 1181.8 L
    assert words == (
        f"stepped is cheaper below {130 / 0.11 / LITRES_PER_KG / 80:.0f} balls a day, flat above"
    )


def test_text_speaks_of_balls_and_of_the_own_currency(costs):
    lines = str(costs).splitlines()
    assert lines[0].startswith("at 250 balls a day, ")
    assert lines[1].split() == ["unit", "510", "EUR", "a", "year"]
    assert max(map(len, lines)) <= 80


@pytest.mark.parametrize("supplies", [[BOTTLED], [BOTTLED, replace(UNIT, name="bottled")]])
def test_one_supply_is_nothing_to_compare(supplies):
    with pytest.raises(InputError) as error:
        compare_costs(supplies, USE)
    assert str(error.value) == "Give two or more supplies, each with a name of its own."


def test_a_range_that_no_kitchen_has_is_refused():
    with pytest.raises(OutOfRange):
        compare_costs([BOTTLED, UNIT], USE, most_kg=1)


def test_ends_of_a_lever_by_hand():
    found = compare_levers(BOTTLED, UNIT, USE, change_pct=20)
    litres = LITRES_PER_KG * 20_000
    middle = litres * (0.35 - 0.004) - 480
    assert found.difference == pytest.approx(middle)
    ends = {(lever.supply, lever.what): (low, high) for lever, low, high in found.ends}
    swing = 0.2 * 0.35 * litres
    assert ends["bottled", "price_per_l"] == pytest.approx((middle - swing, middle + swing))
    # a dearer unit makes bottled look better: the sign turns
    assert ends["unit", "purchase"] == pytest.approx((middle + 60, middle - 60))
    assert found.deciding == ()
    assert str(found).splitlines()[0] == f"bottled costs {middle:.0f} a year more than unit"


def test_a_number_that_turns_the_choice_is_named():
    cheap = replace(BOTTLED, price_per_l=480 / (LITRES_PER_KG * 20_000) + 0.004 + 0.001)
    found = compare_levers(cheap, UNIT, USE, currency="EUR")
    assert found.difference == pytest.approx(0.001 * LITRES_PER_KG * 20_000)
    assert found.deciding[0] == "price of a litre (bottled)"
    assert "purchase (unit)" in found.deciding
    assert "price of a litre (unit)" not in found.deciding  # moves it by 0.0008 a litre only


def test_a_supply_is_not_compared_with_itself():
    with pytest.raises(InputError) as error:
        compare_levers(UNIT, UNIT, USE)
    assert str(error.value) == "Both supplies are called 'unit'. Name two different ones."
