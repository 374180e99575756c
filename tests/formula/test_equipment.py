"""Mixer and box of a formula: read, refused, and what `doughlab mix` makes of them."""

import re

import pytest

from doughlab.errors import InputError, UnknownName
from doughlab.formula.equipment import Box, Mixer
from doughlab.formula.formula import Formula, parse_formula
from doughlab.formula.mixwater import Kitchen, kind_of_mix, learn_from_mixes, plan_mix

HEAD = "format = 1\n[percent]\nhydration = 62\n"
DOUGH = Formula(percents={"hydration": 62}, mixer=Mixer("spiral", "1"))


def mix(speed, dough_c, mixer="spiral"):
    return {"flour_temp_c": 21, "room_temp_c": 21, "water_temp_c": 16, "dough_temp_c": dough_c,
            "mixer": mixer, "mixer_speed": speed}  # fmt: skip


def test_mixer_and_box_are_read():
    formula, problems = parse_formula(
        HEAD + '[mixer]\nname = "spiral"\nspeed = 2\ncarries_kg = 20\n[box]\nair = "stack"\n'
    )
    assert problems == [] and formula is not None
    assert formula.mixer == Mixer("spiral", "2", 20.0)
    assert formula.box.film.value_w_m2k == 3.0


def test_a_calibrated_box_takes_the_place_of_the_usual_range():
    formula, problems = parse_formula(
        HEAD + "[box]\nw_m2k = 6.5\nlow_w_m2k = 5.5\nhigh_w_m2k = 8\n"
    )
    assert problems == [] and formula is not None
    film = formula.box.film
    assert (film.low_w_m2k, film.value_w_m2k, film.high_w_m2k) == (5.5, 6.5, 8.0)


@pytest.mark.parametrize(
    ("section", "words"),
    [
        ("[mixer]\nnmae = 'x'", "formula.toml, row 5, column mixer.nmae: key 'nmae' is not known. "
         "Did you mean 'name'? Known: carries_kg, name, speed."),
        ("[box]\nair = 'wind'", "formula.toml, row 5, column box.air: air 'wind' is not known. "
         "Known: box, fan, open, stack."),
        ("[box]\nw_m2k = 6", "formula.toml, row 4, column box: w_m2k, low_w_m2k and high_w_m2k "
         "belong together: all three, the low one at most w_m2k and the high one at least. "
         "doughlab ripe BALL --probe works them out."),
        ("[mixer]\ncarries_kg = 0", "formula.toml, row 5, column mixer.carries_kg: "
         "carries_kg 0 lies outside 0.1 to 1000 kg."),
    ],
)  # fmt: skip
def test_a_slip_is_told_with_its_place(section, words):
    formula, problems = parse_formula(HEAD + section)
    assert formula is None
    assert str(problems[0]) == words


def test_a_range_out_of_order_is_refused():
    with pytest.raises(InputError, match="belong together"):
        Box("box", 6.0, 7.0, 8.0)


def test_the_warming_is_learned_for_each_speed_apart():
    """Eight mixes slow (dough 22) and eight fast (dough 26): the difference of 4 is found again,
    drawn a little towards one figure."""
    mixes = [mix("1", 22 + 0.1 * (i % 3)) for i in range(8)]
    mixes += [mix("2", 26 + 0.1 * (i % 3)) for i in range(8)]
    own = learn_from_mixes(mixes, DOUGH)
    slow, fast = (own.model.foresee(mixer="spiral", speed=s).value_c for s in "12")
    assert 3.0 < fast - slow < 4.05
    today = Kitchen(21, 21, 18)
    plans = [plan_mix(DOUGH, today, own, dough_c=24, kind=("spiral", s)) for s in "12"]
    assert plans[0].water_c > plans[1].water_c + 5
    # the factor rule by hand: 3 x 22.1 - 21 - 21 - 16 = 8.3, so 3 x 24 - 42 - 8.3 = 21.7
    assert plans[0].factor_c == pytest.approx(21.7)


def test_a_mix_without_a_mixer_is_one_of_the_formula():
    assert kind_of_mix({}, DOUGH) == ("spiral", "1")
    assert kind_of_mix({"mixer_speed": "3"}, DOUGH) == ("spiral", "3")


def test_an_unknown_mixer_has_a_wider_range():
    own = learn_from_mixes([mix("1", 22.0 + 0.1 * i) for i in range(6)], DOUGH)
    known, new = own.model.foresee(mixer="spiral", speed="1"), own.model.foresee(mixer="fork")
    assert new.high_c - new.low_c > known.high_c - known.low_c
    assert re.search("0 of this kind: drawn to the usual figure", new.words)


def test_the_error_of_a_name_names_the_known():
    with pytest.raises(UnknownName):
        Box("box").film.at("middle")
