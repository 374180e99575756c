"""Thousands of responses on one design: the same answers as one at a time, and the right size."""

import numpy as np
import pandas as pd
import pytest

from doughlab.errors import InputError, NotEstimable, UnknownName
from doughlab.stats import FixedDesign, fit_mixed


def bench(days=4, per_day=4, balls=3):
    """The bench design: waters and temperatures over batches, holds within."""
    combinations = [(w, t) for w in "abc" for t in ("18", "22")]
    rows = [
        (f"d{d}", f"B{d}{i}", *combinations[(d * per_day + i) % 6], hold)
        for d in range(days)
        for i in range(per_day)
        for hold in (4, 8, 16, 24)
        for _ in range(balls)
    ]
    return pd.DataFrame(rows, columns=["day", "batch", "water", "temp", "hold"])


def responses(data, count, *, batch, day=0.0, seed=1):
    rng = np.random.default_rng(seed)
    y = rng.normal(size=(len(data), count))
    for column, sd in (("batch", batch), ("day", day)):
        codes = pd.factorize(data[column])[0]
        y += sd * rng.normal(size=(codes.max() + 1, count))[codes]
    return y


MODELS = {
    "one": ("ph ~ day + water * temp * C(hold)", ["batch"]),
    "two": ("ph ~ water * temp + C(hold)", ["day", "batch"]),
    "three": ("ph ~ water + C(hold)", ["day", "batch", "day:hold"]),
    "none": ("ph ~ water * temp + hold", []),
}


@pytest.mark.parametrize("lost", [(), (3, 50, 77, 120)])
@pytest.mark.parametrize("name", MODELS)
def test_every_data_set_gets_the_answers_of_a_single_fit(name, lost):
    formula, random = MODELS[name]
    data = bench().drop(index=list(lost)).reset_index(drop=True)
    design = FixedDesign(data, formula, random=random)
    y = responses(data, 25, batch=0.3, day=0.4)
    contrasts = design.build_contrasts("water")
    many = design.test_many(y, contrasts=contrasts)
    assert many.settled.all()
    low, high = many.intervals()
    for j in range(y.shape[1]):
        fit = fit_mixed(data.assign(ph=y[:, j]), formula, random=random)
        table, pairs = fit.anova(), fit.contrasts("water")
        np.testing.assert_allclose(many.variances[j], fit.variances, rtol=1e-8, atol=1e-12)
        np.testing.assert_allclose(many.df_num, table["df_num"])
        np.testing.assert_allclose(many.df_den[j], table["df_den"], rtol=1e-8)
        np.testing.assert_allclose(many.statistic[j], table["statistic"], rtol=1e-7)
        np.testing.assert_allclose(many.p_value[j], table["p_value"], rtol=1e-6)
        np.testing.assert_allclose(many.estimate[j], pairs["estimate"], rtol=1e-7, atol=1e-10)
        np.testing.assert_allclose(many.std_error[j], pairs["std_error"], rtol=1e-8)
        np.testing.assert_allclose(many.df[j], pairs["df"], rtol=1e-8)
        np.testing.assert_allclose(low[j], pairs["ci_low"], rtol=1e-6, atol=1e-8)
        np.testing.assert_allclose(high[j], pairs["ci_high"], rtol=1e-6, atol=1e-8)
    assert many.terms == tuple(table["term"])


def test_chunks_and_order_of_data_sets_do_not_matter(monkeypatch):
    from doughlab.stats import simulate

    data = bench()
    design = FixedDesign(data, *MODELS["two"][:1], random=MODELS["two"][1])
    y = responses(data, 30, batch=0.3)
    whole = design.test_many(y)
    monkeypatch.setattr(simulate, "CHUNK", 7)
    pieces = design.test_many(y[:, ::-1])
    np.testing.assert_allclose(pieces.p_value[::-1], whole.p_value, rtol=1e-9)


def test_dunnett_intervals_agree_with_single_fits_on_a_balanced_design():
    data = bench(days=6)
    data["water"] = [("a", "b", "c")[i // 12 % 3] for i in range(len(data))]
    design = FixedDesign(data, "ph ~ water", random=["batch"])
    y = responses(data, 10, batch=0.5)
    many = design.test_many(y, contrasts=design.build_contrasts("water", reference="a"))
    low, _ = many.intervals()
    for j in range(10):
        single = fit_mixed(data.assign(ph=y[:, j]), "ph ~ water", random=["batch"])
        wanted = single.contrasts("water", reference="a")["ci_low"]
        np.testing.assert_allclose(low[j], wanted, rtol=1e-5, atol=1e-7)


def test_slopes_and_own_vectors_are_contrasts_too():
    data = bench()
    design = FixedDesign(data, "ph ~ water + hold", random=["batch"])
    y = responses(data, 3, batch=0.5)
    slope = design.test_many(y, terms=[], contrasts=design.build_contrasts("hold"))
    own = design.test_many(
        y, terms=["hold"], contrasts=design.build_contrasts("water", method={"c": [1, -2, 1]})
    )
    assert slope.p_value.shape == (3, 0)
    np.testing.assert_allclose(slope.contrast_p_values()[:, 0], own.p_value[:, 0], rtol=1e-6)
    fit = fit_mixed(data.assign(ph=y[:, 0]), "ph ~ water + hold", random=["batch"])
    assert slope.estimate[0, 0] == pytest.approx(fit.slope("hold")["estimate"][0])
    assert own.half_widths()[0, 0] == pytest.approx(
        (lambda t: t["ci_high"][0] - t["estimate"][0])(
            fit.contrasts("water", method={"c": [1, -2, 1]})
        )
    )


def test_means_keep_the_level_of_the_response():
    data = bench()
    design = FixedDesign(data, "~ water + temp", random=["batch"])
    y = 5.5 + responses(data, 2, batch=0.5)
    wanted = design.build_contrasts("water", method={"mean of a": [1, 0, 0]})
    found = design.test_many(y, contrasts=wanted)
    fit = fit_mixed(data.assign(ph=y[:, 1]), "ph ~ water + temp", random=["batch"])
    assert found.estimate[1, 0] == pytest.approx(fit.means("water")["estimate"][0])


def test_constant_responses_come_back_as_not_a_number():
    data = bench()
    design = FixedDesign(data, "~ water", random=["batch"])
    y = responses(data, 2, batch=0.5)
    y[:, 0] = 5.5
    many = design.test_many(y)
    assert np.isnan(many.p_value[0]).all()
    assert np.isfinite(many.p_value[1]).all()


def test_wrong_requests_are_refused():
    data = bench()
    design = FixedDesign(data, "~ water", random=["batch"])
    with pytest.raises(InputError):
        design.test_many(np.zeros((5, 2)))
    with pytest.raises(InputError):
        design.test_many(np.full((len(data), 2), np.nan))
    with pytest.raises(UnknownName):
        design.test_many(responses(data, 2, batch=0.1), terms=["wter"])
    with pytest.raises(InputError):
        design.test_many(responses(data, 2, batch=0.1)).intervals()
    aliased = FixedDesign(data.assign(tank=data["batch"]), "~ tank + water", random=["day"])
    with pytest.raises(NotEstimable):
        aliased.test_many(responses(data, 2, batch=0.1), terms=["water"])
    with pytest.raises(NotEstimable):
        aliased.build_contrasts("water")


def test_kenward_roger_holds_five_percent_and_single_balls_do_not():
    # Truth: no water effect; 16 batches of 12 balls, batch SD half the ball SD, seed 7. The
    # band is three simulation errors about 5 % (Kenward & Roger 1997 report sizes near 5 %).
    data = bench()
    y = responses(data, 4000, batch=0.5, seed=7)
    error = np.sqrt(0.05 * 0.95 / 4000)
    mixed = FixedDesign(data, "~ day + water * temp", random=["batch"])
    contrasts = mixed.build_contrasts("water")
    many = mixed.test_many(y, contrasts=contrasts)
    for i in range(len(many.terms)):
        assert abs((many.p_value[:, i] < 0.05).mean() - 0.05) < 3 * error, many.terms[i]
    low, high = many.intervals()
    covered = ((low <= 0) & (high >= 0)).all(axis=1).mean()
    assert abs(covered - 0.95) < 3 * error
    balls = FixedDesign(data, "~ day + water * temp").test_many(y, terms=["water"])
    assert (balls.p_value < 0.05).mean() > 0.25


def test_estimates_at_known_variances_are_those_of_generalised_least_squares():
    """Checked by statsmodels GLS with the covariance written out row by row."""
    from statsmodels.regression.linear_model import GLS

    data = bench().drop(index=[3, 50, 77]).reset_index(drop=True)
    design = FixedDesign(data, "ph ~ water * temp + C(hold)", random=["day", "batch"])
    asked = design.build_contrasts("water")
    y = responses(data, 3, batch=0.3, day=0.4)
    known = {"day": 0.16, "batch": 0.09, "residual": 1.0}
    found = design.estimate_at(y, asked, [known[name] for name in design.random_names])
    same = {c: data[c].to_numpy()[:, None] == data[c].to_numpy() for c in ("day", "batch")}
    v = np.eye(len(data)) + 0.16 * same["day"] + 0.09 * same["batch"]
    x = design.prepared.design.matrix
    for i in range(3):
        beta = GLS(y[:, i], x, sigma=v).fit().params
        np.testing.assert_allclose(found[i], asked.rows @ beta, rtol=1e-9, atol=1e-12)


def test_fitting_the_variances_shifts_an_estimate_independently_of_the_best_one():
    """Kackar and Harville (1984, from memory): no correlation, and the variances add up."""
    data = bench(days=3, balls=1).drop(index=[3, 20]).reset_index(drop=True)
    design = FixedDesign(data, "ph ~ water + C(hold)", random=["day", "batch"])
    asked = design.build_contrasts("water")
    count = 4000
    y = responses(data, count, batch=0.7, day=0.4)
    known = {"day": 0.16, "batch": 0.49, "residual": 1.0}
    best = design.estimate_at(y, asked, [known[name] for name in design.random_names])
    fitted = design.test_many(y, terms=[], contrasts=asked).estimate
    for i in range(best.shape[1]):
        shift = fitted[:, i] - best[:, i]
        assert shift.std() > 0.01 * best[:, i].std()
        assert abs(np.corrcoef(shift, best[:, i])[0, 1]) < 4 / count**0.5
