"""The front door hands out what it lists, lists what it hands out, and says what each thing is."""

import importlib
import inspect
from pathlib import Path

import pytest

import doughlab as dl

PACKAGE = Path(dl.__file__).parent
ROOMS = ["stats", "water", "formula", "plan", "record", "analysis", "decision", "daily", "report"]
CONTRACT = {
    "Trial", "build_plan", "plan_precision", "analyse", "decide", "notebook", "plot_means",
}  # fmt: skip


def test_every_listed_name_can_be_reached():
    for name in dl.__all__:
        assert getattr(dl, name) is not None, name


def test_the_list_holds_the_names_of_the_contract_and_stays_small():
    assert set(dl.__all__) >= CONTRACT
    assert len(dl.__all__) <= 30


def test_dir_tells_the_same():
    assert set(dir(dl)) == {*dl.__all__, "__version__"}


def test_a_name_that_does_not_exist_is_refused():
    with pytest.raises(AttributeError, match="no attribute 'analyze'"):
        _ = dl.analyze


@pytest.mark.parametrize("name", dl.__all__)
def test_every_public_name_says_what_it_is(name):
    found = getattr(dl, name)
    doc = inspect.getdoc(found)
    assert doc, name
    assert len(doc.splitlines()[0]) <= 100


@pytest.mark.parametrize("room", ROOMS)
def test_every_room_lists_what_can_be_reached(room):
    module = importlib.import_module(f"doughlab.{room}")
    assert module.__doc__
    for name in getattr(module, "__all__", []):
        assert getattr(module, name) is not None, f"{room}.{name}"


def test_version_is_that_of_the_installed_package():
    from importlib.metadata import version

    assert dl.__version__ == version("doughlab")
