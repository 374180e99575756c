"""Fixtures of the decision tests: the invented trials of tests/analysis."""

from pathlib import Path

import pytest

from ..loading import load_script


@pytest.fixture(scope="session")
def kitchen():
    """The module that invents trials."""
    return load_script(Path(__file__).parents[1] / "analysis" / "kitchen.py")


WINDOW = "\n[window]\nlow = 5.35\nhigh = 5.75\n"
COSTS = {
    "tap": {"cost_per_l": 0.002},
    "reverse osmosis": {"cost_per_l": 0.03},
    "bottled": {"cost_per_l": 0.35},
}


@pytest.fixture(scope="session")
def windowed(kitchen):
    """24 batches on 4 days with a window given and the cost of every water."""
    return kitchen.invent(kitchen.WATERS + WINDOW, kitchen.usual_truth,
                          score=kitchen.usual_score, waters=COSTS)  # fmt: skip


@pytest.fixture(scope="session")
def decided(windowed):
    from doughlab.decision import decide

    return decide(windowed)


@pytest.fixture(scope="session")
def band():
    """The window section of trial.toml."""
    return WINDOW


@pytest.fixture(scope="session")
def windowed_ph(kitchen):
    """The same without bake scores."""
    return kitchen.invent(kitchen.WATERS_PH + WINDOW, kitchen.usual_truth, waters=COSTS)


@pytest.fixture(scope="session")
def ph(windowed_ph):
    """Its pH, analysed."""
    from doughlab.analysis import analyse

    return analyse(windowed_ph, "ph")
