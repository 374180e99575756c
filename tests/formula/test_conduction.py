"""The series against a finite-volume solution written here, in surroundings that change."""

import numpy as np
import pytest

from doughlab.errors import OutOfRange, UnknownName
from doughlab.formula.conduction import Profile, find_roots, fourier_until, march


def finite_volumes(shape, biot, fourier, surroundings, start, *, cells=100, steps=300):
    """Crank-Nicolson in equal shells; surroundings run on straight lines between points.

    Gives centre and mean after each piece, and the cells at the end. Written apart from the
    package: no modes, no roots.
    """
    power = 2 if shape == "sphere" else 0
    edges = np.linspace(0.0, 1.0, cells + 1)
    area = edges**power
    volume = (edges[1:] ** (power + 1) - edges[:-1] ** (power + 1)) / (power + 1)
    width = 1.0 / cells
    link = area[1:-1] / width
    outer = 1.0 / (1.0 / biot + width / 2.0)
    matrix = np.zeros((cells, cells))
    for i in range(cells - 1):
        matrix[i, i] -= link[i]
        matrix[i, i + 1] += link[i]
        matrix[i + 1, i + 1] -= link[i]
        matrix[i + 1, i] += link[i]
    matrix[-1, -1] -= outer
    matrix /= volume[:, None]
    drive = np.zeros(cells)
    drive[-1] = outer / volume[-1]
    temps = np.broadcast_to(start, cells).astype(float)
    found = []
    for k, length in enumerate(fourier):
        if length > 0:
            dt = length / steps
            forward = np.linalg.inv(np.eye(cells) - 0.5 * dt * matrix)
            keep = forward @ (np.eye(cells) + 0.5 * dt * matrix)
            push = forward @ drive * dt
            a, b = surroundings[k], surroundings[k + 1]
            for s in range(steps):
                temps = keep @ temps + push * (a + (b - a) * (s + 0.5) / steps)
        centre = temps[0] + (temps[0] - temps[1]) / 8.0
        found.append((centre, float(np.sum(volume * temps) / np.sum(volume))))
    return np.array(found), temps


CASES = {
    "cooling": ([0.3, 0.6], [4.0, 4.0, 4.0]),
    "warming ramp": ([0.4, 0.4, 0.5], [4.0, 22.0, 22.0, 10.0]),
    "jumps": ([0.2, 0.0, 0.3, 0.0, 0.3], [4.0, 4.0, 30.0, 30.0, 8.0, 8.0]),
}


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize(("shape", "biot"), [("sphere", 0.83), ("sphere", 6.0), ("slab", 1.7)])
def test_march_equals_finite_volumes(shape, biot, name):
    """Within 0.02 of a degree; 100 cells err by about 1/100^2 of the way."""
    fourier, surroundings = CASES[name]
    expected, _ = finite_volumes(shape, biot, fourier, surroundings, 24.0)
    done = march(
        Profile.even(shape, 24.0), biot=biot, fourier=fourier, surroundings=np.array(surroundings)
    )
    assert done.centre[1:] == pytest.approx(expected[:, 0], abs=0.02)
    assert done.mean[1:] == pytest.approx(expected[:, 1], abs=0.02)


def test_another_film_goes_on_from_the_profile_that_is_there():
    """A ball cooled bare, then boxed: the second film starts from an uneven ball."""
    first = march(
        Profile.even("sphere", 24.0), biot=3.0, fourier=[0.15], surroundings=np.array([4.0, 4.0])
    )
    second = march(first.end, biot=0.4, fourier=[0.5], surroundings=np.array([20.0, 20.0]))
    _, bare = finite_volumes("sphere", 3.0, [0.15], [4.0, 4.0], 24.0)
    boxed, _ = finite_volumes("sphere", 0.4, [0.5], [20.0, 20.0], bare)
    assert second.centre[-1] == pytest.approx(boxed[0, 0], abs=0.02)
    assert second.mean[-1] == pytest.approx(boxed[0, 1], abs=0.02)


@pytest.mark.parametrize("shape", ["sphere", "slab"])
def test_one_long_step_equals_many_short_ones(shape):
    temps = np.linspace(24.0, 4.0, 51)
    start = Profile.even(shape, 24.0)
    long = march(start, biot=1.3, fourier=[1.0], surroundings=temps[[0, -1]])
    short = march(start, biot=1.3, fourier=np.full(50, 0.02), surroundings=temps)
    assert short.centre[-1] == pytest.approx(long.centre[-1], abs=1e-9)
    assert short.mean[-1] == pytest.approx(long.mean[-1], abs=1e-9)
    assert short.surface[-1] == pytest.approx(long.surface[-1], abs=1e-9)


def test_two_marches_in_a_row_equal_one():
    whole = march(
        Profile.even("sphere", 20.0), biot=0.9, fourier=[0.4, 0.4], surroundings=np.full(3, 5.0)
    )
    half = march(
        Profile.even("sphere", 20.0), biot=0.9, fourier=[0.4], surroundings=np.full(2, 5.0)
    )
    rest = march(half.end, biot=0.9, fourier=[0.4], surroundings=np.full(2, 5.0))
    assert rest.centre[-1] == pytest.approx(whole.centre[-1], abs=1e-6)
    assert rest.mean[-1] == pytest.approx(whole.mean[-1], abs=1e-6)


def test_a_body_ends_in_the_temperature_of_its_surroundings():
    done = march(Profile.even("slab", 24.0), biot=0.5, fourier=[60.0], surroundings=np.full(2, 4.0))
    assert [done.centre[-1], done.mean[-1], done.surface[-1]] == pytest.approx([4, 4, 4])


def test_centre_lags_behind_surface():
    done = march(
        Profile.even("sphere", 4.0), biot=1.0, fourier=[0.1], surroundings=np.full(2, 22.0)
    )
    assert done.centre[-1] < done.mean[-1] < done.surface[-1] < 22.0


def test_what_is_never_reached_is_none():
    ball = Profile.even("sphere", 4.0)
    assert fourier_until(ball, biot=1.0, surroundings=20.0, wanted=21.0) is None
    assert fourier_until(ball, biot=1.0, surroundings=20.0, wanted=3.0) is None
    assert fourier_until(ball, biot=1.0, surroundings=20.0, wanted=4.0) == 0.0


def test_unknown_shape_and_impossible_biot_are_refused():
    with pytest.raises(UnknownName) as raised:
        find_roots("spere", 1.0)
    assert str(raised.value) == (
        "shape 'spere' is not known. Did you mean 'sphere'? Known: slab, sphere."
    )
    with pytest.raises(OutOfRange) as outside:
        find_roots("slab", 0.0)
    assert str(outside.value) == (
        "The Biot number 0 lies outside 1e-6 to 1e6. Look at film coefficient, size and "
        "conductivity."
    )
