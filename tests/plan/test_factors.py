"""Runs: the crossing of the factors minus what is forbidden."""

import re

import numpy as np
import pytest

from doughlab.errors import PlanError
from doughlab.plan.factors import check_levels_used, cross_levels, list_ball_settings
from doughlab.plan.runs import list_runs


def test_crossing_has_every_combination_once(kitchen):
    runs = list_runs(kitchen, {})
    assert len(runs) == 3 * 2 * 2
    assert len({tuple(r.items()) for r in runs}) == len(runs)


def test_crossing_agrees_with_the_full_factorial_of_pydoe3(kitchen):
    """pyDOE3.fullfact (general-purpose library) as the reference, its first factor fastest."""
    from pyDOE3 import fullfact

    factors = kitchen.factors_set("batch")
    ours = {tuple(f.levels.index(run[f.name]) for f in factors) for run in cross_levels(factors)}
    theirs = {tuple(row) for row in np.asarray(fullfact([3, 2, 2]), dtype=int).tolist()}
    assert ours == theirs


def test_forbidden_pair_of_batch_factors_is_never_a_run(change):
    settings = change(forbidden=({"water": "tap", "mixing_water": "64 F"},))
    runs = list_runs(settings, {})
    assert len(runs) == 10
    assert not any(r["water"] == "tap" and r["mixing_water"] == "64 F" for r in runs)


def test_forbidden_hold_leaves_the_batch_its_other_holds(change):
    settings = change(forbidden=({"water": "tap", "hold": "72"},))
    assert len(list_runs(settings, {})) == 12
    for run in list_runs(settings, {}):
        holds = [s["hold"] for s in list_ball_settings(settings, run)]
        assert holds == (["24", "48"] if run["water"] == "tap" else ["24", "48", "72"])


def test_a_level_that_never_occurs_is_refused_by_name(change):
    settings = change(forbidden=({"water": "tap"},))
    with pytest.raises(PlanError) as error:
        check_levels_used(settings, list_runs(settings, {}))
    assert str(error.value) == (
        "trial.toml: [[forbidden]] leaves no batch for water 'tap'. Take the level away, or allow "
        "one of its combinations."
    )


def test_no_factor_at_all_is_one_run():
    assert cross_levels([]) == [{}]


def test_last_factor_runs_fastest(kitchen):
    first, second = cross_levels(kitchen.factors_set("batch"))[:2]
    assert re.match("6[05]", second["hydration"]) and first["water"] == second["water"]
    assert first["hydration"] != second["hydration"]
