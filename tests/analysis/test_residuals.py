"""Unusual balls and batches are found and reported, never dropped."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from doughlab.analysis import analyse, check_model
from doughlab.analysis.residuals import (
    _spread_statistics,
    brown_forsythe,
    conditional_variances,
    draw_residuals,
)


def moved(trial, balls, shift):
    rows = [{**r, "ph": r["ph"] + shift} if r["ball_id"] in balls else r
            for r in trial.records.readings]  # fmt: skip
    return trial.with_readings(rows)


def test_conditional_residuals_have_the_variance_of_theory(waters_trial):
    """By the full covariance matrix: residual s P y, variance s^2 P_ii."""
    for name in ("ph", "score"):
        model = analyse(waters_trial, name).model
        fit, s = model.fit, model.fit.components[-1]
        v = s * np.eye(len(fit.y))
        for g, a in zip(fit.prepared.groupings, fit.components[:-1], strict=True):
            v += a * (g.codes[:, None] == g.codes[None, :])
        x, w = fit.design.matrix, np.linalg.inv(v)
        p = w - w @ x @ np.linalg.inv(x.T @ w @ x) @ x.T @ w
        assert fit.residuals().to_numpy() == pytest.approx(s * p @ fit.y, abs=1e-9)
        assert conditional_variances(model) == pytest.approx(s**2 * np.diag(p), abs=1e-12)


def test_one_misread_ball_is_named_and_still_used(waters_trial):
    ball = next(b["ball_id"] for b in waters_trial.frozen_plan.balls if b["purpose"] == "ph")
    trial = moved(waters_trial, {ball}, 0.35)
    result = analyse(trial, "ph")
    assert result.checks.unusual_balls == [ball]
    assert ball in set(result.dataset.frame["ball"])
    assert result.fit.n_used == 72
    sentence = next(s for s in result.noticed if s.startswith(ball))
    assert "above where the model puts it" in sentence and "Used all the same." in sentence


def test_a_batch_from_a_hot_room_is_named_with_its_room(kitchen):
    trial = kitchen.invent(kitchen.WATERS, kitchen.usual_truth,
                           spread=kitchen.Spread(batch=0.02, day=0.0))  # fmt: skip
    balls = {b["ball_id"] for b in trial.frozen_plan.balls if b["batch_id"] == "B11"}
    trial = moved(trial, balls, -0.2)
    for mix in trial.records.mixes:
        if mix["batch_id"] == "B11":
            mix["room_temp_c"] = 29.0
    result = analyse(trial, "ph")
    assert result.checks.unusual_batches == ["B11"]
    sentence = next(s for s in result.noticed if s.startswith("B11"))
    assert "below its setting; its room was 29 °C. Used all the same." in sentence


def test_one_level_that_spreads_more_is_named(kitchen):
    trial = kitchen.invent(kitchen.WATERS, kitchen.usual_truth, spread=kitchen.Spread(ball=0.02))
    rng = np.random.default_rng(3)
    late = {b["ball_id"] for b in trial.frozen_plan.balls if b["hold_h"] == 72.0}
    rows = [{**r, "ph": r["ph"] + rng.normal(0, 0.12)} if r["ball_id"] in late else r
            for r in trial.records.readings]  # fmt: skip
    checks = check_model(analyse(trial.with_readings(rows), "ph"))
    row = checks.spread.set_index("term").loc["hold"]
    assert row["flagged"] and row["level"] == "72 h"
    assert any("times as much at hold 72 h" in s for s in checks.sentences)
    assert str(checks).startswith("largest of 72 residuals")


def test_an_ordinary_trial_raises_few_flags(kitchen):
    """Twenty seeded trials: at 5 % a check, adjusted, about 1 of 20 may flag by chance."""
    flags = np.zeros(3)
    for seed in range(20):
        trial = kitchen.invent(kitchen.PLAIN, lambda _: 5.5, seed=seed)
        checks = analyse(trial, "ph").checks
        flags += [bool(checks.unusual_balls), bool(checks.unusual_batches),
                  bool(checks.spread["flagged"].any())]  # fmt: skip
    # binomial(20, 0.05) exceeds 4 with a chance of 0.3 %
    assert flags.max() <= 4


@pytest.mark.parametrize("blocks", ["days = 2\nreplicates = 1", "days = 1\nreplicates = 2"])
def test_clean_trials_with_little_left_over_raise_few_flags(kitchen, blocks):
    """Six or twelve batches for up to twelve fixed terms, ten seeded trials of each."""
    flags = np.zeros(3)
    for seed in range(10):
        text = kitchen.WATERS_PH.replace("days = 4\nreplicates = 4", blocks)
        checks = analyse(kitchen.invent(text, kitchen.usual_truth, seed=1000 + seed), "ph").checks
        flags += [bool(checks.unusual_balls), bool(checks.unusual_batches),
                  bool(checks.spread["flagged"].any())]  # fmt: skip
        sizes = checks.balls["statistic"].abs().dropna()
        assert sizes.empty or sizes.max() < 20
        assert checks.spread["estimate"].empty or checks.spread["estimate"].max() < 50
        assert str(checks)
    # binomial(10, 0.05) exceeds 3 with a chance of 0.1 %
    assert flags.max() <= 3


def test_five_batches_leave_too_little_to_call_a_ball_unusual(kitchen):
    trial = kitchen.invent(kitchen.WATERS_PH, kitchen.usual_truth)
    names = {b["batch_id"] for b in list(trial.frozen_plan.batches)[:5]}
    batch = {b["ball_id"]: b["batch_id"] for b in trial.frozen_plan.balls}
    part = trial.with_readings([r for r in trial.records.readings if batch[r["ball_id"]] in names])
    checks = analyse(part, "ph").checks
    assert checks.balls["statistic"].isna().all() and checks.spread.empty
    assert checks.sentences == ()
    assert str(checks).startswith("balls and their spread: too little is left over")


def test_drawn_residuals_have_the_variance_and_the_ties_of_theory(waters_trial):
    """Their covariance is that of s P, by the full matrix, divided by the SDs on both sides."""
    model = analyse(waters_trial, "ph").model
    fit, s = model.fit, model.fit.components[-1]
    v = s * np.eye(len(fit.y))
    for g, a in zip(fit.prepared.groupings, fit.components[:-1], strict=True):
        v += a * (g.codes[:, None] == g.codes[None, :])
    x, w = fit.design.matrix, np.linalg.inv(v)
    p = s**2 * (w - w @ x @ np.linalg.inv(x.T @ w @ x) @ x.T @ w)
    sd = np.sqrt(np.diag(p))
    drawn = draw_residuals(model, draws=20000, seed=5)
    assert np.abs(drawn @ drawn.T / 20000 - p / np.outer(sd, sd)).max() < 0.06  # 6 / sqrt(20000)


def test_statistic_of_drawn_groups_is_that_of_brown_and_forsythe():
    rng = np.random.default_rng(4)
    groups = [rng.normal(0, s, (n, 3)) for s, n in ((1, 9), (2, 12), (1.5, 7))]
    wanted = [stats.levene(*(g[:, k] for g in groups), center="median").statistic for k in range(3)]
    assert _spread_statistics(groups) == pytest.approx(wanted, rel=1e-10)


def test_spread_test_is_that_of_brown_and_forsythe():
    """scipy's Levene test about the median is the same test."""
    rng = np.random.default_rng(1)
    groups = [rng.normal(0, s, n) for s, n in ((1, 9), (2, 12), (1.5, 7))]
    wanted = stats.levene(*groups, center="median")
    statistic, df_num, df_den, p = brown_forsythe(groups)
    assert (statistic, p) == pytest.approx((wanted.statistic, wanted.pvalue), rel=1e-10)
    assert (df_num, df_den) == (2, 25)


def test_spread_of_plant_growth_agrees_with_r():
    """R 4.2.2 on datasets::PlantGrowth, Levene's test about the median: F 1.11919 on 2 and 27."""
    data = pd.read_csv(Path(__file__).parents[1] / "reference" / "data" / "plantgrowth.csv")
    groups = [own.to_numpy() for _, own in data.groupby("group")["weight"]]
    statistic, df_num, df_den, _ = brown_forsythe(groups)
    assert statistic == pytest.approx(1.11919, abs=5e-6)
    assert (df_num, df_den) == (2, 27)


def test_perfectly_repeated_balls_are_no_reason_to_fail():
    assert brown_forsythe([np.ones(4), np.ones(5)])[3] == 1.0


def test_studentised_residuals_are_those_of_regression_where_nothing_is_random(kitchen):
    """One ball per batch, no blocks: ordinary regression, against statsmodels' influence."""
    from statsmodels.regression.linear_model import OLS

    start, end = kitchen.PLAIN.index("[factors.hold]"), kitchen.PLAIN.index("[responses.ph]")
    text = (kitchen.PLAIN[:start] + kitchen.PLAIN[end:]).replace("use_hold_h = 48", "")
    result = analyse(kitchen.invent(text, lambda _: 5.5, seed=8), "ph")
    x = pd.get_dummies(result.dataset.frame["water"]).astype(float).to_numpy()
    influence = OLS(result.dataset.frame["y"].to_numpy(), x).fit().get_influence()
    balls = result.checks.balls
    assert balls["statistic"].tolist() == pytest.approx(
        influence.resid_studentized_external.tolist(), rel=1e-8
    )
    wanted = np.minimum(1.0, 10 * 2 * stats.t.sf(np.abs(balls["statistic"]), 7))
    assert balls["p_value"].tolist() == pytest.approx(wanted.tolist(), rel=1e-8)
