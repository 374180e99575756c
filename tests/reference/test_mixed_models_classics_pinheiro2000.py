"""Classical strata and REML classics, against R's aov, lme4, lmerTest and emmeans.

Source of the expected values: R 4.2.2 on the data of data/README.md (aov with Error(), lme4 1.1-31,
emmeans 1.8.4), digits as R printed them. The analyses of oats and machines are those of Pinheiro &
Bates (2000), Mixed-Effects Models in S and S-PLUS; dyestuff, penicillin and pastes are from Davies
& Goldsmith (1972), cake from Cochran & Cox (1957), npk from Venables & Ripley (2002); origins from
memory.
Random slopes (sleepstudy) are out of scope: only random intercepts are fitted.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from doughlab.errors import InputError
from doughlab.stats import fit_mixed

DATA = Path(__file__).parent / "data"


def read(name):
    return pd.read_csv(DATA / f"{name}.csv", keep_default_na=False, na_values=[""])


def row(table, label, column="term"):
    found = table[table[column] == label]
    assert len(found) == 1, list(table[column])
    return found.iloc[0]


# R's aov strata: numerator df, denominator df, F, p. Tolerance: half a unit of the last digit.
STRATA = {
    "cake": (
        "angle ~ recipe * C(temperature)",
        ["recipe:replicate"],
        {
            "recipe": (2, 42, (0.248788787, 5e-10), (0.78089, 5e-6)),
            "temperature": (5, 210, (20.519860429, 5e-10), None),
            "recipe:temperature": (10, 210, (1.006197984, 5e-10), (0.43927, 5e-6)),
        },
    ),
    "oats": (
        "yield ~ Variety * C(nitro)",
        ["Block/Variety"],
        {
            "Variety": (2, 10, (1.48534, 5e-6), (0.27239, 5e-6)),
            "nitro": (3, 45, (37.68565, 5e-6), (2.458e-12, 5e-16)),
            "Variety:nitro": (6, 45, (0.30282, 5e-6), (0.93220, 5e-6)),
        },
    ),
    "alfalfa": (
        "Yield ~ Variety * Date",
        ["Block/Variety"],
        {
            "Variety": (2, 10, (0.65336, 5e-6), (0.54115, 5e-6)),
            "Date": (3, 45, (23.38974, 5e-6), (2.826e-9, 5e-13)),
            "Variety:Date": (6, 45, (1.25477, 5e-6), (0.29727, 5e-6)),
        },
    ),
    "npk": (
        "yield ~ C(N) * C(P) * C(K)",
        ["block"],
        {
            "N": (1, 12, (12.25873, 5e-6), (0.0043718, 5e-8)),
            "P": (1, 12, None, (0.47490, 5e-6)),
            "K": (1, 12, (6.16569, 5e-6), (0.028795, 5e-7)),
            "N:P:K": (1, 4, (0.48322, 5e-6), (0.52524, 5e-6)),
        },
    ),
}


@pytest.mark.parametrize("name", STRATA)
@pytest.mark.parametrize("df", ["kenward-roger", "satterthwaite"])
@pytest.mark.parametrize("allow_negative", [False, True])
def test_balanced_designs_give_the_classical_strata(name, df, allow_negative):
    formula, random, terms = STRATA[name]
    fit = fit_mixed(read(name), formula, random=random, allow_negative=allow_negative)
    table = fit.anova(df=df)
    for term, (df_num, df_den, statistic, p_value) in terms.items():
        found = row(table, term)
        assert found["df_num"] == df_num
        assert found["df_den"] == pytest.approx(df_den, abs=1e-6)
        if statistic:
            assert found["statistic"] == pytest.approx(statistic[0], abs=statistic[1])
        if p_value:
            assert found["p_value"] == pytest.approx(p_value[0], abs=p_value[1])


def test_cake_with_replicates_as_blocks_changes_the_recipe_test():
    fit = fit_mixed(read("cake"), "angle ~ recipe * C(temperature)", random=["replicate/recipe"])
    # R's default stop is off by up to 1e-4 of a variance where there are two random terms.
    assert fit.variances["replicate:recipe"] == pytest.approx(3.721916, rel=1e-5)
    assert fit.variances["replicate"] == pytest.approx(38.115098, rel=1e-5)
    recipe = row(fit.anova(), "recipe")
    assert recipe["df_den"] == pytest.approx(28, abs=1e-6)
    assert recipe["statistic"] == pytest.approx(1.57805, abs=5e-6)
    assert recipe["p_value"] == pytest.approx(0.22419, abs=5e-6)


def test_oats_means_pairs_and_trend_agree_with_emmeans():
    fit = fit_mixed(read("oats"), "yield ~ Variety * C(nitro)", random=["Block/Variety"])
    varieties = fit.means("Variety")
    assert varieties["estimate"].to_numpy() == pytest.approx([104.5, 109.7917, 97.625], abs=5e-5)
    assert varieties["std_error"].to_numpy() == pytest.approx(7.797539, abs=5e-7)
    assert varieties["df"].to_numpy() == pytest.approx(8.868981, abs=5e-7)
    pairs = fit.contrasts("Variety")
    assert pairs["std_error"].to_numpy() == pytest.approx(7.078904, abs=5e-7)
    assert row(pairs, "Golden Rain - Marvellous", "contrast")["p_value"] == pytest.approx(
        0.741873, abs=5e-7
    )
    assert row(pairs, "Marvellous - Victory", "contrast")["p_value"] == pytest.approx(
        0.245830, abs=5e-7
    )
    doses = fit.contrasts("nitro")
    assert row(doses, "0 - 0.2", "contrast")["p_value"] == pytest.approx(3.764e-4, abs=5e-8)
    assert row(doses, "0.4 - 0.6", "contrast")["p_value"] == pytest.approx(0.179719, abs=5e-7)
    trend = fit.contrasts("nitro", method="poly")
    assert list(trend["contrast"]) == ["linear", "quadratic", "cubic"]
    assert trend["estimate"].to_numpy() == pytest.approx([147.3333, -10.33333, -2.0], abs=5e-5)
    assert trend["statistic"][0] == pytest.approx(10.50349, abs=5e-6)
    assert trend["statistic"][1] == pytest.approx(-1.647244, abs=5e-7)
    assert trend["p_value"][1] == pytest.approx(0.106474, abs=5e-7)
    assert trend["p_value"][2] == pytest.approx(0.887257, abs=5e-7)


def test_oats_cells_and_simple_effects_agree_with_emmeans():
    fit = fit_mixed(read("oats"), "yield ~ Variety * C(nitro)", random=["Block/Variety"])
    cells = fit.means("Variety", by="nitro")
    assert cells["std_error"].to_numpy() == pytest.approx(9.106977, abs=5e-7)
    assert cells["df"].to_numpy() == pytest.approx(16.08205, abs=5e-6)
    varieties = fit.contrasts("Variety", by="nitro")
    assert list(varieties["level"][:4]) == ["0", "0", "0", "0.2"]
    assert varieties["std_error"].to_numpy() == pytest.approx(9.715025, abs=5e-7)
    assert varieties["df"].to_numpy() == pytest.approx(30.23078, abs=5e-6)
    doses = fit.contrasts("nitro", by="Variety")
    assert doses["std_error"].to_numpy() == pytest.approx(7.682954, abs=5e-7)
    assert doses["df"].to_numpy() == pytest.approx(45, abs=1e-6)


def test_alfalfa_dunnett_agrees_with_emmeans_by_multivariate_t():
    fit = fit_mixed(read("alfalfa"), "Yield ~ Variety * Date", random=["Block/Variety"])
    table = fit.contrasts("Date", reference="None")
    assert list(table["contrast"]) == ["O7 - None", "S1 - None", "S20 - None"]
    found = row(table, "S20 - None", "contrast")
    assert found["estimate"] == pytest.approx(-0.2066667, abs=5e-8)
    assert found["std_error"] == pytest.approx(0.05574514, abs=5e-9)
    assert found["p_value"] == pytest.approx(0.001635, abs=2e-6)  # R integrates at random
    tukey = fit.contrasts("Date")
    assert row(tukey, "None - S20", "contrast")["p_value"] == pytest.approx(0.00310348, abs=5e-9)
    assert fit.means("Date")["level"][0] == "None"


REML_CLASSICS = {
    "pastes": ("strength ~ 1", ["batch/cask"], (1.657311, 8.433666, 0.678000), 246.990746),
    "dyestuff": ("Yield ~ 1", ["Batch"], (1764.05, 2451.25), 319.654277),
    "penicillin": ("diameter ~ 1", ["plate", "sample"], (0.716908, 3.730918, 0.302415), 330.860589),
}


@pytest.mark.parametrize("name", REML_CLASSICS)
def test_reml_classics_agree_with_lme4(name):
    formula, random, variances, criterion = REML_CLASSICS[name]
    fit = fit_mixed(read(name), formula, random=random)
    # lme4's default stop, not sharpened here, leaves an error of about 1e-6.
    assert fit.variances.to_numpy() == pytest.approx(variances, rel=1e-6, abs=5e-6)
    assert fit.reml_criterion == pytest.approx(criterion, abs=5e-7)
    assert fit.variances.index[-1] == "residual"
    assert "restricted likelihood" in fit.how


def test_wine_ratings_agree_with_lme4_and_emmeans():
    # ordinal::wine, response ~ temp * contact + (1 | judge), R 4.2.2.
    fit = fit_mixed(read("wine"), "response ~ temp * contact", random=["judge"])
    assert fit.variances["judge"] == pytest.approx(73.332351, rel=1e-6)
    assert fit.variances["residual"] == pytest.approx(152.084259, rel=1e-7)
    table = fit.anova()
    wanted = {"temp": 61.705926, "contact": 21.216675, "temp:contact": 1.789943}
    for term, statistic in wanted.items():
        assert row(table, term)["statistic"] == pytest.approx(statistic, abs=1e-6)  # R's stop
        assert row(table, term)["df_den"] == pytest.approx(60, abs=1e-6)
    cells = fit.means("temp:contact")
    assert cells["std_error"].to_numpy() == pytest.approx(4.073962, abs=5e-7)
    assert cells["df"].to_numpy() == pytest.approx(19.92011, abs=5e-6)


def test_french_fries_with_lost_scores_agree_with_lme4_and_pbkrtest():
    # reshape2::french_fries, potato ~ treatment + time + (1 | subject) + (1 | subject:time).
    formula = "potato ~ C(treatment) + C(time)"
    fit = fit_mixed(read("french_fries"), formula, random=["subject/time"])
    assert fit.n_dropped == 1
    # R's default stop, about 1e-4 of a variance with two random terms.
    assert fit.variances.to_numpy() == pytest.approx([5.186700, 2.148865, 5.024950], rel=1e-5)
    table = fit.anova()
    assert row(table, "treatment")["df_den"] == pytest.approx(577.087, abs=5e-4)
    assert row(table, "treatment")["statistic"] == pytest.approx(0.150687, abs=5e-7)
    assert row(table, "time")["df_den"] == pytest.approx(95.038, abs=5e-4)
    assert row(table, "time")["statistic"] == pytest.approx(4.981419, abs=5e-6)
    assert row(table, "time")["p_value"] == pytest.approx(1.727e-5, abs=5e-9)
    more = fit_mixed(read("french_fries"), formula, random=["subject/time", "subject:treatment"])
    assert more.variances["subject:treatment"] == 0.0  # lme4 reports a singular fit


def test_penicillin_mean_agrees_with_lme4():
    mean = fit_mixed(read("penicillin"), "diameter ~ 1", random=["plate", "sample"]).means("")
    assert mean["estimate"][0] == pytest.approx(22.972222, abs=5e-7)
    assert mean["std_error"][0] == pytest.approx(0.808573, abs=5e-7)


def test_dyestuff2_is_singular_and_its_classical_variance_is_negative():
    # Box & Tiao (1973), table 5.1.4: made so that the mean square between batches is smaller.
    # Expected by algebra: for a balanced one-way layout the classical estimate is (MSB - MSW) / 5.
    data = read("dyestuff2")
    groups = data.groupby("Batch")["Yield"]
    between = 5 * groups.mean().var(ddof=1)
    within = groups.var(ddof=1).mean()
    assert between < within
    fit = fit_mixed(data, "Yield ~ 1", random=["Batch"])
    assert fit.variances["Batch"] == 0.0
    assert any("Batch is estimated at zero" in note for note in fit.notes)
    assert fit.gradient["Batch"] > 0
    classical = fit_mixed(data, "Yield ~ 1", random=["Batch"], allow_negative=True)
    assert classical.variances["Batch"] == pytest.approx((between - within) / 5, rel=1e-9)
    assert classical.variances["residual"] == pytest.approx(within, rel=1e-9)
    assert any("below zero" in note for note in classical.notes)
    mean = classical.means("").iloc[0]
    assert mean["std_error"] == pytest.approx(np.sqrt(between / 30), rel=1e-9)
    assert mean["df"] == pytest.approx(5, rel=1e-9)


def test_npk_with_fixed_blocks_names_the_confounded_term():
    fit = fit_mixed(read("npk"), "yield ~ C(block) + C(N) * C(P) * C(K)")
    assert set(fit.not_estimable) == {"block", "N:P:K"}
    assert fit.not_estimable["N:P:K"] == (
        "It cannot be told from block: they change together in every row."
    )
    table = fit.anova()
    assert list(table["term"]) == ["N", "P", "K", "N:P", "N:K", "P:K"]
    assert row(table, "N")["statistic"] == pytest.approx(12.25873, abs=5e-6)
    assert row(table, "K")["p_value"] == pytest.approx(0.028795, abs=5e-7)
    assert table["df_den"].to_numpy() == pytest.approx(12)


@pytest.mark.parametrize("type", [1, 2, 3])
def test_npk_table_of_the_fixed_block_fit_agrees_with_r(type):
    # R: lm(yield ~ block + N + P + K) on rows without 2, 9, 20; N by type II is 13.18340 on 1, 12.
    # N stands last, and no term holds another: the three types say the same of it.
    data = read("npk").drop(index=[1, 8, 19])
    fit = fit_mixed(data, "yield ~ C(block) + C(P) + C(K) + C(N)")
    last = row(fit.anova(type=type), "N")
    assert last["statistic"] == pytest.approx(13.18340, abs=5e-6)
    assert last["p_value"] == pytest.approx(0.0034451, abs=5e-8)
    assert last["df_den"] == pytest.approx(12)


def test_a_random_slope_is_refused_with_a_sentence():
    with pytest.raises(InputError) as caught:
        fit_mixed(read("cake"), "angle ~ recipe", random=["temperature|replicate"])
    assert str(caught.value) == (
        "Random term 'temperature|replicate' cannot be read. Only random intercepts are fitted: "
        "write 'plot', 'block/plot' or 'rater:plot', each as its own entry of random=[...]."
    )
