"""Surfaces: a known level place comes back, in words a cook reads; what is not told is not told."""

import pytest

from doughlab.analysis import analyse
from doughlab.decision.surface import find_surface

PLAN = """
format = 1
name = "Invented kitchen"
code = "INV"
source = "invented"
seed = 7

[[questions]]
text = "How warm?"
factor = "mixing_water"
response = "ph"

[factors.mixing_water]
set = "batch"
kind = "number"
levels = ["54 F", "64 F"]
unit = "temp_c"
title = "mixing water"

[factors.hydration]
set = "batch"
kind = "number"
levels = [60, 66]
unit = "pct"

[responses.ph]
table = "readings"
column = "ph"
unit = "ph"
margin = 0.1
balls = 2

[blocks]
replicates = 2

[plan]
design = "central-composite"
"""


def bowl(levels, *, sign=1.0, cross=0.0):
    """Level at 60.8 F (16 C) and 62 %, 5.40 high: multiplied out from there."""
    x = (float(levels["mixing_water"].split()[0]) - 60.8) / 1.8
    y = float(levels["hydration"]) - 62.0
    return 5.40 + sign * 0.02 * x**2 + 0.02 * y**2 + cross * x * y


@pytest.fixture(scope="module")
def still(kitchen):
    return kitchen.Spread(day=1e-4, batch=2e-3, ball=1e-3)


def test_a_hollow_is_found_where_it_was_put_and_told_in_fahrenheit(kitchen, still):
    """Algebra: the surface was multiplied out from 60.8 F and 62 %."""
    surface = find_surface(analyse(kitchen.invent(PLAN, bowl, spread=still), "ph"))
    at = surface.natural(surface.point.location)
    assert at == pytest.approx([16.0, 62.0], abs=0.15)
    assert surface.where == "inside"
    place, shape = surface.sentences
    assert place == (
        "pH along mixing water and hydration is lowest at mixing water 61 F (61 to 61) and "
        "hydration 62.0 % (62.0 to 62.0): 5.40 (5.40 to 5.40), inside what was tried."
    )
    assert shape == "Picture it as the floor of a hollow: it rises on every side."


def test_a_pass_names_the_ways_up_and_down(kitchen, still):
    trial = kitchen.invent(PLAN, lambda x: bowl(x, sign=-1.0), spread=still)
    surface = find_surface(analyse(trial, "ph"))
    assert surface.point.nature == "saddle"
    assert " is level at mixing water 6" in surface.sentences[0]
    assert surface.sentences[1] == (
        "Picture it as a pass (saddle): up towards more hydration, down towards warmer mixing "
        "water, and the other way round the same."
    )


def test_a_trough_is_not_given_a_bottom(kitchen):
    """x² + 2xy + y² is level along a whole line: no place is told, its direction is."""
    noisy = kitchen.Spread(day=0.01, batch=0.01, ball=0.01)
    surface = find_surface(analyse(
        kitchen.invent(PLAN, lambda x: bowl(x, cross=0.04), spread=noisy), "ph"))  # fmt: skip
    assert surface.point.nature == "trough"
    assert surface.sentences == (
        "pH along mixing water and hydration: these batches do not tell where it is level "
        "(highest, lowest or a pass).",
        "Picture it as a trough: it rises to the sides, along it no fall or rise is shown (warmer "
        "mixing water and less hydration).",
    )


def test_a_range_that_leaves_what_was_tried_says_so_without_a_number(kitchen):
    """A bowl of two fifths the depth under more noise; seed 0 is one that leaves upwards."""
    noisy = kitchen.Spread(day=0.02, batch=0.05, ball=0.02)
    trial = kitchen.invent(PLAN, lambda x: 5.4 + 0.4 * (bowl(x) - 5.4), spread=noisy, seed=0)
    surface = find_surface(analyse(trial, "ph"))
    (_, highest), high = surface.tried[0], surface.natural(surface.point.high)[0]
    assert high > highest
    assert " mixing water 61 F (60 to over 66) and " in surface.sentences[0]
    assert surface.sentences[0].endswith(", whether inside what was tried is not told.")


def test_a_flat_surface_says_that_its_shape_is_not_told(kitchen):
    noisy = kitchen.Spread(day=0.02, batch=0.05, ball=0.03)
    surface = find_surface(analyse(kitchen.invent(PLAN, lambda _: 5.5, spread=noisy), "ph"))
    assert surface.sentences[1].startswith("Picture: too flat to say; by the numbers alone a ")


def test_a_plan_without_curves_has_no_surface(ph):
    assert find_surface(ph) is None
