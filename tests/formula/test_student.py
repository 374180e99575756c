"""The quantile of Student's t against scipy and printed tables."""

import math

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from scipy.special import stdtr, stdtrit

from doughlab.errors import InputError, NotEstimable
from doughlab.formula.student import t_quantile, upper_tail


def test_as_printed():
    """Printed tables, two-sided 5 %, at 1, 5, 10, 30 and infinity."""
    found = [t_quantile(f) for f in (1, 5, 10, 30, math.inf)]
    assert found == pytest.approx([12.706, 2.571, 2.228, 2.042, 1.960], abs=5e-4)


@pytest.mark.parametrize("level", [0.5, 0.9, 0.95, 0.99, 0.999])
def test_scipy_agrees(level):
    freedoms = np.concatenate([np.linspace(0.7, 5, 30), np.geomspace(5, 1e5, 40)])
    expected = stdtrit(freedoms, 0.5 + level / 2)
    found = [t_quantile(float(f), level=level) for f in freedoms]
    assert found == pytest.approx(list(expected), rel=1e-8)


@example(5.960464477539063e-08, 32.0)
@example(1e-200, 3.0)
@example(0.0, 1.0)
@given(st.floats(0, 60), st.floats(0.5, 500))
def test_tail_agrees_with_scipy(t, freedom):
    assert upper_tail(t, freedom) == pytest.approx(float(stdtr(freedom, -t)), rel=1e-8, abs=1e-14)


def test_nothing_left_over_gives_no_range():
    for freedom in (0.0, -1.0, math.nan):
        with pytest.raises(NotEstimable, match="Too few values are left over"):
            t_quantile(freedom)
    with pytest.raises(InputError, match="must lie between 0 and 1"):
        t_quantile(5, level=95)
