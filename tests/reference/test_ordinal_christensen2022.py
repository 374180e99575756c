"""Crossed cumulative link models against R's clmm on four generated sets of scores.

Values: data/unbalanced/r_values.json, made by make_r_values.R (R 4.2.2, ordinal 2022.11-16 by
R. H. B. Christensen). The response of each set is cut at 5, 6, 7 and 8 into five categories.
"""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from doughlab.stats.ordinal import OrdinalFit, fit_ordinal

FOLDER = Path(__file__).parent / "data" / "unbalanced"
VALUES = json.loads((FOLDER / "r_values.json").read_text(encoding="utf-8"))
SETS = [name for name in VALUES if name.startswith("ordinal_")]


def read_scores(name: str) -> pd.DataFrame:
    data = pd.read_csv(FOLDER / f"{VALUES[name]['source']}.csv")
    edges = [-np.inf, *VALUES[name]["cuts"], np.inf]
    return data.assign(rating=pd.cut(data["y"], edges, labels=False) + 1)


def check(fit: OrdinalFit, want: dict, *, reach: float = 2e-5, height: float = 1e-8) -> None:
    """Estimates to 2e-5 and log likelihood to 1e-8: clmm stops at a slope of 1e-8."""
    table = fit.coefficients
    got = dict(zip(table["term"] + table["level"], table["estimate"], strict=True))
    got |= dict(zip(fit.thresholds["level"], fit.thresholds["estimate"], strict=True))
    assert got.keys() == want["coef"].keys()
    for name, value in want["coef"].items():
        assert got[name] == pytest.approx(value, abs=reach), name
    for name, value in want["variances"].items():
        assert fit.variances[name] == pytest.approx(value, abs=reach), name
    assert fit.log_likelihood == pytest.approx(want["logLik"], abs=height)


@pytest.mark.parametrize("name", SETS)
def test_two_crossed_terms_by_laplace(name):
    fit = fit_ordinal(read_scores(name), "rating ~ water + hold", random=["judge", "batch"])
    check(fit, VALUES[name]["laplace"])


@pytest.mark.parametrize("name", SETS)
def test_three_terms_by_laplace(name):
    fit = fit_ordinal(read_scores(name), "rating ~ water + hold", random=["judge", "ball", "batch"])
    # clmm's search along three variances stops earlier, and below the maximum found here
    check(fit, VALUES[name]["three"], reach=3e-4, height=1e-7)
    assert fit.log_likelihood > VALUES[name]["three"]["logLik"] - 1e-9


@pytest.mark.parametrize("name", SETS)
def test_one_term_by_ten_nodes(name):
    fit = fit_ordinal(read_scores(name), "rating ~ water + hold", random=["judge"], quadrature=10)
    check(fit, VALUES[name]["quadrature"])
