"""The six intraclass correlations of Shrout & Fleiss.

Shrout, P. E. & Fleiss, J. L. (1979), Psychological Bulletin 86, 420-428, Table 2 (six targets, four
judges). Printed there: .17 .29 .71 .44 .62 .91 (from memory); with more digits from R 4.2.2.
"""

import numpy as np
import pandas as pd
import pytest

from doughlab.analysis.agreement import agreement_by_model, intraclass
from doughlab.stats import fit_mixed

TABLE = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
SCORES = pd.DataFrame(
    [(f"t{i}", f"j{j}", float(v)) for i, row in enumerate(TABLE) for j, v in enumerate(row)],
    columns=["ball", "judge", "y"],
)
VALUES = {
    "ICC(1,1)": ("0.165742", 0.17),
    "ICC(2,1)": ("0.289764", 0.29),
    "ICC(3,1)": ("0.714841", 0.71),
    "ICC(1,k)": ("0.442797", 0.44),
    "ICC(2,k)": ("0.620051", 0.62),
    "ICC(3,k)": ("0.909316", 0.91),
}


def test_six_correlations():
    found = intraclass(SCORES).set_index("term")
    assert list(found.index) == list(VALUES)
    for term, (printed, published) in VALUES.items():
        assert found.loc[term, "estimate"] == pytest.approx(float(printed), abs=5e-7)
        assert found.loc[term, "estimate"] == pytest.approx(published, abs=0.005)
    assert (found["n"] == 24).all()


def test_mean_squares_behind_them():
    fit = fit_mixed(SCORES, "y ~ ball + judge")
    table = fit.anova().set_index("term")["statistic"] * fit.variances["residual"]
    assert table["ball"] == pytest.approx(11.24167, abs=5e-6)
    assert table["judge"] == pytest.approx(32.48611, abs=5e-6)
    assert fit.variances["residual"] == pytest.approx(1.019444, abs=5e-7)
    within = fit_mixed(SCORES, "y ~ ball").variances["residual"]
    assert within == pytest.approx(6.263889, abs=5e-7)


def test_ranges_are_not_rounded():
    # ICC(3,1) has an exact F range: F = BMS / EMS = 11.24167 / 1.019444 on 5 and 15 df.
    from scipy.stats import f

    row = intraclass(SCORES).set_index("term").loc["ICC(3,1)"]
    ratio = 11.24167 / 1.019444
    ends = [ratio / f.ppf(p, 5, 15) for p in (0.975, 0.025)]
    wanted = [(v - 1) / (v + 3) for v in ends]
    assert [row["ci_low"], row["ci_high"]] == pytest.approx(wanted, abs=2e-6)


def test_the_mixed_model_gives_the_same_on_complete_scores():
    found = agreement_by_model(SCORES).set_index("term")["estimate"]
    for term in ("ICC(2,1)", "ICC(3,1)", "ICC(2,k)", "ICC(3,k)"):
        assert found[term] == pytest.approx(float(VALUES[term][0]), abs=1e-6)


def test_lost_scores_move_the_model_little_and_stop_nothing():
    # No published value: two scores of 24 lost must leave the estimates near the complete ones.
    lost = SCORES.assign(y=SCORES["y"].where(~SCORES.index.isin([5, 18])))
    found = agreement_by_model(lost).set_index("term")
    assert (found["n"] == 22).all()
    assert found.loc["ICC(3,1)", "estimate"] == pytest.approx(0.71, abs=0.12)
    assert (found["ci_low"] < found["estimate"]).all()
    assert (found["estimate"] < found["ci_high"]).all()
    assert np.isfinite(found[["ci_low", "ci_high"]].to_numpy()).all()
