"""Starters: learned from own feedings, judged by a reading, thrown away when spoiled."""

import math

import numpy as np
import pytest

from doughlab.errors import InputError, NotEstimable, OutOfRange
from doughlab.formula.clock import TemperatureHistory, equivalent_hours
from doughlab.formula.ripening import Q10Model, cardinal_model
from doughlab.formula.starter import (
    DISCARD,
    STARTER_CLOCK,
    Feeding,
    feed_grams,
    fit_starter,
    foresee_ripe,
    judge_reading,
)


def stay(hours, temp_c):
    return TemperatureHistory.from_steps([(hours, temp_c)])


def feedings(rng, n=8, *, per_fold=4.0, spread=0.08, fall=0.22):
    """Truth: 4 equivalent hours (at 20 C) per e-fold, pH falls 0.22 an equivalent hour."""
    out = []
    for _ in range(n):
        temp = float(rng.uniform(19, 27))
        flour = float(rng.uniform(100, 300))
        dilution = (50 + 2 * flour) / 50
        worth = per_fold * math.log(dilution) * math.exp(rng.normal(0, spread))
        hours = worth / STARTER_CLOCK.rate(temp)
        first = 5.6
        half = hours * 0.6
        at_half = equivalent_hours(stay(half, temp), STARTER_CLOCK)
        last = first - at_half * fall * math.exp(rng.normal(0, spread))
        out.append(
            Feeding(50, flour, flour, stay(hours + 1, temp), hours, ((0, first), (half, last)))
        )
    return out


MODEL = fit_starter(feedings(np.random.default_rng(4)))


def test_time_to_ripe_is_learned():
    value, low, high = MODEL.hours_to_ripe(9.0)
    truth = 4.0 * math.log(9)
    assert low < truth < high and value == pytest.approx(truth, rel=0.12)
    assert MODEL.feedings == 8 and MODEL.read_feedings == 8
    assert MODEL.fall == pytest.approx(0.22, rel=0.15)


def test_warmer_is_sooner_and_thinner_is_later():
    at_20 = foresee_ripe(MODEL, dilution=9, temp_c=20.0)
    at_26 = foresee_ripe(MODEL, dilution=9, temp_c=26.0)
    thin = foresee_ripe(MODEL, dilution=12, temp_c=20.0)
    assert at_26.hours < at_20.hours < thin.hours
    assert at_20.hours / at_26.hours == pytest.approx(STARTER_CLOCK.rate(26.0))
    assert at_20.kind == "wait" and at_20.words.startswith("ripe in ")


def test_hours_already_stood_count():
    fresh = foresee_ripe(MODEL, dilution=9, temp_c=20.0)
    later = foresee_ripe(MODEL, dilution=9, temp_c=20.0, stood=stay(3.0, 20.0))
    assert fresh.hours - later.hours == pytest.approx(3.0)
    over = foresee_ripe(MODEL, dilution=9, temp_c=20.0, stood=stay(60.0, 20.0))
    assert over.kind == "past" and over.words == "past ripe by its hours: read its pH"


def test_a_thinning_never_tried_is_refused():
    with pytest.raises(NotEstimable, match=r"Thinned 100\.0 times: feedings were watched from"):
        foresee_ripe(MODEL, dilution=100, temp_c=20)
    with pytest.raises(NotEstimable, match="At 3 °C this clock counts nothing"):
        foresee_ripe(MODEL, dilution=9, temp_c=3)


def test_a_reading_tells_ripe_wait_or_past():
    ripe = judge_reading(MODEL, 4.1, ripe=(3.9, 4.3), temp_c=22)
    assert (ripe.kind, ripe.words) == ("ripe", "4.10: ripe, use it now")
    wait = judge_reading(MODEL, 4.8, ripe=(3.9, 4.3), temp_c=22)
    truth = 0.5 / 0.22 / STARTER_CLOCK.rate(22.0)
    assert wait.kind == "wait" and wait.low_h < truth < wait.high_h
    past = judge_reading(MODEL, 3.6, ripe=(3.9, 4.3), temp_c=22)
    assert past.kind == "past" and past.hours is None
    with pytest.raises(OutOfRange, match=r"lies outside 2\.5 to 7\.5"):
        judge_reading(MODEL, 41, ripe=(3.9, 4.3), temp_c=22)


@pytest.mark.parametrize("ph", [3.6, 4.1, 4.8, 41.0])
def test_a_spoiled_starter_is_thrown_away_whatever_it_reads(ph):
    advice = judge_reading(MODEL, ph, ripe=(3.9, 4.3), temp_c=22, spoiled=True)
    assert advice.kind == "discard" and advice.words == DISCARD
    assert "throw all of it away, do not taste it" in DISCARD


def test_too_few_feedings_are_refused_with_what_to_record():
    with pytest.raises(NotEstimable) as raised:
        fit_starter(feedings(np.random.default_rng(1), n=1))
    assert str(raised.value) == (
        "1 feeding was watched until ripe. Record 3 feedings: grams of starter, flour and water, "
        "the temperature, and the hours until it was ripe."
    )
    unread = [
        Feeding(f.starter_g, f.flour_g, f.water_g, f.temps, f.ripe_h)
        for f in feedings(np.random.default_rng(1), n=4)
    ]
    model = fit_starter(unread)
    with pytest.raises(NotEstimable, match="read pH after feeding and once more"):
        judge_reading(model, 4.9, ripe=(3.9, 4.3), temp_c=22)


def test_a_feeding_in_the_cold_cannot_be_counted():
    cold = [Feeding(50, 200, 200, stay(20, 3.0), 20.0)] * 3
    with pytest.raises(NotEstimable, match="stood so cold that its clock counts nothing"):
        fit_starter(cold)


def test_ranges_hold_the_next_feeding_at_their_rate():
    """Truth as in `feedings`; 300 kitchens of 6 feedings, seed 31; within three errors."""
    rng = np.random.default_rng(31)
    held = 0
    clock = Q10Model(2.0, reference_c=20.0)
    for _ in range(300):
        watched = []
        for _ in range(6):
            hours = 4.0 * math.log(9) * math.exp(rng.normal(0, 0.1))
            watched.append(Feeding(50, 200, 200, stay(hours, 20.0), hours))
        _, low, high = fit_starter(watched, clock=clock).hours_to_ripe(9.0)
        held += low <= 4.0 * math.log(9) * math.exp(rng.normal(0, 0.1)) <= high
    assert held / 300 == pytest.approx(0.95, abs=0.038)


def test_grams_of_a_feeding():
    assert feed_grams(450, starter_part=1, flour_part=4, water_part=4) == {
        "starter": 50.0, "flour": 200.0, "water": 200.0,
    }  # fmt: skip
    with pytest.raises(InputError, match="A feeding needs grams, starter and flour above 0"):
        feed_grams(450, starter_part=0, flour_part=4, water_part=4)
    with pytest.raises(InputError, match="grams of starter and flour above 0"):
        Feeding(0, 100, 100, stay(5, 20)).dilution  # noqa: B018


def test_the_clock_may_be_another_one():
    other = fit_starter(feedings(np.random.default_rng(3)), clock=cardinal_model("yeast"))
    assert other.clock.optimum_c == 32.3
