"""Error spending: identities, limits and what is refused."""

import numpy as np
import pytest

from doughlab.errors import InputError, OutOfRange
from doughlab.stats.spending import (
    crossing_chances,
    look_levels,
    spend_error,
    spending_bounds,
)


@pytest.mark.parametrize("kind", ["late", "even"])
def test_all_is_spent_at_the_end_and_nothing_at_the_start(kind):
    assert spend_error([0.0, 1.0, 1.4], alpha=0.1, kind=kind) == pytest.approx([0, 0.1, 0.1])


@pytest.mark.parametrize("kind", ["late", "even"])
@pytest.mark.parametrize("shares", [[1.0], [0.5, 1.0], [0.31, 0.33, 0.9, 1.0], [0.2, 0.7]])
def test_bounds_are_crossed_as_often_as_was_spent(kind, shares):
    bounds = spending_bounds(shares, kind=kind)
    spent = np.diff(spend_error(shares, kind=kind), prepend=0.0)
    assert crossing_chances(bounds, shares) == pytest.approx(spent, abs=1e-9)


def test_one_look_is_an_ordinary_range():
    assert look_levels([1.0]) == pytest.approx([0.95], abs=1e-9)


def test_a_look_does_not_depend_on_those_to_come():
    assert spending_bounds([0.25, 0.5])[1] == pytest.approx(spending_bounds([0.25, 0.5, 1.0])[1])


def test_a_first_look_with_next_to_no_data_judges_nothing():
    assert spending_bounds([0.01, 1.0])[0] == np.inf
    assert look_levels([0.01, 1.0]) == pytest.approx([1.0, 0.95], abs=1e-9)


def test_many_looks_stay_below_the_whole_error():
    t = np.arange(1, 21) / 20
    assert crossing_chances(spending_bounds(t), t).sum() == pytest.approx(0.05, abs=1e-8)


def test_what_is_refused():
    with pytest.raises(InputError) as error:
        spending_bounds([0.5, 0.5])
    assert str(error.value) == ("The shares at the looks must be above 0 and rise; got 0.5, 0.5.")
    with pytest.raises(InputError) as error:
        spending_bounds([])
    assert str(error.value) == "The shares at the looks must be above 0 and rise; got none."
    with pytest.raises(InputError) as error:
        crossing_chances([2.0], [0.5, 1.0])
    assert str(error.value) == "2 looks need 2 bounds; got 1."
    with pytest.raises(InputError) as error:
        spend_error(0.5, kind="early")
    assert str(error.value) == "kind 'early' is not known. Known: late, even."
    with pytest.raises(OutOfRange) as error:
        spend_error(0.5, alpha=1.0)
    assert str(error.value) == "alpha is 1; it must be above 0 and below 1."
