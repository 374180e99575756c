"""`doughlab new`: answers as a cook types them, and refusals that say the next step."""

import builtins

import pytest

from doughlab.cli import main
from doughlab.commands.answers import (
    Margins,
    is_unknown,
    read_factors,
    read_kitchen,
    read_margins,
    read_waters,
)
from doughlab.errors import InputError


@pytest.mark.parametrize("said", ["dunno", "Dunno!", "I dunno", "no clue", "I'm not sure."])
def test_not_knowing_has_many_words(said):
    assert is_unknown(said)


@pytest.mark.parametrize(
    ("said", "hours"),
    [("10am-10pm", ("10:00", "22:00")), ("open 9 am to 9.30 pm", ("09:00", "21:30")),
     ("9-21", ("09:00", "21:00")), ("from 08:15 to 20:45", ("08:15", "20:45"))],
)  # fmt: skip
def test_hours_of_half_a_day_are_understood(said, hours):
    kitchen = read_kitchen(said)
    assert (kitchen.open_at, kitchen.close_at) == hours


@pytest.mark.parametrize("said", ["13pm-14", "9-25", "10:75-12"])
def test_hours_that_no_clock_shows_are_refused(said):
    with pytest.raises(InputError, match=r"is no time of the day\. Say it like: 9-21"):
        read_kitchen(said)


def test_a_count_may_be_a_word():
    kitchen = read_kitchen("two mixers, 90 places, six an hour")
    assert (kitchen.mixers, kitchen.cooler_places, kitchen.oven_slots_per_h) == (2, 90, 6)


@pytest.mark.parametrize(
    "said",
    ["1 mixer, 120 places, oven 8 an hour, 9-21", "one mixer, cooler 120, oven: 8 per hour, 9-21",
     "1 mixer, 120 balls in the cooler, 8 pizzas an hour, 9-21",
     "1, cooler holds 120, oven bakes 8 an hour, 9-21"],
)  # fmt: skip
def test_oven_and_cooler_may_be_named(said):
    kitchen = read_kitchen(said)
    assert (kitchen.mixers, kitchen.cooler_places, kitchen.oven_slots_per_h) == (1, 120, 8)


@pytest.mark.parametrize("said", ["oven 8", "cooler 8 an hour", "oven", "8 in the pantry"])
def test_an_oven_without_an_hour_is_refused(said):
    with pytest.raises(InputError) as refused:
        read_kitchen(said)
    assert str(refused.value) == (
        f"'{said}' was not understood. Say it like: 1 mixer, 120 places, 6 an hour, 9-21, closed "
        "Mondays"
    )


@pytest.mark.parametrize(
    ("said", "margins"),
    [("0,1 pH", Margins(ph=0.1)), ("0.05 pH, 2 points of 10", Margins(0.05, 2.0)),
     ("pH 0.10, score 1", Margins(0.1, 1.0)), ("1 score, 0.2", Margins(0.2, 1.0))],
)  # fmt: skip
def test_a_difference_may_stand_before_its_name(said, margins):
    assert read_margins(said) == margins


def test_a_difference_with_two_names_is_refused():
    with pytest.raises(InputError, match="was not understood"):
        read_margins("pH 1 points")


def test_a_range_is_answered_with_settings():
    with pytest.raises(InputError, match=r"looks like a range\. .*compare: hold 24, 72 h"):
        read_factors("hold 24-72 h")


@pytest.mark.parametrize("said", ["tap tap", "tap, Tap", "spring water spring water, tap"])
def test_one_water_twice_is_no_second_water(said):
    with pytest.raises(InputError, match=r"was named twice\. Name each once"):
        read_waters(said)


def test_a_file_is_no_trial_and_nothing_is_asked(tmp_path, monkeypatch, capsys):
    file = tmp_path / "trial.toml"
    file.write_text("", encoding="utf-8")

    def asked(prompt=""):
        raise AssertionError("a question was asked")

    monkeypatch.setattr(builtins, "input", asked)
    for target in (file, file / "inner"):
        assert main(["new", str(target)]) == 1
        said = " ".join(capsys.readouterr().err.split())
        assert "is a file, and a trial is a folder. Name a new folder: doughlab new" in said


def test_a_stop_while_asked_says_that_nothing_was_written(tmp_path, monkeypatch, capsys):
    def stop(prompt=""):
        raise KeyboardInterrupt

    monkeypatch.setattr(builtins, "input", stop)
    assert main(["new", str(tmp_path / "t")]) == 1
    said = " ".join(capsys.readouterr().err.split())
    assert "stopped: no file was written" in said
    assert not (tmp_path / "t").exists()
