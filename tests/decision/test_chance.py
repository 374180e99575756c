"""Chances of a new ball: known distributions, and trials with a known truth."""

import numpy as np
import pytest
from scipy import stats

from doughlab.analysis import analyse
from doughlab.decision.chance import (
    build_predictor,
    chance_inside,
    compare_chances,
    forecast,
    tenths,
    tried_settings,
)

SURE = 1e6
WINDOW = (5.35, 5.75)


def one(estimate, error, df):
    return np.array([estimate]), np.array([error]), np.array([df])


def test_with_everything_known_it_is_the_normal_chance():
    chance, low, high = chance_inside(one(5.5, 1e-9, SURE), (0.01, SURE), WINDOW)
    wanted = stats.norm.cdf(2.5) - stats.norm.cdf(-1.5)
    assert chance[0] == pytest.approx(wanted, abs=1e-4)
    assert (low[0], high[0]) == pytest.approx((wanted, wanted), abs=1e-3)


def test_an_uncertain_mean_adds_its_variance():
    chance, _, _ = chance_inside(one(5.5, 0.05, SURE), (0.01, SURE), WINDOW)
    sd = np.hypot(0.1, 0.05)
    wanted = stats.norm.cdf(0.25 / sd) - stats.norm.cdf(-0.15 / sd)
    assert chance[0] == pytest.approx(wanted, abs=1e-3)


@pytest.mark.parametrize("df", [3.0, 8.0, 30.0])
def test_an_uncertain_spread_gives_a_t_distribution(df):
    """A new value about a known mean with an estimated variance is t (a textbook identity)."""
    chance, _, _ = chance_inside(one(5.5, 1e-9, SURE), (0.01, df), WINDOW)
    wanted = stats.t.cdf(2.5, df) - stats.t.cdf(-1.5, df)
    assert chance[0] == pytest.approx(wanted, abs=2e-3)


def test_range_of_a_chance_widens_with_what_is_not_known():
    narrow = chance_inside(one(5.5, 0.01, 20.0), (0.01, 40.0), WINDOW)
    wide = chance_inside(one(5.5, 0.05, 20.0), (0.01, 6.0), WINDOW)
    assert wide[1][0] < narrow[1][0] < narrow[0][0] < narrow[2][0] < wide[2][0]


def test_new_ball_adds_day_batch_and_ball(ph):
    predictor = build_predictor(ph)
    names = set(predictor.variances)
    assert {"block", "batch", "residual"} <= names
    variance, df = predictor.spread()
    assert variance == pytest.approx(sum(predictor.variances.values()))
    assert 1 < df < 200
    single, _ = predictor.spread({"residual": np.inf})
    assert single == pytest.approx(variance - predictor.variances["residual"])


def test_few_days_widen_the_day_spread_and_say_so(ph):
    predictor = build_predictor(ph)
    fitted = float(predictor.model.fit.variances["block"])
    assert predictor.variances["block"] > fitted
    assert predictor.notes[0].startswith("Only 4 mixing days tell how much days differ")
    assert "So chances are cautious" in predictor.notes[0]


def test_without_days_it_says_what_is_not_in_it(kitchen):
    trial = kitchen.invent(kitchen.PLAIN, lambda _: 5.5)
    predictor = build_predictor(analyse(trial, "ph"))
    assert "block" not in predictor.variances
    assert any("how other days differ is not in these chances" in n for n in predictor.notes)


def test_every_tried_setting_stands_once_in_planned_order(ph):
    tried = tried_settings(ph)
    assert len(tried) == 3 * 2 * 3
    assert tried["water"].tolist()[:6] == ["tap"] * 6
    assert tried["n"].sum() == 72


def test_means_of_settings_are_those_of_the_model(ph):
    result = ph
    predictor = build_predictor(result)
    table = forecast(predictor, tried_settings(result), WINDOW)
    tap = table[table["water"] == "tap"]["estimate"].mean()
    wanted = result.means("water").set_index("level").loc["tap", "estimate"]
    assert tap == pytest.approx(wanted, abs=0.003)  # days as a spread move it a little
    assert (table["chance_low"] <= table["chance"]).all()
    assert (table["chance"] <= table["chance_high"]).all()


def test_difference_from_itself_is_nothing_and_from_far_off_is_shown(ph):
    result = ph
    predictor, tried = build_predictor(result), tried_settings(result)
    best = int(forecast(predictor, tried, WINDOW)["chance"].to_numpy().argmax())
    low, high = compare_chances(predictor, tried, best, WINDOW)
    assert (low[best], high[best]) == (0.0, 0.0)
    cold = ((tried["hold"] == "24") & (tried["water"] == "tap")).to_numpy()
    assert (high[cold] < -0.3).all()


def test_stated_chances_are_about_right_over_many_trials(kitchen):
    """Eight seeded trials, 18 settings each, against the chance under the truth.

    Truth: means of `usual_truth`, spreads of `Spread`. Over 150 trials (by hand)
    the stated chance was 0.543 on average against 0.552, its 95 % range held the truth 93 times
    in 100. The settings
    of one trial share its days and hold or miss together: of 8 trials at 0.93 each, fewer than 6
    hold with a chance of 2 %, so more than 5.5 of 8 are asked for.
    """
    spread = kitchen.Spread()
    sd = float(np.sqrt(spread.day**2 + spread.batch**2 + spread.ball**2))
    stated, true, held = [], [], []
    for seed in range(100, 108):
        trial = kitchen.invent(kitchen.WATERS_PH, kitchen.usual_truth, seed=seed)
        result = analyse(trial, "ph")
        table = forecast(build_predictor(result), tried_settings(result), WINDOW)
        for row in table.to_dict("records"):
            mean = kitchen.usual_truth(row)
            chance = stats.norm.cdf((5.75 - mean) / sd) - stats.norm.cdf((5.35 - mean) / sd)
            stated.append(row["chance"])
            true.append(chance)
            held.append(row["chance_low"] <= chance <= row["chance_high"])
    assert np.mean(stated) == pytest.approx(np.mean(true), abs=0.05)
    assert np.mean(held) >= 5.5 / 8


def test_tenths_never_promise_all_or_none():
    assert [tenths(p) for p in (0.0, 0.3, 0.94, 0.96, 1.0)] == ["0.1", "3", "9", "9.6", "9.9"]
