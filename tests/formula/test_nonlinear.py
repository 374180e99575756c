"""Nonlinear mixed fits: identities, what cannot be told, ranges at their rate."""

import numpy as np
import pytest

from doughlab.errors import InputError, NotEstimable
from doughlab.formula.nonlinear import ASYMPTOTE, CurveShape, RandomTerm, fit_nonlinear

RNG = np.random.default_rng(20260302)


def line(x, phi):
    return phi[:, 0] + phi[:, 1] * x, np.column_stack([np.ones(len(x)), x])


LINE = CurveShape("line", ("level", "slope"), line)


def constant(shape, n):
    return {p: (["1"], np.ones((n, 1))) for p in shape.parameters}


def balanced(batches=8, x=(0.0, 1.0, 2.0, 3.0), seed=3):
    rng = np.random.default_rng(seed)
    codes = np.repeat(np.arange(batches), len(x))
    xs = np.tile(x, batches)
    y = 5.0 - 0.3 * xs + rng.normal(0, 0.2, batches)[codes] + rng.normal(0, 0.1, len(xs))
    return codes, xs, y


def test_a_straight_line_with_a_level_per_batch_has_the_variances_of_the_strata():
    """Balanced: the batch variance is (MS batches - MS residual)/4, worked out here."""
    codes, x, y = balanced()
    fit = fit_nonlinear(
        LINE, x, y, fixed=constant(LINE, len(x)), start=[5, 0],
        random=[RandomTerm("batch", "level", codes)],
    )  # fmt: skip
    means = y.reshape(8, 4).mean(axis=1)
    between = 4 * np.sum((means - means.mean()) ** 2) / 7
    xc = np.tile([-1.5, -0.5, 0.5, 1.5], 8)
    slope = np.sum(xc * y) / np.sum(xc**2)
    rest = y - means[codes] - slope * xc
    within = np.sum(rest**2) / (32 - 8 - 1)
    assert fit.variances["residual"] == pytest.approx(within, rel=1e-9)
    assert fit.variances["batch"] == pytest.approx((between - within) / 4, rel=1e-8)
    assert fit.coefficients[1] == pytest.approx(slope, rel=1e-9)
    assert fit.std_errors[1] == pytest.approx(np.sqrt(within / np.sum(xc**2)), rel=1e-9)


def test_degrees_of_freedom_of_a_balanced_layout():
    """Slope: 23 from within batches. Mean over x: 7 from between batches (both exact)."""
    codes, x, y = balanced()
    fit = fit_nonlinear(
        LINE, x, y, fixed=constant(LINE, len(x)), start=[5, 0],
        random=[RandomTerm("batch", "level", codes)],
    )  # fmt: skip
    assert fit.degrees(np.array([0.0, 1.0])) == pytest.approx([23.0], rel=1e-6)
    assert fit.degrees(np.array([1.0, 1.5])) == pytest.approx([7.0], rel=1e-6)


def test_no_difference_between_batches_gives_a_variance_of_zero():
    """Batches made alike on purpose: their means are equal to the last digit."""
    codes, x, y = balanced()
    means = y.reshape(8, 4).mean(axis=1)
    fit = fit_nonlinear(
        LINE, x, y - means[codes], fixed=constant(LINE, len(x)), start=[0, 0],
        random=[RandomTerm("batch", "level", codes)],
    )  # fmt: skip
    assert fit.variances["batch"] == 0.0


def test_prediction_adds_the_variance_between_groups_apart():
    codes, x, y = balanced()
    fit = fit_nonlinear(
        LINE, x, y, fixed=constant(LINE, len(x)), start=[5, 0],
        random=[RandomTerm("batch", "level", codes)],
    )  # fmt: skip
    at = fit.predict(np.array([0.0, 3.0]), {p: np.ones((2, 1)) for p in LINE.parameters})
    assert at.value == pytest.approx(fit.coefficients[0] + fit.coefficients[1] * np.array([0, 3]))
    assert at.group_variance == pytest.approx([fit.variances["batch"]] * 2)
    name, error = fit.coefficient("level: 1")
    assert (name, error) == (fit.coefficients[0], fit.std_errors[0])


def test_another_order_of_the_rows_changes_nothing():
    codes, x, y = balanced()
    shuffled = RNG.permutation(len(x))
    fits = [
        fit_nonlinear(
            LINE, x[o], y[o], fixed=constant(LINE, len(x)), start=[5, 0],
            random=[RandomTerm("level", "level", codes[o]), RandomTerm("slope", "slope", codes[o])],
        )
        for o in (np.arange(len(x)), shuffled)
    ]  # fmt: skip
    assert fits[0].coefficients == pytest.approx(fits[1].coefficients, rel=1e-8)
    assert fits[0].variances == pytest.approx(fits[1].variances, rel=1e-5, abs=1e-9)


def test_points_that_cannot_tell_the_coefficients_are_refused():
    with pytest.raises(NotEstimable) as raised:
        fit_nonlinear(LINE, np.full(5, 2.0), np.arange(5.0), fixed=constant(LINE, 5), start=[0, 0])
    assert str(raised.value) == (
        "The values cannot tell the coefficients of the curve apart. Record more points, above "
        "all where it bends."
    )
    with pytest.raises(NotEstimable, match="2 values cannot tell 3 coefficients"):
        fit_nonlinear(
            ASYMPTOTE, np.arange(2.0), np.arange(2.0), fixed=constant(ASYMPTOTE, 2),
            start=[1, 0, 0],
        )  # fmt: skip


def test_a_wrong_call_is_refused():
    x = np.arange(5.0)
    with pytest.raises(InputError, match="No design is given for slope of 'line'"):
        fit_nonlinear(LINE, x, x, fixed={"level": (["1"], np.ones((5, 1)))}, start=[0])
    with pytest.raises(InputError, match="2 starting values are wanted; 3 were given"):
        fit_nonlinear(LINE, x, x, fixed=constant(LINE, 5), start=[0, 0, 0])


@pytest.mark.slow
def test_ranges_of_start_end_and_rate_hold_the_truth_at_their_rate():
    """Truth: start 6, end 5, rate 0.05 per hour, batches differ by 0.06 at both ends, noise 0.03.

    12 batches, six holds, 250 made-up trials, seed 5. 95 % within three standard errors (4 points).
    """
    from scipy.special import stdtrit

    rng = np.random.default_rng(5)
    hours = np.array([0.0, 12, 24, 36, 48, 72])
    codes, x = np.repeat(np.arange(12), 6), np.tile(hours, 12)
    truth = np.array([5.0, 6.0, np.log(0.05)])
    held = np.zeros(3)
    for _ in range(250):
        y = 5 + np.exp(-0.05 * x) + rng.normal(0, 0.06, 12)[codes] + rng.normal(0, 0.03, 72)
        fit = fit_nonlinear(
            ASYMPTOTE, x, y, fixed=constant(ASYMPTOTE, 72), start=truth,
            random=[RandomTerm("level", "end", codes), RandomTerm("top", "start", codes)],
        )  # fmt: skip
        half = stdtrit(fit.degrees(np.eye(3)), 0.975) * fit.std_errors
        held += np.abs(fit.coefficients - truth) <= half
    assert held / 250 == pytest.approx(0.95, abs=0.041)
