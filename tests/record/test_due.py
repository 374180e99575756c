"""Due: the day of a trial, warm time, the meter and the cooler."""

from dataclasses import replace
from datetime import datetime

import pytest

from doughlab.errors import PlanError
from doughlab.record.due import closed_words, cooler_words, list_needs, meter_words, warm_balls


def rome(text):
    return datetime.fromisoformat(f"2026-{text}+01:00")


def day(hand, at):
    return [(d.when, d.step, d.item, f"{d.due_at:%H:%M}") for d in hand.open().due(rome(at))]


def close(hand, *days):
    """Close the kitchen on days of the week; the plan laid by hand stays as it is."""
    path = hand.folder / "trial.toml"
    path.write_text(f"{path.read_text()}\n[kitchen]\nclosed = {list(days)}\n")


def test_the_first_morning_is_for_mixing(hand):
    assert day(hand, "03-02T08:50") == [
        ("now", "mix", "B01", "09:00"),
        ("later", "mix", "B02", "09:45"),
    ]
    assert day(hand, "03-02T09:20")[0] == ("late", "mix", "B01", "09:00")


def test_a_mixed_batch_is_balled_and_its_balls_follow_on_their_day(hand):
    hand.write("mixes", {"batch_id": "B01", "mixed_at": rome("03-02T09:02")})
    assert ("later", "ball", "B01", "09:45") in day(hand, "03-02T09:10")
    assert not [d for d in day(hand, "03-02T09:10") if d[1] == "read"]


def test_the_day_of_a_session_goes_from_cooler_to_meter_to_oven(hand):
    hand.mix("B01", "03-02T09:00")
    assert day(hand, "03-03T08:20")[:4] == [
        ("missing", "mix", "B02", "09:45"),
        ("now", "take_out", "B01-2", "08:15"),
        ("now", "take_out", "B01-4", "08:15"),
        ("later", "mix", "B03", "09:00"),
    ]
    hand.note("B01-2", "pulled", "03-03T08:20")
    hand.note("B01-4", "pulled", "03-03T08:20")
    steps = [d for d in day(hand, "03-03T09:40") if d[2].startswith("B01")]
    assert steps == [("now", "read", "B01-2", "09:45"), ("now", "bake", "B01-4", "09:45")]
    assert ("late", "read", "B01-2", "09:45") in day(hand, "03-03T10:01")
    assert ("missing", "read", "B01-2", "09:45") in day(hand, "03-04T08:00")


def test_what_is_done_or_lost_is_not_due(hand):
    hand.mix("B01", "03-02T09:00")
    hand.read("B01-2", "03-03T09:45", 5.4, 5.4)
    hand.note("B01-4", "lost", "03-03T09:45")
    (left,) = [d for d in hand.open().due(rome("03-03T09:50")) if d.item == "B01-2"]
    assert (left.step, left.words) == ("read", "1 of 3 readings still to take")
    hand.read("B01-2", "03-03T09:46", 5.4)
    still = [d[2] for d in day(hand, "03-03T09:50") if d[2].startswith("B01")]
    assert set(still) == {"B01-5"}  # the spare, in the place of the ball that was lost


def test_a_pierced_ball_is_never_due_for_the_oven(hand):
    hand.mix("B01", "03-02T09:00")
    hand.read("B01-4", "03-03T09:40", 5.4)
    assert [d[2] for d in day(hand, "03-03T09:50") if d[1] == "bake"] == ["B01-5"]  # the spare


def test_a_batch_mixed_late_takes_its_balls_with_it(hand):
    hand.mix("B01", "03-02T14:00")
    (read,) = [d for d in hand.open().due(rome("03-03T14:40")) if d.step == "read"]
    assert f"{read.due_at:%H:%M}" == "14:45"
    assert read.words == "3 readings, on a piece you throw away; moved with its mix from Tue 09:45"
    hand2 = [d for d in day(hand, "03-03T14:40") if d[1] == "bake"]
    assert hand2 == [("now", "bake", "B01-4", "14:45")]


def test_half_an_hour_does_not_move_the_day(hand):
    hand.mix("B01", "03-02T09:25")
    assert ("now", "read", "B01-2", "09:45") in day(hand, "03-03T09:40")


def test_scores_wait_for_every_judge_and_criterion(hand):
    hand.mix("B01", "03-02T09:00")
    hand.write("bakes", {"ball_id": "B01-4", "baked_at": rome("03-03T09:45")})
    row = {"ball_id": "B01-4", "judge": "ada"}
    hand.write("scores", row | {"criterion": "crust", "score": 7})
    (due,) = [d for d in hand.open().due(rome("03-03T09:50")) if d.step == "score"]
    assert (due.item, due.words) == ("B01-4", "still to come: ada, ben")
    hand.write("scores", row | {"criterion": "crumb", "score": 7})
    (due,) = [d for d in hand.open().due(rome("03-03T09:50")) if d.step == "score"]
    assert due.words == "still to come: ben"


def test_warm_up_advice_ends_at_the_users_limit(hand):
    hand.mix("B01", "03-02T09:00")
    (out, _) = [d for d in hand.open().due(rome("03-03T08:20")) if d.step == "take_out"][:2]
    assert out.words == "90 min to warm; 1 h of your 4 h used"
    assert out.place == "shelf 2, place 1"
    hand.mix("B02", "03-02T09:45", cooled_at=rome("03-02T12:45"))
    out = next(d for d in hand.open().due(rome("03-03T09:05")) if d.item == "B02-2")
    assert out.words == "no warm-up advice: 3 h of your 4 h are used; follow your food-safety plan"


def test_a_late_ball_without_warm_up_advice_is_not_told_to_come_out(hand):
    """Cooler too warm, or the limit spent: then nothing says that it should be warmed."""
    from doughlab.cli import main

    hand.mix("B01", "03-02T09:00")
    folder = str(hand.open().folder)

    def said(capsys_at):
        import contextlib
        import io

        shown = io.StringIO()
        with contextlib.redirect_stdout(shown):
            main(["today", folder, "--at", capsys_at])
        return " ".join(shown.getvalue().split())

    assert "else take it out now, or mark it lost" in said("2026-03-03 09:30")
    hand.write("temperatures", {"place": "Cooler 1", "at": rome("03-03T08:00"), "temp_c": 6.2})
    warm = said("2026-03-03 09:30")
    assert "no warm-up advice: the cooler is too warm; follow your food-safety plan" in warm
    assert "take it out now" not in warm


def test_a_cooler_that_is_too_warm_ends_all_advice(hand):
    hand.mix("B01", "03-02T09:00")
    hand.write("temperatures", {"place": "Cooler 1", "at": rome("03-03T08:00"), "temp_c": 6.2},
               {"place": "room", "at": rome("03-03T08:00"), "temp_c": 22})  # fmt: skip
    trial = hand.open()
    at = rome("03-03T08:20")
    assert cooler_words(trial.settings, trial.records, at) == (
        "Cooler 1 6.2 °C at 08:00, above 5 °C: no warm-up and no pH advice; follow your "
        "food-safety plan"
    )
    out = next(d for d in trial.due(at) if d.step == "take_out")
    assert out.words == ("no warm-up advice: the cooler is too warm; follow your food-safety plan")
    hand.write("temperatures", {"place": "Cooler 1", "at": rome("03-03T08:10"), "temp_c": 4.9})
    trial = hand.open()
    assert cooler_words(trial.settings, trial.records, at) == ""
    assert cooler_words(trial.settings, trial.records, rome("03-03T08:05")) != ""


def test_balls_out_of_the_cooler_are_watched(hand):
    hand.mix("B01", "03-02T09:00")
    hand.note("B01-2", "pulled", "03-03T08:15")
    trial = hand.open()
    (ball,) = warm_balls(trial.frozen_plan, trial.records, rome("03-03T10:15"))
    assert (ball.spent_h, ball.over) == (3.0, False)
    assert ball.words == "3 h of your 4 h at room temperature"
    (ball,) = warm_balls(trial.frozen_plan, trial.records, rome("03-03T11:15"))
    assert ball.words == (
        "4 h of your 4 h at room temperature: no further advice, follow your food-safety plan"
    )


def test_the_meter_says_when_buffers_are_due(hand):
    trial = hand.open()
    at = rome("03-05T11:00")
    assert meter_words(trial.settings, trial.records, at) == (
        "no buffers recorded: do them before the first reading"
    )
    hand.write("calibrations", {"calibration_id": "C1", "instrument": "meter", "slope_pct": 97.8,
                                "calibrated_at": rome("03-04T08:00")})  # fmt: skip
    trial = hand.open()
    assert meter_words(trial.settings, trial.records, at) == (
        "27 h since buffers; last 97.8 %: do the buffers before the next reading"
    )
    assert meter_words(trial.settings, trial.records, rome("03-04T09:30")) == (
        "1 h 30 since buffers; last 97.8 %"
    )


def test_a_ball_knows_what_it_still_needs(hand):
    def needs(ball):
        trial = hand.open()
        return list_needs(trial.frozen_plan, trial.records, ball)

    assert needs("B01-2") == ["take out", "3 readings"]
    hand.mix("B01", "03-02T09:00")
    hand.read("B01-2", "03-03T09:45", 5.4, 5.4)
    assert needs("B01-2") == ["1 of 3 readings"]
    assert needs("B01-4") == ["take out", "bake"]
    hand.write("bakes", {"ball_id": "B01-4", "baked_at": rome("03-03T09:45")})
    assert needs("B01-4") == ["scores of ada, ben"]
    hand.note("B01-4", "lost", "03-03T10:00")
    assert needs("B01-4") == []
    assert needs("B01-5") == []  # a spare waits: nothing is lost before its bake


def test_without_a_plan_nothing_can_be_due(hand):
    from doughlab.trial import Trial

    for path in (hand.folder / "plan").iterdir():
        path.unlink()
    with pytest.raises(PlanError, match=r"has no plan yet. Look at one, then keep it: doughlab pl"):
        Trial.open(hand.folder).due(rome("03-02T09:00"))


def test_a_time_gone_by_shows_the_day_as_it_was(hand):
    hand.mix("B01", "03-02T09:00")
    hand.note("B01-2", "pulled", "03-03T08:15")
    hand.read("B01-2", "03-03T09:45", 5.4, 5.4, 5.4)
    assert ("now", "read", "B01-2", "09:45") in day(hand, "03-03T09:40")
    assert ("later", "ball", "B01", "09:45") in day(hand, "03-02T09:10")
    assert not [d for d in day(hand, "03-03T09:50") if d[2] == "B01-2"]


def test_a_ball_that_moves_onto_a_closed_day_says_so(hand):
    """Mixed on a Tuesday instead of the Monday, balls of 24 h are due on a Wednesday."""
    close(hand, "Wed", "Sun")
    hand.mix("B01", "03-03T09:00")
    words = {d.item: d.words for d in hand.open().due(rome("03-04T08:00"))}
    moved = "moved with its mix from Tue 09:45; the kitchen is closed on Wednesdays"
    assert words["B01-2"].endswith(moved)
    assert (
        "closed" not in words["B02"]
        and closed_words(hand.open().settings, rome("03-05T09:00")) == ""
    )


def test_each_meter_has_buffers_of_its_own(hand):
    """The pen's buffers of this morning say nothing of the trial's own meter."""
    for name, meter, at in (("C1", "meter", "03-02T06:00"), ("C2", "pen", "03-03T08:00")):
        hand.write("calibrations", {"calibration_id": name, "instrument": meter, "slope_pct": 98.0,
                                    "calibrated_at": rome(at)})  # fmt: skip
    settings, records = hand.open().settings, hand.open().records
    old = "27 h since buffers; last 98 %: do the buffers before the next reading"
    assert meter_words(settings, records, rome("03-03T09:00")) == old
    several = replace(settings, reading_method=replace(settings.reading_method, instrument=""))
    assert meter_words(several, records, rome("03-03T09:00")) == (
        f"meter: {old}; pen: 1 h since buffers; last 98 %"
    )
    other = replace(settings, reading_method=replace(settings.reading_method, instrument="spear"))
    assert meter_words(other, records, rome("03-03T09:00")) == (
        "no buffers recorded for spear: do them before the first reading"
    )


def test_a_ball_beyond_the_longest_hold_is_not_asked_for(hand):
    """Balled on 2 March at 09:45; 96 h later it is 6 March, 09:45, and a quarter of an hour."""
    hand.mix("B01", "03-02T09:00")
    words = {d.item: d.words for d in hand.open().due(rome("03-06T09:55")) if d.step == "take_out"}
    assert "over" not in words["B01-1"]
    late = [d for d in hand.open().due(rome("03-06T10:05")) if d.item.startswith("B01")]
    assert {d.step for d in late} == {"take_out", "read", "bake"}
    assert {d.words for d in late} == {
        "if it was done, write it down with its time; else it is over your longest hold of 96 h "
        "and not used any more: mark it lost"
    }


def test_a_ball_read_in_part_is_not_read_on_beyond_the_longest_hold(hand):
    """Two of three readings on 4 March; it cannot be marked lost, so nobody is told to."""
    hand.mix("B01", "03-02T09:00")
    hand.read("B01-1", "03-04T09:45", 5.41, 5.42)
    words = {d.item: d.words for d in hand.open().due(rome("03-06T09:55")) if d.step == "read"}
    assert words["B01-1"] == "1 of 3 readings still to take"
    words = {d.item: d.words for d in hand.open().due(rome("03-06T10:05")) if d.step == "read"}
    assert words["B01-1"] == (
        "if it was done, write it down with its time; else it is over your longest hold of 96 h "
        "and not used any more: it keeps its 2 readings"
    )
