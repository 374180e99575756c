"""Fixtures of the analysis tests: invented trials in memory (see kitchen.py)."""

from pathlib import Path

import pytest

from ..loading import load_script


def load_kitchen():
    return load_script(Path(__file__).with_name("kitchen.py"))


@pytest.fixture(scope="session")
def kitchen():
    """The module that invents trials."""
    return load_kitchen()


@pytest.fixture(scope="session")
def waters_trial(kitchen):
    """24 batches on 4 days, 3 waters, 2 water temperatures, 3 holds, 3 judges."""
    # the truth has no water x mixing water; this seed shows none either, so waters are averaged
    return kitchen.invent(kitchen.WATERS, kitchen.usual_truth, seed=4, score=kitchen.usual_score)


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
