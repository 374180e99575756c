"""What invented trials find, solved for: against the normal law and a general root finder."""

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import norm

from doughlab.plan import foresee as foresight
from doughlab.plan.chances import find_chances
from doughlab.plan.foresee import Foreseen, foresee
from doughlab.plan.lines import build_lines
from doughlab.plan.model import build_layout
from doughlab.plan.plan import build_plan


def seen(shift, half, std_error):
    draws = np.asarray(shift, dtype=float), np.asarray(half, dtype=float)
    return Foreseen("a", "b", std_error, 4.0, 2.5, lambda df: np.full(np.shape(df), 2.5), draws)


def often(difference, shift, half, std_error):
    """The chance that zero lies outside, over shifts of both signs (normal law, scipy)."""
    both, width = np.concatenate([shift, -shift]), np.tile(half, 2)
    above = norm.sf((width - difference - both) / std_error)
    return float(np.mean(above + norm.cdf((-width - difference - both) / std_error)))


@pytest.mark.parametrize("std_error", [1e-3, 0.03, 0.7])
@pytest.mark.parametrize("spread", [0.0, 0.4, 3.0])
def test_the_smallest_difference_is_where_the_chance_is_met(std_error, spread):
    rng = np.random.default_rng(11)
    shift = rng.normal(0.0, 1.0, 400) * spread * std_error
    half = std_error * (2.0 + 4.0 * spread * rng.random(400) ** 3)
    (found,) = find_chances([seen(shift, half, std_error)], [std_error])
    for chance, value in ((0.8, found.found_80), (0.9, found.found_90)):
        solved = brentq(lambda d, c=chance: often(d, shift, half, std_error) - c, 0, 40 * std_error)
        assert value == pytest.approx(solved, rel=1e-6)


def test_more_trials_than_needed_change_no_chance_by_more_than_is_said(
    without, change, monkeypatch
):
    few = without("mixing_water", "hydration", "score")
    settings = change(few, blocks={"days": 2, "batches_per_day": 3})
    plan = build_plan(settings)
    layout = build_layout(settings, plan.batches, plan.balls, settings.responses["ph"])

    def lines():
        sight = foresee(settings, layout, settings.responses["ph"])
        shown, _ = build_lines(sight, layout)
        drawn = [x.least for x in shown if x.least is not None and x.least.draws is not None]
        assert drawn
        return drawn, find_chances(drawn, [0.1] * len(drawn))

    few, stated = lines()
    monkeypatch.setattr(foresight, "_TRUE_TO", 1e-9)
    monkeypatch.setattr(foresight, "DRAWS", 12_000)
    many, better = lines()
    assert len(few[0].draws[0]) < len(many[0].draws[0]) == 12_000
    for one, other in zip(stated, better, strict=True):
        for name in ("found_margin", "same_if_zero", "same_if_half"):  # 4 standard errors
            assert getattr(one, name) == pytest.approx(getattr(other, name), abs=0.028)
