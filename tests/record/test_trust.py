"""Trust: what hangs on a meter in doubt is counted, judged when it is stored, never dropped."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from doughlab.cli import main
from doughlab.instruments import Meter, ReadingMethod
from doughlab.record.meter import Point, fit_calibration, nernst_mv
from doughlab.record.records import Records
from doughlab.record.trust import WHY, check_calibrations, find_doubt, meter_sd
from doughlab.sections import Window
from doughlab.settings import Settings

from .conftest import rome

SETTINGS = Settings("Demo", "DE", reading_method=ReadingMethod(instrument="meter"))


def calibration(name, at, *, slope=98.0, offset=0.0, buffers=None):
    row = {"calibration_id": name, "instrument": "meter", "calibrated_at": rome(at)}
    return row | {"temp_c": 25.0, "slope_pct": slope, "offset_mv": offset, "buffers": buffers}


def reading(at, calibration_id, **more):
    row = {"ball_id": "B01-1", "ph": 5.4, "read_at": rome(at), "method": "slurry",
           "instrument": "meter", "calibration_id": calibration_id}  # fmt: skip
    return row | more


def test_every_reason_is_counted_once_and_said():
    records = Records.of(
        calibrations=[
            calibration("C01", "03-02T08:00"), calibration("C02", "03-04T08:00", slope=70.0),
            calibration("C03", "03-04T09:00", slope=None),
            {**calibration("C04", "03-04T08:00"), "instrument": "spare meter"},
        ],
        readings=[
            reading("03-02T09:00", "C01"), reading("03-04T09:00", "C01"),
            reading("03-04T09:00", "C02"), reading("03-04T10:00", "C02"),
            reading("03-04T10:00", "C03"), reading("03-04T10:00", None),
            reading("03-01T10:00", "C01"), reading("03-04T10:00", "C04"),
            reading("03-04T10:00", "C02", instrument="another"),
            reading("03-02T09:00", "C01", method="strip"),
        ],
    )  # fmt: skip
    found = find_doubt(SETTINGS, records)
    assert (found.n, found.of) == (8, 9)
    assert set(found.counts) == set(WHY) - {"prepared", "moved"}
    assert found.sentence == (
        "8 of 9 readings rest on a meter in doubt: 2 on a calibration that failed (C02), 1 on "
        "buffers past their hours (C01), 1 on a calibration that tells no slope (C03), 1 on no "
        "calibration, 1 on a calibration done after them, 1 on the calibration of another meter, "
        "1 on another meter than trial.toml names."
    )


def test_readings_before_a_meter_that_had_moved_are_in_doubt():
    """5.9159 mV at 25 °C are 0.1 pH (Nernst, CODATA 2018), beyond what [meter] allows at first."""
    read = [reading("03-02T10:00", "C01"), reading("03-03T10:00", "C02")]
    for offset, n in ((-5.9159, 1), (-1.0, 0)):
        calibrations = [
            calibration("C01", "03-02T09:00", slope=100.0),
            calibration("C02", "03-03T09:00", slope=100.0, offset=offset),
        ]
        found = find_doubt(SETTINGS, Records.of(calibrations=calibrations, readings=read))
        assert (found.n, found.counts) == (n, {"moved": 1} if n else {})
    failed = [*calibrations[:1], calibration("C02", "03-03T09:00", slope=70.0)]
    found = find_doubt(SETTINGS, Records.of(calibrations=failed, readings=read))
    assert found.counts == {"failed": 1}, "a failed calibration does not show that a meter moved"


def test_nothing_in_doubt_says_nothing():
    records = Records.of(
        calibrations=[calibration("C01", "03-02T08:00")], readings=[reading("03-02T09:00", "C01")]
    )
    assert find_doubt(SETTINGS, records).sentence == ""
    strips = Settings("Demo", "DE", reading_method=ReadingMethod("strip"))
    assert find_doubt(strips, Records.of(readings=[reading("03-02T09:00", None)])).of == 0


@pytest.mark.parametrize(
    ("at", "instrument", "name"),
    [
        ("03-03T09:00", "meter", "C01"), ("03-04T09:00", "meter", "C02"),
        ("03-04T09:00", None, "C02"), ("03-04T09:00", "pen", "C04"),
        ("03-05T09:00", "meter", "C03"), ("03-02T07:00", "meter", "C05"),
    ],
)  # fmt: skip
def test_a_reading_is_told_the_buffers_of_its_own_time_and_meter(at, instrument, name):
    """By hand: the latest of that meter before it; without any the next free name."""
    own = replace(SETTINGS, reading_method=ReadingMethod(instrument="" if instrument else "meter"))
    records = Records.of(
        calibrations=[
            calibration("C01", "03-02T08:00"), calibration("C03", "03-05T08:00"),
            calibration("C02", "03-04T08:00"),
            {**calibration("C04", "03-04T08:30"), "instrument": "pen"},
        ],
        readings=[reading(at, None, instrument=instrument)],
    )  # fmt: skip
    said = [p.message for p in check_calibrations(own, records) if "names no" in p.message]
    assert len(said) == 1
    assert f"--replaces ENTRY calibration_id={name} --reason TEXT." in said[0]


def test_samples_made_another_way_than_most_are_in_doubt(hand):
    """Grams, water and wait are stored with every reading; a change in mid-trial is told."""
    for ball, ways in (("B01-1", "10 g in 90 g purified water, 5 min"),
                       ("B02-1", "50 g in 20 g purified water, 30 min")):  # fmt: skip
        hand.mix(ball[:3], "03-02T09:00")
        count = 3 if ball == "B01-1" else 2
        hand.read(ball, "03-04T09:45", *([5.4] * count), prepared=ways)
    (said,) = [w for w in hand.said() if "another way" in w]
    assert said == (
        "record/readings.csv, row 5, column prepared: 2 readings are of samples made another way "
        "(50 g in 20 g purified water, 30 min; most: 10 g in 90 g purified water, 5 min). They are "
        "used; the analysis tells the answer without them. Keep [reading_method] of trial.toml as "
        "it was."
    )


def test_readings_without_a_method_are_said(hand):
    hand.mix("B01", "03-02T09:00")
    hand.read("B01-1", "03-04T09:45", 5.4, 5.41, method=None)
    (said,) = [w for w in hand.said() if "no method" in w]
    assert said == (
        "record/readings.csv, row 2, column method: 2 readings name no method; they are taken as "
        "read by the trial's own. Were they? If not: doughlab record reading --void ENTRY "
        "--reason TEXT"
    )


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["7=-12mV", "4=126mV", "temp_c=20"],
         "C01 failed: slope 78.6 % lies outside 85 to 105 %: clean the probe, take fresh buffers "
         "and do them again; if it stays so, replace the probe."),
        (["7=-40mV", "4=128mV", "temp_c=20"],
         "C01 failed: offset -38.9 mV lies outside -30 to 30 mV: soak the probe, take a fresh "
         "buffer 7 and do it again; if it stays so, replace the probe."),
        (["7=-12mV", "temp_c=20"],
         "C01: it tells no slope, so that a worn probe would not show: do a second buffer, 4 for "
         "dough."),
        (["note=no slope shown"],
         "C01: it tells neither slope nor offset, so that nothing shows whether the meter was "
         "right: write down the millivolts in each buffer, or the slope that it shows."),
        (["7=-12mV", "10=-184mV", "temp_c=20"],
         "C01: its buffers 7.02 and 10.06 lie on one side of your readings, near 5.5: take one of "
         "the other side too, 4."),
    ],
)  # fmt: skip
def test_the_first_calibration_is_judged_when_it_is_stored(hand, capsys, words, said):
    code = main(["record", "calibration", *words, "--folder", str(hand.folder), "--json"])
    assert code == 0
    assert said in json.loads(capsys.readouterr().out)["warnings"]


def test_a_sound_calibration_is_stored_without_a_word(hand, capsys):
    words = ["7=-1mV", "4=171mV", "temp_c=20"]
    assert main(["record", "calibration", *words, "--folder", str(hand.folder), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["warnings"] == []


def test_the_meters_own_error_is_that_of_invented_buffers():
    """Buffers drawn within +-0.02 of their bottle (rectangular), a line through each pair, read at
    5.3: the spread of what it shows there, by numpy, against the algebra of `meter_sd`."""
    settings = Settings("Demo", "DE", window=Window(5.1, 5.5), meter=Meter(drift_ph=1e-9))
    buffers = "7.00 +0 mV; 4.00 +177 mV"
    records = Records.of(calibrations=[calibration("C01", "03-02T08:00", buffers=buffers)])
    rng, ideal, shown = np.random.default_rng(5), nernst_mv(25), []
    for off4, off7 in rng.uniform(-0.02, 0.02, (4000, 2)):
        line = fit_calibration([Point(4.0, (3.0 - off4) * ideal), Point(7.0, -off7 * ideal)])
        shown.append(7 - (1.7 * ideal - line.offset_mv) / (line.slope_pct / 100 * ideal))
    assert meter_sd(settings, records) == pytest.approx(np.std(shown), rel=0.04)


def test_measured_drift_takes_the_place_of_the_assumed_one():
    """Algebra: 12 mV between two calibrations is 12 / k pH; half of it on average."""
    records = Records.of(calibrations=[
        calibration("C01", "03-02T08:00", slope=100.0),
        calibration("C02", "03-03T08:00", slope=100.0, offset=-12.0),
    ])  # fmt: skip
    settings = Settings("Demo", "DE", meter=Meter(buffer_ph=0.0))
    assert meter_sd(settings, records) == pytest.approx(6.0 / nernst_mv(25))
    assert meter_sd(settings, Records()) == pytest.approx(0.05 / 2 / math.sqrt(3))


def test_strips_are_off_together_by_up_to_half_a_step():
    """JCGM 100:2008, F.2.2.1: a step of 0.5 is known to 0.29 of itself. Tried: 200 balls between
    5.26 and 5.34 all read 5.5, off by 0.2, and no average of them says so."""
    strips = Settings("Demo", "DE", reading_method=ReadingMethod("strip", resolution=0.5))
    assert meter_sd(strips, Records()) == pytest.approx(0.29 * 0.5, abs=0.001)
    true = np.random.default_rng(2).uniform(5.26, 5.34, 200)
    read = np.round(true / 0.5) * 0.5
    assert np.std(read) == 0 and abs(np.mean(read) - np.mean(true)) > meter_sd(strips, Records())


def test_the_same_buffers_written_down_twice_are_asked_about(hand):
    row = {"instrument": "meter", "slope_pct": 97.8, "buffers": "4.01 +165 mV; 7.00 -12 mV"}
    times = {"C01": "03-04T08:00", "C02": "03-04T08:10", "C03": "03-04T12:00"}
    for name, at in times.items():
        hand.write("calibrations", row | {"calibration_id": name, "calibrated_at": rome(at)})
    second = hand.open().records.calibrations[1]["entry_id"][:8]
    assert [s for s in hand.said() if "Typed twice?" in s] == [
        "record/calibrations.csv, row 3, column calibrated_at: C02 says the same as C01, 10 min "
        f"before. Typed twice? Then take it back: doughlab record calibration --void {second} "
        "--reason TEXT"
    ]
