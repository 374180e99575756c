"""Repeated measures of O'Brien & Kaiser against R, by the classical tests and by the mixed model.

Data: O'Brien, R. G. & Kaiser, M. K. (1985), Psychological Bulletin 97, 316-333, as in the R package
carData; subjects pooled over the factors between them. Values: R 4.2.2 and car.
"""

from pathlib import Path

import pandas as pd
import pytest

from doughlab.stats import fit_mixed
from doughlab.stats.repeated import compare_within

DATA = Path(__file__).parent / "data"
F = {"phase": (14.85222, 2, 30), "hour": (21.63086, 4, 60), "phase:hour": (1.35254, 8, 120)}


@pytest.fixture(scope="module")
def long():
    """One row per subject, phase and hour."""
    wide = pd.read_csv(DATA / "obrienkaiser.csv")
    wide["subject"] = [f"s{i}" for i in range(len(wide))]
    names = [c for c in wide.columns if "." in c]
    table = wide.melt(id_vars="subject", value_vars=names, var_name="cell", value_name="y")
    table[["phase", "hour"]] = table["cell"].str.split(".", expand=True)
    return table


def test_tests_and_epsilons_agree_with_r(long):
    found = compare_within(long, "y", subject="subject", within=["phase", "hour"])
    found = found.set_index("term")
    for term, (statistic, df_num, df_den) in F.items():
        assert found.loc[term, "statistic"] == pytest.approx(statistic, abs=5e-6)
        assert (found.loc[term, "df_num"], found.loc[term, "df_den"]) == (df_num, df_den)
    assert found.loc["phase", "epsilon_gg"] == pytest.approx(0.7720222, abs=5e-8)
    assert found.loc["phase", "epsilon_hf"] == pytest.approx(0.8436677, abs=5e-8)
    assert found.loc["phase", "mauchly"] == pytest.approx(0.7047004, abs=5e-8)
    assert found.loc["hour", "epsilon_gg"] == pytest.approx(0.4984173, abs=5e-8)
    assert found.loc["hour", "epsilon_hf"] == pytest.approx(0.5746953, abs=5e-8)
    assert found.loc["phase:hour", "epsilon_gg"] == pytest.approx(0.5129749, abs=5e-8)


def test_the_mixed_model_with_strata_gives_the_same_f(long):
    fit = fit_mixed(
        long,
        "y ~ phase * hour",
        random=["subject", "subject:phase", "subject:hour"],
        allow_negative=True,
    )
    found = fit.anova().set_index("term")
    for term, (statistic, df_num, df_den) in F.items():
        assert found.loc[term, "statistic"] == pytest.approx(statistic, abs=5e-6)
        assert found.loc[term, "df_num"] == df_num
        assert found.loc[term, "df_den"] == pytest.approx(df_den, abs=1e-6)
