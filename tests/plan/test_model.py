"""Which terms a response is fitted with, decided by the layout alone."""

from dataclasses import replace
from itertools import product

import pytest

from doughlab.plan.model import ModelTerms, build_layout, centre, choose_terms
from doughlab.plan.plan import build_plan


def terms_of(settings, response="ph", plan=None):
    plan = plan or build_plan(settings)
    own = settings.responses[response]
    return choose_terms(settings, build_layout(settings, plan.batches, plan.balls, own), own)


def test_the_demo_model(kitchen):
    terms = terms_of(kitchen)
    assert terms.formula == (
        "y ~ block + water + mixing_water + hydration + hold + water:mixing_water + "
        "water:hydration + water:hold + mixing_water:hydration + mixing_water:hold + hydration:hold"
    )
    assert terms.random == ("batch", "session")
    assert terms.as_number == ("mixing_water", "hydration")
    assert terms.centres == {"mixing_water": pytest.approx(15.0), "hydration": 62.5}
    assert terms.not_estimable == () and terms.notes == ()


def test_a_factor_is_judged_at_the_level_it_is_set(kitchen):
    level = terms_of(kitchen).level
    assert level["block"] == "day" and level["water"] == "batch" and level["hold"] == "ball"
    assert level["water:hydration"] == "batch" and level["water:hold"] == "ball"


def test_a_score_adds_ball_and_judge(kitchen):
    assert terms_of(kitchen, "score").random == ("batch", "session", "ball", "judge")


def test_one_judge_adds_neither(change):
    assert terms_of(change(panel={"judges": ("J1",)}), "score").random == ("batch", "session")


def test_six_days_or_a_day_factor_make_the_block_random(kitchen, change):
    six = terms_of(change(blocks={"days": 6, "replicates": 3}))
    assert six.random[0] == "block" and "block" not in six.fixed
    factors = {**kitchen.factors, "hydration": replace(kitchen.factors["hydration"], set="day")}
    by_day = terms_of(change(factors=factors))
    assert by_day.random[0] == "block" and "block" not in by_day.fixed
    assert by_day.level["hydration"] == "day" and by_day.not_estimable == ()


def test_five_days_leave_it_fixed(change):
    assert (
        terms_of(change(blocks={"days": 5, "batches_per_day": 8, "replicates": 3})).fixed[0]
        == "block"
    )


def test_no_blocks_when_none_are_wanted(change):
    terms = terms_of(change(blocks={"kind": "none"}))
    assert "block" not in terms.fixed and "block" not in terms.random


def test_one_day_tells_no_session_from_the_hold_and_says_so(change):
    terms = terms_of(change(blocks={"days": 1, "batches_per_day": 12, "replicates": 1}))
    assert "session" not in terms.random and "block" not in terms.fixed
    assert terms.not_estimable == ("hold",)
    assert terms.reasons["hold"] in terms.notes
    assert terms.reasons["hold"] == (
        "hold: no reading session is left over to judge by (what shows may be the meter or the "
        "oven of that half day), so no range and no verdict. Mix on two or three days, so that "
        "sessions serve several holds."
    )


def test_twins_in_a_batch_and_hold_add_batch_by_hold(kitchen, change):
    twins = {**kitchen.responses, "ph": replace(kitchen.responses["ph"], balls=2)}
    assert terms_of(change(responses=twins)).random == ("batch", "batch:hold", "session")


def test_one_ball_in_a_batch_is_its_own_residual(without):
    assert terms_of(without("hold", "score")).random == ()


def test_published_cake_layout_is_a_plain_split_plot(kitchen, change):
    """Recipe per batch, baking temperature per ball, no blocks: Cochran and Cox (1957)."""
    from doughlab.sections import Blocks, Factor, Response

    factors = {
        "recipe": Factor("recipe", "batch", "category", ("A", "B", "C")),
        "temperature": Factor("temperature", "ball", "number", tuple("123456"), "temp_c",
                              values=(175, 185, 195, 205, 215, 225)),
    }  # fmt: skip
    angle = Response("angle", "bakes", "angle_deg", margin=5)
    cake = change(kitchen, factors=factors, responses={"angle": angle}, questions=(),
                  blocks=Blocks(kind="none", replicates=15, spares=0))  # fmt: skip
    terms = terms_of(cake, "angle")
    assert terms.fixed == ("recipe", "temperature", "recipe:temperature")
    assert terms.random == ("batch",)


def layout(rows):
    """Rows of (water, block, session, hold, batch, ball, lot)."""
    names = ("water", "block", "session", "hold", "batch", "ball", "water_lot")
    return [dict(zip(names, r, strict=True)) for r in rows]


def plain(lots):
    """Two waters x 4 batches on one day, one hold of two, with the given lot of each batch."""
    return layout(
        (water, "D1", "S01", hold, f"{water}{i}", f"{water}{i}-{hold}", lots[water][i])
        for water, i, hold in product(("tap", "bottled"), range(4), ("24", "48"))
    )


@pytest.fixture
def small(kitchen, without, change):
    settings = without("mixing_water", "hydration", "score")
    hold = replace(settings.factors["hold"], levels=("24", "48"), values=(24.0, 48.0))
    water = replace(settings.factors["water"], levels=("tap", "bottled"))
    return change(settings, factors={"water": water, "hold": hold})


def test_a_lot_that_several_batches_share_is_a_random_term(small):
    lots = {"tap": "aabb", "bottled": "ccdd"}
    terms = choose_terms(small, plain(lots), small.responses["ph"])
    assert terms.random == ("water_lot", "batch")


def test_one_tank_for_each_water_leaves_no_verdict_on_the_water(small):
    terms = choose_terms(small, plain({"tap": "aaaa", "bottled": "bbbb"}), small.responses["ph"])
    assert terms.random == ("batch",)
    assert terms.not_estimable == ("water",)
    assert "what shows may be this tank, not this water" in terms.reasons["water"]
    assert len(terms.notes) == 1


def test_one_shared_tank_of_one_water_is_enough_to_hide_it(small):
    """Bottled comes from one tank, tap from the main, where nobody names a lot."""
    rows = plain({"tap": [None] * 4, "bottled": "bbbb"})
    terms = choose_terms(small, rows, small.responses["ph"])
    assert terms.random == ("batch",) and terms.not_estimable == ("water",)


def test_lot_that_is_the_same_everywhere_or_crosses_the_waters_hides_nothing(small):
    for lots in ({"tap": "aaaa", "bottled": "aaaa"}, {"tap": "aabb", "bottled": "aabb"}):
        assert choose_terms(small, plain(lots), small.responses["ph"]).not_estimable == ()


def test_flour_lot_that_follows_the_days_is_said_and_takes_no_verdict(kitchen):
    plan = build_plan(kitchen)
    own = kitchen.responses["ph"]
    rows = build_layout(kitchen, plan.batches, plan.balls, own)
    rows = [r | {"flour_lot": "F1" if r["block"] in {"D1", "D2"} else "F2"} for r in rows]
    terms = choose_terms(kitchen, rows, own)
    assert terms.not_estimable == () and "flour_lot" not in terms.random
    assert terms.notes == (
        "The flour lot changes only together with another setting or the mixing day: what it does "
        "is counted there.",
    )


def test_a_lot_for_every_batch_is_the_batch(small):
    lots = {"tap": "abcd", "bottled": "efgh"}
    assert choose_terms(small, plain(lots), small.responses["ph"]).random == ("batch",)


def test_unrepeated_batches_are_never_judged_by_their_balls(without, change):
    """One batch of each water: batch stays in the model and water gets no verdict."""
    settings = change(
        without("mixing_water", "hydration", "score"),
        blocks={"days": 1, "replicates": 1, "batches_per_day": 3},
    )
    terms = terms_of(settings)
    assert "batch" in terms.random
    assert terms.not_estimable == ("water", "hold")
    assert (
        "water: no batch is left over to judge by, so no range and no verdict. Mix each setting in "
        "two or more batches (replicates)." in terms.notes
    )


def test_interactions_that_leave_no_batch_to_judge_by_are_left_out(change):
    """12 batches, 2 days: 12 - 1 - 1 - (2 + 1 + 1) = 6; two interactions leave 6 - 2 - 2 = 2."""
    terms = terms_of(change(blocks={"days": 2, "replicates": 1}))
    batch_pairs = [t for t in terms.fixed if ":" in t and terms.level[t] == "batch"]
    assert batch_pairs == ["water:mixing_water"]
    assert any("taken as nil" in note for note in terms.notes)


def test_interaction_with_an_empty_combination_is_left_out(change):
    settings = change(
        forbidden=({"water": "tap", "mixing_water": "64 F"},),
        blocks={"days": 4, "batches_per_day": 6, "replicates": 2},
    )
    terms = terms_of(settings)
    assert "water:mixing_water" not in terms.fixed and "water:hydration" in terms.fixed
    assert (
        "water x mixing water: not every combination is in the plan; it is not in the model and "
        "taken as nil." in terms.notes
    )


def test_setting_that_moves_with_the_day_is_not_estimable(small):
    rows = [
        {**row, "block": "D1" if row["water"] == "tap" else "D2"}
        for row in plain({"tap": "aaaa", "bottled": "bbbb"})
    ]
    terms = choose_terms(small, rows, small.responses["ph"])
    assert "water" in terms.not_estimable
    assert (
        "water changes only together with the mixing day or another setting; the two cannot be "
        "told apart." in terms.notes
    )


def test_terms_do_not_depend_on_the_order_of_the_rows(kitchen):
    plan = build_plan(kitchen)
    own = kitchen.responses["ph"]
    rows = build_layout(kitchen, plan.batches, plan.balls, own)
    assert choose_terms(kitchen, rows, own) == choose_terms(kitchen, rows[::-1], own)


def test_without_rows_nothing_is_judged(kitchen):
    terms = choose_terms(kitchen, [], kitchen.responses["ph"])
    assert terms.random == ("batch",) and terms.not_estimable == ()


def test_centre_is_the_middle_of_the_levels(kitchen):
    assert centre(kitchen.factors["hydration"]) == 62.5
    assert ModelTerms(fixed=(), random=()).formula == "y ~ 1"


def test_interaction_mixed_up_with_the_days_is_left_out_for_that_reason(small, kitchen):
    """Two days; on each, water and salt always change together: their product is the day."""
    from doughlab.sections import Factor

    salt = Factor("salt", "batch", "category", ("fine", "coarse"))
    settings = replace(small, factors={**small.factors, "salt": salt})
    rows = []
    for i, (water, kind) in enumerate(product(("tap", "bottled"), ("fine", "coarse"))):
        for twin in range(2):
            batch = f"B{2 * i + twin}"
            day = "D1" if (water == "tap") == (kind == "fine") else "D2"
            own = {"water": water, "salt": kind, "block": day, "batch": batch}
            for hold in ("24", "48"):
                inner = {"hold": hold, "session": f"{day}{hold}", "ball": f"{batch}-{hold}"}
                rows.append(own | inner)
    terms = choose_terms(settings, rows, settings.responses["ph"])
    assert "water:salt" not in terms.fixed
    assert {"water", "salt", "water:hold", "hold:salt"} <= set(terms.fixed)
    assert terms.not_estimable == ("hold",)  # 6 sessions - 5 of day, hold and water x salt x hold
    assert (
        "water x salt cannot be told from the mixing days; it is not in the model and taken as nil."
        in terms.notes
    )
