"""Speed and yield of the plan search beside pyDOE3's D searches, measured in the same run.

pyDOE3 has no categories, no split plots and no interaction lists: the problems are plain numbers.
"""

import time
from itertools import product
from statistics import median

import numpy as np
import pytest
from pyDOE3.doe_optimal import optimal_design

from doughlab.plan.candidates import RunStructure, SearchFactor
from doughlab.plan.optimal import search_runs

METHODS = ("sequential", "simple_exchange", "fedorov", "modified_fedorov", "detmax")
# numbers, values of each, runs, degree
PROBLEMS = [(2, 5, 8, 2), (3, 3, 14, 2), (3, 5, 12, 2), (4, 3, 20, 2), (5, 2, 12, 1)]


def search_numbers(count, values, runs, degree, **limits):
    """Our search on an even grid."""
    grid = tuple(np.linspace(-1, 1, values))
    return search_runs(
        [SearchFactor(f"x{i}", "ball", values=grid) for i in range(count)],
        model="quadratic" if degree == 2 else "mains",
        structure=RunStructure((1,), (runs,)),
        variance_ratios={},
        **limits,
    )


def timed(call, rounds=5):
    """The result, and the median processor seconds of a few rounds after one to warm up."""
    result, times = call(), []
    for _ in range(rounds):
        start = time.process_time()
        call()
        times.append(time.process_time() - start)
    return result, median(times)


@pytest.mark.parametrize("problem", PROBLEMS, ids=str)
def test_as_good_as_pydoe3_in_the_same_time(benchmark, problem):
    """The best of pyDOE3's methods, and what ours finds in no more than the time that one took."""
    count, values, runs, degree = problem
    candidates = np.array(list(product(np.linspace(-1, 1, values), repeat=count)))
    theirs = {}
    for method in METHODS:
        (_, info), seconds = timed(
            lambda m=method: optimal_design(candidates, runs, degree, "D", m)
        )
        theirs[method] = (info["D_eff"], seconds)
    best = max(e for e, _ in theirs.values())
    given = min(t for e, t in theirs.values() if e > best - 1e-9)
    tries = []
    for starts in (2, 4, 8, 16, 32, 64, 128, 384):
        found, seconds = timed(lambda s=starts: search_numbers(*problem, starts=s))
        tries.append((found.efficiency, seconds))
    within = max((e for e, t in tries if t <= given), default=0.0)
    needed = min(t for e, t in tries if e >= best - 1e-9)
    benchmark.extra_info.update(
        pydoe3=round(best, 4), pydoe3_ms=round(given * 1e3, 1), ours_within=round(within, 4),
        ours_needed_ms=round(needed * 1e3, 1), ours_default=round(tries[-1][0], 4),
    )  # fmt: skip
    print(
        f"\npyDOE3 {best:.4f} in {given * 1e3:.0f} ms; ours {within:.4f} in that time, as good "
        f"after {needed * 1e3:.0f} ms, {tries[-1][0]:.4f} after {tries[-1][1] * 1e3:.0f} ms"
    )
    assert within >= best - 1e-9
    benchmark.pedantic(lambda: search_numbers(*problem), rounds=3, warmup_rounds=1)


@pytest.mark.parametrize("criterion", ["D", "I"])
def test_a_kitchen_of_24_batches(benchmark, criterion):
    """24 batches of 7 balls on 4 days; 3 factors per batch, 1 per ball, 13 terms."""
    factors = [
        SearchFactor("water", "batch", levels=("a", "b", "c")),
        SearchFactor("temp", "batch", values=(12, 18)),
        SearchFactor("hydration", "batch", values=(60, 65, 70)),
        SearchFactor("hold", "ball", values=(24, 48, 72)),
    ]
    found = benchmark.pedantic(
        lambda: search_runs(
            factors,
            model="quadratic",
            structure=RunStructure((6,) * 4, (7,) * 24),
            variance_ratios={"day": 1, "batch": 1},
            criterion=criterion,
        ),
        rounds=3,
        warmup_rounds=1,
    )
    benchmark.extra_info.update(starts=found.starts, agreed=found.agreed)
