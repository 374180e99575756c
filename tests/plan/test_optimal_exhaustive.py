"""Searched split-plot plans against every possible plan of tiny problems.

The plans are enumerated here, with model rows, covariance and both criteria written out in this
file: D is the determinant of X'V^-1X, I the average of f'(X'V^-1X)^-1 f over the allowed
combinations of levels (Goos and Vandebroek (2003); Jones and Goos (2007), both from memory).
"""

from itertools import product

import numpy as np
import pytest

from doughlab.plan.candidates import RunStructure, SearchFactor
from doughlab.plan.optimal import search_runs


def covariance(structure, *, day, batch):
    """V of the balls in units of their own variance."""
    balls = [(d, b) for d, b, n in places(structure) for _ in range(n)]
    same = [[(p[0] == q[0], p == q) for q in balls] for p in balls]
    return np.array([[day * d + batch * b for d, b in row] for row in same]) + np.eye(len(balls))


def places(structure):
    """Day, batch and balls of each batch."""
    days = [d for d, n in enumerate(structure.batches) for _ in range(n)]
    return list(zip(days, range(len(days)), structure.balls, strict=True))


def every_plan(structure, *, day=((),), batch=((),), ball=((),)):
    """All plans, shape (plans, balls, settings): each day, batch and ball takes a setting."""
    n_days = len(structure.batches)
    for days in product(day, repeat=n_days):
        for batches in product(batch, repeat=len(structure.balls)):
            head = [(*days[d], *batches[b]) for d, b, n in places(structure) for _ in range(n)]
            for balls in product(ball, repeat=len(head)):
                yield [(*h, *s) for h, s in zip(head, balls, strict=True)]


def best_of(plans, rows_of, V, *, region, blocks=None, prior=None, allowed=lambda plan: True):
    """Largest |X'V^-1X| and smallest average variance over plans, 5,000 at a time."""
    inverse = np.linalg.inv(V)
    moments = np.mean([np.outer(f, f) for f in rows_of(np.array(region))], axis=0)
    if blocks is not None:
        moments = np.pad(moments, (0, blocks.shape[1]))
    best = [0.0, np.inf]
    kept = (plan for plan in plans if allowed(plan))
    while chunk := [plan for plan, _ in zip(kept, range(5000), strict=False)]:
        X = rows_of(np.array(chunk))
        if blocks is not None:
            X = np.concatenate([X, np.broadcast_to(blocks, (len(X), *blocks.shape))], axis=2)
        info = np.swapaxes(X, 1, 2) @ inverse @ X + (0.0 if prior is None else prior)
        det = np.linalg.det(info)
        best[0] = max(best[0], det.max())
        good = info[det > 1e-6 * best[0]]
        if len(good):
            variance = np.einsum("sij,ji->s", np.linalg.inv(good), moments)
            best[1] = min(best[1], variance.min())
    return best


def check_both(problem, best, *, n, p):
    """The search reaches the enumerated best by either criterion."""
    found = search_runs(**problem, criterion="D", seed=3)
    assert found.efficiency == pytest.approx(100 * best[0] ** (1 / p) / n, rel=1e-9)
    found = search_runs(**problem, criterion="I", seed=3)
    assert found.prediction_variance == pytest.approx(best[1], rel=1e-9)


def columns(*parts):
    """Stack model columns."""
    return np.stack(np.broadcast_arrays(*parts), axis=-1).astype(float)


def test_batch_and_ball_factors():
    structure = RunStructure((4,), (2, 1, 2, 2))

    def rows_of(plan):
        water, hold = plan[..., 0], plan[..., 1]
        return columns(1, water, hold, water * hold, hold**2)

    V = covariance(structure, day=0, batch=1.5)
    water, hold = [(1,), (-1,)], [(-1,), (0,), (1,)]
    plans = every_plan(structure, batch=water, ball=hold)
    best = best_of(plans, rows_of, V, region=[(*w, *h) for w in water for h in hold])
    problem = {
        "factors": [
            SearchFactor("water", "batch", levels=("tap", "spring")),
            SearchFactor("hold", "ball", values=(24, 48, 72)),
        ],
        "model": "quadratic",
        "structure": structure,
        "variance_ratios": {"batch": 1.5},
    }
    check_both(problem, best, n=7, p=5)


def test_day_batch_and_ball_factors_on_unequal_days():
    structure = RunStructure((2, 2, 1), (1, 2, 1, 1, 2))

    def rows_of(plan):
        room, water, hold = plan[..., 0], plan[..., 1], plan[..., 2]
        return columns(1, room, water, hold, water * hold)

    V = covariance(structure, day=0.7, batch=1.3)
    room, two = [(-1,), (0,), (1,)], [(1,), (-1,)]
    plans = every_plan(structure, day=room, batch=two, ball=two)
    region = [(*r, *w, *h) for r in room for w in two for h in two]
    best = best_of(plans, rows_of, V, region=region)
    problem = {
        "factors": [
            SearchFactor("room", "day", values=(18, 21, 24)),
            SearchFactor("water", "batch", levels=("tap", "spring")),
            SearchFactor("hold", "ball", levels=("short", "long")),
        ],
        "model": ("room", "water", "hold", "water:hold"),
        "structure": structure,
        "variance_ratios": {"day": 0.7, "batch": 1.3},
    }
    check_both(problem, best, n=7, p=5)


SUM = np.array([[1, 0], [0, 1], [-1, -1]])


def three_waters(plan):
    """Mean, three waters sum-to-zero, hold and its square."""
    water, hold = SUM[plan[..., 0].astype(int)], plan[..., 1]
    return columns(1, water[..., 0], water[..., 1], hold, hold**2)


def test_forbidden_pairs():
    structure = RunStructure((4,), (2, 2, 2, 1))
    banned = {(2, 1), (0, -1), (2, 0)}

    def allowed(plan):
        return not banned & set(plan)

    V = covariance(structure, day=0, batch=0.5)
    water, hold = [(0,), (1,), (2,)], [(-1,), (0,), (1,)]
    region = [(*w, *h) for w in water for h in hold if (*w, *h) not in banned]
    plans = every_plan(structure, batch=water, ball=hold)
    best = best_of(plans, three_waters, V, region=region, allowed=allowed)
    problem = {
        "factors": [
            SearchFactor("water", "batch", levels=("tap", "spring", "well")),
            SearchFactor("hold", "ball", values=(24, 48, 72)),
        ],
        "model": ("water", "hold", "hold^2"),
        "structure": structure,
        "variance_ratios": {"batch": 0.5},
        "forbidden": [{"water": "well", "hold": (48, 72)}, {"water": "tap", "hold": 24}],
    }
    check_both(problem, best, n=7, p=5)


def test_kept_rows_and_fixed_days():
    structure = RunStructure((3,), (2, 2, 2))
    old = [(0, -1), (0, 0), (1, -1), (1, 0)]  # two batches of the first day: tap and spring
    V = covariance(structure, day=0, batch=1)
    old_v = covariance(RunStructure((2,), (2, 2)), day=0, batch=1)
    old_x = np.column_stack([three_waters(np.array(old)), np.ones(4)])
    prior = old_x.T @ np.linalg.inv(old_v) @ old_x
    water, hold = [(0,), (1,), (2,)], [(-1,), (0,), (1,)]
    plans = every_plan(structure, batch=water, ball=hold)
    region = [(*w, *h) for w in water for h in hold]
    blocks = -np.ones((6, 1))
    best = best_of(plans, three_waters, V, region=region, blocks=blocks, prior=prior)
    waters, holds = ("tap", "spring", "well"), {-1: 24, 0: 48, 1: 72}
    kept = [
        {"day": 0, "batch": i // 2, "water": waters[w], "hold": holds[h]}
        for i, (w, h) in enumerate(old)
    ]
    problem = {
        "factors": [
            SearchFactor("water", "batch", levels=waters),
            SearchFactor("hold", "ball", values=(24, 48, 72)),
        ],
        "model": ("water", "hold", "hold^2"),
        "structure": RunStructure((3,), (2, 2, 2), fixed_days=True),
        "variance_ratios": {"batch": 1},
        "kept": kept,
    }
    check_both(problem, best, n=10, p=6)
    assert search_runs(**problem).rows[:4] == tuple(kept)
