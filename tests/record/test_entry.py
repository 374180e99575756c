"""Entries: what is typed at the bench, judged before it is stored."""

from datetime import datetime

import pytest

from doughlab.errors import InputError, UnknownName
from doughlab.record.desk import ACTIONS, Asked
from doughlab.record.entry import build_entry
from doughlab.record.folder import read_folder
from doughlab.record.intake import read_intake
from doughlab.record.journal import append


def rome(text):
    return datetime.fromisoformat(f"2026-{text}+01:00")


NOW = rome("03-04T10:00")


def build(hand, action, *words, now=NOW, **more):
    return build_entry(read_folder(hand.folder), Asked(action, words, now, **more))


def store(hand, action, *words, now=NOW, **more):
    entry = build(hand, action, *words, now=now, **more)
    return append(hand.folder, entry.table, entry.rows, now=now), entry


def refused(hand, action, *words, **more):
    with pytest.raises(InputError) as caught:
        build(hand, action, *words, **more)
    assert not (hand.folder / "record" / "bakes.csv").exists()
    return str(caught.value)


def test_a_mix_is_said_once_and_added_to(hand):
    store(hand, "mix", "B01", "water_temp_c=59 F", at="2026-03-02 09:02", now=rome("03-02T09:05"))
    ids, _ = store(hand, "mix", "b01", "balled_at=09:47", "room_temp_c=70 F",
                   now=rome("03-02T09:50"))  # fmt: skip
    (mix,) = hand.open().records.mixes
    assert mix["mixed_at"] == rome("03-02T09:02")
    assert mix["balled_at"] == rome("03-02T09:47")
    assert (mix["water_temp_c"], mix["room_temp_c"]) == (15.0, pytest.approx(21.1111, abs=1e-4))
    assert (mix["entry_id"], mix["reason"]) == (ids[0], "completed")
    assert len(hand.open().records.history("mixes")) == 2


def test_times_of_a_mix_typed_in_later_are_of_its_day(hand):
    """Without a day: of the day that --at names, else within a day after the mix."""
    later = rome("03-07T18:00")
    store(hand, "mix", "B01", "balled_at=9:47am", at="Mon 2 Mar 9:02", now=later)
    store(hand, "mix", "B01", "cooled_at=10:05", now=later)
    (mix,) = hand.open().records.mixes
    assert (mix["mixed_at"], mix["balled_at"]) == (rome("03-02T09:02"), rome("03-02T09:47"))
    assert mix["cooled_at"] == rome("03-02T10:05")
    store(hand, "mix", "B02", at="2026-03-02 23:50", now=later)
    store(hand, "mix", "B02", "balled=0:25", now=later)
    store(hand, "mix", "B02", "cooled_at=2026-03-04 0:40", now=later)
    late = hand.open().records.mixes[-1]
    assert (late["balled_at"], late["cooled_at"]) == (rome("03-03T00:25"), rome("03-04T00:40"))


def test_kitchen_words_find_their_column(hand):
    words = ("room=72F", "Water=54 F", "dough temp=75F", "flour_temp=70F", "mix=12", "flour=2 lb")
    _, entry = store(hand, "mix", "b1", *words)
    (mix,) = hand.open().records.mixes
    assert mix["batch_id"] == "B01"
    assert mix["room_temp_c"] == pytest.approx((72 - 32) / 1.8)
    assert mix["water_temp_c"] == pytest.approx((54 - 32) / 1.8)
    assert mix["dough_temp_c"] == pytest.approx((75 - 32) / 1.8)
    assert mix["flour_temp_c"] == pytest.approx((70 - 32) / 1.8)
    assert (mix["mix_min"], mix["flour_g"]) == (12, pytest.approx(907.18474))
    assert entry.shown["room_temp_c"] == "F"
    assert refused(hand, "mix", "B02", "water=54") == (
        "water=54 may be water_temp_c, water_g, water_ph_before, water_ph or water_lot. Write the "
        "whole name, or the unit behind the number, such as water_temp_c=54F or water=54F."
    )


def test_an_oven_and_a_rubric_are_named_in_any_case(hand):
    hand.mix("B01", "03-02T09:00")
    bake = build(hand, "bake", "b1-3", "oven=700F", "core=64F").rows[0]
    assert bake["oven_temp_c"] == pytest.approx((700 - 32) / 1.8)
    assert bake["ball_id"] == "B01-3"
    rows = build(hand, "score", "B01-3", "ada", "Crust=7", "crumb=6").rows
    assert [(r["criterion"], r["score"]) for r in rows] == [("crust", 7), ("crumb", 6)]


@pytest.mark.parametrize("words", [("B01-1,B01-2",), ("b1-1", "and", "b1-2"), ("B01-1;", "B01-2")])
def test_balls_that_came_out_are_listed_in_any_way(hand, words):
    hand.mix("B01", "03-02T09:00")
    assert build(hand, "pulled", *words).about == ("B01-1", "B01-2")


def test_a_mix_is_changed_with_a_reason_only(hand):
    hand.mix("B01", "03-02T09:00")
    assert refused(hand, "mix", "B01", "mixed_at=2026-03-02 09:05") == (
        "B01: mixed_at is 2026-03-02T09:00+01:00 already. To change it say why: --reason TEXT"
    )
    assert refused(hand, "mix", "B01") == (
        "B01 is written down already, mixed 2026-03-02 09:00. Add to it with name=value, such as "
        "balled_at=now."
    )
    store(hand, "mix", "B01", "mixed_at=2026-03-02 09:05", reason="clock was off")
    assert hand.open().records.mixes[0]["mixed_at"] == rome("03-02T09:05")


def test_readings_bring_what_the_trial_knows(hand):
    hand.mix("B01", "03-02T09:00")
    done = {"calibrated_at": rome("03-04T08:00"), "slope_pct": 97.0}
    hand.write("calibrations", {"calibration_id": "C1", "instrument": "meter", **done})
    ids, entry = store(hand, "reading", "TW/B01-1", "5.41", "5,43", "sample_temp_c=64 F")
    assert len(ids) == 2
    first, second = hand.open().records.readings
    assert [first["ph"], second["ph"]] == [5.41, 5.43]
    for row in (first, second):
        assert row["ball_id"] == "B01-1"
        assert row["read_at"] == NOW
        assert (row["method"], row["instrument"]) == ("slurry", "meter")
        assert row["prepared"] == "10 g in 100 g purified water, 5 min"
        assert (row["calibration_id"], row["session"]) == ("C1", "S02")
    assert entry.warnings == []
    assert entry.shown == {"sample_temp_c": "F"}


def test_the_temperature_of_a_sample_may_be_typed_as_that_of_a_buffer(hand):
    hand.mix("B01", "03-02T09:00")
    store(hand, "reading", "B01-1", "5.41", "temp_c=21")
    assert hand.open().records.readings[0]["sample_temp_c"] == 21.0


def test_what_looks_odd_is_stored_and_said(hand):
    hand.mix("B01", "03-02T09:00")
    _, entry = store(hand, "reading", "B01-3", "5.4")
    assert entry.warnings == [
        "B01-3 was planned for the bake. It is pierced now: never bake or serve it; take a spare.",
        "names no calibration. Write the buffers down before the next reading. Were they done "
        "before this one: doughlab record reading --replaces ENTRY calibration_id=C01 --reason "
        "TEXT.",
    ]


def test_buffers_written_down_later_are_named_by_the_line_that_is_said(hand):
    hand.mix("B01", "03-02T09:00")
    (name, *_), _ = store(hand, "reading", "B01-1", "5.41", at="9:45")
    store(hand, "calibration", "97.8%", at="8:00")
    said = " ".join(hand.said())
    line = f"doughlab record reading --replaces {name[:8]} calibration_id=C01 --reason TEXT"
    assert line in said
    store(hand, "reading", "calibration_id=C01", replaces=name[:8], reason="written down later")
    assert read_folder(hand.folder).records.readings[0]["calibration_id"] == "C01"
    assert "names no calibration" not in " ".join(hand.said())


def test_a_reading_before_its_mix_is_written_down_is_stored(hand):
    _, entry = store(hand, "reading", "B03-2", "5.4", at="09:45")
    assert any(w.startswith("no mix of B03 is recorded") for w in entry.warnings)


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("reading", "B01-1"), "Give the number too: doughlab record reading B03-2 5.41 5.43 5.40"),
        (("reading",), "Name the ball: doughlab record reading B03-2 5.41 5.43 5.40"),
        (("reading", "B01-1", "54.1"),
         "ph 54.1 lies outside 4 to 7. A decimal point may be missing (5.41)."),
        (("reading", "XX/B01-1", "5.4"), "'XX/B01-1' is a label of another trial: this one has the "
         "code TW. Look at the label, or name the right folder."),
        (("reading", "B01-1", "5.4", "warmth=20"), "column of record/readings.csv 'warmth' is not "
         "known. Known: acidity_ml, ball_id, calibration_id, instrument, method, note, ph, "
         "prepared and 3 more."),
        (("reading", "B01-1", "5.4", "read_at=soon"), "read_at 'soon' is not a time. Write it like "
         "14:10, yesterday 14:10 or 2026-03-05 14:10."),
        (("bake", "B01-1"), "B01-1 is a ball for reading: it is pierced and never baked or served. "
         "Take the entry back, or correct the ball."),
        (("bake", "B01-3", "42"), "Say what 42 is: write name=value. Known: ball_id, out_at, "
         "warm_min, core_temp_c, baked_at, oven_temp_c, bake_s, note."),
        (("score", "B01-3", "ada"), "Give the scores by criterion: crust= crumb="),
        (("score", "B01-3", "adda", "crust=7"),
         "judge 'adda' is not known. Did you mean 'ada'? Known: ada, ben. A new judge is added to "
         "judges in [panel] of trial.toml."),
        (("score", "B01-3", "ada", "crust=11"), "score 11 lies outside 0 to 10 for crust. Correct "
         "it with a new entry and a reason."),
        (("score", "999", "ada", "crust=7"),
         "No ball has the blind code 999. Look at the sheet again."),
        (("lot", "F1"), "kind is empty. Enter kind."),
        (("lot", "F1", "flour", "x"), "'x' was not expected. Write a column as name=value: "
         "doughlab record lot F2 flour"),
        (("lost", "B01-77"), "'B01-77' is no ball or batch of the plan, so it cannot be lost. Did "
         "you mean 'B01-5'? Known: B01-1, B01-2, B01-3, B01-4, B01-5, B02-1, B02-2, B02-3 and 12 "
         "more."),
        (("temperature", "cooler"),
         "Give the temperature too: doughlab record temperature cooler 38F"),
        (("pulled", "B09-1"), "'B09-1' is no ball of the plan. Did you mean 'B04-1'? Known: B01-1, "
         "B01-2, B01-3, B01-4, B01-5, B02-1, B02-2, B02-3 and 12 more."),
        (("raeding", "B01-1"), "action 'raeding' is not known. Did you mean 'reading'? Known: "
         "bake, calibration, care, consent, lost, lot, mix, note and 5 more."),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_whole(hand, words, message):
    assert refused(hand, *words) == message


def test_a_ball_that_was_read_is_refused_in_the_oven(hand):
    hand.mix("B01", "03-02T09:00")
    store(hand, "reading", "B01-5", "5.4")
    assert "B01-5 is a ball for reading: it is pierced" in refused(hand, "bake", "B01-5")


def test_a_lost_ball_is_left_out_until_that_is_taken_back(hand):
    hand.mix("B01", "03-02T09:00")
    (lost,), _ = store(hand, "lost", "B01-1", "dropped", "it")
    assert hand.open().records.notes[0]["note"] == "dropped it"
    entry = build(hand, "reading", "B01-1", "5.4")
    assert entry.warnings[-1] == (
        "B01-1 is marked lost, but record/readings.csv used it. It is left out until one of the "
        "two is taken back: --void ENTRY --reason TEXT."
    )
    store(hand, "note", void=lost[:8], reason="it was B02-1")
    store(hand, "reading", "B01-1", "5.4")
    assert hand.open().ball_states["B01-1"].state == "read"


def test_a_bake_takes_the_time_out_of_the_cooler_from_the_note(hand):
    hand.mix("B01", "03-02T09:00")
    store(hand, "pulled", "B01-3", "B01-4", at="8:15")
    store(hand, "bake", "131", "core_temp_c=64F", at="9:45")
    (bake,) = hand.open().records.bakes
    assert (bake["ball_id"], bake["out_at"]) == ("B01-3", rome("03-04T08:15"))
    assert bake["core_temp_c"] == pytest.approx(17.7778, abs=1e-4)
    assert hand.open().ball_states["B01-3"].warm_min == 90.0


def test_a_card_of_one_judge_is_one_entry_per_criterion(hand):
    hand.mix("B01", "03-02T09:00")
    store(hand, "bake", "B01-3", at="9:45")
    ids, _ = store(hand, "score", "131", "ada", "crust=7", "crumb=6,5", "position=2")
    rows = hand.open().records.scores
    assert [(r["criterion"], r["score"]) for r in rows] == [("crust", 7.0), ("crumb", 6.5)]
    assert {(r["ball_id"], r["blind_code"], r["position"]) for r in rows} == {("B01-3", 131, 2)}
    store(hand, "score", "crust=8", replaces=ids[0], reason="misheard")
    rows = hand.open().records.scores
    assert [(r["criterion"], r["score"], r["position"]) for r in rows] == [
        ("crust", 8.0, 2), ("crumb", 6.5, 2),
    ]  # fmt: skip


def test_a_correction_keeps_what_was_not_typed(hand):
    hand.mix("B01", "03-02T09:00")
    ids, _ = store(hand, "reading", "B01-1", "4.51", "note=a bit warm", at="9:45")
    store(
        hand, "reading", "ph=5.41", replaces=ids[0][:8], reason="typed 4", now=rome("03-05T10:00")
    )
    (row,) = hand.open().records.readings
    assert (row["ph"], row["note"], row["read_at"]) == (5.41, "a bit warm", rome("03-04T09:45"))
    assert row["reason"] == "typed 4"


def test_a_correction_may_give_the_number_bare_and_move_the_time(hand):
    hand.mix("B01", "03-02T09:00")
    ids, _ = store(hand, "reading", "B01-1", "4.51")
    store(hand, "reading", "B01-1", "5.41", replaces=ids[0], reason="x", at="9:50")
    (row,) = hand.open().records.readings
    assert (row["ball_id"], row["ph"], row["read_at"]) == ("B01-1", 5.41, rome("03-04T09:50"))


@pytest.mark.parametrize(
    ("words", "more", "message"),
    [
        (("B01-1", "5.4"), {"replaces": "e1"}, "Say why it is corrected: --reason TEXT"),
        (("B01-1", "5.4", "5.5"), {"replaces": "e1", "reason": "x"},
         "One entry replaces one entry; 2 were given. Correct them one by one."),
        ((), {"replaces": "e1", "reason": "x"}, "Say what is right: name=value, beside "
         "--replaces."),
        (("B01-1", "5.4"), {"replaces": "zz", "reason": "x"},
         "record/readings.csv: entry 'zz' is not known."),
        ((), {"void": "e1"}, "Say why it is taken back: --reason TEXT"),
        ((), {"void": "zz", "reason": "x"}, "record/readings.csv: entry 'zz' is not known."),
    ],
)  # fmt: skip
def test_a_correction_says_what_it_lacks(hand, words, more, message):
    hand.write("readings", {"ball_id": "B01-1", "read_at": NOW, "ph": 4.5, "entry_id": "e1"})
    with pytest.raises(InputError) as caught:
        build(hand, "reading", *words, **more)
    assert str(caught.value) == message


def test_a_void_says_what_it_was_about(hand):
    hand.write("readings", {"ball_id": "B01-1", "read_at": NOW, "ph": 4.5, "entry_id": "e1"})
    _, entry = store(hand, "reading", void="e1", reason="another ball")
    assert entry.about == ("B01-1",)
    assert hand.open().records.readings == []
    last = hand.open().records.history("readings")[-1]
    assert (last["action"], last["replaces"], last["ball_id"]) == ("void", "e1", "B01-1")


def test_a_set_from_a_phone_goes_as_a_whole_or_by_its_numbers(hand):
    """The rows of a set share the id made on the phone and differ in the number behind it."""
    own = "3608e144-9c1f-4aa0-8d55-0f2b6c1d7e90"
    hand.mix("B01", "03-02T09:00")
    for i, ph in enumerate((5.41, 5.43, 5.40), start=1):
        hand.read("B01-1", "03-04T09:45", ph, entry_id=f"{own}.{i}", entered_at=NOW)
    _, entry = store(hand, "reading", void="3608e144.2", reason="slip")
    assert entry.rows[0]["replaces"] == f"{own}.2"
    assert "--void 3608e144.1,3608e144.3 --reason TEXT" in entry.warnings[0]
    _, entry = store(hand, "reading", void="3608e144", reason="was B01-2")
    assert [r["replaces"] for r in entry.rows] == [f"{own}.1", f"{own}.3"]
    assert read_folder(hand.folder).records.readings == []


def test_a_calibration_gets_the_next_name(hand):
    store(hand, "calibration", "slope_pct=98", at="8:00")
    store(hand, "calibration", "slope_pct=97")
    assert [c["calibration_id"] for c in hand.open().records.calibrations] == ["C01", "C02"]
    assert hand.open().records.calibrations[0]["instrument"] == "meter"


def test_a_time_still_to_come_is_refused(hand, tmp_path):
    """Two minutes are left to clocks that differ, as the design says."""
    said = refused(hand, "reading", "B01-1", "5.4", at="tomorrow 10:00")
    assert said == (
        "read_at Thu 5 Mar 10:00 is still to come; it is Wed 4 Mar 10:00. Nothing was stored. "
        "Write it down once it is done; if it was the day before: yesterday 10:00."
    )
    assert "still to come" in refused(hand, "temperature", "cooler", "3.6", at="10:03")
    assert "still to come" in refused(hand, "mix", "B01", "balled_at=10:30", at="9:30")
    store(hand, "temperature", "cooler", "3.6", at="10:02")
    old = tmp_path / "old.csv"
    old.write_text("place,at,temp_c\ncooler,2026-03-04 09:00,3.5\ncooler,2026-03-05 09:00,3.5\n")
    with pytest.raises(InputError, match=r"old.csv, row 3, column at: at Thu 5 Mar 09:00 is still"):
        read_intake(read_folder(hand.folder), "temperatures", old, now=NOW)


def test_the_clock_of_a_phone_that_runs_ahead_is_said(hand):
    _, entry = store(hand, "temperature", "cooler 1", "38.5", "F", at="12:00", device=True)
    assert entry.warnings == [
        "at 2026-03-04 12:00 lies after the entry itself (2026-03-04 10:00). Is the clock of that "
        "device right?"
    ]
    (row,) = hand.open().records.temperatures
    assert (row["place"], row["temp_c"]) == ("cooler 1", pytest.approx(3.6111, abs=1e-4))


def test_a_blind_code_of_two_sessions_asks_for_the_ball(hand, tmp_path):
    from dataclasses import replace

    contents = read_folder(hand.folder)
    balls = [dict(b) for b in contents.plan.balls]
    for ball in balls:
        if ball["ball_id"] in {"B01-3", "B01-4"}:
            ball["blind_code"] = 555
    contents = replace(contents, plan=replace(contents.plan, balls=tuple(balls)))
    asked = Asked("score", ("555", "ada", "crust=7"), NOW)
    with pytest.raises(InputError) as caught:
        build_entry(contents, asked)
    assert str(caught.value) == (
        "Blind code 555 stands in several sessions (S02, S01). Give the ball instead."
    )


def test_every_action_stands_in_a_journal_and_shows_an_example():
    from doughlab.tables import RECORDS

    assert {a.table for a in ACTIONS.values()} == set(RECORDS)
    assert all(a.example and a.help for a in ACTIONS.values())


def test_an_unknown_entry_is_an_unknown_name(hand):
    with pytest.raises(UnknownName):
        build(hand, "reading", void="nobody", reason="x")


def test_a_batch_a_place_and_a_day_are_found_as_they_are_typed(hand):
    hand.mix("B01", "03-02T09:00")
    assert build(hand, "note", "b1", "felt", "stiff").about == ("B01",)
    row = build(hand, "temperature", "38F", "walk-in", "cooler").rows[0]
    assert (row["place"], row["temp_c"]) == ("walk-in cooler", pytest.approx((38 - 32) / 1.8))
    assert refused(hand, "bake", "B01-3", "b1-4") == (
        "One ball at a time: b1-4 has a time and a core of its own. Nothing was stored."
    )
    assert refused(hand, "bake", "B01-3", "700").startswith("Say what 700 is: write name=value.")
    assert refused(hand, "mix", "B02", "temp=75F").startswith("temp=75F may be room_temp_c, ")


def in_fahrenheit(hand):
    path = hand.folder / "trial.toml"
    path.write_text(path.read_text() + '\n[units]\ntemperature = "F"\n', encoding="utf-8")


@pytest.mark.parametrize(
    ("number", "said"),
    [
        ("60", "60 without a unit would be 60 °C; 60 °F would be 15.6 °C. Say which one: 60F or"),
        ("38", "38 without a unit would be 38 °C; it looks like 38 °F, which is 3.3 °C. Say which"),
        ("95", "95 without a unit would be 95 °C; 95 °F would be 35.0 °C. Say which one: 95F or"),
    ],
)
def test_a_bare_number_is_asked_about_in_a_fahrenheit_trial(hand, number, said):
    """5 C is 41 F, 15.6 C is 60 F: conversion by definition (NIST SP 811, B.8)."""
    in_fahrenheit(hand)
    assert said in refused(hand, "temperature", "cooler", number)


def test_what_is_usual_in_celsius_only_needs_no_unit(hand):
    in_fahrenheit(hand)
    _, entry = store(hand, "temperature", "cooler", "3.6")
    assert entry.rows[0]["temp_c"] == 3.6


def test_every_number_without_unit_is_named_at_once(hand):
    in_fahrenheit(hand)
    said = refused(hand, "mix", "B01", "water=65", "room=72", "dough=75")
    assert said.startswith("water=65 may be ")
    assert said.endswith(" The others need F or C too: room=72F dough=75F.")
    said = refused(hand, "mix", "B01", "water=65F", "room=72", "dough=75")
    assert said.endswith(
        "Say which one: room_temp_c=72F dough_temp_c=75F or room_temp_c=72C dough_temp_c=75C. "
        "Nothing was stored."
    )


def test_adding_to_a_mix_of_another_day_needs_no_at(hand):
    store(hand, "mix", "B01", at="2026-03-02 09:00")
    said = refused(hand, "mix", "B01", "balled=9:45", at="2 Mar 9:45")
    assert said == (
        "B01: mixed_at is 2026-03-02T09:00+01:00 already. To add to it leave --at out: an hour is "
        "taken of the day it was mixed. To change it say why: --reason TEXT"
    )
    store(hand, "mix", "B01", "balled=9:45")
    assert read_folder(hand.folder).records.mixes[0]["balled_at"] == rome("03-02T09:45")


def test_a_temperature_forgotten_beside_a_set_is_added_to_all_of_it(hand):
    """20 C is 68 F, by definition."""
    hand.mix("B01", "03-02T09:00")
    store(hand, "reading", "B01-1", "5.41", "5.43", "5.40", at="9:45")
    store(hand, "reading", "B01-1", "temp=68F")
    rows = read_folder(hand.folder).records.readings
    assert [r["ph"] for r in rows] == [5.41, 5.43, 5.40]
    assert [r["sample_temp_c"] for r in rows] == pytest.approx([20.0] * 3)
    assert {(r["action"], r["reason"]) for r in rows} == {("replace", "completed")}
    assert refused(hand, "reading", "B01-1", "temp=70F").startswith(
        "The readings of B01-1 have sample_temp_c 20 °C already. To change one: --replaces with"
    )
    assert "Give the number too" in refused(hand, "reading", "B02-1", "temp=70F")
