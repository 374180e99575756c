"""Models without a random term: worked examples of NIST, textbook and R.

Sources beside each value. NIST: e-Handbook of Statistical Methods, and Statistical Reference
Datasets (StRD).
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import scipy

from doughlab.stats import fit_mixed

DATA = Path(__file__).parent / "data"


def read(name):
    return pd.read_csv(DATA / f"{name}.csv", keep_default_na=False, na_values=[""])


def value(table, term, column="statistic"):
    return float(table.loc[table["term"] == term, column].iloc[0])


def one_way(*groups):
    return pd.DataFrame(
        [(f"g{i + 1}", y) for i, group in enumerate(groups) for y in group],
        columns=["group", "y"],
    )


def test_nist_handbook_one_way():
    # NIST e-Handbook 7.4.3: F 9.59, here with the digits of scipy's copy of the data.
    data = one_way([6.9, 5.4, 5.8, 4.6, 4.0], [8.3, 6.8, 7.8, 9.2, 6.5], [8.0, 10.5, 8.1, 6.9, 9.3])
    fit = fit_mixed(data, "y ~ group")
    table = fit.anova()
    assert value(table, "group") == pytest.approx(9.5911, abs=5e-5)
    assert value(table, "group", "p_value") == pytest.approx(0.0032482, abs=5e-8)
    assert value(table, "group", "df_den") == pytest.approx(12)
    assert fit.variances["residual"] * 12 == pytest.approx(17.452, abs=5e-4)


def test_nist_handbook_tukey():
    # NIST e-Handbook 7.4.7.1: q(.95, 4, 16) 4.05, half width 2.087; p values as in scipy's tests.
    data = one_way(
        [6.9, 5.4, 5.8, 4.6, 4.0],
        [8.3, 6.8, 7.8, 9.2, 6.5],
        [8.0, 10.5, 8.1, 6.9, 9.3],
        [5.8, 3.8, 6.1, 5.6, 6.2],
    )
    fit = fit_mixed(data, "y ~ group")
    assert value(fit.anova(), "group") == pytest.approx(9.7238, abs=5e-5)
    pairs = fit.contrasts("group").set_index("contrast")
    wanted = {
        "g1 - g2": 0.022793,
        "g1 - g3": 0.002211,
        "g2 - g4": 0.035154,
        "g3 - g4": 0.003451,
        "g2 - g3": 0.664465,
    }
    for label, p in wanted.items():
        assert pairs.loc[label, "p_value"] == pytest.approx(p, abs=5e-7)
    half = (pairs["ci_high"] - pairs["ci_low"]) / 2
    assert half.to_numpy() == pytest.approx(2.087, abs=5e-4)


def test_nist_handbook_two_way():
    # NIST e-Handbook 3.2.3.3, pin diameters by machine and shift.
    day = """.125 .118 .123 .126 .118 .127 .122 .125 .128 .129 .125 .120 .125 .126 .127
             .126 .124 .124 .127 .120 .128 .119 .126 .129 .121"""
    night = """.124 .116 .122 .126 .125 .128 .125 .121 .129 .123 .127 .119 .124 .125 .114
               .126 .125 .126 .130 .124 .129 .120 .125 .124 .117"""
    rows = [
        (shift, i % 5 + 1, float(y))
        for shift, block in (("day", day), ("night", night))
        for i, y in enumerate(block.split())
    ]
    data = pd.DataFrame(rows, columns=["shift", "machine", "y"])
    fit = fit_mixed(data, "y ~ C(machine) * shift")
    table = fit.anova()
    assert value(table, "machine") == pytest.approx(8.7665, abs=5e-5)
    assert value(table, "machine", "p_value") == pytest.approx(3.5e-5, abs=5e-7)
    assert value(table, "shift") == pytest.approx(0.4532, abs=5e-5)
    assert value(table, "machine:shift") == pytest.approx(0.4243, abs=5e-5)
    assert fit.variances["residual"] * 40 == pytest.approx(0.000346, abs=5e-7)


def read_nist(name, folder=DATA / "nist"):
    """Read a file of the Statistical Reference Datasets and its certified F."""
    lines = (folder / f"{name}.dat").read_text().splitlines()
    certified = next(line for line in lines if line.startswith(("Between", "Regression ")))
    start = next(i for i, line in enumerate(lines) if line.startswith("Data:  ") and i > 50)
    pairs = [line.split() for line in lines[start + 1 :] if line.strip()]
    return pd.DataFrame(pairs, columns=lines[start].split()[1:]), float(certified.split()[-1])


@pytest.mark.parametrize(
    ("name", "digits"),
    [
        ("SiRstv", 10),
        ("AtmWtAg", 9),
        ("SmLs01", 13),
        # 7 and 13 constant leading digits: what the stored response itself still holds.
        ("SmLs04", 9),
        ("SmLs07", 3),
    ],
)
def test_nist_anova_data_sets(name, digits):
    data, certified = read_nist(name)
    factor, response = data.columns
    data[response] = data[response].astype(float)
    fit = fit_mixed(data, f"{response} ~ {factor}")
    assert value(fit.anova(), factor) == pytest.approx(certified, rel=10.0**-digits)


def lengthen(data, each):
    """Give a set of Simon and Lesage more rows per treatment, as in the larger ones.

    Every treatment begins with its mean; then a tenth less and a tenth more take turns.
    """
    factor, response = data.columns
    parts = []
    for name, own in data.groupby(factor, sort=False)[response]:
        first, *turns = own.tolist()
        values = [first, *(turns[i % 2] for i in range(each - 1))]
        assert values[: len(own)] == own.tolist()
        parts.append(pd.DataFrame({factor: name, response: values}))
    return pd.concat(parts, ignore_index=True)


SIMON_LESAGE = [
    # name, made from, rows per treatment, certified F, digits
    ("SmLs02", "SmLs01", 201, 201.0, 13),
    ("SmLs03", "SmLs01", 2001, 2001.0, 13),
    ("SmLs05", "SmLs04", 201, 201.0, 9),
    ("SmLs06", "SmLs04", 2001, 2001.0, 9),
    # 13 constant leading digits: what the stored response itself still holds.
    ("SmLs08", "SmLs07", 201, 201.0, 4),
    ("SmLs09", "SmLs07", 2001, 2001.0, 4),
]


@pytest.mark.parametrize(("name", "small", "each", "certified", "digits"), SIMON_LESAGE)
def test_nist_larger_sets_of_simon_and_lesage(name, small, each, certified, digits):
    data = lengthen(read_nist(small)[0], each)
    factor, response = data.columns
    data[response] = data[response].astype(float)
    fit = fit_mixed(data, f"{response} ~ {factor}")
    assert value(fit.anova(), factor) == pytest.approx(certified, rel=10.0**-digits)
    assert value(fit.anova(), factor, "df_den") == pytest.approx(9 * (each - 1))


@pytest.mark.parametrize(("name", "small", "each", "certified", "digits"), SIMON_LESAGE)
def test_lengthened_sets_are_those_of_nist(name, small, each, certified, digits):
    """Row by row, and the certified F, as scipy ships the files with its tests."""
    path = Path(scipy.__file__).parent / "stats/tests/data/nist_anova" / f"{name}.dat"
    if not path.exists():
        pytest.skip("this scipy came without the data files of its tests")
    theirs, stated = read_nist(name, path.parent)
    assert stated == certified
    assert lengthen(read_nist(small)[0], each).to_numpy().tolist() == theirs.to_numpy().tolist()


def test_nist_norris_line():
    data, certified = read_nist("Norris")
    data = data.astype(float)
    fit = fit_mixed(data, "y ~ x")
    found = fit.coefficients
    assert found["estimate"].to_numpy() == pytest.approx(
        [-0.262323073774029, 1.00211681802045], rel=1e-10
    )
    assert found["std_error"].to_numpy() == pytest.approx(
        [0.232818234301152, 0.429796848199937e-3], rel=1e-10
    )
    assert np.sqrt(fit.variances["residual"]) == pytest.approx(0.884796396144373, rel=1e-11)
    assert value(fit.anova(), "x") == pytest.approx(certified, rel=1e-10)
    slope = fit.slope("x").iloc[0]
    assert slope["estimate"] == pytest.approx(1.00211681802045, rel=1e-10)


def test_longley_keeps_its_digits():
    # NIST StRD Longley: certified values from memory, confirmed by R on datasets::longley x 1000.
    data = read("longley")
    fit = fit_mixed(
        data.rename(columns={"GNP.deflator": "deflator", "Armed.Forces": "forces"}),
        "Employed ~ deflator + GNP + Unemployed + forces + Population + Year",
    )
    found = fit.coefficients.set_index("term")
    assert 1000 * found.loc["(Intercept)", "estimate"] == pytest.approx(-3482258.63460, rel=1e-8)
    assert 1000 * found.loc["(Intercept)", "std_error"] == pytest.approx(890420.38361, rel=1e-8)
    assert 1000 * found.loc["Year", "estimate"] == pytest.approx(1829.15146461, rel=1e-8)
    assert 1000 * found.loc["Year", "std_error"] == pytest.approx(455.478499, rel=1e-8)


def test_sake_regression_agrees_with_r():
    # R 4.2.2 on heplots::Sake, taste on the eight other columns.
    data = read("sake")
    others = "pH + acidity1 + acidity2 + sake + rsugar + tsugar + alcohol + nitrogen"
    fit = fit_mixed(data, f"taste ~ {others}")
    found = fit.coefficients.set_index("term").loc["pH"]
    assert found["estimate"] == pytest.approx(1.10259285, abs=5e-9)
    assert found["std_error"] == pytest.approx(0.78371614, abs=5e-9)
    assert np.sqrt(fit.variances["residual"]) == pytest.approx(0.388682679, abs=5e-10)
    # all eight at once: R2 0.308760536, F 1.17252624 on 8 and 21
    total = float(((data["taste"] - data["taste"].mean()) ** 2).sum())
    assert 1 - 21 * fit.variances["residual"] / total == pytest.approx(0.308760536, abs=5e-10)
    first = fit.anova(type=1)
    assert first["statistic"].sum() / 8 == pytest.approx(1.17252624, abs=5e-9)
    # variance inflation of tsugar, 7.3190: its error against that of a column alone
    column = data["tsugar"] - data["tsugar"].mean()
    alone = fit.variances["residual"] / float((column**2).sum())
    inflated = fit.coefficients.set_index("term").loc["tsugar", "std_error"] ** 2
    assert inflated / alone == pytest.approx(7.3190, abs=5e-5)


def test_moore_unbalanced_two_way_agrees_with_r():
    # R 4.2.2 on carData::Moore, sum contrasts: anova() for type I, car-style F for type III.
    data = read("moore").rename(columns={"partner.status": "partner"})
    fit = fit_mixed(data, "conformity ~ fcategory * partner")
    residual = fit.variances["residual"]
    assert residual * 39 == pytest.approx(817.7640, abs=5e-5)
    third = fit.anova()
    assert value(third, "fcategory") == pytest.approx(0.85888, abs=5e-6)
    assert value(third, "partner") == pytest.approx(11.42497, abs=5e-6)
    assert value(third, "fcategory:partner") == pytest.approx(4.18462, abs=5e-6)
    assert value(third, "fcategory:partner", "p_value") == pytest.approx(0.022572, abs=5e-7)
    assert value(third, "partner") * residual == pytest.approx(239.562, abs=5e-4)
    first = fit.anova(type=1)
    assert value(first, "fcategory") * 2 * residual == pytest.approx(3.7333, abs=5e-5)
    assert value(first, "partner") * residual == pytest.approx(212.2138, abs=5e-5)
    second = fit.anova(type=2)
    assert value(second, "fcategory") * 2 * residual == pytest.approx(11.6147, abs=5e-5)
    assert value(second, "fcategory") == pytest.approx(0.27696, abs=5e-6)
    assert value(second, "partner") * residual == pytest.approx(212.2138, abs=5e-5)
    assert value(second, "partner") == pytest.approx(10.12069, abs=5e-6)
    assert value(second, "fcategory:partner") == pytest.approx(4.18462, abs=5e-6)
    assert value(third, "fcategory") * 2 * residual == pytest.approx(36.019, abs=5e-4)
    assert value(third, "fcategory:partner") * 2 * residual == pytest.approx(175.4889, abs=5e-5)


def test_warpbreaks_unbalanced_two_way_agrees_with_r():
    # R 4.2.2 on datasets::warpbreaks without rows 1, 20, 37, 54.
    data = read("warpbreaks").drop(index=[0, 19, 36, 53])
    fit = fit_mixed(data, "breaks ~ wool * tension")
    residual = fit.variances["residual"]
    assert residual * 44 == pytest.approx(5051.181, abs=5e-4)
    first, third = fit.anova(type=1), fit.anova()
    assert value(first, "wool") * residual == pytest.approx(640.820, abs=5e-4)
    assert value(first, "tension") * 2 * residual == pytest.approx(2288.069, abs=5e-4)
    assert value(third, "wool") * residual == pytest.approx(726.28, abs=5e-3)
    assert value(third, "tension") * 2 * residual == pytest.approx(2357.21, abs=5e-3)
    assert value(third, "wool:tension") * 2 * residual == pytest.approx(1004.751, abs=5e-4)
    assert value(third, "wool:tension") == pytest.approx(4.37611, abs=5e-6)
    second = fit.anova(type=2)
    assert value(second, "wool") * residual == pytest.approx(727.741, abs=5e-4)
    assert value(second, "tension") * 2 * residual == pytest.approx(2288.069, abs=5e-4)
    assert value(second, "wool:tension") == pytest.approx(4.37611, abs=5e-6)


def test_plant_growth_tukey_and_dunnett_agree_with_r():
    # R 4.2.2 on datasets::PlantGrowth: TukeyHSD; Dunnett by the multivariate t of emmeans.
    fit = fit_mixed(read("plantgrowth"), "weight ~ group")
    assert value(fit.anova(), "group") == pytest.approx(4.84609, abs=5e-6)
    assert value(fit.anova(), "group", "p_value") == pytest.approx(0.01591, abs=5e-6)
    pairs = fit.contrasts("group").set_index("contrast")
    found = pairs.loc["trt1 - trt2"]
    assert -found["estimate"] == pytest.approx(0.865, abs=5e-4)
    assert -found["ci_high"] == pytest.approx(0.173784, abs=2e-6)  # R's qtukey stops early
    assert -found["ci_low"] == pytest.approx(1.556216, abs=2e-6)
    assert found["p_value"] == pytest.approx(0.0120064, abs=5e-8)
    dunnett = fit.contrasts("group", adjust="dunnett")
    assert list(dunnett["contrast"]) == ["trt1 - ctrl", "trt2 - ctrl"]
    assert dunnett["p_value"].to_numpy() == pytest.approx([0.3227, 0.1535], abs=5e-5)


def test_latin_square_agrees_with_r():
    # R 4.2.2 on datasets::OrchardSprays: aov(decrease ~ rowpos + colpos + treatment), factors.
    fit = fit_mixed(read("orchardsprays"), "decrease ~ C(rowpos) + C(colpos) + treatment")
    table = fit.anova()
    assert value(table, "treatment") == pytest.approx(21.0667, abs=5e-5)
    assert value(table, "treatment", "p_value") == pytest.approx(7.45e-12, abs=5e-15)
    assert value(table, "rowpos") == pytest.approx(1.78838, abs=5e-6)
    assert value(table, "colpos") == pytest.approx(1.05305, abs=5e-6)
    assert fit.variances["residual"] == pytest.approx(380.8311, abs=5e-5)
    assert fit.means("treatment")["std_error"].to_numpy() == pytest.approx(6.89956, abs=5e-6)
    pairs = fit.contrasts("treatment")
    assert pairs["std_error"].to_numpy() == pytest.approx(9.75745, abs=5e-6)


def test_etch_rate_factorial():
    # Montgomery, Design and Analysis of Experiments, the 2^3 plasma etch example, two replicates.
    y = [550, 604, 669, 650, 633, 601, 642, 635, 1037, 1052, 749, 868, 1075, 1063, 729, 860]
    signs = [(a, b, c) for c in (-1, 1) for b in (-1, 1) for a in (-1, 1) for _ in range(2)]
    data = pd.DataFrame(signs, columns=["a", "b", "c"]).assign(y=y)
    fit = fit_mixed(data, "y ~ a * b * c")
    found = fit.coefficients.set_index("term")["estimate"] * 2
    wanted = {"a": -101.625, "b": 7.375, "c": 306.125, "a:b": -24.875, "a:c": -153.625}
    wanted |= {"b:c": -2.125, "a:b:c": 5.625}
    for name, effect in wanted.items():
        assert found[name] == pytest.approx(effect, abs=5e-4)
    assert fit.variances["residual"] * 8 == pytest.approx(18020.5, abs=0.05)
    table = fit.anova()
    assert value(table, "a") == pytest.approx(18.339, abs=5e-4)
    assert value(table, "c") == pytest.approx(166.411, abs=5e-4)
    assert value(table, "a:c") == pytest.approx(41.909, abs=5e-4)
