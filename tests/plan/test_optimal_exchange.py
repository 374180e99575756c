"""Fast updates of the exchange against the matrices written out, and properties of the search."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doughlab.plan.candidates import (
    RunStructure,
    SearchFactor,
    build_bans,
    build_coding,
    build_moments,
)
from doughlab.plan.exchange import (
    SearchTask,
    Starts,
    build_weights,
    exchange,
    improve,
    refine,
    score_information,
)
from doughlab.plan.optimal import judge_runs, search_runs
from doughlab.plan.starts import count_agreeing, distinct_best, draw_positions

WATER = SearchFactor("water", "batch", levels=("tap", "spring", "well"))
ROOM = SearchFactor("room", "day", values=(18, 22))
HOLD = SearchFactor("hold", "ball", values=(24, 48, 72))
SALT = SearchFactor("salt", "ball", levels=("less", "more"))
FACTORS = [ROOM, WATER, HOLD, SALT]
MODEL = ("room", "water", "hold", "salt", "water:hold", "room:salt", "hold^2")
UNEVEN = RunStructure((2, 3, 1), (3, 2, 4, 1, 2, 3))
BAN = {"water": "well", "hold": (60, 72)}


def make_task(*, aim="D", ratios=(0.8, 1.7), forbidden=(BAN,), structure=UNEVEN):
    """A task with day, batch and ball factors on uneven days, and two kept balls."""
    coding, bans = build_coding(FACTORS, MODEL), build_bans(FACTORS, forbidden)
    moments, _ = build_moments(coding, bans)
    n, p = sum(structure.balls), coding.codes.shape[1]
    prior = np.outer(np.arange(p), np.arange(p)) * 0.01
    weights = build_weights(structure, *ratios)
    return SearchTask(coding, structure, np.ones((n, p)), weights, prior, moments, bans, aim)


def covariance(structure, day, batch):
    """V in full, from the numbers of day and batch of each ball."""
    days, batches = structure.day_of_ball, structure.batch_of_ball
    same_day = days[:, None] == days
    return np.eye(len(days)) + day * same_day + batch * (batches[:, None] == batches)


@pytest.mark.parametrize("aim", ["D", "I"])
@pytest.mark.parametrize("ratios", [(0.0, 0.0), (0.0, 2.0), (0.8, 1.7)])
def test_updates_keep_information_and_inverse_exact(aim, ratios):
    task = make_task(aim=aim, ratios=ratios)
    starts = Starts(task, draw_positions(task, np.random.default_rng(5), count=7))
    V = covariance(UNEVEN, *ratios)
    for unit in task.units:
        ridge = starts.info - task.information(starts.rows)
        exchange(starts, unit, task.choices[unit.factor])
        X = task.coding.rows(starts.positions)
        info = np.swapaxes(X, 1, 2) @ np.linalg.inv(V) @ X + task.prior + ridge
        np.testing.assert_allclose(starts.rows, X, atol=1e-12)
        np.testing.assert_allclose(starts.info, info, atol=1e-8)
        product = starts.inverse @ info
        np.testing.assert_allclose(product, np.broadcast_to(np.eye(len(X[0, 0])), product.shape),
                                   atol=1e-6)  # fmt: skip
        np.testing.assert_allclose(starts.size, np.linalg.slogdet(info)[1], atol=1e-8)


@pytest.mark.parametrize("aim", ["D", "I"])
@pytest.mark.parametrize("ratios", [(0.0, 0.0), (0.8, 1.7)])
def test_each_unit_takes_the_option_that_is_best_when_all_are_written_out(aim, ratios):
    task = make_task(aim=aim, ratios=ratios)
    rng = np.random.default_rng(2)
    positions, _ = improve(task, draw_positions(task, rng, count=5))
    positions = draw_positions(task, rng, seeds=positions, share=0.2)
    starts = Starts(task, positions[np.isfinite(task.score(positions))])
    checked = 0
    for unit in task.units:
        options = task.choices[unit.factor].options
        trial = np.repeat(starts.positions[:, None], len(options), axis=1)
        trial[:, :, unit.rows, unit.factor] = options[None, :, None]
        by_hand = task.score(trial.reshape(-1, *trial.shape[2:])).reshape(trial.shape[:2])
        by_hand[task.bans.hit(trial).any(2)] = -np.inf
        exchange(starts, unit, task.choices[unit.factor])
        np.testing.assert_allclose(task.score(starts.positions), by_hand.max(1), rtol=1e-7)
        checked += len(by_hand)
    assert checked > 100


@pytest.mark.parametrize("aim", ["D", "I"])
def test_result_is_never_worse_than_its_start(aim):
    task = make_task(aim=aim)
    first = draw_positions(task, np.random.default_rng(9), count=40)
    found, scores = improve(task, first)
    before = task.score(first)
    assert (scores >= before).all()
    assert np.isfinite(before).any() and not np.isfinite(before).all()
    np.testing.assert_allclose(task.score(found), scores, rtol=1e-9)


def test_no_single_change_helps_a_finished_plan():
    task = make_task()
    found, scores = improve(task, draw_positions(task, np.random.default_rng(4), count=6))
    for unit in task.units:
        for option in task.choices[unit.factor].options:
            other = found.copy()
            other[:, unit.rows, unit.factor] = option
            allowed = ~task.bans.hit(other).any(1)
            assert (task.score(other)[allowed] <= scores[allowed] + 1e-6).all()


@pytest.mark.parametrize("aim", ["D", "I"])
def test_giving_up_on_starts_that_cannot_catch_up_keeps_the_best(aim):
    task = make_task(aim=aim)
    first = draw_positions(task, np.random.default_rng(6), count=60)
    _, patient = improve(task, first)
    _, hasty = improve(task, first, patience=3.0)
    assert hasty.max() == pytest.approx(patient.max(), rel=1e-12)
    assert (hasty <= patient + 1e-9).all() and (hasty < patient - 1e-6).any()
    # far behind what is known already: one sweep each
    _, beaten = improve(task, first, patience=3.0, ahead=1e6)
    assert beaten.max() < patient.max()


def test_weights_invert_the_covariance():
    weights = build_weights(UNEVEN, 0.8, 1.7)
    V = covariance(UNEVEN, 0.8, 1.7)
    for balls, weight in zip(UNEVEN.slices("day"), weights, strict=True):
        np.testing.assert_allclose(weight @ V[balls, balls], np.eye(len(weight)), atol=1e-12)


def test_terms_that_cannot_be_told_apart_score_nothing():
    info = np.array([[[2.0, 2.0], [2.0, 2.0]], [[0.0, 0.0], [0.0, 1.0]], [[2.0, 0.0], [0.0, 3.0]]])
    scores, _ = score_information(info, np.eye(2), "D")
    assert scores.tolist() == [-np.inf, -np.inf, pytest.approx(np.log(6))]
    scores, _ = score_information(info, np.eye(2), "I")
    assert scores.tolist() == [-np.inf, -np.inf, pytest.approx(-5 / 6)]


def test_shaken_starts_change_a_share_and_stay_allowed():
    task = make_task()
    rng = np.random.default_rng(1)
    seeds = draw_positions(task, rng, count=50)
    shaken = draw_positions(task, rng, seeds=seeds, share=0.12)
    changed = (seeds != shaken).any(2).mean()
    assert 0.1 < changed < 0.5
    assert not task.bans.hit(shaken).any()


def test_best_starts_are_kept_once_for_each_score():
    positions = np.arange(5.0)[:, None, None]
    kept, scores = distinct_best(positions, np.array([1.0, 3.0, 3.0, -np.inf, 2.0]), 3)
    assert kept.ravel().tolist() == [1.0, 4.0, 0.0]
    assert scores.tolist() == [3.0, 2.0, 1.0]
    assert count_agreeing([1.0, 3.0, 3.0 - 1e-9], 3.0) == 2


def test_refining_finds_the_middle_of_a_parabola():
    # Three balls, mean, slope and square on -1 to 1: ends and middle are D-optimal (Fedorov 1972,
    # Theory of Optimal Experiments, from memory), and 0 is not on the grid.
    factor = SearchFactor("hold", "ball", values=(24, 44, 72), refine=True)
    coding = build_coding([factor], ("hold", "hold^2"))
    moments, _ = build_moments(coding, build_bans([factor], ()))
    args = (RunStructure((1,), (3,)), np.ones((3, 3)), [], np.zeros((3, 3)), moments)
    task = SearchTask(coding, *args, build_bans([factor], ()), "D")
    found = refine(task, np.array([[-1.0], [factor.place(44)], [1.0]]))
    assert found.ravel() == pytest.approx([-1, 0, 1], abs=2e-3)


def search(factors=FACTORS, **changes):
    """A small search with every kind of factor."""
    options = {
        "model": MODEL,
        "structure": UNEVEN,
        "variance_ratios": {"day": 0.8, "batch": 1.7},
        "forbidden": [BAN],
        "starts": 24,
    }
    return search_runs(factors, **{**options, **changes})


@settings(max_examples=12, deadline=None)
@given(seed=st.integers(0, 10**6), aim=st.sampled_from("DI"), fixed=st.booleans())
def test_every_found_plan_keeps_the_rules(seed, aim, fixed):
    factors, model = FACTORS, MODEL
    if fixed:
        factors, model = FACTORS[1:], [t for t in MODEL if "room" not in t]
    structure = RunStructure((2, 3, 1), (3, 2, 4, 1, 2, 3), fixed_days=fixed)
    found = search(factors, model=model, structure=structure, seed=seed, criterion=aim, starts=6)
    assert [r["day"] for r in found.rows] == structure.day_of_ball.tolist()
    assert [r["batch"] for r in found.rows] == structure.batch_of_ball.tolist()
    for row in found.rows:
        assert not (row["water"] == "well" and row["hold"] >= 60)
    for unit in ("day", "batch"):
        for factor in factors:
            if factor.set in (unit, "day"):
                levels = {(r[unit], r[factor.name]) for r in found.rows}
                assert len(levels) == len({r[unit] for r in found.rows})
    again = judge_runs(
        factors, found.rows, model=model, variance_ratios={"day": 0.8, "batch": 1.7},
        forbidden=[BAN], fixed_days=fixed,
    )  # fmt: skip
    assert again.efficiency == pytest.approx(found.efficiency, rel=1e-9)
    assert again.prediction_variance == pytest.approx(found.prediction_variance, rel=1e-9)


def test_same_seed_same_plan_and_another_seed_the_same_best():
    first, again, other = search(seed=1), search(seed=1), search(seed=2)
    assert first.rows == again.rows and first.notes == again.notes
    assert other.efficiency == pytest.approx(first.efficiency, rel=0.02)


def test_names_order_and_units_leave_the_criterion():
    # A change of sum-to-zero coding by another order of levels has determinant 1 or -1, and
    # numbers are scaled to -1 to 1: algebra. The average variance does not depend on coding.
    found = search()
    waters = SearchFactor("water", "batch", levels=("well", "tap", "spring"))
    fahrenheit = SearchFactor("room", "day", values=(64.4, 71.6))
    mixed = [SALT, fahrenheit, HOLD, waters]
    rows = [{**r, "room": float(r["room"]) * 1.8 + 32} for r in found.rows]
    again = judge_runs(mixed, rows, model=MODEL[::-1], forbidden=[BAN],
                       variance_ratios={"day": 0.8, "batch": 1.7})  # fmt: skip
    assert again.efficiency == pytest.approx(found.efficiency, rel=1e-9)
    assert again.prediction_variance == pytest.approx(found.prediction_variance, rel=1e-9)


def test_waters_are_spread_evenly_over_fixed_days():
    # 3 waters on 3 days of 3 batches: each water once a day is the complete block plan, which
    # is D-optimal among block plans (Kiefer 1958, from memory).
    structure = RunStructure((3, 3, 3), (1,) * 9, fixed_days=True)
    found = search_runs([WATER], model="mains", structure=structure, variance_ratios={})
    for day in range(3):
        waters = sorted(r["water"] for r in found.rows if r["day"] == day)
        assert waters == ["spring", "tap", "well"]


def test_unequal_days_stay_balanced_as_far_as_arithmetic_allows():
    structure = RunStructure((4, 5, 3), (1,) * 12, fixed_days=True)
    found = search_runs([WATER], model="mains", structure=structure, variance_ratios={})
    counts = [[sum((r["day"], r["water"]) == (d, w) for r in found.rows) for w in WATER.levels]
              for d in range(3)]  # fmt: skip
    assert all(max(row) - min(row) <= 1 for row in counts)
    assert sorted(map(sum, zip(*counts, strict=True))) == [4, 4, 4]
