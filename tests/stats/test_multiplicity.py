"""Tukey, Dunnett and Holm: identities, limits, and agreement with scipy's integration."""

import time

import numpy as np
import pytest
from scipy import stats
from scipy.special import stdtr

from doughlab.errors import InputError, OutOfRange
from doughlab.stats import multiplicity as mp


def one_way_correlation(control: int, others: list[int]) -> np.ndarray:
    """Correlation of differences from a control with unequal group sizes."""
    n = np.array(others, dtype=float)
    load = np.sqrt(n / (n + control))
    corr = np.outer(load, load)
    np.fill_diagonal(corr, 1.0)
    return corr


def all_pairs_correlation(k: int) -> np.ndarray:
    rows = np.array([np.eye(k)[i] - np.eye(k)[j] for i in range(k) for j in range(i)])
    return rows @ rows.T / 2.0


@pytest.mark.parametrize("k", [2, 3, 10, 24])
@pytest.mark.parametrize("df", [1.0, 2.7, 8.09, 57.3, 1e4, np.inf])
def test_tukey_tail_agrees_with_scipy_integration(k, df):
    q = np.array([0.3, 1.0, 3.5, 6.0, 20.0])
    expected = [stats.studentized_range.sf(one, k, df) for one in q]
    np.testing.assert_allclose(mp.tukey_sf(q, k, df), expected, rtol=0, atol=1e-9)


def test_range_of_two_means_is_a_two_sided_t_test_far_into_the_tail():
    t = np.array([0.1, 2.0, 8.0, 30.0])
    for df in (1.0, 3.5, 40.0):
        np.testing.assert_allclose(mp.tukey_sf(np.sqrt(2) * t, 2, df), 2 * stdtr(df, -t), rtol=1e-9)


def test_degrees_of_freedom_may_differ_from_pair_to_pair():
    q, df = np.array([2.0, 3.0, 4.0]), np.array([4.4, np.inf, 17.2])
    together = mp.tukey_sf(q, 5, df)
    one_by_one = [float(mp.tukey_sf(a, 5, b)) for a, b in zip(q, df, strict=True)]
    np.testing.assert_allclose(together, one_by_one, rtol=1e-12)


def test_large_finite_df_runs_smoothly_into_infinite_df():
    np.testing.assert_allclose(mp.tukey_sf(3.5, 6, 1e9), mp.tukey_sf(3.5, 6, np.inf), rtol=1e-7)
    np.testing.assert_allclose(mp.tukey_sf(3.5, 6, 199.9999), mp.tukey_sf(3.5, 6, 200.0), rtol=1e-6)


@pytest.mark.parametrize("p", [1e-8, 0.01, 0.5, 0.99])
def test_tukey_quantile_inverts_the_tail(p):
    df = np.array([1.0, 3.3, 1000.0, np.inf])
    q = mp.tukey_isf(p, 7, df)
    np.testing.assert_allclose(mp.tukey_sf(q, 7, df), p, rtol=1e-9)


@pytest.mark.parametrize(("low", "high"), [(8.0, 60.0), (1.0, 1e6)])
def test_many_different_df_are_answered_as_one_by_one(low, high):
    df = np.append(np.geomspace(low, high, 80), [np.inf, np.nan])
    q = mp.tukey_isf(0.05, 9, df)
    np.testing.assert_allclose(mp.tukey_sf(q[:-1], 9, df[:-1]), 0.05, rtol=1e-8)
    assert np.isnan(q[-1])


def test_edges_of_the_range_and_blanks():
    assert float(mp.tukey_sf(0.0, 3, 5)) == 1.0
    assert float(mp.tukey_sf(-1.0, 3, 5)) == 1.0
    assert float(mp.tukey_sf(np.inf, 3, 5)) == 0.0
    assert np.isnan(mp.tukey_sf(np.nan, 3, 5))
    assert np.isnan(mp.tukey_isf(0.05, 3, np.nan))


def test_276_pairs_take_less_than_seven_hundredths_of_a_second():
    q = np.random.default_rng(4).uniform(0.5, 8, 276)
    df = np.random.default_rng(5).uniform(8, 60, 276)
    mp.tukey_sf(q, 24, df)
    times = []
    for _ in range(5):
        start = time.process_time()
        mp.tukey_sf(q, 24, df)
        times.append(time.process_time() - start)
    assert min(times) < 0.07


def test_two_independent_estimates_multiply():
    # at infinite df the two tests are independent: 1 - (1 - p)^2
    p = 2 * stats.norm.sf(2.1)
    got = mp.dunnett_p([2.1, 2.1], np.eye(2), np.inf)
    np.testing.assert_allclose(got, 1 - (1 - p) ** 2, rtol=1e-10)


def test_a_contrast_that_stands_twice_costs_nothing():
    corr = np.array([[1.0, 1.0], [1.0, 1.0]])
    np.testing.assert_allclose(
        mp.simultaneous_p([2.0, 2.0], corr, 9.0), 2 * stdtr(9.0, -2.0), rtol=1e-12
    )


def test_almost_equal_contrasts_lead_smoothly_to_equal_ones():
    got = [
        float(mp.simultaneous_critical(0.95, [[1.0, r], [r, 1.0]], 9.0))
        for r in (0.99, 0.999, 1 - 2e-6, 1 - 1e-8)
    ]
    assert got == sorted(got, reverse=True)
    assert got[2] == pytest.approx(got[3], abs=2e-3)


def test_signs_of_the_contrasts_do_not_matter():
    corr = one_way_correlation(6, [3, 4, 5])
    flip = np.diag([1.0, -1.0, 1.0])
    np.testing.assert_allclose(
        mp.dunnett_critical(0.95, flip @ corr @ flip, 8.0), mp.dunnett_critical(0.95, corr, 8.0)
    )


@pytest.mark.parametrize("k", [3, 4])
def test_all_pairs_as_a_general_family_is_tukey(k):
    corr = all_pairs_correlation(k)
    got = float(mp.simultaneous_critical(0.95, corr, 16.0))
    assert got == pytest.approx(float(mp.tukey_isf(0.05, k, 16.0)) / np.sqrt(2), abs=1e-3)


def test_the_same_question_gets_the_same_answer():
    corr = all_pairs_correlation(4)
    first = mp.simultaneous_critical(0.95, corr, 10.0)
    mp._directions.cache_clear()
    mp._reach.cache_clear()
    assert float(first) == float(mp.simultaneous_critical(0.95, corr, 10.0))


def test_simultaneous_level_is_kept_in_a_simulation():
    # truth: no difference; 40 000 data sets, seed 11; band of three simulation errors
    rng = np.random.default_rng(11)
    sizes, df = np.array([5, 3, 3, 4]), 11
    means = rng.standard_normal((40_000, 4)) / np.sqrt(sizes)
    scale = np.sqrt(rng.chisquare(df, 40_000) / df)
    t = (means[:, 1:] - means[:, :1]) / np.sqrt(1 / sizes[1:] + 1 / sizes[0]) / scale[:, None]
    c = float(mp.dunnett_critical(0.95, one_way_correlation(5, [3, 3, 4]), df))
    missed = (np.abs(t) > c).any(axis=1).mean()
    assert missed == pytest.approx(0.05, abs=3 * np.sqrt(0.05 * 0.95 / 40_000))


def test_holm_keeps_order_blanks_and_ceiling():
    got = mp.holm([0.04, np.nan, 0.01, 0.9, 0.03])
    np.testing.assert_allclose(got, [0.09, np.nan, 0.04, 0.9, 0.09])
    assert mp.holm([0.6, 0.7]).tolist() == [1.0, 1.0]
    assert mp.holm([]).size == 0


def test_wrong_input_is_named():
    with pytest.raises(OutOfRange, match="number of means is 1; it must be a whole number"):
        mp.tukey_sf(3.0, 1, 5)
    with pytest.raises(OutOfRange, match="Degrees of freedom are 0; they must be above 0"):
        mp.tukey_sf(3.0, 3, 0.0)
    with pytest.raises(OutOfRange, match="probability is 1; it must be above 0 and below 1"):
        mp.tukey_isf(1.0, 3, 5)
    with pytest.raises(OutOfRange, match=r"p value is 1\.2; it lies between 0 and 1"):
        mp.holm([0.1, 1.2])
    with pytest.raises(InputError, match="diagonal of a correlation matrix is 1"):
        mp.dunnett_p([1.0, 2.0], [[2.0, 0.5], [0.5, 2.0]], 5)
    with pytest.raises(InputError, match="linearly dependent"):
        mp.dunnett_critical(0.95, [[1.0, 1.0], [1.0, 1.0]], 5)
    with pytest.raises(InputError, match="cannot all hold at once"):
        mp.simultaneous_critical(0.95, [[1, 0.9, -0.9], [0.9, 1, 0.9], [-0.9, 0.9, 1]], 5)
    with pytest.raises(InputError, match="3 t statistics were given for a family of 2"):
        mp.dunnett_p([1.0, 2.0, 3.0], np.eye(2), 5)
