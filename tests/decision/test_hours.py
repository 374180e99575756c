"""Hours of the window: algebra on known lines, surfaces that bend, shares, sentences."""

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from doughlab.analysis import analyse
from doughlab.decision import decide
from doughlab.decision.between import judge_between
from doughlab.decision.chance import build_predictor
from doughlab.decision.hours import (
    build_courses,
    find_hours,
    first_passage,
    hour_weights,
    hours_table,
    passages,
    share_hours,
)
from doughlab.decision.hourwords import hours_words, window_lines
from doughlab.decision.window import WindowFound
from doughlab.errors import NotEstimable

QUIET = {"day": 0.002, "batch": 0.004, "ball": 0.002}
WINDOW = (5.35, 5.75)


def falling(levels):
    """6.00 at 24 h, 5.60 at 48 h, 5.20 at 72 h: a straight line, 1 hour = 1/60 pH."""
    return 6.4 - float(levels["hold"]) / 60


@pytest.fixture(scope="module")
def quiet(kitchen):
    """A straight line with hardly any spread."""
    trial = kitchen.invent(kitchen.PLAIN, falling, spread=kitchen.Spread(**QUIET))
    return build_predictor(analyse(trial, "ph"))


@pytest.fixture(scope="module")
def courses(ph):
    """Every setting of 24 batches on 4 days."""
    return build_courses(build_predictor(ph), WINDOW)


def test_hours_of_a_straight_line_are_those_of_algebra(quiet):
    course = find_hours(quiet, {"water": "tap"}, WINDOW)
    assert course.opens.value == pytest.approx(39, abs=0.5)
    assert course.closes.value == pytest.approx(63, abs=0.5)
    assert course.opens.low <= 39 <= course.opens.high
    assert course.batch_opens.low < course.opens.low < course.opens.high < course.batch_opens.high
    assert course.share_at(51.0)[0] > 0.99 and course.share_at(24.0)[0] < 0.01


def test_rising_values_enter_at_the_low_end(kitchen):
    trial = kitchen.invent(kitchen.PLAIN, lambda v: 4.8 + float(v["hold"]) / 60,
                           spread=kitchen.Spread(**QUIET))  # fmt: skip
    course = find_hours(build_predictor(analyse(trial, "ph")), {"water": "tap"}, WINDOW)
    assert course.opens.value == pytest.approx(33, abs=0.5)
    assert course.closes.value == pytest.approx(57, abs=0.5)


def test_window_that_is_never_left_says_so(quiet):
    open_late = find_hours(quiet, {"water": "tap"}, (5.0, 5.8))
    assert open_late.opens.value == pytest.approx(36, abs=0.5)
    assert open_late.closes.value is None and open_late.closes.side == "after"
    assert hours_words(open_late, "5.00-5.80")[0] == (
        f"On average the ball enters 5.00-5.80 at {open_late.opens} and is still inside at 72 h."
    )
    always = find_hours(quiet, {"water": "tap"}, (5.0, 6.5))
    assert hours_words(always, "5.00-6.50")[0] == (
        "On average the ball is inside 5.00-6.50 from 24 to 72 h, the whole range tried."
    )
    early = find_hours(quiet, {"water": "tap"}, (5.4, 6.5))
    assert hours_words(early, "5.40-6.50")[0] == (
        f"On average the ball is inside 5.40-6.50 already at 24 h and leaves at {early.closes}."
    )


def test_window_that_is_never_reached_says_on_which_side(quiet):
    low = find_hours(quiet, {"water": "tap"}, (3.0, 3.5))
    assert hours_words(low, "3.00-3.50") == [
        "On average the ball is inside 3.00-3.50 at no hold between 24 and 72 h: it is not there "
        "yet at 72 h."
    ]
    high = find_hours(quiet, {"water": "tap"}, (6.5, 7.0))
    assert hours_words(high, "6.50-7.00") == [
        "On average the ball is inside 6.50-7.00 at no hold between 24 and 72 h: it has left it "
        "before 24 h."
    ]


def test_single_batches_are_further_off_where_batches_differ_more(kitchen):
    reach = []
    for batch in (0.01, 0.06):
        trial = kitchen.invent(kitchen.PLAIN, falling, spread=kitchen.Spread(batch=batch))
        course = find_hours(build_predictor(analyse(trial, "ph")), {"water": "tap"}, WINDOW)
        reach.append(course.batch_opens.high - course.batch_opens.low)
    assert reach[1] > 2 * reach[0]


def test_trial_without_a_hold_has_no_hours(kitchen):
    start, end = kitchen.PLAIN.index("[factors.hold]"), kitchen.PLAIN.index("[responses.ph]")
    text = (kitchen.PLAIN[:start] + kitchen.PLAIN[end:]).replace("use_hold_h = 48", "")
    predictor = build_predictor(analyse(kitchen.invent(text, lambda _: 5.5), "ph"))
    assert find_hours(predictor, {"water": "tap"}, WINDOW) is None
    assert build_courses(predictor, WINDOW) is None


@pytest.mark.parametrize("tried", [(24, 72), (24, 48, 72), (24, 36, 48, 60, 72), (6, 12, 24, 48)])
def test_straight_lines_are_followed_exactly_between_any_holds(tried):
    tried, hours = np.array(tried, dtype=float), np.linspace(tried[0], tried[-1], 33)
    weights = hour_weights(tried, hours)
    assert weights.sum(axis=1) == pytest.approx(np.ones(33))
    assert weights @ (2.0 - 0.01 * tried) == pytest.approx(2.0 - 0.01 * hours)


@pytest.mark.parametrize("curve", [np.log, lambda h: np.exp(-h / 40), np.sqrt])
def test_slowing_curves_are_followed_better_than_by_straight_lines(curve):
    """At most a quarter of the error of straight lines between 24, 48 and 72 h."""
    tried, hours = np.array([24.0, 48.0, 72.0]), np.linspace(24.0, 72.0, 97)
    smooth = np.abs(hour_weights(tried, hours) @ curve(tried) - curve(hours)).max()
    straight = np.abs(np.interp(hours, tried, curve(tried)) - curve(hours)).max()
    assert smooth < 0.25 * straight


def test_a_plan_with_the_hold_as_a_bend_follows_its_own_parabola():
    """A parabola in hours through three of four holds gives the fourth: an identity."""
    tried, hours = np.array([24.0, 40.0, 56.0, 72.0]), np.array([30.0, 48.0, 66.0])
    found = hour_weights(tried, hours, degree=2) @ (0.001 * (tried - 50) ** 2)
    assert found == pytest.approx(0.001 * (hours - 50) ** 2)


def test_passages_beyond_the_tried_hours_are_never_extrapolated():
    hours = np.linspace(24.0, 72.0, 25)
    above = np.stack([hours * 0 - 0.1, hours * 0 + 0.1, (40 - hours) / 100])
    assert first_passage(hours, above).tolist() == [-math.inf, math.inf, pytest.approx(40.0)]
    lines = np.stack([5.8 - 0.001 * (hours - 24), 5.9 - 0.001 * (hours - 24)])
    opens, closes = passages(hours, lines, lines[0], WINDOW)
    assert opens.high is None and closes.value is None and closes.low is None


def test_enough_balls_are_found_by_their_own_range():
    """A tent of shares, 0 at 24 and 72 h and 1 at 48 h: 0.8 is passed at 43.2 and 52.8 h."""
    hours = np.linspace(24.0, 72.0, 49)
    tent = 1.0 - np.abs(hours - 48.0) / 24.0
    opens, closes = share_hours(hours, (tent, tent - 0.1, np.minimum(tent + 0.1, 1)), 0.8)
    assert (opens.value, closes.value) == pytest.approx((43.2, 52.8))
    assert (opens.low, opens.high) == pytest.approx((40.8, 45.6))
    assert (closes.low, closes.high) == pytest.approx((50.4, 55.2))
    assert share_hours(hours, (tent * 0.5, tent * 0, tent), 0.8) == (None, None)
    shown = share_hours(hours, (tent, tent * 0.5, tent), 0.8)
    assert shown[0].high is None and shown[1].low is None


def test_table_has_every_setting_in_house_order(courses):
    table = courses.table()
    assert list(table) == ["water", "mixing_water", "term", "level", "estimate", "ci_low",
                           "ci_high", "unit", "n", "side"]  # fmt: skip
    assert len(table) == 3 * 2 * 2 * 3
    assert set(table["unit"]) == {"h"} and table["n"].eq(12).all()
    inside = table[table["side"] == "inside"]
    assert inside["estimate"].between(24, 72).all()
    known = inside.dropna()
    assert (known["ci_low"] <= known["estimate"]).all()
    assert (known["estimate"] <= known["ci_high"]).all()


def test_shares_are_given_between_the_tried_holds_only(courses):
    table = courses.shares([24, 36, 72])
    assert len(table) == 6 * 3 and table["unit"].eq("share").all()
    assert (table["ci_low"] <= table["estimate"]).all()
    with pytest.raises(NotEstimable) as caught:
        courses.shares([80])
    assert str(caught.value) == (
        "80 h lies outside the holds that were tried, 24 to 72 h. Nothing is said beyond them; try "
        "that hold."
    )
    assert courses.shares()["hold_h"].unique().tolist() == [24, 30, 36, 42, 48, 54, 60, 66, 72]


def test_ranges_nest_average_in_batch_in_ball(courses):
    for course in courses.each:
        assert (course.ball_low < course.batch_low).all()
        assert (course.batch_low < course.mean_low).all()
        assert (course.mean_high < course.batch_high).all()
        assert (course.batch_high < course.ball_high).all()


def test_lines_for_more_fit_and_name_every_setting(courses):
    window = WindowFound(5.35, 5.75, "ph", True, "")
    lines = window_lines(SimpleNamespace(window=window, courses=courses))
    assert all(len(line) <= 80 for line in lines)
    assert " ".join(lines[0].split()) == "hours inside 5.35-5.75 enters leaves 8 of 10 inside"
    assert sum(line.startswith("  bottled, ") for line in lines) == 2
    assert "smooth curve through their means" in " ".join(" ".join(lines).split())


SURFACE = """
format = 1
name = "Invented surface"
code = "SUR"
source = "invented"
seed = 5

[[questions]]
text = "How does hydration move the pH?"
factor = "hydration"
response = "ph"
contrast = "slope"

[factors.mixing_water]
set = "batch"
kind = "number"
levels = [10, 18]
unit = "temp_c"

[factors.hydration]
set = "batch"
kind = "number"
levels = [58, 66]
unit = "pct"

[factors.hold]
set = "ball"
kind = "number"
levels = [24, 48, 72]
unit = "h"

[responses.ph]
table = "readings"
column = "ph"
unit = "ph"
margin = 0.1

[plan]
design = "central-composite"

[blocks]
kind = "none"
replicates = 2
"""


def bent(levels):
    """Known surface: squares of both settings, pH linear in the hold."""
    water = (float(levels["mixing_water"]) - 14) / 4
    wet = (float(levels["hydration"]) - 62) / 4
    return 6.0 - float(levels["hold"]) / 100 + 0.05 * wet**2 - 0.04 * water**2


@pytest.fixture(scope="module")
def surface(kitchen):
    return kitchen.invent(SURFACE, bent, spread=kitchen.Spread(**QUIET))


def test_hours_of_a_surface_bend_with_its_settings(surface):
    """By algebra: at the middle 5.52 is passed at 48 h, at hydration 66 % at 53 h."""
    predictor = build_predictor(analyse(surface, "ph"))
    middle = find_hours(predictor, {"mixing_water": "14", "hydration": "62"}, (5.0, 5.52))
    assert middle.opens.value == pytest.approx(48, abs=0.8)
    wet = find_hours(predictor, {"mixing_water": "14", "hydration": "66"}, (5.0, 5.52))
    assert wet.opens.value == pytest.approx(53, abs=0.8)


def test_curve_over_the_hold_keeps_the_squares_of_a_surface(surface):
    from doughlab.analysis.curve import fit_curve

    curve = fit_curve(surface, by_clock=False)
    middle, wet, warm = (
        curve.averages([48], setting={"mixing_water": w, "hydration": h})[0]["estimate"]
        for w, h in (("14", "62"), ("14", "66"), ("18", "62"))
    )
    assert middle == pytest.approx(5.52, abs=0.01)
    assert wet - middle == pytest.approx(0.05, abs=0.01)
    assert warm - middle == pytest.approx(-0.04, abs=0.01)


def test_raw_balls_and_unit_come_along(courses):
    assert set(courses.balls) == {"water", "mixing_water", "hold_h", "y"}
    assert len(courses.balls) == 72 and courses.unit == "ph"
    assert isinstance(courses.balls, pd.DataFrame)
    assert replace(courses, enough=9.0).enough == 9.0


def test_hours_table_comes_from_a_decision_and_says_why_not(courses):
    window = WindowFound(None, None, "ph", False, "No band is given, and no bake was scored.")
    without = SimpleNamespace(window=window, courses=None)
    with pytest.raises(NotEstimable) as caught:
        hours_table(without)
    assert str(caught.value) == "No band is given, and no bake was scored."
    single = SimpleNamespace(window=WindowFound(5.3, 5.7, "ph", True, ""), courses=None)
    with pytest.raises(NotEstimable) as caught:
        hours_table(single)
    assert str(caught.value) == (
        "Fewer than two holds are recorded, so there are no hours to tell."
    )
    assert len(hours_table(SimpleNamespace(courses=courses))) == 36


def test_sentence_on_enough_balls_says_what_is_shown(quiet, courses):
    course = find_hours(quiet, {"water": "tap"}, WINDOW)
    assert hours_words(course, "5.35-5.75")[2].startswith(
        "At least 8 of 10 new balls are inside from "
    )
    wide = replace(course, share_low=course.share_low * 0.1)
    assert hours_words(wide, "5.35-5.75")[2].endswith(
        "; the best guess, not shown (95 %) for any hour."
    )
    never = replace(course, share=course.share * 0.5, share_opens=None, share_closes=None)
    assert hours_words(never, "5.35-5.75")[2].startswith(
        "At no hour tried are 8 of 10 new balls inside; at most 5 at "
    )


def test_a_hold_whose_balls_were_lost_leaves_the_hours_before_it(kitchen, band):
    """One ball only was read at 72 h, of another setting: hours end at 48 h and stay true there."""
    trial = kitchen.invent(kitchen.WATERS_PH + band, kitchen.usual_truth)
    of = {b["batch_id"]: b["water"] for b in trial.frozen_plan.batches}
    late = {b["ball_id"]: of[b["batch_id"]] for b in trial.frozen_plan.balls if b["hold_h"] == 72}
    kept = next(ball for ball, water in late.items() if water == "reverse osmosis")
    few = [r for r in trial.records.readings if r["ball_id"] == kept or r["ball_id"] not in late]
    decision = decide(trial.with_readings(few))
    course = decision.hours
    assert course.tried == (24.0, 48.0) and np.isfinite(course.mean).all()
    # inside by the invented truth: 5.55 at 48 h, 0.06 up for tap and 0.06 down for 64 F
    assert course.inside_ever and "at no hold" not in " ".join(decision.text().split())
    said = judge_between(decision.weighing, decision.recommended, {"hold": "36"}).sentences[-1]
    assert said.endswith("a straight line from 24 h to 48 h is assumed; whether it bends cannot be "
                         "told.")  # fmt: skip
