"""Surfaces by algebra: equally sure in every direction, days that change no answer, blocks."""

import numpy as np
import pytest

from doughlab.designed import Design
from doughlab.errors import InputError
from doughlab.levels import axial_distance, moved_numbers, widen_levels
from doughlab.plan.surfaces import place_codes, surface_parts
from doughlab.sections import Factor


def number(name, low, high, unit="pct", values=None):
    return Factor(name, "batch", "number", (low, high), unit,
                  values=values or (float(low), float(high)))  # fmt: skip


def quadratic(points):
    """The columns of a full second-order model: 1, x, x^2, x_i x_j."""
    points = np.atleast_2d(points)
    k = points.shape[1]
    cross = [points[:, i] * points[:, j] for i in range(k) for j in range(i + 1, k)]
    return np.column_stack([np.ones(len(points)), points, points**2, *cross])


def variance(rows, at):
    """Prediction variance x'(X'X)^-1 x in units of that of one batch."""
    x, model = quadratic(at), quadratic(np.array(rows))
    return np.einsum("ij,jk,ik->i", x, np.linalg.inv(model.T @ model), x)


@pytest.mark.parametrize(
    ("numbers", "design"),
    [(k, Design("central-composite")) for k in (2, 3, 4, 5)]
    + [(k, Design("central-composite", centres=3)) for k in (2, 3, 4, 5)]
    + [(k, Design("central-composite", cube="half")) for k in (5, 6)],
)
def test_rotatable_plans_are_equally_sure_on_spheres(design, numbers):
    """Rotatability: the prediction variance depends on the distance from the middle only."""
    rows = [r for part in surface_parts(design, numbers) for r in part]
    rng = np.random.default_rng(1)
    for radius in (0.5, 1.0, 1.5):
        ways = rng.normal(size=(40, numbers))
        at = radius * ways / np.linalg.norm(ways, axis=1, keepdims=True)
        seen = variance(rows, at)
        assert np.ptp(seen) < 1e-9 * seen.mean()


def test_face_centred_plans_are_not_rotatable():
    rows = [r for part in surface_parts(Design("central-composite", alpha="face"), 2) for r in part]
    at = np.array([[1.0, 0.0], [0.5**0.5, 0.5**0.5]])
    assert abs(np.diff(variance(rows, at))[0]) > 0.01


@pytest.mark.parametrize("numbers", [2, 3, 4, 5])
@pytest.mark.parametrize("centres", [2, 4, 6])
def test_orthogonal_days_change_no_other_answer(numbers, centres):
    """The column of the day is orthogonal to every slope, square and product about its mean."""
    design = Design("central-composite", alpha="orthogonal", centres=centres)
    corners, star = surface_parts(design, numbers)
    day = np.array([1.0] * len(corners) + [0.0] * len(star))
    model = quadratic(np.array([*corners, *star]))[:, 1:]
    about = model - model.mean(axis=0)
    assert np.abs(about.T @ (day - day.mean())).max() < 1e-9


def test_orthogonal_distance_by_hand():
    """Two numbers, 4 corners + 2, 4 outer + 2: a^2 = 4 (4 + 2) / (2 (4 + 2)) = 2."""
    assert axial_distance(Design("central-composite", alpha="orthogonal", centres=4), 2) ** 2 == (
        pytest.approx(2.0)
    )


@pytest.mark.parametrize("numbers", [3, 4, 5])
def test_box_behnken_slopes_are_orthogonal_and_equally_sure(numbers):
    """Published property: slopes and products are uncorrelated with all else but squares."""
    (rows,) = surface_parts(Design("box-behnken"), numbers)
    model = quadratic(np.array(rows))
    gram = model.T @ model
    slopes = gram[1 : numbers + 1]
    expected = np.zeros_like(slopes)
    np.fill_diagonal(expected[:, 1 : numbers + 1], slopes[0, 1])
    assert np.array_equal(slopes, expected)
    assert np.linalg.matrix_rank(model) == model.shape[1]


def test_levels_are_rounded_to_what_can_be_set():
    """Low and high stay as typed; the outer ones lie 1.4142 half ranges out, rounded."""
    wet, cold = number("hydration", "60", "65"), number(
        "mixing_water", "54 F", "64 F", "temp_c", (12.2222, 17.7778)
    )  # fmt: skip
    found = widen_levels({f.name: f for f in (wet, cold)}, Design("central-composite"))
    assert found["hydration"].levels == ("59", "60", "62.5", "65", "66")
    assert found["hydration"].span == (60.0, 65.0)
    assert found["mixing_water"].levels == ("52 F", "54 F", "59 F", "64 F", "66 F")


def test_codes_become_the_levels_of_each_factor():
    wet, salt = number("hydration", "60", "65"), number("salt", "2", "3")
    design = Design("central-composite")
    wide = widen_levels({f.name: f for f in (wet, salt)}, design)
    rows = [r for part in surface_parts(design, 2) for r in part]
    placed = place_codes(design, moved_numbers(wide, design), rows)
    for codes, levels in zip(rows, placed, strict=True):
        for name, code in zip(("hydration", "salt"), codes, strict=True):
            low, high = wide[name].span
            want = (low + high) / 2 + code * (high - low) / 2
            assert wide[name].value_of(levels[name]) == pytest.approx(want, abs=0.06)


REFUSED = [
    (
        [number("hydration", "60", "105"), number("salt", "2", "3")], Design("central-composite"),
        "factor 'hydration': the outer batches would stand at 114; 40 to 110 pct can be set. Set "
        'alpha = "face" in [plan], or bring low and high closer together.',
    ),
    (
        [number("mixing_water", "2", "12", "temp_c"), number("salt", "2", "3")],
        Design("central-composite"),
        "factor 'mixing_water': the outer batches would stand at 0; 1 to 45 temp_c can be set. Set "
        'alpha = "face" in [plan], or bring low and high closer together.',
    ),
    (
        [number("hydration", "60", "65")], Design("central-composite"),
        "a central composite plan is for 2 to 7 numbers set per batch; found 1. Settle the others "
        "first, or give them one setting.",
    ),
    (
        [number(n, "1", "3") for n in "abcdef"], Design("box-behnken"),
        "a Box-Behnken plan is for 3 to 5 numbers set per batch; found 6 (with 6 or 7 the list of "
        "batches that we can draw is not the published one, and is longer). Use design = "
        '"central-composite".',
    ),
    (
        [number(n, "1", "3") for n in "ab"], Design("box-behnken"),
        "a Box-Behnken plan is for 3 to 5 numbers set per batch; found 2 (with fewer it leaves "
        'corners and edges out). Use design = "central-composite".',
    ),
    (
        [number(n, "1", "3") for n in "abc"], Design("central-composite", cube="half"),
        "half of the corners is enough from five numbers on; found 3. Take cube away.",
    ),
    (
        [Factor("a", "batch", "number", ("1", "2", "3"), "pct", values=(1.0, 2.0, 3.0)),
         number("b", "1", "3")], Design("central-composite"),
        "factor 'a' has 3 levels; this plan adds its own between and beyond two. Give a low and a "
        "high.",
    ),
    (
        [number("a", "12", "12.0001", "temp_c"), number("b", "1", "3")],
        Design("central-composite"),
        "factor 'a': low and high are so close that the levels between and beyond cannot be set in "
        "steps of 5e-06. Bring them further apart.",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("factors", "design", "words"), REFUSED)
def test_levels_that_cannot_be_are_refused_with_a_way_out(factors, design, words):
    with pytest.raises(InputError) as error:
        widen_levels({f.name: f for f in factors}, design)
    assert str(error.value) == words


def test_face_centred_stays_inside_what_can_be_set():
    wet, salt = number("hydration", "60", "105"), number("salt", "2", "3")
    found = widen_levels(
        {f.name: f for f in (wet, salt)}, Design("central-composite", alpha="face")
    )
    assert found["hydration"].levels == ("60", "82.5", "105")
