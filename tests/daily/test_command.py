"""`doughlab daily` as a cook types it: what is stored, what is said, read whole."""

import csv
import json

import pytest

AT = ("--at", "2026-04-10 12:00")


def rows(folder, name):
    with (folder / "daily" / f"{name}.csv").open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def strip_entries(text):
    import re

    return re.sub(r"\(entry [^)]*\)", "(entry)", text)


def test_a_reading_is_stored_and_answered_in_one_step(kept, daily):
    code, said = daily(kept, "--read", "5.84", "--hold", "48h", "--room", "66F", "--cooler", "36F",
                       "--note", "lunch", *AT)  # fmt: skip
    assert code == 0
    row = rows(kept, "readings")[0]
    assert (row["ph"], row["hold_h"], row["note"], row["lot"]) == ("5.84", "48", "lunch", "")
    assert float(row["room_c"]) == pytest.approx(18.89, abs=0.01)
    assert strip_entries(said).startswith(
        "stored 5.84 at 48 h, room 66 °F, cooler 36 °F (entry) 5.84: above the window. Warm time "
        "so far 2 h 30 of your 4 h. No advice on warming up yet: no ball was read twice while it "
        "warmed up."
    )
    assert (
        "Or bake later: trays still in the cooler reach the window in about 10 h (2 to 21), by "
        "the settled curve, in the usual cooler. Hold them back until then. Taken as usual: 1 h 30 "
        "out of the cooler, or longer if it was read before (--out), 1 h before it (--warm gives "
        "all). Lot 1 on the chart: 0.28 above what is expected at 48 h; limits 0.17 to each side, "
        "from the settled recipe (2026-03-20). The trial knows that centre to 0.06; from 12 lots "
        "on, your own limits: --limits --reason TEXT. Rules (western electric 1956, EWMA, CUSUM, "
        "moving range): beyond three standard deviations; slow drift (EWMA). Even if nothing "
        "moves, about 6 of 10 kitchens with limits like these see some call within 20 lots."
    ) in said
    assert said.endswith(
        "The window is about handling and baking; food safety follows your own plan. wrote "
        "daily/readings.csv"
    )


def test_lots_read_twice_teach_the_warm_up_and_the_minutes_keep_the_limit(kept, daily):
    for n, room in enumerate(("17C", "19C", "22C", "24C")):
        day = f"2026-04-0{n + 1}"
        daily(kept, "--new-lot", f"L{n}", f"mixed_at={day} 09:00", f"cooled_at={day} 10:00")
        for clock, ph, out in (("12:00", "5.84", "10"), ("13:30", "5.76", "100")):
            daily(kept, "--read", ph, "--lot", f"L{n}", "--room", room, "--cooler", "3.5C",
                  "--out", out, "--hold", "48h", "--at", f"2026-04-0{n + 3} {clock}")  # fmt: skip
    args = ("--read", "5.78", "--hold", "48h", "--room", "20C", "--cooler", "3.5C")
    code, said = daily(kept, *args, "--out", "60", *AT)
    assert code == 0
    assert "5.78: above the window. More warm-up: " in said
    assert "then read again. Warm time so far 2 h of your 4 h." in said
    code, said = daily(kept, *args, "--warm", "3 h 55 min", "--at", "2026-04-12 12:00", "--json")
    facts = json.loads(said)
    assert facts["advice"] == "stop" and facts["more_min"] is None
    assert facts["warm_h"] == pytest.approx(3 + 55 / 60)


def test_above_5_c_nothing_is_said_about_ph(kept, daily):
    daily(kept, "--new-lot", "L1", "mixed_at=2026-04-08 11:00", "trays=4")
    args = ("--read", "5.60", "--lot", "L1", *AT)
    code, said = daily(kept, *args, "--cooler", "47F")
    assert code == 0 and rows(kept, "readings")[0]["ph"] == "5.6"
    stored, rest = strip_entries(said).split("(entry) ")
    assert stored == "stored 5.60 at 49 h, lot L1, cooler 47 °F "
    assert rest == (
        "The cooler was at 47 °F, above 41 °F: no advice on pH or warm-up; follow the food-safety "
        "plan of the kitchen. Cooler: leave a thermometer in a glass of water in the middle of the "
        "cooler for a night and compare it with the display; look at the door seal. The window is "
        "about handling and baking; food safety follows your own plan. wrote daily/readings.csv"
    )
    # a good reading afterwards does not take it back for this lot, nor does --json say more
    code, said = daily(kept, *args, "--cooler", "3C", "--json")
    facts = json.loads(said)
    assert facts["advice"] == "none"
    assert not {"points", "trays", "shift", "cpk", "signals"} & set(facts)


def test_without_a_recipe_the_reading_is_still_stored(shop, daily):
    code, said = daily(shop, "--read", "5.84", "--hold", "48h")
    assert code == 1 and len(rows(shop, "readings")) == 1
    assert strip_entries(said).startswith(
        "stored 5.84 at 48 h (entry) Stored, but nothing is settled here yet, so it cannot be "
        "placed."
    )


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--read", "58"), "Say how long the ball was held: --hold 48h, or name its --lot."),
        (("--read", "5.8", "--lot", "L9"), "daily/lots.csv: lot 'L9' is not known."),
        (("--new-lot", "L1", "tray=6"), "--new-lot NAME trays=6: column 'tray' is not known. Did "
         "you mean 'trays'?"),
        (("--change", "left=2"), "Say which lot: --lot NAME --change left=2."),
        (("--limits",), "Limits are computed anew on purpose only: --limits --reason TEXT."),
        (("--limits", "--reason", "x"), "Limits of your own need 12 lots read within 6 h of the "
         "checkpoint; there are 0. Those in force stay."),
        (("--limits", "--reason", "x", "--since", "May"),
         "--since 'May' is no date. Write it like 2027-03-01."),
        (("--tick", "opening", "9"), "'9' is no point of this list: it has 1 to 6. Type --tick "
         "opening 1 3-5."),
        (("--checklist", "closing"), "checklist 'closing' is not known. Known: mixing, opening."),
        (("--rules", "mine"), "rule set 'mine' is not known. Known: nelson 1984, western "
         "electric 1956."),
        (("--void", "abc", "--reason", "x"), "daily/: entry 'abc' is not known."),
        (("--settle", "--by", "Mo", "--reason", "x", "--expires", "soon"),
         "--expires 'soon' is no date. Write it like 2027-03-01."),
    ],
)  # fmt: skip
def test_wrong_words_are_answered_with_what_would_be_right(kept, daily, words, said):
    code, found = daily(kept, *words)
    assert code == 1 and found.startswith(f"doughlab daily: {said}"), found


def test_a_lot_is_stored_changed_and_taken_back_by_new_rows(kept, daily):
    daily(kept, "--new-lot", "L1", "mixed_at=2026-04-08 09:00", "trays=6", "place=shelf 2")
    code, said = daily(kept, "--lot", "L1", "--change", "left=2")
    assert code == 0 and "changed lot L1: left=2" in said
    code, said = daily(kept, "--lot", "L1", "--change", "left=9", "--reason", "counted again")
    assert code == 1
    assert said == "doughlab daily: left 9 is more than the 6 trays made. Look at the number."
    code, said = daily(kept, "--lot", "L1", "--change", "place=shelf 3")
    assert code == 1 and "a correction needs the entry it is about and a reason" in said
    kept_rows = rows(kept, "lots")
    assert [(r["action"], r["left"], r["reason"]) for r in kept_rows] == [
        ("add", "6", ""), ("replace", "2", "trays used"),
    ]  # fmt: skip
    code, said = daily(kept, "--new-lot", "L1", "trays=3")
    assert code == 1 and said.startswith("doughlab daily: Lot 'L1' is there already, mixed 2026-04")
    late = ("mixed_at=2026-04-08 09:00", "cooled_at=2026-04-08 08:00")
    code, said = daily(kept, "--new-lot", "L2", *late)
    assert said == (
        "doughlab daily: cooled_at 08:00 lies before mixed_at 09:00. Look at the times of the lot."
    )
    assert len(rows(kept, "lots")) == 2


def test_a_reading_is_corrected_with_a_reason_and_the_first_row_stays(kept, daily):
    daily(kept, "--read", "6.54", "--hold", "48h", *AT)
    entry = rows(kept, "readings")[0]["entry_id"][:8]
    args = ("--read", "5.54", "--hold", "48h", *AT, "--replaces", entry)
    assert daily(kept, *args)[0] == 1
    code, said = daily(kept, *args, "--reason", "misread", "--json")
    assert code == 0
    assert [r["ph"] for r in rows(kept, "readings")] == ["6.54", "5.54"]
    assert [p["ph"] for p in json.loads(said)["points"]] == [5.54]


def test_trays_stand_in_the_order_of_use(kept, daily):
    for name, day in (("old", "07"), ("new", "09"), ("middle", "08")):
        daily(kept, "--new-lot", name, f"mixed_at=2026-04-{day} 12:00", "trays=3")
    code, said = daily(kept, *AT)
    assert code == 0
    assert (
        "Which tray next: 1 middle (48 h, 3 trays): inside, and as far as was tried it stays "
        "inside; single lots 11 h earlier or later 2 old (72 h, 3 trays): inside, and as far as "
        "was tried it stays inside; single lots 11 h earlier or later 3 new (24 h, 3 trays): not "
        "yet inside, enters in about 5 h; single lots 11 h earlier or later"
    ) in said


def test_checklists_are_made_from_the_recipe_ticked_and_kept(kept, daily):
    code, said = daily(kept, "--checklist", "mixing", *AT)
    assert code == 0 and said.startswith("Mixing, 2026-04-10: 0 of 7 ticked [ ] 1 Tap. [ ] 2 Flour")
    code, said = daily(kept, "--tick", "opening", "1", "3-4", "--by", "Mo", *AT)
    assert "Opening, 2026-04-10: 3 of 6 ticked [x] 1 Cooler: read it and write it down;" in said
    assert [(r["point"], r["entered_by"], r["recipe"]) for r in rows(kept, "ticks")] == [
        (n, "Mo", "2026-03-20") for n in ("1", "3", "4")
    ]
    code, said = daily(kept, "--checklist", "opening", "--at", "2026-04-11 12:00")
    assert "0 of 6 ticked" in said  # a new day
    assert not any(w in said for w in (" safe ", "pass ", "release"))


def test_own_limits_stand_from_the_day_they_are_asked_for(kept, daily, plant):
    """Individuals limits by hand: centre the mean, SD the mean moving range over 1.1284."""
    off = [0.02, -0.02] * 6
    for i, d in enumerate(off):
        daily(kept, "--read", f"{5.56 + d:.2f}", "--hold", "48h", "--lot", "",
              "--at", f"2026-04-{i + 1:02d} 12:00")  # fmt: skip
    code, said = daily(kept, "--limits", "--reason", "settled in", *AT)
    assert code == 0
    assert said.startswith(
        "Limits from 12 lots of your own: +0.000 off what the recipe expects, 0.106 to each side. "
        "They stay until --limits is asked again."
    )
    code, later = daily(kept, "--limits", "--reason", "x", "--since", "2026-04-05", *AT)
    assert code == 1 and "there are 8 from 2026-04-05 on. Those in force stay." in later
    row = rows(kept, "limits")[0]
    assert float(row["sd"]) == pytest.approx(0.04 / 1.1284, rel=1e-3)
    before = (kept / "daily" / "limits.csv").read_bytes()
    code, said = daily(kept, "--read", "5.70", "--hold", "48h", "--at", "2026-04-13 12:00")
    assert "limits 0.11 to each side, from own lots (2026-04-10)" in said
    assert (kept / "daily" / "limits.csv").read_bytes() == before


def test_a_warm_season_and_a_new_flour_lot_are_said(kept, daily):
    daily(kept, "--new-lot", "L1", "mixed_at=2026-04-08 12:00", "flour_lot=F9")
    code, said = daily(kept, "--read", "5.56", "--lot", "L1", "--room", "86F", *AT)
    assert code == 0
    assert (
        "The room is at 86 °F; the recipe was tried at 64 °F to 75 °F only, so what it expects is "
        "a guess there. Flour lot F9 was not in the trial (mixed from 2026-04-08; tried: F1): read "
        "more balls until its own lots are on the chart, or try it (doughlab new FOLDER --for "
        "flour-lot). So the recipe is past what it was settled for: try again what has changed, "
        "then settle it anew (--settle --reason), or settle it anew with the reason why it still "
        "holds."
    ) in said


def test_the_room_is_counted_where_the_lots_show_it(plant):
    """Least squares by algebra: pH falls 0.02 for 1 °C of room, exactly."""
    from doughlab.daily.journals import DailyRecords
    from doughlab.daily.recipe import example_recipe
    from doughlab.daily.standing import new_limits

    rooms = [18.0 + 0.5 * i for i in range(14)]
    wiggle = [0.004, -0.004] * 7
    given = [plant.reading_row(f"L{i}", plant.START.replace(day=i + 1),
                               5.56 - 0.02 * (room - 21.0) + w, room_c=room)
             for i, (room, w) in enumerate(zip(rooms, wiggle, strict=True))]  # fmt: skip
    found = new_limits(example_recipe(), DailyRecords({}, given))
    assert found["room_slope"] == pytest.approx(-0.02, abs=0.001)
    assert found["sd"] < 0.01


def test_a_torn_last_line_is_said_and_the_rest_is_used(kept, daily):
    daily(kept, "--read", "5.56", "--hold", "48h", *AT)
    path = kept / "daily" / "readings.csv"
    path.write_bytes(path.read_bytes() + b"half,a,li")
    code, said = daily(kept, *AT)
    assert code == 1 and "Lot 1 on the chart" in said
    assert "look: daily/readings.csv, row 3: the last line has no end" in said
    code, said = daily(kept, "--read", "5.57", "--hold", "48h", "--at", "2026-04-11 12:00")
    assert "Lot 2 on the chart" in said


def test_a_reading_far_from_the_checkpoint_is_placed_but_not_charted(kept, daily):
    code, said = daily(kept, "--read", "5.70", "--hold", "30h", *AT)
    assert code == 0 and "5.70: inside the window." in said
    assert (
        "Read at 30 h, more than 6 h from the checkpoint (48 h): it is no point of the chart. No "
        "reading near the checkpoint yet, so no chart."
    ) in said


def test_the_check_of_the_folder_is_not_upset_by_the_daily_files(kept, daily, capsys):
    from doughlab.cli import main

    daily(kept, "--read", "5.70", "--hold", "48h", *AT)
    assert main(["check", str(kept)]) == 0
    capsys.readouterr()


def test_a_lot_is_said_again_and_one_of_tomorrow_is_asked_about(kept, daily):
    code, said = daily(kept, "--new-lot", "L1", "mixed_at=Wed 8 Apr 2026 9:05am", "trays=6")
    assert code == 0
    assert strip_entries(said).startswith("stored lot L1: mixed Wed 09:05, trays 6 (entry)")
    assert "look:" not in said
    code, said = daily(kept, "--new-lot", "L2", "mixed_at=2099-04-08 09:05")
    assert code == 0
    assert (
        "look: it is mixed later than now. Was it yesterday? Take it back: doughlab daily" in said
    )


def test_a_hold_that_the_lot_cannot_have_is_asked_about(kept, daily):
    """Mixed on the 8th at 9:00 and read on the 10th at 12:00: 51 hours (a difference of times)."""
    daily(kept, "--new-lot", "L1", "mixed_at=2026-04-08 09:00", "trays=6")
    code, said = daily(kept, "--read", "5.84", "--hold", "24h", "--lot", "L1", *AT)
    assert code == 0
    assert (
        "look: lot L1 was mixed Wed 08 Apr 09:00, so it is held 51 h, not 24 h. Which lot was read?"
    ) in said
    assert "look:" not in daily(kept, "--read", "5.84", "--hold", "48h", "--lot", "L1", *AT)[1]
    daily(kept, "--new-lot", "L2", "mixed_at=2026-04-11 09:00", "trays=6")
    said = daily(kept, "--read", "5.84", "--hold", "48h", "--lot", "L2", *AT)[1]
    assert "so it is not made yet, not 48 h. Which lot was read?" in said
