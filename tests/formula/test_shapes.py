"""Curves over the hold: chosen by the number of holds, smooth where they hardly bend."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from doughlab.errors import NotEstimable
from doughlab.formula.shapes import (
    SHAPES,
    HourRange,
    choose_curve,
    find_crossing,
    shape_notes,
    share_done,
)


def test_the_curve_is_chosen_by_the_number_of_holds():
    found = [choose_curve(n) for n in range(2, 9)]
    assert found == ["line", "quadratic", "quadratic", "decay", "decay", "decay", "decay"]
    with pytest.raises(NotEstimable) as raised:
        choose_curve(1)
    assert str(raised.value) == (
        "One hold gives no curve over the hold. Record a second hold, better five of them."
    )


def test_what_few_holds_cannot_check_is_said():
    assert shape_notes("line", 2) == [
        "two holds: a straight line is taken, whether it bends cannot be seen"
    ]
    assert shape_notes("quadratic", 3) == [
        "three holds fix the curve: whether it runs that way between them is not checked"
    ]
    assert shape_notes("quadratic", 4) == ["four holds: start, end and rate of a decay need 5"]
    assert shape_notes("decay", 5) == []


@pytest.mark.parametrize("name", SHAPES)
def test_level_and_change_are_the_values_at_both_ends(name):
    shape = SHAPES[name]
    phi = np.tile([5.9, -0.6, 1.3][: len(shape.parameters)], (2, 1))
    values, _ = shape.value(np.array([0.0, 1.0]), phi)
    assert values == pytest.approx([5.9, 5.3])


@given(st.sampled_from(sorted(SHAPES)), st.floats(-3, 6), st.floats(-1, 1), st.floats(0, 1))
def test_slopes_are_those_of_small_differences(name, bend, change, s):
    shape = SHAPES[name]
    phi = np.array([[5.5, change, bend][: len(shape.parameters)]])
    x = np.array([s])
    _, slopes = shape.value(x, phi)
    for k in range(phi.shape[1]):
        step = np.zeros_like(phi)
        step[0, k] = 1e-5
        up, down = (shape.value(x, phi + d)[0] for d in (step, -step))
        assert slopes[0, k] == pytest.approx(float(up[0] - down[0]) / 2e-5, abs=1e-7)


@given(st.floats(0, 1))
def test_a_hardly_bent_curve_joins_the_bent_one(s):
    """Both sides of the switch to the series agree far below any reading."""
    x = np.array([s])
    below, above = (share_done(x, np.array([b]))[0][0] for b in (0.000999999, 0.001000001))
    assert below == pytest.approx(above, abs=1e-9)


def test_share_is_the_exponential_it_says():
    """By hand: half way with bend 2 is (1 - 1/e)/(1 - 1/e^2) = 0.731059."""
    assert share_done(np.array([0.5]), np.array([2.0]))[0][0] == pytest.approx(0.731058579)


def test_a_crossing_between_points_and_its_range():
    hours = np.linspace(24, 72, 481)
    found = find_crossing(hours, (50.03 - hours) * 0.01, np.full(481, 0.05))
    assert found.value == pytest.approx(50.03)
    assert (found.low, found.high) == (pytest.approx(45.03), pytest.approx(55.03))
    assert str(found) == "50 h (45 to 55)"


@pytest.mark.parametrize(
    ("edge", "half", "words"),
    [
        (20.0, 0.01, "before 24 h"),
        (23.0, 0.05, "before 24 h (up to 28)"),
        (80.0, 0.01, "after 72 h"),
        (74.0, 0.05, "after 72 h (from 69)"),
        (26.0, 0.05, "26 h (before 24 to 31)"),
        (70.0, 0.05, "70 h (65 to after 72)"),
    ],
)
def test_crossings_outside_the_tried_holds_are_not_drawn_out(edge, half, words):
    hours = np.linspace(24, 72, 481)
    assert str(find_crossing(hours, (edge - hours) * 0.01, np.full(481, half))) == words


def test_an_hour_is_said_with_its_side():
    assert HourRange(None, None, None, "after", (24, 72)).side == "after"
