"""The clock adds up over any split and is the wall clock at the reference temperature."""

from datetime import datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from doughlab.errors import InputError, OutOfRange
from doughlab.formula.clock import (
    TemperatureHistory,
    equivalent_hours,
    hour_when,
    ripening_course,
)
from doughlab.formula.ripening import Q10Model, SquareRootModel, cardinal_model

MODELS = [
    cardinal_model("yeast"),
    cardinal_model("sourdough bacteria", reference_c=28.0),
    SquareRootModel(-4.0, maximum_c=42.0),
    Q10Model(2.6, reference_c=4.0),
]

points = st.lists(
    st.tuples(st.floats(0.0, 20.0), st.floats(-5.0, 55.0)), min_size=2, max_size=8
).map(
    lambda rows: TemperatureHistory(
        tuple(np.cumsum([r[0] for r in rows])), tuple(r[1] for r in rows)
    )
)


@settings(deadline=None)
@given(points, st.lists(st.floats(0, 1), max_size=5), st.sampled_from(MODELS))
def test_pieces_add_up_to_the_whole(history, splits, model):
    """Whatever the split: at points, between them, twice at the same hour."""
    edges = sorted({0.0, 1.0, *splits})
    hours = [history.first_h + e * history.duration_h for e in edges]
    hours = [min(h, history.last_h) for h in hours]
    hours[-1] = history.last_h
    pieces = [equivalent_hours(history, model, start_h=a, end_h=b) for a, b in pairwise(hours)]
    whole = equivalent_hours(history, model)
    assert sum(pieces) == pytest.approx(whole, rel=1e-9, abs=1e-9)


@given(st.floats(0.0, 500.0), st.sampled_from(MODELS))
def test_at_the_reference_it_is_the_time_on_the_clock(hours, model):
    stay = TemperatureHistory.from_steps([(hours, model.reference_c)])
    assert equivalent_hours(stay, model) == pytest.approx(hours, rel=1e-12, abs=1e-12)


@settings(deadline=None, max_examples=40)
@given(points, st.sampled_from(MODELS))
def test_it_equals_a_numerical_integral_of_the_rate(history, model):
    """Against scipy's adaptive quadrature, kinks and points handed over as break points."""
    total = 0.0
    for i in range(len(history.hours) - 1):
        h0, h1 = history.hours[i], history.hours[i + 1]
        t0, t1 = history.temps_c[i], history.temps_c[i + 1]
        if h1 == h0:
            continue
        edges = [0.0, 1.0]
        if t1 != t0:
            edges += [s for b in model.breaks_c if 0 < (s := (b - t0) / (t1 - t0)) < 1]
        edges.sort()
        for a, b in pairwise(edges):
            part, _ = quad(lambda s, x=t0, y=t1: model.rate(x + s * (y - x)), a, b, epsabs=1e-12)
            total += (h1 - h0) * part
    assert equivalent_hours(history, model) == pytest.approx(total, rel=1e-8, abs=1e-8)


@settings(deadline=None)
@given(points, st.floats(0.01, 0.99), st.sampled_from(MODELS))
def test_the_hour_found_has_counted_the_hours_asked(history, share, model):
    whole = equivalent_hours(history, model)
    if whole < 1e-6:
        return
    hour = hour_when(history, model, share * whole)
    assert hour is not None
    counted = equivalent_hours(history, model, end_h=hour)
    assert counted == pytest.approx(share * whole, rel=1e-6, abs=1e-7)


def test_hour_beyond_the_history_is_none():
    stay = TemperatureHistory.from_steps([(10.0, 4.0)])
    model = Q10Model(2.0, reference_c=4.0)
    assert hour_when(stay, model, 10.0) == pytest.approx(10.0)
    assert hour_when(stay, model, 10.1) is None
    assert hour_when(stay, model, 0.0) == 0.0
    assert hour_when(stay, model, -1.0) is None


def test_ten_degrees_warmer_counts_the_factor_more():
    """Algebra: with a factor 2 for ten degrees, 3 h at 24 C and 40 h at 4 C are 12 + 40 h."""
    steps = TemperatureHistory.from_steps([(3.0, 24.0), (40.0, 4.0)])
    assert equivalent_hours(steps, Q10Model(2.0, reference_c=4.0)) == pytest.approx(52.0)


def test_a_rising_line_under_a_factor_has_a_closed_form():
    """Algebra: the integral of 2**(t/10) from 0 to 10 is 10/ln 2 times (2 - 1)."""
    line = TemperatureHistory((0.0, 10.0), (4.0, 14.0))
    expected = 10.0 / np.log(2.0)
    assert equivalent_hours(line, Q10Model(2.0, reference_c=4.0)) == pytest.approx(expected)


def test_course_gives_one_sum_for_each_point():
    steps = TemperatureHistory.from_steps([(1.0, 14.0), (2.0, 4.0)])
    course = ripening_course(steps, Q10Model(2.0, reference_c=4.0))
    assert course == pytest.approx([0, 2, 2, 4])


def test_a_history_of_times_keeps_the_clock_across_a_clock_change():
    times = [
        datetime.fromisoformat("2026-03-29T01:30+01:00"),
        datetime.fromisoformat("2026-03-29T03:30+02:00"),
    ]
    history = TemperatureHistory.from_times(times, [4.0, 4.0])
    assert history.duration_h == 1.0
    assert history.time_of(1.0) == times[1]
    assert history.hour_of(times[1]) == 1.0


def test_times_of_one_zone_are_true_hours_across_a_clock_change():
    """Python subtracts times of one zone by the wall clock; the history does not."""
    rome = ZoneInfo("Europe/Rome")
    times = [datetime(2026, 3, 29, 1, 30, tzinfo=rome), datetime(2026, 3, 29, 3, 30, tzinfo=rome)]
    history = TemperatureHistory.from_times(times, [4.0, 4.0])
    assert history.duration_h == 1.0
    assert history.hour_of(times[1]) == 1.0
    assert history.time_of(1.0).isoformat() == "2026-03-29T03:30:00+02:00"


def test_jump_belongs_to_what_comes_after_it():
    steps = TemperatureHistory.from_steps([(2.0, 22.0), (4.0, 4.0)])
    assert steps.at(2.0) == 4.0
    assert steps.cut(0.0, 2.0).temps_c == (22.0, 22.0)
    assert steps.cut(2.0, 3.0).temps_c == (4.0, 4.0)
    assert steps.mean_c == pytest.approx((2 * 22 + 4 * 4) / 6)
    assert steps.then([(1.0, 20.0)]).last_h == 7.0
    assert steps.shifted(1.0).coldest_c == 5.0 and steps.shifted(1.0).warmest_c == 23.0


def test_nothing_is_carried_on_beyond_the_ends():
    steps = TemperatureHistory.from_steps([(2.0, 22.0)])
    with pytest.raises(OutOfRange) as raised:
        steps.at(2.5)
    assert str(raised.value) == (
        "Hour 2.5 lies outside the temperature history, which runs from 0 to 2 h. Give "
        "temperatures for that time too."
    )


def test_hours_that_run_backwards_are_refused():
    with pytest.raises(InputError) as raised:
        TemperatureHistory((0.0, 3.0, 2.0), (4.0, 4.0, 4.0))
    assert str(raised.value) == (
        "The hours of a temperature history run backwards: 2 h stands after 3 h. Put them in "
        "order of time."
    )


@pytest.mark.parametrize(
    ("build", "words"),
    [
        (lambda: TemperatureHistory((0.0,), (4.0, 5.0)), "give one temperature for each hour"),
        (lambda: TemperatureHistory((), ()), "give one temperature for each hour"),
        (lambda: TemperatureHistory((0.0, 1.0), (4.0, float("nan"))), "holds a gap"),
        (lambda: TemperatureHistory.from_steps([(-1.0, 4.0)]), "shorter than nothing"),
        (lambda: TemperatureHistory.from_times([], []), "No reading stands"),
        (lambda: TemperatureHistory((0.0,), (4.0,)).hour_of(datetime.now()), "no time of day"),
        (lambda: TemperatureHistory((0.0, 2.0), (4.0, 4.0)).cut(2.0, 1.0), "runs backwards"),
    ],
)
def test_what_is_no_history_is_refused(build, words):
    with pytest.raises(InputError, match=words):
        build()


def test_ten_thousand_logger_rows_take_no_time():
    start = datetime.fromisoformat("2026-03-02T00:00+01:00")
    times = [start + timedelta(minutes=i) for i in range(10_000)]
    temps = 4.0 + np.sin(np.arange(10_000) / 50.0)
    history = TemperatureHistory.from_times(times, list(temps))
    hours = equivalent_hours(history, Q10Model(2.6, reference_c=4.0))
    assert hours == pytest.approx(history.duration_h, rel=0.01)
