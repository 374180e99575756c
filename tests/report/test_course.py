"""The calendar of a plan, and balls in mixing order."""

from dataclasses import replace
from datetime import date

import pytest

from doughlab.report.course import batch_order, plan_dates, plot_balls, plot_plan, plot_residuals
from doughlab.report.figures import one_per_ball


def drawn(ax, kind):
    return [line for line in ax.lines if line.get_gid() == kind]


def test_calendar_shows_each_mixing_day_and_each_hold_on_its_date(demo):
    plan = demo.frozen_plan
    mixing, using = plan_dates(plan)
    assert len(mixing) == 4 and min(mixing.values()) >= date(2026, 3, 2)
    ax = plot_plan(plan)
    assert len(drawn(ax, "mix")) == 4
    rings = drawn(ax, "use")
    assert len(rings) == sum(map(len, using.values())) == 12
    first = min(mixing.values())
    places = sorted(r.get_xdata()[0] for r in rings)
    assert places == sorted((on - first).days for found in using.values() for on, _ in found)
    for block, found in using.items():
        for on, hold in found:  # a hold of so many hours ends so many days later
            assert (on - mixing[block]).days == round(hold / 24)


def test_every_recorded_ball_and_every_lost_one_is_drawn(ph):
    ax = plot_balls(ph)
    shown = sorted(y for line in drawn(ax, "balls") for y in line.get_ydata())
    assert shown == pytest.approx(sorted(one_per_ball(ph.dataset.frame)["y"]))
    (crosses,) = drawn(ax, "lost")
    order = batch_order(ph.dataset)
    assert [order[round(x)] for x in crosses.get_xdata()] == [
        ball.split("-")[0] for ball in ph.dataset.lost
    ]
    assert max(crosses.get_ydata()) < min(shown), "lost balls stand under the rest"
    assert not drawn(ax, "due")


def test_balls_still_due_get_their_own_row(ph):
    data = replace(ph.dataset, missing=("B03-1",))
    interim = replace(ph, model=replace(ph.model, dataset=data))
    ax = plot_balls(interim)
    (due,), (lost,) = drawn(ax, "due"), drawn(ax, "lost")
    assert due.get_ydata()[0] < lost.get_ydata()[0]
    assert due.get_marker() != lost.get_marker()
    assert [t.get_text() for t in ax.texts].count("due") == 1


def test_residuals_are_those_of_the_checks_and_unusual_balls_are_named(ph):
    table = ph.checks.balls.copy()
    table.loc[3, "flagged"] = True
    named = str(table.loc[3, "ball"])
    ax = plot_residuals(replace(ph, checks=replace(ph.checks, balls=table)))
    shown = sorted(y for line in drawn(ax, "balls") for y in line.get_ydata())
    assert shown == pytest.approx(sorted(table["residual"]))
    assert named in [t.get_text() for t in ax.texts]


def test_batches_stand_in_mixing_order_with_their_days(ph, demo):
    ax = plot_balls(ph)
    ticks = [t.get_text() for t in ax.get_xticklabels()]
    assert ticks == sorted(ticks) and ticks[0] == "B01"
    days = list(dict.fromkeys(b["block"] for b in demo.frozen_plan.batches))
    assert [t.get_text() for t in ax.texts if t.get_text() in days] == days
