"""Advice: never beyond the warm-time limit, silent above 5 °C, hours and orders by algebra."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doughlab.daily.advice import advise_today, advise_water, hours_until, order_trays
from doughlab.daily.journals import DailyRecords, out_minutes, spent_h
from doughlab.daily.recipe import example_recipe
from doughlab.daily.standing import find_standing
from doughlab.errors import NotEstimable
from doughlab.formula.heat import FILMS
from doughlab.formula.steps import usual_body
from doughlab.formula.warmup import WARMEST_MODEL, Warmth, WarmUpModel, warm_hours

NOON = datetime(2026, 4, 10, 12, tzinfo=UTC)
MODEL = WarmUpModel(0.12, 0.01, 0.02, 6, 12, (17.0, 25.0), 120.0, usual_body(), FILMS["box"],
                    WARMEST_MODEL, 3.6)  # fmt: skip
RECIPE = example_recipe()


@settings(max_examples=80)
@given(
    ph=st.floats(5.0, 6.6), room=st.floats(15, 27), out=st.floats(0, 300),
    before=st.floats(0, 5), limit=st.floats(0.5, 6), cooler=st.none() | st.floats(-2, 12),
    own=st.floats(2, 8),
)  # fmt: skip
def test_no_advice_ever_breaks_the_ceiling(ph, room, out, before, limit, cooler, own):
    warmth = Warmth(ph, room, warmed_min=out, spent_h=before + out / 60, limit_h=limit,
                    cooler_c=cooler, cooler_limit_c=own)  # fmt: skip
    today = advise_today(RECIPE, warmth, hold_h=48, max_hold_h=96, model=MODEL)
    told = [m for m in (today.minutes, today.low_min, today.high_min) if m is not None]
    assert all(0 <= m <= warmth.left_min + 1e-9 for m in told)
    text = " ".join(today.words)
    if cooler is not None and cooler > min(own, 5.0):
        assert today.kind == "none" and told == []
        assert "no advice on pH" in text
        assert not any(w in text for w in ("window", "later", "first", f"{ph:.2f}"))
    elif warmth.left_min <= 0:
        assert today.kind == "stop" and "food-safety plan" in text and len(today.words) == 1
    assert not any(w in text.casefold() for w in (" safe ", "pass", "release"))


@settings(max_examples=40)
@given(
    phs=st.lists(st.floats(5.6, 6.2), min_size=2, max_size=6), out=st.none() | st.floats(0, 150),
    lot=st.sampled_from(["L1", ""]), limit=st.floats(1.5, 5),
)  # fmt: skip
def test_a_cook_who_reads_again_and_again_never_passes_the_limit(phs, out, lot, limit):
    """Advice is followed to its last minute, and nobody types the minutes out a second time."""
    usual_min, before_h, at = 90.0, 1.0, NOON
    readings, truth_min = [], usual_min if out is None else out
    for number, ph in enumerate(phs):
        records = DailyRecords({}, readings)
        typed = out if number == 0 else None
        found = typed if typed is not None else out_minutes(
            records, lot, hold_h=48.0, at=at, usual_min=usual_min)  # fmt: skip
        spent = spent_h(None, found, usual_before_h=before_h)
        assert spent >= before_h + truth_min / 60 - 1e-9
        warmth = Warmth(ph, 20, warmed_min=found, spent_h=spent, limit_h=limit, cooler_c=3.0)
        today = advise_today(RECIPE, warmth, hold_h=48, max_hold_h=96, model=MODEL)
        readings = [*readings, {"lot": lot or None, "at": at, "hold_h": 48.0, "out_min": typed}]
        if today.kind != "warm":
            return
        truth_min += today.high_min
        at += timedelta(minutes=today.high_min)
        assert before_h + truth_min / 60 <= limit + 1e-9


def words(**changes):
    values = {"ph": 5.84, "room_c": 19.0, "warmed_min": 90.0, "spent_h": 2.5, "limit_h": 4.0,
              "cooler_c": 3.0} | changes  # fmt: skip
    model = values.pop("model", MODEL)
    hold = values.pop("hold_h", 48.0)
    return advise_today(RECIPE, Warmth(**values), hold_h=hold, max_hold_h=96, model=model)


def test_above_the_window_says_how_long_to_warm_and_when_to_bake_instead():
    today = words(model=replace(MODEL, rate=0.3))
    assert today.kind == "warm" and 0 < today.low_min < today.minutes < today.high_min <= 90
    worth = [
        warm_hours(MODEL.body, MODEL.film, MODEL.clock, cooler_c=3.6, room_c=19.0,
                   minutes=(90.0, 90.0 + today.minutes + step))
        for step in (-2.6, 2.6)  # minutes are rounded to five
    ]  # fmt: skip
    assert 0.3 * worth[0] < 5.84 - 5.75 < 0.3 * worth[1]
    assert today.words == (
        f"5.84: above the window. More warm-up: {today.minutes:.0f} min ({today.low_min:.0f} to "
        f"{today.high_min:.0f}) at 19 °C, then read again. Warm time so far 2 h 30 of your 4 h.",
        "Or bake later: trays still in the cooler reach the window in about 10 h (2 to 21), by "
        "the settled curve, in the usual cooler. Hold them back until then.",
    )


def test_inside_and_leaving_soon_is_used_first():
    assert words(ph=5.40).words == (
        "5.40: inside the window. Warm time so far 2 h 30 of your 4 h.",
        "Use this lot first: it leaves the window in about 6 h (0 to 16), by the settled curve, "
        "in the usual cooler.",
    )
    assert words(ph=5.70).words[1].startswith("In the cooler it leaves the window in about 40 h")


def test_below_the_window_says_that_warming_takes_it_further():
    assert words(ph=5.30).words == (
        "5.30: below the window, more warm-up takes it further. Warm time so far 2 h 30 of your "
        "4 h.",
        "Trays of this lot in the cooler go on falling: use them first, or bake one ball to see.",
    )


def test_a_hold_that_would_be_too_long_is_not_advised():
    assert words(ph=5.95, hold_h=80.0, model=NotEstimable("Nothing learned.")).words == (
        "5.95: above the window. Warm time so far 2 h 30 of your 4 h. Nothing learned.",
        "Holding it back does not help: it would need about 23 h (13 to 36), and your longest hold "
        "is 96 h.",
    )


def test_hours_until_is_the_fall_over_the_slope():
    """Algebra: 0.10 pH at 0.00875 pH an hour; the range with no spread is that of the slope."""
    still = example_recipe(ball_sd=0.0)
    hours, low, high = hours_until(still, 5.85, 5.75, sd=0.0)
    assert hours == pytest.approx(0.10 / 0.00875)
    assert (low, high) == pytest.approx((0.10 / 0.010, 0.10 / 0.0075))
    flat = example_recipe(levers=())
    assert hours_until(flat, 5.85, 5.75, sd=0.0) is None


def lots(plant, **ages):
    rows = {n: plant.lot_row(n, NOON - timedelta(hours=h, minutes=42), left=2)
            for n, h in ages.items()}  # fmt: skip
    return dict(sorted(rows.items(), key=lambda kv: kv[1]["mixed_at"]))


def test_trays_stand_in_the_order_in_which_they_leave_the_window(plant):
    """The curve opens at 29 h (5.75 on the line from 5.80 to 5.56) and never closes by 72 h."""
    records = DailyRecords(lots(plant, A=20, B=40, C=60))
    found = order_trays(RECIPE, records, at=NOON)
    assert [(t.lot, t.state) for t in found] == [
        ("B", "inside"), ("C", "inside"), ("A", "not yet"),
    ]  # fmt: skip
    assert found[-1].opens_h == pytest.approx(29.0 - 20.0)
    narrow = example_recipe(low=5.47)
    found = order_trays(narrow, records, at=NOON)  # closes at 60 h
    assert [t.lot for t in found] == ["C", "B", "A"]
    assert found[0].closes_h == pytest.approx(0.0, abs=1e-6)
    assert found[1].closes_h == pytest.approx(20.0)


def test_a_reading_moves_its_own_lot_and_a_warm_cooler_silences_it(plant):
    """0.05 low: it leaves where the mean is 5.52, at 48 + 24 x 0.04 / 0.18 h."""
    reading = plant.reading_row("B", NOON, 5.64 - 0.05, hold_h=40.0)
    records = DailyRecords(lots(plant, A=20, B=40), [reading])
    sure = example_recipe(ball_sd=0.0, low=5.47)  # a ball tells its lot wholly
    b = next(t for t in order_trays(sure, records, at=NOON) if t.lot == "B")
    assert b.reach_h == 0.0
    assert b.closes_h == pytest.approx(48.0 + 24.0 * 0.04 / 0.18 - 40.0)
    alike = example_recipe(lot_sd=0.0, low=5.47)  # lots do not differ: the ball tells nothing
    b = next(t for t in order_trays(alike, records, at=NOON) if t.lot == "B")
    assert b.closes_h == pytest.approx(20.0)
    last = order_trays(RECIPE, records, at=NOON, too_warm={"B": True})[-1]
    assert (last.lot, last.opens_h, last.closes_h) == ("B", None, None)
    assert last.words == "B (40 h, 2 trays): its cooler was too warm, no advice on pH"


def test_used_up_lots_are_not_listed(plant):
    rows = lots(plant, A=40, B=50)
    rows["A"]["left"] = 0
    assert [t.lot for t in order_trays(RECIPE, DailyRecords(rows), at=NOON)] == ["B"]


def test_tomorrows_water_follows_the_slope_and_stays_within_what_was_tried(plant):
    """0.10 high at -0.02 pH for 1 °C asks for 5 °C more; 18 °C is the end of what was tried."""
    rows = [plant.reading_row(f"L{i}", NOON + timedelta(days=i), 5.56 + d)
            for i, d in enumerate((0.0, 0.04, 0.2))]  # fmt: skip
    records = DailyRecords({}, rows)
    standing = find_standing(RECIPE, records)
    water = advise_water(RECIPE, standing, records)
    assert water.wanted_c == 18.0 and water.now_c == 15.0
    assert water.words == (
        "Tomorrow's mixing water, if no cause is found: 18 °C instead of 15 °C (the end of what "
        "was tried; slope of the trial, never beyond what was tried)."
    )
    quiet = DailyRecords({}, rows[:1])
    assert advise_water(RECIPE, find_standing(RECIPE, quiet), quiet) is None


def test_a_lot_mixed_with_the_new_water_already_is_not_corrected_twice(plant):
    """The two lots that lie 0.04 and 0.06 high had 15 °C; 0.05 at -0.02 asks for 17.5 °C."""
    narrow = example_recipe(lot_sd=0.015, ball_sd=0.01)
    rows = [plant.reading_row(f"L{i}", NOON + timedelta(days=i), 5.56 + d)
            for i, d in enumerate((0.0, 0.04, 0.06))]  # fmt: skip
    mixed = {f"L{i}": plant.lot_row(f"L{i}", NOON + timedelta(days=i - 2), water_temp_c=15.0)
             for i in range(3)}  # fmt: skip
    records = DailyRecords(mixed, rows)
    water = advise_water(narrow, find_standing(narrow, records), records)
    assert water.wanted_c == pytest.approx(17.5)
    mixed["L3"] = plant.lot_row("L3", NOON + timedelta(days=1), water_temp_c=17.5)
    later = DailyRecords(mixed, rows)
    assert advise_water(narrow, find_standing(narrow, later), later) is None
