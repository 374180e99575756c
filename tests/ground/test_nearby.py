"""A folder that holds no trial: the near one is named, so that nobody makes a second by a slip."""

from pathlib import Path

import pytest

from doughlab.cli import main
from doughlab.nearby import find_trials, missing_words

HEAD = "does not exist, so this is no trial folder."


@pytest.fixture
def shop(tmp_path, monkeypatch):
    """Two trials under `trials`, as the README lays them; the shell stands beside that folder."""
    for name in ("mine", "pilot"):
        folder = tmp_path / "trials" / name
        folder.mkdir(parents=True)
        (folder / "trial.toml").write_text("", encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize(
    "typed", ["trial/mine", "mine", "trials/mien", "trials/Mine", "trials/mine2"]
)
def test_a_slip_in_the_folder_names_the_one_that_is_there(shop, typed):
    assert missing_words(Path(typed)) == f"{HEAD} Did you mean trials/mine?"


def test_without_a_folder_the_trials_here_are_listed(shop):
    assert missing_words(Path()) == (
        f"{HEAD} Trials here: trials/mine, trials/pilot. Name one, as --folder trials/mine, or "
        "make one: doughlab new FOLDER"
    )
    assert missing_words(Path("trials")) == missing_words(Path())


def test_a_new_place_says_how_to_begin(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert find_trials(Path()) == []
    assert missing_words(tmp_path) == f"{HEAD} Make one: doughlab new FOLDER"


def test_a_folder_with_a_space_is_named_as_it_is_typed(shop):
    (shop / "trials" / "pilot").rename(shop / "trials" / "our pilot")
    assert missing_words(Path("our pilt")) == f"{HEAD} Did you mean 'trials/our pilot'?"


@pytest.mark.parametrize(
    "words",
    [["today", "mine"], ["plan", "mine"], ["check", "mine"], ["analyse", "mine"],
     ["decide", "mine"], ["bench", "mine"], ["sheets", "mine"], ["ripe", "B01-1", "mine"],
     ["record", "reading", "B01-1", "5.4", "--folder", "mine"], ["report", "mine"]],
)  # fmt: skip
def test_every_command_names_the_near_trial(shop, capsys, words):
    assert main(words) == 1
    told = capsys.readouterr()
    said = " ".join((told.out + told.err).split())
    assert f"trial.toml: {HEAD} Did you mean trials/mine?" in said
