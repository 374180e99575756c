"""How far pH and bake score move together, in invented kitchens where that is known."""

import numpy as np
import pytest

from doughlab.decision.chance import build_predictor
from doughlab.decision.choose import analyse_all
from doughlab.decision.tie import find_tie, split_spread


def predictors(kitchen, band, score, seed=3):
    spread = kitchen.Spread(day=0.03, batch=0.08, ball=0.02, judge=0.3, score=0.2)
    trial = kitchen.invent(kitchen.WATERS + band, kitchen.usual_truth, seed=seed, spread=spread,
                           score=score)  # fmt: skip
    found = analyse_all(trial)
    return [build_predictor(found[n]) for n in ("ph", "score")]


@pytest.fixture(scope="module")
def same(kitchen, band):
    """The score follows the pH of the batch and day exactly: 10 points for one pH."""
    return predictors(kitchen, band, lambda levels, ph: 6.0 + 10.0 * (ph - 5.5))


def test_a_score_that_follows_the_ph_is_tied_to_it(same, weighed_settings):
    tie = find_tie(*same, weighed_settings)
    assert tie.shared > 0.9
    assert 0.5 < np.median(tie.weight) < 1.0


def test_the_errors_of_the_means_are_tied_too(same, weighed_settings):
    """Ten points for one pH: the covariance of both errors is about ten times pH's variance."""
    tie = find_tie(*same, weighed_settings)
    rows = same[0].rows(weighed_settings)
    variance = same[0].model.fit.test_rows(rows).std_error ** 2
    assert np.diag(tie.means) == pytest.approx(10.0 * variance, rel=0.35)


def test_judges_are_no_part_of_a_ball(same):
    score = same[1]
    shared, total = split_spread(score)
    assert (total <= score.draws.spread() + 1e-12).all()
    assert (shared <= total + 1e-12).all()


@pytest.fixture(scope="module")
def weighed_settings(decided):
    return decided.weighing.setting
