"""Slips at the command line: each is answered in a sentence, never with a page of usage."""

from pathlib import Path

import pytest

from doughlab.cli import main
from doughlab.commands.parser import Parser


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        ("plan --kep", "There is no option '--kep'. Did you mean '--keep'?"),
        ("plan --zzz", "There is no option '--zzz'."),
        ("new my trial", "'trial' was not expected. If it belongs to the word before it, put both "
                         "in quotation marks: 'my trial'."),
        ("new", "folder is missing: the new trial folder, such as trials/harbour."),
        ("mix", "--tap TEMP is missing: water from the tap now."),
        ("mix --tap 60F --balls two", "--balls 'two' is not a whole number."),
        ("sheets --paper US", "--paper 'US' is not known. Known: a4, letter."),
        ("daily --new-lot", "Nothing stands behind --new-lot. Write --new-lot WORD: NAME "
                            "mixed_at=9:05 trays=6 place=shelf."),
        ("water dos", "PART 'dos' is not known. Did you mean 'dose'? Known: blend, card, compare, "
                      "cost, dose, site, titrate."),
        ("water dose tap", "--ph PH is missing: target, 4.5 to 8.3. --water MASS is missing: water "
                           "to dose, such as 12kg."),
    ],
)  # fmt: skip
def test_a_slip_says_what_to_type_instead(words, sentence, capsys):
    assert main(words.split()) == 2
    told = capsys.readouterr()
    said = " ".join(told.err.split())
    name = " ".join(words.split()[: 2 if words.startswith("water dose") else 1])
    assert said == f"doughlab {name}: {sentence} All of it: doughlab {name} --help"
    assert told.out == ""
    assert max(map(len, told.err.splitlines())) <= 80


def test_a_message_that_is_not_known_stays_readable():
    assert Parser(prog="x").say("two options exclude each other") == (
        "Two options exclude each other."
    )


def test_a_command_that_is_none_fits_the_line(capsys):
    assert main(["plna"]) == 2
    told = capsys.readouterr().err
    assert told.startswith("doughlab: there is no command 'plna'. Did you mean 'plan'?")
    assert max(map(len, told.splitlines())) <= 80


@pytest.fixture
def pilot(tmp_path, monkeypatch):
    """A ready trial in a folder with a space; the shell stands beside it."""
    monkeypatch.chdir(tmp_path)
    assert main(["new", "our pilot", "--for", "pilot"]) == 0
    return tmp_path / "our pilot"


@pytest.mark.parametrize("words", [["--folder", "our pilot"], ["our pilot"],
                                   ["our pilot/trial.toml"]])  # fmt: skip
def test_the_folder_is_found_however_it_is_named(pilot, words, capsys):
    capsys.readouterr()
    assert main(["plan", *words]) == 0
    assert capsys.readouterr().out.rstrip().endswith("doughlab plan 'our pilot' --keep")


@pytest.mark.parametrize("words", [["--folder", "our pilot"], ["--file", "our pilot"],
                                   ["--file", "our pilot/waters.csv"]])  # fmt: skip
def test_a_water_is_found_in_the_folder_that_is_named(pilot, words, capsys):
    capsys.readouterr()
    assert main(["water", "dose", "tap", "--ph", "6.2", "--water", "12kg", *words]) == 0
    assert "read waters.csv: tap" in capsys.readouterr().out


def test_an_entry_takes_the_folder_as_its_last_word(pilot, capsys):
    assert main(["record", "temperature", "cooler", "38F", "our pilot"]) == 0
    assert "stored cooler: at" in capsys.readouterr().out
    assert main(["record", "B01-1", "5.41", "our pilot"]) == 1
    assert " ".join(capsys.readouterr().err.split()) == (
        "doughlab record: Say what is written down of B01-1, such as: doughlab record reading "
        "B01-1 5.41"
    )


def test_ball_and_folder_may_change_places(capsys):
    """The demo's B01-1, named behind its folder and without the zero."""
    demo = str(Path(__file__).parents[1] / "trials" / "lantern-quay")
    assert main(["ripe", "B01-1", demo, "--at", "2026-03-04 09:00"]) == 0
    usual = capsys.readouterr().out
    assert usual.startswith("B01-1 of batch B01")
    for words in ([demo, "b1-1"], [demo, "B01-1"]):
        assert main(["ripe", *words, "--at", "2026-03-04 09:00"]) == 0
        assert capsys.readouterr().out == usual
