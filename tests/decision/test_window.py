"""The window: given, found from the bake scores, or not to be told; and its hours."""

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from doughlab.analysis import analyse
from doughlab.decision.chance import build_predictor
from doughlab.decision.choose import analyse_all
from doughlab.decision.window import find_hours, find_window, within_margin
from doughlab.stats import fit_mixed

QUIET = {"day": 0.002, "batch": 0.004, "ball": 0.002}


def test_given_window_is_taken(windowed):
    window = find_window(windowed.settings, {})
    assert (window.low, window.high, window.given) == (5.35, 5.75, True)


def test_window_is_found_from_the_bake_scores(kitchen):
    """Score 7 - 14 (pH - 5.5)^2: one point is lost sqrt(1/14) = 0.267 from 5.5, by algebra.

    A wider spread of pH (holds 24 to 72 h) is tried; what is found lies inside that, since each pH
    must be shown to be within the margin.
    """
    trial = kitchen.invent(kitchen.WATERS, kitchen.usual_truth, score=kitchen.usual_score,
                           spread=kitchen.Spread(score=0.1, judge=0.3))  # fmt: skip
    window = find_window(trial.settings, analyse_all(trial))
    reach = math.sqrt(1 / 14)
    assert not window.given
    assert window.high == pytest.approx(5.5 + reach, abs=0.05)
    assert window.high <= 5.5 + reach + 0.01
    assert "found from the bake score" in window.sentence


def test_a_score_that_does_not_depend_on_ph_gives_no_window(kitchen):
    trial = kitchen.invent(kitchen.WATERS, kitchen.usual_truth, score=lambda *_: 6.0,
                           spread=kitchen.Spread(score=0.2))  # fmt: skip
    window = find_window(trial.settings, analyse_all(trial))
    assert window.ends is None
    assert "this trial cannot tell one: no pH within" in window.sentence


def test_scores_that_spread_too_much_give_no_window(kitchen):
    trial = kitchen.invent(kitchen.WATERS, kitchen.usual_truth, score=lambda *_: 6.0,
                           spread=kitchen.Spread(score=4.0))  # fmt: skip
    window = find_window(trial.settings, analyse_all(trial))
    assert window.ends is None and "cannot tell one" in window.sentence


def test_without_scores_there_is_no_window(kitchen):
    trial = kitchen.invent(kitchen.PLAIN, lambda _: 5.5)
    window = find_window(trial.settings, analyse_all(trial))
    assert window.sentence == (
        "No band is given, and no bake was scored: this trial cannot tell one."
    )


def test_best_x_is_not_taken_as_known():
    """On a steep known curve the kept x are those that lose less than the margin, by algebra."""
    rng = np.random.default_rng(1)
    x = np.linspace(-0.4, 0.4, 200)
    table = pd.DataFrame({"x": x, "y": 7 - 14 * (x - 0.1) ** 2 + rng.normal(0, 0.01, 200)})
    fit = fit_mixed(table, "y ~ x + I(x**2)")
    grid = np.linspace(-0.4, 0.4, 161)
    kept = grid[within_margin(fit, grid, 1.0)]
    reach = math.sqrt(1 / 14)
    assert kept[0] == pytest.approx(0.1 - reach, abs=0.006)
    assert kept[-1] == pytest.approx(0.1 + reach, abs=0.006)
    loose = fit_mixed(table.assign(y=table["y"] + rng.normal(0, 3, 200)), "y ~ x + I(x**2)")
    assert within_margin(loose, grid, 1.0).sum() < len(kept)


def falling(levels):
    """6.00 at 24 h, 5.60 at 48 h, 5.20 at 72 h: a straight line, 1 hour = 1/60 pH."""
    return 6.4 - float(levels["hold"]) / 60


def test_hours_of_a_straight_line_are_those_of_algebra(kitchen):
    trial = kitchen.invent(kitchen.PLAIN, falling, spread=kitchen.Spread(**QUIET))
    predictor = build_predictor(analyse(trial, "ph"))
    hours = find_hours(predictor, {"water": "tap"}, (5.35, 5.75))
    assert hours.opens.hour == pytest.approx(39, abs=0.5)
    assert hours.closes.hour == pytest.approx(63, abs=0.5)
    assert hours.opens.low <= 39 <= hours.opens.high
    assert not hours.inside_at_first and not hours.inside_at_last
    assert 0 < hours.opens.single_h < 5


def test_window_that_is_never_left_says_so(kitchen):
    trial = kitchen.invent(kitchen.PLAIN, falling, spread=kitchen.Spread(**QUIET))
    predictor = build_predictor(analyse(trial, "ph"))
    hours = find_hours(predictor, {"water": "tap"}, (5.0, 5.8))
    assert hours.opens.hour == pytest.approx(36, abs=0.5)
    assert hours.closes is None and hours.inside_at_last
    always = find_hours(predictor, {"water": "tap"}, (5.0, 6.5))
    assert always.opens is None and always.closes is None and always.inside_at_first
    never = find_hours(predictor, {"water": "tap"}, (3.0, 3.5))
    assert never.opens is None and not never.inside_at_first


def test_single_batches_are_further_off_where_batches_differ_more(kitchen):
    reach = []
    for batch in (0.01, 0.08):
        trial = kitchen.invent(kitchen.PLAIN, falling, spread=kitchen.Spread(batch=batch))
        predictor = build_predictor(analyse(trial, "ph"))
        reach.append(find_hours(predictor, {"water": "tap"}, (5.35, 5.75)).opens.single_h)
    assert reach[1] > 2 * reach[0]


def test_trial_without_a_hold_has_no_hours(kitchen):
    start, end = kitchen.PLAIN.index("[factors.hold]"), kitchen.PLAIN.index("[responses.ph]")
    text = (kitchen.PLAIN[:start] + kitchen.PLAIN[end:]).replace("use_hold_h = 48", "")
    trial = kitchen.invent(text, lambda _: 5.5)
    predictor = build_predictor(analyse(trial, "ph"))
    assert find_hours(predictor, {"water": "tap"}, (5.35, 5.75)) is None


def test_a_changed_plan_is_carried_into_the_decision(windowed_ph):
    from doughlab.decision import decide

    plan = replace(windowed_ph.frozen_plan, changed=("window changed after the plan.",))
    text = decide(replace(windowed_ph, frozen_plan=plan)).text()
    assert text.startswith("Mind: window changed after the plan.")
