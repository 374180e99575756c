"""Mixing water of a batch: parts listed whole, rises of own mixes, preferments counted."""

from dataclasses import replace

import pytest

from doughlab.errors import InputError
from doughlab.formula.formula import AcidInWater, Formula, Preferment
from doughlab.formula.mixwater import (
    Kitchen,
    learn_from_mixes,
    list_parts,
    plan_mix,
    rise_of_mix,
)
from doughlab.formula.temperature import dough_temp_by_balance
from doughlab.formula.weighing import weigh_batch

DOUGH = Formula(percents={"hydration": 62.0, "salt": 2.5, "oil": 1.5, "yeast": 0.3})
KITCHEN = Kitchen(room_c=22.0, flour_c=21.0, tap_c=18.0)
NONE = learn_from_mixes([], DOUGH)


def mix(dough_c=23.0, **more):
    row = {"batch_id": "B1", "flour_temp_c": 21.0, "room_temp_c": 22.0, "water_temp_c": 15.0,
           "dough_temp_c": dough_c, "mix_min": 12.0}  # fmt: skip
    return row | more


@pytest.mark.parametrize(
    "formula",
    [
        DOUGH,
        replace(DOUGH, preferments=(Preferment("stiff", 30, 50),)),
        replace(DOUGH, preferments=(Preferment("levain", 20, 100, kind="starter"),)),
        replace(DOUGH, acid=AcidInWater("vinegar", 2.0), water_split={"mix": 80, "second mix": 20}),
    ],
)
def test_parts_and_water_are_the_whole_dough(formula):
    card = weigh_batch(formula)
    parts, water_g = list_parts(card, formula, flour_c=21, room_c=22, ferment_c=19)
    assert sum(p.grams for p in parts) + water_g == pytest.approx(card.dough_g)
    ferments = [p for p in parts if p.name in {"stiff", "levain"}]
    assert all(p.temp_c == 19 for p in ferments)


@pytest.mark.parametrize(
    ("hydration", "heat"),
    [(50, (100 * 1.76 + 50 * 4.186) / 150), (100, (1.76 + 4.186) / 2), (80, 5.1088 / 1.8)],
)
def test_a_preferment_warms_as_its_own_flour_and_water_do(hydration, heat):
    """Heats of mixtures add by mass (the same figures for flour and water as in
    tests/reference/test_water_temperature_trade.py); at 80 % 1.76 + 0.8 x 4.186 = 5.1088."""
    formula = replace(DOUGH, preferments=(Preferment("part", 20, hydration),))
    parts, _ = list_parts(weigh_batch(formula), formula, flour_c=21, room_c=22, ferment_c=19)
    (part,) = [p for p in parts if p.name == "part"]
    assert part.specific_heat_kj_kgk == pytest.approx(heat)


def test_the_rise_of_a_mix_closes_its_own_balance():
    """What is found as rise, put back on top of the mixture, is the dough that was measured."""
    rise = rise_of_mix(mix(23.0), DOUGH)
    parts, water_g = list_parts(weigh_batch(DOUGH), DOUGH, flour_c=21, room_c=22)
    back = dough_temp_by_balance(parts, water_g=water_g, water_c=15.0, rise_c=rise)
    assert back == pytest.approx(23.0)


def test_grams_of_the_mix_count_where_they_are_recorded():
    wet = rise_of_mix(mix(23.0, flour_g=1000.0, water_g=800.0), DOUGH)
    dry = rise_of_mix(mix(23.0, flour_g=1000.0, water_g=500.0), DOUGH)
    assert wet > dry  # more cold water, so mixing must have warmed it more


def test_mixes_without_their_temperatures_teach_nothing():
    nothing = [mix(dough_temp_c=None), mix(flour_temp_c=None, room_temp_c=None)]
    own = learn_from_mixes(nothing, DOUGH)
    assert own.model.foresee().n == 0 and own.factor_friction_c is None


def test_flour_that_nobody_read_stood_in_the_room():
    """So a kitchen that never reads its flour is still told its own water (common practice)."""
    unread, room = mix(23.0, flour_temp_c=None), mix(23.0)["room_temp_c"]
    assert rise_of_mix(unread, DOUGH) == rise_of_mix(mix(23.0, flour_temp_c=room), DOUGH)
    found = learn_from_mixes([unread] * 3, DOUGH)
    assert found.model.foresee().n == 3 and found.factor_friction_c is not None


def test_a_mix_that_cannot_have_been_is_left_out_and_named():
    own = learn_from_mixes([mix(23.0), mix(48.0, batch_id="B2")], DOUGH)
    assert own.model.foresee().n == 1
    assert own.left_out[0].startswith("B2: A mix that warmed its dough by")


def test_the_water_planned_gives_the_dough_wanted():
    plan = plan_mix(DOUGH, KITCHEN, NONE, dough_c=24.0)
    assert plan.reached_c == pytest.approx(24.0)
    assert plan.low_c < 24.0 < plan.high_c
    assert plan.water.tap_g + plan.water.ice_g + plan.water.hot_g == pytest.approx(
        plan.card.grams("water")
    )


def test_a_cold_preferment_asks_for_warmer_water():
    formula = replace(DOUGH, preferments=(Preferment("stiff", 30, 50),))
    warm, cold = (
        plan_mix(formula, replace(KITCHEN, ferment_c=t), NONE, dough_c=24.0) for t in (22.0, 6.0)
    )
    assert cold.water_c > warm.water_c
    assert cold.factor_c - warm.factor_c == pytest.approx(16.0)


def test_own_mixes_move_the_water_against_the_warming():
    hot = learn_from_mixes([mix(27.0)] * 12, DOUGH)
    assert plan_mix(DOUGH, KITCHEN, hot, dough_c=24.0).water_c < (
        plan_mix(DOUGH, KITCHEN, NONE, dough_c=24.0).water_c
    )


def test_the_factor_rule_finds_the_water_of_an_own_mix_again():
    own = learn_from_mixes([mix(23.0)], DOUGH)
    plan = plan_mix(DOUGH, Kitchen(22.0, 21.0, 18.0), own, dough_c=23.0)
    assert plan.factor_c == pytest.approx(15.0)


def test_all_the_water_in_the_preferment_leaves_none_to_set():
    formula = replace(DOUGH, preferments=(Preferment("all", 100, 62, yeast_pct=0.3),))
    with pytest.raises(InputError, match="none is left to mix warm or cold"):
        plan_mix(formula, KITCHEN, NONE, dough_c=24.0)


@pytest.mark.parametrize("ferment_c", [4.0, 12.0, 22.0])
def test_the_water_of_own_mixes_is_found_again_whatever_the_preferment(ferment_c):
    """Identity: a kitchen whose mixes all were alike, asked for the same dough, gets that water.

    The preferment comes out of the cooler every time; its temperature stands in no mix. With many
    mixes the usual figure hardly pulls any more.
    """
    formula = replace(DOUGH, preferments=(Preferment("stiff", 30, 50),))
    mixes = [mix(23.0, water_temp_c=26.0)] * 300
    own = learn_from_mixes(mixes, formula, ferment_c=ferment_c)
    plan = plan_mix(formula, replace(KITCHEN, ferment_c=ferment_c), own, dough_c=23.0, minutes=12)
    assert plan.factor_c == pytest.approx(26.0)
    assert plan.water_c == pytest.approx(26.0, abs=0.2)


def test_a_preferment_that_is_not_said_is_as_warm_as_the_room_then_and_now():
    formula = replace(DOUGH, preferments=(Preferment("stiff", 30, 50),))
    own = learn_from_mixes([mix(23.0, water_temp_c=26.0)] * 300, formula)
    plan = plan_mix(formula, KITCHEN, own, dough_c=23.0, minutes=12)
    assert plan.water_c == pytest.approx(26.0, abs=0.2)
    assert plan.factor_c == pytest.approx(26.0)


# ---- mixes that say how warm their preferment was

FERMENTED = replace(DOUGH, preferments=(Preferment("stiff", 30, 50),))


def even(warm_c, dough_c, **more):
    """A mix in which everything has one temperature: it then stays there but for the mixing."""
    same = dict.fromkeys(("flour_temp_c", "room_temp_c", "water_temp_c"), warm_c)
    return mix(dough_c, **same) | more


def test_a_stated_preferment_is_taken_and_not_that_of_today():
    """By physics: parts that are all at 20 degrees give 20 degrees; what is above is the mixing."""
    row = even(20.0, 23.5, preferment_temp_c=20.0)
    for today in (None, 4.0, 30.0):
        assert rise_of_mix(row, FERMENTED, ferment_c=today) == pytest.approx(3.5)
    assert rise_of_mix(even(20.0, 23.5), FERMENTED, ferment_c=4.0) > 3.6


def test_the_factor_rule_counts_a_stated_preferment_as_its_fourth_number():
    """Four times the dough less the four temperatures: 4 x 23 - 21 - 22 - 15 - 6 = 28."""
    own = learn_from_mixes([mix(23.0, preferment_temp_c=6.0)], FERMENTED, ferment_c=20.0)
    assert own.factor_friction_c == pytest.approx(28.0)
    assert learn_from_mixes([mix(23.0, preferment_temp_c=6.0)], DOUGH).factor_friction_c == (
        pytest.approx(3 * 23.0 - 21.0 - 22.0 - 15.0)
    )  # a dough without one: the cell is not used


def test_a_preferment_that_is_not_said_today_is_as_warm_as_in_own_mixes():
    """Its middle stands in for today and for mixes that do not say it: 4, 6 and 9 give 6."""
    mixes = [mix(23.0, preferment_temp_c=t) for t in (4.0, 9.0, 6.0)] + [mix(23.0)]
    own = learn_from_mixes(mixes, FERMENTED)
    assert (own.ferment_c, own.unsaid) == (6.0, 1)
    silent = plan_mix(FERMENTED, KITCHEN, own, dough_c=24.0)
    stated = plan_mix(FERMENTED, replace(KITCHEN, ferment_c=6.0), own, dough_c=24.0)
    assert silent.water_c == pytest.approx(stated.water_c)
    assert silent.factor_c == pytest.approx(stated.factor_c)
    assert [r.rise_c for r in own.model.records][3] == pytest.approx(
        rise_of_mix(mix(23.0, preferment_temp_c=6.0), FERMENTED)
    )
    told = learn_from_mixes(mixes, FERMENTED, ferment_c=20.0)
    assert [r.rise_c for r in told.model.records][3] == pytest.approx(
        rise_of_mix(mix(23.0, preferment_temp_c=20.0), FERMENTED)
    )
