"""The second trial settles what the first left open; both truths are known."""

from pathlib import Path

import pytest

from doughlab import analyse
from doughlab.trial import Trial

TRIALS = Path(__file__).parents[2] / "trials"


def score(name):
    answers = analyse(Trial.open(TRIALS / name), "score").answers
    return {c.words: c for a in answers if a.primary for c in a.comparisons}


@pytest.fixture(scope="module")
def second():
    return score("lantern-quay-second")["tap - reverse osmosis"]


def test_the_first_trial_leaves_the_question_open_and_the_second_settles_it(second):
    from doughlab.notebook import analyse_demo

    first = {c.words: c for a in analyse_demo("score").answers for c in a.comparisons}
    assert first["tap - reverse osmosis"].verdict == "not settled"
    assert second.verdict == "same"


def test_the_range_of_the_second_trial_holds_the_truth(second):
    """The true difference by the documented truth of the generator, at 48 h."""
    import sys

    sys.path.insert(0, str(Path(__file__).parent))
    from invent import Truth

    truth = Truth()
    setting = {"mixing_water": 17.8, "hydration": 65.0, "hold": "48"}
    tap, osmosis = (
        truth.ball_score(s, truth.ball_ph(s))
        for s in ({**setting, "water": w} for w in ("tap", "reverse osmosis"))
    )
    assert second.ci_low <= tap - osmosis <= second.ci_high
    assert abs(tap - osmosis) < 1.0  # the margin: "same" is the truth
