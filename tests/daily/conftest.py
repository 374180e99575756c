"""Fixtures of the daily tests: an invented kitchen, and the demo with a settled recipe."""

import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest

from ..loading import load_script

DEMO = Path(__file__).parents[2] / "trials" / "lantern-quay"


@pytest.fixture(scope="session")
def plant():
    """The module that invents months of a kitchen."""
    return load_script(Path(__file__).with_name("plant.py"))


@pytest.fixture(scope="session")
def kitchen():
    """The module that invents trials in memory."""
    return load_script(Path(__file__).parents[1] / "analysis" / "kitchen.py")


@pytest.fixture
def shop(tmp_path):
    """The demo folder, not settled."""
    folder = tmp_path / "shop"
    shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("daily"))
    return folder


@pytest.fixture
def kept(shop):
    """The demo folder with a recipe that was settled by hand, so that no fit is needed."""
    from doughlab.daily.recipe import example_recipe, write_recipe

    write_recipe(shop, example_recipe(), now=datetime(2026, 3, 20, 12, tzinfo=UTC))
    return shop


@pytest.fixture
def daily(capsys):
    """Run `doughlab daily` and give the exit code and the text as one line of words."""
    from doughlab.cli import main

    def call(folder, *words):
        code = main(["daily", str(folder), *words])
        shown = capsys.readouterr()
        return code, " ".join((shown.out + shown.err).split())

    return call
