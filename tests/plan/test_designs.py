"""Days: how many, and how evenly the runs are divided over them."""

from collections import Counter
from itertools import combinations, product

import pytest
from hypothesis import given
from hypothesis import settings as limits
from hypothesis import strategies as st

from doughlab.errors import PlanError
from doughlab.plan.designs import assign_days, batches_a_day, split_runs, spread
from doughlab.plan.order import make_rng


def counts(day, *names):
    return Counter(tuple(run[n] for n in names) for run in day)


def is_even(counter, cells, size):
    whole = [counter.get(cell, 0) for cell in cells]
    return max(whole) - min(whole) <= 1 and sum(whole) == size


def test_demo_days_hold_every_water_with_every_temperature(kitchen):
    """12 runs twice over 4 days of 6: three waters x two temperatures fill each day exactly."""
    days = assign_days(kitchen, make_rng(1, "days"))
    assert [len(d.runs) for d in days] == [6, 6, 6, 6]
    for day in days:
        cells = counts(day.runs, "water", "mixing_water")
        assert len(cells) == 6 and set(cells.values()) == {1}
        assert set(counts(day.runs, "water", "hydration").values()) == {1}


def test_runs_that_fit_a_day_make_complete_blocks(change):
    settings = change(blocks={"days": 4, "batches_per_day": 12, "replicates": 4})
    for day in assign_days(settings, make_rng(2, "days")):
        assert len({tuple(r.items()) for r in day.runs}) == 12


@given(
    levels=st.lists(st.integers(2, 4), min_size=1, max_size=3),
    replicates=st.integers(1, 3),
    days=st.integers(1, 5),
    seed=st.integers(0, 10**6),
)
@limits(max_examples=40, deadline=None)
def test_every_level_is_spread_evenly_over_the_days(levels, replicates, days, seed):
    names = [f"f{i}" for i in range(len(levels))]
    cells = [
        dict(zip(names, c, strict=True)) for c in product(*(map(str, range(k)) for k in levels))
    ]
    runs = cells * replicates
    sizes = spread(len(runs), min(days, len(runs)))
    made = split_runs(runs, sizes, make_rng(seed, "x"))
    assert [len(d) for d in made] == sizes
    flat = Counter(tuple(r.items()) for d in made for r in d)
    assert flat == Counter(tuple(r.items()) for r in runs)
    for day, size in zip(made, sizes, strict=True):
        for name, k in zip(names, levels, strict=True):
            assert is_even(counts(day, name), [(str(i),) for i in range(k)], size)


@pytest.mark.parametrize(
    ("v", "b", "k", "lam"), [(7, 7, 3, 1), (4, 4, 3, 2), (6, 10, 3, 2), (5, 10, 2, 1)]
)
@pytest.mark.parametrize("seed", range(4))
def test_balanced_incomplete_blocks_are_found(v, b, k, lam, seed):
    """v runs in b days of k: each pair meets lambda = r (k - 1) / (v - 1) times (algebra)."""
    r = b * k // v
    runs = [{"water": str(i)} for i in range(v)] * r
    met = Counter()
    for day in split_runs(runs, [k] * b, make_rng(seed, "bib")):
        assert len({run["water"] for run in day}) == k
        met.update(frozenset(p) for p in combinations([run["water"] for run in day], 2))
    assert set(met.values()) == {lam} and len(met) == v * (v - 1) // 2


def test_day_factor_gets_whole_days_and_every_run_on_its_side(kitchen, change):
    factor = kitchen.factors["mixing_water"]
    from dataclasses import replace

    factors = {**kitchen.factors, "mixing_water": replace(factor, set="day")}
    settings = change(factors=factors)
    days = assign_days(settings, make_rng(3, "days"))
    assert Counter(d.day["mixing_water"] for d in days) == {"54 F": 2, "64 F": 2}
    for day in days:
        assert {r["mixing_water"] for r in day.runs} == {day.day["mixing_water"]}
        assert len(counts(day.runs, "water", "hydration")) == 6


def test_too_few_days_say_what_would_do(change):
    with pytest.raises(PlanError) as error:
        assign_days(change(blocks={"days": 3}), make_rng(1, "days"))
    assert str(error.value) == (
        "This plan needs 24 batches (12 combinations x 2 batches); 3 days of 6 give 18. "
        "Set days = 4 in [blocks], or take one level or replicate away."
    )


def test_more_days_than_batches_say_so(change):
    with pytest.raises(PlanError) as error:
        assign_days(change(blocks={"days": 30}), make_rng(1, "days"))
    assert str(error.value) == (
        "30 mixing days for 24 batches: some days would stay empty. Set days = 24 or fewer in "
        "[blocks], or more replicates."
    )


def test_days_follow_from_the_opening_hours_when_not_set(change):
    """10:00 to 21:00 with 40 minutes a mix: 16 batches, so 24 need two days of 12."""
    settings = change(blocks={"days": None, "batches_per_day": None})
    assert batches_a_day(settings) == 16
    assert [len(d.runs) for d in assign_days(settings, make_rng(1, "days"))] == [12, 12]


def test_unequal_days_differ_by_one_batch(change):
    settings = change(blocks={"days": 5, "replicates": 2})
    sizes = sorted(len(d.runs) for d in assign_days(settings, make_rng(1, "days")))
    assert sizes == [4, 5, 5, 5, 5]
