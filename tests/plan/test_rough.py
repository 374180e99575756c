"""Pilots and meter studies: how roughly spreads are told, and who reads what."""

from collections import Counter

import pytest
from scipy.stats import nct, t

from doughlab.commands.ready import ready_trial
from doughlab.plan.facts import describe_plan
from doughlab.plan.meters import list_readings, reading_lines
from doughlab.plan.plan import build_plan
from doughlab.plan.precision import plan_precision
from doughlab.plan.rough import count_told, spread_range
from doughlab.settings import parse_settings


def planned(name):
    text = ready_trial(name, start_on="2026-03-02", timezone="UTC", seed=3)
    found, problems = parse_settings(text)
    assert found is not None, [str(p) for p in problems]
    return build_plan(found)


@pytest.mark.parametrize(
    ("df", "low", "high"),
    [(1, 5.024, 0.001), (2, 7.378, 0.051), (3, 9.348, 0.216), (10, 20.483, 3.247)],
)  # fmt: skip
def test_ranges_of_a_spread_come_from_the_chi_square_table(df, low, high):
    """Upper and lower 2.5 % points as printed in NIST/SEMATECH e-Handbook, 1.3.6.7.4."""
    found = spread_range(df)
    assert found[0] == pytest.approx((df / low) ** 0.5, rel=1e-3)
    assert found[1] == pytest.approx((df / high) ** 0.5, rel=2e-2)


def test_a_pilot_tells_days_batches_balls_and_readings():
    """Six batches on three days, three balls each, three readings each: 2, 3, 12 and 36."""
    plan = planned("pilot")
    assert count_told(plan.settings, plan) == {
        "days": 2, "batches": 3, "balls": 12, "readings": 36,
    }  # fmt: skip
    first, second = describe_plan(plan.settings, plan).kind
    assert first == (
        "a pilot: nothing is varied. It shows how much your dough differs by itself, from day to "
        "day, batch to batch and ball to ball; the next trial plans with it (assumed_from)"
    )
    assert second == (
        "how sure that will be: the true difference may be so many times the measured one (95 % "
        "range): days 0.52 to 6.3 times; batches 0.57 to 3.7 times; balls 0.72 to 1.7 times; "
        "readings 0.81 to 1.3 times (degrees of freedom: days 2, batches 3, balls 12, readings 36)"
    )


def test_a_plan_that_foresees_nothing_does_not_say_what_it_assumes():
    """Kitchen words come first: no standard deviations where no chance rests on them."""
    plan = planned("pilot")
    assert plan_precision(plan.settings, plan).text() == ""


def test_a_meter_study_is_crossed():
    plan = planned("meter-study")
    readings = list_readings(plan)
    balls = [b["ball_id"] for b in plan.balls if b["purpose"] == "ph"]
    assert len(readings) == len(balls) * 2 * 2 * 2 == 80
    counts = Counter((r.ball, r.reader, r.meter) for r in readings)
    assert set(counts.values()) == {2} and len(counts) == len(balls) * 4
    assert readings == list_readings(plan)
    half = len(readings) // 2
    assert {r.repeat for r in readings[:half]} == {1}  # one round ends before the next begins


def test_a_meter_study_says_what_it_takes():
    plan = planned("meter-study")
    assert describe_plan(plan.settings, plan).kind == (
        "10 balls, each read by chef and sous with meter_a and meter_b, 2 times: 80 readings, "
        "crossed, in an order drawn by lot; 80 g of sample from each ball, thrown away",
    )


def test_a_plan_without_readers_lists_no_readings():
    assert list_readings(planned("pilot")) == ()


def test_the_order_of_a_meter_study_is_written_ball_by_ball():
    """Every reading stands once, in the order drawn by lot; a new round says so."""
    plan = planned("meter-study")
    lines = reading_lines(plan)
    assert [x for x in lines if x.startswith("round")] == [
        "round 1, in this order:", "round 2, in this order:",
    ]  # fmt: skip
    assert max(map(len, lines)) <= 80
    said = []
    for line in lines:
        if not line.startswith("round"):
            _, ball, pairs = line.split(maxsplit=2)
            said += [(ball, *pair.split()) for pair in pairs.split(", ")]
    assert said == [(r.ball, r.reader, r.meter) for r in list_readings(plan)]
    assert reading_lines(planned("pilot")) == []


def test_the_flour_lot_check_says_how_many_batches_would_give_a_verdict():
    """Power of the t test by the non-central t (scipy): too little at 6, enough at 8.

    Variance of a batch's mean: 0.05^2, its own filling of water 0.02^2, 0.03^2 / 3 of its balls,
    0.015^2 / 9 of the readings; 4 batches a day, 2 of each lot.
    """
    variance = 0.05**2 + 0.02**2 + 0.03**2 / 3 + 0.015**2 / 9
    powers = {}
    for each in (6, 8):
        df = 2 * each - 1 - each // 2  # the mean and the days, each // 2 of them, and the lots
        critical, shift = t.ppf(0.975, df), 0.10 / (2 * variance / each) ** 0.5
        powers[each] = nct.sf(critical, df, shift) + nct.cdf(-critical, df, shift)
    assert powers[6] < 0.795 < powers[8]
    plan = planned("flour-lot")
    notes = plan_precision(plan.settings, plan).notes
    (said,) = [n for n in notes if n.startswith("This plan cannot answer")]
    assert said == (
        'This plan cannot answer "Is the new lot like the lot in use?" (pH): flour: too few '
        "batches are left over to judge by (2; 3 are wanted), so no range and no verdict. Plan "
        "more batches. 7 batches for each level of flour, on days like the planned, would find a "
        "difference of 0.10 4 times in 5."
    )
