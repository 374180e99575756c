"""The errors say where, what was found and what would be right, and keep their facts."""

import copy
import pickle

import pytest

from doughlab import errors
from doughlab.errors import (
    DoughlabError,
    InputError,
    MissingRecords,
    NotEstimable,
    OutOfRange,
    PlanError,
    Problem,
    UnknownName,
    listed,
    suggest,
)

WATERS = ["filtered", "spring-a", "tap-north"]


def test_tree_has_one_root_and_input_errors_are_value_errors():
    named = [e for e in vars(errors).values() if isinstance(e, type) and issubclass(e, Exception)]
    assert all(issubclass(e, DoughlabError) for e in named)
    assert issubclass(UnknownName, InputError) and issubclass(OutOfRange, InputError)
    assert issubclass(InputError, ValueError)
    for kind in (PlanError, MissingRecords, NotEstimable):
        assert not issubclass(kind, InputError)


@pytest.mark.parametrize(
    ("row", "column", "says"),
    [
        (31, "ph", "record/readings.csv, row 31, column ph: ph is empty."),
        (31, "", "record/readings.csv, row 31: ph is empty."),
        (None, "ph", "record/readings.csv, column ph: ph is empty."),
        (None, "", "record/readings.csv: ph is empty."),
    ],
)
def test_problem_says_its_place(row, column, says):
    assert str(Problem("record/readings.csv", "ph is empty.", row, column)) == says


def test_problem_is_an_error_unless_told_otherwise_and_cannot_change():
    problem = Problem("trial.toml", "x")
    assert problem.level == "error"
    with pytest.raises(AttributeError):
        problem.level = "note"


def test_several_problems_become_one_error_that_shows_five():
    problems = [Problem("waters.csv", f"finding {n}.", n) for n in range(2, 9)]
    error = InputError.from_problems(problems)
    assert str(error) == (
        "waters.csv, row 2: finding 2.\n"
        "waters.csv, row 3: finding 3.\n"
        "waters.csv, row 4: finding 4.\n"
        "waters.csv, row 5: finding 5.\n"
        "waters.csv, row 6: finding 6.\n"
        "and 2 more"
    )
    assert error.problems == tuple(problems)


def test_exactly_five_problems_leave_no_more():
    problems = [Problem("waters.csv", "x", n) for n in range(2, 7)]
    assert "more" not in str(InputError.from_problems(problems))
    assert len(str(InputError.from_problems(problems)).splitlines()) == 5


def test_unknown_name_suggests_the_nearest():
    error = UnknownName("water", "tap-nroth", WATERS, where="plan/batches.csv, row 14")
    assert str(error) == (
        "plan/batches.csv, row 14: water 'tap-nroth' is not known. Did you mean 'tap-north'? "
        "Known: filtered, spring-a, tap-north."
    )
    assert error.name == "tap-nroth"
    assert error.known == ("filtered", "spring-a", "tap-north")
    assert error.problems == ()


def test_unknown_name_without_place_or_known_names():
    assert str(UnknownName("level", "x", [])) == "level 'x' is not known."


def test_names_are_near_whatever_their_case():
    assert suggest("TAP NORTH", WATERS).startswith(" Did you mean 'tap-north'?")
    assert suggest("ml", ["L", "mL"]) == " Did you mean 'mL'? Known: L, mL."


def test_nothing_near_gives_only_the_known_names():
    assert suggest("zzz", WATERS) == " Known: filtered, spring-a, tap-north."
    assert suggest("zzz", []) == ""


def test_at_most_eight_known_names_are_listed():
    names = [f"B{n:02d}" for n in range(1, 13)]
    assert suggest("x", names) == " Known: B01, B02, B03, B04, B05, B06, B07, B08 and 4 more."
    assert suggest("x", names[:8]).endswith("B08.")


def test_known_names_may_come_once_from_any_iterable():
    assert UnknownName("water", "x", iter(WATERS)).known == tuple(WATERS)
    assert suggest("x", iter(["a", "a"])) == " Known: a."


def test_out_of_range_keeps_its_numbers():
    error = OutOfRange("ph 56.2 lies outside 2.5 to 9.", value=56.2, low=2.5, high=9)
    assert (error.value, error.low, error.high) == (56.2, 2.5, 9)
    assert str(error) == "ph 56.2 lies outside 2.5 to 9."


def test_names_are_listed_for_a_sentence():
    balls = ["B02-1", "B05-2", "B09-1", "B11-3", "B14-1", "B15-2", "B16-1"]
    assert listed(balls) == "B02-1, B05-2, B09-1, B11-3, B14-1 and 2 more"
    assert listed(balls[:5]) == "B02-1, B05-2, B09-1, B11-3, B14-1"
    assert listed([]) == ""


ERRORS = [
    InputError("x is empty.", problems=[Problem("waters.csv", "x is empty.", 2)]),
    UnknownName("water", "tap-nroth", WATERS, where="row 14"),
    OutOfRange("far", value=5.0, low=None, high=4.0),
    PlanError("no"),
]


@pytest.mark.parametrize("error", ERRORS, ids=lambda e: type(e).__name__)
@pytest.mark.parametrize(
    "again", [copy.copy, lambda e: pickle.loads(pickle.dumps(e))], ids=["copy", "pickle"]
)
def test_errors_keep_their_facts_when_they_travel(error, again):
    twin = again(error)
    assert type(twin) is type(error)
    assert str(twin) == str(error)
    assert vars(twin) == vars(error)
