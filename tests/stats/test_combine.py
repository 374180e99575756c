"""A mean over experiments against another library, a published set and the limits."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from doughlab.errors import InputError
from doughlab.stats.combine import combine_estimates

# Thirteen trials of BCG against tuberculosis (Colditz et al. 1994, JAMA 271, 698-702; the set
# `dat.bcg` of the R package metafor): cases and persons, vaccinated then not.
BCG = (
    (4, 123, 11, 139), (6, 306, 29, 303), (3, 231, 11, 220), (62, 13598, 248, 12867),
    (33, 5069, 47, 5808), (180, 1541, 372, 1451), (8, 2545, 10, 629), (505, 88391, 499, 88391),
    (29, 7499, 45, 7277), (17, 1716, 65, 1665), (186, 50634, 141, 27338), (5, 2498, 3, 2341),
    (27, 16913, 29, 17854),
)  # fmt: skip


def bcg():
    """Log relative risks and their errors, by the usual large-sample formula."""
    a, n1, c, n2 = np.array(BCG, dtype=float).T
    return np.log((a / n1) / (c / n2)), np.sqrt(1 / a - 1 / n1 + 1 / c - 1 / n2)


def of_statsmodels(y, s):
    from statsmodels.stats.meta_analysis import combine_effects

    return combine_effects(np.asarray(y), np.asarray(s) ** 2, method_re="iterated", use_t=True,
                           atol=1e-13, maxiter=500)  # fmt: skip


def test_bcg_trials_give_the_numbers_of_another_library():
    """statsmodels, combine_effects(method_re="iterated"), is Paule and Mandel too."""
    y, s = (v[:] for v in bcg())
    mine, other = combine_estimates(y, s), of_statsmodels(y, s)
    assert mine.between_sd**2 == pytest.approx(other.tau2, rel=1e-6)
    assert mine.estimate == pytest.approx(other.mean_effect_re, rel=1e-8)
    assert mine.std_error == pytest.approx(other.sd_eff_w_re, rel=1e-8)


def test_bcg_trials_lie_where_random_effects_are_published_for_them():
    """Relative risk 0.49, 95 % range 0.34 to 0.70 by DerSimonian and Laird (Colditz et al.
    1994, abstract); Paule and Mandel with t reach a little further, never the other way."""
    found = combine_estimates(*bcg())
    assert np.exp(found.estimate) == pytest.approx(0.49, abs=0.005)
    assert 0.30 < np.exp(found.low) < 0.34 and 0.70 < np.exp(found.high) < 0.80


several = st.integers(2, 8).flatmap(
    lambda k: st.tuples(
        st.lists(st.floats(-2, 2), min_size=k, max_size=k),
        st.lists(st.floats(0.05, 1), min_size=k, max_size=k),
    )
)


@given(several)
def test_the_mean_lies_among_the_estimates_and_moves_with_them(given_ones):
    y, s = map(np.array, given_ones)
    found = combine_estimates(y, s)
    assert y.min() - 1e-9 <= found.estimate <= y.max() + 1e-9
    turned = combine_estimates(-10.0 * y, 10.0 * s)
    assert turned.estimate == pytest.approx(-10.0 * found.estimate, abs=1e-6)
    assert turned.between_sd == pytest.approx(10.0 * found.between_sd, abs=1e-4)
    assert found.low <= found.estimate <= found.high


@given(several)
def test_weighted_squares_equal_their_degrees_of_freedom_or_need_no_spread(given_ones):
    y, s = map(np.array, given_ones)
    found = combine_estimates(y, s)
    squares = np.sum((y - found.estimate) ** 2 / (s**2 + found.between_sd**2))
    if found.between_sd > 0:
        assert squares == pytest.approx(y.size - 1, rel=1e-6)
    else:
        assert squares <= y.size - 1 + 1e-9


def test_two_trials_far_apart_give_the_plain_mean_and_a_wide_range():
    """Limit: errors of nothing beside the distance; then t on one df, 12.706 (any t table)."""
    found = combine_estimates([0.0, 1.0], [1e-6, 1e-6])
    assert found.estimate == pytest.approx(0.5)
    assert found.between_sd == pytest.approx(0.5**0.5, rel=1e-6)
    assert found.high - found.estimate == pytest.approx(12.706 * 0.5, rel=1e-4)


@pytest.mark.parametrize(
    ("y", "s", "words"),
    [
        ([1.0], [0.1], "Give two estimates or more, each with its standard error."),
        ([1.0, 2.0], [0.1], "Give two estimates or more, each with its standard error."),
        ([1.0, 2.0], [0.1, 0.0], "Estimates must be numbers and their standard errors above 0."),
        ([1.0, float("nan")], [0.1, 0.1],
         "Estimates must be numbers and their standard errors above 0."),
    ],
)  # fmt: skip
def test_what_cannot_be_combined_is_refused(y, s, words):
    with pytest.raises(InputError) as refused:
        combine_estimates(y, s)
    assert str(refused.value) == words
