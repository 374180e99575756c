"""Where the lots stand: each chart calls for what it is for, worked out by hand."""

from datetime import UTC, datetime, timedelta

import pytest

from doughlab.daily.journals import DailyRecords
from doughlab.daily.recipe import example_recipe
from doughlab.daily.standing import find_standing

START = datetime(2026, 4, 1, 9, tzinfo=UTC)
WORDS = "a step from the lot before beyond its limit (moving range)"


@pytest.fixture(scope="module")
def recipe():
    return example_recipe()


def lots(recipe, sds):
    """A reading a day at the checkpoint, so many standard deviations of a lot off the recipe."""
    sd = find_standing(recipe, readings(recipe, [0.0])).chart.limits.sd
    return find_standing(recipe, readings(recipe, [z * sd for z in sds]))


def readings(recipe, off):
    rows = [
        {"_row": i + 2, "lot": f"L{i:02d}", "at": START + timedelta(days=i), "room_c": None,
         "hold_h": recipe.hold_h, "ph": recipe.expected + o, "cooler_c": None}
        for i, o in enumerate(off)
    ]  # fmt: skip
    return DailyRecords(readings=rows)


@pytest.mark.parametrize(("step", "calls"), [(3.6, ()), (3.76, (1,))])
def test_a_step_from_lot_to_lot_calls_beyond_the_limit_of_moving_ranges(recipe, step, calls):
    """D4 d2 = 3.267 x 1.128 = 3.685 standard deviations (table of constants for two values, NIST
    handbook 6.3.2, from memory). Neither lot lies beyond two, so nothing else calls."""
    standing = lots(recipe, [step / 2, -step / 2])
    assert standing.signals == ()
    assert standing.calls == calls
    assert standing.now == ((WORDS,) if calls else ())
