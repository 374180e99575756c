"""Charts: what they refuse, and identities that hold for any stretch of days."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from doughlab.daily.capability import measure_capability
from doughlab.daily.chart import Limits, cusum, ewma, find_signals, individuals_limits
from doughlab.daily.constants import chart_constants
from doughlab.daily.runlength import cusum_run_length, ewma_run_length
from doughlab.errors import InputError, MissingRecords, UnknownName

days = st.lists(st.floats(4, 7), min_size=3, max_size=40)


@given(days, st.floats(-3, 3), st.floats(0.1, 10))
def test_limits_move_and_scale_with_the_values(values, shift, scale):
    a, b = individuals_limits(values), individuals_limits([scale * v + shift for v in values])
    assert b.centre == pytest.approx(scale * a.centre + shift, abs=1e-9)
    assert b.sd == pytest.approx(scale * a.sd, abs=1e-9)


@given(days)
def test_an_ewma_of_weight_one_is_the_values(values):
    average, low, high = ewma(values, centre=5.5, sd=0.1, weight=1.0)
    assert average == pytest.approx(values)
    assert (high - low) == pytest.approx(np.full(len(values), 0.6))


@given(days)
def test_the_sums_of_a_mirrored_stretch_change_sides(values):
    upper, lower, first = cusum(values, centre=5.5, slack=0.02, limit=0.5)
    mirrored = cusum([11.0 - v for v in values], centre=5.5, slack=0.02, limit=0.5)
    assert mirrored[0] == pytest.approx(lower, abs=1e-9)
    assert mirrored[1] == pytest.approx(upper, abs=1e-9)
    assert mirrored[2] == first


def test_false_alarms_of_rules_are_rare_on_days_that_are_alike():
    """Western Electric rules on normal days: in-control run length 91.75 (Champ and Woodall 1987,
    Technometrics 29, 393, from memory), so about 1.1 % of days begin a signal."""
    rng = np.random.default_rng(7)
    lengths = []
    for _ in range(150):
        z, i = rng.standard_normal(700), 0
        found = []
        while not found and i < 700:  # a stretch at a time, with what the longest rule looks back
            found = find_signals(z[max(0, i - 8) : i + 50], Limits(0, -3, 3, 1))
            i += 50
        start = max(0, i - 58)
        lengths.append(start + found[0].at + 1 if found else 700)
    error = np.std(lengths) / np.sqrt(len(lengths))
    assert np.mean(lengths) == pytest.approx(91.75, abs=4 * error)


def test_a_simulated_chart_runs_as_long_as_the_integral_says():
    rng = np.random.default_rng(11)
    z = rng.standard_normal((4000, 60)) + 1.0
    average = np.zeros(4000)
    run = np.full(4000, 60)
    for i in range(60):
        average = 0.2 * z[:, i] + 0.8 * average
        out = np.abs(average) > 2.86 * np.sqrt(0.2 / 1.8)
        run = np.where(out & (run == 60), i + 1, run)
    error = run.std() / np.sqrt(4000)
    assert run.mean() == pytest.approx(ewma_run_length(0.2, 2.86, shift=1.0), abs=4 * error)


def test_the_mean_range_of_two_is_known_exactly():
    assert chart_constants(2).d2 == pytest.approx(2 / np.sqrt(np.pi), rel=1e-10)
    assert chart_constants(3).d2 == pytest.approx(3 / np.sqrt(np.pi), rel=1e-10)
    assert chart_constants(2).c4 == pytest.approx(np.sqrt(2 / np.pi), rel=1e-12)


def test_ranges_of_capability_cover_at_their_rate():
    rng = np.random.default_rng(5)
    inside = np.zeros(2)
    for _ in range(3000):
        x = rng.normal(5.55, 0.08, 25)
        found = measure_capability(x.mean(), x.std(ddof=1), low=5.35, high=5.75, df=24)
        truth = 0.4 / (6 * 0.08), 0.2 / (3 * 0.08)
        inside += [
            found.cp_range[0] <= truth[0] <= found.cp_range[1],
            found.cpk_range[0] <= truth[1] <= found.cpk_range[1],
        ]
    assert inside[0] / 3000 == pytest.approx(0.95, abs=0.015)
    assert 0.93 <= inside[1] / 3000 <= 0.985  # Bissell's range is cautious with a mean mid-window


def test_share_inside_follows_from_capability():
    found = measure_capability(5.55, 0.1, low=5.35, high=5.75, df=30)
    share = norm.cdf(3 * found.high_side) - norm.cdf(-3 * found.low_side)
    assert share == pytest.approx(norm.cdf(2) - norm.cdf(-2))


@pytest.mark.parametrize(
    ("call", "error", "words"),
    [
        (lambda: individuals_limits([5.5]), MissingRecords,
         "A chart needs 2 values or more; there are 1 so far. Record more days."),
        (lambda: individuals_limits([5.5, float("nan")]), InputError,
         "A chart needs plain numbers in order of time, without blanks."),
        (lambda: ewma([5.5], centre=5.5, sd=0.1, weight=1.5), InputError,
         "weight 1.5 must lie above 0 and up to 1, sd 0.1 above 0."),
        (lambda: cusum([5.5], centre=5.5, slack=-1, limit=1), InputError,
         "slack -1 must not lie below 0, and limit 1 above 0."),
        (lambda: find_signals([5.5], Limits(5.5, 5.5, 5.5, 0.0)), InputError,
         "The limits stand on a spread of 0; it must lie above 0."),
        (lambda: find_signals([5.5], Limits(5.5, 5, 6, 0.1), rules="mine"), UnknownName,
         "rule set 'mine' is not known. Known: nelson 1984, western electric 1956."),
        (lambda: chart_constants(1), InputError,
         "A group of 1 values has no chart constants here; give 2 to 50."),
        (lambda: ewma_run_length(0.0, 3), InputError,
         "weight 0 must lie above 0 and up to 1, width 3 above 0."),
        (lambda: cusum_run_length(0.5, 0), InputError,
         "slack 0.5 must not lie below 0, limit 0 above 0."),
        (lambda: measure_capability(5, 0, low=4, high=6, df=5), InputError,
         "A window needs its low end below its high end, and a spread above 0."),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused(call, error, words):
    with pytest.raises(error) as e:
        call()
    assert str(e.value) == words
