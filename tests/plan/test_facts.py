"""What a plan needs, counted again by hand."""

from dataclasses import replace

import pytest

from doughlab.formula.formula import Formula
from doughlab.plan.facts import count_one_factor, describe_plan
from doughlab.plan.plan import build_plan

DOUGH = Formula(percents={"hydration": 62, "salt": 2.5, "yeast": 0.3}, ball_g=260, loss_pct=1.5)


def facts_of(settings, formula=DOUGH):
    return describe_plan(settings, build_plan(settings, formula=formula), formula)


def test_demo_is_said_in_three_lines(kitchen):
    assert str(facts_of(kitchen)).splitlines() == [
        "24 batches on 4 mixing days, 6 a day; 7 balls each: 168 balls, 26.8 kg flour",
        "reading and baking in 6 sessions; 4 of them serve two holds or more",
        "moving one thing at a time, differences as sure would take 51 batches",
    ]
    assert facts_of(kitchen).warnings == ()


def test_flour_by_hand(kitchen):
    """12 batches at 60 % and 12 at 65 %, 7 balls of 260 g each, 1.5 % lost (by algebra)."""
    dough = 12 * 7 * 260 / (1 - 0.015)
    flour = dough / (1 + 0.60 + 0.028) + dough / (1 + 0.65 + 0.028)
    assert facts_of(kitchen).flour_kg == pytest.approx(flour / 1000, rel=1e-12)


def test_flour_follows_a_ball_mass_set_per_ball(kitchen, without, change):
    """Two masses, three holds: every mass 3 x 2 times a batch; the spare counts 260 g."""
    from doughlab.sections import Factor

    mass = Factor("ball_g", "ball", "number", ("200", "300"), "g", values=(200.0, 300.0))
    settings = without("mixing_water", "hydration")
    settings = change(settings, factors={**settings.factors, "ball_g": mass})
    dough = 6 * (6 * 200 + 6 * 300 + 260) / (1 - 0.015)
    assert facts_of(settings).flour_kg == pytest.approx(dough / 1.648 / 1000, rel=1e-12)


def test_without_a_formula_flour_is_not_invented(kitchen):
    facts = facts_of(kitchen, None)
    assert facts.flour_kg is None and "flour" not in str(facts)


def test_one_factor_steps_by_hand(kitchen):
    """Each difference keeps its variance: water 2/8, the two others 2/12 (in batch variances).

    With a base of 15 batches the water arms need 8 each (two arms are compared with each other),
    the others 1/(1/6 - 1/15) = 10: 15 + 2 x 8 + 10 + 10 = 51. Bases of 12, 14, 16, 18 give 52.
    """
    assert count_one_factor(kitchen, build_plan(kitchen).batches) == 51


def test_one_factor_steps_of_two_two_level_factors(without):
    """4 runs x 2: variance 2/4 each. Base b, arms 1/(1/2 - 1/b): b = 4 gives 4 + 4 + 4 = 12."""
    settings = without("water")
    assert count_one_factor(settings, build_plan(settings).batches) == 12


def test_a_single_batch_factor_has_nothing_to_save(without):
    settings = without("mixing_water", "hydration")
    facts = facts_of(settings)
    assert facts.one_factor_batches is None and "one thing at a time" not in str(facts)


def test_cooler_peak_by_hand(change):
    """Three batches on one day, 7 balls each, all in the cooler at 12:40: 21."""
    settings = change(blocks={"days": 8, "batches_per_day": 3})
    one_day = build_plan(change(settings, blocks={"days": 8}))
    first = describe_plan(settings, one_day).cooler_peak
    balls = [b for b in one_day.balls if b["batch_id"] in {"B01", "B02", "B03"}]
    assert len(balls) == 21 and first >= 21


def test_full_cooler_is_said(change):
    facts = facts_of(change(kitchen={"cooler_places": 60}))
    assert facts.cooler_peak > 60
    assert (
        f"At the fullest, {facts.cooler_peak} balls are in the cooler; it holds 60. Fewer spares "
        "or more mixing days apart would ease it." in facts.warnings
    )


def test_warming_before_opening_names_the_time_to_begin(change):
    """Balled 9:40, out of the cooler 90 min before the next 9:40: 8:10, 50 min too early.

    Two batches a day are out before 9:00, 4 days x 3 holds x 2 batches x 2 balls = 48, less the
    four of the last session, where the clocks went forward in between.
    """
    facts = facts_of(change(kitchen={"mix_at": "09:00"}))
    assert facts.warnings[0] == (
        "44 steps fall before the kitchen opens at 09:00, the first at 08:10 (take out "
        f"{facts.warnings[0].split('(take out ')[1].split(')')[0]}). Begin mixing at 09:50 or "
        'later: mix_at = "09:50" in [kitchen].'
    )
    assert facts_of(change(kitchen={"mix_at": "09:50"})).warnings == ()


def test_steps_after_closing_are_said(change):
    facts = facts_of(change(kitchen={"close_at": "13:00"}))
    assert "steps fall after the kitchen closes at 13:00" in facts.warnings[0]


def test_closed_days_that_cannot_be_kept_are_said(change):
    facts = facts_of(change(kitchen={"closed": ("Mon", "Tue", "Thu", "Fri", "Sat", "Sun")}))
    assert any("fall on a closed day" in w and "take a hold away" in w for w in facts.warnings)


def test_oven_and_panel_limits_are_said(change):
    facts = facts_of(change(kitchen={"oven_slots_per_h": 3}))
    assert "6 bakes are due within one hour; the oven takes 3." in facts.warnings
    facts = facts_of(change(panel={"samples_per_session": 12}))
    assert facts.warnings == (
        "In 2 sessions a judge tastes more than 12 samples (18 in S03). Serve S03 in 2 "
        "sittings, at 10:40 and 13:20, with a rest between, or mix fewer batches a day.",
    )


def test_a_hold_beyond_the_limit_is_said(change):
    facts = facts_of(change(limits={"max_hold_h": 60.0}))
    assert "The longest hold is 72 h, above the 60 h of [limits]." in facts.warnings


def test_minutes_to_the_ball_come_from_the_steps(kitchen):
    steps = (("mix", 12.0), ("bulk", 60.0), ("ball", 15.0))
    plan = build_plan(kitchen, formula=replace(DOUGH, steps=steps))
    mix, ball = (
        next(r["due_at"] for r in plan.schedule if r["step"] == step and r["item"] == "B01")
        for step in ("mix", "ball")
    )
    assert (ball - mix).total_seconds() == 72 * 60
