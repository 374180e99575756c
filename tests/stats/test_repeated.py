"""Repeated measures: known answers by algebra, and refusals."""

import warnings

import numpy as np
import pandas as pd
import pytest

from doughlab.errors import NotEstimable, UnknownName
from doughlab.stats.repeated import compare_within


def panel(levels=3, subjects=8, seed=1):
    rng = np.random.default_rng(seed)
    rows = [(f"s{i}", f"l{j}", rng.normal() + j) for i in range(subjects) for j in range(levels)]
    return pd.DataFrame(rows, columns=["who", "level", "y"])


def test_two_levels_are_a_paired_t_test():
    from scipy.stats import ttest_rel

    data = panel(levels=2)
    wide = data.pivot(index="who", columns="level", values="y")
    other = ttest_rel(wide["l1"], wide["l0"])
    found = compare_within(data, "y", subject="who", within=["level"]).iloc[0]
    assert found["statistic"] == pytest.approx(other.statistic**2)
    assert found["p_value"] == pytest.approx(other.pvalue)
    assert found["epsilon_gg"] == pytest.approx(1.0) and np.isnan(found["mauchly"])


def test_alike_differences_have_epsilon_one_and_w_one():
    # Four subjects whose contrasts are orthogonal with equal lengths: sphericity holds exactly.
    base = np.array([[1, 1, -2], [-1, -1, 2], [np.sqrt(3), -np.sqrt(3), 0],
                     [-np.sqrt(3), np.sqrt(3), 0]])  # fmt: skip
    data = pd.DataFrame(
        [(f"s{i}", f"l{j}", base[i, j]) for i in range(4) for j in range(3)],
        columns=["who", "level", "y"],
    )
    found = compare_within(data, "y", subject="who", within=["level"]).iloc[0]
    assert found["epsilon_gg"] == pytest.approx(1.0)
    assert found["mauchly"] == pytest.approx(1.0)
    assert found["statistic"] == pytest.approx(0.0, abs=1e-12)


def test_pingouin_agrees_on_one_factor():
    import pingouin as pg

    data = panel(levels=4)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # pingouin's own use of pandas
        table = pg.rm_anova(data, dv="y", within="level", subject="who", correction=True)
    other = table.iloc[0]
    found = compare_within(data, "y", subject="who", within=["level"]).iloc[0]
    assert found["statistic"] == pytest.approx(other["F"])
    assert found["epsilon_gg"] == pytest.approx(other["eps"])
    assert found["p_gg"] == pytest.approx(other["p_GG_corr"])
    assert found["mauchly"] == pytest.approx(other["W_spher"])
    # pingouin, as R, puts the number of levels for that of contrasts in one place of the small
    # second-order term (Anderson 2003, section 10.7, from memory, has contrasts throughout)
    assert found["p_mauchly"] == pytest.approx(other["p_spher"], abs=5e-4)


def test_what_cannot_be_tested_is_refused():
    data = panel()
    with pytest.raises(NotEstimable, match="every combination from every subject"):
        compare_within(data.iloc[1:], "y", subject="who", within=["level"])
    with pytest.raises(NotEstimable, match="do not differ about the means at all"):
        flat = data.assign(y=data["level"].str[1].astype(float))
        compare_within(flat, "y", subject="who", within=["level"])
    with pytest.raises(NotEstimable, match="two subjects and two levels"):
        compare_within(data[data["who"] == "s0"], "y", subject="who", within=["level"])
    with pytest.raises(UnknownName):
        compare_within(data, "y", subject="wo", within=["level"])
