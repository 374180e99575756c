"""The mutants of `sabotage.py`: there, in every room, and every one noticed when it was run."""

import csv

import pytest

from .sabotage import MUTANTS, ROOT, TABLE, room

ROOMS = {
    "ground", "stats", "water", "formula", "plan", "record", "analysis", "decision", "daily",
    "report", "commands", "doors",
}  # fmt: skip


def stands(name):
    """Whether a file of tests, or one test in it, is there."""
    file, _, test = name.partition("::")
    path = ROOT / file
    return path.exists() and (not test or f"def {test}(" in path.read_text(encoding="utf-8"))


def test_there_are_enough_and_every_room_has_one():
    assert len(MUTANTS) >= 53
    assert {room(m) for m in MUTANTS} == ROOMS
    assert len({m.what for m in MUTANTS}) == len(MUTANTS)


@pytest.mark.parametrize("mutant", MUTANTS, ids=lambda m: m.what)
def test_its_line_stands_once_and_its_tests_are_there(mutant):
    assert (ROOT / mutant.file).read_text(encoding="utf-8").count(mutant.old) == 1
    assert mutant.old != mutant.new
    assert all(stands(name) for name in mutant.tests.split())


def test_each_was_noticed_when_the_script_was_run():
    with TABLE.open(encoding="utf-8", newline="") as file:
        found = {row["mutant"]: row["noticed_by"] for row in csv.DictReader(file)}
    assert set(found) == {m.what for m in MUTANTS}
    unnoticed = [what for what, by in found.items() if not by.startswith("tests/")]
    assert unnoticed == []
    gone = [by for by in found.values() if not stands(by)]
    assert gone == []
