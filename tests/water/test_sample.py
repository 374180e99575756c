"""A water keeps what is missing missing, and refuses what no water has."""

import subprocess
import sys

import pytest

from doughlab.errors import InputError, OutOfRange, UnknownName
from doughlab.tables import table
from doughlab.water.sample import WaterSample, alkalinity_from, hardness_from


def test_every_column_of_waters_csv_is_a_field():
    row = WaterSample("tap", ph=7.9).as_row()
    assert tuple(row) == table("waters").names


def test_row_and_sample_turn_into_each_other():
    tap = WaterSample(
        "tap", ph=7.9, alkalinity_mg_l=150, smell="none", said_by="report", flush_min=2
    )
    assert WaterSample.from_row(tap.as_row()) == tap


def test_row_of_text_reads_decimal_comma_and_leaves_blanks_missing():
    water = WaterSample.from_row(
        {"water_id": "tap", "kind": "well", "ph": "7,4", "sodium_mg_l": ""}
    )
    assert water.ph == 7.4
    assert water.sodium_mg_l is None
    assert "sodium_mg_l" in water.missing


def test_unknown_column_names_the_nearest():
    with pytest.raises(UnknownName, match="Did you mean 'sodium_mg_l'"):
        WaterSample.from_row({"water_id": "tap", "kind": "tap", "sodum_mg_l": "3"})


@pytest.mark.parametrize(
    ("field", "value", "sentence"),
    [
        ("ph", 79, "tap: ph 79 lies outside 3.5 to 11. Check the unit and the decimal point."),
        ("alkalinity_mg_l", -1, "tap: alkalinity_mg_l -1 lies outside 0 to 800. Check the unit and "
         "the decimal point."),
        ("temp_c", 68, "tap: temp_c 68 lies outside 0 to 50. Check the unit and the decimal "
         "point."),
    ],
)  # fmt: skip
def test_impossible_numbers_are_refused_with_the_whole_sentence(field, value, sentence):
    with pytest.raises(OutOfRange) as error:
        WaterSample("tap", **{field: value})
    assert str(error.value) == sentence


@pytest.mark.parametrize("value", [float("nan"), float("inf"), "7.9", True])
def test_what_is_not_a_number_is_refused(value):
    with pytest.raises(InputError):
        WaterSample("tap", ph=value)


def test_kind_that_is_not_known_is_refused():
    with pytest.raises(UnknownName) as error:
        WaterSample("tap", kind="bottle")
    assert str(error.value).startswith("tap: kind of water 'bottle' is not known. Did you mean")


def test_a_water_needs_a_name():
    with pytest.raises(InputError, match="needs a name"):
        WaterSample(" ")


@pytest.mark.parametrize(
    ("value", "unit", "expected"),
    [
        (183, "mg/L HCO3", 150.09),  # 183 x 0.82016
        (3, "mmol/L", 150.13),  # 3 x 50.04345
        (3, "meq/L", 150.13),
        (8.4, "dH", 149.92),  # 8.4 x 17.848
        (15, "°fH", 150.0),
        (10.5, "English degrees", 149.67),  # 10.5 x 14.254
        (8.75, "gpg", 149.78),  # 8.75 x 17.118
    ],
)
def test_alkalinity_in_every_usual_unit(value, unit, expected):
    assert alkalinity_from(value, unit) == pytest.approx(expected, abs=0.02)


def test_one_mmol_of_hardness_is_twice_one_mmol_of_alkalinity():
    assert hardness_from(1, "mmol/L") == pytest.approx(2 * alkalinity_from(1, "mmol/L"))
    assert hardness_from(1, "meq/L") == pytest.approx(alkalinity_from(1, "meq/L"))


def test_hardness_as_bicarbonate_is_refused():
    with pytest.raises(InputError, match="Bicarbonate is an alkalinity"):
        hardness_from(100, "mg/L HCO3")


def test_unknown_unit_lists_the_known_ones():
    with pytest.raises(UnknownName, match="unit of alkalinity or hardness 'mmhos' is not known"):
        alkalinity_from(3, "mmhos")


@pytest.mark.parametrize(
    ("fields", "reason"),
    [
        ({"kind": "well"}, "water from a well"),
        ({"kind": "tank"}, "water from a tank"),
        ({"smell": "rotten egg"}, "smell noted as 'rotten egg'"),
        ({"look": "cloudy"}, "look noted as 'cloudy'"),
        ({"smell": "none", "look": "clear"}, ""),
    ],
)
def test_laboratory_comes_first_for_wells_tanks_and_odd_smells(fields, reason):
    assert WaterSample("w", **fields).needs_laboratory == reason


@pytest.mark.parametrize(
    ("said_by", "pct"), [("strip", 25), ("own titration", 5), ("city report", 10), ("", 15)]
)
def test_doubt_follows_who_says_so(said_by, pct):
    assert WaterSample("w", alkalinity_mg_l=100, said_by=said_by).doubt_pct == pct


def test_chloramine_is_total_minus_free():
    water = WaterSample("w", free_chlorine_mg_l=0.25, total_chlorine_mg_l=1.5)
    assert water.combined_chlorine_mg_l == pytest.approx(1.25)


def test_reading_a_water_loads_no_numpy():
    code = (
        "import sys\nfrom doughlab.water import WaterSample\nWaterSample('tap', ph=7.9)\n"
        "print([m for m in ('numpy', 'scipy', 'pandas', 'pint') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_acid_in_a_water_has_no_place_in_waters_csv():
    with pytest.raises(InputError, match="lists waters before dosing"):
        WaterSample("tank", acid="acetic", acid_mmol_kg=2.0).as_row()
