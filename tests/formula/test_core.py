"""A ball's own temperature: stays, films, probes, and what is refused."""

import math

import numpy as np
import pytest

from doughlab.errors import InputError, NotEstimable, OutOfRange, UnknownName
from doughlab.formula.clock import TemperatureHistory
from doughlab.formula.core import (
    Span,
    Stage,
    calibrate_film,
    clock_words,
    follow_core,
    time_until_core,
)
from doughlab.formula.heat import (
    FILMS,
    Body,
    DoughHeat,
    Film,
    estimate_dough_heat,
    film_through_box,
    with_gas,
)

HEAT = DoughHeat(1150.0, 2.8, 0.45, 0.45, 0.45)
BALL = Body.ball(250, HEAT)
EXACT = Film(7, 7, 7)


def test_a_worse_film_takes_longer_and_gives_the_range():
    span = time_until_core(BALL, start=4.0, surroundings_c=20.0, wanted_c=15.0, film=FILMS["box"])
    alone = [
        time_until_core(
            BALL, start=4.0, surroundings_c=20.0, wanted_c=15.0, film=Film(h, h, h)
        ).value
        for h in (8.0, 5.0, 3.0)
    ]
    assert [span.low, span.value, span.high] == pytest.approx(alone)
    assert span.low < span.value < span.high


def test_stacked_boxes_cool_slower_than_one_box_and_that_slower_than_a_fan():
    hours = [
        time_until_core(BALL, start=24.0, surroundings_c=3.0, wanted_c=5.0, film=FILMS[name]).value
        for name in ("fan", "open", "box", "stack")
    ]
    assert hours == sorted(hours)


def test_what_the_room_cannot_reach_is_not_reached():
    span = time_until_core(BALL, start=4.0, surroundings_c=16.0, wanted_c=18.0, film=EXACT)
    assert span == Span(None, None, None)
    assert str(span) == "not reached"


def test_the_course_meets_the_time_found():
    span = time_until_core(BALL, start=24.0, surroundings_c=4.0, wanted_c=6.0, film=EXACT)
    course = follow_core(BALL, [Stage(span.value, 4.0, EXACT)], start=24.0)
    assert course.centre_c[-1] == pytest.approx(6.0, abs=1e-6)
    assert course.hours[-1] == pytest.approx(span.value)


def test_a_ball_taken_out_early_starts_from_its_own_profile():
    """After half an hour in the cooler its shell is colder than its core."""
    cooled = follow_core(BALL, [Stage(0.5, 4.0, EXACT)], start=24.0)
    assert cooled.surface_c[-1] < cooled.mean_c[-1] < cooled.centre_c[-1]
    own = time_until_core(
        BALL, start=cooled.end, surroundings_c=24.0, wanted_c=23.0, film=EXACT
    ).value
    even = time_until_core(
        BALL, start=cooled.centre_c[-1], surroundings_c=24.0, wanted_c=23.0, film=EXACT
    ).value
    assert own > even


def test_stays_follow_each_other_and_give_a_history_for_the_clock():
    course = follow_core(
        BALL, [Stage(0.5, 22.0, EXACT), Stage(20.0, 4.0, EXACT), Stage(1.5, 21.0, EXACT)],
        start=24.0,
    )  # fmt: skip
    history = course.history()
    assert history.duration_h == pytest.approx(22.0)
    assert history.at(20.5) == pytest.approx(4.0, abs=0.01)
    assert max(np.diff(history.hours)) <= 5 / 60 + 1e-9
    assert 4.0 < history.at(22.0) < 21.0


def test_a_logged_cooler_is_followed():
    """A cooler that warms by a step: the core ends at the step's temperature."""
    log = TemperatureHistory.from_steps([(10.0, 2.0), (20.0, 6.0)])
    course = follow_core(BALL, [Stage(30.0, log, EXACT)], start=24.0)
    assert course.history().at(10.0) == pytest.approx(2.0, abs=0.1)
    assert course.centre_c[-1] == pytest.approx(6.0, abs=0.01)


def test_a_log_shorter_than_the_stay_is_refused():
    log = TemperatureHistory.from_steps([(10.0, 2.0)])
    with pytest.raises(OutOfRange, match="Give temperatures for that time too"):
        follow_core(BALL, [Stage(30.0, log, EXACT)], start=24.0)
    with pytest.raises(InputError, match="shorter than nothing"):
        follow_core(BALL, [Stage(-1.0, 4.0, EXACT)], start=24.0)


def explicit_core(film, hours, start, air):
    """A ball in explicit shells, apart from the package, for probe readings."""
    cells = 60
    radius = (3 * 0.25 / 1150 / (4 * math.pi)) ** (1 / 3)
    dr = radius / cells
    edges = np.linspace(0, radius, cells + 1)
    volume = (edges[1:] ** 3 - edges[:-1] ** 3) / 3
    temps, dt = np.full(cells, start), 0.4 * dr**2 * 1150 * 2800 / 0.45
    outer = 1 / (1 / film + dr / 2 / 0.45)
    seconds, found = 0.0, []
    for target in hours:
        while seconds < target * 3600:
            flow = np.zeros(cells + 1)
            flow[1:-1] = 0.45 * edges[1:-1] ** 2 * np.diff(temps) / dr
            flow[-1] = outer * radius**2 * (air - temps[-1])
            temps = temps + dt * np.diff(flow) / volume / (1150 * 2800)
            seconds += dt
        found.append((target, float(temps[0])))
    return found


@pytest.mark.parametrize("film", [3.0, 7.0, 18.0])
def test_two_probe_readings_find_the_film(film):
    """Readings made by an explicit solution here; exact ones give the film within 1 %."""
    readings = explicit_core(film, [0.7, 1.6], 24.0, 4.0)
    found = calibrate_film(BALL, readings, start_c=24.0, surroundings_c=4.0)
    assert found.value_w_m2k == pytest.approx(film, rel=0.01)
    assert found.low_w_m2k < found.value_w_m2k < found.high_w_m2k
    assert found.source == "calibrated by 2 probe readings"


def test_range_of_a_calibrated_film_holds_the_truth_when_the_probe_is_off():
    """Any error up to the stated one, either side: the true film lies in the range."""
    rng = np.random.default_rng(20260302)
    exact = explicit_core(6.0, [0.8, 1.8], 24.0, 4.0)
    for _ in range(6):
        off = [(h, c + e) for (h, c), e in zip(exact, rng.uniform(-0.5, 0.5, 2), strict=True)]
        film = calibrate_film(BALL, off, start_c=24.0, surroundings_c=4.0, probe_error_c=0.5)
        assert film.low_w_m2k * 0.99 <= 6.0 <= film.high_w_m2k * 1.01


def test_probe_readings_that_cannot_tell_are_refused():
    with pytest.raises(InputError) as raised:
        calibrate_film(BALL, [(1.0, 15.0)], start_c=24.0, surroundings_c=4.0)
    assert str(raised.value) == (
        "1 probe reading cannot calibrate a film. Take two of the same ball: one soon, one when "
        "the core has covered about half of its way."
    )
    with pytest.raises(NotEstimable) as close:
        calibrate_film(BALL, [(1.0, 5.0), (2.0, 4.5)], start_c=5.0, surroundings_c=4.0)
    assert str(close.value) == (
        "Core 5 °C and surroundings 4 °C lie too close together to learn from. Calibrate while a "
        "warm ball cools or a cold one warms."
    )
    with pytest.raises(NotEstimable) as odd:
        calibrate_film(BALL, [(1.0, 15.0), (2.0, 26.0)], start_c=24.0, surroundings_c=4.0)
    assert str(odd.value) == (
        "A core of 26 °C after 2 h does not lie between 24 °C and 4 °C, where a film shows. Check "
        "probe, times and surroundings."
    )


def test_layers_of_a_box_add_their_resistances():
    """By hand: 1/10 + 0.002/0.2 + 1/5 = 0.31, so 3.2258 W/(m2 K)."""
    film = film_through_box(Film(10, 8, 12), wall_mm=2, inner=Film(5, 4, 6))
    assert film.value_w_m2k == pytest.approx(1 / 0.31)
    assert film.low_w_m2k == pytest.approx(1 / (1 / 8 + 0.01 + 1 / 4))
    assert film.high_w_m2k == pytest.approx(1 / (1 / 12 + 0.01 + 1 / 6))


def test_gas_makes_the_ball_larger_and_keeps_its_mass():
    risen = with_gas(BALL, 40)
    mass = risen.heat.density_kg_m3 * 4 / 3 * math.pi * risen.half_m**3
    assert mass == pytest.approx(0.250)
    assert risen.heat.conductivity_w_mk == pytest.approx(0.45 * 0.6 / 1.2)
    flat = Body.slab(40, HEAT)
    assert with_gas(flat, 50).half_m == pytest.approx(0.04)
    slow, fast = (
        time_until_core(b, start=4.0, surroundings_c=20.0, wanted_c=15.0, film=EXACT).value
        for b in (with_gas(flat, 50), flat)
    )
    assert slow > fast


def test_a_slab_on_an_insulator_is_half_of_a_slab_twice_as_thick():
    assert Body.slab(30, HEAT, one_sided=True).half_m == Body.slab(60, HEAT).half_m


def test_times_are_said_as_a_cook_says_them():
    assert str(Span(1.0, 0.5, None)) == "1 h (30 min to never)"
    assert [clock_words(h) for h in (0.01, 1.0, 2.76, 30.2)] == ["1 min", "1 h", "2 h 46", "30 h"]


@pytest.mark.parametrize(
    ("build", "kind", "words"),
    [
        (lambda: Body.ball(5, HEAT), OutOfRange, "ball_g 5 lies outside 20 to 5000 g"),
        (lambda: Body.slab(1, HEAT), OutOfRange, "thickness_mm 1 lies outside 2 to 500 mm"),
        (lambda: Film(5, 6, 8), InputError, "must lie in its range 6 to 8"),
        (lambda: Film(5, 4, 8).at("top"), UnknownName, "side of a range 'top'"),
        (lambda: with_gas(BALL, 90), OutOfRange, "gas_pct 90 lies outside 0 to 80"),
        (lambda: estimate_dough_heat(20), OutOfRange, "hydration_pct 20 lies outside 30 to 120"),
        (lambda: film_through_box(EXACT, wall_mm=80, inner=EXACT), OutOfRange, "wall_mm 80"),
    ],
)
def test_what_cannot_be_is_refused(build, kind, words):
    with pytest.raises(kind, match=words):
        build()
