"""fit_mixed: what it accepts, what it says, and what must not change a result."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doughlab.errors import InputError, MissingRecords, NotEstimable, UnknownName
from doughlab.stats import fit_mixed


def make_trial(seed=1, *, batches=16, holds=4, balls=3, sd_batch=0.3, sd_day=0.2):
    """A trial like those at the bench: day and water per batch, hold per ball."""
    rng = np.random.default_rng(seed)
    rows = []
    for b in range(batches):
        batch = rng.normal() * sd_batch
        for h in range(holds):
            for _ in range(balls):
                y = 5.5 + 0.1 * (b % 3) - 0.05 * h + batch + 0.1 * rng.normal()
                rows.append((f"d{b // 4}", f"B{b:02d}", "abc"[b % 3], 8 * (h + 1), y))
    data = pd.DataFrame(rows, columns=["day", "batch", "water", "hold_h", "ph"])
    shifts = rng.normal(size=batches) * sd_day
    data["ph"] += data["day"].map({f"d{i}": shifts[i] for i in range(batches)})
    return data


FORMULA = "ph ~ day + water * C(hold_h)"


def numbers(fit):
    """Everything that must not depend on names, order or units."""
    return np.concatenate(
        [
            fit.anova()[["df_num", "df_den", "statistic", "p_value"]].to_numpy().ravel(),
            fit.anova(df="satterthwaite")["df_den"].to_numpy(),
            fit.contrasts("hold_h")[["df", "statistic", "p_value"]].to_numpy().ravel(),
        ]
    )


@pytest.fixture(scope="module")
def trial():
    """An unbalanced trial and its fit."""
    data = make_trial().drop(index=[3, 50, 77, 120])
    return data, fit_mixed(data, FORMULA, random=["batch"])


@settings(max_examples=15, deadline=None)
@given(st.floats(-1e6, 1e6), st.floats(1e-3, 1e5), st.integers(0, 10**6))
def test_shift_scale_and_row_order_change_nothing(shift, scale, seed):
    data = make_trial().drop(index=[3, 50, 77, 120])
    fit = fit_mixed(data, FORMULA, random=["batch"])
    moved = data.assign(ph=data["ph"] * scale + shift).sample(frac=1.0, random_state=seed)
    other = fit_mixed(moved, FORMULA, random=["batch"])
    # A shift takes digits from the response itself before the fit ever sees it.
    lost = 1e-7 + 1e-11 * abs(shift) / scale
    np.testing.assert_allclose(numbers(other), numbers(fit), rtol=lost, atol=lost)
    np.testing.assert_allclose(other.variances, fit.variances * scale**2, rtol=10 * lost)
    means = fit.means("water")
    np.testing.assert_allclose(
        other.means("water")["estimate"], means["estimate"] * scale + shift, rtol=1e-9
    )


def test_renamed_levels_in_the_same_order_change_nothing(trial):
    data, fit = trial
    names = {"a": "None", "b": "bottled", "c": "tap"}
    other = fit_mixed(data.replace({"water": names}), FORMULA, random=["batch"])
    np.testing.assert_allclose(numbers(other), numbers(fit), rtol=1e-9)
    assert list(other.means("water")["level"]) == ["None", "bottled", "tap"]


def test_another_order_of_levels_changes_no_kenward_roger_test(trial):
    data, fit = trial
    turned = data.assign(water=pd.Categorical(data["water"], categories=["c", "a", "b"]))
    other = fit_mixed(turned, FORMULA, random=["batch"])
    np.testing.assert_allclose(other.anova()["df_den"], fit.anova()["df_den"], rtol=1e-9)
    np.testing.assert_allclose(other.anova()["statistic"], fit.anova()["statistic"], rtol=1e-9)
    assert list(other.contrasts("water")["contrast"]) == ["c - a", "c - b", "a - b"]


def test_coding_changes_the_coefficients_only(trial):
    data, fit = trial
    other = fit_mixed(data, FORMULA, random=["batch"], coding="treatment")
    np.testing.assert_allclose(numbers(other), numbers(fit), rtol=1e-12)
    assert other.reml_criterion == fit.reml_criterion
    shown = other.coefficients.set_index(["term", "level"])["estimate"]
    cells = fit.means("water:hold_h", at={"day": "d0"}).set_index("level")["estimate"]
    assert shown["(Intercept)", ""] == pytest.approx(cells["a:8"])
    assert shown["water", "c"] == pytest.approx(cells["c:8"] - cells["a:8"])
    wanted = cells["b:24"] - cells["b:8"] - cells["a:24"] + cells["a:8"]
    assert shown["water:hold_h", "b:24"] == pytest.approx(wanted)
    summed = fit.coefficients.set_index(["term", "level"])["estimate"]
    water = fit.means("water").set_index("level")["estimate"]
    assert summed["water", "a"] == pytest.approx(water["a"] - water.mean())


def test_order_of_terms_and_of_random_terms_changes_nothing():
    data = make_trial(5).drop(index=[1, 2, 90])
    one = fit_mixed(data, "ph ~ water * C(hold_h)", random=["day", "batch"])
    two = fit_mixed(data, "ph ~ C(hold_h) + water + C(hold_h):water", random=["batch", "day"])
    assert one.variances["day"] == pytest.approx(two.variances["day"], rel=1e-8)
    a = one.anova().set_index("term").loc[["water", "hold_h"]]
    b = two.anova().set_index("term").loc[["water", "hold_h"]]
    np.testing.assert_allclose(a, b, rtol=1e-7)
    nested = fit_mixed(data, "ph ~ water * C(hold_h)", random=["day/batch"])
    assert list(nested.variances.index) == ["day", "day:batch", "residual"]
    np.testing.assert_allclose(nested.variances, one.variances, rtol=1e-9)


def test_gradient_at_the_optimum_is_zero_by_differences():
    data = make_trial(7).drop(index=[4, 40, 41])
    fit = fit_mixed(data, "ph ~ water * C(hold_h)", random=["day", "batch"])
    assert fit.gradient.abs().max() < 1e-10
    from doughlab.stats.optimum import DenseProfile

    red = fit.prepared.reduction
    _, w, s0 = red.project(fit.y - fit.shift)
    profile = DenseProfile(red.a, red.a, red.dof, w[None], np.array([s0]))
    best = (fit.variances.to_numpy()[:-1] / fit.variances["residual"])[None]
    rows = np.array([0])
    lowest = profile.value(best, rows)[0][0]
    for i in range(2):
        for factor in (0.9, 1.1):
            moved = best.copy()
            moved[0, i] *= factor
            assert profile.value(moved, rows)[0][0] > lowest


def test_many_groups_take_the_short_way_with_the_same_answers(monkeypatch):
    from doughlab.stats import fit as module
    from doughlab.stats.grouped import GroupedReduction

    for seed, sd in ((1, 0.3), (2, 0.0)):
        data = make_trial(seed, batches=40, sd_batch=sd).drop(index=[3, 50, 77, 120])
        for method in ("reml", "ml"):
            monkeypatch.setattr(module, "LEAST_LEVELS", 10)
            short = fit_mixed(data, FORMULA, random=["batch"], method=method)
            monkeypatch.setattr(module, "LEAST_LEVELS", 10**6)
            long = fit_mixed(data, FORMULA, random=["batch"], method=method)
            assert isinstance(short.prepared.reduction, GroupedReduction)
            assert not isinstance(long.prepared.reduction, GroupedReduction)
            np.testing.assert_allclose(short.variances, long.variances, rtol=1e-9, atol=1e-15)
            assert short.criterion == pytest.approx(long.criterion, rel=1e-11)
            for df in ["satterthwaite"] + ["kenward-roger"] * (method == "reml"):
                np.testing.assert_allclose(
                    short.anova(df=df).iloc[:, 1:].to_numpy(),
                    long.anova(df=df).iloc[:, 1:].to_numpy(),
                    rtol=1e-7,
                )
            np.testing.assert_allclose(
                short.random_effects("batch")[["estimate", "std_error"]],
                long.random_effects("batch")[["estimate", "std_error"]],
                atol=1e-10,
            )
            np.testing.assert_allclose(short.residuals(), long.residuals(), atol=1e-10)


def test_maximum_likelihood_agrees_with_statsmodels():
    import warnings

    import statsmodels.formula.api as smf

    data = make_trial(3).drop(index=[3, 50, 77])
    fit = fit_mixed(data, "ph ~ day + water", random=["batch"], method="ml")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = smf.mixedlm("ph ~ day + water", data, groups=data["batch"]).fit(reml=False)
    # statsmodels stops early: facts known to about 4 digits.
    assert fit.log_likelihood == pytest.approx(theirs.llf, rel=1e-6)
    assert fit.variances["batch"] == pytest.approx(float(theirs.cov_re.iloc[0, 0]), rel=1e-3)
    with pytest.raises(InputError):
        fit.anova(df="kenward-roger")
    with pytest.raises(InputError):
        _ = fit.reml_criterion
    assert np.isfinite(fit.anova()["p_value"]).all()


def test_maximum_likelihood_of_two_terms_beats_its_neighbours():
    data = make_trial(8).drop(index=[3, 50, 77])
    ml = fit_mixed(data, "ph ~ water", random=["day", "batch"], method="ml")
    x = np.column_stack([np.ones(len(data)), pd.get_dummies(data["water"]).to_numpy(float)[:, 1:]])
    z = [pd.get_dummies(data[c]).to_numpy(float) for c in ("day", "batch")]
    y = data["ph"].to_numpy()

    def log_likelihood(variances):
        v = sum(a * zi @ zi.T for a, zi in zip(variances, z, strict=False))
        v = v + variances[-1] * np.eye(len(y))
        inverse = np.linalg.inv(v)
        b = np.linalg.solve(x.T @ inverse @ x, x.T @ inverse @ y)
        rest = y - x @ b
        logdet = np.linalg.slogdet(v)[1]
        return -0.5 * (len(y) * np.log(2 * np.pi) + logdet + rest @ inverse @ rest)

    best = ml.variances.to_numpy()
    assert ml.log_likelihood == pytest.approx(log_likelihood(best), rel=1e-10)
    for i in range(3):
        for factor in (0.98, 1.02):
            moved = best.copy()
            moved[i] *= factor
            assert log_likelihood(moved) < ml.log_likelihood


# --- blanks, levels, names ---------------------------------------------------------------------


def test_rows_with_blanks_are_left_out_and_counted():
    data = make_trial()
    data.loc[3, "ph"] = np.nan
    data.loc[10, "water"] = None
    data["water"] = data["water"].astype(object)
    data.loc[11, "water"] = "  "
    fit = fit_mixed(data, FORMULA, random=["batch"])
    assert (fit.n_used, fit.n_dropped) == (189, 3)
    assert "3 rows with a blank left out, 189 used." in fit.notes
    same = fit_mixed(make_trial().drop(index=[3, 10, 11]), FORMULA, random=["batch"])
    np.testing.assert_allclose(numbers(fit), numbers(same), rtol=1e-12)
    assert fit.residuals().index.tolist() == same.residuals().index.tolist()


def test_levels_called_none_and_na_are_levels():
    data = make_trial().replace({"water": {"a": "None", "b": "NA"}})
    fit = fit_mixed(data, "ph ~ water", random=["batch"])
    assert fit.n_dropped == 0
    assert list(fit.means("water")["level"]) == ["NA", "None", "c"]


def test_unused_levels_are_dropped():
    data = make_trial()
    data["water"] = pd.Categorical(data["water"], categories=["a", "spring", "b", "c"])
    fit = fit_mixed(data, "ph ~ water", random=["batch"])
    assert list(fit.means("water")["level"]) == ["a", "b", "c"]


def test_numbers_are_covariates_and_text_is_a_factor():
    data = make_trial()
    line = fit_mixed(data, "ph ~ water + hold_h", random=["batch"])
    assert line.anova()["df_num"].tolist() == [2, 1]
    text = fit_mixed(data.assign(hold_h=data["hold_h"].astype(str)), "ph ~ water + hold_h")
    assert text.anova()["df_num"].tolist() == [2, 3]
    assert list(text.means("hold_h")["level"]) == ["8", "16", "24", "32"]
    truth = fit_mixed(data.assign(acid=data["hold_h"] > 16), "ph ~ acid")
    assert list(truth.means("acid")["level"]) == ["False", "True"]


@pytest.mark.parametrize(
    ("formula", "random", "message"),
    [
        (
            "ph ~ watr",
            ["batch"],
            "Table: Column 'watr' is not known. Did you mean 'water'? "
            "Known: batch, day, hold_h, ph, water.",
        ),
        (
            "ph ~ water",
            ["bach"],
            "Table: Column 'bach' is not known. Did you mean 'batch'? "
            "Known: batch, day, hold_h, ph, water.",
        ),
    ],
)
def test_unknown_columns_suggest_the_nearest(formula, random, message):
    with pytest.raises(UnknownName) as caught:
        fit_mixed(make_trial(), formula, random=random)
    assert str(caught.value) == message


def test_a_response_of_text_is_refused():
    with pytest.raises(InputError) as caught:
        fit_mixed(make_trial(), "water ~ day")
    assert str(caught.value) == (
        "Response 'water' is not a column of numbers, for example 'a'. "
        "Enter one number per row and leave lost values blank."
    )


def test_an_infinite_value_is_refused_with_its_row():
    data = make_trial()
    data.loc[4, "ph"] = np.inf
    with pytest.raises(InputError) as caught:
        fit_mixed(data, FORMULA)
    assert str(caught.value) == "Column 'ph', row 5: the value is infinite. Correct it."


def test_a_name_that_two_columns_bear_is_refused():
    data = make_trial()
    twice = pd.concat([data, data["water"]], axis=1)
    with pytest.raises(InputError) as caught:
        fit_mixed(twice, FORMULA)
    assert str(caught.value) == "Table: two columns are called 'water'. Rename one of them."


def test_a_table_without_rows_is_missing_records():
    with pytest.raises(MissingRecords):
        fit_mixed(make_trial().iloc[:0], FORMULA, random=["batch"])


def test_an_empty_response_is_missing_records():
    with pytest.raises(MissingRecords) as caught:
        fit_mixed(make_trial().assign(ph=np.nan), FORMULA)
    assert str(caught.value) == "No row is complete: nothing is entered in ph."


def test_a_response_that_does_not_vary_is_not_estimable():
    with pytest.raises(NotEstimable) as caught:
        fit_mixed(make_trial().assign(ph=5.5), FORMULA, random=["batch"])
    assert str(caught.value).startswith("The response does not vary about the fixed terms at all")


def test_too_few_rows_are_not_estimable():
    with pytest.raises(NotEstimable) as caught:
        fit_mixed(make_trial().iloc[::24], "ph ~ day * water * C(hold_h)")
    assert "are not enough for the" in str(caught.value)
    with pytest.raises(NotEstimable) as one:
        fit_mixed(make_trial().iloc[:1], "ph ~ 1")
    assert str(one.value) == (
        "1 complete row is not enough for the 1 fixed coefficient of this model. Take terms out, "
        "or record more."
    )


@pytest.mark.parametrize(("factor", "shown"), [(1e300, "1e+300"), (1e-300, "1e-300")])
def test_a_response_beyond_all_numbers_is_refused(factor, shown):
    data = make_trial()
    data["ph"] = (data["ph"].rank() > 5) * factor
    with pytest.raises(InputError) as caught:
        fit_mixed(data, "ph ~ water", random=["batch"])
    assert str(caught.value) == (
        f"The response reaches {shown}, and its square cannot be calculated. Enter it in another "
        "unit."
    )


@pytest.mark.parametrize("factor", [1e120, 1e-120])
def test_very_large_and_very_small_responses_have_the_same_tests(factor):
    data = make_trial()
    plain = fit_mixed(data, FORMULA, random=["batch"]).anova()
    scaled = fit_mixed(data.assign(ph=data["ph"] * factor), FORMULA, random=["batch"]).anova()
    np.testing.assert_allclose(scaled["statistic"], plain["statistic"], rtol=1e-8)
    np.testing.assert_allclose(scaled["df_den"], plain["df_den"], rtol=1e-8)


@pytest.mark.parametrize("option", [{"method": "mle"}, {"coding": "helmert"}])
def test_unknown_options_are_refused(option):
    with pytest.raises(InputError):
        fit_mixed(make_trial(), FORMULA, **option)


# --- what cannot be estimated ------------------------------------------------------------------


def test_a_water_mixed_on_one_day_only_is_named_and_the_rest_answered():
    data = make_trial()
    spring = data["day"] == "d2"
    data["water"] = np.where(spring, "spring", data["water"])
    fit = fit_mixed(data, "ph ~ day + water + C(hold_h)", random=["batch"])
    assert fit.not_estimable["water"] == (
        "It cannot be told from day: every row with water 'spring' has day 'd2'."
    )
    assert fit.anova()["term"].tolist() == ["hold_h"]
    pairs = fit.contrasts("water").set_index("contrast")
    assert np.isnan(pairs.loc["a - spring", "estimate"])
    without = fit_mixed(data[~spring], "ph ~ day + water + C(hold_h)", random=["batch"])
    told = without.contrasts("water").set_index("contrast")
    assert pairs.loc["a - b", "estimate"] == pytest.approx(told.loc["a - b", "estimate"], rel=0.05)
    assert np.isfinite(pairs.loc["a - b", ["p_value", "ci_low"]].to_numpy(float)).all()


def test_an_empty_cell_is_named_and_the_interaction_tested_on_the_rest():
    data = make_trial()
    data = data[(data["water"] != "a") | (data["hold_h"] != 32)]
    fit = fit_mixed(data, FORMULA, random=["batch"])
    assert fit.not_estimable == {
        "water": "No row has water 'a' with hold_h '32'.",
        "hold_h": "No row has water 'a' with hold_h '32'.",
    }
    table = fit.anova().set_index("term")
    assert table.loc["water:hold_h", "df_num"] == 5
    assert (
        "water:hold_h is tested on the combinations that have rows (5 of 6 degrees of freedom): "
        "no row has water 'a' with hold_h '32'."
    ) in fit.notes
    cells = fit.means("water:hold_h").set_index("level")
    assert np.isnan(cells.loc["a:32", "estimate"])
    assert np.isfinite(cells.drop(index="a:32")["p_value"]).all()
    # By algebra: the same cells as a single factor, tested against the additive model.
    joined = data.assign(cell=data["water"] + data["hold_h"].astype(str))
    step = fit_mixed(joined, "ph ~ day + water + C(hold_h) + cell", random=["batch"])
    last = step.anova(type=1).set_index("term").loc["cell"]
    assert last["statistic"] == pytest.approx(table.loc["water:hold_h", "statistic"], rel=1e-8)
    assert last["df_den"] == pytest.approx(table.loc["water:hold_h", "df_den"], rel=1e-8)


def test_a_factor_with_one_level_is_named():
    fit = fit_mixed(make_trial().assign(flour="strong"), "ph ~ water + flour")
    assert fit.not_estimable == {"flour": "Every row has flour 'strong'."}
    assert fit.anova()["term"].tolist() == ["water"]


def test_a_number_that_never_changes_is_named():
    fit = fit_mixed(make_trial().assign(salt=2.5), "ph ~ water + salt")
    assert fit.not_estimable == {"salt": "Every row has salt 2.5."}
    assert fit.anova()["term"].tolist() == ["water"]


def test_a_spread_that_three_rows_cannot_tell_is_named():
    data = pd.DataFrame({"y": [1.0, 2.0, 4.0], "h": list("aba"), "batch": ["B1", "B1", "B2"]})
    fit = fit_mixed(data, "y ~ h", random=["batch"])
    assert fit.not_estimable == {
        "batch": "Its spread cannot be told from the residual; it is part of the residual here."
    }


def test_nothing_estimable_raises():
    with pytest.raises(NotEstimable) as caught:
        fit_mixed(make_trial().assign(flour="strong"), "ph ~ flour")
    assert str(caught.value) == (
        "None of the terms can be estimated. flour: Every row has flour 'strong'."
    )


def test_random_terms_that_cannot_be_told_are_named():
    data = make_trial()
    data["ball"] = [f"b{i}" for i in range(len(data))]
    data["mix"] = data["batch"].str.lower()
    fit = fit_mixed(data, "ph ~ day + water", random=["batch", "mix", "ball", "day"])
    assert list(fit.variances.index) == ["batch", "residual"]
    assert fit.not_estimable == {
        "mix": "It groups the rows exactly as batch does; it was left out.",
        "ball": (
            "Every level of ball has one row, so its spread cannot be told from the residual; "
            "it is part of the residual here."
        ),
        "random day": ("The fixed terms already tell every level of day apart; it was left out."),
    }
    plain = fit_mixed(data, "ph ~ day + water", random=["batch"])
    np.testing.assert_allclose(fit.variances, plain.variances, rtol=1e-12)


# --- singular fits -----------------------------------------------------------------------------


def singular_trial():
    """A one-way trial whose batches differ less than their balls would make them."""
    for seed in range(1, 100):
        data = make_trial(seed, holds=1, sd_batch=0.0, sd_day=0.0)
        fit = fit_mixed(data, "ph ~ water", random=["batch"])
        if fit.variances["batch"] == 0.0:
            return data, fit
    raise AssertionError("no singular trial among 99")


def test_a_variance_at_zero_is_exact_said_and_kept_by_kenward_roger():
    data, fit = singular_trial()
    assert fit.variances["batch"] == 0.0
    assert fit.gradient["batch"] > 0
    assert (
        "The variance of batch is estimated at zero. Kenward-Roger tests keep the term and are "
        "cautious; Satterthwaite tests leave it out."
    ) in fit.notes
    kr, plain = fit.anova(), fit.anova(df="satterthwaite")
    least = fit_mixed(data, "ph ~ water").anova()
    # With the term gone Satterthwaite is the least-squares test; Kenward-Roger keeps the batches.
    np.testing.assert_allclose(plain.iloc[:, 1:], least.iloc[:, 1:], rtol=1e-9)
    assert kr["df_den"][0] < 20 < plain["df_den"][0]
    assert kr["p_value"][0] > least["p_value"][0]
    assert np.isfinite(kr.iloc[:, 1:].to_numpy()).all()


def test_negative_variances_restore_the_classical_test():
    data, _ = singular_trial()
    fit = fit_mixed(data, "ph ~ water", random=["batch"], allow_negative=True)
    # By algebra: one-way analysis of variance on the batch means (3 balls in each batch).
    means = data.groupby(["batch", "water"], as_index=False)["ph"].mean()
    strata = fit_mixed(means, "ph ~ water").anova()
    assert fit.variances["batch"] < 0
    np.testing.assert_allclose(fit.anova().iloc[:, 1:], strata.iloc[:, 1:], rtol=1e-8)
    np.testing.assert_allclose(
        fit.anova(df="satterthwaite").iloc[:, 1:], strata.iloc[:, 1:], rtol=1e-8
    )
    within = data["ph"] - data.groupby("batch")["ph"].transform("mean")
    assert fit.variances["residual"] == pytest.approx(float((within**2).sum() / 32), rel=1e-9)


def test_rows_that_do_not_differ_within_batches_leave_the_test_between_batches():
    data = make_trial(4, sd_day=0.0)
    data["ph"] = data.groupby("batch")["ph"].transform("mean")
    fit = fit_mixed(data, "ph ~ water", random=["batch"])
    means = data.groupby(["batch", "water"], as_index=False)["ph"].mean()
    wanted = fit_mixed(means, "ph ~ water")
    assert fit.variances["residual"] == 0.0
    assert fit.variances["batch"] == pytest.approx(wanted.variances["residual"], rel=1e-8)
    np.testing.assert_allclose(fit.anova().iloc[:, 1:], wanted.anova().iloc[:, 1:], rtol=1e-8)
    assert fit.notes == (
        "The residual is estimated at zero: rows that share their levels do not differ. Only tests "
        "between groups mean anything here.",
    )


def test_days_that_cannot_be_told_from_batches_are_taken_for_batches():
    # Four batches, two of one water: one degree of freedom between batches.
    rows = [(f"B{b}", "abca"[b], f"d{min(b, 1)}", j) for b in range(4) for j in range(4)]
    data = pd.DataFrame(rows, columns=["batch", "water", "day", "ball"])
    rng = np.random.default_rng(6)
    data["y"] = rng.normal(size=4)[data["batch"].str[1].astype(int)] + rng.normal(size=16) * 0.1
    fit = fit_mixed(data, "y ~ water", random=["day", "batch"])
    assert fit.not_estimable == {
        "day": "Its spread cannot be told from that of batch, which stands for both here."
    }
    assert fit.anova()["df_den"][0] == pytest.approx(1, rel=1e-6)


def test_hardly_any_groups_still_give_finite_tests():
    # Tiny random layouts; the F distribution to be matched may have no mean there.
    rng = np.random.default_rng(12)
    for _ in range(60):
        batches, balls = int(rng.integers(4, 8)), int(rng.integers(2, 5))
        rows = [
            (f"B{b}", "abc"[b % 3], f"d{rng.integers(3)}", "xyz"[j % 3])
            for b in range(batches)
            for j in range(balls)
        ]
        data = pd.DataFrame(rows, columns=["batch", "water", "day", "hold"])
        data = data.sample(frac=0.85, random_state=int(rng.integers(10**6)))
        data["y"] = rng.normal(size=len(data))
        try:
            fit = fit_mixed(data, "y ~ water + hold", random=["day", "batch"])
        except NotEstimable:
            continue
        for df in ("kenward-roger", "satterthwaite"):
            table = fit.anova(df=df)
            assert np.isfinite(table.iloc[:, 1:].to_numpy(float)).all()
            assert (table["df_den"] > 0).all()
            assert table["p_value"].between(0, 1).all()


def test_two_terms_at_zero_stay_finite():
    data = make_trial(2, sd_batch=0.0, sd_day=0.0)
    fit = fit_mixed(data, "ph ~ water * C(hold_h)", random=["day/batch"])
    assert (fit.variances.iloc[:2] >= 0).all()
    for df in ("kenward-roger", "satterthwaite"):
        assert np.isfinite(fit.anova(df=df).iloc[:, 1:].to_numpy()).all()
    assert np.isfinite(fit.contrasts("hold_h").iloc[:, 3:].to_numpy()).all()


def test_negative_variances_of_several_terms_give_the_classical_strata():
    # Balanced split-plot data with block and plot effects at zero; by algebra from the strata.
    rng = np.random.default_rng(11)
    rows = [(f"k{k}", w, h) for k in range(6) for w in "abc" for h in "xy"]
    data = pd.DataFrame(rows, columns=["block", "water", "hold"])
    data["y"] = rng.normal(size=len(data))
    fit = fit_mixed(data, "y ~ water * hold", random=["block/water"], allow_negative=True)
    plots = data.groupby(["block", "water"], as_index=False)["y"].mean()
    upper = fit_mixed(plots, "y ~ block + water").anova().set_index("term").loc["water"]
    found = fit.anova().set_index("term")
    assert found.loc["water", "statistic"] == pytest.approx(upper["statistic"], rel=1e-7)
    assert found.loc["water", "df_den"] == pytest.approx(10, rel=1e-7)
    assert found.loc["hold", "df_den"] == pytest.approx(15, rel=1e-7)


def test_text_of_a_result_is_short(trial):
    _, fit = trial
    lines = str(fit).splitlines()
    assert len(lines) <= 15
    assert all(len(line) <= 80 for line in lines)
    assert lines[0] == FORMULA
    assert fit._repr_html_().startswith("<pre>")
