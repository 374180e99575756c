"""Conduction in a sphere and a slab against the printed one-term table and a worked ball.

Incropera, DeWitt, Bergman, Lavine (2007), Fundamentals of Heat and Mass Transfer, table 5.1: roots
and constants at Bi 0.1, 1 and 10 (from memory). The other columns were computed by root search
outside this project (1 - z cot z = Bi and z tan z = Bi), four digits each.
Worked ball: 250 g, 1150 kg/m3, 0.45 W/(m K), 2800 J/(kg K), 10 W/(m2 K), 24 to 6 C centre in 4 C
air: radius 37.30 mm, Bi 0.8289, root 1.4536, constant 1.2309, Fo 1.188, 3.286 h; with 5 W/(m2 K)
5.835 h, with 20 W/(m2 K) 2.023 h (computed outside this project from the first term).
"""

import math

import numpy as np
import pytest

from doughlab.formula.conduction import (
    Profile,
    find_roots,
    fourier_until,
    march,
    mode_means,
    series_constants,
)
from doughlab.formula.core import time_until_core
from doughlab.formula.heat import Body, DoughHeat, Film

BIOT = (0.01, 0.1, 0.5, 1, 2, 5, 10, 100)
TABLE = {
    ("sphere", "root"): (0.1730, 0.5423, 1.1656, 1.5708, 2.0288, 2.5704, 2.8363, 3.1102),
    ("sphere", "constant"): (1.0030, 1.0298, 1.1441, 1.2732, 1.4793, 1.7870, 1.9249, 1.9990),
    ("slab", "root"): (0.0998, 0.3111, 0.6533, 0.8603, 1.0769, 1.3138, 1.4289, 1.5552),
    ("slab", "constant"): (1.0017, 1.0161, 1.0701, 1.1191, 1.1785, 1.2402, 1.2620, 1.2731),
}
HEAT = DoughHeat(1150.0, 2.8, 0.45, 0.45, 0.45)
BALL = Body.ball(250, HEAT)


@pytest.mark.parametrize("shape", ["sphere", "slab"])
@pytest.mark.parametrize("column", range(len(BIOT)))
def test_first_root_and_constant(shape, column):
    roots = find_roots(shape, float(BIOT[column]))
    assert roots[0] == pytest.approx(TABLE[shape, "root"][column], abs=0.5e-4)
    constant = series_constants(shape, roots)[0]
    assert constant == pytest.approx(TABLE[shape, "constant"][column], abs=0.5e-4)


@pytest.mark.parametrize("biot", [1e-3, 0.3, 0.8289, 1.0, 4.0, 250.0])
def test_every_root_solves_its_equation(biot):
    """All forty, put back into the equations as they are printed."""
    z = find_roots("sphere", biot)
    assert 1 - z / np.tan(z) == pytest.approx(biot, rel=1e-7)
    z = find_roots("slab", biot)
    assert z * np.tan(z) == pytest.approx(biot, rel=1e-7)


def test_sphere_with_biot_one_has_roots_at_odd_quarter_turns():
    """Algebra: 1 - z cot z = 1 means cot z = 0."""
    expected = (np.arange(40) + 0.5) * math.pi
    assert find_roots("sphere", 1.0) == pytest.approx(expected, rel=1e-13)


def test_worked_ball_in_numbers_without_unit():
    assert 1000 * BALL.half_m == pytest.approx(37.30, abs=0.005)
    assert BALL.biot(10) == pytest.approx(0.8289, abs=0.5e-4)
    roots = find_roots("sphere", BALL.biot(10))
    assert roots[0] == pytest.approx(1.4536, abs=0.5e-4)
    assert series_constants("sphere", roots)[0] == pytest.approx(1.2309, abs=0.5e-4)
    fourier = fourier_until(
        Profile.even("sphere", 24.0), biot=BALL.biot(10), surroundings=4.0, wanted=6.0
    )
    assert fourier == pytest.approx(1.188, abs=0.5e-3)


@pytest.mark.parametrize(("film", "hours"), [(5, 5.835), (10, 3.286), (20, 2.023)])
def test_worked_ball_in_hours(film, hours):
    span = time_until_core(
        BALL, start=24.0, surroundings_c=4.0, wanted_c=6.0, film=Film(film, film, film)
    )
    assert span.value == pytest.approx(hours, abs=0.5e-3)
    assert span.low == span.value == span.high


def test_ball_of_one_temperature_throughout_would_cool_too_fast():
    """Lumped model, by hand: t = rho cp V/(h A) ln 10 = 2.561 h, 22 % short of 3.286 h."""
    lumped = 1150 * 2800 * BALL.half_m / 3 / 10 * math.log(10) / 3600
    assert lumped == pytest.approx(2.561, abs=0.5e-3)
    span = time_until_core(
        BALL, start=24.0, surroundings_c=4.0, wanted_c=6.0, film=Film(10, 10, 10)
    )
    assert lumped / span.value == pytest.approx(0.78, abs=0.005)


@pytest.mark.parametrize("shape", ["sphere", "slab"])
@pytest.mark.parametrize("biot", BIOT)
@pytest.mark.parametrize("fourier", [0.25, 0.5, 1.0])
def test_series_meets_the_one_term_formula_beyond_a_fifth(shape, biot, fourier):
    """Printed rule: for Fo above 0.2 one term is within about 2 %; at 0.25 within 1 % here."""
    roots = find_roots(shape, float(biot))
    one = series_constants(shape, roots)[0] * math.exp(-(roots[0] ** 2) * fourier)
    done = march(
        Profile.even(shape, 1.0), biot=float(biot), fourier=[fourier], surroundings=np.zeros(2)
    )
    assert done.centre[1] == pytest.approx(one, abs=0.01)


@pytest.mark.parametrize("shape", ["sphere", "slab"])
def test_modes_of_an_even_body_add_up_to_one(shape):
    """Algebra: sum of constant times mean over the volume is 1 (40 modes leave under 0.01)."""
    roots = find_roots(shape, 2.0)
    total = np.sum(series_constants(shape, roots) * mode_means(shape, roots))
    assert total == pytest.approx(1.0, abs=1e-4)
