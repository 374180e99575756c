"""The kitchen-temperature card: blank where untried, limits kept, both units."""

from dataclasses import replace

import pytest

from doughlab.errors import InputError, NotEstimable
from doughlab.formula.card import CardBasis, build_card, hold_for_room
from doughlab.formula.formula import Formula
from doughlab.formula.mixwater import learn_from_mixes
from doughlab.formula.ripening import Q10Model
from doughlab.formula.steps import BallSteps, usual_body

DOUGH = Formula(percents={"hydration": 62.0, "salt": 2.5}, balls=18, ball_g=260.0)
MIXES = [
    {"flour_temp_c": r, "room_temp_c": r, "water_temp_c": 15.0, "dough_temp_c": 21.5, "mix_min": 12}
    for r in (19.0, 20.0, 21.0, 24.0, 26.0)
]
BASIS = CardBasis(
    DOUGH, learn_from_mixes(MIXES, DOUGH), dough_c=23.0, tap_c=18.0, mix_rooms_c=(19.0, 26.0),
    warm_rooms_c=(20.0, 24.0), hold_rooms_c=(20.0, 24.0), core_c=12.0, hold_h=48.0,
)  # fmt: skip


def test_cells_outside_tried_rooms_stay_blank():
    card = build_card([16, 19, 22, 26, 30], BASIS)
    filled = [
        tuple(v is not None for v in (r.water_c, r.ice_g, r.warm_h, r.hold_h)) for r in card.rows
    ]
    assert filled == [
        (False, False, False, False),
        (True, True, False, False),
        (True, True, True, True),
        (True, True, False, False),
        (False, False, False, False),
    ]


def test_nothing_tried_is_an_empty_card():
    bare = CardBasis(DOUGH, learn_from_mixes([], DOUGH), 23.0, 18.0)
    card = build_card([20, 22], bare)
    assert all(r.water_c is r.warm_h is r.hold_h is None for r in card.rows)
    assert "warming by the mixer: usual figure, no mix of yours is measured yet" in card.notes


def test_warmer_rooms_need_colder_water_less_warm_up_and_a_shorter_hold():
    rows = build_card([20, 22, 24], BASIS).rows
    for name, falls in (("water_c", True), ("warm_h", True), ("hold_h", True), ("ice_g", False)):
        values = [getattr(r, name) for r in rows]
        assert values == sorted(values, reverse=falls), name
        assert values[0] != values[-1] or name == "ice_g"


def test_warm_up_never_passes_the_limit():
    """Whatever the limit: filled cells end at it, time spent before counted; else blank."""
    for limit in (1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 8.0):
        for row in build_card([20, 22, 24], replace(BASIS, warm_limit_h=limit)).rows:
            if row.warm_h is not None:
                assert row.warm_h <= row.warm_high_h <= limit - BASIS.spent_h + 1e-12
    assert build_card([22], replace(BASIS, warm_limit_h=1.1)).rows[0].warm_h is None


def test_water_that_cannot_be_had_leaves_the_cell_blank():
    hot = replace(BASIS, dough_c=6.0, tap_c=30.0, mix_rooms_c=(19.0, 45.0))
    assert build_card([45], hot).rows[0].water_c is None


def test_the_hold_of_another_room_ripens_as_much_as_the_settled_one():
    """Counted again here, stay by stay: within 1 %; the cooler's hours make up the rest."""
    clock = Q10Model(2.6, reference_c=4.0)
    body = usual_body(260, 62)

    def worth(room, hold):
        cold = hold - BASIS.bench_h - BASIS.warm_h
        return BallSteps(BASIS.bench_h, cold, BASIS.warm_h, 23.0, room, 4.0, room).ripening_h(
            body, clock
        )

    settled = worth(22.0, 48.0)
    for room in (18.0, 26.0, 30.0):
        assert worth(room, hold_for_room(room, BASIS)) == pytest.approx(settled, rel=0.01)
    assert hold_for_room(22.0, BASIS) == pytest.approx(48.0)


def test_lines_fit_80_columns_in_both_units():
    card = build_card([16, 20, 22, 24], BASIS)
    for show in ("C", "F"):
        lines = card.lines(show=show)
        assert max(map(len, lines)) <= 80
        assert not any("safe" in line for line in lines)
    assert "72 °F" in "\n".join(card.lines(show="F"))
    assert card.lines()[1].strip() == "16 °C"
    assert card.lines()[5].endswith("blank: not tried")
    assert "at your limit the advice ends" in str(card)


def test_what_cannot_be_is_refused():
    with pytest.raises(InputError, match="Give the room temperatures"):
        build_card([], BASIS)
    with pytest.raises(NotEstimable, match="No hold is settled yet"):
        hold_for_room(22, replace(BASIS, hold_h=None))
    with pytest.raises(NotEstimable, match="bench and warm-up alone"):
        hold_for_room(45, replace(BASIS, hold_h=3.0, warm_h=2.0))


def test_a_cooler_above_5_c_leaves_warm_up_and_hold_blank():
    card = build_card([20, 22, 24], replace(BASIS, cooler_c=5.1))
    assert all(r.warm_h is r.warm_low_h is r.warm_high_h is r.hold_h is None for r in card.rows)
    assert all(r.water_c is not None for r in card.rows)
    assert (
        "cooler over 5 °C: no warm-up or hold; follow the food-safety plan of the kitchen"
        in card.notes
    )
    assert max(map(len, str(card).splitlines())) <= 80
    assert build_card([22], replace(BASIS, cooler_c=5.0)).rows[0].warm_h is not None
