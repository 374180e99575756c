"""Sense: every sentence that records can provoke, read whole."""

from datetime import datetime, timedelta

import pytest


def rome(text):
    return datetime.fromisoformat(f"2026-{text}+01:00")


READINGS, MIXES, BAKES = "record/readings.csv", "record/mixes.csv", "record/bakes.csv"
SCORES, NOTES, LOTS = "record/scores.csv", "record/notes.csv", "record/lots.csv"


@pytest.fixture
def whole(hand):
    """A trial in which the first two batches were mixed and one ball read, as planned."""
    hand.write("calibrations", {"calibration_id": "C01", "instrument": "meter",
                                "calibrated_at": rome("03-04T08:00"), "slope_pct": 98})  # fmt: skip
    hand.mix("B01", "03-02T09:00")
    hand.mix("B02", "03-02T09:45")
    hand.read("B01-1", "03-04T09:45", 5.41, 5.42, 5.43, calibration_id="C01", session="S02")
    assert hand.said() == []
    return hand


def read(hand, ball="B02-1", at="03-04T10:30", values=(5.4, 5.4, 5.4), **more):
    return hand.read(ball, at, *values, **({"calibration_id": "C01"} | more))


def bake(hand, ball="B01-3", at="03-04T09:45", **more):
    return hand.write("bakes", {"ball_id": ball, "baked_at": rome(at)} | more)


def score(hand, ball="B01-3", judge="ada", criterion="crust", value=7, **more):
    row = {"ball_id": ball, "judge": judge, "criterion": criterion, "score": value}
    return hand.write("scores", row | more)


def test_a_pierced_ball_is_never_baked(whole):
    bake(whole, "B01-1")
    assert whole.said(level="error") == [
        f"{BAKES}, row 2, column ball_id: B01-1 is a ball for reading: it is pierced and never "
        "baked or served. Take the entry back, or correct the ball."
    ]


def test_a_ball_planned_for_reading_is_never_baked_though_not_read_yet(whole):
    bake(whole, "B02-1", "03-04T10:30")
    assert [str(p) for p in whole.open().problems if p.level == "error"] == [
        f"{BAKES}, row 2, column ball_id: B02-1 is a ball for reading: it is pierced and never "
        "baked or served. Take the entry back, or correct the ball."
    ]


def test_a_bake_ball_that_was_read_is_pierced(whole):
    read(whole, "B01-3", "03-04T09:45", session="S02")
    sentence = (
        "B01-3 was planned for the bake. It is pierced now: never bake or serve it; take a spare."
    )
    assert whole.said() == [f"{READINGS}, row {r}, column ball_id: {sentence}" for r in (5, 6, 7)]
    bake(whole, "B01-3")
    assert any("B01-3 is a ball for reading: it is pierced" in s for s in whole.said(level="error"))


def test_scores_of_a_pierced_ball_are_an_error(whole):
    score(whole, "B01-1")
    assert whole.said(level="error") == [
        f"{SCORES}, row 2, column ball_id: B01-1 is a ball for reading: pierced, never baked or "
        "served. Correct the ball."
    ]


def test_a_lost_ball_that_was_read_waits_for_a_decision(whole):
    whole.note("B01-1", "lost", "03-04T11:00", "dropped")
    assert whole.said(level="error") == [
        f"{NOTES}, row 2, column about: B01-1 is marked lost, but {READINGS}, row 2, used it. It "
        "is left out until one of the two is taken back: --void ENTRY --reason TEXT."
    ]


def test_only_balls_and_batches_can_be_lost(whole):
    whole.note("B01-12", "lost", "03-04T11:00")
    (said,) = whole.said(level="error")
    assert said.startswith(
        f"{NOTES}, row 2, column about: 'B01-12' is no ball or batch of the plan, so it cannot be "
        "lost. Did you mean 'B01-2'?"
    )


def test_a_note_is_about_something_of_the_trial(whole):
    whole.note("B77", "note", "03-04T11:00", "x")
    (said,) = whole.said(level="error")
    assert said.startswith(f"{NOTES}, row 2, column about: 'B77' is nothing of this trial. ")
    for about in ("TW", "D1", "S02", "B01", "B01-1", "C01", "trial"):
        whole.note(about, "note", "03-04T11:00", "x")
    assert len(whole.said()) == 1


def test_a_ball_comes_out_after_it_went_in_and_before_it_is_used(whole):
    whole.note("B02-1", "pulled", "03-02T09:50")
    whole.note("B01-1", "pulled", "03-04T10:00")
    whole.note("B03", "pulled", "03-04T10:00")
    assert [s.split(". ")[0] for s in whole.said(level="error")] == [
        f"{NOTES}, row 2, column at: at 2026-03-02 09:50 lies before B02 was balled (2026-03-02 "
        "10:30)",
        f"{NOTES}, row 3, column at: at lies after B01-1 was used",
        f"{NOTES}, row 4, column about: 'B03' is no ball of the plan",
    ]


def test_a_reading_without_a_mix_has_no_hold(whole):
    read(whole, "B03-2", "03-04T09:45")
    assert whole.said(level="error") == [
        f"{MIXES}, column batch_id: no mix of B03 is recorded, so the hold of B03-2 is not known. "
        "Write it down: doughlab record mix B03 balled_at=TIME"
    ]


def test_a_mix_without_a_balling_time_gives_no_hold(whole):
    whole.write("mixes", {"batch_id": "B03", "mixed_at": rome("03-03T09:00")})
    read(whole, "B03-2", "03-04T09:45")
    assert "no balling time of B03 is recorded" in whole.said(level="error")[0]


def test_a_hold_far_from_the_plan_is_noted(whole):
    read(whole, "B02-1", "03-04T14:00")
    assert whole.said() == [
        f"{READINGS}, row 5, column read_at: B02-1 was held 51.5 h, planned were 48 h. The planned "
        "hold is analysed. Is the time right?"
    ]


@pytest.mark.parametrize(
    ("minutes", "noted"), [(-150, True), (-140, False), (140, False), (150, True)]
)
def test_two_hours_or_five_per_cent_are_not_far(whole, minutes, noted):
    due = rome("03-04T10:30") + timedelta(minutes=minutes)
    read(whole, "B02-1", f"{due:%m-%dT%H:%M}")
    assert bool(whole.said()) is noted


def test_a_reading_before_the_dough_is_an_error(whole):
    read(whole, "B02-1", "03-02T09:50")
    read(whole, "B02-2", "03-02T09:00")
    said = whole.said(level="error")
    assert said[0] == (
        f"{READINGS}, row 5, column read_at: read_at 2026-03-02 09:50 lies before B02 was "
        "balled (2026-03-02 10:30). Correct the time that is wrong."
    )
    assert said[-1] == (
        f"{READINGS}, row 10, column read_at: read_at 2026-03-02 09:00 lies before B02 was "
        "mixed (2026-03-02 09:45). Correct the time that is wrong."
    )


def test_another_method_is_left_out_and_said(whole):
    read(whole, method="strip", values=(5.5,))
    assert whole.said(level="error") == [
        f"{READINGS}, row 5, column method: read by strip; this trial reads by slurry. Methods are "
        "never pooled: the reading is left out."
    ]


def test_a_row_without_a_number_is_an_error(whole):
    read(whole, values=("",))
    assert whole.said(level="error") == [
        f"{READINGS}, row 5, column ph: there is no number in ph. Enter it, or void the row."
    ]


def test_more_or_fewer_readings_than_planned_are_noted(whole):
    read(whole, "B02-1", values=(5.4, 5.4, 5.4, 5.4))
    read(whole, "B01-2", "03-03T09:45", values=(5.6,), calibration_id=None)
    said = [s for s in whole.said() if "readings" in s.split(": ", 1)[1] and "calibration" not in s]
    last = [r["entry_id"] for r in whole.open().records.readings if r["ball_id"] == "B02-1"][-1]
    assert said == [
        f"{READINGS}, row 8, column ball_id: B02-1 has 4 readings, 3 are planned. All are "
        "averaged. Was it read twice? Take the last one back: doughlab record reading --void "
        f"{last[:8]} --reason TEXT",
        f"{READINGS}, row 9, column ball_id: B01-2 has 1 of 3 readings. The mean of these is used.",
    ]


def test_readings_hours_apart_are_noted(whole):
    read(whole, "B02-1", "03-04T10:30", (5.4, 5.4))
    read(whole, "B02-1", "03-04T13:00", (5.4,))
    assert any(
        s == f"{READINGS}, row 7, column read_at: the readings of B02-1 lie over 2 h apart. Is the "
        "time right?"
        for s in whole.said()
    )


def test_a_reading_without_buffers_is_noted_once_for_its_session(whole):
    read(whole, calibration_id=None, session="S02")
    read(whole, "B03-2", "03-04T09:45", calibration_id=None, session="S02")
    said = [s for s in whole.said() if "calibration" in s]
    first = next(r for r in whole.open().records.readings if r["calibration_id"] is None)
    assert said == [
        f"{READINGS}, row 5, column calibration_id: names no calibration. Write the buffers down "
        "before the next reading. Were they done before this one: doughlab record reading "
        f"--replaces {first['entry_id'][:8]} calibration_id=C01 --reason TEXT. The same "
        "holds for 5 more readings of that session."
    ]


def test_old_buffers_are_noted(whole):
    whole.mix("B04", "03-03T09:45")
    read(whole, "B04-1", "03-05T10:30")
    assert whole.said() == [
        f"{READINGS}, row 5, column calibration_id: rests on buffers 26 h old; they are due every "
        "24 h. The same holds for 2 more readings of that session."
    ]


def test_a_reading_before_its_buffers_is_noted(whole):
    read(whole, "B02-2", "03-03T10:30", (5.5, 5.5, 5.5))
    assert any("was taken before its calibration. Correct one of them." in s for s in whole.said())


def test_another_meter_is_noted(whole):
    read(whole, instrument="old meter")
    assert whole.said() == [
        f"{READINGS}, row 5, column instrument: was taken with 'old meter'; trial.toml names "
        "'meter'. The same holds for 2 more readings of that session."
    ]


def test_an_unknown_calibration_is_an_error(whole):
    read(whole, calibration_id="C9")
    assert whole.said(level="error")[0] == (
        f"{READINGS}, row 5, column calibration_id: calibration_id 'C9' is not in "
        "record/calibrations.csv. Known: C01."
    )


def test_an_unknown_ball_is_an_error_with_the_nearest(whole):
    read(whole, "B02-11", values=(5.4,))
    assert whole.said(level="error")[0].startswith(
        f"{READINGS}, row 5, column ball_id: ball_id 'B02-11' is not in plan/balls.csv. Did you "
        "mean 'B02-1'? Known: B01-1, "
    )


def test_a_session_that_does_not_exist_is_an_error_another_one_a_note(whole):
    read(whole, session="S77", values=(5.4,))
    read(whole, session="S01", values=(5.4, 5.4))
    assert whole.said() == [
        f"{READINGS}, row 5, column session: session 'S77' is not known. Known: S01, S02, S03.",
        f"{READINGS}, row 6, column session: session S01 is given; B02-1 was planned for S02.",
        f"{READINGS}, row 7, column session: session S01 is given; B02-1 was planned for S02.",
    ]


def test_times_of_a_mix_run_forward(whole):
    whole.mix("B03", "03-03T09:00", balled_at=rome("03-03T08:45"))
    whole.mix("B04", "03-03T09:45", cooled_at=rome("03-04T09:45"))
    assert whole.said() == [
        f"{MIXES}, row 4, column balled_at: balled_at lies before mixed_at. Correct the time that "
        "is wrong.",
        f"{MIXES}, row 5, column cooled_at: cooled_at lies 23 h after balled_at. Is the date "
        "right?",
    ]


def test_a_mix_on_another_day_is_noted(whole):
    whole.mix("B03", "03-05T09:00")
    assert whole.said() == [
        f"{MIXES}, row 4, column mixed_at: B03 was to be mixed on 2026-03-03 09:00; this says "
        "2026-03-05 09:00. Is the date right?"
    ]


def test_a_batch_mixed_twice_is_an_error(whole):
    whole.mix("B02", "03-02T09:50")
    assert whole.said(level="error") == [
        f"{MIXES}, row 4, column batch_id: batch_id 'B02' stands already in row 3; the first one "
        "counts. Correct one of them, or take it back, with a reason."
    ]


def test_more_water_than_flour_is_noted(whole):
    whole.mix("B03", "03-03T09:00", flour_g=600, water_g=1000)
    assert whole.said() == [
        f"{MIXES}, row 4, column water_g: water_g 1000 is over one and a half times the flour. Are "
        "the two in the right columns?"
    ]


def test_a_lot_is_written_down_and_of_the_right_kind(whole):
    whole.write("lots", {"lot_id": "F1", "kind": "flour"}, {"lot_id": "T1", "kind": "water"})
    whole.mix("B03", "03-03T09:00", flour_lot="F2", water_lot="F1")
    assert whole.said() == [
        f"{MIXES}, row 4, column flour_lot: lot 'F2' is not in {LOTS}. Known: F1, T1. "
        "Write it down: doughlab record lot F2",
        f"{MIXES}, row 4, column water_lot: lot 'F1' is a flour lot in {LOTS}; water is wanted "
        "here.",
    ]


def test_a_lot_cannot_be_used_before_it_was_made(whole):
    whole.write("lots", {"lot_id": "F1", "kind": "flour", "made_at": rome("03-04T08:00")})
    whole.mix("B03", "03-03T09:00", flour_lot="F1")
    assert whole.said(level="error") == [
        f"{LOTS}, row 2, column made_at: made_at lies after B03 was mixed with it. Correct the "
        "time."
    ]


def test_a_ball_is_baked_once(whole):
    bake(whole)
    bake(whole, at="03-04T10:00")
    assert whole.said(level="error") == [
        f"{BAKES}, row 3, column ball_id: B01-3 was baked already in row 2. Take one of them back: "
        "doughlab record bake --void ENTRY --reason TEXT."
    ]


def test_the_times_of_a_bake_agree(whole):
    bake(whole, "B01-3", out_at=rome("03-04T10:00"))
    bake(whole, "B02-3", "03-04T10:30", out_at=rome("03-04T09:00"), warm_min=60)
    bake(whole, "B01-4", "03-02T09:30")
    said = whole.said()
    assert f"{BAKES}, row 2, column out_at: out_at lies after baked_at. Correct the time." in said
    assert (
        f"{BAKES}, row 3, column warm_min: warm_min 60 and the two times (90 min) do not agree. "
        "Correct one of them." in said
    )
    assert (
        f"{BAKES}, row 4, column baked_at: baked_at 2026-03-02 09:30 lies before B01 was "
        "balled (2026-03-02 09:45). Correct the time that is wrong." in said
    )


def test_warm_time_over_the_limit_points_to_the_food_safety_plan(whole):
    bake(whole, "B01-3", "03-04T09:45", warm_min=200)
    assert whole.said() == [
        f"{BAKES}, row 2, column warm_min: B01-3 spent 4.3 h at room temperature; your limit is "
        "4 h. Follow your food-safety plan."
    ]


def test_judges_criteria_and_points_are_those_of_the_settings(whole):
    bake(whole)
    score(whole, judge="adda")
    score(whole, criterion="crus")
    score(whole, value=11)
    score(whole, criterion="crumb", value="")
    assert whole.said() == [
        f"{SCORES}, row 2, column judge: judge 'adda' is not known. Did you mean 'ada'? Known: "
        "ada, ben. A new judge is added to judges in [panel] of trial.toml.",
        f"{SCORES}, row 3, column criterion: criterion 'crus' is not known. Did you mean 'crust'? "
        "Known: crumb, crust.",
        f"{SCORES}, row 4, column score: score 11 lies outside 0 to 10 for crust. Correct it with "
        "a new entry and a reason.",
        f"{SCORES}, row 5, column score: score for crumb is empty. Enter it, or void the row.",
    ]


def test_a_criterion_scored_twice_is_an_error(whole):
    bake(whole)
    score(whole)
    score(whole, value=8)
    assert whole.said() == [
        f"{SCORES}, row 3, column criterion: ada scored crust of B01-3 already in row 2. Neither "
        "is used until one is taken back: --void ENTRY --reason TEXT."
    ]


def test_the_blind_code_is_that_of_the_ball(whole):
    bake(whole)
    score(whole, blind_code=131)
    score(whole, criterion="crumb", blind_code=141)
    assert whole.said() == [
        f"{SCORES}, row 3, column blind_code: blind code 141 is not the one of B01-3. Look on the "
        "sheet which ball was tasted."
    ]


def test_places_in_the_serving_order_are_taken_once(whole):
    bake(whole)
    bake(whole, "B02-3", "03-04T10:30")
    score(whole, position=1)
    score(whole, criterion="crumb", position=2)
    score(whole, "B02-3", position=1)
    assert whole.said() == [
        f"{SCORES}, row 3, column position: ada tasted B01-3 at place 1 and at place 2. Correct "
        "one.",
        f"{SCORES}, row 4, column position: ada tasted B01-3 at place 1 of S02 too (row 2). "
        "Correct one.",
    ]


def test_scores_follow_the_bake(whole):
    bake(whole)
    score(whole, scored_at=rome("03-04T09:40"))
    score(whole, criterion="crumb", scored_at=rome("03-05T09:40"))
    score(whole, "B02-3")
    assert whole.said() == [
        f"{SCORES}, row 2, column scored_at: scored_at 2026-03-04 09:40 lies before B01-3 was "
        "baked (2026-03-04 09:45). Correct the time that is wrong.",
        f"{SCORES}, row 3, column scored_at: scored_at lies 24 h after the bake. Is the time "
        "right?",
        f"{SCORES}, row 4, column ball_id: B02-3 has scores, but no bake. Write the bake down, or "
        "the right ball.",
    ]
