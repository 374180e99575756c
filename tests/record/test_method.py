"""The reading method: its steps, and what the temperature of a sample does."""

import re
from importlib.resources import files

import pytest

from doughlab.instruments import ReadingMethod
from doughlab.record.bench_forms import FORMS
from doughlab.record.due import meter_words
from doughlab.record.method import WATER_PER_10_C, tell_steps, uncompensated_ph
from doughlab.sections import SECTIONS
from doughlab.settings import parse_settings

from .conftest import TOML, rome

# facts 1.11: a closed water of 100 mg/L, pH 8.000 or dosed to 6.000 at 20 °C, at 10 and 30 °C;
# worked out with PHREEQC 3 (phreeqc.dat)
WATER = {8.0: (8.096, 7.925), 6.0: (6.071, 5.954)}
NERNST = {10: 56.1830, 25: 59.1593}  # facts 2.1: CODATA constants, mV per pH


def test_a_meter_without_compensation_is_off_by_the_ratio_of_the_slopes():
    wanted = (5.5 - 7) * (NERNST[10] / NERNST[25] - 1)
    assert uncompensated_ph(5.5, sample_c=10, set_c=25) == pytest.approx(wanted, abs=1e-5)
    assert uncompensated_ph(7.0, sample_c=4, set_c=25) == 0.0


def test_what_is_said_of_a_water_holds_the_calculated_cases():
    moves = [abs(ph - end) for ph, ends in WATER.items() for end in ends]
    low, high = WATER_PER_10_C
    assert low - 0.005 <= min(moves) and max(moves) <= high + 0.005


def test_samples_far_apart_are_told_of_in_words(hand):
    hand.mix("B01", "03-02T09:00")
    for temp, value in ((12.0, 5.5), (24.0, 5.4), (23.0, 5.45)):
        hand.read("B01-2", "03-03T09:45", value, sample_temp_c=temp, session="S02")
    said = [w for w in hand.said(level="note") if "Temperature compensation" in w]
    assert said == [
        "record/readings.csv, row 4, column sample_temp_c: the samples of S02 were 12 °C to 24 °C. "
        "Temperature compensation takes out the probe's part only (up to 0.06 pH at 5.5); the "
        "sample's own pH moves as well, in a water by 0.05 to 0.10 pH for 10 °C (18 °F), in a "
        "dough by an amount nobody knows. Read all samples at one temperature."
    ]


def test_a_sample_outside_the_band_is_flagged_once_a_session(hand):
    path = hand.folder / "trial.toml"
    band = '[reading_method]\ntemp_low_c = "64 F"\ntemp_high_c = 24'
    path.write_text(path.read_text().replace("[reading_method]", band))
    hand.mix("B01", "03-02T09:00")
    hand.read("B01-2", "03-03T09:45", 5.5, 5.5, 5.6, sample_temp_c=15.0, session="S02")
    said = [w for w in hand.said(level="note") if "this trial reads" in w]
    assert said == [
        "record/readings.csv, row 2, column sample_temp_c: a sample of 15 °C was read; this trial "
        "reads from 17.8 °C to 24 °C. 2 more of that session too. Let the sample come to the room "
        "before you read it; the reading is used."
    ]
    assert len(hand.open().records.readings) == 3


def test_samples_without_a_temperature_are_counted_where_the_trial_has_a_band(hand):
    """One number of three with a temperature is enough; without a band none is asked for."""
    hand.mix("B01", "03-02T09:00")
    hand.read("B01-2", "03-03T09:45", 5.5, 5.5, sample_temp_c=20.0)
    hand.read("B01-2", "03-03T09:46", 5.5)
    hand.read("B01-1", "03-04T09:45", 5.4, 5.4, 5.4)
    words = "no temperature of the sample was written down for"
    assert not [w for w in hand.said() if words in w]
    path = hand.folder / "trial.toml"
    band = "[reading_method]\ntemp_low_c = 15"
    path.write_text(path.read_text().replace("[reading_method]", band), encoding="utf-8")
    (said,) = [w for w in hand.said(level="note") if words in w]
    assert said == (
        f"record/readings.csv, row 5, column sample_temp_c: {words} 1 of 2 balls read: whether it "
        "was from 15 °C cannot be told. Write it beside the reading, temp_c=21C; where it was "
        "forgotten: doughlab record reading B01-1 temp_c=21C"
    )


def test_a_band_upside_down_is_refused():
    text = TOML.replace("[reading_method]", "[reading_method]\ntemp_low_c = 25\ntemp_high_c = 20")
    _, problems = parse_settings(text)
    assert [p.message for p in problems] == ["temp_low_c must lie under temp_high_c."]


@pytest.mark.parametrize("kind", ["slurry", "direct", "strip"])
def test_the_steps_end_with_the_sample_thrown_away(kind, hand):
    words = tell_steps(ReadingMethod(kind))
    assert words.rstrip(".").endswith("thrown away")
    assert ("wet the strip in the liquid, not in the dough" in words) == (kind == "strip")
    first = FORMS["reading"].fields(hand.settings)[0]
    assert first["help"] == tell_steps(hand.settings.reading_method)


def test_a_slow_probe_is_said_where_the_meter_is_told_of(hand):
    row = {"calibration_id": "C01", "instrument": "meter", "calibrated_at": rome("03-03T09:00"),
           "slope_pct": 97.0, "offset_mv": 2.0}  # fmt: skip
    hand.write("calibrations", row | {"settle_s": 95})
    trial = hand.open()
    assert meter_words(trial.settings, trial.records, rome("03-03T10:00")) == (
        "1 h since buffers; last 97 %; the number took 95 s to stand still (60 at most): clean the "
        "probe of protein and do them again"
    )


@pytest.mark.parametrize("section", ["reading_method", "meter", "panel", "training"])
def test_every_key_about_reading_and_tasting_stands_in_the_commented_trial_toml(section):
    text = (files("doughlab.commands") / "templates/trial.toml").read_text(encoding="utf-8")
    own = re.search(rf"^(?:# )?\[{section}\]\n(.*?)(?=^(?:# )?\[|\Z)", text, re.M | re.S)
    there = set(re.findall(r"^(?:# )?(\w+) = ", own[1], re.M))
    assert there >= set(SECTIONS[section].keys)
