"""What ends a recipe is noticed from records: each sentence read whole."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest

from doughlab.daily.expiry import ended_lines, find_ended
from doughlab.daily.journals import LOTS, READINGS, DailyRecords
from doughlab.daily.recipe import Evidence, Tried, example_recipe, parse_recipe, recipe_text

DAY = date(2026, 4, 10)
WHEN = datetime(2026, 4, 5, 9, tzinfo=UTC)
TRIED = Tried("2026-03-02", "2026-03-05", 3.0, 4.0, ("spiral 20",), ("bench meter",), "tap",
              "pH 7.9, alkalinity 150 mg/L")  # fmt: skip
TAP = {"ph": 7.9, "alkalinity_mg_l": 150.0, "sampled_at": None}


def recipe(**changes):
    return replace(example_recipe(), tried=TRIED, **changes)


def readings(**columns):
    """Five readings on five days; a column's values in their order."""
    rows = []
    for n in range(5):
        row = dict.fromkeys(READINGS.names) | {"at": WHEN + timedelta(days=n), "hold_h": 48.0}
        rows.append(row | {"ph": 5.55} | {k: v[n] for k, v in columns.items()})
    return DailyRecords(readings=rows)


def lots(**columns):
    rows = {}
    for n in range(5):
        row = dict.fromkeys(LOTS.names) | {"lot": f"L{n}", "mixed_at": WHEN + timedelta(days=n)}
        rows[f"L{n}"] = row | {k: v[n] for k, v in columns.items()}
    return DailyRecords(rows)


def said(records, *, waters=None, calibrations=(), day=DAY, show="", **changes):
    found = find_ended(recipe(**changes), records, day=day, waters=waters or {"tap": TAP},
                       calibrations=calibrations, show=show)  # fmt: skip
    return [e.words for e in found]


def test_nothing_is_said_while_everything_is_as_it_was_tried():
    same = readings(room_c=[20, 21, 22, 24, 19], cooler_c=[3.4] * 5)
    same = replace(same, lots=lots(flour_lot=["F1"] * 5, water=["tap"] * 5).lots)
    assert said(same) == []
    assert ended_lines([]) == []


@pytest.mark.parametrize(
    ("records", "words"),
    [
        (readings(room_c=[20, 27, 21, 28, 29]),
         "The room was outside what was tried (18 °C to 24 °C) at 3 of the last 5 readings, 28 °C "
         "on average there, so what is expected is a guess there."),
        (readings(cooler_c=[3.5, 1.5, 1.5, 3.0, 1.5]),
         "The cooler was outside what was tried (3 °C to 4 °C) at 3 of the last 5 readings, 2 °C "
         "on average there, so what is expected is a guess there."),
        (lots(flour_lot=["F1", "F1", "F2", "F2", "F2"]),
         "Flour lot F2 was not in the trial (mixed from 2026-04-07; tried: F1): read more balls "
         "until its own lots are on the chart, or try it (doughlab new FOLDER --for flour-lot)."),
        (lots(water=[None, "tap", "tap", "bottled", "tap"]),
         "Water bottled was used from 2026-04-08; settled on tap."),
        (lots(mixer=["spiral 20", "planetary", None, None, None]),
         "Mixer planetary was used from 2026-04-06; tried: spiral 20. Its dough may come out at "
         "another temperature: write down water, flour, room and dough at every mix, and compare "
         "(doughlab new FOLDER --for scale-up)."),
        (readings(instrument=["bench meter", "bench meter", "pen", None, None]),
         "Meter pen was used on 2026-04-07; tried: bench meter. Read one dough with both before "
         "their numbers share a chart (doughlab new FOLDER --for meter-study)."),
    ],
)  # fmt: skip
def test_what_has_come_true_is_said(records, words):
    assert said(records) == [words]


def test_one_warm_room_of_five_is_not_yet_another_season():
    assert said(readings(room_c=[20, 21, 29, 21, 20])) == []


def test_another_water_report_is_noticed_by_its_date_or_numbers():
    new = TAP | {"alkalinity_mg_l": 190.0, "sampled_at": datetime(2026, 4, 2, tzinfo=UTC)}
    assert said(DailyRecords(), waters={"tap": new}) == [
        "The report of tap has changed in waters.csv: sampled 2026-04-02, pH 7.9, alkalinity 190 "
        "mg/L; settled on pH 7.9, alkalinity 150 mg/L."
    ]


def test_a_meter_that_was_calibrated_is_in_use():
    calibration = {"calibrated_at": WHEN, "instrument": "new pen"}
    (words,) = said(DailyRecords(), calibrations=[calibration])
    assert words.startswith("Meter new pen was used on 2026-04-05; tried: bench meter.")
    earlier = calibration | {"calibrated_at": WHEN - timedelta(days=60)}
    assert said(DailyRecords(), calibrations=[earlier]) == []


def test_a_date_that_passed_is_said():
    (words,) = said(DailyRecords(), expires_on="2026-04-09")
    assert words == (
        "The recipe was settled until 2026-04-09: look whether it still holds, then settle it anew "
        "(--settle --reason)."
    )
    assert said(DailyRecords(), expires_on="2026-04-10") == []


def test_a_fahrenheit_kitchen_reads_fahrenheit():
    (words,) = said(readings(room_c=[27.0] * 5), show="F")
    assert "outside what was tried (64 °F to 75 °F)" in words


def test_an_earlier_file_without_what_was_tried_says_less_and_nothing_wrong():
    plain = example_recipe()
    records = readings(cooler_c=[9.0] * 5, instrument=["pen"] * 5)
    assert find_ended(plain, records, day=DAY, waters={"tap": TAP}) == []


def test_what_was_tried_and_other_evidence_live_in_the_file():
    kept = recipe(also=(Evidence("second", "sha256:1", "sha256:2", "24 batches"),))
    assert parse_recipe(recipe_text(kept)) == kept
    with pytest.raises(ValueError, match=r"\[tried\] needs exactly first_day, last_day"):
        parse_recipe(recipe_text(kept).replace("first_day", "first"))
