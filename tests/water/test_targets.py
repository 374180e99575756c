"""Levels of a water's pH, read in one place, and the gate between a dosed water and the flour."""

import subprocess
import sys

import pytest

from doughlab.errors import InputError, OutOfRange, UnknownName
from doughlab.sections import Factor, ReadingMethod
from doughlab.settings import Settings
from doughlab.water.targets import (
    check_levels,
    find_target_factor,
    gate_words,
    is_dosed,
    planned_target,
    read_target,
)


def settings(*levels, name="water_ph", kind="category", step=0.01, **more):
    values = tuple(float(v) for v in levels) if kind == "number" else ()
    factor = Factor(name, "batch", kind, levels, more.pop("unit", ""), values=values)
    method = ReadingMethod(resolution=step)
    return Settings("x", "X1", factors={name: factor}, reading_method=method)


CROSSED = settings("as is", "6.2 acetic", "7.6 soda")


@pytest.mark.parametrize(
    ("level", "ph", "agent"),
    [
        ("as is", None, ""),
        ("As  is", None, ""),
        ("6.2 acetic", 6.2, "acetic"),
        ("pH 6,2 vinegar", 6.2, "acetic"),
        ("5 citric acid", 5.0, "citric"),
        ("5.5 lemon", 5.5, "citric"),
        ("4.5 lactic", 4.5, "lactic"),
        ("8.3 soda", 8.3, "sodium bicarbonate"),
        ("7.5 sodium bicarbonate", 7.5, "sodium bicarbonate"),
        ("6.0", 6.0, ""),
    ],
)
def test_levels_that_read(level, ph, agent):
    target = read_target(level)
    assert (target.level, target.ph, target.agent) == (level, ph, agent)


def test_a_level_that_is_none_says_how_it_is_written():
    with pytest.raises(InputError) as error:
        read_target("acidified")
    assert str(error.value) == (
        '\'acidified\' is no pH for a water. Write "as is", or a pH with its acid, as "6.2 acetic".'
    )


@pytest.mark.parametrize("level", ["4.4 acetic", "8.4 soda", "62 acetic"])
def test_a_target_that_is_not_dosed_is_refused(level):
    with pytest.raises(OutOfRange, match=r"is not dosed; choose 4\.5 to 8\.3\."):
        read_target(level)


def test_an_unknown_acid_names_the_nearest():
    with pytest.raises(UnknownName, match="Did you mean 'acetic'"):
        read_target("6.2 acetik")


def test_the_tolerance_is_a_step_of_the_meter_and_what_two_readings_differ_by():
    assert read_target("6.2").reach(0.01) == (6.14, 6.26)
    assert read_target("6.2").reach(0.1) == (6.05, 6.35)
    with pytest.raises(InputError, match="has no target pH"):
        read_target("as is").reach(0.01)


def test_the_factor_is_found_by_its_name_or_by_levels_that_name_acids():
    assert find_target_factor(CROSSED).name == "water_ph"
    assert find_target_factor(settings("as is", "6.2 acetic", name="tank")).name == "tank"
    for other in (
        settings("5", "6", name="yeast"),  # numbers alone may be anything
        settings("as is", "toasted", name="flour"),
        settings("5", "6", name="salt", kind="number"),
    ):
        assert find_target_factor(other) is None


def test_a_number_factor_gives_a_target_without_an_acid():
    by_number = settings("6.2", "7", kind="number", unit="ph")
    assert planned_target(by_number, {"water_ph": 6.2}).ph == 6.2
    assert check_levels(by_number) == []


def test_no_target_where_the_plan_says_none():
    assert planned_target(CROSSED, {}) is None
    assert planned_target(Settings("x", "X1"), {"water_ph": "6.2 acetic"}) is None
    assert gate_words(Settings("x", "X1"), {}, {"water_ph": None, "acid_g": None}) == ""


def test_unreadable_levels_are_all_named():
    found = check_levels(settings("as is", "6.2 acetik", "3 acetic"))
    assert [name for name, _ in found] == ["water_ph", "water_ph"]
    assert "Did you mean 'acetic'" in found[0][1]


def test_missing_reading_stops_before_the_flour():
    assert gate_words(CROSSED, {"water_ph": "6.2 acetic"}, {}) == (
        "the pH of the dosed water is not written down (target 6.2, 6.14 to 6.26). Read it before "
        "flour goes in, and add it: water_ph=NUMBER."
    )


@pytest.mark.parametrize("read", [6.14, 6.2, 6.26])
def test_readings_within_the_tolerance_say_nothing(read):
    assert gate_words(CROSSED, {"water_ph": "6.2 acetic"}, {"water_ph": read}) == ""


def test_too_little_acid_is_mended_and_too_much_is_begun_again():
    high = gate_words(CROSSED, {"water_ph": "6.2 acetic"}, {"water_ph": 6.27})
    assert high == (
        "the water reads pH 6.27, 0.07 above its target 6.2 (6.14 to 6.26). No flour yet? Add a "
        "little more by weight, stir, read again. Flour is in? Leave a note; the planned level "
        "is analysed."
    )
    low = gate_words(CROSSED, {"water_ph": "6.2 acetic"}, {"water_ph": 6.13})
    assert "0.07 below its target" in low
    assert "Too much went in: begin again with fresh water." in low


def test_soda_is_mended_the_other_way_round():
    assert "Add a little more" in gate_words(CROSSED, {"water_ph": "7.6 soda"}, {"water_ph": 7.3})
    assert "Too much went in" in gate_words(CROSSED, {"water_ph": "7.6 soda"}, {"water_ph": 7.9})


def test_a_coarser_meter_has_a_wider_gate():
    coarse = settings("as is", "6.2 acetic", step=0.1)
    assert gate_words(coarse, {"water_ph": "6.2 acetic"}, {"water_ph": 6.3}) == ""
    assert gate_words(CROSSED, {"water_ph": "6.2 acetic"}, {"water_ph": 6.3}) != ""


def test_water_as_it_comes_has_no_gate_but_no_acid_either():
    assert gate_words(CROSSED, {"water_ph": "as is"}, {"water_ph": 7.9}) == ""
    assert gate_words(CROSSED, {"water_ph": "as is"}, {}) == ""
    assert gate_words(CROSSED, {"water_ph": "as is"}, {"acid_g": 26.0}) == (
        "planned with its water as it comes, but 26 g of acid are written down. Correct one of "
        "them, or leave a note."
    )


def test_a_dose_without_a_target_still_wants_its_reading():
    plain = Settings("x", "X1")
    assert is_dosed(plain, {}, {"acid_g": 26.0}) and is_dosed(plain, {"acid_g": 4.0}, {})
    assert not is_dosed(plain, {"acid_g": 0.0}, {"acid_g": None})
    assert gate_words(plain, {}, {"acid_g": 26.0}) == (
        "the pH of the dosed water is not written down. Read it before flour goes in, and add "
        "it: water_ph=NUMBER."
    )
    assert gate_words(plain, {}, {"acid_g": 26.0, "water_ph": 6.4}) == ""


def test_the_gate_speaks_of_dough_never_of_drinking():
    words = [gate_words(CROSSED, {"water_ph": "6.2 acetic"}, {"water_ph": v})
             for v in (None, 5.0, 8.0)]  # fmt: skip
    for text in words:
        assert text
        assert not any(w in text.lower() for w in ("drink", "safe", "pass", "release"))


def test_reading_levels_loads_nothing_heavy():
    code = "import sys, doughlab.water.targets; print('numpy' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
