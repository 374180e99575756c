"""Draws of variances and coefficients against the exact answer of a balanced one-way layout."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from doughlab.errors import InputError
from doughlab.stats import fit_mixed
from doughlab.stats.posterior import _Target, draw_posterior
from doughlab.stats.reml import Reduction

PLOTS, EACH = 6, 4


@pytest.fixture(scope="module")
def layout():
    rng = np.random.default_rng(3)
    y = 5.5 + rng.normal(0, 0.1, (PLOTS, 1)) + rng.normal(0, 0.1, (PLOTS, EACH))
    table = pd.DataFrame({"y": y.ravel(), "plot": np.repeat(list("abcdef"), EACH)})
    return y, fit_mixed(table, "y ~ 1", random=["plot"])


@pytest.fixture(scope="module")
def exact(layout):
    """The posterior of Box and Tiao (1973), section 5.2: with prior 1 over the product of the

    expected mean squares, the sums of squares over them are chi-squares, cut to between >= within.
    """
    y, _ = layout
    rng = np.random.default_rng(1)
    between = EACH * y.mean(axis=1).var(ddof=1) * (PLOTS - 1)
    within = ((y - y.mean(axis=1, keepdims=True)) ** 2).sum()
    large = between / rng.chisquare(PLOTS - 1, 400_000)
    small = within / rng.chisquare(PLOTS * (EACH - 1), 400_000)
    kept = large > small
    return (large[kept] - small[kept]) / EACH, small[kept], large[kept]


def test_variances_are_those_of_the_exact_posterior(layout, exact):
    found = draw_posterior(layout[1], draws=20_000, shrink=0.0)
    probabilities = [0.05, 0.25, 0.5, 0.75, 0.95]
    for i in range(2):
        wanted = np.quantile(exact[i], probabilities)
        assert np.quantile(found.variances[:, i], probabilities) == pytest.approx(wanted, rel=0.06)
    assert found.points > 200


def test_mean_given_the_variances_is_the_exact_one(layout, exact):
    y, fit = layout
    rng = np.random.default_rng(2)
    wanted = y.mean() + np.sqrt(exact[2] / y.size) * rng.standard_normal(len(exact[2]))
    means = draw_posterior(fit, draws=20_000, shrink=0.0).means(np.array([[1.0]]))[:, 0]
    probabilities = [0.025, 0.25, 0.5, 0.75, 0.975]
    found = np.quantile(means, probabilities) - y.mean()
    assert found == pytest.approx(np.quantile(wanted, probabilities) - y.mean(), abs=0.006)


def test_without_random_terms_the_mean_is_student(layout):
    """One normal sample: mean + t s / root n, a textbook identity."""
    y = layout[0].ravel()
    fit = fit_mixed(pd.DataFrame({"y": y}), "y ~ 1")
    means = draw_posterior(fit, draws=20_000).means(np.array([[1.0]]))[:, 0]
    error = y.std(ddof=1) / np.sqrt(len(y))
    wanted = y.mean() + stats.t.ppf([0.025, 0.5, 0.975], len(y) - 1) * error
    assert np.quantile(means, [0.025, 0.5, 0.975]) == pytest.approx(wanted, abs=0.05 * error)


def test_pulling_back_makes_large_variances_rarer(layout):
    plain, pulled = (
        np.quantile(draw_posterior(layout[1], shrink=s).variances[:, 0], 0.975) for s in (0.0, 1.0)
    )
    assert pulled < 0.8 * plain


def test_both_ways_to_the_density_agree(layout):
    """Diagonal and full matrices are two ways to write the same density."""
    prepared = layout[1].prepared
    red = prepared.reduction
    assert isinstance(red, Reduction) and red.diagonal is not None
    full = Reduction(**{**red.__dict__, "diagonal": None})
    w = np.linspace(-1.0, 1.0, red.basis.shape[1])
    g = np.array([[0.0], [0.01], [1.0], [50.0]])
    one, other = (_Target(r, w, 2.0, 0.25).log_density(g) for r in (red, full))
    assert one - one[0] == pytest.approx(other - other[0], abs=1e-9)


def test_crossed_terms_keep_their_information():
    """tr(H^-1 A_i H^-1 A_j), written out for a crossed layout that no basis makes diagonal."""
    rng = np.random.default_rng(4)
    table = pd.DataFrame({"day": list("aaabbbccc"), "oven": list("xyzxyyzzx"),
                          "y": rng.normal(size=9)})  # fmt: skip
    red = fit_mixed(table, "y ~ 1", random=["day", "oven"]).prepared.reduction
    target = _Target(red, np.ones(red.basis.shape[1]), 1.0, 0.0)
    g = np.array([[0.3, 1.7]])
    inverse = np.linalg.inv(np.eye(red.basis.shape[1]) + np.tensordot(g[0], red.a, axes=1))
    each = [*red.a, np.eye(len(inverse))]
    wanted = [[0.5 * np.trace(inverse @ a @ inverse @ b) for b in each] for a in each]
    assert target._full(g)[2][0] == pytest.approx(np.array(wanted), rel=1e-9)


def test_maximum_likelihood_is_refused(layout):
    table = pd.DataFrame({"y": layout[0].ravel()})
    with pytest.raises(InputError) as caught:
        draw_posterior(fit_mixed(table, "y ~ 1", method="ml"))
    assert str(caught.value) == "Draws need a fit with method='reml'."
