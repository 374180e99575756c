"""Stationary points: known ones by algebra, Fieller's interval, what is not told."""

import numpy as np
import pytest
from scipy import stats

from doughlab.errors import InputError, NotEstimable
from doughlab.stats.stationary import build_terms, find_stationary, list_terms

SURE = 1e-5


def surface(centre, matrix, height):
    """Coefficients of height + (x - centre)' M (x - centre), multiplied out."""
    centre, matrix = np.asarray(centre, float), np.asarray(matrix, float)
    linear = -2.0 * matrix @ centre
    constant = height + centre @ matrix @ centre
    k = len(centre)
    squares = [matrix[i, j] * (1 if i == j else 2) for i in range(k) for j in range(i, k)]
    return np.array([constant, *linear, *squares])


@pytest.mark.parametrize(
    ("matrix", "nature"),
    [
        ([[-2.0, 0.5], [0.5, -1.0]], "top"),
        ([[2.0, 0.5], [0.5, 1.0]], "bottom"),
        ([[2.0, 0.5], [0.5, -1.0]], "saddle"),
    ],
)
def test_a_known_point_of_a_known_surface_is_found(matrix, nature):
    """Algebra: the surface was multiplied out from its centre."""
    c = surface([0.3, -0.7], matrix, 5.5)
    point = find_stationary(c, SURE * np.eye(6), 30)
    assert point.location == pytest.approx([0.3, -0.7])
    assert point.value == pytest.approx(5.5)
    assert point.bends == pytest.approx(sorted(np.linalg.eigvalsh(matrix), reverse=True))
    assert point.nature == point.looks == nature
    assert point.inside([-1, -1], [1, 1]) == "inside"
    assert point.inside([-1, -0.5], [1, 1]) == "outside"


def test_four_axes_are_found_as_well():
    rng = np.random.default_rng(3)
    half = rng.normal(size=(4, 4))
    c = surface([0.1, -0.2, 0.3, 0.4], -(half @ half.T) - np.eye(4), 1.0)
    point = find_stationary(c, 1e-3 * np.eye(len(c)), 30)
    assert point.location == pytest.approx([0.1, -0.2, 0.3, 0.4])
    assert point.nature == "top"


def test_one_axis_has_the_interval_of_fieller():
    """Fieller (1954): the roots of (b + 2 q x)² = t² var(b + 2 q x), solved by numpy."""
    c = np.array([2.0, 0.5, -1.0])
    v = np.array([[0.02, 0.001, -0.01], [0.001, 0.01, 0.002], [-0.01, 0.002, 0.03]])
    t2 = stats.t.ppf(0.975, 9) ** 2
    roots = np.roots([
        4 * c[2] ** 2 - 4 * t2 * v[2, 2], 4 * c[1] * c[2] - 4 * t2 * v[1, 2],
        c[1] ** 2 - t2 * v[1, 1],
    ])  # fmt: skip
    point = find_stationary(c, v, 9)
    assert [point.low[0], point.high[0]] == pytest.approx(sorted(roots), abs=1e-6)


def test_no_point_of_the_range_is_refused_and_each_end_is_on_the_edge():
    """The range along one of two axes is the shadow of all points not refused (a fine grid)."""
    pts = np.array([(a, b) for a in (-1, 1) for b in (-1, 1)]
                   + [(1.4, 0), (-1.4, 0), (0, 1.4), (0, -1.4)] + [(0, 0)] * 5)  # fmt: skip
    x = build_terms(pts)
    c, v = surface([0.2, -0.3], [[-1, 0.2], [0.2, -0.8]], 6), 0.02 * np.linalg.inv(x.T @ x)
    point = find_stationary(c, v, 7)
    a, b = np.meshgrid(np.linspace(-1, 1, 401), np.linspace(-1, 1, 401), indexing="ij")
    grad = np.array([[0, 1, 0, 2, 0, 0], [0, 0, 1, 0, 0, 0]])[:, :, None, None] * np.ones_like(a)
    grad[0, 3], grad[0, 4], grad[1, 4], grad[1, 5] = 2 * a, b, a, 2 * b
    slope = np.einsum("icxy,c->xyi", grad, c)
    spread = np.einsum("icxy,cd,jdxy->xyij", grad, v, grad)
    far = np.einsum("xyi,xyi->xy", slope, np.linalg.solve(spread, slope[..., None])[..., 0])
    kept = far <= stats.t.ppf(0.975, 7) ** 2
    assert [point.low[0], point.high[0]] == pytest.approx(
        [a[kept].min(), a[kept].max()], abs=0.006)  # fmt: skip
    assert [point.low[1], point.high[1]] == pytest.approx(
        [b[kept].min(), b[kept].max()], abs=0.006)  # fmt: skip


def test_a_bend_that_does_not_show_leaves_the_place_open():
    point = find_stationary([5.0, 0.4, -0.1], np.diag([0.01, 0.01, 0.01]), 8)
    assert point.nature == "not told"
    assert point.looks == "top"
    assert np.isinf(point.low[0]) and np.isinf(point.high[0])
    assert point.inside([-1], [1]) == "not told"


def test_a_ridge_names_the_direction_that_is_open():
    c = surface([0.0, 0.0], [[-1.0, -0.99], [-0.99, -1.0]], 5.0)
    point = find_stationary(c, 1e-3 * np.eye(6), 12)
    assert point.nature == "ridge"
    assert np.abs(point.open_directions[:, 0]) == pytest.approx([0.7071, 0.7071], abs=1e-3)
    assert find_stationary(-c, 1e-3 * np.eye(6), 12).nature == "trough"


def test_a_surface_that_does_not_bend_is_refused():
    with pytest.raises(NotEstimable, match="does not bend along one of its directions at all"):
        find_stationary([1.0, 2.0, 0.0], np.eye(3), 5)


def test_coefficients_that_belong_to_no_surface_are_named():
    with pytest.raises(InputError, match="5 coefficients belong to no second-order surface"):
        find_stationary(np.ones(5), np.eye(5), 5)


def test_terms_count_as_combinations_do():
    """k axes: 1 + k + k (k + 1) / 2 terms."""
    assert [len(list_terms(k)) for k in (1, 2, 3, 4)] == [3, 6, 10, 15]
