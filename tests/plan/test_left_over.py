"""No verdict where too few batches, days, sessions or lots are left over to judge by.

The counts are degrees of freedom of the strata of a split plot, by hand (units minus what the fixed
terms use up), as in any textbook of designed experiments. Coverage is that of invented trials.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from doughlab.plan.foresee import build_frame
from doughlab.plan.model import build_layout, choose_terms
from doughlab.plan.plan import build_plan
from doughlab.plan.precision import plan_precision
from doughlab.stats.means import Grid, build_cells
from doughlab.stats.simulate import ContrastSet, FixedDesign

SPREADS = {"block": 0.03, "batch": 0.05, "ball": 0.03}


@pytest.fixture
def waters(without):
    """Three waters and three holds, pH only."""
    return without("mixing_water", "hydration", "score")


def lay_out(settings):
    plan = build_plan(settings)
    own = settings.responses["ph"]
    rows = build_layout(settings, plan.batches, plan.balls, own)
    return rows, choose_terms(settings, rows, own)


def coverage(settings, factor, *, at=None, sd=0.01, trials=1000, seed=11):
    """Share of invented trials without a difference whose 95 % ranges all hold zero."""
    rows, terms = lay_out(settings)
    frame = build_frame(settings, rows, terms)
    rng = np.random.default_rng(seed)
    y = np.zeros((len(frame), trials))
    for column, own in {**SPREADS, "session": sd}.items():
        codes = pd.factorize(frame[column])[0]
        y += rng.normal(0, own, (codes.max() + 1, trials))[codes]
    design = FixedDesign(frame, terms.formula, random=terms.random)
    cells = build_cells(design.prepared.design, [factor], Grid(at=at or {})).rows
    pairs = [(0, 1), (0, 2), (1, 2)]
    rows = np.array([cells[a] - cells[b] for a, b in pairs])
    asked = ContrastSet(("a", "b", "c"), rows, "pairs", 3)
    found = design.test_many(y, terms=[factor], contrasts=asked)
    return float((np.abs(found.estimate) <= found.half_widths(0.95)).all(axis=1).mean())


def test_one_batch_left_over_gives_no_verdict(without, change):
    """Six batches on two days: 6 - 1 mean - 1 day - 2 waters - 1 mixing water = 1."""
    settings = change(
        without("hydration", "score"),
        blocks={"days": 2, "replicates": 1, "batches_per_day": 3},
    )
    rows, terms = lay_out(settings)
    assert len({r["batch"] for r in rows}) == 6
    assert set(terms.not_estimable) == {"water", "mixing_water"}
    assert (
        "water, mixing water: too few batches are left over to judge by (1; 3 are wanted), so no "
        "range and no verdict. Plan more batches." in terms.notes
    )
    at_48 = coverage(settings, "water", at={"hold": "48"})
    assert at_48 < 0.90  # why: printed, these would be called 95 % ranges
    assert coverage(settings, "hold") >= 0.93  # what is still answered


@pytest.mark.parametrize(("replicates", "judged"), [(2, True), (1, False)])
def test_three_batches_left_over_are_enough(waters, change, replicates, judged):
    """Three waters on one day in two batches each: 6 - 1 - 2 = 3; in one each: none."""
    days = {"days": 1, "replicates": replicates, "batches_per_day": 6}
    _, terms = lay_out(change(waters, blocks=days))
    assert ("water" not in terms.not_estimable) is judged


def test_waters_that_are_judged_by_few_batches_keep_their_ranges(waters, change):
    """9 - 3 days - 2 = 4 left over: 0.937 in 6000 trials; 1000 trials are true to 0.016."""
    nine = change(waters, blocks={"days": 3, "replicates": 3})
    assert coverage(nine, "water", at={"hold": "48"}) >= 0.92


def test_one_day_left_over_gives_no_verdict_and_two_do(kitchen, change):
    """A setting by day with two levels: 3 - 2 = 1 and 4 - 2 = 2 mixing days left over."""
    by_day = replace(kitchen.factors["hydration"], set="day")
    factors = {**kitchen.factors, "hydration": by_day}
    four = lay_out(change(factors=factors))[1]
    rows = [r for r in lay_out(change(factors=factors))[0] if r["block"] != "D1"]
    three = choose_terms(change(factors=factors), rows, kitchen.responses["ph"])
    assert "hydration" not in four.not_estimable
    assert (
        "too few mixing days are left over to judge by (1; 2 are wanted)"
        in (three.reasons["hydration"])
    )


def two_holds(settings):
    hold = replace(settings.factors["hold"], levels=("24", "48"), values=(24.0, 48.0))
    return replace(settings, factors={**settings.factors, "hold": hold})


def test_hold_of_one_day_is_not_judged_for_its_sessions(waters, change):
    one = change(waters, blocks={"days": 1, "replicates": 4, "batches_per_day": 12})
    _, terms = lay_out(one)
    assert terms.not_estimable == ("hold",)
    assert sum("session" in note for note in terms.notes) == 1
    assert coverage(one, "hold", sd=0.02) < 0.60  # why: balls against balls on one day


def test_hold_needs_two_sessions_left_over(waters, change):
    """Two days, a day apart. 2 holds: 3 sessions - 1 - 1 along the calendar = 1; 3 holds: 2."""
    days = {"days": 2, "replicates": 4, "batches_per_day": 6}
    three = change(waters, blocks=days)
    two = two_holds(three)
    assert lay_out(three)[1].not_estimable == ()
    assert coverage(three, "hold", sd=0.02) >= 0.93
    terms = lay_out(two)[1]
    assert terms.not_estimable == ("hold",)
    assert (
        "hold: too few reading sessions are left over to judge by (1; 2 are wanted), so no range "
        "and no verdict. Plan more mixing days." in terms.notes
    )


def test_sessions_hide_in_a_setting_by_day_on_two_days(kitchen, change):
    """Each session is one hold of one day, and the day is the hydration: so is their product."""
    factors = {**kitchen.factors, "hydration": replace(kitchen.factors["hydration"], set="day")}
    rows, _ = lay_out(change(factors=factors))
    first = {r["hydration"]: r["block"] for r in rows}
    rows = [r | {"session": f"{r['block']}/{r['hold']}"} for r in rows
            if r["block"] in first.values()]  # fmt: skip
    terms = choose_terms(change(factors=factors), rows, kitchen.responses["ph"])
    assert {"hold", "hydration:hold", "hydration"} <= set(terms.not_estimable)
    assert not {"water", "water:hold"} & set(terms.not_estimable)


def test_the_plan_says_so_before_anything_is_written(waters, change):
    """One day: the hold is asked on the side (a note); one tank of each water: a warning."""
    blocks = {"days": 1, "replicates": 4, "batches_per_day": 12, "water_lots": "trial"}
    one = change(waters, blocks=blocks)
    found = plan_precision(one, build_plan(one))
    assert any(
        n.startswith('This plan cannot answer "Which hold?" (pH): hold: no reading session')
        for n in found.notes
    )
    assert any(
        n.startswith('This plan cannot answer "Which water?" (pH): water: the tank changes only')
        for n in found.warnings
    )
    assert all(line.least is None for line in found.lines)
