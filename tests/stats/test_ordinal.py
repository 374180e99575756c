"""Ordinal mixed model: identities, direct integration, recovery, and what users get to read."""

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad
from scipy.special import expit
from scipy.stats import norm

from doughlab.errors import InputError, MissingRecords, NotEstimable, UnknownName
from doughlab.stats.cumulative import Problem, _Likelihood
from doughlab.stats.ordinal import fit_ordinal


def panel(seed: int = 1, *, judges: int = 8, units: int = 12, step: float = 1.0) -> pd.DataFrame:
    """Simulate scores 1 to 5: judges and units random (sd 1 and 0.5), one two-level factor."""
    rng = np.random.default_rng(seed)
    judge = np.tile(np.arange(judges), units)
    unit = np.repeat(np.arange(units), judges)
    kind = unit % 2
    eta = step * kind + rng.standard_normal(judges)[judge] + 0.5 * rng.standard_normal(units)[unit]
    score = np.searchsorted([-2.0, -0.5, 1.0, 2.5], eta + rng.logistic(size=eta.size)) + 1
    return pd.DataFrame(
        {"score": score, "kind": np.where(kind, "new", "old"), "judge": judge, "unit": unit}
    )


def small_problem(nodes: int = 1) -> Problem:
    data = panel(3)
    x = (data["kind"] == "new").to_numpy(float)[:, None]
    codes = data["judge"].to_numpy(np.int64)
    y = data["score"].to_numpy(np.int64) - 1
    return Problem(y, x, (codes,), (8,), nodes)


def test_many_nodes_are_the_integral_itself():
    problem = small_problem(30)
    theta, beta, sd = np.array([-2.2, -0.4, 0.9, 2.6]), np.array([0.8]), 1.3
    psi = np.concatenate([theta[:1], np.log(np.diff(theta)), beta, [sd]])
    ends = np.concatenate([[-np.inf], theta, [np.inf]])
    total = 0.0
    for j in range(8):
        rows = problem.groups[0] == j
        y, fixed = problem.y[rows], problem.matrix[rows] @ beta

        def joint(v: float, y=y, fixed=fixed) -> float:
            eta = fixed + sd * v
            return float(np.prod(expit(ends[y + 1] - eta) - expit(ends[y] - eta)) * norm.pdf(v))

        total += np.log(quad(joint, -9, 9, epsabs=0, epsrel=1e-11, limit=200)[0])
    assert _Likelihood(problem).value(psi) == pytest.approx(total, abs=1e-8)


def check_gradient(problem: Problem, psi: np.ndarray) -> None:
    likelihood = _Likelihood(problem)
    slopes = likelihood.gradient(psi)
    for i in range(psi.size):
        move = np.zeros(psi.size)
        move[i] = 1e-5
        numeric = (likelihood.value(psi + move) - likelihood.value(psi - move)) / 2e-5
        assert slopes[i] == pytest.approx(numeric, abs=1e-6)


def test_gradient_is_exact_for_crossed_terms():
    data = panel(4)
    x = (data["kind"] == "new").to_numpy(float)[:, None]
    groups = (data["judge"].to_numpy(np.int64), data["unit"].to_numpy(np.int64))
    y = data["score"].to_numpy(np.int64) - 1
    psi = np.array([-1.8, 0.3, 0.5, 0.4, 0.7, 0.9, 0.4])
    check_gradient(Problem(y, x, groups, (8, 12)), psi)


@pytest.mark.parametrize("nodes", [1, 2, 5, 11])
def test_gradient_is_exact_for_any_number_of_nodes(nodes):
    check_gradient(small_problem(nodes), np.array([-1.8, 0.3, 0.5, 0.4, 0.7, 0.9]))


def test_one_node_is_laplace_for_a_single_term():
    data = panel(5)
    laplace = fit_ordinal(data, "score ~ kind", random=["judge"])
    nodes = fit_ordinal(data, "score ~ kind", random=["judge"], quadrature=2)
    assert laplace.method == "Laplace"
    assert nodes.method == "adaptive Gauss-Hermite, 2 nodes"
    assert nodes.log_likelihood != pytest.approx(laplace.log_likelihood, abs=1e-6)
    assert nodes.variances["judge"] == pytest.approx(laplace.variances["judge"], rel=0.1)


def test_truth_is_recovered_from_a_large_panel():
    # truth: step 1, variances 1 and 0.25, seed 6; bands of about three standard errors
    data = panel(6, judges=20, units=60)
    fit = fit_ordinal(data, "score ~ kind", random=["judge", "unit"])
    row = fit.coefficients.iloc[0]
    assert row["level"] == "old"  # treatment coding counts from the first level, "new"
    assert row["estimate"] == pytest.approx(-1.0, abs=3 * row["std_error"])
    assert fit.variances["judge"] == pytest.approx(1.0, abs=0.85)
    assert fit.variances["unit"] == pytest.approx(0.25, abs=0.2)
    assert fit.maximum.gradient < 1e-6


@pytest.mark.slow
def test_likelihood_ratio_keeps_its_level():
    # truth: no step; 40 panels with random judges and units, seed 1000 on; band of three
    # simulation errors about a nominal 5 %. (400 panels gave 4.25 %, and 10.75 % of a nominal 10.)
    hits = 0
    for seed in range(1000, 1040):
        data = panel(seed, judges=6, units=8, step=0.0)
        table = fit_ordinal(data, "score ~ kind", random=["judge", "unit"]).drop_terms()
        hits += table["p_value"].iloc[0] < 0.05
    assert hits / 40 <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 40)


def test_renaming_reordering_and_relabelling_change_nothing():
    data = panel(7)
    base = fit_ordinal(data, "score ~ kind", random=["judge"])
    shuffled = data.sample(frac=1, random_state=2).assign(
        score=lambda d: 10 * d["score"] + 7, judge=lambda d: "J" + d["judge"].astype(str)
    )
    other = fit_ordinal(shuffled, "score ~ kind", random=["judge"])
    assert other.log_likelihood == pytest.approx(base.log_likelihood, abs=1e-9)
    assert other.variances["judge"] == pytest.approx(base.variances["judge"], abs=1e-7)
    assert other.categories == ("17", "27", "37", "47", "57")


def test_turning_the_scale_round_turns_the_signs():
    data = panel(8)
    base = fit_ordinal(data, "score ~ kind", random=["judge"])
    turned = fit_ordinal(data.assign(score=6 - data["score"]), "score ~ kind", random=["judge"])
    assert turned.coefficients["estimate"].iloc[0] == pytest.approx(
        -base.coefficients["estimate"].iloc[0], abs=1e-7
    )
    assert turned.thresholds["estimate"].tolist() == pytest.approx(
        (-base.thresholds["estimate"].iloc[::-1]).tolist(), abs=1e-7
    )


def test_scaling_a_covariate_scales_its_coefficient():
    data = panel(9).assign(hours=lambda d: d["unit"] * 4.0)
    base = fit_ordinal(data, "score ~ hours", random=["judge"]).coefficients.iloc[0]
    days = fit_ordinal(data.assign(hours=data["hours"] / 24e3), "score ~ hours", random=["judge"])
    assert days.coefficients["estimate"].iloc[0] == pytest.approx(24e3 * base["estimate"], rel=1e-7)
    assert days.coefficients["std_error"].iloc[0] == pytest.approx(
        24e3 * base["std_error"], rel=1e-6
    )


def test_ordered_text_and_numbers_give_the_same_fit():
    data = panel(10)
    words = ["poor", "fair", "good", "fine", "great"]
    text = pd.Categorical([words[s - 1] for s in data["score"]], categories=words, ordered=True)
    base = fit_ordinal(data, "score ~ kind", random=["judge"])
    other = fit_ordinal(data.assign(score=text), "score ~ kind", random=["judge"])
    assert other.log_likelihood == pytest.approx(base.log_likelihood, abs=1e-10)
    assert other.categories == tuple(words)


def test_shares_add_up_and_average_over_judges_by_integration():
    fit = fit_ordinal(panel(11), "score ~ kind", random=["judge", "unit"])
    rows = pd.DataFrame({"kind": ["old", "new"]})
    shares = fit.predict_shares(rows)
    assert shares.columns.tolist() == list(fit.categories)
    assert shares.sum(axis=1).tolist() == pytest.approx([1.0, 1.0], abs=1e-12)
    sd = np.sqrt(fit.variances.sum())
    cut, beta = fit.thresholds["estimate"].iloc[0], fit.coefficients["estimate"].iloc[0]
    for i, eta in enumerate([beta, 0.0]):
        want = quad(lambda u, e=eta: expit(cut - e - sd * u) * norm.pdf(u), -9, 9)[0]
        assert shares.iloc[i, 0] == pytest.approx(want, abs=1e-8)
    typical = fit.predict_shares(rows, average=False)
    assert typical.iloc[0, 0] == pytest.approx(expit(cut - beta), abs=1e-12)


def test_predicted_shares_match_observed_ones_without_random_terms():
    # a saturated model reproduces each group's mean position closely; here the marginal score
    # equations make the overall expected counts equal the observed ones
    data = panel(12)
    fit = fit_ordinal(data, "score ~ kind")
    shares = fit.predict_shares(data[["kind"]])
    observed = data["score"].value_counts(normalize=True).sort_index().to_numpy()
    assert shares.mean().to_numpy() == pytest.approx(observed, abs=0.02)


def test_terms_inside_an_interaction_are_not_dropped():
    data = panel(13).assign(hold=lambda d: np.where(d["unit"] % 3 == 0, "short", "long"))
    table = fit_ordinal(data, "score ~ kind * hold", random=["judge"]).drop_terms()
    assert table["term"].tolist() == ["kind:hold"]
    assert table.columns.tolist() == ["term", "df", "statistic", "p_value"]


def test_a_variance_at_zero_is_zero_and_said():
    data = panel(14).assign(coin=lambda d: d.index % 3)
    balanced = data.assign(score=data["score"].iloc[0] + data["unit"] % 3)
    fit = fit_ordinal(balanced, "score ~ kind", random=["judge"])
    assert fit.variances["judge"] == 0.0
    assert "The variance of 'judge' is estimated as 0." in fit.notes


def test_floor_ceiling_and_blanks_are_noted():
    data = panel(15, step=0.0).astype({"score": float})
    data.loc[data["score"] > 2, "score"] = 5.0
    data.loc[3, "score"] = np.nan
    fit = fit_ordinal(data, "score ~ kind", random=["judge"])
    text = " ".join(fit.notes)
    assert "1 row with a blank was left out." in fit.notes
    assert "% of the scores stand at the top of the scale (5): a ceiling hides" in text


def test_complete_separation_is_named_and_given_no_range():
    data = pd.DataFrame(
        {"score": [1, 1, 2, 2, 3, 3, 3, 3], "kind": list("aaaabbbb"), "judge": [1, 2] * 4}
    )
    fit = fit_ordinal(data, "score ~ kind", random=["judge"])
    row = fit.coefficients.iloc[0]
    assert row["estimate"] == np.inf
    assert np.isnan(row["std_error"])
    assert any("'kind' separates the categories completely" in note for note in fit.notes)
    # saturated against one common distribution: 2 * sum n log(share ratio)
    want = 2 * (4 * np.log(0.5) + 4 * np.log(1.0) - (4 * np.log(0.25) + 4 * np.log(0.5)))
    assert fit.drop_terms()["statistic"].iloc[0] == pytest.approx(want, abs=1e-4)


def test_a_column_that_cannot_be_told_apart_is_left_out_and_named():
    data = panel(16).assign(twin=lambda d: d["kind"] + "!")
    fit = fit_ordinal(data, "score ~ kind + twin", random=["judge"])
    assert fit.coefficients["term"].tolist() == ["kind"]
    assert any("columns of 'twin' cannot be told from other terms" in note for note in fit.notes)


def test_a_setting_that_never_occurred_is_refused():
    data = panel(17).assign(hold=lambda d: np.where(d["unit"] % 4 == 1, "long", "short"))
    fit = fit_ordinal(data, "score ~ kind * hold", random=["judge"])
    with pytest.raises(NotEstimable, match="row 2: this combination did not occur"):
        fit.predict_shares(pd.DataFrame({"kind": ["new", "old"], "hold": ["long", "long"]}))


def test_judge_effects_are_named_and_shrunk():
    fit = fit_ordinal(panel(18), "score ~ kind", random=["judge"])
    table = fit.effects("judge")
    assert table.columns.tolist() == ["term", "level", "estimate", "std_error"]
    assert len(table) == 8
    assert (table["std_error"] < np.sqrt(fit.variances["judge"])).all()
    with pytest.raises(UnknownName, match="Random term 'oven' is not known"):
        fit.effects("oven")


def test_text_of_a_fit_is_short_and_the_same_as_its_page():
    data = panel(19).assign(a=lambda d: d["unit"].astype(str))
    fit = fit_ordinal(data, "score ~ a", random=["judge"])
    lines = str(fit).splitlines()
    assert len(lines) <= 15
    assert max(map(len, lines)) <= 80
    assert lines[0] == "96 scores in 5 categories, Laplace"
    assert fit._repr_html_() == f"<pre>{str(fit).replace(chr(39), '&#x27;')}</pre>"
    assert "score ~ a; random: judge; cumulative logit" in fit.how


def test_wrong_input_is_named():
    data = panel(20)
    with pytest.raises(InputError, match="thresholds take the place of the intercept"):
        fit_ordinal(data, "score ~ 0 + kind")
    with pytest.raises(InputError, match="quadrature=5 needs exactly one random term; there are 2"):
        fit_ordinal(data, "score ~ kind", random=["judge", "unit"], quadrature=5)
    with pytest.raises(InputError, match="give a whole number from 1 to 50"):
        fit_ordinal(data, "score ~ kind", random=["judge"], quadrature=0)
    with pytest.raises(UnknownName, match="Column 'scroe' is not known"):
        fit_ordinal(data, "scroe ~ kind")
    with pytest.raises(InputError, match="for example 'fine'"):
        fit_ordinal(data.assign(score="fine"), "score ~ kind")
    with pytest.raises(InputError, match="without an order"):
        fit_ordinal(data.assign(score=pd.Categorical(data["score"])), "score ~ kind")
    with pytest.raises(InputError, match="All scores are 3"):
        fit_ordinal(data.assign(score=3), "score ~ kind")
    with pytest.raises(MissingRecords, match="No score is entered in 'score'"):
        fit_ordinal(data.assign(score=np.nan), "score ~ kind")
    with pytest.raises(InputError, match="must be a column, not a calculation"):
        fit_ordinal(data, "log(score) ~ kind")
