"""Fixtures of the analysis tests: invented trials in memory (see kitchen.py)."""

import importlib.util
import sys
from pathlib import Path

import pytest


def load_kitchen():
    name = "doughlab_tests_kitchen"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, Path(__file__).parent / "kitchen.py")
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


@pytest.fixture(scope="session")
def kitchen():
    """The module that invents trials."""
    return load_kitchen()


@pytest.fixture(scope="session")
def waters_trial(kitchen):
    """24 batches on 4 days, 3 waters, 2 water temperatures, 3 holds, 3 judges."""
    return kitchen.invent(kitchen.WATERS, kitchen.usual_truth, score=kitchen.usual_score)


@pytest.fixture(scope="session")
def plain_trial(kitchen):
    """10 batches without blocks, 2 waters, 3 holds, pH only."""
    return kitchen.invent(kitchen.PLAIN, lambda levels: 5.5 + 0.01 * (levels["water"] == "tap"))


@pytest.fixture(scope="session")
def ph(waters_trial):
    """The pH of `waters_trial`, analysed."""
    from doughlab.analysis import analyse

    return analyse(waters_trial, "ph")


@pytest.fixture(scope="session")
def score(waters_trial):
    """The bake score of `waters_trial`, analysed."""
    from doughlab.analysis import analyse

    return analyse(waters_trial, "score")


@pytest.fixture(scope="session")
def plain(plain_trial):
    """The pH of `plain_trial`, analysed."""
    from doughlab.analysis import analyse

    return analyse(plain_trial, "ph")
