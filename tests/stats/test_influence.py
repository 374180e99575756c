"""Leaving groups out: the fits are those made by hand, and what goes with a group is said."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import t as student

from doughlab.errors import InputError, UnknownName
from doughlab.stats import fit_mixed
from doughlab.stats.design import take_rows
from doughlab.stats.influence import ABOVE, BELOW, NOT_ESTIMABLE, NOT_SHOWN, omit_groups

NUMBERS = ["estimate", "std_error", "df", "statistic", "p_value", "ci_low", "ci_high"]


def make_table(seed, *, batches=12, balls=3, sd_batch=0.2):
    """Batches on three days, two doses, a number per ball, some balls lost."""
    rng = np.random.default_rng(seed)
    batch = np.repeat(np.arange(batches), balls * 2)
    data = pd.DataFrame(
        {
            "batch": [f"B{b:02d}" for b in batch],
            "day": [f"d{b % 3}" for b in batch],
            "dose": np.array(["low", "mid", "high"])[batch // 3 % 3],
            "hold": np.tile(np.repeat(["early", "late"], balls), batches),
            "x": rng.normal(2.0, 1.0, len(batch)),
            "judge": rng.choice(["J1", "J2", "J3"], len(batch)),
        }
    )
    y = rng.normal(size=batches)[batch] * sd_batch + rng.normal(size=len(batch)) * 0.1
    data["y"] = 5.5 + 0.2 * (data["dose"] == "high") + 0.03 * data["x"] + y
    return data.drop(index=rng.choice(len(batch), 5, replace=False))


def assert_same_fit(found, wanted):
    """Everything that two fits of the same rows must agree on."""
    np.testing.assert_allclose(found.variances, wanted.variances, rtol=1e-8, atol=1e-12)
    assert list(found.variances.index) == list(wanted.variances.index)
    assert found.criterion == pytest.approx(wanted.criterion, rel=1e-10)
    pd.testing.assert_frame_equal(found.anova(), wanted.anova(), rtol=1e-8, atol=1e-12)
    pd.testing.assert_frame_equal(found.coefficients, wanted.coefficients, rtol=1e-8, atol=1e-10)
    assert found.not_estimable == wanted.not_estimable


@settings(max_examples=8, deadline=None)
@given(
    st.integers(0, 10**6),
    st.sampled_from(["batch", "day", "dose", "judge", "hold"]),
    st.sampled_from([("reml", False), ("ml", False), ("reml", True)]),
)
def test_a_group_left_out_is_a_fit_of_the_other_rows(seed, group, way):
    data = make_table(seed)
    formula, random = "y ~ day + dose * hold + x", ["batch", "batch:hold"]
    method, negative = way
    options = {"random": random, "method": method, "allow_negative": negative}
    found = fit_mixed(data, formula, **options).influence(group, data=data)
    assert [o.level for o in found.omissions] == sorted(data[group].unique())
    for omission in found.omissions:
        rest = data[data[group] != omission.level]
        assert omission.n == len(data) - len(rest)
        assert_same_fit(omission.fit, fit_mixed(rest, formula, **options))


def test_contrasts_and_means_are_those_made_by_hand():
    data = make_table(3)
    fit = fit_mixed(data, "y ~ day + dose * hold + x", random=["batch"])
    found = omit_groups(fit, "batch")
    at = {"x": data["x"].mean()}
    pairs, means = found.contrasts("dose", reference="low"), found.means("dose:hold")
    whole = fit.contrasts("dose", reference="low")
    for name in data["batch"].unique():
        hand = fit_mixed(data[data["batch"] != name], "y ~ day + dose * hold + x", random=["batch"])
        own = pairs[pairs["without"] == name]
        wanted = hand.contrasts("dose", reference="low", at=at)
        np.testing.assert_allclose(own[NUMBERS], wanted[NUMBERS], rtol=1e-8)
        shift = wanted["estimate"] - whole["estimate"]
        np.testing.assert_allclose(own["change"], shift, atol=1e-12)
        np.testing.assert_allclose(own["share"], shift / whole["std_error"], atol=1e-10)
        wanted = hand.means("dose:hold", at=at)
        np.testing.assert_allclose(
            means.loc[means["without"] == name, NUMBERS], wanted[NUMBERS], rtol=1e-8
        )
    first = ["without", "term", "level", "contrast", *NUMBERS]
    assert list(pairs.columns) == [*first, "change", "share", "before", "after", "changed"]
    assert list(means.columns) == [*first, "change", "share"]


def test_one_way_regression_has_the_distances_of_statsmodels():
    """Without random terms and one row per group these are Cook's own distances."""
    from statsmodels.regression.linear_model import OLS

    rng = np.random.default_rng(5)
    data = pd.DataFrame({"x": rng.normal(size=14), "z": rng.normal(size=14) * 1e4})
    data["y"] = 1.0 + data["x"] - 1e-4 * data["z"] + rng.normal(size=14)
    data["row"] = [f"r{i:02d}" for i in range(14)]
    found = fit_mixed(data, "y ~ x + z").influence("row", data=data)
    design = np.column_stack([np.ones(14), data["x"], data["z"]])
    influence = OLS(data["y"].to_numpy(), design).fit().get_influence()
    wanted = influence.cooks_distance[0]
    np.testing.assert_allclose(found.table["statistic"], wanted, rtol=1e-8)
    assert found.table["df_num"].tolist() == [3] * 14
    assert found.table["n"].tolist() == [1] * 14
    changes = [fit.coefficients["estimate"].to_numpy() for fit in (o.fit for o in found.omissions)]
    whole = found.whole.coefficients["estimate"].to_numpy()
    np.testing.assert_allclose(whole - np.array(changes), influence.dfbeta, rtol=1e-7, atol=1e-12)


def test_distance_does_not_depend_on_coding_shift_or_scale():
    data = make_table(8)
    one = fit_mixed(data, "y ~ dose * hold + x", random=["batch"]).influence("batch")
    moved = data.assign(y=data["y"] * 50.0 + 1e4, x=data["x"] * 1e3)
    moved["dose"] = pd.Categorical(moved["dose"], ["mid", "high", "low"])
    two = fit_mixed(moved, "y ~ dose * hold + x", random=["batch"], coding="treatment")
    np.testing.assert_allclose(
        two.influence("batch").table["statistic"], one.table["statistic"], rtol=1e-6
    )


def test_distance_where_a_level_goes_is_over_what_both_fits_estimate():
    """By hand: without day d2 the other days' cell means are compared."""
    data = make_table(2)
    fit = fit_mixed(data, "y ~ day", random=["batch"])
    found = fit.influence("day")
    row = found.table.set_index("level").loc["d2"]
    rest = fit_mixed(data[data["day"] != "d2"], "y ~ day", random=["batch"])
    apart = fit.means("day")["estimate"][:2].to_numpy() - rest.means("day")["estimate"].to_numpy()
    matrix = np.array([[1.0, 1.0, 0.0], [1.0, 0.0, 1.0]])
    turned, good = fit.coordinates.convert(matrix)
    assert good.all()
    covariance = turned @ fit.moments.phi @ turned.T * fit.scale**2
    assert row["df_num"] == 2
    assert row["statistic"] == pytest.approx(apart @ np.linalg.solve(covariance, apart) / 2)
    assert "Without a level of day means are over its other levels." in found.notes


def test_a_level_that_goes_with_its_group_is_not_estimable():
    data = make_table(1)
    data = data[(data["dose"] != "mid") | (data["batch"] == "B03")]
    fit = fit_mixed(data, "y ~ dose", random=["batch"])
    found = fit.influence("batch")
    table = found.contrasts("dose").set_index(["without", "contrast"])
    assert "Without B03 no row has dose mid; means are over the rest." in found.notes
    assert table.loc[("B03", "low - mid"), "after"] == NOT_ESTIMABLE
    assert table.loc[("B03", "low - mid"), "changed"]
    assert np.isnan(table.loc[("B03", "low - mid"), NUMBERS].to_numpy(float)).all()
    assert np.isfinite(table.loc[("B03", "high - low"), "estimate"])
    own = found.contrasts("dose", method={"bow": [1.0, -2.0, 1.0]}).set_index("without")
    assert own.loc["B03", "after"] == NOT_ESTIMABLE
    assert np.isfinite(own.loc["B00", "estimate"])
    against = found.contrasts("dose", reference="mid").set_index("without")
    assert (against.loc["B03", "after"] == NOT_ESTIMABLE).all()


def test_nothing_left_is_a_reason_and_no_failure():
    data = pd.DataFrame({"y": [1.0, 2.0, 4.0, 4.5], "g": ["a", "a", "b", "b"]})
    data["x"] = [0.0, 0.0, 1.0, 2.0]
    found = fit_mixed(data, "y ~ x").influence("g", data=data)
    table = found.table.set_index("level")
    assert found.omissions[0].fit is None
    assert np.isnan(table.loc["a", "statistic"])
    assert found.notes[0].startswith("Without a: ")
    answers = found.means("x", at={"x": [0.5]})
    assert answers["estimate"].isna().tolist() == [True, True]
    assert found.variances["estimate"].isna().any()
    assert str(found).splitlines()[0] == "without one g of 2 at a time, Cook's distance:"
    assert len(str(found).splitlines()) <= 15


def test_which_group_changes_a_conclusion():
    """One batch hides the difference; leaving it out shows it."""
    y = [5.0, 5.1, 5.0, 5.1, 5.0, 5.1, 5.2, 5.3, 5.2, 5.3, 5.2, 5.3, 5.6, 5.7]
    batch = np.repeat([f"B{i}" for i in range(1, 8)], 2)
    data = pd.DataFrame({"y": y, "batch": batch, "dose": ["a"] * 6 + ["b"] * 8})
    means = data.groupby("batch")["y"].mean()
    # Two samples of batch means, spread pooled over 5 degrees of freedom: p is 0.052.
    pooled = ((means[:3] - means[:3].mean()) ** 2).sum() + (
        (means[3:] - means[3:].mean()) ** 2
    ).sum()
    statistic = (means[3:].mean() - means[:3].mean()) / np.sqrt(pooled / 5 * (1 / 3 + 1 / 4))
    assert 2 * student.sf(statistic, 5) == pytest.approx(0.0522, abs=5e-5)
    found = fit_mixed(data, "y ~ dose", random=["batch"]).influence("batch")
    table = found.contrasts("dose")
    assert set(table["before"]) == {NOT_SHOWN}
    assert table.loc[table["changed"], ["without", "after"]].to_numpy().tolist() == [["B7", BELOW]]
    judged = found.contrasts("dose", margin=0.1).set_index("without")
    assert (judged.loc["B1", "before"], judged.loc["B7", "after"]) == ("not settled", "matters")
    flipped = fit_mixed(data.assign(y=-data["y"]), "y ~ dose", random=["batch"])
    other = flipped.influence("batch").contrasts("dose")
    assert other.loc[other["changed"], "after"].tolist() == [ABOVE]


def test_variances_without_each_group():
    data = make_table(4)
    fit = fit_mixed(data, "y ~ dose", random=["batch"])
    table = fit.influence("batch").variances
    assert len(table) == 24
    own = table[(table["without"] == "B05") & (table["term"] == "batch")].iloc[0]
    hand = fit_mixed(data[data["batch"] != "B05"], "y ~ dose", random=["batch"]).variances
    assert own["estimate"] == pytest.approx(hand["batch"], rel=1e-8)
    assert own["change"] == pytest.approx(hand["batch"] - fit.variances["batch"], rel=1e-8)


def test_blank_groups_stay_and_are_counted():
    data = make_table(6)
    data["tank"] = np.where(data["batch"] < "B04", "T1", "T2")
    data["tank"] = data["tank"].where(data["batch"] != "B07")
    found = fit_mixed(data, "y ~ dose", random=["batch"]).influence("tank", data=data)
    blank = int(data["tank"].isna().sum())
    assert found.notes[0] == f"{blank} rows are in no tank and stayed in every fit."
    assert found.table["n"].sum() == len(data) - blank


def test_polynomials_are_made_anew_from_the_rows_left():
    data = make_table(9)
    fit = fit_mixed(data, "y ~ poly(x, 2) + dose", random=["batch"])
    rest = data["batch"] != "B02"
    design = take_rows(fit.design, np.flatnonzero(rest))
    hand = fit_mixed(data[rest], "y ~ poly(x, 2) + dose", random=["batch"])
    np.testing.assert_allclose(design.matrix, hand.design.matrix, atol=1e-12)


def test_many_groups_take_the_short_way(monkeypatch):
    from doughlab.stats import fit as module
    from doughlab.stats.grouped import GroupedReduction

    data = make_table(7, batches=24)
    dense = fit_mixed(data, "y ~ dose + x", random=["batch"]).influence("batch")
    monkeypatch.setattr(module, "LEAST_LEVELS", 10)
    short = fit_mixed(data, "y ~ dose + x", random=["batch"]).influence("batch")
    assert isinstance(short.omissions[0].fit.prepared.reduction, GroupedReduction)
    np.testing.assert_allclose(short.table["statistic"], dense.table["statistic"], rtol=1e-6)


@pytest.mark.parametrize(
    ("group", "error", "words"),
    [
        ("batcg", UnknownName, "Did you mean 'batch'?"),
        ("one", InputError, "one has one level in the rows used"),
    ],
)
def test_what_cannot_be_left_out_is_refused(group, error, words):
    data = make_table(1).assign(one="same")
    with pytest.raises(error, match=words.replace("?", r"\?")):
        fit_mixed(data, "y ~ dose", random=["batch"]).influence(group, data=data)


def test_another_table_is_refused():
    data = make_table(1)
    fit = fit_mixed(data, "y ~ dose", random=["batch"])
    with pytest.raises(InputError, match="not the table that was fitted"):
        fit.influence("judge", data=data.iloc[:10])


def test_a_shift_of_a_million_million_changes_nothing():
    """The response is a multiple of 2^-10, so that adding 2^40 (about 1e12) loses no digit."""
    data = make_table(11)
    data["y"] = np.round(data["y"] * 1024.0) / 1024.0
    moved = data.assign(y=data["y"] + 2.0**40)
    assert (moved["y"] - 2.0**40 == data["y"]).all()
    for formula in ("y ~ day + dose * hold + x", "y ~ 1"):
        one = fit_mixed(data, formula, random=["batch"])
        two = fit_mixed(moved, formula, random=["batch"])
        np.testing.assert_allclose(two.variances, one.variances, rtol=1e-10)
        pd.testing.assert_frame_equal(two.anova(), one.anova(), rtol=1e-9)
        np.testing.assert_allclose(
            two.influence("batch").table["statistic"],
            one.influence("batch").table["statistic"],
            rtol=1e-9,
        )
    pairs = [
        fit_mixed(d, "y ~ dose + day", random=["batch"]).contrasts("dose") for d in (data, moved)
    ]
    np.testing.assert_allclose(pairs[1][NUMBERS], pairs[0][NUMBERS], rtol=1e-9, atol=1e-11)
