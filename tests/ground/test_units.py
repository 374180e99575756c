"""What a cook types is read right, or refused with a sentence; nothing in between."""

import datetime
import math
import re
import subprocess
import sys
import time

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from doughlab import typed, units
from doughlab.errors import InputError, OutOfRange, UnknownName
from doughlab.units import (
    KINDS,
    UNITS,
    axis_unit,
    convert,
    explain_out_of_range,
    format_quantity,
    guess_meaning,
    parse_quantity,
    typed_unit,
    unit_of,
)

steady = settings(deadline=None, derandomize=True, max_examples=300)

THOUSANDTHS = st.integers(-(10**9), 10**9).map(lambda n: n / 1000)

# Exact by definition: NIST Special Publication 811 (2008), appendix B (from memory).
POUND_G, OUNCE_G = 453.59237, 28.349523125
FLUID_OUNCE_ML, CUP_ML, US_GALLON_L, UK_GALLON_L = 29.5735295625, 236.5882365, 3.785411784, 4.54609
GRAIN_MG = 64.79891

READ = [
    # bare numbers: decimal point, decimal comma, grouping, signs
    ("15", "temp_c", 15),
    ("16,5", "temp_c", 16.5),
    ("5,41", "ph", 5.41),
    ("+5", "g", 5),
    ("-3", "temp_c", -3),
    ("\u22123 °C", "temp_c", -3),
    ("–3", "temp_c", -3),
    (".5", "g", 0.5),
    (",5", "g", 0.5),
    ("0,125", "g", 0.125),
    ("1.904", "g", 1.904),
    ("1.904,7 g", "g", 1904.7),
    ("1 904,7 g", "g", 1904.7),
    ("1\u202f904,7\u00a0g", "g", 1904.7),
    ("1,904.7 g", "g", 1904.7),
    ("1'904.7", "g", 1904.7),
    ("1.904.700", "g", 1_904_700),
    ("1,904,700", "g", 1_904_700),
    ("1e-05", "g", 1e-05),
    (250, "g", 250),
    (np.float64(5.5), "ph", 5.5),
    (np.int64(3), "", 3),
    # temperatures, and differences kept apart: (59 - 32) / 1.8
    ("59 F", "temp_c", 15),
    ("59F", "temp_c", 15),
    ("59 °F", "temp_c", 15),
    ("59 degF", "temp_c", 15),
    ("59 degrees Fahrenheit", "temp_c", 15),
    ("-40 f", "temp_c", -40),
    ("15 C", "temp_c", 15),
    ("16,5 °C", "temp_c", 16.5),
    ("16,5º C", "temp_c", 16.5),
    ("16.5 ℃", "temp_c", 16.5),
    ("288.15 K", "temp_c", 15),
    ("15°", "temp_c", 15),
    ("15 C", "temp_f", 59),
    ("9 F", "temp_diff_c", 5),
    ("9 °F", "temp_diff_c", 5),
    ("5 K", "temp_diff_c", 5),
    ("5 C", "temp_diff_f", 9),
    # weights
    ("1 1/2 lb", "g", 1.5 * POUND_G),
    ("1½ lb", "g", 1.5 * POUND_G),
    ("1 ½ lb", "g", 1.5 * POUND_G),
    ("½ lb", "g", 0.5 * POUND_G),
    ("1 1⁄2 lb", "g", 1.5 * POUND_G),
    ("2 lb 3 oz", "g", 2 * POUND_G + 3 * OUNCE_G),
    ("2 lb, 3 oz", "g", 2 * POUND_G + 3 * OUNCE_G),
    ("2 lbs. and 3 oz.", "g", 2 * POUND_G + 3 * OUNCE_G),
    ("2 lb .5 oz", "g", 2 * POUND_G + 0.5 * OUNCE_G),
    ("2lb3oz", "kg", (2 * POUND_G + 3 * OUNCE_G) / 1000),
    ("12 kg 500 g", "kg", 12.5),
    ("500 g.", "g", 500),
    ("120 mg", "g", 0.12),
    ("5,4 g", "g", 5.4),
    # volumes
    ("3/4 cup", "ml", 0.75 * CUP_ML),
    ("8 fl. oz", "ml", 8 * FLUID_OUNCE_ML),
    ("2 US gal", "l", 2 * US_GALLON_L),
    ("2 UK gal", "l", 2 * UK_GALLON_L),
    ("1 1/2 tsp", "ml", 1.5 * FLUID_OUNCE_ML / 6),
    ("2 tbsp", "ml", FLUID_OUNCE_ML),
    ("1 L 200 mL", "ml", 1200),
    # times
    ("3 days", "h", 72),
    ("1 day", "h", 24),
    ("½ d", "h", 12),
    ("2 days 4 h", "h", 52),
    ("2 d 3 h 30 min", "h", 51.5),
    ("90 min", "h", 1.5),
    ("1:30 h", "h", 1.5),
    ("1:30 h", "min", 90),
    ("2:30 min", "s", 150),
    ("48 Hrs", "h", 48),
    # the rest
    ("65 %", "pct", 65),
    ("65percent", "pct", 65),
    ("pH 5,41", "ph", 5.41),
    ("ph -0.5", "ph", -0.5),
    ("5.41 pH", "ph", 5.41),
    ("7 points", "score", 7),
    ("3.5 cm", "mm", 35),
    ("2 in", "mm", 50.8),
    ("60 ppm", "mg_l", 60),
    ("0.06 g/L", "mg_l", 60),
    ("0.45 mS/cm", "us_cm", 450),
    ("450 µS/cm", "us_cm", 450),
    ("450 μS / cm", "us_cm", 450),
    ("45 mS/m", "us_cm", 450),
    ("1.5 mmol/L", "mmol_l", 1.5),
    ("0,0015 mol/l", "mmol_l", 1.5),
    ("1.5 mmol/kg", "mmol_kg", 1.5),
    ("-0.015 V", "mv", -15),
    ("150 mg/L as CaCO3", "mg_l_caco3", 150),
    ("150 mg/l CaCO3", "mg_l_caco3", 150),
    ("150 ppm as CaCO3", "mg_l_caco3", 150),
    ("15 °fH", "mg_l_caco3", 150),
]


@pytest.mark.parametrize(("text", "unit", "value"), READ)
def test_typed_text_becomes_the_value(text, unit, value):
    assert parse_quantity(text, unit) == pytest.approx(value, rel=1e-11, abs=1e-12)


def test_water_degrees_follow_from_what_they_are():
    """Definitions with the abridged standard atomic weights (IUPAC 2021, from memory)."""
    h, c, o, ca = 1.008, 12.011, 15.999, 40.078
    carbonate, lime, hco3 = ca + c + 3 * o, ca + o, h + c + 3 * o
    # 10 mg CaO per litre; a public water utility's table prints 17.848 too
    assert parse_quantity("1 °dH", "mg_l_caco3") == pytest.approx(10 * carbonate / lime, abs=5e-4)
    assert parse_quantity("1 dKH", "mg_l_caco3") == pytest.approx(17.848, abs=5e-4)
    assert parse_quantity("1 gpg", "mg_l_caco3") == pytest.approx(GRAIN_MG / US_GALLON_L, abs=5e-4)
    english = GRAIN_MG / UK_GALLON_L
    assert parse_quantity("1 °Clark", "mg_l_caco3") == pytest.approx(english, abs=5e-4)
    # phreeqc.dat rounds the equivalent weight to 50.05; here 100.0869 / 2
    assert parse_quantity("1 meq/L", "mg_l_caco3") == pytest.approx(carbonate / 2, abs=5e-4)
    assert parse_quantity("1 mg/L HCO3-", "mg_l_caco3") == pytest.approx(
        carbonate / 2 / hco3, abs=5e-6
    )


WEIGHT = "A weight in g is wanted, such as 250 or 9 oz."
TIME = "A time in h is wanted, such as 48 or 2 days."
WARMTH = "A temperature in °C is wanted, such as 16.5 or 62 F."
REFUSED = [
    ("", "g", f"x is empty. {WEIGHT}"),
    ("  \u00a0 ", "g", f"x is empty. {WEIGHT}"),
    ("4-5", "g", f"x '4-5' looks like a range. {WEIGHT}"),
    ("4 – 5", "g", f"x '4 – 5' looks like a range. {WEIGHT}"),
    ("4 to 5 g", "g", f"x '4 to 5 g' looks like a range. {WEIGHT}"),
    ("1-1/2 lb", "g", f"x '1-1/2 lb' looks like a range. {WEIGHT}"),
    ("about 5", "g", f"x 'about 5' is not one exact number. {WEIGHT}"),
    ("~5", "g", f"x '~5' is not one exact number. {WEIGHT}"),
    ("< 5", "g", f"x '< 5' is not one exact number. {WEIGHT}"),
    ("5?", "g", f"x '5?' is not one exact number. {WEIGHT}"),
    ("5 ± 1", "g", f"x '5 ± 1' is not one exact number. {WEIGHT}"),
    ("12.03.", "g", f"x '12.03.' looks like a date. {WEIGHT}"),
    ("12.03.2026", "g", f"x '12.03.2026' looks like a date. {WEIGHT}"),
    ("2026-03-04", "h", f"x '2026-03-04' looks like a date. {TIME}"),
    ("3/4/26", "g", f"x '3/4/26' looks like a date. {WEIGHT}"),
    ("1:30", "h", "x '1:30' looks like a time of day. Type 1 h 30 min."),
    ("1:30", "temp_c", f"x '1:30' looks like a time of day. {WARMTH}"),
    ("1:75 h", "h", f"x '1:75 h' cannot be read as a number. {TIME}"),
    ("12/5", "g", f"x '12/5' cannot be read as a fraction here. {WEIGHT}"),
    ("1/0", "g", f"x '1/0' cannot be read as a fraction here. {WEIGHT}"),
    ("7/10", "score", "x '7/10' cannot be read as a fraction here. A score is wanted, such as 7 "
     "or 7.5."),
    ("5.", "g", f"x '5.' cannot be read as a number. {WEIGHT}"),
    ("- 5", "g", f"x '- 5' cannot be read as a number. {WEIGHT}"),
    ("--5", "g", f"x '--5' cannot be read as a number. {WEIGHT}"),
    ("tap water", "temp_c", f"x 'tap water' cannot be read as a number. {WARMTH}"),
    ("n/a", "g", f"x 'n/a' cannot be read as a number. {WEIGHT}"),
    ("nan", "g", f"x 'nan' cannot be read as a number. {WEIGHT}"),
    ("1_000", "g", f"x '1_000' cannot be read as a number. {WEIGHT}"),
    ("٣ g", "g", f"x '٣ g' cannot be read as a number. {WEIGHT}"),
    ("1e999", "g", f"x '1e999' is not a finite number. {WEIGHT}"),
    ("9" * 400, "g", f"x '{'9' * 37}...' is not a finite number. {WEIGHT}"),
    ("5" + " " * 80 + "kg", "g", f"x '5' is too long for one number with its unit. {WEIGHT}"),
    ("1.2.3", "g", f"x '1.2.3' has points or commas that do not fit one number. {WEIGHT}"),
    ("12,34,567", "g", f"x '12,34,567' has points or commas that do not fit one number. {WEIGHT}"),
    ("1,904.7.2", "g", f"x '1,904.7.2' has points or commas that do not fit one number. {WEIGHT}"),
    ("4 5", "g", f"x '4 5' holds more than one number, or a number without its unit. {WEIGHT}"),
    ("5 h 30", "h", f"x '5 h 30' holds more than one number, or a number without its unit. {TIME}"),
    ("-2 lb 3 oz", "g", "x '-2 lb 3 oz' holds more than one number, or a number without its unit. "
     + WEIGHT),
    ("2 oz 3 lb", "g", f"x '2 oz 3 lb' has parts that do not make one quantity. {WEIGHT}"),
    ("2 lb 20 oz", "g", f"x '2 lb 20 oz' has parts that do not make one quantity. {WEIGHT}"),
    ("1.5 h 20 min", "h", f"x '1.5 h 20 min' has parts that do not make one quantity. {TIME}"),
    ("20 C 5 C", "temp_c", f"x '20 C 5 C' has parts that do not make one quantity. {WARMTH}"),
    ("5 oz 5 oz", "g", f"x '5 oz 5 oz' has parts that do not make one quantity. {WEIGHT}"),
    ("59 F", "h", f"x '59 F' is a temperature in °F. {TIME}"),
    ("15 C", "g", f"x '15 C' is a temperature in °C. {WEIGHT}"),
    ("48 h", "temp_c", f"x '48 h' is a time in h. {WARMTH}"),
    ("2 cups", "g", f"x '2 cups' is a volume in cup. {WEIGHT} Weigh it."),
    ("8 oz", "ml", "x '8 oz' is a weight in oz. A volume in mL is wanted, such as 250 or 0.25 L."),
    ("5.4 pH", "g", f"x '5.4 pH' is a pH. {WEIGHT}"),
    ("10 °dH", "mg_l", "x '10 °dH' is an alkalinity or hardness in °dH. A concentration in mg/L is "
     "wanted, such as 60 or 60 mg/L."),
    ("3 mmol/L", "mg_l_caco3", "x '3 mmol/L' is an amount per litre in mmol/L. An alkalinity or "
     "hardness in mg/L as CaCO3 is wanted, such as 150 or 8.4 dH."),
    ("5 %", "", "x '5 %' is a percentage in %. A plain number is wanted, such as 3 or 0.5."),
    ("5 x", "", "x '5 x' ends in 'x'. A plain number is wanted, such as 3 or 0.5."),
    ("5 glug", "g", "x '5 glug': unit 'glug' is not known. Known: g, kg, lb, mg, oz."),
    ("10²", "g", "x '10²': unit '²' is not known. Known: g, kg, lb, mg, oz."),
    ("90 mni", "h", "x '90 mni': unit 'mni' is not known. Did you mean 'min'? "
     "Known: days, h, min, s."),
    ("2 gal", "l", "x '2 gal': unit 'gal' is not known. Did you mean 'US gal'? "
     "Known: L, UK gal, US gal, cup, fl oz, mL, tbsp, tsp."),
    (True, "g", f"x 'True' is not a number. {WEIGHT}"),
    (None, "g", f"x 'None' is not a number. {WEIGHT}"),
    (float("nan"), "g", f"x 'nan' is not a finite number. {WEIGHT}"),
    (10**5000, "g", f"x 'a huge number' is not a finite number. {WEIGHT}"),
    (datetime.date(2026, 3, 4), "g", f"x '2026-03-04' is not a number. {WEIGHT}"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "unit", "says"), REFUSED, ids=range(len(REFUSED)))
def test_refusal_says_what_was_found_and_what_would_be_right(text, unit, says):
    with pytest.raises(InputError) as caught:
        parse_quantity(text, unit, what="x")
    assert str(caught.value) == says


def test_a_long_number_that_fits_is_read():
    assert parse_quantity("9" * 60, "g") == float("9" * 60)


def test_unknown_unit_carries_the_known_ones():
    with pytest.raises(UnknownName) as caught:
        parse_quantity("5 glug", "g")
    assert caught.value.name == "glug"
    assert caught.value.known == ("g", "kg", "lb", "mg", "oz")


@pytest.mark.parametrize("call", [parse_quantity, format_quantity, explain_out_of_range])
def test_unknown_suffix_is_refused_by_every_door(call):
    with pytest.raises(UnknownName, match=r"unit suffix 'temp_k' is not known\. Did you mean"):
        call(5.0, "temp_k")


# --- the comma before three digits


@pytest.mark.parametrize(
    ("text", "low", "high", "value"),
    [
        ("1,234", 100, 5000, 1234),
        ("1,234", 0, 100, 1.234),
        ("12,500 g", 1000, None, 12500),
        ("1,234 kg", 0, 5000, 1234),
        ("-1,234", -5, 5, -1.234),
    ],
)
def test_comma_before_three_digits_is_read_by_the_range(text, low, high, value):
    assert parse_quantity(text, "g", low=low, high=high) == value


def test_comma_before_three_digits_is_refused_where_both_fit():
    with pytest.raises(InputError) as caught:
        parse_quantity("1,234 kg", "kg", what="flour_kg", low=1, high=5000)
    assert str(caught.value) == (
        "flour_kg '1,234 kg' can be read as 1.234 or as 1234; both are possible here. "
        "Type 1.234 kg or 1234 kg."
    )
    with pytest.raises(InputError, match=r"Type 1\.234 or 1234\.$"):
        parse_quantity("1,234", "kg")


def test_comma_before_three_digits_outside_both_ways_is_out_of_range():
    with pytest.raises(OutOfRange) as caught:
        parse_quantity("1,234", "ph", low=2.5, high=9)
    assert caught.value.value == 1.234


# --- outside the range

OUTSIDE = [
    ("59", "temp_c", -5, 45, "x 59 lies outside -5 to 45 °C. 59 looks like Fahrenheit; in Celsius "
     "that is 15.0. Type 59 F if that is meant."),
    ("59 C", "temp_c", -5, 45, "x 59 lies outside -5 to 45 °C. 59 looks like Fahrenheit; in "
     "Celsius that is 15.0. Type 59 F if that is meant."),
    ("200 F", "temp_c", -5, 45, "x '200 F' is 93.3 °C; that lies outside -5 to 45 °C."),
    ("165", "temp_c", -5, 45, "x 165 lies outside -5 to 45 °C. A decimal point may be missing "
     "(16.5)."),
    ("-18", "temp_c", 0, 45, "x -18 lies outside 0 to 45 °C. The minus sign may be wrong (18)."),
    ("1440", "h", None, 96, "x 1440 lies above 96 h. 1440 looks like minutes; that is 24 h. Type "
     "1440 min if that is meant."),
    ("172800", "h", 0, 96, "x 172800 lies outside 0 to 96 h. 172800 looks like seconds; that is "
     "48 h. Type 172800 s if that is meant."),
    ("2", "h", 12, 96, "x 2 lies outside 12 to 96 h. 2 looks like days; that is 48 h. Type 2 days "
     "if that is meant."),
    ("100", "h", 0, 96, "x 100 lies outside 0 to 96 h."),
    ("56.2", "ph", 2.5, 9, "x 56.2 lies outside 2.5 to 9. A decimal point may be missing (5.62)."),
    ("541", "ph", 2.5, 9, "x 541 lies outside 2.5 to 9. A decimal point may be missing (5.41)."),
    ("10.2", "ph", 2.5, 9, "x 10.2 lies outside 2.5 to 9."),
    ("1.2", "g", 100, 5000, "x 1.2 lies outside 100 to 5000 g. 1.2 looks like kilograms; that is "
     "1200 g. Type 1.2 kg if that is meant."),
    ("80", "g", 100, 200_000, "x 80 lies outside 100 to 200000 g."),
    ("1.2", "g", 100, None, "x 1.2 lies below 100 g. 1.2 looks like kilograms; that is 1200 g. "
     "Type 1.2 kg if that is meant."),
    ("12000", "kg", 0, 50, "x 12000 lies outside 0 to 50 kg. 12000 looks like grams; that is "
     "12 kg. Type 12000 g if that is meant."),
    ("0.65", "pct", 40, 100, "x 0.65 lies outside 40 to 100 %. 0.65 looks like a fraction of 1. "
     "Type 65 if 65 % is meant."),
    ("1550", "mg_l_caco3", 0, 600, "x 1550 lies outside 0 to 600 mg/L as CaCO3. There may be a "
     "digit too many (155)."),
    ("0.45", "us_cm", 10, 5000, "x 0.45 lies outside 10 to 5000 µS/cm. 0.45 looks like mS/cm; "
     "that is 450 µS/cm. Type 0.45 mS/cm if that is meant."),
    ("2", "min", 30, 240, "x 2 lies outside 30 to 240 min. 2 looks like hours; that is 120 min. "
     "Type 2 h if that is meant."),
    ("75", "score", 0, 10, "x 75 lies outside 0 to 10. A decimal point may be missing (7.5)."),
    ("5 lb", "g", 0, 100, "x '5 lb' is 2268 g; that lies outside 0 to 100 g."),
]  # fmt: skip


@pytest.mark.parametrize(("text", "unit", "low", "high", "says"), OUTSIDE)
def test_value_outside_its_range_says_what_it_looks_like(text, unit, low, high, says):
    with pytest.raises(OutOfRange) as caught:
        parse_quantity(text, unit, what="x", low=low, high=high)
    assert str(caught.value) == says
    assert (caught.value.low, caught.value.high) == (low, high)


def test_ends_of_the_range_belong_to_it():
    assert parse_quantity("45", "temp_c", low=-5, high=45) == 45
    assert parse_quantity("23 F", "temp_c", low=-5, high=45) == -5


def test_explain_is_silent_inside_the_range():
    assert explain_out_of_range(5.6, "ph", 2.5, 9) == ""
    assert guess_meaning(5.6, "ph", 2.5, 9) is None


@steady
@given(st.sampled_from(sorted(UNITS)), THOUSANDTHS, THOUSANDTHS, THOUSANDTHS.map(abs))
def test_what_a_guess_says_to_type_is_read_as_its_value(unit, value, low, width):
    guess = guess_meaning(value, unit, low, low + width)
    if guess is not None:
        read = parse_quantity(guess.typed, unit, low=low, high=low + width)
        assert read == pytest.approx(guess.value, rel=1e-9)


# --- converting and showing


def test_every_conversion_agrees_with_pint_itself():
    import pint

    known = pint.UnitRegistry()
    for (kind, name), source in typed.BY_NAME.items():
        suffix = next(u.suffix for u in UNITS.values() if u.kind == kind)
        target = UNITS[suffix].typed
        if kind in ("ph", "score", "number", "percent"):
            assert convert(3.0, suffix, suffix) == 3.0
            continue
        expected = known.Quantity(3.0 * source.factor, source.pint).to(target.pint).magnitude
        assert convert(3.0, name, suffix) == pytest.approx(expected, rel=1e-11), name


def test_temperatures_and_differences_do_not_mix():
    assert convert(9, "F", "temp_diff_c") == 5
    assert convert(9, "F", "temp_c") == pytest.approx(-115 / 9, abs=1e-10)
    with pytest.raises(InputError) as caught:
        convert(5, "temp_diff_c", "temp_c")
    assert str(caught.value) == (
        "No factor joins °C (a temperature difference) and °C (a temperature)."
    )


def test_units_that_do_not_fit_are_both_named():
    with pytest.raises(InputError, match=r"No factor joins g \(a weight\) and mL \(a volume\)\."):
        convert(1, "g", "ml")
    with pytest.raises(UnknownName, match="unit 'furlong' is not known"):
        convert(1, "furlong", "mm")
    with pytest.raises(UnknownName, match="unit suffix 'C' is not known"):
        convert(1, "F", "C")


def test_arrays_convert_like_numbers():
    typed_f = np.array([32.0, 59.0, 212.0])
    assert np.allclose(convert(typed_f, "temp_f", "temp_c"), [0, 15, 100], atol=1e-9)


def test_no_noise_is_left_by_a_conversion():
    assert [parse_quantity(f"{f} F", "temp_c") for f in (32, 41, 50, 59, 68)] == [0, 5, 10, 15, 20]
    assert str(parse_quantity("41 F", "temp_c")) == "5.0"


SHOWN = [
    (15, "temp_c", "", None, "15 °C"),
    (15, "temp_c", "F", None, "59 °F"),
    (16.25, "temp_c", "F", 2, "61.25 °F"),
    (5, "temp_diff_c", "F", None, "9 °F"),
    (5.4, "ph", "", None, "pH 5.40"),
    (5.444, "ph", "", 1, "pH 5.4"),
    (24, "h", "days", None, "1 day"),
    (52, "h", "days", None, "2.17 days"),
    (1, "score", "", None, "1 point"),
    (7.5, "score", "", None, "7.5 points"),
    (1904.698, "g", "", None, "1904.7 g"),
    (1904.698, "g", "kg", None, "1.905 kg"),
    (1904.698, "g", "", 0, "1905 g"),
    (65, "pct", "", None, "65 %"),
    (148.4, "mg_l_caco3", "", None, "148 mg/L"),
    (178.48, "mg_l_caco3", "dH", None, "10 °dH"),
    (450, "us_cm", "", None, "450 µS/cm"),
    (3, "", "", None, "3"),
    (0.5, "", "", None, "0.5"),
    (-0.001, "temp_c", "", None, "0 °C"),
    (-0.001, "temp_c", "", 1, "0.0 °C"),
    (100, "min", "", None, "100 min"),
    (math.nan, "ph", "", None, "no value"),
]


@pytest.mark.parametrize(("value", "unit", "show", "digits", "text"), SHOWN)
def test_values_are_shown_with_their_unit(value, unit, show, digits, text):
    assert format_quantity(value, unit, show=show, digits=digits) == text


def test_a_unit_of_another_kind_cannot_be_shown():
    with pytest.raises(UnknownName, match=r"unit 'F' is not known\. Known: days, h, min, s"):
        format_quantity(5, "h", show="F")
    with pytest.raises(InputError, match="No factor joins"):
        format_quantity(5, "h", show="g")


@pytest.mark.parametrize(
    ("text", "name"),
    [("59 °F", "F"), ("59f", "F"), ("2 lb 3 oz", "lb"), ("3 Days", "days"), ("65%", "%"),
     ("16,5", ""), ("pH 5,4", "pH"), ("450 µS/cm", "uS/cm"), ("10 °dH", "dH"), ("5 °", "")],
)  # fmt: skip
def test_the_typed_unit_is_named(text, name):
    assert typed_unit(text) == name


def test_a_temperature_typed_in_f_is_answered_in_f():
    text = "61.7 F"
    value = parse_quantity(text, "temp_c")
    assert format_quantity(value, "temp_c", show=typed_unit(text)) == "61.7 °F"


def test_typed_unit_refuses_what_is_no_quantity():
    with pytest.raises(InputError, match="'4-5' looks like a range"):
        typed_unit("4-5")


def test_axis_titles_and_column_units():
    titles = {"temp_c": "°C", "g": "g", "h": "h", "pct": "%", "mg_l": "mg/L", "ph": "pH"}
    assert {name: axis_unit(name) for name in titles} == titles
    assert axis_unit("alkalinity_mg_l") == "mg/L as CaCO3"
    assert axis_unit("balls") == ""
    columns = ("flour_g", "flour_kg", "water_temp_c", "room_c", "rise_diff_c")
    assert [unit_of(c) for c in columns] == ["g", "kg", "temp_c", "", "temp_diff_c"]
    assert unit_of("calcium_mg_l") == "mg_l"
    assert unit_of("hardness_mg_l") == "mg_l_caco3"


def test_tables_of_units_are_whole():
    assert {unit.kind for unit in UNITS.values()} == set(KINDS)
    for suffix, unit in UNITS.items():
        assert re.fullmatch(r"[a-z0-9_]*", suffix)
        assert axis_unit(suffix) == unit.title
        for text in unit.example.split(" or "):
            assert math.isfinite(parse_quantity(text, suffix)), (suffix, text)
    for kind, name in typed.BY_NAME:
        key = (kind, typed.spelling_key(name))
        assert typed.BY_SPELLING[key].name == name, "the name of a unit can be typed"
    for suffix, guesses in units._LOOKS_LIKE.items():
        assert all((UNITS[suffix].kind, name) in typed.BY_NAME for name, _ in guesses)


# --- properties

ANY_UNIT = st.sampled_from(sorted(UNITS))
TYPED = st.text(
    alphabet="0123456789.,:/-+ '°%½¾\u00a0\u2212FCglbozkhmindaysLpcteHCO3μ()eE~?", max_size=16
)


@steady
@given(st.one_of(st.text(max_size=40), TYPED), ANY_UNIT)
@example("1e400", "g")
@example("0/0", "g")
@example("ǅ 5", "g")
def test_any_text_gives_a_finite_number_or_an_input_error(text, unit):
    try:
        value = parse_quantity(text, unit, what="x", low=-1e9, high=1e9)
    except InputError as refused:
        assert str(refused).startswith("x ") and str(refused).isprintable()
    else:
        assert -1e9 <= value <= 1e9


@steady
@given(st.floats(allow_nan=False, allow_infinity=False), ANY_UNIT)
def test_what_python_writes_is_read_back_exactly(value, unit):
    assert parse_quantity(repr(value), unit) == value


@steady
@given(st.floats(-1e6, 1e6), st.sampled_from(sorted(typed.BY_NAME)), st.integers(0, 6))
def test_shown_text_is_read_back_within_its_digits(value, kind_and_name, digits):
    kind, name = kind_and_name
    suffix = next(u.suffix for u in UNITS.values() if u.kind == kind)
    text = format_quantity(value, suffix, show=name, digits=digits)
    back = (
        convert(parse_quantity(text, suffix), suffix, name)
        if name
        else parse_quantity(text, suffix)
    )
    shown = convert(value, suffix, name) if name else value
    assert back == pytest.approx(shown, abs=0.5 * 10.0**-digits + 1e-6 * max(1, abs(shown)) * 1e-3)


@steady
@given(st.integers(0, 10**6), st.text("0123456789", min_size=1, max_size=6), ANY_UNIT)
def test_decimal_comma_equals_decimal_point(whole, decimals, unit):
    comma, point = f"{whole},{decimals}", f"{whole}.{decimals}"
    value = float(point)
    assert parse_quantity(comma, unit, low=value, high=value) == parse_quantity(point, unit)


@steady
@given(st.integers(1, 10**9), st.integers(0, 99), st.sampled_from([" ", "'", "\u00a0", "\u202f"]))
def test_grouped_thousands_equal_the_plain_number(whole, cents, group):
    plain = float(f"{whole}.{cents:02d}")
    assert parse_quantity(f"{whole:,}.{cents:02d} g", "g") == plain
    grouped = f"{whole:,}".replace(",", group)
    assert parse_quantity(f"{grouped},{cents:02d} g", "g") == plain
    swapped = f"{whole:,}".replace(",", ".")
    assert parse_quantity(f"{swapped},{cents:02d} g", "g") == plain


@steady
@given(st.integers(0, 999), st.integers(1, 63), st.integers(2, 64))
def test_mixed_fractions_add_up(whole, top, bottom):
    text = f"{whole} {top}/{bottom} g"
    if top < bottom:
        assert parse_quantity(text, "g") == pytest.approx(whole + top / bottom, rel=1e-12)
    else:
        with pytest.raises(InputError):
            parse_quantity(text, "g")


# --- cost


def test_plain_numbers_own_units_and_fahrenheit_do_not_load_pint():
    code = (
        "import sys\n"
        "from doughlab.units import parse_quantity, format_quantity, explain_out_of_range\n"
        "assert parse_quantity('5,41', 'ph', low=2, high=9) == 5.41\n"
        "assert parse_quantity('16.5 C', 'temp_c') == 16.5\n"
        "assert format_quantity(65, 'pct') == '65 %'\n"
        "assert parse_quantity('59 F', 'temp_c') == 15.0\n"
        "heavy = [m for m in ('pint', 'numpy', 'pandas') if m in sys.modules]\n"
        "parse_quantity('1 lb', 'g')\n"
        "print(heavy, 'pint' in sys.modules)\n"
    )
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", code], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[] True"


def test_a_thousand_cells_take_well_under_a_tenth_of_a_second():
    cells = ["59 F", "16,5 °C", "18", "-3 C", "61.7 °F"] * 200
    parse_quantity("59 F", "temp_c")

    def seconds():
        start = time.process_time()
        for cell in cells:
            parse_quantity(cell, "temp_c", low=-20, high=60)
        return time.process_time() - start

    assert min(seconds() for _ in range(5)) < 0.1


@pytest.mark.parametrize("pair", units._EXACT_LINES)
def test_the_exact_lines_are_those_of_pint(pair):
    """Source: pint's own definitions."""
    offset, slope = units._line(*pair)
    assert units._EXACT_LINES[pair] == pytest.approx((offset, slope), rel=1e-12, abs=1e-12)
