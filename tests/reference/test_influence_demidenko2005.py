"""Fits without one group at a time, against R.

Values: data/influence_values.json, made by make_influence_values.R (R 4.2.2, lme4 1.1-31, pbkrtest
0.5.2, emmeans 1.8.4). The distance is that of Demidenko & Stukel (2005), Statistics in Medicine 24,
893-909 (pages from memory), which for single rows is Cook's (1977), Technometrics 19, 15-18.
"""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from doughlab.stats import fit_mixed

DATA = Path(__file__).parent / "data"
VALUES = json.loads((DATA / "influence_values.json").read_text(encoding="utf-8"))

# The rows that R left out, counted from 0.
OATS = [4, 5, 29, 50]
MACHINES = [1, 2, 5, 7, 8, 11, 18, 19, 26, 32]
CAKE = [3, 89, 90, 199]
TIGHT = 1e-6

CASES = {
    "oats_blocks": ("oats", OATS, "yield ~ Variety * C(nitro)", ["Block/Variety"], "Block"),
    "machines_workers": ("machines", MACHINES, "score ~ Machine", ["Worker", "both"], "Worker"),
    "machines_pairs": ("machines", MACHINES, "score ~ Machine", ["Worker", "both"], "both"),
    "cake_replicates": (
        "cake", CAKE, "angle ~ recipe * C(temperature)", ["recipe:replicate"], "replicate",
    ),
}  # fmt: skip
NAMES = {"Block:Variety": "Block:Variety", "Residual": "residual", "batch": "recipe:replicate"}


def read(name, lost):
    data = pd.read_csv(DATA / f"{name}.csv").drop(index=lost)
    if name == "machines":
        data["both"] = data["Worker"].astype(str) + ":" + data["Machine"]
    return data


@pytest.fixture(scope="module", params=list(CASES))
def case(request):
    """R's values, the fits without each group, and the term compared."""
    name, lost, formula, random, group = CASES[request.param]
    data = read(name, lost)
    fit = fit_mixed(data, formula, random=random)
    term = formula.split("~")[1].split()[0]
    return VALUES[request.param], fit.influence(group, data=data), term


def test_cook_distances(case):
    wanted, found, _ = case
    table = found.table.set_index("level")
    assert set(table.index) == set(wanted["without"])
    for level, values in wanted["without"].items():
        assert table.loc[level, "statistic"] == pytest.approx(values["cook"], rel=TIGHT)
        assert table.loc[level, "n"] == wanted["whole"]["n"] - values["n"]


def test_variances(case):
    wanted, found, _ = case
    table = found.variances.set_index(["without", "term"])
    for level, values in wanted["without"].items():
        for name, value in values["variances"].items():
            row = table.loc[(level, NAMES.get(name, name))]
            assert row["estimate"] == pytest.approx(value, rel=TIGHT, abs=1e-8)
            change = value - wanted["whole"]["variances"][name]
            assert row["change"] == pytest.approx(change, rel=1e-4, abs=1e-4)


def test_means_and_contrasts(case):
    wanted, found, term = case
    means, pairs = found.means(term), found.contrasts(term)
    for level, values in wanted["without"].items():
        own = means[means["without"] == level].reset_index()
        theirs = pd.DataFrame(values["means"])
        assert list(own["level"]) == list(theirs[term])
        for ours, name in (("estimate", "emmean"), ("std_error", "SE"), ("df", "df")):
            np.testing.assert_allclose(own[ours], theirs[name], rtol=TIGHT)
        np.testing.assert_allclose(own["ci_low"], theirs["lower.CL"], rtol=TIGHT)
        own = pairs[pairs["without"] == level].reset_index()
        theirs = pd.DataFrame(values["pairs"])
        for ours, name in (("estimate", "estimate"), ("std_error", "SE"), ("df", "df")):
            np.testing.assert_allclose(own[ours], theirs[name], rtol=TIGHT, atol=1e-8)
        # R's ptukey and qtukey stop early
        np.testing.assert_allclose(own["p_value"], theirs["p.value"], rtol=1e-5, atol=1e-7)
        np.testing.assert_allclose(own["ci_low"], theirs["lower.CL"], rtol=1e-4, atol=1e-4)


def test_conclusions(case):
    """The side of zero of R's ranges, with all rows and without each group."""
    wanted, found, term = case

    def side(rows):
        low, high = (np.array([r[k] for r in rows]) for k in ("lower.CL", "upper.CL"))
        return np.where(low > 0, "above zero", np.where(high < 0, "below zero", "not shown"))

    table = found.contrasts(term)
    before = side(wanted["whole"]["pairs"])
    for level, values in wanted["without"].items():
        own = table[table["without"] == level]
        assert list(own["before"]) == list(before)
        assert list(own["after"]) == list(side(values["pairs"]))
        assert list(own["changed"]) == list(before != side(values["pairs"]))
