"""The replay finds every kind of mistake that is put into a calendar; whole sentences."""

from dataclasses import replace
from datetime import timedelta

import pytest

from doughlab.plan.calendar import lay_calendar
from doughlab.plan.plan import build_plan
from doughlab.plan.replay import replay

SCORED = """
[responses.score]
table = "scores"
column = "score"
kind = "score"
margin = 1

[rubric.crust]
title = "Crust"

[panel]
judges = ["J1"]
from_at = "10:00"
until_at = "20:00"
"""


@pytest.fixture(scope="module")
def plan(small):
    """Two mixing days of two batches, each with two holds, read and baked, and a spare."""
    settings = small(days=2, replicates=2, spares=1, kitchen="grid_min = 15", more=SCORED)
    return lay_calendar(build_plan(settings)).plan


def moved(plan, step, item, minutes):
    """Give the plan with one row at another time."""
    rows = [
        r | {"due_at": r["due_at"] + timedelta(minutes=minutes)}
        if (r["step"], r["item"]) == (step, item) else r
        for r in plan.schedule
    ]  # fmt: skip
    return replace(plan, schedule=tuple(rows))


def limited(plan, **kitchen):
    settings = plan.settings
    return replace(plan, settings=replace(settings, kitchen=replace(settings.kitchen, **kitchen)))


def when(plan, step, item):
    return next(r["due_at"] for r in plan.schedule if (r["step"], r["item"]) == (step, item))


def a_ball(plan, purpose, hold_h=24.0, batch="B01"):
    wanted = (purpose, hold_h, batch)
    return next(
        b["ball_id"] for b in plan.balls if (b["purpose"], b["hold_h"], b["batch_id"]) == wanted
    )


def test_a_calendar_that_holds_is_found_to_hold(plan):
    assert replay(plan) == []


def test_a_plan_without_dates(plan):
    assert replay(replace(plan, schedule=())) == [
        "The plan has no dates: start_on in [blocks] of trial.toml."
    ]


def test_a_step_that_is_missing_doubled_or_not_needed(plan):
    ball, bake = a_ball(plan, "ph"), a_ball(plan, "bake")
    rows = [r for r in plan.schedule if (r["step"], r["item"]) != ("mix", "B02")]
    row = next(r for r in plan.schedule if (r["step"], r["item"]) == ("bake", bake))
    rows += [row, row | {"item": ball}]  # a pierced ball is never baked
    assert sorted(replay(replace(plan, schedule=tuple(rows)))) == sorted(
        [
            "B02 is never due for 'mix'.",
            f"{bake} is due 2 times for 'bake'.",
            f"{ball} is due for 'bake', which it has no need of.",
        ]
    )


def test_a_hold_that_is_off(plan):
    ball = a_ball(plan, "ph")
    found = replay(moved(moved(plan, "read", ball, 75), "take_out", ball, 75))
    assert any(s.startswith(f"{ball} is used +") and s.endswith(" its hold of 24 h.")
               for s in found)  # fmt: skip
    assert replay(moved(plan, "take_out", ball, 5)) == [
        f"{ball} is not taken out 90 minutes before use."
    ]


def test_a_batch_that_is_balled_at_another_time(plan):
    assert "B01 is not balled 45 minutes after mixing." in replay(moved(plan, "ball", "B01", 5))


def test_batches_out_of_their_order_and_days_on_one_date(plan):
    found = replay(moved(plan, "mix", "B01", 300))
    assert "The batches of D1 are not mixed in their order." in found
    found = replay(moved(plan, "mix", "B01", 1440))
    assert "The batches of D1 are mixed on more than one date." in found
    one = plan
    gap = (when(plan, "mix", "B03").date() - when(plan, "mix", "B01").date()).days
    for batch in ("B01", "B02"):
        one = moved(one, "mix", batch, 1440 * gap)
    assert "Two mixing days share a date." in replay(one)


def test_a_closed_day_and_closed_hours(plan):
    day = when(plan, "mix", "B01")
    found = replay(limited(plan, closed=(f"{day:%a}",)))
    assert f"B01 is due for 'mix' on a closed day: {day:%a %Y-%m-%d %H:%M}." in found
    found = replay(limited(plan, open_at="14:00"))
    assert (
        f"'mix' of B01 at {day:%a %Y-%m-%d %H:%M} does not lie in the opening hours, 14:00 to "
        "21:00."
    ) in found
    used = replay(limited(plan, close_at="10:00", read_at_night=True))
    assert used and not any("'read'" in s or "'bake'" in s for s in used)


@pytest.mark.parametrize(
    ("limit", "said"),
    [
        ({"mixers": 0}, "1 mixers are in use at the most; 0 are there, first exceeded "),
        ({"hands": 0}, " pairs of hands are needed at the most; 0 are there, first exceeded "),
        ({"cooler_places": 9}, "balls are in the cooler at the most; 9 are there, first exceeded "),
        ({"warm_places": 1}, "balls are warming up at the most; 1 are there, first exceeded "),
        ({"oven_slots_per_h": 1}, " bakes are due within one hour; the oven takes 1."),
        ({"mixer_balls": 4}, "B01 gives 5 balls; the mixer gives 4."),
        ({"staff_h": 0.5}, " hours of hands; there are 0.5."),
    ],
)
def test_a_limit_that_is_exceeded(plan, limit, said):
    assert any(said in s for s in replay(limited(plan, **limit)))


def test_what_the_replay_counts_is_what_can_be_counted_by_hand(plan):
    """Each mixing day puts 10 balls into the cooler; before anything is taken out, all are in."""
    (sentence,) = replay(limited(plan, cooler_places=9))
    first = when(plan, "ball", "B02")
    assert sentence.endswith(f"first exceeded {first:%a %Y-%m-%d %H:%M}.")


def test_judges_that_are_not_there_and_too_many_samples(plan):
    panel = replace(plan.settings.panel, until_at="10:05", samples_per_session=1)
    found = replay(replace(plan, settings=replace(plan.settings, panel=panel)))
    bake = a_ball(plan, "bake")
    at = when(plan, "bake", bake) + timedelta(minutes=10)
    assert f"{bake} is tasted at {at:%a %Y-%m-%d %H:%M}; judges: 10:00 to 10:05." in found
    assert any(s.endswith("samples in S01; the limit is 1.") for s in found)


def test_balls_alike_in_two_sessions(plan):
    balls = [b | {"session": "S03"} if b["ball_id"] == a_ball(plan, "ph") else b
             for b in plan.balls]  # fmt: skip
    found = replay(replace(plan, balls=tuple(balls)))
    assert "The balls of D1 with 24 h are used in 2 sessions." in found
    assert any(s.startswith("S03 lies on 2 dates") for s in found)
