"""Predictions, random effects, residuals and lack of fit, against algebra."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import t as student

from doughlab.errors import InputError, NotEstimable, UnknownName
from doughlab.stats import fit_mixed
from doughlab.stats.design import build_design
from doughlab.stats.fit import fit_prepared, prepare_design


@pytest.fixture(scope="module")
def one_way():
    """A balanced one-way layout: 10 batches of 4, with the classical sums."""
    rng = np.random.default_rng(2)
    y = 5.5 + np.repeat(rng.normal(size=10) * 0.3, 4) + rng.normal(size=40) * 0.1
    data = pd.DataFrame({"y": y, "batch": np.repeat([f"B{i}" for i in range(10)], 4)})
    means = data.groupby("batch")["y"].mean()
    between = 4 * means.var(ddof=1)
    within = data.groupby("batch")["y"].var(ddof=1).mean()
    return data, means, between, within


def test_prediction_of_a_new_ball_follows_the_classical_formula(one_way):
    data, means, between, within = one_way
    fit = fit_mixed(data, "y ~ 1", random=["batch"])
    batch = (between - within) / 4
    found = fit.predict(pd.DataFrame(index=[0])).iloc[0]
    assert found["estimate"] == pytest.approx(means.mean())
    assert found["std_error"] == pytest.approx(np.sqrt(between / 40))
    assert found["sd"] == pytest.approx(np.sqrt(between / 40 + batch + within))
    # Satterthwaite: the variance is c1 MSB + c2 MSW with 9 and 30 degrees of freedom.
    c1, c2 = 1 / 40 + 1 / 4, 1 - 1 / 4
    df = (c1 * between + c2 * within) ** 2 / ((c1 * between) ** 2 / 9 + (c2 * within) ** 2 / 30)
    assert found["df"] == pytest.approx(df, rel=1e-9)
    half = student.ppf(0.975, df) * found["sd"]
    assert found["ci_high"] == pytest.approx(found["estimate"] + half, rel=1e-9)


def test_prediction_of_a_batch_mean_leaves_the_residual_out(one_way):
    data, _, between, within = one_way
    fit = fit_mixed(data, "y ~ 1", random=["batch"])
    batch = fit.predict(pd.DataFrame(index=[0]), new="batch").iloc[0]
    assert batch["sd"] == pytest.approx(np.sqrt(between / 40 + (between - within) / 4))
    mean = fit.predict(pd.DataFrame(index=[0]), new="mean").iloc[0]
    assert mean["sd"] == pytest.approx(mean["std_error"])
    assert mean["df"] == pytest.approx(9, rel=1e-9)


def test_new_balls_fall_inside_as_often_as_promised():
    # Truth: batch SD 0.3, ball SD 0.1, mean 5.5; 95 % intervals from 8 batches of 3. Seed 3.
    rng = np.random.default_rng(3)
    inside = 0
    data = pd.DataFrame({"y": np.zeros(24), "batch": np.repeat(np.arange(8), 3)})
    prepared = prepare_design(build_design(data, "y ~ 1", random=["batch"])[0])
    for _ in range(300):
        y = 5.5 + np.repeat(rng.normal(size=8) * 0.3, 3) + rng.normal(size=24) * 0.1
        fit = fit_prepared(prepared, y)
        low, high = fit.predict(pd.DataFrame(index=[0]))[["ci_low", "ci_high"]].iloc[0]
        inside += low < 5.5 + rng.normal() * 0.3 + rng.normal() * 0.1 < high
    error = np.sqrt(0.95 * 0.05 / 300)
    assert abs(inside / 300 - 0.95) < 3 * error


def test_random_effects_shrink_as_the_textbook_says(one_way):
    # Searle, Casella & McCulloch, Variance Components: balanced one-way layout (from memory).
    data, means, between, within = one_way
    fit = fit_mixed(data, "y ~ 1", random=["batch"])
    found = fit.random_effects("batch").set_index("level")
    shrink = 1 - within / between
    np.testing.assert_allclose(found["estimate"], shrink * (means - means.mean()))
    assert found["n"].tolist() == [4] * 10
    batch = (between - within) / 4
    spread = batch * (1 - shrink) + batch * shrink / 10
    np.testing.assert_allclose(found["std_error"], np.sqrt(spread))
    rest = fit.residuals()
    np.testing.assert_allclose(
        rest, data["y"] - means.mean() - found["estimate"].to_numpy().repeat(4)
    )
    np.testing.assert_allclose(fit.residuals(kind="marginal"), data["y"] - means.mean())


def test_lack_of_fit_is_the_classical_test_without_random_terms():
    # Draper & Smith, Applied Regression Analysis: pure error against lack of fit, by algebra.
    rng = np.random.default_rng(8)
    x = np.repeat([1.0, 2.0, 4.0, 7.0], 3)
    y = 1 + x + 0.3 * (x - 3) ** 2 + rng.normal(size=12)
    data = pd.DataFrame({"x": x, "y": y})
    fit = fit_mixed(data, "y ~ x")
    found = fit.lack_of_fit()
    pure = ((y - data.groupby("x")["y"].transform("mean")) ** 2).sum()
    line = fit.variances["residual"] * 10
    assert (found.df_num, found.df_den) == (2, pytest.approx(8))
    assert found.statistic == pytest.approx(((line - pure) / 2) / (pure / 8))
    with pytest.raises(NotEstimable):
        fit_mixed(data, "y ~ C(x)").lack_of_fit()
    with pytest.raises(NotEstimable):
        fit_mixed(data.iloc[::3], "y ~ x").lack_of_fit()


def test_lack_of_fit_keeps_the_random_terms():
    data = _cake()
    fit = fit_mixed(data, "angle ~ recipe * temperature", random=["recipe:replicate"])
    full = fit_mixed(
        data, "angle ~ recipe * temperature + recipe:C(temperature)", random=["recipe:replicate"]
    )
    found = fit.lack_of_fit()
    last = full.anova(type=1).iloc[-1]
    assert found.df_num == 12
    assert found.statistic == pytest.approx(last["statistic"], rel=1e-8)
    assert found.df_den == pytest.approx(210, rel=1e-8)


def test_lack_of_fit_asks_for_a_setting_repeated_in_another_batch():
    # Balls of one batch are no replicates of a temperature that the batch has as a whole: each
    # setting's mean takes the batch with it, and its spread is then nowhere to be seen.
    rng = np.random.default_rng(11)
    batch = np.repeat(np.arange(8), 4)
    data = pd.DataFrame({"batch": batch, "x": (17.0 + batch) * 1e-12})
    data["y"] = rng.normal(size=8)[batch] + 0.1 * rng.normal(size=32)
    with pytest.raises(NotEstimable) as caught:
        fit_mixed(data, "y ~ x", random=["batch"]).lack_of_fit()
    assert str(caught.value) == (
        "No setting was repeated in another batch, so lack of fit cannot be told from the spread "
        "between levels of batch."
    )


def test_lack_of_fit_of_batch_settings_is_judged_by_batches_whatever_the_unit():
    # Balanced balls: the F test on batch means (Draper & Smith: pure error), by algebra.
    rng = np.random.default_rng(12)
    x = np.array([18.0, 18, 20, 20, 20, 22, 22, 24, 24, 26])
    data = pd.DataFrame({"batch": np.repeat(np.arange(10), 3), "x": np.repeat(x, 3)})
    data["y"] = np.repeat(rng.normal(size=10), 3) + 0.1 * rng.normal(size=30)
    means = data.groupby("batch")["y"].mean().to_numpy()
    pure = sum(((means[x == v] - means[x == v].mean()) ** 2).sum() for v in set(x))
    line = ((means - np.polyval(np.polyfit(x, means, 1), x)) ** 2).sum()
    for unit in (1.0, 1e-12, 1e9):
        fit = fit_mixed(data.assign(x=data["x"] * unit), "y ~ x", random=["batch"])
        found = fit.lack_of_fit()
        assert (found.df_num, found.df_den) == (3, pytest.approx(5, rel=1e-6))
        assert found.statistic == pytest.approx(((line - pure) / 3) / (pure / 5), rel=1e-6)


def _cake():
    from pathlib import Path

    place = Path(__file__).parents[1] / "reference" / "data" / "cake.csv"
    return pd.read_csv(place)


def test_requests_that_do_not_fit_are_refused(one_way):
    fit = fit_mixed(one_way[0], "y ~ 1", random=["batch"])
    with pytest.raises(UnknownName):
        fit.predict(pd.DataFrame(index=[0]), new="tank")
    with pytest.raises(UnknownName):
        fit.random_effects("tank")
    with pytest.raises(InputError):
        fit.residuals(kind="raw")
    cake = fit_mixed(_cake(), "angle ~ recipe + temperature")
    with pytest.raises(UnknownName) as caught:
        cake.predict(pd.DataFrame({"recipe": ["D"], "temperature": [180]}))
    assert str(caught.value) == (
        "Settings to predict, row 1: Level of recipe 'D' is not known. Known: A, B, C."
    )
    with pytest.raises(InputError) as blank:
        cake.predict(pd.DataFrame({"recipe": ["A"], "temperature": [np.nan]}))
    assert str(blank.value) == "Settings to predict, row 1: temperature is not a number."
