"""Searched plans: what comes back, what is said about it, what is refused and how."""

import numpy as np
import pytest

from doughlab.errors import CannotSearch, InputError, OutOfRange, PlanError, UnknownName
from doughlab.plan.candidates import RunStructure, SearchFactor, build_coding, build_moments
from doughlab.plan.candidates import build_bans as bans_of
from doughlab.plan.optimal import RunScores, judge_runs, search_runs

WATER = SearchFactor("water", "batch", levels=("tap", "spring", "well"))
TEMP = SearchFactor("temp", "batch", values=(12, 15, 18))
ROOM = SearchFactor("room", "day", values=(18, 22))
HOLD = SearchFactor("hold", "ball", values=(24, 48, 72))


def search(factors=(WATER, HOLD), **changes):
    """Six batches of three balls on two days."""
    options = {
        "model": "two-way",
        "structure": RunStructure((3, 3), (3,) * 6),
        "variance_ratios": {"day": 0.5, "batch": 1},
    }
    return search_runs(list(factors), **{**options, **changes})


def refusal(error, **changes):
    """The whole sentence of a refusal."""
    with pytest.raises(error) as caught:
        search(**changes)
    return str(caught.value)


def test_a_full_factorial_is_found_where_it_fits():
    # Two levels each, 8 runs of 3 factors with all interactions of two: the full factorial is
    # orthogonal, X'X = 8 I, so the efficiency is 100 (algebra).
    factors = [SearchFactor(n, "ball", values=(0, 1)) for n in "abc"]
    structure = RunStructure((1,), (8,))
    found = search_runs(factors, model="two-way", structure=structure, variance_ratios={})
    assert found.efficiency == pytest.approx(100.0, abs=1e-9)
    assert found.prediction_variance == pytest.approx(7 / 8, abs=1e-9)  # p / n at corners


def test_notes_say_how_sure_the_search_is_and_what_it_assumed():
    found = search()
    assert found.notes[0] == f"The best of {found.starts} starts was found {found.agreed} times."
    assert "Variances in units of a ball's: batches 1, days 0.5." in found.notes
    assert (
        "Predictions are averaged over 9 allowed combinations of levels, each counted once."
    ) in found.notes
    assert "Not used, since the model gains nothing from it: hold 48." in found.notes
    text = str(found)
    assert text.startswith(f"18 balls, 4 terms: D-efficiency {found.efficiency:.2f} %, average")
    assert len(text.splitlines()) <= 15


def test_a_single_find_is_admitted():
    found = search(starts=1)
    assert found.notes[0] == "The best of 1 starts was found once."
    numbers = [SearchFactor.between(n, "ball", -1, 1) for n in "xyz"]
    found = search(numbers, model="quadratic", structure=RunStructure((1,), (14,)), starts=3)
    assert found.notes[0] == "The best of 3 starts was found once."
    assert found.notes[1].startswith("Half of the starts came within ")
    assert found.notes[2] == "A better plan may exist: try another seed or more starts."


def test_a_level_without_spare_batches_is_said():
    found = search((WATER, HOLD), structure=RunStructure((3,), (4,) * 3), model="mains")
    assert found.notes[-1] == (
        "No batch is left over to show how much batches differ by themselves; one more batch would."
    )
    found = search((ROOM, HOLD), model="mains")
    assert found.notes[-1] == (
        "No day is left over to show how much days differ by themselves; one more day would."
    )


def test_a_time_limit_is_said():
    found = search(seconds=1e-9, starts=200)
    assert "The search was cut short by its time limit; another run may differ." in found.notes
    assert found.starts < 200


def test_too_short_a_time_limit_is_refused():
    # 6 terms on 6 balls: random starts hardly ever tell them apart.
    text = refusal(
        CannotSearch,
        factors=(SearchFactor.between("hold", "ball", 0, 1, steps=2),
                 SearchFactor("salt", "ball", levels=tuple("abcde"))),
        model=("hold", "salt"), structure=RunStructure((1,), (6,)), starts=1, seconds=1e-9, seed=1,
    )  # fmt: skip
    assert text == (
        "The time limit ended the search before any start could tell all terms apart. "
        "Allow more seconds, or set no limit."
    )


def test_kept_rows_come_first_and_count():
    kept = [
        {"day": 4, "batch": 9, "water": "tap", "hold": 24},
        {"day": 4, "batch": 9, "water": "tap", "hold": 72},
        {"day": 7, "batch": 2, "water": "well", "hold": 60},
    ]
    found = search(kept=kept)
    assert found.kept == 3 and len(found.rows) == 21
    assert [(r["day"], r["batch"], r["water"], r["hold"]) for r in found.rows[:3]] == [
        (0, 0, "tap", 24),
        (0, 0, "tap", 72),
        (1, 1, "well", 60),
    ]
    assert found.rows[3]["day"] == 2 and found.rows[3]["batch"] == 2
    assert "3 balls of an earlier part were kept and counted." in found.notes
    alone = search()
    assert found.prediction_variance < alone.prediction_variance  # information only adds


def test_kept_rows_fill_what_the_new_ones_lack():
    # Two new batches alone cannot tell three waters apart; with the kept ones they can.
    new = RunStructure((2,), (3, 3))
    with pytest.raises(CannotSearch):
        search(structure=new, model="mains")
    kept = [{"day": 0, "batch": b, "water": w, "hold": 24} for b, w in enumerate(("tap", "well"))]
    found = search(structure=new, model="mains", kept=kept)
    assert "spring" in {r["water"] for r in found.rows[2:]}


def test_plans_are_laid_beside_each_other():
    found = search()
    rows = [
        {"day": d, "batch": 3 * d + b, "water": w, "hold": h}
        for d in range(2)
        for b, w in enumerate(WATER.levels)
        for h in (24, 48, 72)
    ]
    hand = judge_runs([WATER, HOLD], rows, model="two-way",
                      variance_ratios={"day": 0.5, "batch": 1})  # fmt: skip
    assert hand.relative_to(found.scores) < 100 < found.scores.relative_to(hand)
    assert hand.relative_to(found.scores, criterion="I") == pytest.approx(
        100 * found.prediction_variance / hand.prediction_variance
    )


def test_scores_of_a_plan_that_tells_nothing():
    rows = [{"day": 0, "batch": b, "water": "tap", "hold": 24} for b in range(4)]
    scores = judge_runs([WATER, HOLD], rows, model="mains", variance_ratios={})
    assert scores == RunScores(0.0, float("inf"), 4, 4, 9)


def test_more_terms_than_batches_says_how_many_would_do():
    text = refusal(
        CannotSearch, factors=(WATER, TEMP, HOLD), model="two-way",
        structure=RunStructure((2, 3), (3,) * 5),
    )  # fmt: skip
    assert text == (
        "This model needs at least 6 batches for the mean and water, temp, water:temp; there are "
        "5. 6 batches and 10 balls would be enough; or take a term away."
    )


def test_more_terms_than_days_and_balls_says_how_many_would_do():
    with pytest.raises(CannotSearch) as caught:
        search(
            (SearchFactor("flour", "day", levels=("a", "b", "c")), HOLD),
            model="quadratic", structure=RunStructure((1, 1), (2, 2)),
        )  # fmt: skip
    assert str(caught.value) == (
        "This model needs at least 3 days for the mean and flour; there are 2; and 7 balls for "
        "the mean and hold, flour:hold, hold^2; there are 4. 3 days and 7 balls would be enough; "
        "or take a term away."
    )
    assert caught.value.needed == {"day": 3, "batch": 3, "ball": 7}
    assert isinstance(caught.value, PlanError)


def test_fixed_days_need_their_own_batches():
    text = refusal(
        CannotSearch, model="mains", factors=(WATER, HOLD),
        structure=RunStructure((1, 1, 1), (3, 3, 3), fixed_days=True),
    )  # fmt: skip
    assert text == (
        "This model needs at least 5 batches for the mean, the days and water; there are 3. "
        "5 batches and 6 balls would be enough; or take a term away."
    )


def test_a_day_factor_with_fixed_days_is_refused():
    text = refusal(
        CannotSearch, factors=(ROOM, HOLD), structure=RunStructure((1, 1), (3, 3), fixed_days=True)
    )
    assert text == (
        "With fixed days, room cannot be told from the days, since every ball of a day shares it. "
        "Count days as random (give their variance ratio), or set the factor per batch."
    )


def test_forbidden_pairs_that_empty_a_contrast_are_refused():
    text = refusal(
        CannotSearch,
        factors=(WATER, HOLD),
        forbidden=[{"water": "well", "hold": (48, 72)}, {"water": "tap", "hold": (48, 72)}],
    )
    assert text == (
        "The forbidden combinations leave 'water:hold' without a contrast of its own: on the "
        "allowed combinations it says the same as the terms before it. Allow one of the "
        "combinations, or take the term out of the model."
    )


def test_a_square_of_two_levels_is_refused():
    text = refusal(CannotSearch, factors=(ROOM, HOLD), model=("room", "room^2", "hold"))
    assert text == (
        "'room^2' says the same as the terms before it on the levels given. Give its factor one "
        "more level, or take the term out of the model."
    )


def test_nothing_allowed_is_refused():
    text = refusal(PlanError, forbidden=[{"hold": (24, 72)}])
    assert text == "The forbidden combinations leave nothing to make. Take one away."


def test_balls_that_cannot_tell_are_refused():
    # Enough balls in number, but all balls of a batch share the pair: one batch has them all.
    pair = [SearchFactor("a", "ball", values=(0, 1)), SearchFactor("b", "batch", values=(0, 1))]
    text = refusal(
        CannotSearch, factors=pair, model=("a", "b", "a:b"), structure=RunStructure((2,), (3, 1)),
        starts=5,
    )  # fmt: skip
    assert text == (
        "None of 5 starts could tell all terms apart with these batches and balls. Add batches or "
        "balls, take a term away, or allow more combinations."
    )


WRONG = [
    ({"model": "mian"}, UnknownName,
     "model 'mian' is not known. Did you mean 'mains'? Known: mains, quadratic, two-way."),
    ({"model": ("watr",)}, UnknownName,
     "model term 'watr': factor 'watr' is not known. Did you mean 'water'? Known: hold, water."),
    ({"model": ("water^2",)}, InputError,
     "model term 'water^2': water is a category and has no square."),
    ({"model": ("hold^9",)}, InputError,
     "model term 'hold^9': write a power as ^2, ^3 or ^4."),
    ({"model": ("hold:hold",)}, InputError,
     "model term 'hold:hold' names hold twice; write hold^2."),
    ({"model": ("water:hold", "hold:water")}, InputError,
     "The model has the term 'water:hold' twice; take one away."),
    ({"factors": (HOLD, HOLD)}, InputError, "Two factors have the same name: hold, hold."),
    ({"criterion": "A"}, UnknownName, "criterion 'A' is not known. Known: D, I."),
    ({"variance_ratios": {"bach": 1}}, UnknownName,
     "variance ratio 'bach' is not known. Did you mean 'batch'? Known: batch, day."),
    ({"variance_ratios": {"batch": -1}}, OutOfRange,
     "variance ratio of batch: -1 lies outside 0 to 1,000,000. Give the variance of the batch "
     "divided by that of the balls."),
    ({"starts": 0}, InputError,
     "The search needs at least 1 start and more than 0 seconds."),
    ({"forbidden": [{"watr": "tap"}]}, UnknownName,
     "forbidden combination: factor 'watr' is not known. Did you mean 'water'? "
     "Known: hold, water."),
    ({"forbidden": [{"water": "tab"}]}, UnknownName,
     "water: level 'tab' is not known. Did you mean 'tap'? Known: spring, tap, well."),
    ({"forbidden": [{"hold": "long"}]}, InputError, "hold: 'long' is not a number."),
    ({"kept": [{"day": 0, "batch": 0, "hold": 24}]}, InputError,
     "kept row 1 has no water. Give every factor."),
    ({"kept": [{"day": 0, "batch": 0, "water": w, "hold": 24} for w in ("tap", "well")]},
     InputError,
     "kept rows: batch 1 has more than one water, which is set per batch. Give its balls the same "
     "level."),
]  # fmt: skip


@pytest.mark.parametrize(("changes", "error", "sentence"), WRONG)
def test_wrong_input_is_answered_with_what_would_be_right(changes, error, sentence):
    assert refusal(error, **changes) == sentence


def test_nothing_to_judge():
    with pytest.raises(InputError, match=r"^There is no row to judge\.$"):
        judge_runs([HOLD], [], model="mains", variance_ratios={})


BAD_FACTORS = [
    (("day", "batch", ("a", "b")), {},
     "A factor cannot be named 'day'; call it by what is varied."),
    (("water", "bowl", ("a", "b")), {},
     "water: set 'bowl' is not known. Known: ball, batch, day."),
    (("water", "batch"), {}, "water: give levels (a category) or values (a number)."),
    (("water", "batch", ("a",)), {},
     "water: needs two or more different levels; found a."),
    (("hold", "ball"), {"values": (24.0, float("nan"))},
     "hold: every value must be a plain number."),
    (("water", "batch", ("a", "b")), {"refine": True},
     "water: only a number can be set between its levels."),
]  # fmt: skip


@pytest.mark.parametrize(("given", "more", "sentence"), BAD_FACTORS)
def test_a_factor_that_cannot_be_used(given, more, sentence):
    with pytest.raises(InputError) as caught:
        SearchFactor(*given, **more)
    assert str(caught.value) == sentence


def test_a_structure_that_cannot_be_used():
    with pytest.raises(InputError) as caught:
        RunStructure((2, 0), (3, 3))
    assert str(caught.value) == "Every day needs at least one batch, and every batch one ball."
    with pytest.raises(InputError) as caught:
        RunStructure((2, 2), (3, 3, 3))
    assert str(caught.value) == (
        "The days have 4 batches in all, but balls are given for 3. Give one number of balls for "
        "each batch."
    )


def test_moments_are_the_average_over_every_allowed_combination():
    ban = {"water": "well", "hold": (48, 72)}
    factors = [WATER, TEMP, HOLD]
    coding, bans = build_coding(factors, "quadratic"), bans_of(factors, [ban])
    moments, count = build_moments(coding, bans)
    every = [
        (w, t, h)
        for w in range(3)
        for t in (-1, 0, 1)
        for h in (-1, 0, 1)
        if not (w == 2 and h >= 0)
    ]
    rows = coding.rows(np.array(every, dtype=float))
    assert count == len(every) == 21
    np.testing.assert_allclose(moments, rows.T @ rows / 21, atol=1e-14)


def test_too_fine_a_grid_in_forbidden_pairs_is_refused():
    factors = [SearchFactor.between(n, "ball", 0, 1, steps=200) for n in "abc"]
    with pytest.raises(PlanError) as caught:
        search(factors, model="mains", forbidden=[{"a": 0, "b": 0, "c": 0}])
    assert str(caught.value) == (
        "The forbidden combinations name factors with over a million combinations of values. "
        "Give the numbers fewer values (a coarser grid)."
    )


def test_numbers_between_their_values_are_refined():
    fine = SearchFactor.between("hold", "ball", 24, 72, steps=4, refine=True)
    coarse = SearchFactor.between("hold", "ball", 24, 72, steps=4)
    structure = RunStructure((1,), (6,))
    model = ("hold", "hold^2")
    given = {"model": model, "structure": structure, "variance_ratios": {}}
    found = search_runs([fine], **given)
    # D-optimal: two balls at each end and in the middle (Fedorov 1972, from memory)
    assert sorted(r["hold"] for r in found.rows) == pytest.approx([24, 24, 48, 48, 72, 72], abs=0.1)
    assert found.efficiency > search_runs([coarse], **given).efficiency
    assert found.efficiency == pytest.approx(100 * (4 / 27) ** (1 / 3), rel=1e-5)
