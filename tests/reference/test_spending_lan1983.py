"""Bounds of looks at growing data: published constants, two-sided 5 %, equally spaced looks."""

import numpy as np
import pytest
from scipy.optimize import brentq

from doughlab.stats.spending import crossing_chances, spending_bounds


def shares(k):
    return np.arange(1, k + 1) / k


@pytest.mark.parametrize(
    ("looks", "printed"), [(1, 0.05), (2, 0.083), (3, 0.107), (4, 0.126), (5, 0.142), (10, 0.193)]
)
def test_looking_again_at_five_per_cent_raises_the_error(looks, printed):
    # Armitage, McPherson and Rowe (1969), J. R. Stat. Soc. A 132, 235, table 2 (from memory)
    found = crossing_chances([1.959964] * looks, shares(looks)).sum()
    assert found == pytest.approx(printed, abs=5e-4)


@pytest.mark.parametrize(("looks", "printed"), [(2, 2.178), (3, 2.289), (4, 2.361), (5, 2.413)])
def test_constant_bounds_of_pocock(looks, printed):
    # Pocock (1977), Biometrika 64, 191; Jennison and Turnbull (2000), table 2.1 (from memory)
    found = brentq(lambda c: crossing_chances([c] * looks, shares(looks)).sum() - 0.05, 1.5, 4)
    assert found == pytest.approx(printed, abs=5e-4)


@pytest.mark.parametrize(("looks", "printed"), [(2, 1.977), (3, 2.004), (4, 2.024), (5, 2.040)])
def test_falling_bounds_of_obrien_and_fleming(looks, printed):
    # O'Brien and Fleming (1979), Biometrics 35, 549; Jennison and Turnbull (2000), table 2.3
    # (from memory): the last bound; earlier ones are larger by the root of looks / look
    t = shares(looks)
    found = brentq(lambda c: crossing_chances(c / np.sqrt(t), t).sum() - 0.05, 1.5, 4)
    assert found == pytest.approx(printed, abs=5e-4)


def test_first_of_two_falling_bounds():
    # the same table: 2.797 and 1.977
    assert crossing_chances([2.797, 1.977], [0.5, 1.0]).sum() == pytest.approx(0.05, abs=5e-5)


@pytest.mark.parametrize(
    ("looks", "kind", "printed"),
    [
        (2, "late", (2.963, 1.969)),
        (5, "late", (4.877, 3.357, 2.680, 2.290, 2.031)),
        (2, "even", (2.157, 2.201)),
        (5, "even", (2.438, 2.427, 2.410, 2.397, 2.386)),
    ],
)
def test_bounds_by_spending(looks, kind, printed):
    # Lan and DeMets (1983), Biometrika 70, 659; Reboussin et al. (2000), Controlled Clinical
    # Trials 21, 190, worked examples of five looks (from memory)
    assert spending_bounds(shares(looks), kind=kind) == pytest.approx(printed, abs=6e-4)


def test_chance_of_stopping_against_drawn_walks():
    # a walk with drift 3 in 200 000 draws, seed 3: three standard errors
    t, bounds = np.array([0.3, 0.6, 1.0]), [2.5, 2.3, 2.0]
    rng = np.random.default_rng(3)
    steps = rng.normal(size=(200_000, 3)) * np.sqrt(np.diff(t, prepend=0))
    z = (steps.cumsum(axis=1) + 3.0 * t) / np.sqrt(t)
    beyond = np.abs(z) > bounds
    first = np.where(beyond.any(axis=1), beyond.argmax(axis=1), 3)
    drawn = np.bincount(first, minlength=4)[:3] / len(z)
    exact = crossing_chances(bounds, t, drift=3.0)
    assert np.abs(drawn - exact).max() < 3 * np.sqrt(0.25 / len(z))
