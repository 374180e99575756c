"""Nonlinear mixed fits against R's nlme on two public data sets.

data/nonlinear/r_values.json is made by make_nonlinear_values.R (R and nlme versions inside it):
`nlme` itself for maximum likelihood, and the two steps of Lindstrom and Bates (1990) alternated
with `lme` for the restricted likelihood, since `nlme(method = "REML")` keeps the variance ratio of
ML. Loblolly pine, 14 seed sources, and CO2 uptake, 12 plants, are part of R; the first fit stands
in the tests of the nlme package too: Asym 101.4483, R0 -8.6274937, lrc -3.2337304, log-likelihood
-114.743, sigma 0.71886244 (its default stop leaves about five digits).
"""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from doughlab.formula.nonlinear import ASYMPTOTE, CurveShape, RandomTerm, fit_nonlinear
from doughlab.formula.shapes import SHAPES

HERE = Path(__file__).parent / "data" / "nonlinear"
R = json.loads((HERE / "r_values.json").read_text(encoding="utf-8"))
PINE = pd.read_csv(HERE / "loblolly.csv", dtype={"Seed": str})
CO2 = pd.read_csv(HERE / "co2.csv")
JAW = pd.read_csv(HERE / "orthodont.csv", dtype={"Subject": str})
TERMS = {"end": ["end"], "rate": ["log_rate"], "end_and_rate": ["end", "log_rate"],
         "dropped": ["end", "start"]}  # fmt: skip


def groups(column):
    return np.unique(column, return_inverse=True)[1]


def fit_pine(case, *, reml):
    data = PINE
    if case == "dropped":
        data = PINE.drop(index=[i - 1 for i in R["dropped_rows"]])
    one = np.ones((len(data), 1))
    codes = groups(data["Seed"].to_numpy(dtype=str))
    return fit_nonlinear(
        ASYMPTOTE,
        data["age"].to_numpy(float),
        data["height"].to_numpy(float),
        fixed={p: (["1"], one) for p in ASYMPTOTE.parameters},
        start=[103.0, -8.5, -3.3],
        random=[RandomTerm(f"seed: {p}", p, codes) for p in TERMS[case]],
        reml=reml,
    )


def as_list(value):
    if isinstance(value, dict):
        value = list(value.values())
    return value if isinstance(value, list) else [value]


@pytest.mark.parametrize("method", ["ML", "REML"])
@pytest.mark.parametrize("case", TERMS)
def test_pine_heights(case, method):
    """R's stop leaves about 1e-8 of the coefficients and 1e-6 of the variances."""
    expected = R[f"loblolly_{case}_{method}"]
    fit = fit_pine(case, reml=method == "REML")
    assert fit.coefficients == pytest.approx(as_list(expected["fixed"]), rel=1e-7)
    assert fit.covariance == pytest.approx(np.array(expected["covariance"]), rel=2e-6)
    assert fit.variances["residual"] == pytest.approx(expected["sigma"] ** 2, rel=1e-6)
    found = [v for name, v in fit.variances.items() if name != "residual"]
    assert found == pytest.approx(as_list(expected["random"]), rel=3e-6, abs=1e-6)
    assert fit.log_likelihood == pytest.approx(expected["logLik"], abs=1e-6)
    assert fit.n == expected["n"]


def test_pine_heights_as_printed_by_the_nlme_package():
    fit = fit_pine("end", reml=False)
    assert fit.coefficients[:1] == pytest.approx([101.4483], rel=2e-5)
    assert fit.coefficients[1:] == pytest.approx([-8.6274937, -3.2337304], rel=2e-5)
    assert fit.log_likelihood == pytest.approx(-114.743, abs=5e-4)
    assert np.sqrt(fit.variances["residual"]) == pytest.approx(0.71886244, rel=1e-6)


def uptake(x, phi):
    plateau, log_rate, offset = phi.T
    left = np.exp(-np.exp(log_rate) * (x - offset))
    slopes = np.column_stack(
        [1 - left, plateau * left * np.exp(log_rate) * (x - offset),
         -plateau * left * np.exp(log_rate)]
    )  # fmt: skip
    return plateau * (1 - left), slopes


@pytest.mark.parametrize("method", ["ML", "REML"])
def test_plateau_that_follows_a_design(method):
    """Sum-to-zero columns for origin, treatment and both, as contr.sum in R."""
    expected = R[f"co2_design_{method}"]
    origin = np.where(CO2["Type"] == "Quebec", 1.0, -1.0)
    treated = np.where(CO2["Treatment"] == "nonchilled", 1.0, -1.0)
    one = np.ones(len(CO2))
    plateau = np.column_stack([one, origin, treated, origin * treated])
    fit = fit_nonlinear(
        CurveShape("uptake", ("plateau", "log_rate", "offset"), uptake),
        CO2["conc"].to_numpy(float),
        CO2["uptake"].to_numpy(float),
        fixed={"plateau": (["1", "origin", "treated", "both"], plateau),
               "log_rate": (["1"], one[:, None]), "offset": (["1"], one[:, None])},
        start=[32, 4, 2, 1, -4.6, 50],
        random=[RandomTerm("plant", "plateau", groups(CO2["Plant"].to_numpy(dtype=str)))],
        reml=method == "REML",
    )  # fmt: skip
    assert fit.coefficients == pytest.approx(as_list(expected["fixed"]), rel=1e-6)
    assert fit.covariance == pytest.approx(np.array(expected["covariance"]), rel=1e-5, abs=1e-9)
    assert fit.variances["plant"] == pytest.approx(as_list(expected["random"])[0], rel=1e-6)
    assert fit.variances["residual"] == pytest.approx(expected["sigma"] ** 2, rel=1e-6)
    assert fit.log_likelihood == pytest.approx(expected["logLik"], abs=1e-6)


@pytest.mark.parametrize("case", ["line", "sex", "quadratic"])
def test_curves_of_two_to_four_holds(case):
    """Straight line and second degree from first to last age, as level, change and bend.

    The bend is an extra fixed term in R; level and change differ between children. R's stop leaves
    about 5e-6 of the variances here.
    """
    expected = R[f"orthodont_{case}"]
    n = len(JAW)
    age = (JAW["age"].to_numpy(float) - 8) / 6
    codes = groups(JAW["Subject"].to_numpy(dtype=str))
    one = np.ones((n, 1))
    sex = np.where(JAW["Sex"] == "Male", 1.0, -1.0)
    by_sex = np.column_stack([one, sex])
    design = (["1", "sex"], by_sex) if case == "sex" else (["1"], one)
    fit = fit_nonlinear(
        SHAPES["quadratic" if case == "quadratic" else "line"],
        age,
        JAW["distance"].to_numpy(float),
        fixed={"level": design, "change": design, "bend": (["1"], one)},
        start=np.zeros(4 if case == "sex" else 3 if case == "quadratic" else 2) + 1.0,
        random=[RandomTerm("level", "level", codes), RandomTerm("change", "change", codes)],
    )
    assert fit.coefficients == pytest.approx(expected["fixed"], rel=1e-8)
    assert fit.covariance == pytest.approx(np.array(expected["covariance"]), rel=1e-5, abs=1e-9)
    assert list(fit.variances.values())[:2] == pytest.approx(expected["random"], rel=1e-5)
    assert fit.variances["residual"] == pytest.approx(expected["sigma"] ** 2, rel=1e-6)
