"""Our fits against R on 23 generated unbalanced sets (data/unbalanced, make_r_values.R).

Source of every expected value: R 4.2.2, lme4 1.1-31, lmerTest 3.1-3, pbkrtest 0.5.2, emmeans 1.8.4,
optimum sharpened first. Twelve digits are stored; agreement is asked to 1e-6 relative for
variances, criterion, F, df, means and contrasts, 1e-5 for p values and Satterthwaite df.
"""

import json
from pathlib import Path

import pandas as pd
import pytest

from doughlab.stats import fit_mixed

HERE = Path(__file__).parent / "data" / "unbalanced"
SETS = json.loads((HERE / "sets.json").read_text("utf-8"))
R = json.loads((HERE / "r_values.json").read_text("utf-8"))
FULL = [name for name in SETS if not name.startswith("empty")]
FITS = {}


def fit(name):
    """Fit a set once."""
    if name not in FITS:
        data = pd.read_csv(HERE / f"{name}.csv")
        FITS[name] = fit_mixed(data, SETS[name]["fixed"], random=SETS[name]["random"])
    return FITS[name]


def close(expected, *, rel=1e-6, floor=1e-9):
    return pytest.approx(expected, rel=rel, abs=floor)


def test_all_sets_are_answered_by_r():
    assert len(SETS) >= 20
    assert set(SETS) <= set(R)


@pytest.mark.parametrize("name", SETS)
def test_variances_and_criterion(name):
    ours, theirs = fit(name).variances, R[name]["variances"]
    for term, value in theirs.items():
        key = "residual" if term == "Residual" else term
        assert ours[key] == close(value), term
    assert fit(name).n_used == R[name]["n"]
    if not name.startswith("empty"):
        # with empty cells R drops other columns than we do, which moves log|X'X| only
        assert fit(name).reml_criterion == close(R[name]["reml_criterion"])


@pytest.mark.parametrize("name", FULL)
@pytest.mark.parametrize("method", ["kr", "satt"])
def test_f_tests(name, method):
    df = {"kr": "kenward-roger", "satt": "satterthwaite"}[method]
    ours = fit(name).anova(df=df).set_index("term")
    for row in R[name][f"anova_{method}"]:
        mine = ours.loc[row["term"]]
        assert mine["df_num"] == row["df_num"]
        assert mine["df_den"] == close(row["df_den"], rel=1e-6 if method == "kr" else 1e-5)
        assert mine["statistic"] == close(row["F"])
        assert mine["p_value"] == close(row["p"], rel=1e-5, floor=1e-12)


# R as above, lmerTest's anova(m, type = 2, ddf = "Kenward-Roger"), sum contrasts, bobyqa with
# rhoend 1e-12 and no sharpening: F good to 1e-7. Term: F, denominator df.
SECOND = {
    "one_3": {
        "water": (3.146068809597, 8.931840832301),
        "hold": (191.105913201152, 25.335977309835),
        "water:hold": (0.8486648571711, 25.366905424891),
    },
    "nested_4": {
        "water": (15.421549275707, 12.822467899369),
        "temp": (67.840233162278, 12.560404404545),
        "hold": (412.183295483887, 61.837535818219),
        "temp:hold": (2.575819840337, 61.71879630986),
    },
}


@pytest.mark.parametrize("name", SECOND)
def test_second_type_f_tests(name):
    ours, third = (fit(name).anova(type=kind).set_index("term") for kind in (2, 3))
    for term, (statistic, df_den) in SECOND[name].items():
        assert ours.loc[term, "statistic"] == close(statistic)
        assert ours.loc[term, "df_den"] == close(df_den)
    assert ours.loc["hold", "statistic"] != close(third.loc["hold", "statistic"], rel=1e-3)


@pytest.mark.parametrize("name", FULL)
def test_means_and_tukey_pairs(name):
    means = fit(name).means("water").set_index("level")
    for row in R[name]["means"]:
        mine = means.loc[row["water"]]
        assert mine["estimate"] == close(row["emmean"])
        assert mine["std_error"] == close(row["SE"])
        assert mine["df"] == close(row["df"])
        assert mine["ci_low"] == close(row["lower.CL"])
    pairs = fit(name).contrasts("water").set_index("contrast")
    for row in R[name]["pairs"]:
        mine = pairs.loc[row["contrast"]]
        assert mine["estimate"] == close(row["estimate"], floor=1e-8)
        assert mine["std_error"] == close(row["SE"])
        assert mine["df"] == close(row["df"])
        # R's own studentized range is good to about 1e-5 here; ours to 1e-9
        assert mine["p_value"] == close(row["p.value"], rel=2e-5, floor=1e-9)


@pytest.mark.parametrize("name", [n for n in SETS if n.startswith("empty")])
def test_empty_cell_is_named_and_the_rest_is_answered(name):
    """Averages over a combination that was never made do not exist; the others do."""
    found = fit(name)
    assert set(found.not_estimable) == {"water", "hold"}
    for reason in found.not_estimable.values():
        assert "'w2'" in reason and "'h2'" in reason
    means = found.means("water").set_index("level")["estimate"]
    assert means.drop("w2").notna().all() and pd.isna(means["w2"])
    interaction = found.anova().set_index("term").loc["water:hold"]
    # both sets are 3 x 3 with one combination missing: (3-1)(3-1) - 1 by counting
    assert interaction["df_num"] == 3
    assert 0 < interaction["p_value"] < 1
