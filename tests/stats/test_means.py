"""Means, contrasts, slopes: against algebra on small tables."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import t as student

from doughlab.errors import InputError, UnknownName
from doughlab.stats import fit_mixed
from doughlab.stats.families import adjust_tests, build_family, polynomial_contrasts
from doughlab.stats.inference import TTests


@pytest.fixture(scope="module")
def table():
    """Two factors, unbalanced, with a number and batches."""
    rng = np.random.default_rng(5)
    rows = []
    for b in range(12):
        u = rng.normal() * 0.2
        for j in range(2 + b % 3):
            x = float(rng.integers(4, 30))
            y = 5 + 0.3 * (b % 2) - 0.01 * x + u + 0.1 * rng.normal()
            rows.append((f"B{b}", "tap" if b % 2 else "bottled", "uvw"[(b + j) % 3], x, y))
    return pd.DataFrame(rows, columns=["batch", "water", "mill", "x", "y"])


def test_means_of_one_factor_without_others_are_the_averages(table):
    fit = fit_mixed(table, "y ~ water")
    means = fit.means("water")
    wanted = table.groupby("water")["y"].mean()
    np.testing.assert_allclose(means["estimate"], wanted)
    assert means.columns.tolist() == [
        "term",
        "level",
        "contrast",
        "estimate",
        "std_error",
        "df",
        "statistic",
        "p_value",
        "ci_low",
        "ci_high",
    ]
    n = table.groupby("water").size()
    spread = np.sqrt(fit.variances["residual"] / n.to_numpy())
    np.testing.assert_allclose(means["std_error"], spread)
    half = spread * student.ppf(0.975, len(table) - 2)
    np.testing.assert_allclose(means["ci_high"] - means["estimate"], half)


def test_observed_weights_count_rows(table):
    table = table.iloc[:-5]
    fit = fit_mixed(table, "y ~ water + mill")
    cells = fit.means("water:mill").set_index("level")["estimate"]
    shares = table["mill"].value_counts(normalize=True)
    wanted = sum(cells[f"tap:{m}"] * shares[m] for m in "uvw")
    found = fit.means("water", weights="observed").set_index("level").loc["tap", "estimate"]
    assert found == pytest.approx(wanted)
    equal = fit.means("water").set_index("level").loc["tap", "estimate"]
    assert equal == pytest.approx(np.mean([cells[f"tap:{m}"] for m in "uvw"]))
    assert equal != pytest.approx(found)


def test_at_holds_numbers_and_levels(table):
    fit = fit_mixed(table, "y ~ water * x + mill", random=["batch"])
    line = fit.coefficients.set_index(["term", "level"])["estimate"]
    low, high = (
        fit.means("water", at={"x": x}).set_index("level").loc["tap", "estimate"] for x in (10, 20)
    )
    slope = line["x", ""] - line["water:x", "bottled"]
    assert (high - low) / 10 == pytest.approx(slope)
    both = fit.means("water:x", at={"x": [10, 20]})
    assert both["level"].tolist() == ["bottled:10", "bottled:20", "tap:10", "tap:20"]
    assert both["estimate"][3] == pytest.approx(high)
    one = fit.means("water", at={"mill": "v"})
    assert one["estimate"][0] == pytest.approx(
        fit.means("water:mill").set_index("level").loc["bottled:v", "estimate"]
    )
    some = fit.contrasts("mill", at={"mill": ["u", "w"]})
    assert some["contrast"].tolist() == ["u - w"]


def test_pairs_are_differences_of_means_with_labels(table):
    fit = fit_mixed(table, "y ~ water + mill", random=["batch"])
    pairs = fit.contrasts("mill")
    means = fit.means("mill").set_index("level")["estimate"]
    assert pairs["contrast"].tolist() == ["u - v", "u - w", "v - w"]
    assert pairs["estimate"][1] == pytest.approx(means["u"] - means["w"])
    assert pairs.attrs == {"adjust": "tukey", "family": "3 contrasts"}
    single = fit.contrasts("water")
    plain = fit.contrasts("water", adjust="none")
    np.testing.assert_allclose(single["p_value"], plain["p_value"], rtol=1e-8)
    np.testing.assert_allclose(single["ci_low"], plain["ci_low"], rtol=1e-7)


def test_holm_and_bonferroni_follow_their_rules(table):
    fit = fit_mixed(table, "y ~ mill", random=["batch"])
    raw = fit.contrasts("mill", adjust="none")["p_value"].to_numpy()
    holm = fit.contrasts("mill", adjust="holm")
    order = np.argsort(raw)
    stepped = np.maximum.accumulate(raw[order] * [3, 2, 1]).clip(max=1)
    np.testing.assert_allclose(holm["p_value"].to_numpy()[order], stepped)
    plain = fit.contrasts("mill", adjust="bonferroni")
    np.testing.assert_allclose(plain["p_value"], np.minimum(1, 3 * raw))
    quantile = student.ppf(1 - 0.025 / 3, plain["df"])
    np.testing.assert_allclose(plain["ci_high"] - plain["estimate"], quantile * plain["std_error"])
    np.testing.assert_allclose(plain["ci_high"], holm["ci_high"])


def test_dunnett_intervals_match_their_p_values(table):
    fit = fit_mixed(table, "y ~ mill", random=["batch"])
    first = fit.contrasts("mill", reference="u").iloc[0]
    level = 1 - first["p_value"]
    edge = fit.contrasts("mill", reference="u", level=level).iloc[0]
    ends = [abs(edge["ci_low"]), abs(edge["ci_high"])]
    assert min(ends) == pytest.approx(0, abs=1e-6 * max(ends))


def test_tukey_intervals_match_their_p_values(table):
    fit = fit_mixed(table, "y ~ mill", random=["batch"])
    for i, row in fit.contrasts("mill").iterrows():
        edge = fit.contrasts("mill", level=1 - row["p_value"]).iloc[i]
        ends = [abs(edge["ci_low"]), abs(edge["ci_high"])]
        assert min(ends) == pytest.approx(0, abs=1e-6 * max(ends))


def test_own_vectors_and_simple_effects(table):
    fit = fit_mixed(table, "y ~ water * mill", random=["batch"])
    means = fit.means("mill").set_index("level")["estimate"]
    own = fit.contrasts("mill", method={"u against the rest": [1, -0.5, -0.5]})
    assert own["estimate"][0] == pytest.approx(means["u"] - (means["v"] + means["w"]) / 2)
    within = fit.contrasts("water", by="mill")
    cells = fit.means("water:mill").set_index("level")["estimate"]
    assert within["level"].tolist() == ["u", "v", "w"]
    assert within["estimate"][2] == pytest.approx(cells["bottled:w"] - cells["tap:w"])
    assert within.attrs["family"] == "1 contrasts per group"
    with pytest.raises(InputError) as caught:
        fit.contrasts("mill", method={"short": [1, -1]})
    assert str(caught.value) == "Own contrasts need 3 numbers each, one per level: u, v, w."


def test_simple_effects_are_squared_t_tests_for_two_levels(table):
    fit = fit_mixed(table, "y ~ water * mill", random=["batch"])
    found = fit.simple_effects("water", by="mill")
    pairs = fit.contrasts("water", by="mill", adjust="none")
    assert found["level"].tolist() == ["u", "v", "w"]
    np.testing.assert_allclose(found["statistic"], pairs["statistic"] ** 2)
    np.testing.assert_allclose(found["p_value"], pairs["p_value"])
    np.testing.assert_allclose(found["df_den"], pairs["df"])
    across = fit.simple_effects("mill", by="water")
    assert across["df_num"].tolist() == [2, 2]
    assert across["p_value"].between(0, 1).all()


def test_linear_combinations_use_the_coefficients_shown(table):
    for coding in ("sum", "treatment"):
        fit = fit_mixed(table, "y ~ water + mill", random=["batch"], coding=coding)
        shown = fit.coefficients
        found = fit.linear({"first": [1, 0, 0, 0], "mixed": [0, 1, -1, 2]})
        values = shown["estimate"].to_numpy()
        np.testing.assert_allclose(
            found["estimate"], [values[0], values[1] - values[2] + 2 * values[3]]
        )
        assert found["std_error"][0] == pytest.approx(shown["std_error"][0])


def test_slopes_of_lines_and_parabolas(table):
    fit = fit_mixed(table, "y ~ x + I(x**2)", random=["batch"])
    b = fit.coefficients["estimate"].to_numpy()
    found = fit.slope("x", at={"x": 12})
    assert found["estimate"][0] == pytest.approx(b[1] + 24 * b[2], rel=1e-6)
    other = fit_mixed(table, "y ~ poly(x, 2)", random=["batch"])
    assert other.slope("x", at={"x": 12})["estimate"][0] == pytest.approx(
        found["estimate"][0], rel=1e-6
    )
    assert other.slope("x", at={"x": 12})["std_error"][0] == pytest.approx(
        found["std_error"][0], rel=1e-6
    )
    assert other.reml_criterion != pytest.approx(fit.reml_criterion)  # depends on the columns
    np.testing.assert_allclose(other.variances, fit.variances, rtol=1e-8)
    apart = fit_mixed(table, "y ~ water * x", random=["batch"]).slope("x", by="water")
    assert apart["level"].tolist() == ["bottled", "tap"]
    assert apart["contrast"].tolist() == ["slope", "slope"]


def test_interactions_with_a_number_say_where_factors_are_tested(table):
    fit = fit_mixed(table, "y ~ water * x")
    assert fit.notes == (
        "With water:x in the model, tests of its factors are made where x is 0; "
        "subtract a typical value from x to test there.",
    )


def test_polynomial_contrasts_follow_fisher_and_yates():
    # Fisher & Yates, Statistical Tables, table of orthogonal polynomials, n = 3 to 6 (from memory).
    tables = {
        3: [[-1, 0, 1], [1, -2, 1]],
        5: [[-2, -1, 0, 1, 2], [2, -1, -2, -1, 2], [-1, 2, 0, -2, 1], [1, -4, 6, -4, 1]],
        6: [[-5, -3, -1, 1, 3, 5], [5, -1, -4, -4, -1, 5], [-5, 7, 4, -4, -7, 5]],
    }
    for k, rows in tables.items():
        found = polynomial_contrasts([str(8 * i) for i in range(k)])
        np.testing.assert_allclose(found[: len(rows)], rows, atol=1e-9)
    uneven = polynomial_contrasts(["4", "8", "24"])
    assert uneven[0] @ [4, 8, 24] > 0
    np.testing.assert_allclose(uneven @ np.ones(3), 0, atol=1e-12)
    np.testing.assert_allclose(uneven[1] @ [4, 8, 24], 0, atol=1e-12)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda fit: fit.means("wter"),
            "Model: Factor 'wter' is not known. Did you mean 'water'? Known: mill, water.",
        ),
        (
            lambda fit: fit.contrasts("water", reference="soft"),
            "Level 'soft' is not known. Known: bottled, tap.",
        ),
        (
            lambda fit: fit.means("water", at={"mill": "q"}),
            "Model: Level of mill 'q' is not known. Known: u, v, w.",
        ),
        (
            lambda fit: fit.contrasts("water", adjust="scheffe"),
            "Adjustment 'scheffe' is not known. Known: bonferroni, dunnett, holm, none, tukey.",
        ),
        (
            lambda fit: fit.slope("z"),
            "Model: Number 'z' is not known. Known: x.",
        ),
    ],
)
def test_unknown_names_are_refused(table, call, message):
    fit = fit_mixed(table, "y ~ water + mill + x")
    with pytest.raises(UnknownName) as caught:
        call(fit)
    assert str(caught.value) == message


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda fit: fit.means("x"),
            "'x' is a number in this model. Say where its means are wanted, as in "
            "at={'x': [8, 24]}, or ask for fit.slope('x').",
        ),
        (
            lambda fit: fit.means("water", weights="some"),
            "weights='some' is not known. Use 'equal' or 'observed'.",
        ),
        (
            lambda fit: fit.means("water", level=95),
            "level=95 lies outside 0 to 1. For 95 % ranges write 0.95.",
        ),
        (
            lambda fit: fit.contrasts("mill", method="poly", adjust="tukey"),
            "adjust='tukey' is for all pairs. Use 'dunnett', 'holm' or 'none' here.",
        ),
        (
            lambda fit: fit.anova(df="wald"),
            "df='wald' is not known. Use 'kenward-roger' or 'satterthwaite'.",
        ),
        (
            lambda fit: fit.anova(type=4),
            "type=4 is not known. Use 3 (each given all), 2 (all that do not contain it) or 1 "
            "(sequential).",
        ),
    ],
)
def test_wrong_requests_say_what_would_be_right(table, call, message):
    fit = fit_mixed(table, "y ~ water + mill + x")
    with pytest.raises(InputError) as caught:
        call(fit)
    assert str(caught.value) == message


def test_a_family_of_pairs_has_every_pair_once():
    family = build_family(["a", "b", "c", "d"], "pairs", None)
    assert len(family.labels) == 6
    np.testing.assert_allclose(family.matrix.sum(axis=1), 0)


@pytest.mark.parametrize("adjust", ["tukey", "holm"])
def test_next_to_no_degrees_of_freedom_tell_nothing(adjust):
    # Limit: as the degrees of freedom go to zero, p goes to 1 and the range has no end.
    family = build_family(["a", "b", "c"], "pairs", None)
    tests = TTests(np.ones(3), np.ones(3), np.array([8.0, 1e-5, 1e-12]), np.full(3, 4.0),
                   np.full(3, 0.01), np.eye(3))  # fmt: skip
    p, factor = adjust_tests(tests, family, adjust, level=0.95)
    assert 0 < p[0] < 1 and np.isfinite(factor[0])
    assert p[1:].tolist() == [1.0, 1.0] and np.isposinf(factor[1:]).all()
