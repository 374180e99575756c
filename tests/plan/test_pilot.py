"""Spreads of an earlier trial: drawn as they are known, and carried along into what is found.

Balanced layouts by algebra (expected mean squares), coverage against invented pilots.
"""

from dataclasses import replace

import numpy as np
import pytest

from doughlab.errors import InputError
from doughlab.plan.pilot import Carried, CarriedPrecision, carry_pilot
from doughlab.plan.plan import build_plan
from doughlab.plan.precision import plan_precision
from doughlab.plan.spreads import Spread, Spreads, measure_parts, use_spreads
from doughlab.stats import fit_mixed

PILOT = Spreads(
    "ph", (Spread("batch", 0.0025, 5, {"ball": 0.25}), Spread("ball", 0.0009, 18)), "six batches"
)


def one_way(batches, balls, seed=3):
    """A balanced one-way layout, fitted: names, variances and their covariance."""
    import pandas as pd

    rng = np.random.default_rng(seed)
    batch = np.repeat(np.arange(batches), balls)
    y = rng.normal(0, 0.05, batches)[batch] + rng.normal(0, 0.03, batch.size)
    fit = fit_mixed(pd.DataFrame({"y": y, "batch": [f"B{b}" for b in batch]}), "y ~ 1",
                    random=["batch"])  # fmt: skip
    return list(fit.variances), fit.moments.w * fit.scale**4, y.reshape(batches, balls)


def test_a_balanced_pilot_has_its_exact_degrees_of_freedom():
    """Six batches of four balls: mean squares on 5 and 18 df, MS(batch) / 4 = b + e / 4."""
    variances, covariance, y = one_way(6, 4)
    batch, ball = measure_parts(["batch", "ball"], variances, covariance)
    assert (batch.df, ball.df) == pytest.approx((5, 18))
    assert batch.shares == pytest.approx({"ball": 0.25})
    assert batch.variance + ball.variance / 4 == pytest.approx(y.mean(axis=1).var(ddof=1))


def test_three_levels_keep_what_each_mean_square_holds():
    """Nested c in b in a, 2 x 3 inner ones: MS(a)/6 = a + b/2 + c/6, 9 df; Var(MS) = 2 MS^2/df."""
    a, b, c = 4.0, 2.0, 1.0
    squares = np.array([6 * a + 3 * b + c, 3 * b + c, c])
    var = 2 * squares**2 / np.array([9, 10, 40])
    make = np.array([[1 / 6, -1 / 6, 0], [0, 1 / 3, -1 / 3], [0, 0, 1.0]])
    parts = measure_parts(["day", "batch", "ball"], [a, b, c], make @ np.diag(var) @ make.T)
    assert [p.df for p in parts] == pytest.approx([9, 10, 40])
    assert parts[0].shares == pytest.approx({"batch": 0.5, "ball": 1 / 6})
    assert parts[1].shares == pytest.approx({"ball": 1 / 3})


def test_drawn_ranges_hold_the_truth_as_often_as_stated():
    """2000 invented pilots of 6 x 4; what a batch of 3 balls adds: b + e/3. SE of a share: 0.005.

    Truncated estimates are pooled as restricted likelihood pools them.
    """
    b, e, rng = 0.0025, 0.0009, np.random.default_rng(11)
    inside = 0
    for i in range(2000):
        square = (4 * b + e) * rng.chisquare(5) / 5
        repeat = e * rng.chisquare(18) / 18
        if square < repeat:
            square = repeat = (5 * square + 18 * repeat) / 23
        pilot = replace(PILOT, parts=(
            Spread("batch", (square - repeat) / 4, 5, {"ball": 0.25}), Spread("ball", repeat, 18),
        ))  # fmt: skip
        drawn = pilot.draw(400, seed=i)
        low, high = np.quantile(drawn["batch"] + drawn["ball"] / 3, [0.025, 0.975])
        inside += low <= b + e / 3 <= high
    assert 0.93 <= inside / 2000 <= 0.975


def test_spreads_that_are_known_for_certain_leave_one_answer(without, change):
    """The limit of many degrees of freedom: every draw is the estimate."""
    settings = change(without("mixing_water", "hydration", "hold", "score"), assumed={})
    plan = build_plan(change(settings, blocks={"days": 6, "batches_per_day": 3, "replicates": 6}))
    certain = replace(PILOT, parts=tuple(replace(p, df=1e9) for p in PILOT.parts))
    (carried,) = carry_pilot({"ph": certain}, plan, draws=20).carried
    line = plan_precision(plan.settings, plan, spreads={"ph": certain}).lines[0]
    assert carried.found == pytest.approx((line.chances.found_margin,) * 3, rel=1e-3)
    assert carried.size == pytest.approx((line.chances.found_80,) * 3, rel=1e-3)
    assert carried.same == pytest.approx((line.chances.same_if_zero,) * 3, rel=1e-3)


@pytest.fixture(scope="module")
def carried_by(without, change):
    """Three waters x 6 batches, one pH ball each; carried from a pilot of so many batches."""
    settings = change(without("mixing_water", "hydration", "hold", "score"), assumed={})

    def carry(pilot, *, replicates=6, margin=0.1, days=None):
        ph = replace(settings.responses["ph"], margin=margin)
        own = change(
            settings,
            responses={"ph": ph},
            blocks={"days": replicates, "batches_per_day": 3, "replicates": replicates},
        )
        plan = build_plan(own)
        if days is not None:
            plan = replace(plan, settings=change(own, blocks={"days": days}))
        return carry_pilot({"ph": pilot}, plan, draws=60)  # fmt: skip

    return carry


def test_a_small_pilot_leaves_a_wide_range_and_a_larger_one_a_narrower(carried_by):
    (small,) = carried_by(PILOT).carried
    parts = Spread("batch", 0.0025, 50, {"ball": 0.25}), Spread("ball", 0.0009, 180)
    (large,) = carried_by(replace(PILOT, parts=parts)).carried
    for c in (small, large):
        assert c.found[0] < c.line.chances.found_margin < c.found[2]
        assert c.size[0] < c.line.chances.found_80 < c.size[2]
    assert small.found[0] < large.found[0] and large.found[2] < small.found[2]
    assert small.words == f"{round(5 * small.found[0])} to {round(5 * small.found[2])} in 5"


def test_the_number_to_go_on_with_is_that_of_the_plan_itself(carried_by):
    """As measured, so many batches would do: checked by carrying to that plan and one day less."""
    precision = carried_by(PILOT, replicates=4, days=40)
    (c,) = precision.carried
    low, enough, high = c.units
    assert 12 < low <= enough <= high
    days = -(-enough // 3)
    for replicates, does in ((days, True), (days - 1, False)):
        (larger,) = carried_by(PILOT, replicates=replicates).carried
        assert (larger.line.chances.found_margin >= 0.795) is does
    assert precision.sentences[0].endswith(
        f" Go on with {enough} batches ({low} to {high}) instead of 12."
    )


def test_it_says_stop_where_the_kitchen_has_no_room(carried_by):
    precision = carried_by(PILOT, replicates=4)
    low, enough, high = precision.carried[0].units
    assert precision.sentences[0].endswith(
        f" It takes {enough} batches ({low} to {high}), and [blocks] has room for 12: allow more "
        "mixing days, ask for a larger margin, or stop."
    )


def test_it_says_stop_where_no_number_of_batches_would_do(carried_by):
    precision = carried_by(PILOT, replicates=3, margin=0.005)
    assert precision.sentences[0] == (
        f'"Which water?" (pH): a difference of 0.01 is found '
        f"{100 * precision.carried[0].line.chances.found_margin:.0f} times in 100 if the spreads "
        f"are as measured, {100 * precision.carried[0].found[0]:.0f} to "
        f"{100 * precision.carried[0].found[2]:.0f} as far as they are known. Stop, or ask for a "
        "larger margin: no plan of this kind up to 40 times the size would find 0.01."
    )


def test_it_says_go_on_where_the_plan_does(carried_by):
    sure = carried_by(PILOT, replicates=6, margin=0.5).sentences[0]
    assert sure.endswith(" Go on with this plan: it does even at the high end of the spreads.")
    precision = carried_by(PILOT, replicates=12)
    high = precision.carried[0].units[2]
    assert precision.sentences[0].endswith(
        f" Go on with this plan; at the high end of the spreads it takes {high}."
    )
    assert len(precision.table) == 1 and "<pre>" in precision._repr_html_()
    lines = str(precision).splitlines()
    assert len(lines) <= 15 and max(map(len, lines)) <= 80


def test_an_endless_high_end_is_said(carried_by):
    (c,) = carried_by(PILOT).carried
    endless = Carried(c.line, (0.2, 0.7, 1.0), c.size, c.same, (18, 18, None))
    assert CarriedPrecision((endless,), ()).advise(endless) == (
        "Go on with this plan; at the high end of the spreads it takes more than can be named."
    )


def test_what_trial_toml_states_goes_before_what_was_measured(kitchen, change):
    assert use_spreads(kitchen, {"ph": PILOT}).assumed["ph"] == kitchen.assumed["ph"]
    bare = change(assumed={"score": kitchen.assumed["score"]})
    assert use_spreads(bare, {"ph": PILOT}).assumed["ph"].batch_sd == pytest.approx(0.05)
    plan = build_plan(bare)
    said = plan_precision(bare, plan, spreads={"ph": PILOT}).assumed
    assert said.startswith("pH as measured in six batches (95 % ranges): batches differ by 0.05 (")
    assert "assumed (standard deviations): score: batches differ by 0.4" in said.replace(
        "bake score", "score"
    )


def test_spreads_that_cannot_be_drawn_from_are_refused():
    with pytest.raises(InputError) as caught:
        Spreads("ph", (Spread("oven", 0.1, 5), Spread("ball", 0.1, 5)))
    assert str(caught.value) == (
        "Spread 'oven' with variance 0.1 on 5 degrees of freedom cannot be used: names are day, "
        "lot, session, batch, ball, judge, variances 0 or more."
    )
    with pytest.raises(InputError) as caught:
        Spreads("ph", (Spread("ball", 0.0, 5),), "pilot")
    assert str(caught.value) == "pilot shows no spread of ph that repeats."
    with pytest.raises(InputError, match=r"^5 draws are too few for a range: take 20 or more\.$"):
        carry_pilot({}, None, draws=5)
