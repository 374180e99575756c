"""Tolerance ranges: limits they must reduce to, and coverage by simulation."""

import numpy as np
import pytest
from scipy.special import ndtr, ndtri

from doughlab.errors import InputError, OutOfRange
from doughlab.stats.tolerance import (
    MeanSquare,
    tolerance_factor,
    tolerance_factor_one_sided,
    tolerance_mean_squares,
    tolerance_one_way,
)


def draw_groups(rng: np.random.Generator, sizes: list[int], share: float):
    """Groups with a share of the variance between them; total variance 1, mean 0."""
    codes = np.repeat(np.arange(len(sizes)), sizes)
    between = np.sqrt(share) * rng.standard_normal(len(sizes))[codes]
    return between + np.sqrt(1 - share) * rng.standard_normal(codes.size), codes


def test_factors_of_a_known_population_are_normal_quantiles():
    assert tolerance_factor(1e9, 0.95) == pytest.approx(1.959964, abs=2e-4)
    assert tolerance_factor_one_sided(1e9, 0.95) == pytest.approx(1.644854, abs=2e-4)


def test_exact_factor_keeps_its_confidence():
    # seed 5, 200 000 samples of 6; band of three simulation errors
    rng = np.random.default_rng(5)
    x = rng.standard_normal((200_000, 6))
    k, s, m = tolerance_factor(6, 0.9, confidence=0.9), x.std(axis=1, ddof=1), x.mean(axis=1)
    held = ndtr(m + k * s) - ndtr(m - k * s)
    assert (held >= 0.9).mean() == pytest.approx(0.9, abs=3 * np.sqrt(0.09 / 200_000))


def test_one_value_per_group_is_the_plain_normal_range():
    y = np.random.default_rng(1).normal(5, 2, 12)
    both = tolerance_one_way(y, np.arange(12))
    k = tolerance_factor(12, method="howe")
    assert both.high == pytest.approx(y.mean() + k * y.std(ddof=1), rel=1e-9)
    upper = tolerance_one_way(y, np.arange(12), side="upper")
    k = tolerance_factor_one_sided(12)
    assert upper.high == pytest.approx(y.mean() + k * y.std(ddof=1), rel=1e-8)
    assert upper.low == -np.inf


def test_values_equal_within_groups_count_as_one():
    y = np.random.default_rng(2).normal(5, 2, 8)
    once = tolerance_one_way(y, np.arange(8))
    thrice = tolerance_one_way(np.repeat(y, 3), np.repeat(np.arange(8), 3))
    assert thrice.low == pytest.approx(once.low, rel=1e-9)


def test_shift_and_scale_carry_over_and_sides_mirror():
    y, g = draw_groups(np.random.default_rng(3), [4] * 6, 0.4)
    base = tolerance_one_way(y, g)
    moved = tolerance_one_way(100 + 10 * y, g)
    assert moved.low == pytest.approx(100 + 10 * base.low, rel=1e-9)
    upper, lower = tolerance_one_way(y, g, side="upper"), tolerance_one_way(-y, g, side="lower")
    assert upper.high == pytest.approx(-lower.low, rel=1e-9)


def test_integration_and_simulation_agree():
    y, g = draw_groups(np.random.default_rng(4), [4] * 6, 0.4)
    table = y.reshape(6, 4)
    parts = [
        MeanSquare(table.mean(axis=1).var(ddof=1), 5, 1.0, 1 / 6),
        MeanSquare(table.var(axis=1, ddof=1).mean(), 18, 0.75, 0.0),
    ]
    for side in ("both", "upper", "lower"):
        solved = tolerance_one_way(y, g, side=side)
        drawn = tolerance_mean_squares(y.mean(), parts, side=side, draws=400_000)
        for one, other in zip((solved.low, solved.high), drawn, strict=True):
            assert one == other or one == pytest.approx(other, abs=0.03)


@pytest.mark.parametrize(
    ("sizes", "share"),
    [([4] * 6, 0.0), ([4] * 6, 0.95), ([2] * 6, 0.7), ([6, 6, 2, 2, 4, 1], 0.7)],
)
def test_two_sided_coverage(sizes, share):
    # truth: normal, mean 0, total variance 1; seed 9, 400 data sets; 95 % less three simulation
    # errors and 1 % for the approximation (conservative where groups hardly differ)
    rng, runs, covered = np.random.default_rng(9), 400, 0
    for _ in range(runs):
        got = tolerance_one_way(*draw_groups(rng, sizes, share))
        covered += ndtr(got.high) - ndtr(got.low) >= 0.95
    assert covered / runs >= 0.94 - 3 * np.sqrt(0.05 * 0.95 / runs)
    assert covered / runs <= 0.999


def test_one_sided_coverage():
    rng, runs, covered = np.random.default_rng(10), 60, 0
    for _ in range(runs):
        got = tolerance_one_way(*draw_groups(rng, [3] * 8, 0.5), side="upper", confidence=0.9)
        covered += got.high >= ndtri(0.95)
    assert covered / runs >= 0.9 - 3 * np.sqrt(0.09 / runs)


def test_notes_and_blanks():
    y, g = draw_groups(np.random.default_rng(4), [4] * 5, 0.4)
    y[3] = np.nan
    got = tolerance_one_way(y, g)
    assert got.n == 19
    assert got.notes == (
        "Groups are of unequal size; the range is approximate.",
        "Only 5 groups: the spread between groups is hardly known.",
    )
    constant = tolerance_one_way([5.0] * 8, [1, 1, 2, 2, 3, 3, 4, 4])
    assert (constant.low, constant.high) == (5.0, 5.0)


def test_wrong_input_is_named():
    with pytest.raises(InputError, match="needs 3 or more groups; there are 2"):
        tolerance_one_way([1.0, 2.0, 3.0], [1, 1, 2])
    with pytest.raises(InputError, match="3 values and 2 groups were given"):
        tolerance_one_way([1.0, 2.0, 3.0], [1, 2])
    with pytest.raises(InputError, match="Side 'top' is not known"):
        tolerance_one_way([1.0, 2.0, 3.0], [1, 2, 3], side="top")
    with pytest.raises(OutOfRange, match="content is 95; it must be above 0 and below 1"):
        tolerance_factor(10, 95)
    with pytest.raises(InputError, match="Method 'guess' is not known"):
        tolerance_factor(10, method="guess")
    with pytest.raises(OutOfRange, match="n is 1; it must be 2 or more"):
        tolerance_factor_one_sided(1)
    with pytest.raises(InputError, match="No mean square was given"):
        tolerance_mean_squares(0.0, [])
