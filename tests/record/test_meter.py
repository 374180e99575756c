"""The meter: calibrations worked out, judged, followed from one to the next; nothing is dropped."""

from dataclasses import replace
from datetime import datetime

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from doughlab.errors import InputError, OutOfRange, UnknownName
from doughlab.instruments import Meter
from doughlab.record.buffers import BUFFERS, build_buffer, match_buffer
from doughlab.record.desk import Asked
from doughlab.record.due import meter_words
from doughlab.record.entry import build_entry
from doughlab.record.folder import read_folder
from doughlab.record.meter import (
    WIDE_PH,
    Point,
    fit_calibration,
    judge_calibration,
    known_buffers,
    measure_drift,
    nernst_mv,
    read_points,
)
from doughlab.record.records import Records
from doughlab.settings import Settings

from .conftest import rome

COMMON = list(BUFFERS.values())


def shown(ph, *, slope_pct, offset_mv, temp_c):
    """What a probe gives, by the Nernst line itself."""
    return offset_mv - slope_pct / 100 * nernst_mv(temp_c) * (ph - 7)


@given(
    slope=st.floats(60, 110), offset=st.floats(-60, 60), temp=st.floats(5, 35),
    buffers=st.lists(st.floats(2, 12), min_size=2, max_size=5, unique=True),
)  # fmt: skip
def test_any_line_is_found_again(slope, offset, temp, buffers):
    if max(buffers) - min(buffers) < 1.0:
        return
    points = [Point(b, shown(b, slope_pct=slope, offset_mv=offset, temp_c=temp)) for b in buffers]
    found = fit_calibration(points, temp_c=temp)
    assert found.slope_pct == pytest.approx(slope, rel=1e-9)
    assert found.offset_mv == pytest.approx(offset, abs=1e-8)
    assert found.off_ph == pytest.approx(0, abs=1e-9)


def test_one_buffer_gives_an_offset_and_no_slope():
    found = fit_calibration([Point(7.0, -12.0)], temp_c=20)
    assert (found.slope_pct, found.offset_mv) == (None, -12.0)


def test_a_third_buffer_off_the_line_is_told_in_ph():
    """Each left out in turn, against numpy's line through the others; the largest counts.

    Algebra: an end that is off by 0.09 lies 0.09 off the line of the two others, whose slope is
    sound; the other end lies as far off in mV on a line less steep by 0.03: 0.09 / 0.97.
    """
    ideal = nernst_mv(25)
    points = [Point(4, 2.91 * ideal), Point(7, 0), Point(10, -3 * ideal)]
    assert fit_calibration(points, temp_c=25).off_ph == pytest.approx(0.09 / 0.97)
    ph, mv = np.array([4.00, 7.02, 10.06]), np.array([172.0, -8.0, -182.0])
    off = []
    for i in range(3):
        steep, start = np.polyfit(np.delete(ph, i), np.delete(mv, i), 1)
        off.append(abs((mv[i] - start - steep * ph[i]) / steep))
    found = fit_calibration([Point(*p) for p in zip(ph, mv, strict=True)], temp_c=20)
    assert found.off_ph == pytest.approx(max(off))
    assert found.off_ph > WIDE_PH  # where the largest distance from the common line is 0.041


def test_buffers_too_near_tell_nothing_about_the_third():
    """Two bottles of buffer 7 and one of 4: without the 4 there is no line."""
    ideal = nernst_mv(25)
    points = [Point(4, 3 * ideal), Point(7, 0), Point(6.9, 0.1 * ideal + 3)]
    steep = (0.1 * ideal + 3 - 3 * ideal) / -2.9
    assert fit_calibration(points, temp_c=25).off_ph == pytest.approx(
        max(3 / ideal, abs(steep * 3 - 3 * ideal) / steep)
    )


def test_an_end_buffer_at_the_limit_moves_a_reading_by_less_than_the_drift():
    """Algebra: in the line through 4, 7, 10 a reading at 5.4 takes 0.6 of buffer 4's error."""
    ideal = nernst_mv(25)
    off = WIDE_PH * 0.99
    found = fit_calibration([Point(4, (3 - off) * ideal), Point(7, 0), Point(10, -3 * ideal)])
    shown = 7 - (1.6 * ideal - found.offset_mv) / (found.slope_pct / 100 * ideal)
    assert abs(shown - 5.4) == pytest.approx(0.6 * off, rel=0.03)
    assert abs(shown - 5.4) < Meter().drift_ph


def test_buffers_too_near_are_refused():
    with pytest.raises(InputError) as e:
        fit_calibration([Point(6.86, 0), Point(7.0, -8)], temp_c=25)
    assert str(e.value) == (
        "These buffers lie 0.14 pH apart, too near to tell the slope. Take two at least 1 pH "
        "apart, on both sides of your window: 4 and 7."
    )
    with pytest.raises(InputError, match="Name a buffer and what the meter showed in it"):
        fit_calibration([])
    with pytest.raises(InputError, match="250 °C is no temperature of a buffer; give -5 to 100 °C"):
        nernst_mv(250)


def test_buffers_are_read_as_typed():
    found = read_points(["7.00=-12mV", "4,01: 165,5 mV", "phosphate=+3"], temp_c=20, tables=COMMON)
    assert [p.ph for p in found] == pytest.approx([7.02, 4.00, 6.88])
    assert [p.mv for p in found] == [-12.0, 165.5, 3.0]


@pytest.mark.parametrize(
    ("word", "words"),
    [
        ("seven", "'seven' is no buffer with its millivolts. Write it like 7.00=-12mV and "
         "4.01=165mV; a meter without millivolts shows its slope: slope_pct=97.8."),
        ("7=7.04 pH", "'7=7.04 pH' is no buffer with its millivolts. Write it like 7.00=-12mV and "
         "4.01=165mV; a meter without millivolts shows its slope: slope_pct=97.8."),
        ("7=-1200mV", "'7=-1200mV': -1200 mV lies outside -600 to 600. Read the millivolts, not "
         "the pH."),
    ],
)  # fmt: skip
def test_what_is_no_buffer_is_refused(word, words):
    with pytest.raises(InputError) as e:
        read_points([word], temp_c=20, tables=COMMON)
    assert str(e.value) == words


def test_an_unknown_buffer_and_a_hot_one():
    with pytest.raises(UnknownName, match=r"buffer '5\.5' is not known"):
        match_buffer("5.5", COMMON)
    with pytest.raises(OutOfRange) as e:
        match_buffer("7", COMMON).ph_at(55)
    assert str(e.value) == (
        "Buffer technical 7 at 55 °C: its table goes from 0 to 40 °C. Let the buffer come to room "
        "temperature, or enter the table of your bottle as [buffers.<name>] in trial.toml."
    )


def test_the_own_bottle_comes_first():
    from doughlab.instruments import Buffer

    own = Settings("x", "X", buffers={"blue": Buffer("blue", (15.0, 25.0), (7.05, 7.01))})
    tables = known_buffers(own)
    assert match_buffer("7.00", tables).name == "blue"
    assert match_buffer("blue", tables).ph_at(20) == pytest.approx(7.03)
    assert match_buffer("4", tables).name == "technical 4"


@pytest.mark.parametrize(
    ("typed", "at_25", "at_10"),
    [("4.01", 4.01, 4.00), ("4.00", 4.00, 4.00), ("7.00", 7.00, 7.06), ("7.01", 7.01, 7.07),
     ("10.01", 10.01, 10.18), ("10.00", 10.00, 10.17), ("6.86", 6.86, 6.92), ("9,18", 9.18, 9.33),
     ("4", 4.00, 4.00), ("10", 10.01, 10.18)],
)  # fmt: skip
def test_the_number_on_a_bottle_is_its_ph_at_25_degrees(typed, at_25, at_10):
    """Tables: facts 2.2 (JIS Z 8802; an instrument manual), moved where a bottle states another."""
    found = match_buffer(typed, COMMON)
    assert (found.ph_at(25), found.ph_at(10)) == pytest.approx((at_25, at_10), abs=1e-9)


def test_the_published_two_point_example_as_it_is_typed():
    """Facts 2.3: 7.01 shows -15 mV, 4.01 shows 160 mV at 25 C: 58.33 mV/pH, 98.6 %."""
    points = read_points(["7.01=-15mV", "4.01=160mV"], temp_c=25, tables=COMMON)
    found = fit_calibration(points, temp_c=25)
    assert found.slope_pct == pytest.approx(98.6, abs=0.05)
    assert found.slope_pct / 100 * 59.1593 == pytest.approx(58.33, abs=0.005)


def test_a_bottle_with_a_hole_in_its_table_is_refused():
    with pytest.raises(InputError) as e:
        build_buffer("blue", (15, 20, 25), (7.0, 7.1))
    assert str(e.value) == (
        "trial.toml: [buffers.blue] has 3 temperatures and 2 pH values. Give one pH for each "
        "temperature, as printed on the bottle."
    )
    with pytest.raises(InputError, match=r"\[buffers.blue\]: temps_c must rise from left to right"):
        build_buffer("blue", (25, 15), (7.0, 7.1))


def test_bands_judge_slope_offset_and_a_third_buffer():
    assert judge_calibration(97.8, -12.0, Meter()) == []
    assert judge_calibration(None, None, Meter()) == []
    assert judge_calibration(85.0, 30.0, Meter()) == []
    assert judge_calibration(84.9, 31.0, Meter(), off_ph=0.09) == [
        "slope 84.9 % lies outside 85 to 105 %: clean the probe, take fresh buffers and do them "
        "again; if it stays so, replace the probe",
        "offset +31 mV lies outside -30 to 30 mV: soak the probe, take a fresh buffer 7 and do it "
        "again; if it stays so, replace the probe",
        "one of the buffers lies 0.09 pH off the line through the others: one of them is stale or "
        "was mixed up, and they cannot tell which; open fresh bottles",
    ]


def calibration(name, at, *, slope=100.0, offset=0.0, temp=25.0, meter="meter"):
    return {"calibration_id": name, "instrument": meter, "calibrated_at": rome(at), "buffers": None,
            "temp_c": temp, "slope_pct": slope, "offset_mv": offset}  # fmt: skip


def test_drift_is_what_the_first_setting_would_show_at_the_second():
    """An ideal probe loses a tenth of its slope: a meter set before shows 7 + 0.9 (p - 7)."""
    rows = [calibration("C1", "03-02T09:00"), calibration("C2", "03-03T09:00", slope=90.0)]
    (found,) = measure_drift(rows, at_ph=5.0)
    assert found.ph == pytest.approx(7 + 0.9 * (5 - 7) - 5)
    assert (found.first_id, found.then_id, found.hours) == ("C1", "C2", 24.0)


def test_temperature_alone_is_no_drift():
    rows = [calibration("C1", "03-02T09:00", temp=15.0), calibration("C2", "03-03T09:00")]
    assert measure_drift(rows)[0].ph == pytest.approx(0.0, abs=1e-12)


def test_drift_keeps_meters_apart_and_passes_over_what_shows_nothing():
    rows = [
        calibration("C1", "03-02T09:00"), calibration("C2", "03-02T10:00", meter="other"),
        calibration("C3", "03-03T09:00", slope=None), calibration("C4", "03-04T09:00", offset=-30),
    ]  # fmt: skip
    assert [(d.first_id, d.then_id) for d in measure_drift(rows)] == [("C1", "C3"), ("C3", "C4")]
    rows[2]["offset_mv"] = None  # shows nothing at all
    assert [(d.first_id, d.then_id) for d in measure_drift(rows)] == [("C1", "C4")]


def test_one_buffer_between_two_calibrations_counts_for_the_drift():
    """Algebra: with an ideal slope an offset of -20 mV is 20 / k pH, k = 59.159 mV at 25 °C."""
    rows = [calibration("C1", "03-02T09:00"),
            calibration("C2", "03-03T09:00", slope=None, offset=-20.0),
            calibration("C3", "03-04T09:00")]  # fmt: skip
    moved = 20 / nernst_mv(25)
    assert [d.ph for d in measure_drift(rows)] == pytest.approx([moved, -moved])


def store(hand, *words, at="03-04T08:00"):
    asked = Asked("calibration", tuple(words), rome("03-04T12:00"), at=rome(at).isoformat())
    built = build_entry(read_folder(hand.folder), asked)
    hand.write("calibrations", *[{k: v for k, v in row.items() if v is not None}
                                 for row in built.rows])  # fmt: skip
    return built.rows[0]


def test_the_command_works_slope_and_offset_out(hand):
    row = store(hand, "7.01=-15mV", "4.01=160mV", "temp_c=25 C")
    # bottles that state 7.01 and 4.01 at 25 C: 175 mV over 3.00 pH, and 0.01 pH to 7
    assert row["slope_pct"] == pytest.approx(98.6)
    assert row["offset_mv"] == pytest.approx(-15.0 + 0.01 * 175 / 3, abs=0.05)
    assert row["buffers"] == "7.01 -15 mV; 4.01 +160 mV"
    assert row["calibration_id"] == "C01"


def test_the_command_takes_fahrenheit_and_wants_the_temperature(hand):
    assert store(hand, "7=-12mV", "4=165mV", "temp_c=68 F")["temp_c"] == pytest.approx(20.0)
    with pytest.raises(InputError) as e:
        store(hand, "7=-12mV", "4=165mV")
    assert str(e.value) == (
        "The millivolts of a buffer need its temperature: add temp_c=21, as the thermometer in "
        "the buffer shows."
    )


def test_what_was_typed_stays(hand):
    row = store(hand, "7=-12mV", "4=165mV", "temp_c=20", "slope_pct=96.1")
    assert (row["slope_pct"], row["offset_mv"]) == (96.1, pytest.approx(-10.8, abs=0.05))


def test_a_reading_on_a_failed_calibration_is_flagged_and_kept(hand):
    store(hand, "7=-12mV", "4=110mV", "temp_c=20")  # 122 mV over 7.02 - 4.00; ideal 58.167 mV/pH
    hand.read("B01-1", "03-04T10:00", 5.41, 5.43, calibration_id="C01")
    said, own = [p for p in hand.open().problems if "failed" in str(p)]
    assert (said.level, own.level) == ("note", "note")
    assert own.message == (
        "C01 failed: slope 69.5 % lies outside 85 to 105 %: clean the probe, take fresh buffers "
        "and do them again; if it stays so, replace the probe."
    )
    assert said.message == (
        "rests on calibration C01, which failed: slope 69.5 % lies outside 85 to 105 %: clean the "
        "probe, take fresh buffers and do them again; if it stays so, replace the probe. The same "
        "holds for 1 more reading of that session."
    )
    assert len(hand.open().records.readings) == 2


def test_drift_beyond_the_limit_is_said_with_its_side(hand):
    hand.write("calibrations", calibration("C1", "03-03T09:00"),
               calibration("C2", "03-04T09:00", offset=-6.0))  # fmt: skip
    (said,) = [p for p in hand.open().problems if "moved" in str(p)]
    assert said.message == (
        "the meter had moved by 0.10 pH since C1 (24 h before): readings between may be up to "
        "that much too high. Do the buffers more often, and read one buffer again at the end of a "
        "session."
    )


def test_today_says_that_the_last_buffers_failed_and_that_the_probe_is_old():
    from doughlab.sections import Response

    settings = Settings("Demo", "DE", responses={"ph": Response("ph", "readings", "ph", 0.1)})
    at = datetime.fromisoformat("2026-03-04T12:00+01:00")
    bad = Records.of(calibrations=[calibration("C1", "03-04T08:00", slope=70.0)])
    assert meter_words(settings, bad, at) == (
        "4 h since buffers; last 70 %. The last one failed: slope 70 % lies outside 85 to 105 %: "
        "clean the probe, take fresh buffers and do them again; if it stays so, replace the probe"
    )
    old = replace(settings, meter=Meter(probe_since="2024-09-01"))
    good = Records.of(calibrations=[calibration("C1", "03-04T08:00", slope=97.0)])
    assert meter_words(old, good, at) == (
        "4 h since buffers; last 97 %; the probe is 18 months old (12 expected): watch slope and "
        "response time, have another one at hand"
    )


def test_trial_toml_takes_bands_and_bottles(tmp_path):
    from doughlab.settings import read_settings

    path = tmp_path / "trial.toml"
    path.write_text(
        'format = 1\nname = "x"\ncode = "XY"\n[meter]\nslope_low_pct = 92\noffset_mv = 20\n'
        'bands_source = "manual of our meter"\nprobe_since = "2026-01-05"\n'
        '[buffers.blue]\ntemps_c = [15, "77 F"]\nph = [7.05, 7.01]\n'
    )
    settings = read_settings(path)
    assert (settings.meter.slope_low_pct, settings.meter.offset_mv) == (92, 20)
    assert settings.buffers["blue"].temps_c == pytest.approx((15, 25))
