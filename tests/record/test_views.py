"""Views: records, states of balls, values and scores, from what a hand wrote down."""

from datetime import datetime, timedelta

import pytest

from doughlab.errors import UnknownName
from doughlab.record.balls import ball_states
from doughlab.record.readings import ball_values, left_out
from doughlab.record.records import Records
from doughlab.record.scores import ball_scores
from doughlab.settings import parse_settings


def rome(text):
    return datetime.fromisoformat(f"2026-{text}+01:00")


def states(hand):
    trial = hand.open()
    return ball_states(trial.frozen_plan, trial.records)


def test_an_empty_trial_is_planned_throughout(hand):
    assert {s.state for s in states(hand).values()} == {"planned"}
    assert hand.open().records.empty
    assert hand.open().records.last_at is None


def test_a_ball_walks_through_its_states(hand):
    assert states(hand)["B01-4"].state == "planned"
    (mix,) = hand.write("mixes", {"batch_id": "B01", "mixed_at": rome("03-02T09:00")})
    assert states(hand)["B01-4"].state == "mixed"
    hand.write("mixes", {"batch_id": "B01", "mixed_at": rome("03-02T09:00"), "action": "replace",
                         "balled_at": rome("03-02T09:45"), "replaces": mix,
                         "reason": "completed"})  # fmt: skip
    assert states(hand)["B01-4"].state == "held"
    hand.note("B01-4", "pulled", "03-03T08:15")
    assert states(hand)["B01-4"].state == "pulled"
    hand.write("bakes", {"ball_id": "B01-4", "baked_at": rome("03-03T09:45")})
    assert states(hand)["B01-4"].state == "baked"
    hand.write("scores", {"ball_id": "B01-4", "judge": "ada", "criterion": "crust", "score": 7})
    assert states(hand)["B01-4"].state == "scored"


def test_the_hold_is_counted_in_real_hours_from_balling(hand):
    hand.mix("B01", "03-02T09:00")
    hand.read("B01-1", "03-04T10:15", 5.4, 5.5)
    state = states(hand)["B01-1"]
    assert (state.hold_h, state.age_h, state.planned_hold_h) == (48.5, 49.25, 48.0)
    assert (state.state, state.pierced, state.readings) == ("read", True, 2)


def test_the_hold_does_not_trip_over_the_change_of_the_clocks(hand):
    start = datetime.fromisoformat("2026-03-28T10:00+01:00")
    hand.write("mixes", {"batch_id": "B01", "mixed_at": start, "balled_at": start})
    hand.write("readings", {"ball_id": "B01-2", "ph": 5.5, "read_at": "2026-03-29T10:00+02:00"})
    assert states(hand)["B01-2"].hold_h == 23.0


def test_the_hold_is_unknown_without_a_balling_time(hand):
    hand.read("B01-1", "03-04T10:15", 5.4)
    assert states(hand)["B01-1"].hold_h is None


def test_a_lost_ball_keeps_its_reason_and_a_lost_batch_loses_its_balls(hand):
    hand.note("B02-1", "lost", "03-03T10:00", "dropped")
    hand.note("B03", "lost", "03-03T10:00")
    found = states(hand)
    assert (found["B02-1"].state, found["B02-1"].lost_reason) == ("lost", "dropped")
    assert (found["B03-4"].state, found["B03-4"].lost_reason) == ("lost", "no reason given")
    assert found["B02-2"].state == "planned"


def test_warm_time_counts_before_the_cooler_and_after_it(hand):
    hand.mix("B01", "03-02T09:00")
    hand.note("B01-3", "pulled", "03-04T08:15")
    state = states(hand)["B01-3"]
    assert state.warm_h(rome("03-04T09:00")) == 1.75
    hand.write("bakes", {"ball_id": "B01-3", "baked_at": rome("03-04T09:45")})
    state = states(hand)["B01-3"]
    assert (state.warm_min, state.warm_h(rome("03-04T20:00"))) == (90.0, 2.5)


def test_warm_minutes_that_were_written_down_count_before_the_times(hand):
    hand.write("bakes", {"ball_id": "B01-3", "baked_at": rome("03-04T09:45"), "warm_min": 85,
                         "out_at": rome("03-04T08:15")})  # fmt: skip
    assert states(hand)["B01-3"].warm_min == 85.0


def test_the_last_record_is_not_moved_by_a_clock_that_runs_ahead(hand):
    hand.read("B01-1", "03-04T10:15", 5.4)
    hand.write("temperatures", {"place": "room", "at": rome("06-01T09:00"), "temp_c": 20},
               entered="03-05T09:00")  # fmt: skip
    assert hand.open().records.last_at == rome("03-05T09:00")


def test_history_names_the_tables(hand):
    assert hand.open().records.history("notes") == []
    with pytest.raises(UnknownName, match="record table 'reading' is not known"):
        hand.open().records.history("reading")


def test_readings_of_a_ball_are_averaged(hand):
    hand.read("B01-1", "03-04T10:15", 5.40, 5.44, 5.42)
    hand.read("B01-2", "03-03T10:15", 5.60)
    trial = hand.open()
    found = ball_values(trial.records, trial.settings, "ph")
    assert found["B01-1"].value == pytest.approx(5.42, abs=1e-12)
    assert found["B01-1"].spread == pytest.approx(0.02, abs=1e-12)  # by hand: 5.40 5.42 5.44
    assert (found["B01-1"].n, found["B01-1"].first_at) == (3, rome("03-04T10:15"))
    assert (found["B01-2"].n, found["B01-2"].spread) == (1, None)
    assert len(found) == 2


def test_a_corrected_reading_counts_once(hand):
    first, _ = hand.read("B01-1", "03-04T10:15", 4.5, 5.4)
    hand.read("B01-1", "03-04T10:15", 5.4, action="replace", replaces=first, reason="typo")
    trial = hand.open()
    assert ball_values(trial.records, trial.settings, "ph")["B01-1"].value == 5.4


def test_readings_by_another_method_are_never_pooled(hand):
    hand.read("B01-1", "03-04T10:15", 5.4)
    hand.read("B01-1", "03-04T10:15", 6.0, method="strip")
    hand.read("B01-2", "03-04T10:15", 6.0, method="strip")
    trial = hand.open()
    found = ball_values(trial.records, trial.settings, "ph")
    assert {b: v.value for b, v in found.items()} == {"B01-1": 5.4}
    assert left_out(trial.records, trial.settings, "ph") == [
        "Readings by strip are left out: the trial reads by slurry (B01-1, B01-2)."
    ]


def test_a_response_may_stand_in_a_column_of_its_own():
    settings, problems = parse_settings(
        "format = 1\nname = 'Cake'\ncode = 'CK'\n[responses.angle]\ntable = 'bakes'\n"
        "column = 'angle'\nmargin = 2.0\n[blocks]\nkind = 'none'\n"
    )
    assert problems == []
    rows = [{"ball_id": "B01-1", "angle": 42.0}, {"ball_id": "B01-2", "angle": None}]
    records = Records.of(bakes=rows)
    found = ball_values(records, settings, "angle")
    assert {b: (v.value, v.first_at) for b, v in found.items()} == {"B01-1": (42.0, None)}


def score(hand, ball, judge, **criteria):
    rows = [{"ball_id": ball, "judge": judge, "criterion": c, "score": s}
            for c, s in criteria.items()]  # fmt: skip
    return hand.write("scores", *rows)


def test_a_score_is_the_weighted_mean_of_its_criteria(hand):
    score(hand, "B01-3", "ada", crust=8, crumb=5)
    trial = hand.open()
    (found,) = ball_scores(trial.records, trial.settings, "bake")
    assert (found.ball_id, found.judge, found.value) == ("B01-3", "ada", 7.0)  # (2 x 8 + 5) / 3


def test_a_score_with_a_missing_criterion_is_missing_and_says_which(hand):
    score(hand, "B01-3", "ada", crust=8)
    trial = hand.open()
    (found,) = ball_scores(trial.records, trial.settings, "bake")
    assert (found.value, found.missing) == (None, ("crumb",))


def test_a_doubled_criterion_makes_the_score_missing_until_one_is_taken_back(hand):
    first, *_ = score(hand, "B01-3", "ada", crust=8, crumb=5)
    score(hand, "B01-3", "ada", crust=2)
    trial = hand.open()
    (found,) = ball_scores(trial.records, trial.settings, "bake")
    assert (found.value, found.doubled) == (None, ("crust",))
    hand.write("scores", {"action": "void", "replaces": first, "reason": "typed twice"})
    trial = hand.open()
    (found,) = ball_scores(trial.records, trial.settings, "bake")
    assert found.value == 3.0  # (2 x 2 + 5) / 3


def test_scores_of_two_judges_stay_apart(hand):
    score(hand, "B01-3", "ada", crust=8, crumb=5)
    score(hand, "B01-3", "ben", crust=5, crumb=5)
    trial = hand.open()
    found = ball_scores(trial.records, trial.settings, "bake")
    assert [(f.judge, f.value) for f in found] == [("ada", 7.0), ("ben", 5.0)]


def test_times_keep_their_order_whatever_their_offset(hand):
    hand.write("notes", {"about": "B01-3", "kind": "pulled", "at": "2026-03-04T07:30Z"},
               {"about": "B01-3", "kind": "pulled", "at": "2026-03-04T08:15+01:00"})  # fmt: skip
    assert states(hand)["B01-3"].pulled_at == rome("03-04T08:15")
    assert states(hand)["B01-3"].pulled_at + timedelta(minutes=15) == rome("03-04T08:30")
