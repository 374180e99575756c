"""Steps of a ball: stays in order, hours counted, logs drawn out by an hour at most."""

import pytest

from doughlab.errors import InputError
from doughlab.formula.clock import TemperatureHistory
from doughlab.formula.ripening import Q10Model
from doughlab.formula.steps import BallSteps, cover, usual_body

BODY = usual_body(260, 62)
CLOCK = Q10Model(2.6, reference_c=4.0)


def test_a_ball_at_the_reference_throughout_counts_its_hold():
    steps = BallSteps(2, 40, 3, dough_c=4, bench_c=4, cooler_c=4, room_c=4)
    assert steps.ripening_h(BODY, CLOCK) == pytest.approx(45.0)


def test_bench_and_warm_up_count_for_more_and_never_for_more_than_the_air():
    """Bounds by hand: all at 4 C, and every stay at its air's rate with the dough's own heat."""
    steps = BallSteps(0.5, 46, 1.5, dough_c=22, bench_c=22, cooler_c=4, room_c=22)
    worth = steps.ripening_h(BODY, CLOCK)
    warm = CLOCK.rate(22.0)
    assert 48.0 < worth < 0.5 * warm + 46 + 1.5 * warm + 3 * warm


def test_a_cooler_log_takes_the_place_of_one_temperature():
    even = BallSteps(0, 40, 0, dough_c=6, cooler_c=6).ripening_h(BODY, CLOCK)
    log = TemperatureHistory.from_steps([(40.0, 6.0)])
    assert BallSteps(0, 40, 0, dough_c=6, cooler_c=log).ripening_h(BODY, CLOCK) == pytest.approx(
        even
    )


def test_stays_of_no_time_are_left_out():
    assert len(BallSteps(0, 40, 0).stages()) == 1
    assert BallSteps(0, 0, 0).follow(BODY).centre_c[-1] == 24.0
    with pytest.raises(InputError) as raised:
        BallSteps(0.5, -1, 0)
    assert str(raised.value) == (
        "cooler_h -1 is shorter than nothing: look at the times of balling, cooler and use."
    )


def test_a_log_is_drawn_out_by_an_hour_at_most():
    log = TemperatureHistory((0.5, 9.4), (3.0, 4.0))
    whole = cover(log, 10.0)
    assert whole.hours == (0.0, 0.5, 9.4, 10.0) and whole.temps_c == (3.0, 3.0, 4.0, 4.0)
    assert cover(whole, 10.0) == whole
    for late, hours in ((1.5, 10.0), (0.0, 11.0)):
        short = TemperatureHistory((late, 9.4), (3.0, 4.0))
        with pytest.raises(InputError, match="more than 1 h is not guessed"):
            cover(short, hours)
