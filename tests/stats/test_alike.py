"""Rows alike within groups: no residual is left, tests stay finite and those of the group means."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import f_oneway, ttest_ind

from doughlab.stats import FixedDesign, fit_mixed


def alike(seed=3, groups=9, kinds=3, balls=4):
    rng = np.random.default_rng(seed)
    value = rng.normal(5.5, 0.1, groups)
    rows = [(f"w{g % kinds}", f"b{g}", f"h{j % 2}", value[g])
            for g in range(groups) for j in range(balls)]  # fmt: skip
    return pd.DataFrame(rows, columns=["water", "batch", "hold", "y"])


@pytest.mark.parametrize("df", ["kenward-roger", "satterthwaite"])
def test_a_factor_of_whole_groups_is_tested_on_their_means(df):
    """With no spread within groups the mixed model is the analysis of variance of the means."""
    data = alike()
    fit = fit_mixed(data, "y ~ water", random=["batch"])
    means = data.groupby(["water", "batch"])["y"].first()
    expected = f_oneway(*[v.to_numpy() for _, v in means.groupby("water")])
    row = fit.anova(df=df).iloc[0]
    assert row.statistic == pytest.approx(expected.statistic, rel=1e-5)
    assert row.df_den == pytest.approx(6, rel=1e-5)
    assert row.p_value == pytest.approx(expected.pvalue, rel=1e-4)
    assert fit.variances["residual"] == 0.0
    assert any("residual is estimated at zero" in note for note in fit.notes)


def test_many_data_sets_at_once_give_the_same_as_one():
    data = alike()
    y = np.column_stack([alike(seed)["y"] for seed in range(12)])
    many = FixedDesign(data.assign(y=0.0), "y ~ water * hold", random=["batch"]).test_many(y)
    for i in range(12):
        one = fit_mixed(data.assign(y=y[:, i]), "y ~ water * hold", random=["batch"]).anova()
        assert np.isfinite(many.p_value[i]).all()
        assert many.p_value[i] == pytest.approx(one.p_value.to_numpy(), abs=1e-5)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("random", [["batch"], ["day", "batch"], ["batch", "batch:hold"]])
def test_coarse_or_constant_records_never_give_an_endless_or_negative_df(random, seed):
    rng = np.random.default_rng(seed)
    data = alike(seed).assign(day=lambda d: "d" + (d.batch.str[1:].astype(int) // 3).astype(str))
    data["x"] = rng.integers(0, 3, len(data)).astype(float)
    if seed % 2:
        data["y"] = data["y"].round(1)
    fit = fit_mixed(data, "y ~ water * x + I(x**2)", random=random)
    for df in ("kenward-roger", "satterthwaite"):
        table = fit.anova(df=df)
        assert (table["df_den"] > 0).all()
        assert table["p_value"].between(0, 1).all()
        pairs = fit.contrasts("water", df=df)
        assert (pairs["df"] > 0).all() and pairs["p_value"].between(0, 1).all()


def test_two_kinds_of_groups_are_a_t_test_of_their_means():
    data = alike(kinds=2, groups=8)
    means = data.groupby(["water", "batch"])["y"].first()
    w0, w1 = (means[w].to_numpy() for w in ("w0", "w1"))
    expected = ttest_ind(w0, w1)
    (row,) = fit_mixed(data, "y ~ water", random=["batch"]).contrasts("water").itertuples()
    assert abs(row.statistic) == pytest.approx(abs(expected.statistic), rel=1e-5)
    assert row.p_value == pytest.approx(expected.pvalue, rel=1e-4)


@pytest.mark.parametrize("seed", range(8))
def test_contrasts_of_many_alike_data_sets_are_those_of_one(seed):
    data = alike(seed)
    data["y"] = data["y"].round(1)
    design = FixedDesign(data.assign(y=0.0), "y ~ water + hold", random=["batch"])
    many = design.test_many(data[["y"]].to_numpy(), contrasts=design.build_contrasts("water"))
    pairs = fit_mixed(data, "y ~ water + hold", random=["batch"]).contrasts("water", adjust="none")
    assert many.estimate[0] == pytest.approx(pairs["estimate"].to_numpy(), abs=1e-9)
    assert many.std_error[0] == pytest.approx(pairs["std_error"].to_numpy(), rel=1e-6)
    assert many.df[0] == pytest.approx(pairs["df"].to_numpy(), rel=1e-6)
