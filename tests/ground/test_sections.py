"""Sections: the keys of trial.toml and what they become."""

from importlib.resources import files

import pytest

from doughlab.errors import InputError, UnknownName
from doughlab.sections import (
    QUESTION,
    SECTIONS,
    TOP,
    Blocks,
    Factor,
    Kitchen,
    Limits,
    Panel,
    Question,
    ReadingMethod,
    Response,
    read_levels,
)

HOLD = Factor("hold", "ball", "number", ("24", "2 days"), "h", values=(24.0, 48.0))
WATER = Factor("water", "batch", "water", ("tap", "reverse osmosis"))


def test_a_factor_knows_its_column():
    assert (HOLD.column, WATER.column) == ("hold_h", "water")
    own = Factor("water_temp_c", "batch", "number", ("10", "20"), "temp_c", values=(10.0, 20.0))
    assert own.column == "water_temp_c"
    assert Factor("ratio", "batch", "number", ("1", "2"), values=(1.0, 2.0)).column == "ratio"


@pytest.mark.parametrize(("value", "level"), [(48.0, "2 days"), ("48", "2 days"), ("1 day", "24")])
def test_a_level_is_found_by_its_value_or_its_text(value, level):
    assert HOLD.level_of(value) == level
    assert HOLD.value_of("2 days") == 48.0
    assert WATER.level_of("tap") == WATER.value_of("tap") == "tap"


@pytest.mark.parametrize(("factor", "value"), [(HOLD, 36.0), (HOLD, "lots"), (WATER, "top")])
def test_a_level_that_was_never_tried_is_unknown(factor, value):
    with pytest.raises(UnknownName, match=f"level of {factor.name} '{value}' is not known"):
        factor.level_of(value)


def test_levels_are_read_in_the_unit_of_the_factor():
    assert read_levels("mixing water", ("50 F", "68 F"), "number", "temp_c") == (10.0, 20.0)
    assert read_levels("flour", ("strong", "soft"), "category", "") == ()
    with pytest.raises(InputError, match="names a level twice"):
        read_levels("mixing water", ("50 F", "10 C"), "number", "temp_c")
    with pytest.raises(InputError, match="is a time in h"):
        read_levels("mixing water", ("50 F", "24 h"), "number", "temp_c")


def test_a_factor_becomes_a_column_that_takes_its_levels_only():
    column = HOLD.as_column()
    assert (column.low, column.high, column.required) == (24.0, 48.0, True)
    assert WATER.as_column().allowed == ("tap", "reverse osmosis")


def test_a_response_says_which_balls_it_takes():
    assert Response("ph", "readings", "ph", 0.1).purpose == "ph"
    assert Response("bake", "scores", "score", 1.0).purpose == "bake"
    assert Response("angle", "bakes", "angle", 1.0).as_column().name == "angle"
    assert (Response("ph", "readings", "ph", 0.1).words, WATER.words) == ("pH", "water")


def test_a_question_knows_its_reference():
    assert Question("x", "water", "ph", "vs:tap").reference == "tap"
    assert Question("x", "water", "ph").reference is None


@pytest.mark.parametrize("made", [Blocks, Kitchen, Panel, ReadingMethod, Limits])
def test_defaults_are_what_their_own_keys_take(made):
    """A default that its own key would refuse could never be written in the file."""
    name = {"ReadingMethod": "reading_method"}.get(made.__name__, made.__name__.lower())
    for key, spec in SECTIONS[name].keys.items():
        value = getattr(made(), key)
        if value not in (None, "", ()):
            assert spec.read(list(value) if isinstance(value, tuple) else value) == value


def test_the_commented_example_shows_every_key():
    """What `doughlab new` writes names each key, as a key or in a remark."""
    text = (files("doughlab.commands") / "templates" / "trial.toml").read_text(encoding="utf-8")
    from doughlab.commands.new import _ASSUMED

    text += _ASSUMED
    shown = {"factors": "$factors", "responses": "$responses", "window": "$window"}
    for name, section in SECTIONS.items():
        if name in shown:
            assert shown[name] in text
            continue
        assert f"[{name}" in text
        if name == "confirm":
            continue  # written by the program, never by hand
        for key in section.keys:
            told = f"\n{key} = " in text or f"# {key} = " in text
            rare = (name, key) in {("assumed", "day_sd"), ("assumed", "session_sd")}
            assert told or rare, f"{name}.{key}"
    for key in TOP.keys:
        assert f"\n{key} = " in text or f"# {key} = " in text
    assert set(QUESTION.keys) == {"text", "factor", "response", "contrast", "primary"}
