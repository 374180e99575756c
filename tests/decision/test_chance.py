"""Chances of a new ball: known distributions, and trials with a known truth."""

import re

import numpy as np
import pytest
from scipy import stats

from doughlab.analysis import analyse
from doughlab.decision.chance import (
    build_predictor,
    compare_chances,
    forecast,
    share_inside,
    tenths,
    tenths_span,
    tried_settings,
)

WINDOW = (5.35, 5.75)
D = 40_000


def known(value):
    return np.full((D, 1), value), np.full(D, 0.01)


def test_with_everything_known_it_is_the_normal_chance():
    share, low, high = share_inside(*known(5.5), WINDOW)
    wanted = stats.norm.cdf(2.5) - stats.norm.cdf(-1.5)
    assert (share[0], low[0], high[0]) == pytest.approx((wanted,) * 3, abs=1e-9)


def test_one_sided_window_with_a_known_mean_is_a_tolerance_bound():
    """Spread from 10 values about a known mean: the lower end of the share below an edge is the

    normal chance at edge / (s root(df / chi-square)), the algebra of an exact one-sided bound.
    """
    df, s, edge = 10.0, 0.1, 5.65
    rng = np.random.default_rng(1)
    variances = s**2 * df / rng.chisquare(df, D)
    share, low, high = share_inside(np.full((D, 1), 5.5), variances, (-np.inf, edge))
    ends = stats.norm.cdf((edge - 5.5) / (s * np.sqrt(df / stats.chi2.ppf([0.025, 0.975], df))))
    assert (low[0], high[0]) == pytest.approx(tuple(sorted(ends)), abs=3e-3)
    assert low[0] < share[0] < high[0]


def test_range_of_a_share_widens_with_what_is_not_known():
    rng = np.random.default_rng(1)
    means = 5.5 + rng.normal(0, 0.05, (D, 1))
    narrow = share_inside(5.5 + (means - 5.5) / 5, np.full(D, 0.01), WINDOW)
    wide = share_inside(means, 0.01 * 6 / rng.chisquare(6, D), WINDOW)
    assert wide[1][0] < narrow[1][0] < narrow[0][0] < narrow[2][0] < wide[2][0]


def test_spread_of_a_single_mean_square_is_the_textbook_one(kitchen):
    """Balls of one batch a day without batch spread: nothing but df from the residual is left."""
    trial = kitchen.invent(kitchen.PLAIN, lambda _: 5.5, spread=kitchen.Spread(day=0, batch=0))
    predictor = build_predictor(analyse(trial, "ph"))
    variance, df = predictor.spread({"batch": np.inf})
    fit = predictor.model.fit
    assert variance == pytest.approx(float(fit.variances["residual"]), rel=0.1)
    assert 0.8 * 16 < df < 1.2 * (fit.n_used - 6)  # 30 balls, 10 batches, 6 means


def test_new_ball_adds_day_batch_and_ball(ph):
    predictor = build_predictor(ph)
    assert {"block", "batch", "residual"} <= set(predictor.variances)
    variance, df = predictor.spread()
    draws = predictor.draws.variances.sum(axis=1)
    assert np.quantile(draws, 0.25) < variance < np.quantile(draws, 0.75)
    assert 1 < df < 200
    assert predictor.spread({"residual": np.inf})[0] < variance


def test_what_all_readings_share_widens_means_and_leaves_differences(ph):
    """Algebra: an independent normal error adds its variance; in a difference it cancels."""
    plain, off = build_predictor(ph), build_predictor(ph, meter_sd=0.05)
    settings = tried_settings(ph)
    rows = plain.rows(settings)
    means, moved = plain.draws.means(rows), off.draws.means(rows)
    assert np.var(moved - means, axis=0) == pytest.approx(0.05**2, rel=0.01)
    assert np.var(moved, axis=0) == pytest.approx(np.var(means, axis=0) + 0.05**2, rel=0.06)
    assert moved[:, 1] - moved[:, 0] == pytest.approx(means[:, 1] - means[:, 0])
    assert off.draws.spread() == pytest.approx(plain.draws.spread())
    wide, narrow = forecast(off, settings, WINDOW), forecast(plain, settings, WINDOW)
    assert (wide["std_error"] > narrow["std_error"]).all()
    assert (wide["estimate"] == narrow["estimate"]).all()
    assert wide["chance_low"].sum() < narrow["chance_low"].sum()
    assert off.notes[-1] == (
        "All readings may be off together by the meter's own error (buffers, drift between "
        "buffers): SD 0.05 pH is in the chances and their ranges."
    )
    assert len(off.notes) == len(plain.notes) + 1


def test_the_range_of_a_share_keeps_its_promise_when_the_meter_is_off():
    """Invented: true mean 5.62, known from the trial but for a meter off by N(0, 0.05), as drawn.

    The range from draws with that error holds the true share in 95 of 100 trials (binomial: 92 to
    97.5 in 400); without it, hardly ever.
    """
    rng = np.random.default_rng(8)
    truth = stats.norm.cdf((5.75 - 5.62) / 0.1) - stats.norm.cdf((5.35 - 5.62) / 0.1)
    at = stats.norm.ppf((np.arange(D // 20) + 0.5) / (D // 20))[:, None]
    held = bare = 0
    for error in rng.normal(0, 0.05, 400):
        read, spread = 5.62 + error, np.full(len(at), 0.01)
        _, low, high = share_inside(read + 0.05 * at, spread, WINDOW)
        held += low[0] <= truth <= high[0]
        _, low, high = share_inside(np.full((len(at), 1), read), spread, WINDOW)
        bare += low[0] <= truth <= high[0]
    assert 0.92 <= held / 400 <= 0.985 and bare < 10


def test_a_given_band_is_one_of_true_ph_and_a_found_one_moves_with_the_meter(ph):
    from dataclasses import replace

    from doughlab.decision.choose import build_predictors
    from doughlab.decision.window import find_window

    found = {"ph": replace(ph, meter_sd=0.02)}
    window = find_window(ph.settings, found)
    assert window.given and build_predictors(found, window)["ph"].meter_sd == 0.02
    own = replace(window, given=False)
    assert build_predictors(found, own)["ph"].meter_sd == 0.0


def test_few_days_leave_the_day_spread_wide_and_say_so(ph):
    predictor = build_predictor(ph)
    assert re.fullmatch(
        r"Only 4 mixing days tell how much days differ: SD 0\.0\d+ \(0\.0\d+ to 0\.\d+\); the "
        r"chances and their ranges take that in\.", predictor.notes[0])  # fmt: skip
    many = predictor.draws.variances[:, list(predictor.variances).index("residual")]
    few = predictor.draws.variances[:, list(predictor.variances).index("block")]
    wide = [np.quantile(v, 0.975) / np.quantile(v, 0.5) for v in (few, many)]
    assert wide[0] > 4 * wide[1]


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


def test_ranges_of_chances_are_rounded_outwards():
    """By hand: a low end is never raised, a high end never lowered; none and all are never said."""
    ends = [(0.7637, 0.9631), (0.9, 0.9), (0.05, 0.31), (0.0, 1.0), (0.969, 0.971), (0.94, 0.98)]
    said = [tenths_span(low, high) for low, high in ends]
    assert said == ["7 to 9.7", "9 to 9", "0.5 to 4", "0.1 to 9.9", "9.6 to 9.8", "9.4 to 9.8"]
    assert tenths_span(0.8, 0.86, between="-") == "8-9"


def test_tenths_never_promise_all_or_none():
    assert [tenths(p) for p in (0.0, 0.3, 0.94, 0.96, 1.0)] == ["0.1", "3", "9", "9.6", "9.9"]
