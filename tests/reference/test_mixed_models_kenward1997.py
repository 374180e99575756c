"""Mixed models against R: variances, criterion, Kenward-Roger, Satterthwaite, means, Tukey pairs.

Source of every expected value: data/mixed_models.json, made by data/mixed_models.R with R 4.2.2,
lme4 1.1-31, lmerTest 3.1-3, pbkrtest 0.5.2, emmeans 1.8.4, the optimum sharpened by Newton steps.
Method: Kenward & Roger (1997), Biometrics 53, 983-997. Data: see data/README.md.
"""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from doughlab.stats import fit_mixed

DATA = Path(__file__).parent / "data"
REFERENCE = json.loads((DATA / "mixed_models.json").read_text())
MODELS = {
    "cake": ("angle ~ recipe * C(temperature)", ["recipe:replicate"]),
    "oats": ("yield ~ Variety * C(nitro)", ["Block/Variety"]),
    "oats_dropped_additive": ("yield ~ Variety + C(nitro)", ["Block/Variety"]),
    "alfalfa": ("Yield ~ Variety * Date", ["Block/Variety"]),
    "npk_mains": ("yield ~ C(N) + C(P) + C(K)", ["block"]),
    "machines": ("score ~ Machine", ["Worker/Machine"]),
}
TERM_NAMES = {  # our name of the random term: the name in the R script
    "recipe:replicate": "rr",
    "Block:Variety": "plot",
    "Worker:Machine": "wm",
    "residual": "Residual",
}
CASES = [name for name in REFERENCE if name != "penicillin_crossed"]


def read(name):
    """Read a data set; only an empty cell is a blank."""
    return pd.read_csv(DATA / f"{name}.csv", keep_default_na=False, na_values=[""])


@pytest.fixture(scope="module")
def fits():
    """Every model of the reference file, fitted once."""
    made = {}
    for name in CASES:
        data = read(name.split("_")[0])
        lost = [row - 1 for row in REFERENCE[name]["dropped_rows"]]
        data = data.drop(index=lost)
        formula, random = MODELS.get(name) or MODELS[name.removesuffix("_dropped")]
        made[name] = fit_mixed(data, formula, random=random)
    return made


def close(found, wanted, *, rtol=1e-6, atol=1e-12):
    np.testing.assert_allclose(np.asarray(found, float), np.asarray(wanted, float), rtol, atol)


@pytest.mark.parametrize("name", CASES)
def test_variances_and_criterion_agree_with_lme4(fits, name):
    fit, wanted = fits[name], REFERENCE[name]
    assert fit.n_used == wanted["n"]
    assert {TERM_NAMES.get(k, k) for k in fit.variances.index} == set(wanted["reml_variance"])
    for term, value in fit.variances.items():
        close(value, wanted["reml_variance"][TERM_NAMES.get(term, term)])
    close(fit.reml_criterion, wanted["reml_criterion"], rtol=1e-9)
    assert fit.gradient.abs().max() < 1e-10


@pytest.mark.parametrize("name", CASES)
def test_kenward_roger_table_agrees_with_pbkrtest(fits, name):
    found, wanted = fits[name].anova(scaling=True), pd.DataFrame(REFERENCE[name]["anova_kr"])
    assert list(found["term"]) == list(wanted["term"])
    close(found["df_num"], wanted["num_df"])
    close(found["df_den"], wanted["den_df"])
    close(found["statistic"], wanted["F_scaled"])
    close(found["scaling"], wanted["scale"])
    close(found["statistic"] / found["scaling"], wanted["F_unscaled"])
    close(found["p_value"], wanted["p"])


@pytest.mark.parametrize("name", CASES)
def test_satterthwaite_table_agrees_with_lmertest(fits, name):
    wanted = pd.DataFrame(REFERENCE[name]["anova_satt"])
    # For a model with a single term lmerTest takes the rows of the sequential table, which matters
    # to the Fai-Cornelius df of an unbalanced design; elsewhere differences from the first level.
    found = fits[name].anova(df="satterthwaite", type=1 if len(wanted) == 1 else 3)
    close(found["df_num"], wanted["num_df"])
    close(found["df_den"], wanted["den_df"])
    close(found["statistic"], wanted["F"])
    close(found["p_value"], wanted["p"])


@pytest.mark.parametrize("name", CASES)
def test_coefficients_agree_with_lme4_and_pbkrtest(fits, name):
    wanted = pd.DataFrame(REFERENCE[name]["coef"])
    found = fits[name].coefficients
    close(found["estimate"], wanted["est"], atol=1e-9)
    close(found["std_error"], wanted["se_kr"])
    close(found["df"], wanted["df_kr"])
    rows = np.eye(len(wanted))
    plain = fits[name].test_rows(rows, df="satterthwaite")
    close(plain.std_error, wanted["se"])
    close(plain.df, wanted["df_satt"])


@pytest.mark.parametrize(
    ("name", "term"),
    [(name, term) for name in CASES for term in REFERENCE[name]["emm"]],
)
def test_means_and_tukey_pairs_agree_with_emmeans(fits, name, term):
    wanted = REFERENCE[name]["emm"][term]
    means, rows = fits[name].means(term), pd.DataFrame(wanted["means"])
    assert list(means["level"]) == [str(v) for v in rows[term]]
    close(means["estimate"], rows["emmean"])
    close(means["std_error"], rows["SE"])
    close(means["df"], rows["df"])
    close(means["ci_low"], rows["lower.CL"])
    close(means["ci_high"], rows["upper.CL"])
    close(means["statistic"], rows["t.ratio"])
    close(means["p_value"], rows["p.value"])
    pairs, rows = fits[name].contrasts(term), pd.DataFrame(wanted["pairs_tukey_kr"])
    plain = rows["contrast"].str.replace(term, "", regex=False)
    assert list(pairs["contrast"]) == list(plain)
    close(pairs["estimate"], rows["estimate"], atol=1e-9)
    close(pairs["std_error"], rows["SE"])
    close(pairs["df"], rows["df"])
    close(pairs["statistic"], rows["t.ratio"], atol=1e-9)
    # R's ptukey is itself good to about 1e-12 absolute, and qtukey stops at 1e-4 of the quantile.
    close(pairs["p_value"], rows["p.value"], atol=1e-11)
    width = (rows["upper.CL"] - rows["lower.CL"]) * 1e-4
    assert (np.abs(pairs["ci_low"] - rows["lower.CL"]) < width).all()
    assert (np.abs(pairs["ci_high"] - rows["upper.CL"]) < width).all()


def test_crossed_terms_agree_with_lme4():
    fit = fit_mixed(read("penicillin"), "diameter ~ 1", random=["plate", "sample"])
    wanted = REFERENCE["penicillin_crossed"]
    close(fit.variances, [wanted["reml_variance"][t] for t in ("plate", "sample", "Residual")])
    close(fit.reml_criterion, wanted["reml_criterion"], rtol=1e-9)
