"""Cumulative logit models of the wine data against R's clm and clmm.

Data: Randall, J. H. (1989), The analysis of sensory data by generalised linear model, Biometrical
Journal 31, 781-793, as in the R package ordinal (data/wine.csv). Numbers computed with R 4.2.2,
ordinal 2022.11-16: clm and clmm with the logit link and flexible thresholds.
"""

from pathlib import Path

import pandas as pd
import pytest

from doughlab.stats.ordinal import fit_ordinal

WINE = pd.read_csv(Path(__file__).parent / "data" / "wine.csv")
HALF = 5e-7  # half a unit of the sixth decimal


def test_fixed_model():
    fit = fit_ordinal(WINE, "rating ~ temp + contact")
    assert fit.thresholds["level"].tolist() == ["1|2", "2|3", "3|4", "4|5"]
    assert fit.thresholds["estimate"].tolist() == pytest.approx(
        [-1.344383, 1.250809, 3.466887, 5.006404], abs=HALF
    )
    table = fit.coefficients
    assert table["level"].tolist() == ["warm", "yes"]
    # R stops at the sixth digit of the estimates: one unit there
    assert table["estimate"].tolist() == pytest.approx([2.503102, 1.527798], abs=1e-6)
    assert table["std_error"].tolist() == pytest.approx([0.528680, 0.476623], abs=1e-6)
    assert fit.log_likelihood == pytest.approx(-86.49192, abs=5e-6)


def test_likelihood_ratios_of_the_fixed_model():
    table = fit_ordinal(WINE, "rating ~ temp + contact").drop_terms().set_index("term")
    assert table.loc["temp", "statistic"] == pytest.approx(26.92797, abs=1e-5)
    assert table.loc["contact", "statistic"] == pytest.approx(11.04300, abs=1e-5)
    assert table["df"].tolist() == [1, 1]


def test_random_judge_by_laplace():
    # clmm's default stop leaves its estimates good to about five decimals and its standard errors
    # rest on numerical differences: 1e-5, 2e-5 and 5e-5 are allowed instead of half a unit.
    fit = fit_ordinal(WINE, "rating ~ temp + contact", random=["judge"])
    assert fit.thresholds["estimate"].tolist() == pytest.approx(
        [-1.623667, 1.513365, 4.228527, 6.088773], abs=1e-5
    )
    assert fit.coefficients["estimate"].tolist() == pytest.approx([3.062997, 1.834885], abs=2e-5)
    assert fit.coefficients["std_error"].tolist() == pytest.approx([0.595376, 0.512529], abs=5e-5)
    assert fit.variances["judge"] == pytest.approx(1.279461, abs=2e-5)
    assert fit.log_likelihood == pytest.approx(-81.56541, abs=5e-6)


def test_random_judge_by_ten_nodes():
    fit = fit_ordinal(WINE, "rating ~ temp + contact", random=["judge"], quadrature=10)
    assert fit.variances["judge"] == pytest.approx(1.287733, abs=2e-5)
    assert fit.log_likelihood == pytest.approx(-81.53246, abs=5e-6)


def test_two_categories_are_a_logistic_regression():
    # statsmodels' Logit (a general-purpose library) on ratings of 4 and 5 against the rest
    from statsmodels.api import Logit

    data = WINE.assign(high=(WINE["rating"] > 3).astype(int))
    fixed = data[["temp", "contact"]].eq(["warm", "yes"]).astype(float).assign(one=1.0)
    other = Logit(data["high"], fixed).fit(disp=0, tol=1e-12, maxiter=100)
    fit = fit_ordinal(data, "high ~ temp + contact")
    assert fit.coefficients["estimate"].tolist() == pytest.approx(
        other.params[["temp", "contact"]].tolist(), abs=1e-8
    )
    assert fit.coefficients["std_error"].tolist() == pytest.approx(
        other.bse[["temp", "contact"]].tolist(), rel=1e-6
    )
    assert fit.log_likelihood == pytest.approx(other.llf, abs=1e-9)


def test_interaction_agrees_with_statsmodels_ordered_model():
    from statsmodels.miscmodels.ordinal_model import OrderedModel

    fixed = WINE[["temp", "contact"]].eq(["warm", "yes"]).astype(float)
    fixed["both"] = fixed["temp"] * fixed["contact"]
    other = OrderedModel(WINE["rating"], fixed, distr="logit").fit(
        method="bfgs", disp=0, maxiter=500, gtol=1e-7
    )
    fit = fit_ordinal(WINE, "rating ~ temp * contact")
    assert fit.log_likelihood == pytest.approx(other.llf, abs=1e-7)
    assert fit.coefficients["estimate"].tolist() == pytest.approx(
        other.params.iloc[:3].tolist(), abs=1e-4
    )
