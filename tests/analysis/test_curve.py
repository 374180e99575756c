"""Curves over the hold: truth found again, factors act where the plan lets them, ranges cover."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from doughlab.analysis import curve as module
from doughlab.analysis.curve import fit_curve, fit_trial_pace, ripening_hours
from doughlab.errors import InputError, NotEstimable

FIVE = '[factors.hold]\nset = "ball"\nkind = "number"\nlevels = [12, 24, 36, 48, 72]\nunit = "h"'
THREE = '[factors.hold]\nset = "ball"\nkind = "number"\nlevels = [24, 48, 72]\nunit = "h"'


def decayed(levels):
    """Start 6.2, end 5.2, 0.04 an hour; tap 0.08 above."""
    hold = float(levels["hold"])
    return 5.2 + 1.0 * np.exp(-0.04 * hold) + 0.08 * (levels["water"] == "tap")


@pytest.fixture(scope="module")
def decay_trial(kitchen):
    text = kitchen.PLAIN.replace(THREE, FIVE)
    assert text != kitchen.PLAIN
    return kitchen.invent(text, decayed, spread=kitchen.Spread(day=0.0, batch=0.04, ball=0.02))


@pytest.fixture(scope="module")
def decay_curve(decay_trial):
    return fit_curve(decay_trial)


def test_five_holds_give_start_end_and_rate(decay_curve):
    assert decay_curve.kind == "decay"
    table = decay_curve.decay.set_index("term")
    # tap and bottled averaged: 0.04 above the base
    for term, truth in (("start", 6.24), ("end", 5.24), ("rate", 0.04)):
        row = table.loc[term]
        assert row.ci_low < truth < row.ci_high, term
        assert row.ci_high - row.ci_low < 0.8
    assert table.loc["rate", "unit"] == "per h"


def test_the_average_follows_the_truth_between_the_holds_too(decay_curve):
    hours = [12, 20, 30, 42, 60, 72]
    table = decay_curve.table(hours)
    truth = 5.24 + np.exp(-0.04 * np.array(hours))
    assert table["estimate"].to_numpy() == pytest.approx(truth, abs=0.05)
    assert list(table.columns) == [
        "hold_h", "estimate", "std_error", "df", "ci_low", "ci_high", "unit",
    ]  # fmt: skip


def test_a_factor_moves_the_level(decay_curve):
    tap, bottled = (
        decay_curve.table([36], setting={"water": w})["estimate"].iloc[0]
        for w in ("tap", "bottled")
    )
    both = decay_curve.table([36])["estimate"].iloc[0]
    assert tap - bottled == pytest.approx(0.08, abs=0.08)
    assert both == pytest.approx((tap + bottled) / 2)


def test_window_hours_lie_where_the_truth_crosses(decay_curve):
    """By hand: 5.24 + exp(-0.04 h) = 5.75 at h = 16.83; = 5.45 at 39.02."""
    hours = decay_curve.window_hours(5.45, 5.75)
    assert hours.opens.low < 16.83 < hours.opens.high
    assert hours.closes.low < 39.02 < hours.closes.high
    assert hours.batch_opens.low < hours.opens.low < hours.opens.high < hours.batch_opens.high
    # by hand near 16.8 h: batches differ by 0.04, pH falls 0.0204 an hour, t about 2.1
    wide = hours.batch_opens.high - hours.batch_opens.low
    assert wide == pytest.approx(2 * 2.1 * 0.04 / 0.0204, rel=0.5)
    assert hours.opens.value == hours.batch_opens.value


def test_a_window_that_is_never_reached_is_said(decay_curve):
    hours = decay_curve.window_hours(4.0, 4.2)
    assert str(hours.opens) == "after 72 h" and hours.opens.value is None
    with pytest.raises(InputError, match="has no inside"):
        decay_curve.window_hours(5.7, 5.4)


def test_beyond_the_tried_holds_nothing_is_drawn(decay_curve):
    with pytest.raises(NotEstimable) as raised:
        decay_curve.table([96])
    assert str(raised.value) == ("The curve is known from 12 to 72 h only; it is not drawn beyond.")


def test_three_holds_give_a_second_degree_and_say_so(waters_trial):
    curve = fit_curve(waters_trial)
    assert curve.kind == "quadratic"
    assert curve.notes[0] == (
        "three holds fix the curve: whether it runs that way between them is not checked"
    )
    with pytest.raises(NotEstimable) as raised:
        curve.decay  # noqa: B018
    assert str(raised.value) == "Start, end and rate need 5 distinct holds; there are 3."


def test_three_holds_meet_the_means_of_a_balanced_trial(waters_trial):
    """Balanced in all but sessions, which shift the weights by less than 0.001."""
    curve = fit_curve(waters_trial)
    means = curve.dataset.frame.groupby("hold", observed=True)["y"].mean()
    assert curve.table()["estimate"].to_numpy() == pytest.approx(means.to_numpy(), abs=1e-3)


def test_the_terms_are_those_of_the_plan(waters_trial):
    curve = fit_curve(waters_trial)
    random = set(curve.fit.variances)
    assert {"batch: level", "batch: change", "residual"} <= random
    levels = sum(n.startswith("level") for n in curve.fit.names)
    # intercept, 3 of 4 days, 2 of 3 waters, mixing water, waters by mixing water
    assert levels == 1 + 3 + 2 + 1 + 2
    changes = sum(n.startswith("change") for n in curve.fit.names)
    assert changes == 1 + 2 + 1
    assert "the range of a single batch is that of a batch on a day of this trial" in curve.notes


def test_a_setting_of_a_two_level_number_is_taken(waters_trial):
    curve = fit_curve(waters_trial)
    cold, warm = (
        curve.table([48], setting={"mixing_water": t})["estimate"].iloc[0] for t in ("54 F", "64 F")
    )
    assert cold - warm == pytest.approx(0.12, abs=0.1)
    with pytest.raises(InputError, match="factor 'watr' is not known"):
        curve.table([48], setting={"watr": "tap"})
    with pytest.raises(InputError, match="level of water 'tapp' is not known"):
        curve.table([48], setting={"water": "tapp"})


def test_balls_alike_are_told_as_hours_of_hold(decay_trial):
    """Bench and warm-up alike for all: the curve is that of plain hours, and says how it counts."""
    plain = fit_curve(decay_trial, by_clock=False)
    counted = fit_curve(decay_trial)
    assert plain.extra_h == 0.0 and counted.extra_h > 3.0
    assert counted.table()["estimate"].to_numpy() == pytest.approx(
        plain.table()["estimate"].to_numpy(), abs=1e-3
    )
    assert counted.clock_words.startswith("factor 2.6 for every 10 °C")
    assert plain.clock_words == "hours from balling to use, whatever the temperature"


def test_a_ball_that_warmed_longer_counts_as_riper(decay_trial, monkeypatch):
    """Truth follows ripening hours: with them counted, what is left over gets smaller."""
    base = fit_curve(decay_trial).dataset
    rng = np.random.default_rng(4)
    extra = pd.Series(rng.uniform(-6, 6, len(base.frame)), index=base.frame["ball"])
    hours = base.frame["hold_actual_h"].to_numpy() + extra.to_numpy()
    y = 5.24 + np.exp(-0.04 * hours) + rng.normal(0, 0.01, len(hours))
    changed = replace(base, frame=base.frame.assign(y=y))
    monkeypatch.setattr(module, "build_dataset", lambda trial, response: changed)
    known = dict(zip(base.frame["ball"], hours, strict=True))
    by_clock = fit_curve(decay_trial, by_clock=False).fit.variances["residual"]
    monkeypatch.setattr(module, "ripening_hours", lambda trial, clock: known)
    by_ripening = fit_curve(decay_trial).fit.variances["residual"]
    assert by_ripening < 0.1 * by_clock


def test_ripening_hours_count_bench_cooler_and_warm_up(waters_trial):
    """Same hold, same hours; a longer hold is longer by the cooler's hours alone."""
    hours = ripening_hours(waters_trial)
    hold = {b["ball_id"]: b["hold_h"] for b in waters_trial.frozen_plan.balls
            if b["purpose"] == "ph"}  # fmt: skip
    means = {h: np.mean([hours[b] for b, g in hold.items() if g == h]) for h in (24.0, 48.0, 72.0)}
    assert means[24.0] > 24.0
    assert means[48.0] - means[24.0] == pytest.approx(24.0, abs=0.05)
    assert means[72.0] - means[48.0] == pytest.approx(24.0, abs=0.05)


def test_acidity_rises_and_its_window_opens_from_below(kitchen, monkeypatch, decay_trial):
    """Titratable acidity as another response: the same curve upside down."""
    base = fit_curve(decay_trial).dataset
    changed = replace(base, frame=base.frame.assign(y=9.0 - base.frame["y"]))
    monkeypatch.setattr(module, "build_dataset", lambda trial, response: changed)
    curve = fit_curve(decay_trial)
    hours = curve.window_hours(9 - 5.75, 9 - 5.45)
    assert hours.opens.low < 16.83 < hours.opens.high
    assert hours.closes.low < 39.02 < hours.closes.high


TEMPS = """
[factors.hold_temp]
set = "ball"
kind = "number"
levels = [3, 5, 12]
unit = "temp_c"

[responses.ph]"""


ACIDITY = """
[responses.acidity]
table = "readings"
column = "acidity_ml"
unit = "ml"
margin = 0.3

[responses.ph]"""


def test_titratable_acidity_is_a_second_response_where_it_is_recorded(kitchen):
    """Truth: 9 mL minus the pH; read from the same rows, on a curve of its own."""
    asked = kitchen.PLAIN.replace(THREE, FIVE).replace("\n[responses.ph]", ACIDITY)
    trial = kitchen.invent(asked, decayed, spread=kitchen.Spread(day=0, batch=0.03, ball=0.01))
    trial = trial.with_readings([r | {"acidity_ml": 9.0 - r["ph"]} for r in trial.records.readings])
    ph, acidity = fit_curve(trial), fit_curve(trial, "acidity")
    total = acidity.table()["estimate"] + ph.table()["estimate"]
    assert total.to_numpy() == pytest.approx(9.0, abs=1e-6)
    assert acidity.table()["unit"].iloc[0] == "ml"


def test_a_trial_with_hold_temperatures_teaches_its_clock(kitchen):
    """Truth: a factor 3 for ten degrees, counted at 4 C."""

    def truth(levels):
        worth = float(levels["hold"]) * 3 ** ((float(levels["hold_temp"]) - 4) / 10)
        return 5.2 + np.exp(-0.02 * worth)

    trial = kitchen.invent(kitchen.PLAIN.replace("\n[responses.ph]", TEMPS), truth,
                           spread=kitchen.Spread(day=0, batch=0.03, ball=0.01))  # fmt: skip
    pace = fit_trial_pace(trial)
    assert pace.low < 3.0 < pace.high and pace.high - pace.low < 1.0


def test_a_trial_at_one_temperature_teaches_no_clock(decay_trial):
    with pytest.raises(NotEstimable, match="does not vary in this trial"):
        fit_trial_pace(decay_trial)


def test_scores_and_trials_without_a_hold_are_refused(waters_trial):
    with pytest.raises(InputError) as raised:
        fit_curve(waters_trial, "score")
    assert str(raised.value) == ("A curve over the hold is fitted to measures; 'score' is scored.")


def test_it_is_told_in_15_lines_of_80(decay_curve, waters_trial):
    for curve in (decay_curve, fit_curve(waters_trial)):
        lines = str(curve).splitlines()
        assert len(lines) <= 15 and max(map(len, lines)) <= 80
        assert "safe" not in str(curve)
        assert curve._repr_html_().startswith("<pre>pH over the hold")


@pytest.mark.slow
def test_ranges_of_the_opening_hour_hold_the_truth_at_their_rate(decay_trial, monkeypatch):
    """Truth as `decayed`, new batches and balls 200 times, seed 8; the window opens at 16.83 h.

    Average 95 % and a single new batch 95 %, both within three standard errors (4.6 points).
    """
    base = fit_curve(decay_trial).dataset
    frame = base.frame
    hold = frame["hold_actual_h"].to_numpy()
    tap = (frame["water"] == "tap").to_numpy()
    mean = 5.2 + np.exp(-0.04 * hold) + 0.08 * tap
    codes = frame.groupby("batch", observed=True).ngroup().to_numpy()
    rng = np.random.default_rng(8)
    held = held_batch = 0
    for _ in range(200):
        batch = rng.normal(0, 0.04, codes.max() + 2)
        y = mean + batch[codes] + rng.normal(0, 0.02, len(mean))
        changed = replace(base, frame=frame.assign(y=y))
        monkeypatch.setattr(module, "build_dataset", lambda trial, response, d=changed: d)
        hours = fit_curve(decay_trial, by_clock=False).window_hours(5.45, 5.75)
        held += (hours.opens.low or 12.0) <= 16.83 <= (hours.opens.high or 72.0)
        own = -np.log((5.75 - 5.24 - batch[-1]) / 1.0) / 0.04
        low, high = hours.batch_opens.low or -np.inf, hours.batch_opens.high or np.inf
        held_batch += low <= own <= high
    assert held / 200 == pytest.approx(0.95, abs=0.047)
    assert held_batch / 200 == pytest.approx(0.95, abs=0.047)
