"""The chance that all limits are met at once, against closed forms and a general library."""

import math

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from doughlab.decision.joint import _tie_means, chance_of_both, draw_joint
from doughlab.decision.limits import Limit
from doughlab.decision.tie import Tie, leave_out

INF = np.array([np.inf])


@pytest.fixture(scope="module")
def weighing(decided):
    return decided.weighing


@pytest.fixture(scope="module")
def joint(weighing):
    limits = (weighing.limits[0], Limit("score", "balls", 6.0, words="bake score 6 or more"))
    return draw_joint(weighing.predictors, weighing.setting, limits)


@pytest.mark.parametrize("r", [-0.9, -0.3, 0.0, 0.4, 0.8, 0.99])
def test_both_above_their_means_as_sheppard_has_it(r):
    """Sheppard (1899): 1/4 + arcsin(r) / (2 pi)."""
    zero = np.zeros(1)
    found = chance_of_both((zero, INF), (zero, INF), np.array([r]))
    assert found[0] == pytest.approx(0.25 + math.asin(r) / (2 * math.pi), abs=2e-5)


@pytest.mark.parametrize("r", [-0.7, 0.2, 0.9])
def test_rectangles_as_a_general_library_has_them(r):
    """scipy.stats.multivariate_normal, four corners of the rectangle."""
    law = multivariate_normal(cov=[[1, r], [r, 1]])
    (a, b), (c, d) = (-1.3, 0.4), (-0.2, 2.1)
    expected = law.cdf([b, d]) - law.cdf([a, d]) - law.cdf([b, c]) + law.cdf([a, c])
    found = chance_of_both((np.array([a]), np.array([b])), (np.array([c]), np.array([d])),
                           np.array([r]))  # fmt: skip
    assert found[0] == pytest.approx(expected, abs=2e-5)


def test_no_joint_chance_leaves_the_bounds_that_hold_whatever_the_tie(joint):
    """Frechet: max(0, p + q - 1) to min(p, q), in every draw and setting."""
    p, q = joint.alone["ph"], joint.alone["score"]
    assert (joint.every <= np.minimum(p, q) + 1e-5).all()
    assert (joint.every >= np.maximum(p + q - 1.0, 0.0) - 1e-5).all()


def test_balls_drawn_one_by_one_give_the_same_chance(joint, weighing):
    """Brute force: one ball a draw, its tie drawn anew; error of a share of 4,000 balls."""
    rng = np.random.default_rng(5)
    r = joint.tie.draw(np.random.default_rng(9))
    u = rng.standard_normal((2, len(r)))
    spread = [np.sqrt(p.draws.spread(without=leave_out(p))) for p in weighing.predictors.values()]
    ph = joint.means["ph"] + (u[0] * spread[0])[:, None]
    score = joint.means["score"] + ((r * u[0] + np.sqrt(1 - r**2) * u[1]) * spread[1])[:, None]
    shares = ((ph >= 5.35) & (ph <= 5.75) & (score >= 6.0)).mean(axis=0)
    error = np.sqrt(np.maximum(shares * (1 - shares), 0.01) / len(r))
    assert (np.abs(shares - joint.every.mean(axis=0)) < 4.5 * error).all()


def test_a_cost_beyond_its_limit_leaves_no_chance(weighing):
    dear = (weighing.setting["water"] == "bottled").to_numpy()
    limits = (weighing.limits[0], Limit("water cost", "water cost", high=100.0))
    found = draw_joint(weighing.predictors, weighing.setting, limits, met={"water cost": ~dear})
    assert (found.every[:, dear] == 0).all()
    assert (found.every[:, ~dear] == found.alone["ph"][:, ~dear]).all()


def test_a_limit_after_the_best_setting_follows_it_in_every_draw(weighing):
    limits = (weighing.limits[0], Limit("score", "balls", margin=1.0))
    found = draw_joint(weighing.predictors, weighing.setting, limits)
    best = int(found.means["score"].mean(axis=0).argmax())
    predictor = weighing.predictors["score"]
    sd = np.sqrt(predictor.draws.spread(without=leave_out(predictor)))
    from scipy.special import ndtr

    assert found.alone["score"][:, best] == pytest.approx(ndtr(1.0 / sd))


def test_tied_means_keep_their_own_spread_and_take_the_covariance_asked_for():
    rng = np.random.default_rng(3)
    first = rng.multivariate_normal([1, 2], [[1.0, 0.3], [0.3, 2.0]], size=60_000)
    second = rng.multivariate_normal([5, 6], [[0.5, 0.1], [0.1, 0.4]], size=60_000)
    across = np.array([[0.2, 0.0], [0.1, -0.3]])
    tied = _tie_means(first, second, across)
    both = np.cov(np.hstack([first, tied]).T)
    assert both[:2, 2:] == pytest.approx(across, abs=0.015)
    assert both[2:, 2:] == pytest.approx(np.cov(second.T), abs=0.015)
    assert tied.mean(axis=0) == pytest.approx(second.mean(axis=0))


def test_a_tie_within_a_ball_is_anything():
    free = Tie(0.0, np.zeros(20_000), 10.0).draw(np.random.default_rng(1))
    assert free.mean() == pytest.approx(0.0, abs=0.02)
    assert free.std() == pytest.approx(1 / math.sqrt(3), abs=0.01)  # uniform from -1 to 1
    known = Tie(0.8, np.ones(20_000), 1e6).draw(np.random.default_rng(1))
    assert known == pytest.approx(np.full(20_000, 0.8), abs=0.01)
