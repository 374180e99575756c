"""What to try next: ranked, with its cost and chance, and in words that fit a screen."""

import math
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from doughlab.analysis import analyse
from doughlab.decision.chance import build_predictor
from doughlab.decision.effort import Effort, batches_a_day, count_effort
from doughlab.decision.levers import find_levers
from doughlab.decision.next_words import full_words, next_facts, next_words
from doughlab.decision.nextstep import Settles, Step, _bend, _ranked, _Scope, find_next
from doughlab.decision.outlook import SINGLE, Chances, foresee_steps, list_open
from doughlab.formula import Formula
from doughlab.plan.plan import build_plan
from doughlab.stats.outlook import chance_to_settle

SETTING = {"water": "tap", "mixing_water": "64 F", "hold": "48"}
DOUGH = Formula(percents={"hydration": 60, "salt": 2.5}, ball_g=260, loss_pct=0.0)


@pytest.fixture(scope="module")
def noisy(kitchen, band):
    """24 batches that differ so much that no water is settled."""
    return kitchen.invent(kitchen.WATERS_PH + band, kitchen.usual_truth, seed=2,
                          spread=kitchen.Spread(batch=0.12))  # fmt: skip


@pytest.fixture(scope="module")
def found(noisy):
    return {"ph": analyse(noisy, "ph")}


@pytest.fixture(scope="module")
def steps(noisy, found):
    return find_next(noisy.frozen_plan, found, SETTING, formula=DOUGH, folder="here")


def test_every_step_says_what_it_costs(steps):
    kinds = [s.kind for s in steps.steps]
    assert {"extend", "two levels", "middle", "stop"} <= set(kinds)
    assert all(s.effort is not None for s in steps.steps if s.kind != "stop")


def test_the_effort_is_counted_from_plan_and_formula(noisy):
    """By hand: 3 pH balls and a spare a batch, 6 batches a day; 260 g at 162.5 % in all."""
    effort = count_effort(noisy.frozen_plan, 9, formula=DOUGH)
    assert batches_a_day(noisy.frozen_plan) == 6
    assert (effort.batches, effort.balls, effort.days) == (9, 36, 2)
    assert effort.flour_kg == pytest.approx(36 * 0.260 / 1.625)
    assert effort.hours > 0
    assert count_effort(noisy.frozen_plan, 18, formula=DOUGH).hours == pytest.approx(
        2 * effort.hours)  # fmt: skip


def test_without_a_formula_no_flour_is_counted(noisy):
    assert count_effort(noisy.frozen_plan, 6).flour_kg is None
    assert "flour" not in count_effort(noisy.frozen_plan, 6).words


def test_steps_are_ranked_and_stopping_leads_where_all_are_dear(steps):
    """At an average chance under 8 in 10 within twice the batches, stopping is named first."""
    reached = [s for s in steps.steps if s.chance >= 0.8 and s.effort.batches <= 48]
    assert (steps.steps[0].kind == "stop") == (not reached)
    rest = [s for s in steps.steps if s.kind != "stop"]
    sure = [s.effort.batches for s in rest if s.chance >= 0.8]
    assert sure == sorted(sure)


def test_sure_steps_come_first_the_cheapest_of_them_then_likely_ones_then_the_rest():
    """The rule of `NextSteps`, on steps made up here."""

    def step(kind, batches, chance):
        told = (Settles(kind, 0.0, 0.2, Chances(chance, chance, chance, chance)),)
        effort = Effort(batches, 4 * batches, 1, None, 1.0)
        return Step(kind, kind, effort=effort, settles=() if chance is None else told)

    steps = [step("unforeseen", 6, None), step("rarely", 6, 0.2), step("sure, dear", 48, 0.95),
             step("often", 12, 0.7), step("sure, cheap", 18, 0.81)]  # fmt: skip
    ranked = [s.kind for s in _ranked(steps)]
    assert ranked == ["sure, cheap", "sure, dear", "often", "rarely", "unforeseen"]


def test_more_batches_settle_more_often_and_two_levels_more_than_three(noisy, found):
    (first, *_) = list_open(list(found.values()))
    plan = noisy.frozen_plan
    same = [c.average for c in foresee_steps(first, plan, [6, 24, 96])]
    two = [c.average for c in foresee_steps(first, plan, [6, 24, 96], only_these=True)]
    assert same == sorted(same)
    assert all(b > a for a, b in zip(same, two, strict=True))


def test_two_levels_free_their_interactions_too(noisy, found):
    """By hand: 6 batches on a day leave 6 - 1 - 3 = 2 df with two waters (water, mixing water and
    both), and 6 - 1 - 5 = 0 with three."""
    (first, *_) = list_open(list(found.values()))
    assert first.per_level == 2
    plan, tail = noisy.frozen_plan, SINGLE
    (two,) = foresee_steps(first, plan, [6], only_these=True)
    c = first.comparison
    by_hand = chance_to_settle(c.estimate, c.std_error, c.df, margin=c.margin, tail=tail,
                               ratio=24 / 9, df_new=2)  # fmt: skip
    assert two.average == pytest.approx(float(by_hand))
    assert foresee_steps(first, plan, [6])[0].average == 0


def test_without_looks_the_new_batches_are_judged_alone(steps):
    step = next(s for s in steps.steps if s.kind == "extend")
    assert step.judged == "alone"
    assert step.why == "No look was planned for them, so the new batches are judged alone."
    assert step.command == f'doughlab plan here --extend {step.effort.batches} --reason "..."'


def test_a_planned_look_that_is_still_to_come_is_the_next_step(kitchen, band):
    text = kitchen.WATERS_PH + band + "\n[looks]\nafter_batches = [24, 48]\n"
    trial = kitchen.invent(text, kitchen.usual_truth, seed=2, spread=kitchen.Spread(batch=0.12))
    found = {"ph": analyse(trial, "ph")}
    steps = find_next(trial.frozen_plan, found, SETTING)
    step = next(s for s in steps.steps if s.kind == "extend")
    assert step.words == "go on to the next planned look, after 48 batches"
    assert (step.judged, step.effort.batches) == ("together", 24)
    assert step.command == 'doughlab plan --extend 24 --reason "..."'
    assert "two levels" not in [s.kind for s in steps.steps]


def test_old_batches_that_count_settle_more_than_new_ones_alone(kitchen, band, noisy, found):
    text = kitchen.WATERS_PH + band + "\n[looks]\nafter_batches = [24, 48]\n"
    planned = build_plan(kitchen.read(text))
    (first, *_) = list_open(list(found.values()))
    joint, alone = (foresee_steps(first, p, [24])[0] for p in (planned, noisy.frozen_plan))
    assert joint.average > alone.average


def test_a_factor_that_is_the_same_everywhere_is_offered_to_be_left_out(kitchen, band):
    extra = '\n[factors.salt]\nset = "batch"\nkind = "category"\nlevels = ["fine", "coarse"]\n'
    still = kitchen.Spread(day=0.01, batch=0.1, ball=0.02)
    trial = kitchen.invent(kitchen.WATERS_PH + extra + band, kitchen.usual_truth, spread=still,
                           seed=5)  # fmt: skip
    steps = find_next(trial.frozen_plan, {"ph": analyse(trial, "ph")}, SETTING | {"salt": "fine"})
    drop = [s for s in steps.steps if s.kind == "drop"]
    assert [s.words.split(",")[0] for s in drop] == ["a new trial with salt at fine"]
    assert drop[0].why == (
        "Salt is the same everywhere: one batch of each combination takes 6 instead of 12."
    )


def test_a_bend_is_found_as_often_as_is_said():
    """Simulation: the first trial tells the spread on 15 df, then middle and ends on every day.

    Bend of the margin; new batches by least squares with days, slope and bend (numpy); a bend of
    batches on days of their own is mixed up with the days, so half of them stand at the ends.
    """
    c = SimpleNamespace(std_error=0.03, df=15.0, margin=0.1, basis=SimpleNamespace(batches=24))
    count, chance = _bend(c, 8)
    assert count % 4 == 0 and chance >= 0.8
    rng, tries = np.random.default_rng(9), 4000
    x = np.tile([0.0, -1.0, 0.0, 1.0], count // 4)
    days = np.arange(count) // 8
    columns = [*(days[:, None] == np.unique(days)).T, x, x == 0]
    design = np.column_stack(columns).astype(float)
    inverse = np.linalg.inv(design.T @ design)
    df = count - design.shape[1]
    sd = 0.03 * np.sqrt(24) / 2 * np.sqrt(15 / rng.chisquare(15, tries))
    y = rng.standard_normal((tries, count)) * sd[:, None] + 0.1 * (x == 0)
    beta = y @ design @ inverse
    rest = ((y - beta @ design.T) ** 2).sum(axis=1) / df
    found = np.abs(beta[:, -1]) > stats.t.ppf(0.975, df) * np.sqrt(rest * inverse[-1, -1])
    assert found.mean() == pytest.approx(chance, abs=0.03)


def test_a_bend_between_two_levels_asks_for_batches_in_the_middle(steps):
    (middle,) = [s for s in steps.steps if s.kind == "middle"]
    assert middle.words.endswith(" batches, half in the middle of mixing water, half at its ends")
    assert middle.why.startswith("Whether pH bends between 54 F and 64 F cannot be told; a bend of "
                                 "pH 0.10 would then be found ")  # fmt: skip


def test_stopping_names_what_is_at_stake(found, steps):
    stop = next(s for s in steps.steps if s.kind == "stop")
    worst = max(list_open(list(found.values())), key=lambda o: o.at_stake)
    assert stop.why == (
        f"At worst {worst.words} is pH {worst.at_stake:.2f} one way; pH 0.10 would matter."
    )


def test_nothing_open_leaves_no_step_to_settle_it(kitchen, band):
    still = kitchen.Spread(day=0.01, batch=0.01, ball=0.01)
    trial = kitchen.invent(kitchen.WATERS_PH + band, kitchen.usual_truth, spread=still)
    steps = find_next(trial.frozen_plan, {"ph": analyse(trial, "ph")}, SETTING)
    assert steps.open == ()
    assert {s.kind for s in steps.steps} <= {"middle", "move"}
    assert next_words(find_next(None, {}, {})) == []


def test_words_fit_eight_lines_of_eighty_and_say_how_many_more(steps):
    lines = next_words(steps)
    assert len(lines) <= 8
    assert max(map(len, lines)) <= 80
    assert lines[0].startswith("What next (open: ")
    shown = sum(line[2:3].isdigit() and line[4:] != " more: decide --more" for line in lines)
    if "more: decide --more" in lines[-1]:
        shown -= 1
        assert lines[-1] == f"  {len(steps.steps) - shown} more: decide --more"


def test_the_whole_list_names_both_ends_and_the_estimate(steps):
    said = full_words(steps)
    assert sum(s.startswith("Next, ") for s in said) == len(steps.steps)
    assert any(" of 10 cases on average; in " in s and " at the estimate, " in s for s in said)
    facts = next_facts(steps)
    assert [s["kind"] for s in facts["steps"]] == [s.kind for s in steps.steps]
    assert all(0.0 <= s["chance"] <= 1.0 for s in facts["steps"])


# levers


@pytest.fixture(scope="module")
def predictor(ph):
    return build_predictor(ph)


def test_a_lever_is_the_change_over_the_slope_with_the_ends_of_its_range(ph, predictor):
    """By hand from the two settings' own difference: slope = difference / 10 F."""
    levers = {x.factor.name: x for x in find_levers(predictor, SETTING, 5.0, least=0.05)}
    lever = levers["mixing_water"]
    frame = pd.DataFrame([SETTING | {"mixing_water": w} for w in ("54 F", "64 F")])
    rows = predictor.rows(frame)
    t = predictor.model.fit.test_rows(rows[1:] - rows[:1])
    half = stats.t.ppf(0.975, t.df[0]) * t.std_error[0]
    mean = float(predictor.means(rows[1:])[0][0])
    ends = [10 * (5.0 - mean) / (t.estimate[0] + side * half) for side in (-1, 0, 1)]
    assert [lever.distance_low, lever.distance, lever.distance_high] == pytest.approx(
        sorted(ends), rel=2e-5)  # fmt: skip
    assert lever.unit == "F"


def test_a_step_beyond_what_was_tried_says_so(predictor):
    levers = {x.factor.name: x for x in find_levers(predictor, SETTING, 5.0)}
    assert levers["mixing_water"].beyond
    assert levers["mixing_water"].words.endswith(", beyond what was tried (54 F to 64 F)")


@pytest.mark.parametrize(
    ("level", "inner", "rise", "words"),
    [
        ("24", "48", 0.5, "try hold below 24 h, with that as highest level"),
        ("72", "48", 0.5, "try hold above 72 h, with that as lowest level"),
        ("24", "48", -0.5, ""),
        ("48", "72", 0.5, ""),
    ],
)
def test_a_best_at_an_end_is_followed_out_of_what_was_tried(noisy, level, inner, rise, words):
    """A best at the lowest tried has its better neighbours below it, not above."""
    settings = noisy.settings
    shown = SimpleNamespace(level=level, other=inner, ci_low=rise - 0.1, ci_high=rise + 0.1)
    answer = SimpleNamespace(question=SimpleNamespace(factor="hold"), comparisons=[shown])
    score = SimpleNamespace(
        response=SimpleNamespace(kind="score", words="bake score"), answers=[answer]
    )
    scope = SimpleNamespace(settings=settings, effort=lambda runs: None)
    steps = _Scope._over_the_edge(scope, score, settings.factors["hold"], level)
    assert [s.words for s in steps] == ([words] if words else [])


def test_near_the_target_half_a_margin_is_offered_in_the_unit_that_was_typed(predictor):
    rows = predictor.rows(pd.DataFrame([SETTING]))
    mean = float(predictor.means(rows)[0][0])
    levers = {x.factor.name: x for x in find_levers(predictor, SETTING, mean + 0.01)}
    lever = levers["mixing_water"]
    assert lever.change == pytest.approx(0.05)
    ends = (lever.distance, lever.distance_low, lever.distance_high)
    size, low, high = (f"{abs(x):.0f}" for x in ends)
    assert lever.words.startswith(
        f"mixing water {size} F cooler ({low} to {high}) brings pH of the 48 h ball 0.05 up"
    )
    assert levers["hold"].words.split(" brings")[0].split("(")[0].endswith(" h shorter ")
    assert math.copysign(1, levers["hold"].distance) == -1
    assert np.isfinite(lever.distance_high)
