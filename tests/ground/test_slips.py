"""Slips of a hand that edits trial.toml: each is answered with what to type."""

import tomllib

import pytest

from doughlab.errors import InputError
from doughlab.formula import parse_formula
from doughlab.settings import parse_settings
from doughlab.slips import DayColumn, explain_slip, find_weekday, read_clock, read_toml

HEAD = 'format = 1\nname = "x"\ncode = "X1"\n'

SLIPS = [
    ("margin = 0,1", "Write decimals with a point: margin = 0.1"),
    ("margin = 0,1   # mine", "Write decimals with a point: margin = 0.1"),
    ("temperature = F", 'Words stand in quotation marks: temperature = "F"'),
    ("open_at = 9am", 'Words stand in quotation marks: open_at = "9am"'),
    ("dough = house dough", 'Words stand in quotation marks: dough = "house dough"'),
    ("primary = Yes", "Yes is true and no is false, in small letters: primary = true"),
    (
        "closed = [Mon, Sun]",
        'Each word of a list stands in quotation marks: closed = ["Mon", "Sun"]',
    ),
    ('about = "two words', 'The closing quotation mark is missing: about = "two words"'),
    ("about = “two words”", 'Use straight quotation marks: about = "two words"'),
    ("days =", "Nothing stands behind days =. Give a value, or put # before the line."),
    ("days: 4", "Write = where the colon stands: days = 4"),
    ("ask ada about this", "Put # before a remark, or write it as key = value."),
    ("[blocks", "A section name stands between brackets: [blocks]"),
    ("days = two", "Write numbers in digits: days = 2"),
    ('levels = ["24", "48"', 'A list ends with a bracket: levels = ["one", "two"]'),
    ('closed = ["Mon"   # Mon Tue', 'A list ends with a bracket: closed = ["one", "two"]'),
]


@pytest.mark.parametrize(("line", "hint"), SLIPS, ids=[s[0] for s in SLIPS])
def test_a_slip_is_answered_with_what_to_type(line, hint):
    text = f"{HEAD}{line}\nseed = 3\n"
    with pytest.raises(tomllib.TOMLDecodeError):
        tomllib.loads(text)
    settings, (problem,) = parse_settings(text)
    assert settings is None
    assert (problem.row, problem.message) == (4, f"cannot be read: {hint}")


@pytest.mark.parametrize(("line", "hint"), SLIPS, ids=[s[0] for s in SLIPS])
def test_a_slip_in_the_formula_is_answered_alike(line, hint):
    formula, (problem,) = parse_formula(f"format = 1\n[percent]\n{line}\nsalt = 2.5\n")
    assert formula is None
    assert str(problem) == f"formula.toml, row 3: cannot be read: {hint}"


def test_a_slip_in_the_last_line_has_its_row():
    """The parser names no line at the end of a file."""
    assert read_toml('salt = 2.5\nname = "house') == (
        None, 'The closing quotation mark is missing: name = "house"', 2,
    )  # fmt: skip
    data, words, row = read_toml('name = """house\nsalt = 2.5')
    assert (data, row) == (None, 2) and "at end of document" in words
    assert read_toml("") == ({}, "", None)


@pytest.mark.parametrize(("line", "hint"), SLIPS[:10], ids=[s[0] for s in SLIPS[:10]])
def test_the_line_that_is_offered_can_be_read(line, hint):
    offered = hint.split(": ", 1)[-1]
    if not offered.startswith("Nothing"):
        assert tomllib.loads(offered)


@pytest.mark.parametrize("line", ["a = 1 = 2", "a = {", "x = 08", ""])
def test_an_unknown_slip_keeps_the_parsers_words(line):
    text = f"{line}\n"
    if line in {"", "x = 08"}:
        assert explain_slip(text, None) == explain_slip(text, 9) == ""
    else:
        assert explain_slip(text, 1) == ""


@pytest.mark.parametrize(
    ("section", "near"),
    [("[block]\ndays = 2", "blocks"), ("[[question]]\ntext = 'a'", "questions"),
     ("[factor.water]\nset = 'batch'", "factors")],
)  # fmt: skip
def test_a_section_near_a_known_one_is_named(section, near):
    settings, problems = parse_settings(f"{HEAD}{section}\n")
    assert settings is None
    (problem,) = problems
    assert problem.row == 4
    assert f"Did you mean '{near}'?" in problem.message
    assert problem.message.startswith("section '")


@pytest.mark.parametrize(
    ("typed", "time"),
    [("9am", "09:00"), ("9 AM", "09:00"), ("12am", "00:00"), ("12pm", "12:00"),
     ("9.30 p.m.", "21:30"),
     ("21.15", "21:15"), ("13pm", None), ("24", None), ("9:75", None), ("noon", None)],
)  # fmt: skip
def test_times_as_people_write_them(typed, time):
    assert read_clock(typed) == time


def test_the_time_that_was_meant_is_offered():
    _, problems = parse_settings(f"{HEAD}[kitchen]\nclose_at = '9 pm'\n")
    assert problems[0].message == "close_at '9 pm' is not a time of day. Write it like 21:00."


def test_a_weekday_spelled_out_is_answered_with_its_short_name():
    _, problems = parse_settings(f"{HEAD}[kitchen]\nclosed = ['Sunday']\n")
    assert problems[0].message == "closed 'Sunday': write days with three letters: \"Sun\"."
    known = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
    days = ["thurs", "Tuesdays", "SAT", "wed."]
    assert [find_weekday(day, known) for day in days] == ["Thu", "Tue", "Sat", "Wed"]
    assert [find_weekday(day, known) for day in ("", "su", "holiday")] == ["", "", ""]


@pytest.mark.parametrize(
    ("typed", "right"),
    [("11/24/2026", "2026-11-24"), ("24/11/2026", "2026-11-24"), ("24.11.2026", "2026-11-24"),
     ("3/4/2026", "2026-03-02"), ("24 Nov", "2026-03-02"), ("13/13/2026", "2026-03-02")],
)  # fmt: skip
def test_a_day_in_another_order_is_written_as_iso_8601_where_it_is_clear(typed, right):
    with pytest.raises(InputError) as refused:
        DayColumn("start_on", "text", "start_on").read(typed)
    assert str(refused.value) == f"start_on '{typed}' is not a day. Write it like {right}."
