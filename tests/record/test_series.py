"""Series: a ball read at take-out and in use is not averaged over its warm-up.

Rule of this project: readings 20 minutes or more apart are no repeats; expected values are counted
by hand from the times and numbers written here.
"""

from datetime import datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from doughlab.record.balls import ball_states
from doughlab.record.readings import ball_values, left_out
from doughlab.record.series import part_series

OUT = datetime.fromisoformat("2026-03-04T08:45+01:00")


def value(hand, ball="B01-1"):
    trial = hand.open()
    return ball_values(trial.records, trial.settings, "ph")[ball]


def test_the_value_is_the_reading_in_use_not_the_mean_over_the_warm_up(hand):
    hand.mix("B01", "03-02T09:00")
    hand.note("B01-1", "pulled", "03-04T08:45")
    hand.read("B01-1", "03-04T08:47", 5.84, 5.86)
    hand.read("B01-1", "03-04T10:15", 5.70, 5.72)
    found = value(hand)
    assert (round(found.value, 6), found.n) == (5.71, 2)
    assert found.first_at == datetime.fromisoformat("2026-03-04T10:15+01:00")
    state = ball_states(hand.open().frozen_plan, hand.open().records)["B01-1"]
    assert (state.hold_h, state.warm_min, state.readings) == (48.5, 90.0, 4)
    trial = hand.open()
    assert left_out(trial.records, trial.settings, "ph") == [
        "B01-1 read at times 20 min or more apart: the reading in use is the value (nearest to "
        "the usual warm-up counts); the others only tell how fast a ball warms up."
    ]


def test_a_reading_after_the_use_does_not_take_its_place(hand):
    """Warmed 90 minutes as usual, read again an hour later: the 90 minutes count."""
    hand.note("B01-1", "pulled", "03-04T08:45")
    hand.read("B01-1", "03-04T10:15", 5.70)
    hand.read("B01-1", "03-04T11:15", 5.60)
    assert value(hand).value == 5.70


def test_readings_minutes_apart_stay_one_mean(hand):
    """Three readings of one sample, ten minutes apart, are repeats: 20 minutes in all."""
    for at, ph in (("10:15", 5.40), ("10:25", 5.42), ("10:35", 5.44)):
        hand.read("B01-1", f"03-04T{at}", ph)
    found = value(hand)
    assert (round(found.value, 6), found.n) == (5.42, 3)
    assert not any("apart" in s for s in hand.said())


def test_without_a_take_out_the_last_counts_and_the_check_asks(hand):
    hand.read("B01-1", "03-04T08:47", 5.84)
    hand.read("B01-1", "03-04T10:15", 5.70)
    assert value(hand).value == 5.70
    trial = hand.open()
    assert left_out(trial.records, trial.settings, "ph") == [
        "B01-1 read at times 20 min or more apart: the reading in use is the value (no take-out "
        "is recorded, so the last one is taken as the one in use); the others only tell how fast "
        "a ball warms up."
    ]
    assert (
        "record/readings.csv, row 3, column read_at: B01-1 was read at times 20 min or more "
        "apart, and no take-out is recorded. The last reading is taken as the one in use. Say "
        "when it left the cooler: doughlab record pulled B01-1 --at TIME"
    ) in hand.said(level="note")


def test_the_counts_of_a_pair_are_those_of_one_series(hand):
    """Three readings are planned: three at take-out and three in use are no doubles."""
    hand.note("B01-1", "pulled", "03-04T08:45")
    hand.read("B01-1", "03-04T08:47", 5.84, 5.85, 5.86)
    hand.read("B01-1", "03-04T10:15", 5.70, 5.71, 5.72)
    hand.read("B01-2", "03-03T10:15", 5.60, 5.60, 5.60)
    assert not [s for s in hand.said() if "readings" in s and "planned" in s]


def test_acid_titrated_later_does_not_move_the_time_of_use(hand):
    hand.mix("B01", "03-02T09:00")
    hand.read("B01-1", "03-04T10:15", 5.70)
    hand.write("readings", {"ball_id": "B01-1", "read_at": OUT + timedelta(hours=2.5),
                            "acidity_ml": 4.2, "method": "slurry"})  # fmt: skip
    state = ball_states(hand.open().frozen_plan, hand.open().records)["B01-1"]
    assert state.hold_h == 48.5
    assert not [s for s in hand.said() if "take-out" in s]


@given(
    minutes=st.lists(st.integers(0, 400), min_size=1, max_size=8),
    warm=st.integers(0, 180),
    known=st.booleans(),
)
def test_no_reading_is_lost_and_no_series_spans_a_gap(minutes, warm, known):
    rows = [{"n": i, "read_at": OUT + timedelta(minutes=m)} for i, m in enumerate(minutes)]
    found = part_series(rows, out_at=OUT if known else None, warm_min=warm)
    groups = [found.used, *found.others]
    assert sorted(r["n"] for g in groups for r in g) == list(range(len(rows)))
    for group in groups:
        times = [r["read_at"] for r in group]
        assert all(b - a < timedelta(minutes=20) for a, b in pairwise(times))
    starts = sorted((g[0]["read_at"], g[-1]["read_at"]) for g in groups)
    for (_, end), (start, _) in pairwise(starts):
        assert start - end >= timedelta(minutes=20)
    if not known:
        assert found.used[-1]["read_at"] == max(r["read_at"] for r in rows)
        assert found.sure == (len(groups) == 1)


def test_of_two_as_near_the_later_counts():
    rows = [{"n": n, "read_at": OUT + timedelta(minutes=m)} for n, m in ((1, 60), (2, 120))]
    assert part_series(rows, out_at=OUT, warm_min=90).used[0]["n"] == 2


@pytest.mark.parametrize("rows", [[], [{"ph": 5.4}]])
def test_readings_without_a_time_are_one_series(rows):
    found = part_series(rows, out_at=None, warm_min=90)
    assert (list(found.used), found.others, found.sure, found.first_at) == (rows, (), True, None)
